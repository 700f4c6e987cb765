"""The scoping line: what may be suspected by what was scanned or typed, and what more each kind asks for."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any
from urllib.parse import urlencode

from django.db.models import CharField, Exists, OuterRef, Q, Value
from django.db.models.functions import Concat, Upper
from django.http import QueryDict
from django.utils import timezone

from trace.containment.models import Join, Kind
from trace.containment.terms import FORMS, BadTerm, Told
from trace.core.clock import OPEN, now
from trace.core.keys import BadKey, read_label
from trace.core.models import Person
from trace.core.moments import read_moment
from trace.core.secrecy import clean_scan
from trace.engineering.equipment import Equipment, Program
from trace.engineering.fitness import find_last_good
from trace.engineering.models import Characteristic, FaultCode, Part, Station
from trace.floor.models import Unit
from trace.genealogy.process import WAYS
from trace.material.models import Axis, Container, FeedRecord, Lot, SetUp, Supplier, Tape
from trace.web.cells import Ref
from trace.web.deeds import Ask
from trace.web.scan import read_package, read_scan

OFFERED = 5
"""So many things of a kind are offered."""

SHORTEST = 2
"""So many characters are looked for at least."""


@dataclass(frozen=True)
class Sought:
    """How things of a kind are found by what somebody types, and what tells one from another beside its key."""

    rows: Any
    by: tuple[str, ...]
    words: tuple[str, ...]
    key: str = "key"
    detail: str = ""


SOUGHT: Mapping[Kind, Sought] = {
    Kind.LOT: Sought(
        Lot.objects,
        ("key__istartswith", "number__istartswith", "date_code__istartswith"),
        ("part__name", "supplier__name", "number", "date_code"),
    ),
    Kind.CONTAINER: Sought(Container.objects, ("key__istartswith",), ("part__name", "lot__key")),
    Kind.UNIT: Sought(Unit.objects, ("key__istartswith",), ("part__name",)),
    Kind.TAPE: Sought(Tape.objects, ("key__istartswith",), ("assembly__name",)),
    Kind.SETUP: Sought(SetUp.objects, ("key__istartswith",), ("assembly__name",)),
    Kind.STATION: Sought(Station.objects, ("key__istartswith", "name__icontains"), ("name",)),
    Kind.PERSON: Sought(Person.objects, ("key__istartswith", "name__icontains"), ("name",)),
    Kind.EQUIPMENT: Sought(Equipment.objects, ("key__istartswith", "name__icontains"), ("name", "kind")),
    Kind.PROGRAM: Sought(Program.objects, ("key__istartswith", "name__icontains"), ("name", "revision", "kind")),
    Kind.SUPPLIER: Sought(Supplier.objects, ("key__istartswith", "name__icontains"), ("name",)),
    Kind.PART: Sought(
        Part.objects, ("key__istartswith", "number__istartswith", "name__icontains"), ("name", "revision")
    ),
    Kind.FAULT: Sought(FaultCode.objects, ("key__istartswith", "name__icontains"), ("name",)),
    Kind.CHARACTERISTIC: Sought(
        Characteristic.objects.annotate(detail=Concat("step_number", Value(": "), "name", output_field=CharField())),
        ("name__icontains", "part__key__istartswith"),
        ("detail", "part__name"),
        key="part__key",
        detail="detail",
    ),
    Kind.CHARGE: Sought(
        Container.objects.filter(
            Exists(FeedRecord.objects.filter(container=OuterRef("pk"), act=FeedRecord.Act.CHARGE, superseded=None))
        ),
        ("key__istartswith",),
        ("part__name", "lot__key"),
    ),
}
"""What is offered, in this order."""

ASKS: Mapping[str, Ask] = {
    ask.name: ask
    for ask in (
        Ask("since", "From", "moment", needed=False),
        Ask("until", "To", "moment", needed=False),
        Ask("first", "First position", "number", needed=False),
        Ask("last", "Last position", "number", needed=False),
        Ask("codes_from", "Date codes from, as 2409", needed=False),
        Ask("codes_to", "Date codes to", needed=False),
        Ask("detail", "At the designator", needed=False),
        Ask("way", "It was", "choose", False, [(way, f"{way} its limits") for way in WAYS if way]),
    )
}
"""How each field of a term is asked for; which a kind takes says its row in `FORMS`."""

CHOSEN = {Kind.CHARACTERISTIC: "detail", Kind.PROGRAM: "detail"}
"""Fields that are chosen with the thing."""

JOINS = {
    Join.ANY: "or: what carries this is suspect too",
    Join.ALL: "and: only what carries this as well",
    Join.EXCEPT: "but not: except what carries this",
}
"""How a term is joined, as it is chosen."""


@dataclass(frozen=True)
class Option:
    """One thing that may be suspected."""

    kind: Kind
    subject: str
    words: str = ""
    detail: str = ""

    @property
    def href(self) -> str:
        """The same page, with this chosen."""
        told = {"kind": self.kind.value, "subject": self.subject, "detail": self.detail}
        return f"?{urlencode({name: text for name, text in told.items() if text})}"

    @property
    def label(self) -> str:
        return str(self.kind.label)

    @property
    def ref(self) -> Ref:
        return Ref(self.kind.value, self.subject, self.words)

    @property
    def needy(self) -> bool:
        """Whether one at least of what is asked beside must be told."""
        return self.kind not in CHOSEN and bool(FORMS[self.kind].needs[0])

    @cached_property
    def since(self) -> str:
        """From when equipment is in doubt by the record, as a field shows it; to the minute before, so that none is
        missed."""
        if self.kind != Kind.EQUIPMENT:
            return ""
        good = find_last_good(Equipment.objects.get(key=self.subject), now())
        return f"{timezone.localtime(good):%Y-%m-%dT%H:%M}" if good else ""

    @property
    def note(self) -> str:
        """What to bear in mind of what is asked beside."""
        if self.kind == Kind.EQUIPMENT and self.since:
            return (
                "It begins when this was last found good, by its check pieces and calibrations on record. Take an "
                "earlier moment where there is reason to doubt that."
            )
        if self.kind == Kind.EQUIPMENT:
            return "It was never found good on record: begin when it was first used."
        return "One of these at least: otherwise all that ever was would be suspect." if self.needy else ""

    def asks(self) -> list[Ask]:
        """What is asked beside. Positions on a clock are moments."""
        takes = FORMS[self.kind].takes
        asks = [ask for name, ask in ASKS.items() if name in takes and CHOSEN.get(self.kind) != name]
        on_clock = "first" in takes and Axis.objects.filter(setups__key=self.subject, kind=Axis.Kind.CLOCK).exists()
        return [replace(ask, kind="moment") if on_clock and ask.kind == "number" else ask for ask in asks]


def list_options(text: str) -> list[Option]:
    """What a text may be meant to become: what begins with it, or has it in its name."""
    text = clean_scan(text)
    if len(text) < SHORTEST:
        return []
    found: list[Option] = []
    with suppress(BadKey):  # part of a name
        text = read_label(text)
    for kind in SOUGHT:
        wanted = Q()
        for lookup in SOUGHT[kind].by:
            wanted |= Q(**{lookup: text})
        found += _describe(kind, wanted)
    return found


def list_named(text: str) -> list[Option]:
    """What a scanned or typed text names, as the scan line has it; a supplier's label too."""
    text = clean_scan(text)
    found = [*read_scan(text).found, *(read_package(text).found if "[)>" in text else ())]
    return [Option(Kind(one.kind), one.key, one.words) for one in found if one.kind in Kind.values]


def find_option(kind: str, subject: str, detail: str = "") -> Option:
    """A thing by kind and key. Refuses with BadTerm where there is none."""
    sought = SOUGHT.get(Kind(kind)) if kind in Kind.values else None
    if sought:
        named = Q(**{sought.key: subject}) & (Q(**{sought.detail: detail}) if sought.detail else Q())
        for option in _describe(Kind(kind), named):
            return option
    raise BadTerm(f"There is no {kind[:40]} {subject[:60]} to suspect.", action="Scan or type it again.")


def _describe(kind: Kind, wanted: Q) -> Iterator[Option]:
    sought = SOUGHT[kind]
    rows: Any = sought.rows.filter(wanted).order_by(Upper(sought.key))
    for key, detail, *words in rows.values_list(sought.key, sought.detail or sought.key, *sought.words)[:OFFERED]:
        yield Option(kind, key, ", ".join(str(word) for word in words if word), detail if sought.detail else "")


def read_term(sent: QueryDict) -> Told:
    """The term that a form tells. Refuses with BadTerm, BadMoment."""
    option = find_option(sent.get("kind", ""), sent.get("subject", ""), sent.get("detail", ""))
    told: dict[str, Any] = {"kind": option.kind.value, "subject": option.subject, "detail": option.detail}
    for ask in option.asks():
        told[ask.name] = _read(ask, sent.get(ask.name, "").strip())
    return Told(**told)


def read_join(sent: QueryDict) -> Join:
    """How a form joins its term; the first is joined by any."""
    joined = sent.get("joined", "") or Join.ANY.value
    if joined not in Join.values:
        raise BadTerm("It was not said how it is joined to the others.", action="Choose one of the ways.")
    return Join(joined)


def _read(ask: Ask, text: str) -> Any:
    if ask.kind == "moment":
        moment = read_moment(text, timezone.get_current_timezone())
        return None if moment == OPEN else moment
    if ask.kind == "number":
        if text and not (text.isdecimal() and len(text) < 16):
            raise BadTerm(f"{ask.label}: “{text[:40]}” is no whole number.", action="Give a number, or none.")
        return int(text) if text else None
    return text
