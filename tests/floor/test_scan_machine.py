"""No sequence of scans from several stations breaks what must always hold.

A plant of six stations is scanned at random; beside it the plain rules of the trade are kept in dictionaries, with no
database: a unit is at one place, a child in one parent, steps go in order, what is held or scrapped does not move. Each
scan must be let through, or stopped for exactly the reasons that those rules give; what is then on record is the same.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import count
from typing import Any

import pytest
from django.db import transaction
from hypothesis import Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)

from tests.factories import Plant, make_assembly, make_station
from trace.core.errors import Refusal
from trace.engineering.models import Designator, ScanMode, Step
from trace.floor.models import Fitting, Pass, Unit
from trace.floor.operations.corrections import void_pass
from trace.floor.operations.fittings import fit_child, remove_part
from trace.floor.operations.orders import scrap_unit
from trace.floor.operations.passes import finish_pass, record_passes, start_pass
from trace.floor.rules import DRAWS_STAND
from trace.holds.models import Hold
from trace.holds.operations import place_holds, release_hold
from trace.ledger.models import Event

pytestmark = pytest.mark.django_db

STATIONS = {"GATE": ScanMode.GATED, "BOOTH": ScanMode.ONE_AT_A_TIME, "BENCH": ScanMode.LOOSE, "DOOR": ScanMode.GATED}
ROUTES: dict[str, list[tuple[int, str, str, set[str]]]] = {
    "INNER": [(10, "", "", {"GATE", "DOOR"}), (20, "", "", {"BOOTH"})],
    "OUTER": [
        (10, "", "", {"GATE"}),
        (20, "ANY", "", {"BOOTH"}),
        (30, "ANY", "", {"BENCH"}),
        (40, "", "", {"GATE", "BENCH"}),
        (50, "", "EITHER", {"DOOR"}),
        (60, "", "EITHER", {"BOOTH"}),
        (70, "", "", {"DOOR"}),
    ],
}
"""Per part its steps: number, the name of a free order, of alternatives, where it is done."""
CHILD_STEP = 40
"""The step of OUTER at which its child is fitted: a later one asks for it."""

UNITS = ["INNER 1", "INNER 2", "OUTER 1", "OUTER 2"]
OUTCOMES = st.sampled_from(["passed", "passed", "passed", "failed", "aborted"])
MANY = settings(max_examples=20, stateful_step_count=60, phases=[Phase.generate])


@dataclass
class Thing:
    """What the rules know of a unit."""

    part: str
    done: set[int] = field(default_factory=set)
    inside: tuple[str, int] | None = None
    child: str | None = None
    home: str | None = None
    scrapped: bool = False
    held: bool = False

    def due(self) -> list[tuple[int, str, str, set[str]]]:
        """The steps of which one is next."""
        route = ROUTES[self.part]
        for step in route:
            group = [one for one in route if one == step or step[1:3] != ("", "") and one[1:3] == step[1:3]]
            left = [one for one in group if one[0] not in self.done]
            if left and (len(left) == len(group) or not step[2]):
                return left
        return []


class Scans(RuleBasedStateMachine):
    """Operators, and the rules kept beside them."""

    def __init__(self) -> None:
        super().__init__()
        self.undone = transaction.atomic()
        self.undone.__enter__()
        self.clock = count(1)
        self.events = 0
        self.held_stations: set[str] = set()

    def teardown(self) -> None:
        transaction.set_rollback(True)
        self.undone.__exit__(None, None, None)

    @initialize()
    def build(self) -> None:
        self.plant = Plant()
        self.stations = {key: make_station(key, mode=mode) for key, mode in STATIONS.items()}
        inner = make_assembly("INNER", places={"R1": self.plant.resistor}, route=self.route("INNER"))
        outer = make_assembly("OUTER", places={"M1": inner}, route=self.route("OUTER"))
        Designator.objects.filter(parent=inner).update(step_number=None)
        Designator.objects.filter(parent=outer).update(step_number=CHILD_STEP)
        for part in (inner, outer):
            for number, free, alternative, _ in ROUTES[part.key]:
                Step.objects.filter(part=part, number=number).update(free_order=free, alternative=alternative)
        units = [*self.plant.units(inner, 2), *self.plant.units(outer, 2)]
        self.units = {f"{unit.part.key} {n % 2 + 1}": unit for n, unit in enumerate(units)}
        self.things = {name: Thing(unit.part.key) for name, unit in self.units.items()}
        self.events = Event.objects.count()

    def route(self, part: str) -> dict[int, list[Any]]:
        return {number: [self.stations[key] for key in sorted(at)] for number, _, _, at in ROUTES[part]}

    # What the rules say -----------------------------------------------------------------------------------------------

    def within(self, name: str) -> list[str]:
        """The unit and what is fitted in it."""
        child = self.things[name].child
        return [name, *([child] if child else [])]

    def broken(self, name: str, station: str) -> set[str]:
        """The rules that a scan of a unit at a station breaks."""
        it, due = self.things[name], self.things[name].due()
        missing = it.part == "OUTER" and it.child is None and bool(due) and due[0][0] > CHILD_STEP
        return {
            code
            for code, is_broken in {
                "scrapped": it.scrapped,
                "inside": it.inside is not None,
                "fitted": it.home is not None,
                "not-due": not any(station in at for *_, at in due),
                "child-missing": missing,
                "child-scrapped": it.child is not None and self.things[it.child].scrapped,
                "held": station in self.held_stations or any(self.things[one].held for one in self.within(name)),
            }.items()
            if is_broken
        }

    def step_at(self, name: str, station: str) -> int:
        return next(number for number, *_, at in self.things[name].due() if station in at)

    def let_out(self, station: str) -> None:
        """A scan at a station for one unit at a time: the one before is out, passed unless a hold keeps it."""
        if STATIONS[station] != ScanMode.ONE_AT_A_TIME:
            return
        for name, it in self.things.items():
            if it.inside and it.inside[0] == station:
                if not self.broken(name, station) & {"held"}:
                    it.done.add(it.inside[1])
                it.inside = None

    def do(self, operation: Any, **arguments: Any) -> Any:
        done = self.plant.do(operation, next(self.clock) * 10, **arguments)
        self.events += 1
        return done

    def expect(self, codes: set[str], operation: Any, **arguments: Any) -> Any:
        """It is done, or stopped for exactly these reasons and nothing is written."""
        try:
            done = self.do(operation, **arguments)
        except Refusal as refusal:
            if "refusals" in refusal.extra:  # the interlock says all that is wrong, other refusals the first of it
                assert {code for code, *_ in refusal.extra["refusals"]} == codes, refusal.message
            else:
                assert refusal.extra.get("rule", refusal.code) in codes, refusal.message
            return None
        assert not codes, f"let through in spite of {codes}"
        return done

    def quiet(self, of: int) -> bool:
        """One moment in so many."""
        return self.events % of == 0

    def somewhere(self, name: str) -> st.SearchStrategy[str]:
        """Mostly a station where the unit is due or inside, so that units get on."""
        it = self.things[name]
        likely = {station for *_, at in it.due() for station in at} | ({it.inside[0]} if it.inside else set())
        return st.sampled_from([*sorted(STATIONS), *sorted(likely) * 4])

    # What operators do ------------------------------------------------------------------------------------------------

    @rule(data=st.data(), name=st.sampled_from(UNITS), times=st.integers(2, 8))
    def get_on(self, data: st.DataObject, name: str, times: int) -> None:
        """The next few things to do with a unit, as its route has them; so that all of it is come by."""
        for _ in range(times):
            it = self.things[name]
            finished = [key for key in UNITS[:2] if not (self.things[key].due() or self.things[key].home)]
            if it.inside:
                self._scan_out(name, "passed")
            elif it.part == "OUTER" and CHILD_STEP in it.done and not it.child and finished:
                self._fit(name, finished[0])
            elif it.due() and not (it.scrapped or it.home):
                self._scan_in(name, data.draw(st.sampled_from(sorted({key for *_, at in it.due() for key in at}))))

    @rule(data=st.data(), name=st.sampled_from(UNITS))
    def scan_in(self, data: st.DataObject, name: str) -> None:
        self._scan_in(name, data.draw(self.somewhere(name)))

    def _scan_in(self, name: str, station: str) -> None:
        codes = self.broken(name, station)
        if self.expect(codes, start_pass, unit=self.units[name], station=self.stations[station]):
            self.let_out(station)
            self.things[name].inside = station, self.step_at(name, station)

    @rule(name=st.sampled_from(UNITS), outcome=OUTCOMES)
    def scan_out(self, name: str, outcome: str) -> None:
        self._scan_out(name, outcome)

    def _scan_out(self, name: str, outcome: str) -> None:
        it = self.things[name]
        codes = self.broken(name, it.inside[0]) & {"held"} if it.inside else {"pass-refused"}
        if self.expect(codes, finish_pass, unit=self.units[name], outcome=outcome):
            assert it.inside
            if outcome == "passed":
                it.done.add(it.inside[1])
            it.inside = None

    @rule(
        names=st.lists(st.sampled_from(UNITS), min_size=1, max_size=2, unique=True),
        station=st.sampled_from(["BENCH", "BOOTH"]),
        outcome=OUTCOMES,
    )
    def scan_after_the_work(self, names: list[str], station: str, outcome: str) -> None:
        """A rack of one or two, by a single scan at its end."""
        codes = {name: self.broken(name, station) for name in names}
        said = set().union(*codes.values())
        passes = self.expect(
            said if said - DRAWS_STAND else set(),
            record_passes,
            units=[self.units[name] for name in names],
            station=self.stations[station],
            outcome=outcome,
        )
        if passes:
            self.let_out(station)
            for name, entry in zip(names, passes, strict=True):
                assert {one.extra["rule"] for one in entry.stopped} == codes[name]
                if outcome == "passed" and not codes[name]:
                    self.things[name].done.add(self.step_at(name, station))

    @rule(parent=st.sampled_from(UNITS[2:]), child=st.sampled_from(UNITS[:2]))
    def fit(self, parent: str, child: str) -> None:
        self._fit(parent, child)

    def _fit(self, parent: str, child: str) -> None:
        it, inner = self.things[parent], self.things[child]
        held = it.held or inner.held or any(self.things[one].held for one in self.within(parent))
        unfit = it.scrapped or it.child or inner.home or inner.scrapped or inner.inside or inner.due()
        codes = {code for code, is_broken in {"held": held, "fitting-refused": unfit}.items() if is_broken}
        if self.expect(codes, fit_child, unit=self.units[parent], designator="M1", child=self.units[child]):
            it.child, inner.home = child, parent

    @rule(parent=st.sampled_from(UNITS[2:]))
    def take_out(self, parent: str) -> None:
        it = self.things[parent]
        held = any(self.things[one].held for one in self.within(parent))
        empty = it.child is None
        codes = {code for code, is_broken in {"held": held, "fitting-refused": empty}.items() if is_broken}
        if self.expect(codes, remove_part, unit=self.units[parent], designator="M1", reason="swap"):
            self.things[it.child or ""].home, it.child = None, None

    @rule(name=st.sampled_from(UNITS[1:3]))
    def scrap(self, name: str) -> None:
        it = self.things[name]
        around = [*self.within(name), *([it.home] if it.home else [])]
        held = any(self.things[one].held for one in around)
        codes = {code for code, is_broken in {"held": held, "order-refused": it.scrapped}.items() if is_broken}
        if self.expect(codes, scrap_unit, unit=self.units[name], reason="dropped"):
            it.scrapped, it.inside = True, None

    @precondition(lambda self: self.quiet(4))
    @rule(name=st.sampled_from([*UNITS, *STATIONS]))
    def hold(self, name: str) -> None:
        self.do(place_holds, targets=[self.units.get(name) or self.stations[name]], reason="suspect")
        if name in self.things:
            self.things[name].held = True
        else:
            self.held_stations.add(name)

    @precondition(lambda self: self.held_stations or any(it.held for it in self.things.values()))
    @rule()
    def release(self) -> None:
        for one in Hold.objects.filter(released=None):
            self.do(release_hold, hold=one, reason="cleared by test")
        self.held_stations.clear()
        for it in self.things.values():
            it.held = False

    @rule(name=st.sampled_from(UNITS))
    def void_the_last(self, name: str) -> None:
        """The last pass of a unit never happened: its step is due again."""
        last = Pass.objects.filter(unit=self.units[name], superseded=None).exclude(outcome="void").order_by("pk").last()
        if last is None:
            return
        self.do(void_pass, entry=last, reason="scanned the wrong board")
        it = self.things[name]
        it.inside = None if last.inside else it.inside
        if last.outcome == "passed":
            it.done.discard(last.step.number)

    # What must always hold --------------------------------------------------------------------------------------------

    @invariant()
    def the_record_says_the_same(self) -> None:
        standing = Pass.objects.filter(superseded=None).select_related("station", "step")
        for name, unit in self.units.items():
            it, passes = self.things[name], [entry for entry in standing if entry.unit_id == unit.pk]
            assert [(p.station.key, p.step.number) for p in passes if p.inside] == ([it.inside] if it.inside else [])
            assert {p.step.number for p in passes if p.outcome == "passed"} == it.done
        fitted = Fitting.objects.filter(until=None, superseded=None, holds="child").values_list("unit", "child")
        homes = {(self.units[it.home].pk, self.units[name].pk) for name, it in self.things.items() if it.home}
        assert set(fitted) == homes
        scrapped = {unit.pk for name, unit in self.units.items() if self.things[name].scrapped}
        assert set(Unit.objects.exclude(scrapped=None).values_list("pk", flat=True)) == scrapped

    @invariant()
    def each_change_is_one_event(self) -> None:
        assert Event.objects.count() == self.events


@pytest.mark.once
def test_no_sequence_of_scans_breaks_what_must_hold() -> None:
    run_state_machine_as_test(Scans, settings=MANY)
