"""What is in a unit, as data: what the command and the API give.

One object, complete and stable in shape (moments ISO 8601 with the plant's offset):

    at, known   the moment looked at, and that as known on which; null for now
    where       {kind, key, customer, customer_name, carton, pallet, shipment, since, step, begun, words}
    unit        {key, part, part_name, places, children [the same again]}
    places      [{designator, part, entries}]; no entries where nothing is on record
    entries     [{kind (drawn, container, child, nothing, unknown), standing, sure, since, until,
                origins, child, feeds, feed_kind, station, step, by, reason, doubted, came_from, went_to, now}]:
                a draw happened somewhere in since..until, and what was found came there then; what was
                found gone may have been so since doubted; gone is when a later event displaced it, null
                while it may rule; a child came_from the unit it was in before, and where it is gone it
                went_to the next, or now is where it is, in words
    origins     [{container, part, lot, lot_number, supplier, date_code, sources [the same again]}]:
                more than one where the evidence leaves it open; all null for unknown material
"""

from __future__ import annotations

from typing import Any

from trace.exchange.plant_time import PlantTime
from trace.floor.models import Unit
from trace.genealogy.backward import AsBuilt, Entry, Origin, trace_backward
from trace.genealogy.whereabouts import find_whereabouts


def describe_unit(unit: Unit, at: int, known: int, time: PlantTime) -> dict[str, Any]:
    """A unit as it was at a moment, as known then. Inside `as_known` where that is not now."""
    built, where = trace_backward(unit, at), find_whereabouts([unit.pk], at)[unit.pk]
    place = {**vars(where), "since": time.iso(where.since) if where.since else None, "words": str(where)}
    return {"at": time.iso(at), "known": time.iso(known), "where": place, "unit": as_data(built, time)}


def as_data(built: AsBuilt, time: PlantTime) -> dict[str, Any]:
    """A unit and all within it, as JSON can hold it."""
    return {
        "key": built.key,
        "part": built.part,
        "part_name": built.part_name,
        "places": [
            {**place._asdict(), "entries": [_entry(entry, time) for entry in place.entries]} for place in built.places
        ],
        "children": [as_data(child, time) for child in built.children],
    }


def _entry(entry: Entry, time: PlantTime) -> dict[str, Any]:
    return {
        **entry._asdict(),
        "standing": entry.standing,
        "since": time.iso(entry.since),
        "until": time.iso(entry.until),
        "gone": None if entry.gone is None else time.iso(entry.gone),
        "doubted": None if entry.doubted is None else time.iso(entry.doubted),
        "origins": [_origin_data(origin) for origin in entry.origins],
    }


def _origin_data(origin: Origin) -> dict[str, Any]:
    return {**origin._asdict(), "sources": [_origin_data(source) for source in origin.sources]}
