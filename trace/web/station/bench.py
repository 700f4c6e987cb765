"""One scan at a station, and what may come of it beside the records of operations."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from django.http import HttpRequest, QueryDict

from trace.core.errors import Refusal
from trace.core.keys import read_code, read_label
from trace.core.secrecy import clean_scan
from trace.engineering.equipment import Equipment
from trace.engineering.models import ScanMode, Station, Step
from trace.floor.models import Carrier, Fitting, Pass, Unit
from trace.floor.work import Place
from trace.material.models import Container, Tape
from trace.web.kept import Kept
from trace.web.station.desk import Desk, find_carrier, find_unit


class NothingInside(Refusal):
    """A result or a part belongs to a unit, and none is meant."""

    code = "nothing-inside"
    action = "Scan the unit’s traveller first."


class NotRead(Refusal):
    """What was scanned names nothing; `suggestions` are what it may have meant."""

    code = "not-read"


class PlacesFilled(Refusal):
    """Everything of the kind is in already."""

    code = "places-filled"
    action = "Check the label. To replace what is there, swap it with a record, or have it removed first."


# What comes of a scan ------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Due:
    """A unit may be worked on here, and is recorded once its result is known."""

    unit: Unit
    step: Step


@dataclass(frozen=True)
class Together:
    """A rack or panel is shown, whose units may be worked on, but for those `behind`, by serial. `did` is what was done
    with it just now, if anything: "in", "out" or "through" with an `outcome`, which all had that `went`, but for those
    that `failed`. `following` is the next unit's position, where one is proposed."""

    carrier: Carrier
    did: str = ""
    outcome: str = ""
    behind: Sequence[tuple[str, Sequence[Refusal]]] = ()
    went: int = 0
    failed: int = 0
    following: int | None = None


@dataclass(frozen=True)
class Fitted:
    """Something went into a unit, into which so many places of its step are still to be filled by scan."""

    fitting: Fitting
    missing: int


@dataclass(frozen=True)
class Where:
    """It is not sure at which of these designators a thing goes in."""

    thing: Container | Unit
    unit: Unit
    places: Sequence[Place]


@dataclass(frozen=True)
class First:
    """From now on every unit that is scanned has this result."""

    outcome: str


@dataclass(frozen=True)
class With:
    """From now on the work is done with this: a piece of equipment, a tape and its next board set."""

    thing: Equipment | Tape
    position: int | None = None


@dataclass(frozen=True)
class Names:
    """What the text names, and where that leads to: nothing is done with it here. `opens`: the page opens by itself."""

    what: str
    links: Sequence[tuple[str, str]] = ()
    opens: bool = False


READING = "reading-"
"""Before the number of a characteristic, the name of its field."""


def read_typed(sent: QueryDict) -> dict[str, str]:
    """What stands in the fields of readings, by the number of the characteristic, but for those left empty."""
    told = {name.removeprefix(READING): clean_scan(sent.get(name, "")) for name in sent if name.startswith(READING)}
    return {number: text for number, text in told.items() if text}


@dataclass
class Bench:
    """One scan at a station: who, when, and what the page knew. `notice` is what is to be said of the label beside."""

    request: HttpRequest
    station: Station
    desk: Desk
    kept: Kept
    notice: str = ""

    @property
    def readings(self) -> dict[str, str]:
        """What was read of the unit, by the number of the characteristic: what was left empty was not."""
        return read_typed(self.request.POST)

    @property
    def done(self) -> dict[str, Any]:
        """Who does it, when, and under which request, for an operation."""
        return {"by": self.kept.by, "at": self.kept.at, "request": self.kept.request}

    @property
    def loose(self) -> bool:
        """Whether one scan is all there is to a pass here."""
        return self.station.scan_mode == ScanMode.LOOSE

    def find_inside(self) -> Pass | None:
        """The pass of the unit that is meant, if that is inside here. What was fitted into another since is passed
        over: the work goes on in that one."""
        for text in self.desk.last_scanned():
            if entry := find_pass_here(self.station, text):
                return entry
            unit = find_unit(text)  # by another of its labels
            if unit and (entry := find_pass_here(self.station, unit.key)):
                return entry
            if unit and not Fitting.objects.filter(child=unit, until=None, superseded=None).exists():
                return None
            if unit is None and find_carrier(text):
                return None
        return None

    def find_meant(self) -> Unit | Carrier | None:
        """The unit, or the rack or panel, that is meant, inside or not."""
        for text in self.desk.last_scanned():
            if meant := find_unit(text) or find_carrier(text):
                return meant
        return None


def find_pass_here(station: Station, text: str) -> Pass | None:
    """The pass in which a unit, by its label or key, is inside a station now."""
    kind, label = read_code(text) or ("unit", text)
    if kind != "unit":
        return None
    try:
        key = read_label(label)
    except Refusal:
        return None
    inside = Pass.objects.filter(unit__key=key, station=station, inside=True, superseded=None)
    return inside.select_related("unit__part", "station", "step", "axis").first()
