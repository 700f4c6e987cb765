"""Racks, what is put into them and taken out; panels, labelled and parted."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from trace.core.clock import now, to_ticks
from trace.core.keys import free_key
from trace.core.models import Person
from trace.engineering.models import Part
from trace.floor.admission import places_of
from trace.floor.carrying import RackRefused, leave_racks, list_carried, lock_carrier
from trace.floor.models import Carried, Carrier, Unit
from trace.floor.queries import find_last_known, lock_units
from trace.floor.scans import BATCH
from trace.holds.gate import moving
from trace.ledger.operation import note, operation


@operation()
def define_rack(*, key: str, slots: int, ordered: bool = False, by: Person, at: datetime) -> Carrier:
    """Make a rack known. `ordered`: its units go in the order of its slots.

    Refuses with KeyInUse, and RackRefused fewer than one slot or more than go through a station together.
    """
    if not 0 < slots <= BATCH:
        raise RackRefused(f"A rack has 1 to {BATCH} slots, not {slots}.", action="Count its slots.")
    return Carrier.objects.create(
        key=free_key(Carrier, key), kind=Carrier.Kind.RACK, slots=slots, ordered=ordered, made=to_ticks(at)
    )


@operation()
def make_panel(
    *, key: str, part: Part, boards: Sequence[tuple[int, Unit]], ordered: bool = False, by: Person, at: datetime
) -> Carrier:
    """Boards that are still one panel get its label: (place, board) each. `ordered`: machines take them one by one, in
    the order of their places.

    A place may stay without a board, where that was marked out before it had a serial. Refuses with KeyInUse, and with
    RackRefused a part that is no panel, places that it does not have or that are named twice, a board that belongs
    elsewhere or is somewhere else on record.
    """
    places = dict(part.panel_places.values_list("number", "board"))
    if not places:
        raise RackRefused(f"{part.key} is no panel.", action="Have its places set first.")
    numbers, units = [number for number, _ in boards], [unit for _, unit in boards]
    if not boards or len({*numbers}) < len(boards) or len({unit.pk for unit in units}) < len(boards):
        raise RackRefused("Name each board and its place once.")
    locked = {unit.pk: unit for unit in lock_units(units)}
    for number, unit in boards:
        if number not in places:
            raise RackRefused(f"{part.key} has no place {number}.", action="Read the number printed in the panel.")
        if locked[unit.pk].part_id != places[number]:
            raise RackRefused(f"{unit.key} is no board for place {number} of {part.key}.")
    _want_free(list(locked.values()))
    leave_racks(units, at)
    panel = Carrier.objects.create(
        key=free_key(Carrier, key),
        kind=Carrier.Kind.PANEL,
        part=part,
        slots=max(places),
        ordered=ordered,
        made=to_ticks(at),
    )
    recorded = to_ticks(now())
    Carried.objects.bulk_create(
        Carried(unit=locked[unit.pk], carrier=panel, slot=number, since=to_ticks(at), by=by, recorded=recorded)
        for number, unit in boards
    )
    return panel


@moving
def part_panel(*, panel: Carrier, by: Person, at: datetime) -> Carrier:
    """The boards of a panel are parted: each goes by itself from now on, and the panel's label means nothing any more.

    Refuses with RackRefused a rack, a panel that was parted before, or one whose boards were scanned together after
    that moment.
    """
    panel = lock_carrier(panel)
    if not panel.goes_as_one:
        raise RackRefused(f"{panel.key} is a rack.", action="Take its units out one by one.")
    standing = list_carried(panel)
    boards = lock_units([one.unit for one in standing])
    if to_ticks(at) < max((panel.made, *find_last_known(boards).values())):
        raise RackRefused(f"{panel.key} was still in one piece after that moment.", action="Give the right time.")
    recorded = to_ticks(now())
    Carried.objects.filter(pk__in=[one.pk for one in standing]).update(until=to_ticks(at), ended=recorded)
    panel.parted, panel.parted_recorded = to_ticks(at), recorded
    panel.save(update_fields=["parted", "parted_recorded"])
    note(*(one.unit for one in standing))
    return panel


@moving
def put_in_rack(*, rack: Carrier, unit: Unit, slot: int | None = None, by: Person, at: datetime) -> Carried:
    """A unit is put into a slot of a rack: the one that is named, or the first free one. What was on record in another
    rack was taken out of that.

    Refuses with RackRefused a panel, a slot that the rack does not have or that is taken, a full rack, and a unit that
    is in this rack already, in a panel, fitted, packed or scrapped.
    """
    rack = lock_carrier(rack)
    if rack.goes_as_one:
        raise RackRefused(f"{rack.key} is a panel: nothing is put into it.")
    (unit,) = lock_units([unit])
    taken = {one.slot: one for one in list_carried(rack)}
    here = next((one for one in taken.values() if one.unit_id == unit.pk), None)
    if here:
        raise RackRefused(f"{unit.key} is in slot {here.slot} of {rack.key} already.", action="Scan the next unit.")
    if slot is None:
        slot = next((number for number in range(1, rack.slots + 1) if number not in taken), None)
        if slot is None:
            raise RackRefused(f"All {rack.slots} slots of {rack.key} are taken.", action="Take another rack.")
    if not 0 < slot <= rack.slots:
        raise RackRefused(f"{rack.key} has slots 1 to {rack.slots}, and no {slot}.", action="Read the slot's number.")
    if slot in taken:
        raise RackRefused(
            f"Slot {slot} of {rack.key} holds {taken[slot].unit.key} on record.",
            action="Take that out with a record, or name another slot.",
        )
    _want_free([unit])
    leave_racks([unit], at)
    return Carried.objects.create(
        unit=unit, carrier=rack, slot=slot, since=to_ticks(at), by=by, recorded=to_ticks(now())
    )


@moving
def take_from_rack(*, unit: Unit, by: Person, at: datetime) -> Carried:
    """A unit is taken out of the rack that it stands in. Refuses with RackRefused one that stands in none."""
    (unit,) = lock_units([unit])
    standing = Carried.objects.filter(unit=unit, until=None, superseded=None).select_related("carrier").first()
    if standing is None:
        raise RackRefused(f"{unit.key} stands in no rack.", action="Nothing needs doing.")
    if standing.carrier.goes_as_one:
        raise RackRefused(f"{unit.key} is in panel {standing.carrier.key}.", action="Part the panel.")
    if to_ticks(at) < standing.since:
        raise RackRefused(f"{unit.key} was put into {standing.carrier.key} after that moment.")
    standing.until, standing.ended = to_ticks(at), to_ticks(now())
    standing.save(update_fields=["until", "ended"])
    note(standing.carrier)
    return standing


ELSEWHERE = {"in_panel": "is in panel", "fitted_in": "is fitted in", "packed_in": "is packed in carton"}
"""Where a unit can be that is put into no rack or panel, by the fact of the interlock."""


def _want_free(units: Sequence[Unit]) -> None:
    places = places_of(units)
    for unit in units:
        if unit.scrapped is not None:
            raise RackRefused(f"{unit.key} was scrapped.", action="Put it in the scrap cage.")
        for fact, words in ELSEWHERE.items():
            if there := places.get(unit.pk, {}).get(fact):
                raise RackRefused(f"{unit.key} {words} {there}.", action="Take it out of there with a record first.")
