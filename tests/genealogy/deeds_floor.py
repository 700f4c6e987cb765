"""Deeds of a random history with units; see world.py."""

from __future__ import annotations

from typing import Any

from tests.factories import moment, ticks
from tests.genealogy.deeds import INSERTION, Deeds, Skip
from tests.genealogy.plantlog import CHILDREN, Visit
from tests.genealogy.shop import PAPER
from trace.floor.models import Fitting, Pass
from trace.floor.operations import findings, fittings
from trace.floor.operations.cartons import close_carton
from trace.floor.operations.corrections import correct_board_sets, void_fitting, void_pass
from trace.floor.operations.dispatch import load_shipment, pack_units, send_shipment
from trace.floor.operations.orders import scrap_unit
from trace.floor.operations.passes import finish_pass, record_passes, start_pass

ROUTES = {
    "B": {10: INSERTION, 20: ["TAPER"], 30: ["WAVE"]},
    "M": {10: ["FINAL"]},
    "P": {10: ["PROOF"]},
}
PLACES = {"B": ["R1", "R2", "C1", "T1", "T2", "S1"], "M": ["R5"]}


class FloorDeeds(Deeds):
    """Each deed takes three numbers that choose among what there is."""

    def visits_of(self, unit: str) -> list[Visit]:
        return [visit for visit in self.log.visits if visit.unit == unit and not visit.void]

    def due(self, unit: str) -> int:
        done = {visit.step for visit in self.visits_of(unit) if visit.outcome == "passed"}
        return self.pick([step for step in ROUTES[unit[0]] if step not in done][:1], 0)

    def open_visit(self, unit: str) -> Visit | None:
        return next((v for v in self.visits_of(unit) if not v.outcome), None)

    def prepare(self, unit: str, station: str) -> Visit:
        """A visit that draws under the station's set-ups, or a tape's; unsure where the step perhaps drew before."""
        step = self.due(unit)
        place = "TAPE" if station == "TAPER" else station
        again = any(v.step == step and v.drew != "none" for v in self.visits_of(unit))
        return Visit(unit, station, step, place if place in self.log.runs else None, drew="unsure" if again else "all")

    def positions(self, station: str, number: int, units: int) -> list[tuple[int, int]] | None:
        """The machine's counts or the board sets of so many units, where the station wants them."""
        if station == "COUNT":
            self.cycle += 1
            found = [(self.cycle + i, self.cycle + i + (number % 4 == 3)) for i in range(units)]
            self.cycle += units
            return found
        if station == "TAPER" and self.tape:
            found = [(self.next_set + i, self.next_set + i + (number % 5 == 4)) for i in range(units)]
            self.next_set += units
            return found
        return None

    def station_for(self, unit: str, number: int) -> str:
        return self.pick(ROUTES[unit[0]][self.due(unit)], number)

    def let_out(self, station: str) -> None:
        """Where one unit is inside at a time, the next scan lets out the one that surely came before it."""
        if self.log.modes[station] == "one at a time":
            for visit in self.log.visits:
                earlier = (visit.scanned_in or 0) + visit.error <= self.now - self.error
                if visit.station == station and not visit.void and not visit.outcome and earlier:
                    visit.outcome = "passed"

    def record(self, units: list[str], station: str, number: int, **said: Any) -> None:
        """Units through a station by one operation."""
        visits = [self.prepare(unit, station) for unit in units]
        positions = self.positions(station, number, len(units))
        both = station not in ("ONE", "LOOSE") or station == "LOOSE" and number % 2
        entered = self.minute - 0.8 if both else None
        passes = self.do(
            record_passes,
            units=[self.shop.units[unit] for unit in units],
            station=self.shop.stations[station],
            entered=None if entered is None else moment(entered),
            positions=positions,
            setup=self.tape[1] if station == "TAPER" and self.tape else None,
            **said,
        )
        self.let_out(station)
        for index, (visit, entry) in enumerate(zip(visits, passes, strict=True)):
            visit.scanned_in, visit.scanned_out = None if entered is None else ticks(entered), self.now
            visit.position = positions[index] if positions else None
            visit.error = self.error
            if station == PAPER:
                visit.position = max(ticks(entered or 0) - self.error, self.line_before + 1), self.now
            self.close(visit, **said)
            if entry.stopped:
                visit.outcome = "aborted"
                if station == "LOOSE" and not said.keys() & {"drew", "only"}:
                    visit.drew = "unsure"
            self.passes[id(visit)] = entry
            self.log.visits.append(visit)

    def close(self, visit: Visit, outcome: str = "passed", drew: str | None = None, only: Any = None) -> None:
        """The outcome, and what the operator said of what was drawn."""
        visit.outcome = outcome
        if only is not None or drew is not None:
            visit.drew, visit.only = drew or "all", None if only is None else tuple(only)
        elif outcome == "aborted":
            visit.drew = "unsure"

    def saying(self, unit: str, station: str, number: int) -> dict[str, Any]:
        """Mostly nothing special; else an outcome, or what it drew."""
        designators = sorted(self.log.runs[station][-1].serves) if station in self.log.runs else []
        match number % 12:
            case 8:
                return {"outcome": Pass.Outcome.ABORTED}
            case 9:
                return {"outcome": Pass.Outcome.FAILED}
            case 10 if designators:
                return {"only": designators[: 1 + number // 12 % 2], "outcome": Pass.Outcome.ABORTED}
            case 11:
                return {"drew": ["none", "unsure", "all"][number // 12 % 3]}
        return {}

    def visit(self, a: int, b: int, c: int) -> None:
        unit = self.pick(self.shop.units, a)
        station = self.station_for(unit, b)
        self.record([unit], station, c, **self.saying(unit, station, c))

    def rack(self, a: int, b: int, c: int) -> None:
        units = sorted({self.pick(self.shop.units, a), self.pick(self.shop.units, b)})
        self.record(units, self.station_for(units[0], c), c)

    def finish(self, a: int, b: int, c: int) -> None:
        """All of its route that is left."""
        unit = self.pick([u for u in self.shop.units if not self.finished(u)], a)
        while not self.finished(unit):
            self.record([unit], self.station_for(unit, b), c)
            if self.visits_of(unit)[-1].outcome != "passed":
                raise Skip  # it was stopped after the work
            self.minute += 1

    def finished(self, unit: str) -> bool:
        return {v.step for v in self.visits_of(unit) if v.outcome == "passed"} == set(ROUTES[unit[0]])

    def enter(self, a: int, b: int, c: int) -> None:
        unit = self.pick(self.shop.units, a)
        station = self.station_for(unit, b)
        if station == PAPER:  # a line is written when the work is done
            raise Skip
        visit = self.prepare(unit, station)
        positions = self.positions(station, c, 1)
        entry = self.do(
            start_pass,
            unit=self.shop.units[unit],
            station=self.shop.stations[station],
            position=positions and positions[0],
            setup=self.tape[1] if station == "TAPER" and self.tape else None,
        )
        self.let_out(station)
        visit.scanned_in, visit.position = self.now, positions[0] if positions else None
        visit.error = self.error
        self.passes[id(visit)] = entry
        self.log.visits.append(visit)

    def leave(self, a: int, b: int, c: int) -> None:
        unit = self.pick([u for u in self.shop.units if self.open_visit(u)], a)
        visit = self.open_visit(unit)
        assert visit
        said = self.saying(unit, visit.station, b)
        self.do(finish_pass, unit=self.shop.units[unit], **said)
        visit.scanned_out, visit.error_out = self.now, self.error
        visit.error = max(visit.error, self.error)
        self.close(visit, **said)

    def void(self, a: int, b: int, c: int) -> None:
        standing = [v for v in self.log.visits if not v.void]
        visit = standing[self.pick(range(len(standing)), a)]
        self.do(void_pass, entry=self.passes[id(visit)], reason="scanned by mistake")
        visit.void, visit.outcome = True, "void"

    def slip(self, a: int, b: int, c: int) -> None:
        """The count of board sets on the tape is found to be off."""
        if not self.tape:
            raise Skip
        good, slip = a % 4, [-2, -1, 1, 2][c % 4]
        found = good + 1 + b % 4
        tape = self.tape[0]
        passes = self.do(correct_board_sets, tape=tape, good=good, found=found, slip=slip, reason="a set was skipped")
        for visit in self.log.visits:
            if visit.station != "TAPER" or not visit.position or visit.position[1] <= good:
                continue
            first, last = visit.position
            if first >= found:
                visit.position = first + slip, last + slip
            else:
                numbers = [first, last, first + slip, last + slip]
                visit.position = max(min(numbers) - 1, 0), max(numbers) + 1
            for entry in passes:
                same = entry.unit.key == visit.unit and entry.scanned_in == visit.scanned_in
                if same and entry.scanned_out == visit.scanned_out:
                    self.passes[id(visit)] = entry
        self.done.append("late")

    # Fittings ----------------------------------------------------------------------------------------------------

    def repair(self, a: int, b: int, c: int) -> None:
        unit = self.pick([u for u in self.shop.units if u[0] in PLACES], a)
        designator = self.pick(PLACES[unit[0]], c)
        arguments = {"unit": self.shop.units[unit], "designator": designator, "reason": "cracked"}
        fitting = self.shop.fitting("BOARD" if unit[0] == "B" else "MODULE", designator)
        if b % 4 == 3 and designator[0] == "R":
            feed = self.pick(["FINAL-R", "LOOSE-R"], c // 6)
            self.do(fittings.fit_part, feed=self.feeds[feed], **arguments)
            self.log.fit(unit, designator, ("feed", feed), self.now, self.error)
            self.log.feeds[feed].by_hand |= fitting
            return
        key = self.box_of(fitting, b)
        self.do(fittings.fit_part, container=self.shop.container(key), **arguments)
        self.log.fit(unit, designator, ("box", key), self.now, self.error)

    def remove(self, a: int, b: int, c: int) -> None:
        drawn = {(v.unit, d) for v in self.log.visits for d, _, _ in self.log.draws_of(v)}
        fitted = {place for place, fits in self.log.fits.items() if fits[-1].what[0] in ("box", "feed")}
        unit, designator = self.pick(drawn | fitted, a)
        fitting = self.shop.fitting("BOARD" if unit[0] == "B" else "MODULE", designator)
        arguments = {"unit": self.shop.units[unit], "designator": designator, "reason": "reused"}
        source = ("place", unit, designator)
        if c % 3 == 0:
            into = self.box_of(fitting, b, fillable=True)
            self.do(fittings.remove_part, into=self.shop.container(into), **arguments)
            self.log.boxes[into].fill(source, self.now, self.error)
        elif c % 3 == 1:
            key = f"KEPT-{self.number}"
            self.do(fittings.remove_part, salvage=key, **arguments)
            self.make(key, min(fitting - {"RES2"}), [source], set())
        else:
            self.do(fittings.remove_part, **arguments)
        self.log.fit(unit, designator, ("nothing",), self.now, self.error)

    def unfit(self, a: int, b: int, c: int) -> None:
        """What was fitted or removed last at a place turns out never to have been."""
        place = self.pick(self.log.fits, a)
        standing = Fitting.objects.get(unit__key=place[0], designator=place[1], until=None, superseded=None)
        self.do(void_fitting, fitting=standing, reason="another label was scanned")
        kind, *what = self.log.unfit(*place)
        if kind == "feed":
            by_hand = [
                self.shop.fitting("BOARD" if unit[0] == "B" else "MODULE", designator)
                for (unit, designator), fits in self.log.fits.items()
                if any(fit.what == ("feed", *what) for fit in fits)
            ]
            self.log.feeds[what[0]].by_hand = set().union(*by_hand)
        self.done.append("late")

    def child(self, a: int, b: int, c: int) -> None:
        kind, designator = self.pick(CHILDREN, a)
        parent = self.pick([u for u in self.shop.units if u[0] == kind], b)
        homes = {fits[-1].what[1] for fits in self.log.fits.values() if fits[-1].what[0] == "child"}
        wanted = CHILDREN[kind, designator]
        child = self.pick([u for u in self.shop.units if u[0] == wanted and u not in homes and self.finished(u)], c)
        arguments = {"unit": self.shop.units[parent], "child": self.shop.units[child], "designator": designator}
        self.do(fittings.fit_child, **arguments)
        self.log.fit(parent, designator, ("child", child), self.now)
        self.log.seen.setdefault(child, []).append(self.now)

    def unchild(self, a: int, b: int, c: int) -> None:
        fitted = {place for place, fits in self.log.fits.items() if fits[-1].what[0] in ("child", "unknown")}
        unit, designator = self.pick(fitted, a)
        self.do(fittings.remove_part, unit=self.shop.units[unit], designator=designator, reason="noisy")
        self.log.fit(unit, designator, ("nothing",), self.now, self.error)

    def discover(self, a: int, b: int, c: int) -> None:
        """A child turns up in a place, mostly one that is on record in another."""
        kind, designator = self.pick(CHILDREN, a)
        place = self.pick([u for u in self.shop.units if u[0] == kind], b), designator
        homes = {fits[-1].what[1] for fits in self.log.fits.values() if fits[-1].what[0] == "child"}
        wanted = [u for u in self.shop.units if u[0] == CHILDREN[kind, designator]]
        child = self.pick([u for u in wanted if u in homes or c % 3 == 0], c)
        self.do(
            findings.find_child, unit=self.shop.units[place[0]], designator=designator, child=self.shop.units[child]
        )
        self.log.find_child(place, child, self.now)
        self.done.append("late")

    def empty(self, a: int, b: int, c: int) -> None:
        place = self.pick([p for p, fits in self.log.fits.items() if fits[-1].what[0] in ("child", "unknown")], a)
        self.do(findings.find_empty, unit=self.shop.units[place[0]], designator=place[1])
        self.log.find_empty(place, self.now)
        self.done.append("late")

    def loose(self, a: int, b: int, c: int) -> None:
        child = self.pick(self.shop.units, a)
        self.do(findings.find_loose, child=self.shop.units[child])
        self.log.find_loose(child, self.now)
        self.done.append("late")

    def scrap(self, a: int, b: int, c: int) -> None:
        unit = self.pick(self.shop.units, a)
        self.do(scrap_unit, unit=self.shop.units[unit], reason="broken")
        self.log.scrapped[unit] = self.now
        if visit := self.open_visit(unit):
            visit.scanned_out, visit.outcome, visit.drew, visit.error_out = self.now, "aborted", "unsure", 0
        self.log.seen.setdefault(unit, []).append(self.now)

    def ship(self, a: int, b: int, c: int) -> None:
        unit = self.pick([u for u in self.shop.units if self.finished(u)], a)
        carton = self.do(pack_units, carton=f"CARTON-{self.number}", units=[self.shop.units[unit]])
        self.log.seen.setdefault(unit, []).append(self.now)
        self.log.packed[unit] = self.now
        if b % 2:
            key = f"SHIP-{self.number}"
            self.do(close_carton, carton=carton)
            load = self.do(load_shipment, shipment=key, customer=self.shop.customer, cartons=[carton])
            self.do(send_shipment, shipment=load)
