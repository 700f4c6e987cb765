"""What a scan at a station does."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from types import MappingProxyType
from typing import Any
from urllib.parse import urlencode

from django.urls import reverse

from trace.core.clock import OPEN
from trace.core.permissions import check_permitted
from trace.core.secrecy import clean_scan
from trace.engineering.equipment import Equipment
from trace.engineering.models import Part, Station, Step
from trace.engineering.queries import list_places_of
from trace.exchange.supplier_label import looks_like_label
from trace.floor.carrying import find_inside_with, get_carrier, list_going
from trace.floor.designs import get_design
from trace.floor.models import Carrier, Fitting, Pass, Unit
from trace.floor.naming import get_named_unit
from trace.floor.operations.carriers import finish_carrier, pass_carrier, start_carrier
from trace.floor.operations.fittings import fit_child, fit_part
from trace.floor.operations.passes import finish_pass, record_passes, start_pass, want_outcome
from trace.floor.operations.readings import record_readings
from trace.floor.rules import Stopped
from trace.floor.scans import PassRefused
from trace.floor.tapes import find_next_board_set
from trace.floor.work import foresee, foresee_carrier, list_places, list_places_for
from trace.labels.results import RESULTS, read_result
from trace.material.models import Container, Feed, SetUp, SetUpLine, Tape
from trace.web.kept import once
from trace.web.kiosk import TooManyBadges, count_badge, find_badge, is_waiting
from trace.web.scan import Found, read_package, read_scan
from trace.web.station.bench import (
    Bench,
    Due,
    First,
    Fitted,
    Names,
    NothingInside,
    NotRead,
    PlacesFilled,
    Together,
    Where,
    With,
    find_pass_here,
)
from trace.web.station.desk import find_named, find_unit
from trace.web.station.onward import lead_on

NOTHING: Mapping[str, Sequence[Unit]] = MappingProxyType({})


def act(bench: Bench) -> Any:
    """Do what was scanned, or chosen on the page. Returns what was recorded, or what is to be said. Refuses as the
    operation does, and with NothingInside, NotRead, PlacesFilled."""
    sent = bench.request.POST
    text = clean_scan(sent.get("told", ""))
    if "outcome" in sent:
        return give_result(bench, sent["outcome"])
    if "designator" in sent:
        return fit_at(bench, sent["designator"])
    if outcome := read_result(text):
        return give_result(bench, outcome)
    if bench.desk.fits and (found := _designator(bench, text)):
        return fit_at(bench, found)
    if named := find_named(text):
        bench.notice = named.replaced
        try:
            return take_unit(bench, named.unit)
        except Stopped as stopped:
            stopped.extra["suggestions"] = lead_on(named.unit, {rule for rule, *_ in stopped.extra["refusals"]})
            raise
    return _take_other(bench, sent.get("told", ""))


# Units ---------------------------------------------------------------------------------------------------------------


def take_unit(bench: Bench, unit: Unit) -> Any:
    """A unit was scanned: it goes into the one that is inside, where that step asks for it; else it comes in."""
    if bench.station.repairs:
        links = [(reverse("repair", args=[bench.station.key, unit.key]), f"What is done about {unit.key}")]
        return Names(f"{unit.key} is looked at.", links, opens=not bench.kept.late)
    entry = bench.find_inside()
    if entry and unit.part.level < entry.unit.part.level and (found := _fit(bench, entry, unit, get_design(unit))):
        return found
    if bench.loose:
        return _take_loose(bench, unit)
    drawing = _drawing(bench, unit)
    try:
        entry = start_pass(unit=unit, station=bench.station, equipment=_equipment(bench), **drawing, **bench.done)
    except Stopped as stopped:
        if any(rule == "inside" for rule, *_ in stopped.extra["refusals"]) and (
            inside := find_pass_here(bench.station, unit.key)
        ):
            return inside  # it is here: its work is shown again
        raise
    entry.unit = unit  # which has its part
    return entry


def _take_loose(bench: Bench, unit: Unit) -> Any:
    if outcome := bench.desk.result_first():
        return _record(bench, unit, outcome)
    admission = foresee(unit, bench.station, equipment=_equipment(bench), by=bench.kept.by, at=bench.kept.at)
    return Due(unit, Step.objects.get(pk=admission.step.pk))


def _record(bench: Bench, unit: Unit, outcome: str) -> list[Pass]:
    _read(bench, unit)
    drawing = _drawing(bench, unit)
    positions = [drawing["position"]] if drawing.get("position") else None
    return record_passes(
        units=[unit],
        station=bench.station,
        outcome=outcome,
        equipment=_equipment(bench),
        setup=drawing.get("setup"),
        positions=positions,
        **bench.done,
    )


def give_result(bench: Bench, outcome: str) -> Any:
    """What came of the unit that is meant. Where none is and one scan is all, it is that of the units to come."""
    if bench.loose:
        meant = bench.find_meant()
        if isinstance(meant, Carrier):
            return _let_through(bench, meant, outcome)
        if meant:
            return _record(bench, meant, outcome)
        if outcome not in RESULTS.values():
            raise PassRefused(f"“{outcome[:20]}” is not an outcome.", action="Say passed, failed or aborted.")
        check_permitted(str(bench.kept.by), bench.kept.by.roles, "record_passes")
        return First(outcome if outcome != bench.desk.result_first() else "")
    entry = bench.find_inside()
    if entry is None:
        meant = bench.find_meant()
        if isinstance(meant, Carrier):
            return _let_out(bench, meant, outcome)
        message = f"{meant.key} is not inside {bench.station.key}." if meant else "No unit is shown here."
        raise NothingInside(message)
    _read(bench, entry.unit)
    return finish_pass(unit=entry.unit, station=bench.station, outcome=outcome, **bench.done)


def _read(bench: Bench, unit: Unit) -> None:
    """What was read of the unit goes on record before its result, and stays there should that be refused."""
    if not bench.readings:
        return
    told = {"unit": unit, "readings": bench.readings, "station": bench.station, "equipment": _equipment(bench)}
    asked = bench.kept.request and replace(bench.kept.request, key=f"{bench.kept.request.key}-readings")

    def work() -> Any:
        return record_readings(**told, **{**bench.done, "request": asked})

    if asked:
        once(asked, work)
    else:
        work()


def _equipment(bench: Bench) -> Equipment | None:
    return Equipment.objects.filter(key=bench.desk.equipment).first() if bench.desk.equipment else None


def _drawing(bench: Bench, unit: Unit, together: int = 1) -> dict[str, Any]:
    """From which tape a unit draws and at which board set, or at which count of the machine's cycles; of so many that
    go together, from that of the first on. What stands in the field as it was proposed is reckoned again from the
    record: scans that waited all have the same proposal."""
    desk = bench.desk
    setup = None
    if desk.tape:
        setups = SetUp.objects.select_related("axis__tape").filter(axis__tape__key=desk.tape, assembly=unit.part_id)
        setup = setups.first()
    if setup is None and not bench.station.counts_cycles:
        return {}
    if desk.position != desk.proposed or not desk.position:
        number = _number(desk.position, "board set" if setup else "cycle count")
    elif setup and setup.axis.tape:
        number = find_next_board_set(setup.axis.tape)
    else:
        number = find_next_count(bench.station) or 0
    drawn = {"position": (number, number + together - 1)}
    return {"setup": setup, **drawn} if setup else drawn


def find_next_count(station: Station) -> int | None:
    """The cycle count after that of the last unit, None where none is on record."""
    counted = Pass.objects.filter(station=station, axis__station=station, superseded=None)
    last = counted.order_by("-began", "-pk").values_list("last", flat=True).first()
    return None if last is None else last + 1


def _number(text: str, what: str) -> int:
    if not re.fullmatch(r"\d{1,15}", text, re.ASCII):
        raise PassRefused(f"The {what} of this unit is missing.", action=f"Type the {what}, then scan the unit again.")
    return int(text)


# Racks and panels ----------------------------------------------------------------------------------------------------


def _take_carrier(bench: Bench, found: Found) -> Together:
    """A rack or panel was scanned: all that is in it comes in, but for what is stopped and is in a rack."""
    carrier = get_carrier(found.key)
    if bench.loose:
        if outcome := bench.desk.result_first():
            return _let_through(bench, carrier, outcome)
        behind = foresee_carrier(
            carrier, bench.station, equipment=_equipment(bench), by=bench.kept.by, at=bench.kept.at
        )
        return Together(carrier, behind=[(unit.key, refusals) for unit, refusals in behind])
    if find_inside_with(carrier, bench.station).exists():
        return Together(carrier)
    return _together(bench, start_carrier(**_going(bench, carrier)), "in")


def _let_out(bench: Bench, carrier: Carrier, outcome: str) -> Together:
    """What went in with it comes out: all with this result, or, if that is passed, but for those that were ticked."""
    inside = find_inside_with(carrier, bench.station)
    if not inside.exists():
        raise NothingInside(f"Nothing in {carrier.key} is inside {bench.station.key}.", action="Scan it in first.")
    others = _others(bench, outcome, [entry.unit for entry in inside])
    return _together(bench, finish_carrier(carrier=carrier, **others, **bench.done), "out", outcome, others)


def _let_through(bench: Bench, carrier: Carrier, outcome: str) -> Together:
    """The same where one scan is all there is to a pass."""
    others = _others(bench, outcome, list_going(carrier))
    return _together(bench, pass_carrier(**others, **_going(bench, carrier)), "through", outcome, others)


def _going(bench: Bench, carrier: Carrier) -> dict[str, Any]:
    """What is told of a rack or panel that goes into the station."""
    units = list_going(carrier)
    drawing = _drawing(bench, units[0], len(units)) if units else {}
    return {
        "carrier": carrier, "station": bench.station, "equipment": _equipment(bench), **drawing, **bench.done
    }  # fmt: skip


def _others(bench: Bench, outcome: str, units: Sequence[Unit]) -> dict[str, list[Unit]]:
    """Which of these did not pass, as the operations take them."""
    if outcome == Pass.Outcome.PASSED:
        return {Pass.Outcome.FAILED: [get_named_unit(text).unit for text in bench.request.POST.getlist("failing")]}
    want_outcome(outcome)
    return {outcome: list(units)}


def _together(
    bench: Bench, carrier: Carrier, did: str, outcome: str = "", others: Mapping[str, Sequence[Unit]] = NOTHING
) -> Together:
    following = None
    if bench.desk.proposed:
        tape = Tape.objects.filter(key=bench.desk.tape).first()
        following = find_next_board_set(tape) if tape else find_next_count(bench.station)
    failed = len(others.get("failed", ())) if outcome == Pass.Outcome.PASSED else 0
    behind = [(one.unit, one.refusals) for one in carrier.behind]
    return Together(carrier, did, outcome, behind, len(carrier.went), failed, following)


# What goes into a unit -----------------------------------------------------------------------------------------------


def _fit(bench: Bench, entry: Pass, thing: Container | Unit, part: Part) -> Any:
    """Fit a thing where the step asks for it; None where it asks for no such part."""
    places = list_places_for(entry.unit, entry.step, part.pk)
    free = [place for place in places if not place.filled]
    if not places:
        return None
    if not free:
        there = ", ".join(f"{place.designator} has {_holds(place.fitting)}" for place in places if place.fitting)
        swap = (f"{reverse('unit-inside', args=[entry.unit.key])}#swap_child", f"Swap what is in {entry.unit.key}")
        raise PlacesFilled(f"{thing.key} has no free place in {entry.unit.key}: {there}.", suggestions=[swap])
    if len(free) > 1:
        return Where(thing, entry.unit, free)
    return _put(bench, entry, thing, free[0].designator)


def _put(bench: Bench, entry: Pass, thing: Container | Unit, designator: str) -> Fitted:
    if isinstance(thing, Unit):
        fitting = fit_child(unit=entry.unit, designator=designator, child=thing, **bench.done)
    else:
        reason = f"asked for by step {entry.step.number}"
        fitting = fit_part(unit=entry.unit, designator=designator, container=thing, reason=reason, **bench.done)
    left = [place for place in list_places(entry.unit, entry.step) if not (place.drawn or place.filled)]
    return Fitted(fitting, len(left))


def fit_at(bench: Bench, designator: str) -> Fitted:
    """What was scanned before goes in at the designator that was chosen."""
    entry = bench.find_inside()
    if entry is None:
        raise NothingInside("No unit that is inside here is shown.")
    thing = find_unit(bench.desk.fits) or Container.objects.filter(key=bench.desk.fits).first()
    if thing is None:
        raise NothingInside("What goes in there is not known.", action="Scan the part again.")
    return _put(bench, entry, thing, designator)


def _designator(bench: Bench, text: str) -> str:
    """The designator of the unit inside that a text names."""
    entry = bench.find_inside()
    names = get_design(entry.unit).designators.filter(name__iexact=text) if entry else ()
    return next((place.name for place in names), "")


def _holds(fitting: Fitting | None) -> str:
    thing = fitting and (fitting.child or fitting.container or fitting.feed)
    return thing.key if thing else "what is not known"


# Other things --------------------------------------------------------------------------------------------------------


def _take_other(bench: Bench, told: str) -> Any:
    text = clean_scan(told)
    waiting = is_waiting(bench.request)
    if not waiting and find_badge(text):
        count_badge(bench.request)
        return Names(
            "A badge.", [(f"{reverse('scan')}?{urlencode({'q': text})}", "Type the PIN")], opens=not bench.kept.late
        )
    reading = read_package(told) if looks_like_label(told) else read_scan(told)
    if len(reading.found) == 1:
        (found,) = reading.found
        return TAKES.get(found.kind, _open)(bench, found)
    if reading.found:
        return Names(f"{len(reading.found)} things are called “{reading.text}”.", _links(reading.found))
    if waiting:
        raise TooManyBadges
    raise NotRead(reading.problem, action=reading.action, suggestions=_links(reading.suggestions))


def _links(found: Iterable[Found]) -> list[tuple[str, str]]:
    return [(one.href, f"{one.key} {one.words}".strip()) for one in found]


def _open(bench: Bench, found: Found) -> Names:
    return Names(f"{found.key} is not worked on here: {found.words or found.kind}.", _links([found]))


def _take_unit(bench: Bench, found: Found) -> Any:
    return take_unit(bench, Unit.objects.select_related("part").get(key=found.key))


def _take_container(bench: Bench, found: Found) -> Any:
    thing = Container.objects.select_related("part").get(key=found.key)
    entry = bench.find_inside()
    if entry and (done := _fit(bench, entry, thing, thing.part)):
        return done
    served = {(assembly, name) for assembly, name, _ in list_places_of([thing.part_id])}
    lines = SetUpLine.objects.filter(setup__end=OPEN, feed__axis__station=bench.station)
    rows = lines.order_by("feed__key").values_list("feed__key", "setup__assembly", "designator")
    feeds = dict.fromkeys(feed for feed, *place in rows if tuple(place) in served)
    return Names(
        f"{thing.key} is {thing.part.name}" + (f", which step {entry.step} does not ask for." if entry else "."),
        [
            *((reverse("feeding", args=[feed]), f"What is done at {feed}") for feed in feeds),
            (reverse("stock", args=[thing.key]), f"What is done with {thing.key}"),
        ],
    )


def _take_feed(bench: Bench, found: Found) -> Names:
    feed = Feed.objects.select_related("axis__tape").get(key=found.key)
    if feed.axis.tape:
        return _open(bench, found)
    return Names(
        f"Feed {feed.key}.", [(reverse("feeding", args=[feed.key]), "What is done there")], opens=not bench.kept.late
    )


def _take_tape(bench: Bench, found: Found) -> With:
    tape = Tape.objects.get(key=found.key)
    return With(tape, find_next_board_set(tape))


def _take_equipment(bench: Bench, found: Found) -> Any:
    it = Equipment.objects.get(key=found.key)
    return With(it) if it.station_id == bench.station.pk else _open(bench, found)


TAKES: Mapping[str, Callable[[Bench, Found], Any]] = {
    "unit": _take_unit,
    "container": _take_container,
    "carrier": _take_carrier,
    "feed": _take_feed,
    "tape": _take_tape,
    "equipment": _take_equipment,
}
"""What is done here with a thing of a kind; what has no row opens its page."""
