"""What is to be done with a unit at a step: what to fit, to measure, to judge, and what permits to depart from it."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime

from django.db import transaction
from django.db.models import F, Q

from trace.approvals.models import Attachment, Deviation
from trace.approvals.queries import find_deviation_approval
from trace.approvals.rules import covers
from trace.core.clock import to_ticks
from trace.core.models import Person
from trace.core.sql import fetch
from trace.engineering.equipment import Equipment
from trace.engineering.models import Designator, Part, Station, Step
from trace.engineering.queries import list_places_of
from trace.engineering.rules import run_together
from trace.floor.admission import Admission, admit
from trace.floor.carrying import RackRefused, list_going
from trace.floor.designs import get_design
from trace.floor.models import Carrier, Fitting, Unit
from trace.floor.readings import Asked, list_asked
from trace.floor.rules import Stopped
from trace.holds.rules import Move

OF_LIMITS = {"lot", "equipment"}
"""Kinds to which a deviation may be limited that are known only once the step is done."""


@dataclass(frozen=True)
class Place:
    """A designator that a step fills, and of which part. `drawn`: from a feed, as some set-up has it; else somebody
    scans what goes there. `fitting` is what somebody scanned there last."""

    designator: str
    part: Part
    drawn: bool
    fitting: Fitting | None = None

    @property
    def filled(self) -> bool:
        """Whether somebody scanned something into it that is still there."""
        return self.fitting is not None and self.fitting.holds != Fitting.Holds.NOTHING


@dataclass(frozen=True)
class Work:
    """What to do with one unit at one step."""

    unit: Unit
    step: Step
    places: Sequence[Place]
    asked: Sequence[Asked]
    picture: Attachment | None
    deviations: Sequence[Deviation]

    @property
    def to_scan(self) -> list[Place]:
        """What goes in by scan, what is missing first."""
        return sorted((place for place in self.places if not place.drawn), key=lambda place: place.filled)

    @property
    def missing(self) -> int:
        """How many of these are not in yet."""
        return sum(not place.filled for place in self.to_scan)

    @property
    def drawn(self) -> list[tuple[Part, str]]:
        """What comes from feeds: each part, with its designators."""
        found: dict[Part, list[str]] = {}
        for place in self.places:
            if place.drawn:
                found.setdefault(place.part, []).append(place.designator)
        return [(part, run_together(names)) for part, names in found.items()]


def read_work(unit: Unit, step: Step, station: Station, at: datetime) -> Work:
    """What to do with a unit at a step of its route, at a station."""
    pictures = Attachment.objects.filter(sha256=step.picture, media_type__startswith="image/")
    picture = pictures.first() if step.picture else None
    return Work(
        unit, step, list_places(unit, step), list_asked(unit, step), picture, list_in_force(unit, step, station, at)
    )  # fmt: skip


def list_places(unit: Unit, step: Step) -> list[Place]:
    """The designators that a step of a unit fills."""
    rows = Designator.objects.filter(parent=get_design(unit), step_number=step.number).select_related("line__child")
    served = {name for _, name in fetch(__file__, "served", steps=[step.pk])}
    standing = Fitting.objects.filter(unit=unit, until=None, superseded=None).select_related(
        "child", "container", "feed"
    )
    fitted = {fitting.designator: fitting for fitting in standing}
    return [Place(row.name, row.line.child, row.name in served, fitted.get(row.name)) for row in rows]


def list_places_for(unit: Unit, step: Step, part: int) -> list[Place]:
    """The places of a step that a part, by its id, may occupy and that somebody scans something into."""
    design = get_design(unit).pk
    names = {name for assembly, name, _ in list_places_of([part]) if assembly == design}
    return [place for place in list_places(unit, step) if place.designator in names and not place.drawn]


def list_in_force(unit: Unit, step: Step, station: Station, at: datetime) -> list[Deviation]:
    """The deviations that may be made use of with a unit at a step: approved, not over, with a use left."""
    standing = Deviation.objects.filter(
        Q(revoked=None) | Q(revoked__gt=at), opened__lte=at, expires__gt=at, used__lt=F("most")
    )
    about: dict[str, Collection[str]] = {
        "part": {unit.part.key},
        "step": {str(step.number)},
        "station": {station.key},
        "unit": {unit.key},
    }
    meant = (one for one in standing if covers((s for s in one.scope if s.split(":")[0] not in OF_LIMITS), about))
    return [one for one in meant if find_deviation_approval(one)]


def foresee(unit: Unit, station: Station, *, by: Person, equipment: Equipment | None = None, at: datetime) -> Admission:
    """What the interlock would say to a unit, were its work begun at a station: nothing is recorded. Refuses with
    Stopped."""
    with transaction.atomic():
        (admission,) = admit(
            [unit], station, [Move.START, Move.FINISH], to_ticks(at), by=by, equipment=equipment
        )  # fmt: skip
    return admission


def foresee_carrier(
    carrier: Carrier, station: Station, *, by: Person, equipment: Equipment | None = None, at: datetime
) -> list[tuple[Unit, list[Stopped]]]:
    """The same of all that is in a rack or panel: who would be stopped, each with why. Refuses with Stopped where
    nobody may go, or not every board of a panel; with RackRefused where it is empty."""
    units = list_going(carrier)
    if not units:
        raise RackRefused(f"Nothing is in {carrier.key}.", action="Put units into it with a record first.")
    behind: dict[int, list[Stopped]] = {}
    with transaction.atomic():
        admit(
            units, station, [Move.START, Move.FINISH], to_ticks(at), by=by, equipment=equipment, carrier=carrier,
            behind=None if carrier.goes_as_one else behind,
        )  # fmt: skip
    return [(unit, behind[unit.pk]) for unit in units if unit.pk in behind]
