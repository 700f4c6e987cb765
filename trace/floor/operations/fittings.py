"""What a scan puts into a designator of a unit, and takes out of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta

from trace.core.clock import EXACT, OPEN, now_ticks, to_error, to_ticks
from trace.core.errors import Refusal
from trace.core.keys import clean_text
from trace.core.models import Person
from trace.engineering.models import BomLine
from trace.engineering.queries import list_fitting_parts
from trace.floor.admission import contents_of, places_of
from trace.floor.carrying import PART_FIRST, leave_racks
from trace.floor.designs import get_design, list_designs
from trace.floor.draws import reckon_feed
from trace.floor.models import Fitting, Salvage, Unit
from trace.floor.operations.feeds import check_expiry, lock_container
from trace.floor.queries import find_flaws, find_last_known, list_parents, lock_units
from trace.floor.releases import check_released
from trace.floor.remainders import check_hidden, hold_too, list_in_place
from trace.floor.rules import SCAN_CHILD
from trace.floor.scans import BATCH, bound_by_scan, judge_by_designator
from trace.floor.sheets import place
from trace.holds.gate import check_moves, moving
from trace.holds.operations import list_holding
from trace.holds.rules import Move
from trace.ledger.operation import note
from trace.material.models import Axis, Container, Feed
from trace.material.operations.bags import check_floor_life, check_floor_life_on_feed, lay_open
from trace.material.operations.setups import WrongPart
from trace.material.operations.stock import make_remainder
from trace.material.queries import list_giving


class FittingRefused(Refusal):
    """Something can't be fitted or removed as asked."""

    code = "fitting-refused"
    action = "Check both labels and the designator, and scan again."


REMOVE_OR_FIND = "Remove it from {} with a record first; if nobody did, record where it was found."


@moving
def fit_child(*, unit: Unit, designator: str, child: Unit, by: Person, at: datetime) -> Fitting:
    """A serialised child goes into a designator of a unit.

    Refuses with Held, WrongPart, FittingRefused: the child is packed, in a panel, fitted elsewhere or was after
    that moment; it or anything in it is unfinished, scrapped, incomplete or inside a station; the
    designator is taken, or the unit is inside what is packed.
    """
    return put_children([(unit, designator, child)], by, at)[0]


@moving
def fit_children(*, fits: Sequence[tuple[Unit, str, Unit]], by: Person, at: datetime) -> list[Fitting]:
    """Serialised children go into units, a rack of them at once: (unit, designator, child) each. All or none. Refusals
    as fit_child; at most 500 at a time."""
    if not 0 < len(fits) <= BATCH:
        raise FittingRefused(f"Between 1 and {BATCH} children can be fitted together, not {len(fits)}.")
    return put_children(fits, by, at)


def put_children(
    fits: Sequence[tuple[Unit, str, Unit]], by: Person, at: datetime, *, instead: bool = False
) -> list[Fitting]:
    """What `fit_children` does, for other operations; with `instead` each takes the place of the child there. The
    number of queries does not grow with the number of children, but with that of their parts."""
    named = [unit for fit in fits for unit in (fit[0], fit[2])]
    locked = {unit.pk: unit for unit in lock_units(named, parents=True)}
    fits = [(locked[unit.pk], clean_designator(name), locked[child.pk]) for unit, name, child in fits]
    children = [child for _, _, child in fits]
    chains = list_parents([unit for unit, _, _ in fits])
    check_moves(
        Move.FIT,
        [
            *(thing for inside in contents_of([*locked.values()]).values() for thing in inside),
            *(parent for chain in chains.values() for parent in chain),
        ],
    )
    standing = _standing_in([unit for unit, _, _ in fits])
    designs = list_designs([*locked.values()])
    fitting_parts: dict[tuple[int, str], set[int]] = {}
    places = places_of([*locked.values(), *(parent for chain in chains.values() for parent in chain)])
    flaws, known = find_flaws(contents_of(children)), find_last_known(children)
    for unit, designator, child in fits:
        place = (designs[unit.pk], designator)
        if place not in fitting_parts:
            fitting_parts[place] = list_fitting_parts(*place)
        _want_unpacked([unit, *chains[unit.pk]], places)
        holds = standing.get((unit.pk, designator))
        _judge_place(unit, designator, designs[child.pk], child.key, fitting_parts[place], holds, instead)
        where = places.get(child.pk, {})
        if home := where.get("fitted_in"):
            raise FittingRefused(f"{child.key} is on record inside {home}.", action=REMOVE_OR_FIND.format(home))
        if child.pk in flaws:
            message, action = flaws[child.pk]
            raise FittingRefused(message, action=action)
        if "packed_in" in where:
            raise FittingRefused(f"{child.key} is packed in a carton.")
        if panel := where.get("in_panel"):
            raise FittingRefused(f"{child.key} is in panel {panel}.", action=PART_FIRST)
        if to_ticks(at) < known[child.pk]:
            raise FittingRefused(
                f"{child.key} was on record elsewhere after that moment.",
                action="Give the right time, or have the later record corrected.",
            )
    if len({child.pk for child in children}) < len(fits) or len({(unit.pk, d) for unit, d, _ in fits}) < len(fits):
        raise FittingRefused("A child or a designator is named twice.")
    bound_by_scan(children, to_ticks(at), by)
    leave_racks(children, at)
    return Fitting.objects.bulk_create(
        _begin(
            unit, designator, standing.get((unit.pk, designator)), by, at,
            holds=Fitting.Holds.CHILD, child=child, child_level=child.part.level,
        )
        for unit, designator, child in fits
    )  # fmt: skip


@moving
def fit_part(
    *,
    unit: Unit,
    designator: str,
    container: Container | None = None,
    feed: Feed | None = None,
    position: tuple[int, int] | None = None,
    reason: str,
    error: timedelta = EXACT,
    by: Person,
    at: datetime,
) -> Fitting:
    """A part from a scanned container, or from a bin that is a feed, goes into a designator: what
    was drawn or fitted there before is out. `error`: within how much the time is known.

    It adds to the record and rewrites nothing. Refuses with Held (what the bin may give, too),
    WrongPart, Expired, FloorLifeOver, LotNotReleased, FittingRefused.
    """
    return put_part(unit, designator, container, feed, position, reason=reason, error=error, by=by, at=at)


def put_part(
    unit: Unit,
    designator: str,
    container: Container | None = None,
    feed: Feed | None = None,
    position: tuple[int, int] | None = None,
    *,
    reason: str,
    error: timedelta = EXACT,
    by: Person,
    at: datetime,
) -> Fitting:
    """What `fit_part` does, for other operations that put a part in."""
    designator, reason = clean_designator(designator), clean_text(reason, 300, "The reason")
    container = container and lock_container(container)
    (unit,) = lock_units([unit], parents=True)
    if (container is None) == (feed is None):
        raise FittingRefused("Scan the container or the bin that the part came from.")
    if not reason:
        raise FittingRefused("Say why the part is fitted.")
    around = _around(unit)
    if container:
        check_moves(Move.FIT, [*around, container, container.lot])
        if _gone(container, at):
            raise FittingRefused(f"Container {container.key} has left the plant.")
        _want_place(unit, designator, container.part_id, container.key)
        check_expiry(container.lot, at)
        check_floor_life(container, at)
        lay_open([container], by, at)
        content = {"holds": Fitting.Holds.CONTAINER, "container": container, "reason": reason}
        return _fit(
            unit, designator, by, at, error, deviation=check_released([container.lot], at, counts=True), **content
        )
    assert feed is not None
    if position is None:
        if feed.axis.kind != Axis.Kind.CLOCK:
            raise FittingRefused(f"{feed.key} does not go by the clock: give its position.")
        position = place(feed.axis, to_ticks(at) - to_error(error), to_ticks(at) + to_error(error))
    if not 0 <= position[0] <= position[1] < OPEN:
        raise FittingRefused("The position runs backwards or lies outside the axis.")
    giving = list_giving([feed], *position).select_related("container__lot", "container__part")
    inside = [span.container for span in giving if span.container]
    check_moves(Move.FIT, [*around, feed, feed.axis.tape, *inside, *(container.lot for container in inside)])
    _want_place(unit, designator, None, feed.key)
    for container in inside:
        _want_place(unit, designator, container.part_id, container.key)
        check_expiry(container.lot, at)
    check_floor_life_on_feed(giving, at)
    lots = [container.lot for container in inside]
    fitting = _fit(
        unit,
        designator,
        by,
        at,
        error,
        deviation=check_released(lots, at, station=feed.axis.station, counts=True),
        holds=Fitting.Holds.FEED,
        feed=feed,
        first=position[0],
        last=position[1],
        reason=reason,
    )
    reckon_feed(feed, by)  # a part less lies there
    return fitting


@moving
def remove_part(
    *,
    unit: Unit,
    designator: str,
    reason: str,
    goes_to: str = "",
    salvage: str = "",
    into: Container | None = None,
    error: timedelta = EXACT,
    by: Person,
    at: datetime,
) -> Fitting:
    """What occupies a designator is taken out, and `goes_to` a station, a rack, a cage; its place is empty.

    A lot-tracked part may be kept: in a new container labelled `salvage`, or `into` one; it is then
    derived from this designator, and not released, expires and is held as what it may be of. `error`: within how much
    the time is known. Refuses with Held, FittingRefused, WrongPart, WrongLabel, KeyInUse.
    """
    designator, reason = clean_designator(designator), clean_text(reason, 300, "The reason")
    to_error(error)
    into = into and lock_container(into)
    (unit,) = lock_units([unit], parents=True)
    if not reason:
        raise FittingRefused("Say why it is removed.")
    return take_part(unit, designator, reason, salvage, into, goes_to=goes_to, by=by, at=at, error=error)


def take_part(
    unit: Unit,
    designator: str,
    reason: str,
    salvage: str = "",
    into: Container | None = None,
    *,
    goes_to: str = "",
    by: Person,
    at: datetime,
    error: timedelta = EXACT,
) -> Fitting:
    """What `remove_part` does, for other operations that take something out, after their locks."""
    keep_removed(unit, designator, salvage, into, by=by, at=at, error=error)
    went = clean_text(goes_to, 60, "Where it goes")
    return _fit(unit, designator, by, at, error, holds=Fitting.Holds.NOTHING, reason=reason, goes_to=went)


def keep_removed(
    unit: Unit,
    designator: str,
    salvage: str = "",
    into: Container | None = None,
    *,
    by: Person,
    at: datetime,
    error: timedelta = EXACT,
) -> None:
    """What occupies a designator may be taken out, and where it is a part it is kept, if it is to be: as `remove_part`
    has it. For use inside moving operations, after their locks, before the place is emptied or filled anew."""
    design = get_design(unit)
    line = BomLine.objects.filter(designators__parent=design, designators__name=designator).first()
    if line is None:
        raise FittingRefused(f"{design.key} has no designator {designator}.")
    chain = [unit, *list_parents([unit])[unit.pk]]
    _want_unpacked(chain, places_of(chain))
    standing = standing_at(unit, designator)
    if standing.holds == Fitting.Holds.NOTHING if standing else line.child.serialised:
        raise FittingRefused(f"{designator} of {unit.key} is empty on record.")
    check_moves(Move.REMOVE, _around(unit))
    if salvage or into:
        if standing and standing.child:
            raise FittingRefused(f"{standing.child.key} has a serial; it needs no container.")
        if line.child.serialised:
            raise FittingRefused(f"What {designator} holds has a serial; it needs no container.", action=SCAN_CHILD)
        if into and _gone(into, at):
            raise FittingRefused(f"Container {into.key} has left the plant.")
        if into and into.part_id not in list_fitting_parts(design.pk, designator):
            raise WrongPart(f"{into.key} is for another part than {designator} of {design.key} holds.")
        sources = list_in_place(unit, designator, standing)
        if into:
            check_moves(Move.REMOVE, [into], list_holding(unit))
            check_hidden(into, [None, *sources], unit, to_ticks(at))
        result = into or make_remainder(salvage, [None, *sources], line.child, by, at - error, Container.Kind.BAG)
        if not into:
            hold_too(result, sources, by, at, unit)
        Salvage.objects.create(
            unit=unit, designator=designator, result=result, at=to_ticks(at), error=to_error(error), by=by,
            recorded=now_ticks(),
        )  # fmt: skip
        note(result)


def clean_designator(text: str) -> str:
    return clean_text(text, 20, "A designator")


def _gone(container: Container, at: datetime) -> bool:
    return container.gone is not None and container.gone <= to_ticks(at)


def _around(unit: Unit) -> list[Unit]:
    """The unit, what is inside it and what it is inside of: a hold on any of them stops work on it."""
    return [*contents_of([unit])[unit.pk], *list_parents([unit])[unit.pk]]


def _want_place(unit: Unit, designator: str, part_id: int | None, name: str) -> None:
    parts = list_fitting_parts(get_design(unit).pk, designator)
    chain = [unit, *list_parents([unit])[unit.pk]]
    _want_unpacked(chain, places_of(chain))
    _judge_place(unit, designator, part_id, name, parts, standing_at(unit, designator))


def _judge_place(
    unit: Unit,
    designator: str,
    part_id: int | None,
    name: str,
    fitting_parts: set[int],
    standing: Fitting | None,
    instead: bool = False,
) -> None:
    if unit.scrapped is not None:
        raise FittingRefused(f"{unit.key} was scrapped.", action="Put it in the scrap cage.")
    if not fitting_parts:
        raise FittingRefused(f"{unit.part.key} has no designator {designator}.")
    if part_id is not None and part_id not in fitting_parts:
        raise WrongPart(f"{name} does not belong at {designator} of {unit.part.key}.")
    if standing and standing.holds == Fitting.Holds.CHILD and not instead:
        raise FittingRefused(f"{designator} of {unit.key} holds {standing.child}.", action="Remove that one first.")
    if standing and standing.holds == Fitting.Holds.UNKNOWN:
        raise FittingRefused(f"Which unit {designator} of {unit.key} holds is not known.", action=SCAN_CHILD)


def _want_unpacked(chain: Sequence[Unit], places: Mapping[int, dict[str, str]]) -> None:
    """Neither the unit nor anything that it is inside of, up to the outermost, is packed or shipped. Where one of them
    is inside a station, that is noted: the work is done there."""
    for holder in chain:
        where = places.get(holder.pk, {})
        if station := where.get("inside_at"):
            note(("station", station))
        if customer := where.get("shipped_to"):
            raise FittingRefused(f"{holder.key} is on record as shipped to {customer}.")
        if carton := where.get("packed_in"):
            raise FittingRefused(
                f"{holder.key} is packed in carton {carton}.", action="Take it out with a record first."
            )


def standing_at(unit: Unit, designator: str) -> Fitting | None:
    """What a scan put there last, and nothing has ended."""
    return _standing_in([unit]).get((unit.pk, designator))


def _standing_in(units: Sequence[Unit]) -> dict[tuple[int, str], Fitting]:
    standing = Fitting.objects.select_related("child").filter(unit__in=units, until=None, superseded=None)
    return {(fitting.unit_id, fitting.designator): fitting for fitting in standing}


def _fit(unit: Unit, designator: str, by: Person, at: datetime, error: timedelta, **content: object) -> Fitting:
    fitting = _begin(unit, designator, standing_at(unit, designator), by, at, to_error(error), **content)
    judge_by_designator([unit.pk])
    fitting.save()
    return fitting


def _begin(
    unit: Unit, designator: str, standing: Fitting | None, by: Person, at: datetime, error: int = 0, **content: object
) -> Fitting:
    """A fitting, not saved yet, that ends what was there: at the latest by when it may have happened."""
    since, recorded = to_ticks(at), now_ticks()
    if standing:
        if since < standing.since:
            raise FittingRefused(
                f"{designator} of {unit.key} was changed after that moment.",
                action="Give the right time, or have the later record corrected.",
            )
        if standing.child:
            note(standing.child)
        standing.until, standing.ended = max(since + error, standing.since + standing.error), recorded
        standing.save(update_fields=["until", "ended"])
    return Fitting(
        unit=unit, designator=designator, parent_level=unit.part.level, since=since, error=error, by=by,
        recorded=recorded, **content,
    )  # fmt: skip
