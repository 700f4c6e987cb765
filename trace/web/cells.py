"""What stands in a table's cell or a sentence of a page: links to things, moments, marks.

Each value has a plain text (for CSV, sorting and searching) and a shape on the page, made by
`show` with the page's as-of moment, so that every link keeps it.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from typing import Any

from django.apps import apps
from django.urls import reverse
from django.utils import timezone
from django.utils.html import format_html, format_html_join
from django.utils.safestring import SafeString, mark_safe

from trace.core.clock import OPEN, from_ticks, to_ticks
from trace.core.keys import natural
from trace.costing.rules import round_money

PAGES = {
    "unit": "unit",
    "lot": "lot",
    "container": "container",
    "tape": "tape",
    "station": "station",
    "part": "part",
    "carton": "carton",
    "pallet": "pallet",
    "shipment": "shipment",
    "workorder": "order",
    "person": "person",
    "supplier": "supplier",
    "customer": "customer",
    "feed": "feed",
    "setup": "setup",
    "deviation": "deviation",
    "disposition": "disposition",
    "return": "return",
    "equipment": "equipment",
    "attachment": "attachment",
    "delivery": "delivery",
    "carrier": "rack",
    "containment": "containment",
    "notice": "notice-pdf",
}
"""Kind of a thing, as the ledger names it: the name of its page's address."""

WORDS = {"setup": "set-up", "bomline": "BOM line"}
"""Kinds that people do not call as their model is called."""


def kind_words(kind: str) -> str:
    """The kind of a thing as people say it."""
    model = apps.get_app_config("trace").models.get(kind)
    return WORDS.get(kind) or (str(model._meta.verbose_name) if model else kind)


def page_of(kind: str, key: str, asof: str = "") -> str:
    """The address of a thing's page; empty for what has none."""
    if kind not in PAGES or not re.fullmatch(r"[A-Z0-9-]+", key):
        return ""
    return reverse(PAGES[kind], args=[key]) + asof


@dataclass(frozen=True)
class Ref:
    """A thing by kind and key; `words` beside the key where a name helps."""

    kind: str
    key: str
    words: str = ""

    def __str__(self) -> str:
        return f"{self.key} {self.words}".strip()

    def show(self, asof: str) -> SafeString:
        href = page_of(self.kind, self.key, asof)
        link = format_html('<a class="key" href="{}">{}</a>', href, self.key) if href else self.key
        return format_html("{} {}", link, self.words) if self.words else format_html("{}", link)


def place_of(axis: Any) -> Ref:
    """The station or tape whose axis it is."""
    return Ref("tape", axis.tape.key) if axis.tape else Ref("station", axis.station.key)


@dataclass(frozen=True)
class Moment:
    """A moment in microseconds; None and the open end have no text."""

    ticks: int | None

    @classmethod
    def of(cls, moment: datetime | None) -> Moment:
        """A moment from a datetime."""
        return cls(to_ticks(moment) if moment else None)

    def __str__(self) -> str:
        if self.ticks is None or self.ticks >= OPEN:
            return ""
        return f"{from_ticks(self.ticks):%Y-%m-%dT%H:%M:%SZ}"

    def show(self, asof: str) -> SafeString:
        if not str(self):
            return mark_safe("")
        utc = from_ticks(self.ticks or 0)
        return format_html(
            '<time datetime="{}" title="{} UTC">{}</time>',
            str(self),
            f"{utc:%Y-%m-%d %H:%M:%S}",
            f"{timezone.localtime(utc):%Y-%m-%d %H:%M}",
        )


@dataclass(frozen=True)
class Mark:
    """A word whose meaning also has a shape: certain, possible, cleared, held, unknown."""

    word: str

    def __str__(self) -> str:
        return self.word

    def show(self, asof: str) -> SafeString:
        return mark(self.word)


@dataclass(frozen=True)
class Money:
    """An amount, to the minor unit of its currency."""

    amount: Decimal
    currency: str

    def __str__(self) -> str:
        return f"{round_money(self.amount, self.currency):f}"

    def show(self, asof: str) -> SafeString:
        return format_html("{}", f"{round_money(self.amount, self.currency):,f}".replace(",", "\u202f"))


@dataclass(frozen=True)
class Link:
    """A number or a word that leads to the rows behind it."""

    value: Any
    href: str
    label: str = ""

    def __str__(self) -> str:
        return text_of(self.value)

    def show(self, asof: str) -> SafeString:
        words = self.value.show(asof) if isinstance(self.value, Money) else text_of(self.value)
        if not self.value:
            return format_html("{}", words)
        if self.label:
            return format_html('<a href="{}" aria-label="{}">{}</a>', self.href, self.label, words)
        return format_html('<a href="{}">{}</a>', self.href, words)


@dataclass(frozen=True)
class Several:
    """Several values in one cell, such as the candidates of a place."""

    values: tuple[Any, ...]
    between: str = ", "

    def __str__(self) -> str:
        return self.between.join(text_of(value) for value in self.values)

    def __bool__(self) -> bool:
        return bool(self.values)

    def show(self, asof: str) -> SafeString:
        return format_html_join(self.between, "{}", ((show(value, asof),) for value in self.values))


@dataclass(frozen=True)
class Why:
    """A link to the evidence for one unit; not in the CSV."""

    page: str
    key: str
    serial: str

    def __str__(self) -> str:
        return ""

    def show(self, asof: str) -> SafeString:
        href = reverse(self.page, args=[self.key, self.serial]) + asof
        return format_html('<a href="{}" aria-label="why {}">why</a>', href, self.serial)


SHAPES = {
    "certain": '<rect x="1" y="1" width="12" height="12"/>',
    "possible": '<rect x="2" y="2" width="10" height="10" class="line"/><path d="M2 12V2l10 10z"/>',
    "cleared": '<circle cx="7" cy="7" r="5" class="line"/><path class="line" d="M4 10 10 4"/>',
    "held": '<path d="M4.5 1h5L13 4.5v5L9.500 13h-5L1 9.500v-5z"/><path class="gap" d="M4 7h6"/>',
    "unknown": '<path class="line" d="M7 1.500 12.500 7 7 12.500 1.500 7z"/>',
    "inside": '<path d="M3 2l8 5-8 5z"/>',
    "valid": '<circle cx="7" cy="7" r="5" class="line"/><path class="line" d="M4 10 10 4"/>',
    "changed since": '<path class="line" d="M2 9c2-6 8-6 10 0"/>',
    "moved": '<path class="line" d="M1 7h11M8 3l4 4-4 4"/>',
    "forged": '<path class="line" d="M2 2l10 10M12 2 2 12"/>',
    "fit": '<circle cx="7" cy="7" r="5" class="line"/><path class="line" d="M4 7l2 3 4-6"/>',
    "not fit": '<path class="line" d="M7 1.500 13 12.500H1z"/><path class="line" d="M7 5v4"/>',
    "good": '<circle cx="7" cy="7" r="5" class="line"/><path class="line" d="M4 7l2 3 4-6"/>',
    "outside": '<path class="line" d="M1 5h12M1 9h12"/><circle cx="11" cy="2" r="1.500"/>',
    "not good": '<path class="line" d="M2 2l10 10M12 2 2 12"/>',
    "right": '<path class="line" d="M2 7l4 5 6-10"/>',
    "wrong": '<path class="line" d="M2 2l10 10M12 2 2 12"/>',
    "passed": '<path class="line" d="M2 7l4 5 6-10"/>',
    "failed": '<path class="line" d="M2 2l10 10M12 2 2 12"/>',
    "aborted": '<path class="line" d="M2 12V2h10"/><path class="line" d="M5 9h7"/>',
    "fitted": '<circle cx="7" cy="7" r="5.500"/><path class="gap" d="M4 7l2 3 4-6"/>',
    "to fit": '<circle cx="7" cy="7" r="5" class="line"/>',
    "quarantined": '<path class="line" d="M2 2h10v10H2zM2 7h10"/>',
    "released": '<path class="line" d="M1.500 7h9M7 3l4.500 4L7 11"/>',
    "rejected": '<path class="line" d="M1.500 1.500h11v11h-11zM4 4l6 6M10 4l-6 6"/>',
    "returned to the supplier": '<path class="line" d="M12 4H4v6h8M7 1 4 4l3 3"/>',
    "in force": '<circle cx="7" cy="7" r="5"/>',
    "open": '<path class="line" d="M2 4v8h10V4M4 1v5M10 1v5"/>',
    "sealed": '<rect class="line" x="2" y="5" width="10" height="7"/><path class="line" d="M4 5V2h6v3"/>',
    "past floor life": '<circle cx="7" cy="7" r="5" class="line"/><path class="line" d="M7 4v4M7 9v1.500"/>',
    "to be baked": '<path class="line" d="M2 12h10M4 9c-2-3 2-4 0-7M9 9c-2-3 2-4 0-7"/>',
    "expired": '<path class="line" d="M3 1h8L3 13h8z"/>',
    "came": '<circle cx="7" cy="7" r="5" class="line"/><path class="line" d="M4 7l2 3 4-6"/>',
    "counted in": '<path class="line" d="M2 7l4 5 6-10"/>',
    "missing": '<path class="line" d="M2 2h10v10H2z"/><path class="line" d="M4 7h6"/>',
    "slowest": '<path class="line" d="M3 1.500h8L3 12.500h8z"/><path class="line" d="M1 7h12"/>',
    "below its limit": '<path class="line" d="M1 3h12M7 5v7M4 9l3 3 3-3"/>',
    "seen": '<path class="line" d="M1 7c3-5 9-5 12 0-3 5-9 5-12 0z"/><circle cx="7" cy="7" r="2"/>',
    "not seen": '<path class="line" d="M1 7c3-5 9-5 12 0M2 12 12 2"/>',
    "low": '<path class="line" d="M2 2v10h10V2"/><path d="M3 9h8v2H3z"/>',
    "running": '<path d="M3 2l8 5-8 5z"/>',
    "owed": '<circle cx="7" cy="7" r="5" class="line"/><path class="line" d="M7 4v4"/>',
    "overdue": '<path class="line" d="M3 1h8L3 13h8z"/><path class="line" d="M1 7h12"/>',
    "withdrawn": '<path class="line" d="M2 7h10M2 3l4 4-4 4"/>',
    "overtaken": '<path class="line" d="M2 2l5 5-5 5M7 2l5 5-5 5"/>',
    "mended": '<path class="line" d="M2 7l4 5 6-10"/>',
    "not approved": '<circle cx="7" cy="7" r="5" class="line"/>',
}
"""A shape of our own for each word that has a meaning, so that colour is never alone."""


def mark(word: str) -> SafeString:
    """A word with its shape before it; a word without a shape stands alone."""
    if word not in SHAPES:
        return format_html("{}", word)
    return format_html(
        '<span class="mark mark-{}">'
        '<svg viewBox="0 0 14 14" width="14" height="14" aria-hidden="true">{}</svg>{}</span>',
        word.replace(" ", "-"),
        mark_safe(SHAPES[word]),
        word,
    )


def text_of(value: Any) -> str:
    """A value as plain text. Decimals lose their empty places."""
    if value is None:
        return ""
    if isinstance(value, Decimal):
        return f"{value.normalize():f}" if value else "0"
    if isinstance(value, bool):
        return "yes" if value else "no"
    return str(value)


def show(value: Any, asof: str = "") -> SafeString:
    """A value as it stands on a page."""
    if hasattr(value, "show"):
        return value.show(asof)
    if isinstance(value, int) and not isinstance(value, bool):
        return format_html("{}", f"{value:,}".replace(",", "\u202f") if abs(value) > 9999 else value)
    return format_html("{}", text_of(value))


def sort_key(value: Any) -> tuple[Any, ...]:
    """An order of values in which R2 comes before R10 and what is empty comes first."""
    if isinstance(value, Link):
        value = value.value
    if isinstance(value, Money):
        value = value.amount
    if isinstance(value, Moment):
        value = None if not str(value) else value.ticks
    if value is None or value == "":
        return (0,)
    if isinstance(value, int | float | Decimal):
        return (1, value)
    return (2, *natural(text_of(value)))
