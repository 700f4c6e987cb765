"""What stands on the page of a station: the unit that is worked on and what to do with it, or how the station is."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from trace.core.clock import OPEN
from trace.core.keys import code_of
from trace.engineering.equipment import Equipment
from trace.engineering.models import Station, Step
from trace.floor.carrying import find_inside_with, list_carried
from trace.floor.models import Carrier, Pass, Unit
from trace.floor.queries import find_due_choices
from trace.floor.setups import Bank, FeedState, summarise_bank
from trace.floor.tapes import find_next_board_set
from trace.floor.waiting import ToRepair, Waiting, list_to_repair, list_waiting
from trace.floor.work import Work, read_work
from trace.material.models import Container, Mount
from trace.web.cells import Mark, Ref, Several
from trace.web.equipment import Due as DueEquipment
from trace.web.equipment import judge_due
from trace.web.sheets.feeds import between
from trace.web.station.acting import find_next_count
from trace.web.station.bench import find_pass_here
from trace.web.station.desk import Desk, find_carrier, find_unit
from trace.web.station.onward import list_held

LAST_SCANS = 10
SHOWN_WAITING = 5


@dataclass(frozen=True)
class Shown:
    """The unit that the page is about, its step, and whether it is inside here; `work` where that is read with it, and
    why the unit is `held`, if it is."""

    unit: Unit
    step: Step
    inside: bool
    work: Work | None = None
    held: str = ""


@dataclass(frozen=True)
class ShownCarrier:
    """The rack or panel that the page is about: who of it is worked on here, slot by slot, each with the step; whether
    they are inside. `work` stays nothing: what is to be done with a unit is shown when that is scanned."""

    carrier: Carrier
    units: Sequence[tuple[int, Unit, Step]]
    inside: bool
    work: None = None

    @property
    def steps(self) -> list[Step]:
        """What is done with them."""
        return list({step.pk: step for _, _, step in self.units}.values())

    @property
    def code(self) -> str:
        return code_of("carrier", self.carrier.key)


@dataclass(frozen=True)
class Home:
    """How a station is while nothing is worked on."""

    inside: Sequence[Pass]
    bank: Bank
    equipment: Sequence[DueEquipment]
    scans: Sequence[Pass]
    waiting: Sequence[Waiting]
    to_repair: Sequence[ToRepair] = ()
    held: Collection[str] = ()
    """Serials of what is inside and held."""

    @property
    def inside_by_step(self) -> dict[Step, list[Pass]]:
        """What is inside, who came first first."""
        found: dict[Step, list[Pass]] = {}
        for entry in self.inside:
            found.setdefault(entry.step, []).append(entry)
        return found

    @property
    def feeds(self) -> list[tuple[FeedState, Several]]:
        """The feeds in use, what runs out first first, each with what is on it."""
        used = sorted(
            (one for one in self.bank.feeds if one.serves), key=lambda one: one.lasts.least if one.lasts else OPEN
        )
        return [(one, Several(tuple(_on(each) for each in one.on), between(one.feed))) for one in used]

    @property
    def warned(self) -> list[FeedState]:
        """The feeds in use of which something is to be told that stops nothing yet."""
        return [one for one in self.bank.feeds if one.serves and not one.stops and one.warns]

    @property
    def calm(self) -> bool:
        """Whether nothing is held, due or low."""
        return not (self.held or self.bank.holds or self.bank.stops or self.warned or self.equipment)

    @property
    def first(self) -> Sequence[Waiting]:
        """The units that come next."""
        return self.waiting[:SHOWN_WAITING]


def find_shown(station: Station, desk: Desk) -> Shown | ShownCarrier | None:
    """The unit that is shown, or the rack or panel: inside here, or, where one scan is all, due here."""
    entry = find_pass_here(station, desk.unit) if desk.unit else None
    if entry:
        return Shown(entry.unit, entry.step, True)
    unit = find_unit(desk.unit) if desk.unit and station.scan_mode == "loose" else None
    if unit is None:
        return _find_shown_carrier(station, desk.unit) if desk.unit and entry is None else None
    due = find_due_choices([unit]).get(unit.pk, ())
    step = next((one for one in due if station in one.stations.all()), None)
    return Shown(unit, step, False) if step else None


def _find_shown_carrier(station: Station, code: str) -> ShownCarrier | None:
    carrier = find_carrier(code)
    standing = list_carried(carrier) if carrier else []
    if carrier is None or not standing:
        return None
    if station.scan_mode == "loose":
        due = find_due_choices([one.unit for one in standing])
        here = {pk: step for pk, steps in due.items() for step in steps if station in step.stations.all()}
    else:
        here = {entry.unit_id: entry.step for entry in find_inside_with(carrier, station)}
    units = [(one.slot, one.unit, here[one.unit_id]) for one in standing if one.unit_id in here]
    return ShownCarrier(carrier, units, station.scan_mode != "loose") if units else None


def open_desk(station: Station, desk: Desk) -> Desk:
    """What the page knows as it is opened: the only unit, or rack or panel, that is inside, the tape that is mounted,
    what comes next."""
    if not desk.unit:
        inside = list_inside(station)
        racks = {entry.rack for entry in inside}
        together = len(inside) > 1 and len(racks) == 1 and find_carrier(racks.pop())
        only = inside[0].unit.key if len(inside) == 1 else ""
        desk = replace(desk, unit=code_of("carrier", together.key) if together else only)
    mount = Mount.objects.select_related("tape").filter(station=station, until=OPEN).first()
    following = find_next_board_set(mount.tape) if mount else None
    if mount is None and station.counts_cycles:
        following = find_next_count(station) or 0
    number = "" if following is None else str(following)
    return replace(desk, tape=mount.tape.key if mount else "", position=number, proposed=number)


def list_inside(station: Station) -> list[Pass]:
    """What is inside a station, who came first first."""
    inside = Pass.objects.filter(station=station, inside=True, superseded=None)
    return list(inside.select_related("unit__part", "step").order_by("scanned_in", "pk"))


def with_work(shown: Shown, station: Station, at: datetime) -> Shown:
    """The unit with what to do."""
    held = list_held([shown.unit]).get(shown.unit.key, "")
    return replace(shown, work=read_work(shown.unit, shown.step, station, at), held=held)


def read_home(station: Station, at: datetime) -> Home:
    """How a station is: its set-ups, how long its feeds last, what is held, what is due, what was scanned last."""
    latest = Pass.objects.filter(station=station, superseded=None).exclude(outcome=Pass.Outcome.VOID)
    here = Equipment.objects.filter(station=station, retired=None)
    inside = list_inside(station)
    return Home(
        inside,
        summarise_bank(station, at),
        [due for due in judge_due(list(here), at) if due.state == "not fit"],
        list(latest.select_related("unit", "step", "by").order_by("-began", "-pk")[:LAST_SCANS]),
        list_waiting(station),
        list_to_repair() if station.repairs else (),
        list_held([entry.unit for entry in inside]),
    )


def _on(container: Container | None) -> Ref | Mark:
    return Ref("container", container.key) if container else Mark("unknown")
