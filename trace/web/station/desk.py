"""What the page of a station knows from one scan to the next. It comes back with each scan: no session keeps it, so
that what was scanned while the server was away is understood as it was meant."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields

from django.db.models import Exists, OuterRef
from django.http import QueryDict

from trace.core.errors import Refusal
from trace.core.keys import BadKey, read_code, read_label
from trace.core.secrecy import clean_scan
from trace.floor.models import Alias, Carrier, Pass, Unit
from trace.floor.naming import NamedUnit, list_named_units
from trace.labels.results import read_result

MOST = 120


@dataclass(frozen=True)
class Desk:
    """The unit that is shown, by key, or the rack or panel, by its code; the tape that its passes draw from, and the
    board set or cycle count of the next unit, as it stands there and as it was `proposed`; what does the work, where
    several could; the result of every unit that is scanned, where that was said first; what is to be fitted, where its
    designator was asked for. `since` are the texts that were scanned since the page was last answered, the oldest
    first."""

    unit: str = ""
    tape: str = ""
    position: str = ""
    proposed: str = ""
    equipment: str = ""
    each: str = ""
    fits: str = ""
    since: str = ""

    @classmethod
    def of(cls, sent: QueryDict) -> Desk:
        """As a form or an address has it."""
        told = {field.name: sent.get(field.name, "") for field in fields(cls)}
        return cls(**{name: "\n".join(map(clean_scan, text.splitlines()[-MOST:])) for name, text in told.items()})

    @property
    def remembered(self) -> dict[str, str]:
        """What the next scan brings back, but what stands in fields of its own."""
        names = ("unit", "tape", "proposed", "equipment", "each", "fits")
        return {name: getattr(self, name) for name in names} | {"since": ""}

    def last_scanned(self) -> Iterator[str]:
        """The texts that may name the unit which is meant, the likeliest first: what was scanned since the last answer,
        then what was shown."""
        yield from reversed(self.since.splitlines())
        if self.unit:
            yield self.unit

    def result_first(self) -> str:
        """The result that was said before the unit: what the page shows, and what was scanned since makes of it."""
        each, pending = self.each, bool(self.unit)
        for text in self.since.splitlines():
            if not (outcome := read_result(text)):
                pending, each = not each, each if each == Pass.Outcome.PASSED else ""
            elif pending:
                pending = False
            else:
                each = "" if outcome == each else outcome
        return each


def find_named(text: str) -> NamedUnit | None:
    """The unit whose serial or label was scanned, and what is to be said of that label. One query where it is the
    unit's own, as nearly always."""
    kind, label = read_code(text) or ("unit", text)
    try:
        key = read_label(label)
    except BadKey:
        key = ""
    if kind != "unit":
        return None
    replaced = Exists(Alias.objects.filter(unit=OuterRef("pk"), superseded=None))
    unit = Unit.objects.select_related("part").annotate(renamed=replaced).filter(key=key).first() if key else None
    if unit and not unit.renamed:
        return NamedUnit(unit)
    found = list_named_units(text)
    return found[0] if len(found) == 1 else None


def find_unit(text: str) -> Unit | None:
    """The unit whose serial or label was scanned."""
    named = find_named(text)
    return named.unit if named else None


def find_carrier(text: str) -> Carrier | None:
    """The rack or panel whose label was scanned."""
    kind, label = read_code(text) or ("carrier", text)
    try:
        key = read_label(label)
    except Refusal:
        return None
    return Carrier.objects.select_related("part").filter(key=key).first() if kind == "carrier" else None
