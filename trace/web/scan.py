"""The scan line: what a scanned or typed text names, and what it may have meant."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import product
from typing import Any
from urllib.parse import urlencode

from django.db.models import Model, Q
from django.db.models.functions import Upper

from trace.approvals.models import Deviation
from trace.containment.models import Containment
from trace.core.keys import KEY, KEY_LENGTH, BadKey, check_character, clean_key, read_code, read_label
from trace.core.models import Person
from trace.core.secrecy import clean_scan
from trace.engineering.equipment import Equipment
from trace.engineering.models import Part, Station
from trace.exchange.supplier_label import LabelRefused, read_label_text
from trace.floor.models import Carrier, Carton, Customer, Pallet, Return, Shipment, Unit, WorkOrder
from trace.floor.naming import list_named_units
from trace.material.models import Container, Delivery, Feed, Lot, SetUp, Supplier, Tape
from trace.material.queries import find_receipts
from trace.web.cells import Ref, page_of

ALPHABET = "ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-"
SUGGESTIONS = 8

KINDS: dict[str, type[Model]] = {
    "unit": Unit,
    "container": Container,
    "lot": Lot,
    "tape": Tape,
    "station": Station,
    "part": Part,
    "carton": Carton,
    "pallet": Pallet,
    "shipment": Shipment,
    "workorder": WorkOrder,
    "person": Person,
    "feed": Feed,
    "setup": SetUp,
    "supplier": Supplier,
    "customer": Customer,
    "deviation": Deviation,
    "equipment": Equipment,
    "delivery": Delivery,
    "return": Return,
    "carrier": Carrier,
    "containment": Containment,
}
"""What the scan line opens, by key."""

OTHER_NAMES: dict[str, str] = {"lot": "number__iexact", "part": "number__iexact", "container": "receipt__package"}
"""What is known by a name besides its key: a supplier's lot number may be used by several, and a package that has an id
of its supplier's, kept in capitals, may be several containers."""

HINTS: dict[str, tuple[str, ...]] = {
    "lot": ("number__istartswith", "date_code__istartswith", "supplier__name__icontains"),
    "part": ("number__istartswith",),
}
"""By what else a thing may be meant: enough to suggest it."""

MOST_ZEROS = 6
"""So many leading zeros may be left out of a number in a key …"""
MOST_NUMBERS = 2
"""… of so many numbers."""

DESCRIBED = {
    "unit": ("part__name",),
    "container": ("part__name", "lot__key"),
    "lot": ("part__name", "supplier__name", "number", "date_code"),
    "tape": ("assembly__name",),
    "part": ("name", "revision"),
    "station": ("name",),
    "shipment": ("customer__name",),
    "workorder": ("part__name",),
    "person": ("name",),
    "supplier": ("name",),
    "customer": ("name",),
    "deviation": ("reason",),
    "equipment": ("name", "kind"),
    "delivery": ("supplier__name", "number"),
    "return": ("unit__key", "customer__name", "complaint"),
    "carrier": ("kind", "part__name"),
    "containment": ("problem",),
}
"""What tells one thing of a kind from another, beside its key."""


@dataclass(frozen=True)
class Found:
    """A thing that a text names: its kind and key, and what it is in words; what was `scanned`, where its page says
    more about that: a label that was replaced."""

    kind: str
    key: str
    words: str
    scanned: str = ""

    @property
    def href(self) -> str:
        return page_of(self.kind, self.key) + (f"?{urlencode({'scanned': self.scanned})}" if self.scanned else "")

    @property
    def ref(self) -> Ref:
        return Ref(self.kind, self.key)


@dataclass
class Reading:
    """What became of a text: the things it names (several: a choice), or a sentence that says what
    is wrong with it, what to do next, and things it may have meant."""

    text: str
    found: list[Found] = field(default_factory=list)
    problem: str = ""
    action: str = ""
    suggestions: list[Found] = field(default_factory=list)


def read_scan(text: str) -> Reading:
    """Read a scanned or typed text: a label's link, its key with a check character, a key, or another name."""
    text = clean_scan(text)
    reading = Reading(text)
    if not text:
        reading.problem, reading.action = "Nothing was scanned.", "Scan or type a label, a serial or a lot number."
        return reading
    link = read_code(text)
    units = list(_by_unit_name(text))
    only, text = link or ("", text)
    named = [] if link else list(_by_other_name(text))
    try:
        key = read_label(text)
    except BadKey as bad:
        reading.found = [*units, *named] or list(_without_zeros(text))
        if reading.found:
            return reading
        reading.problem, reading.action = bad.message, bad.action
        reading.suggestions = suggest(text)
        if "." not in text or "/" in text:  # no label, and no key either
            reading.problem, reading.action = _unknown(text, reading.suggestions)
        return reading
    reading.found = list(dict.fromkeys([*units, *_by_key(key, only), *named])) or list(_without_zeros(text))
    if not reading.found:
        reading.suggestions = suggest(key)
        reading.problem, reading.action = _unknown(key, reading.suggestions)
    return reading


def read_package(text: str) -> Reading:
    """Read a supplier's 2D label: the containers that its package became."""
    try:
        label = read_label_text(text)
    except LabelRefused as refusal:
        return Reading(text, problem=refusal.message, action=refusal.action)
    receipts = find_receipts(label.package, label.text)
    found = list(_describe("container", Q(receipt__in=receipts), 50))
    if found:
        return Reading(label.text, found)
    problem = "This is a supplier’s label, and its package is not on record as received."
    return Reading(label.text, problem=problem, action="Take it to goods-in, to be received there.")


def _unknown(text: str, near: Sequence[Found]) -> tuple[str, str]:
    choose = ", or choose what you meant" if near else ""
    return f"Nothing in this plant is called “{text}”.", f"Check the label and scan it again{choose}."


def suggest(text: str) -> list[Found]:
    """Things whose key is this one, one slip away from it, or begins with it, the likelier first.

    Slips are looked up, not searched for: every key that a wrong, missing, doubled or swapped
    character could have come from is asked of the index. A check character that was read says
    which of them is right.
    """
    body, _, check = text.strip().upper().partition(".")
    try:
        key = clean_key(body)
    except BadKey:
        key = ""
    slips = slips_of(key) if key else set()
    near: list[Found] = []
    as_read = [found for kind in KINDS if key for found in _describe(kind, Q(key=key))]
    for kind in KINDS:
        if slips:
            near += _describe(kind, Q(key__in=slips), SUGGESTIONS)
        if len(key) >= 2:
            near += _describe(kind, Q(key__startswith=key), SUGGESTIONS)
    for kind, names in HINTS.items():
        for name in names if len(body) >= 2 else ():
            near += _describe(kind, Q(**{name: body}), SUGGESTIONS)
    near = list(dict.fromkeys(near))
    if check:
        near.sort(key=lambda found: check_character(found.key) != check[:1])
    return list(dict.fromkeys([*as_read, *near]))[:SUGGESTIONS]


def slips_of(key: str) -> set[str]:
    """Every text that is one wrong, missing, additional or swapped character away from a key."""
    halves = [(key[:i], key[i:]) for i in range(len(key) + 1)]
    return {
        *(a + b[1:] for a, b in halves if b),
        *(a + b[1] + b[0] + b[2:] for a, b in halves if len(b) > 1),
        *(a + c + b[1:] for a, b in halves if b for c in ALPHABET),
        *(a + c + b for a, b in halves for c in ALPHABET),
    } - {key, ""}


def _without_zeros(text: str) -> Iterator[Found]:
    """Things whose key is this one but for zeros left out before a number: QV-145 for QV-00145. A check
    character that was read must be right for the whole key."""
    body, _, check = text.strip().upper().partition(".")
    pieces = re.split(r"(\d+)", body)
    if not KEY.fullmatch(body) or len(body) > KEY_LENGTH or len(pieces) > MOST_NUMBERS * 2 + 1:
        return
    ways = [[f"{'0' * n}{piece}" for n in range(MOST_ZEROS + 1)] if piece.isdigit() else [piece] for piece in pieces]
    keys = {key for way in product(*ways) if (key := "".join(way)) != body}
    for kind in KINDS:
        found = _describe(kind, Q(key__in=keys), SUGGESTIONS) if keys else ()
        yield from (one for one in found if not check or check_character(one.key) == check)


def _by_key(key: str, only: str = "") -> Iterator[Found]:
    for kind in [only] if only else KINDS:
        if kind != "unit":  # which has other names too
            yield from _describe(kind, Q(key=key))


def _by_unit_name(text: str) -> Iterator[Found]:
    """Units by their serials, labels, and the serials that others gave them."""
    for named in list_named_units(text):
        unit = named.unit
        yield Found("unit", unit.key, unit.part.name, text if named.replaced else "")


def _by_other_name(text: str) -> Iterator[Found]:
    for kind, name in OTHER_NAMES.items():
        yield from _describe(kind, Q(**{name: text.upper()}), 50)


def _describe(kind: str, wanted: Q, limit: int = 5) -> Iterator[Found]:
    fields = DESCRIBED.get(kind, ())
    # Text order differs between databases; the keys of one kind are few here.
    rows: Iterable[Any] = KINDS[kind]._default_manager.filter(wanted).order_by(Upper("key")).values_list("key", *fields)
    for key, *words in rows[:limit]:  # type: ignore[index]
        yield Found(kind, key, ", ".join(str(word) for word in words if word))
