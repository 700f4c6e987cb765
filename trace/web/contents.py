"""The lots of a unit, of all within it: surely in it, perhaps, or once."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass

from trace.core.clock import OPEN
from trace.core.keys import natural
from trace.floor.models import Unit
from trace.genealogy.backward import AsBuilt, AsBuiltPlace, Entry, Origin, trace_backward
from trace.genealogy.rules import Sureness
from trace.material.models import Axis, Feed, Span
from trace.web.cells import Link, Mark, Ref
from trace.web.tables import Column, Table


@dataclass(frozen=True)
class LotIn:
    """A first lot of a unit: how sure it is that it is in it, and in how many places it is, may be or was."""

    lot: Origin
    sureness: Sureness
    places: int


def list_lots_in(built: AsBuilt) -> list[LotIn]:
    """Every first lot that is, may be or was in a unit or anything within it, each once, in order.

    Certain where one place surely has nothing else: it was surely filled, and every candidate is of the
    lot; of a bath, where a charge of the lot was surely in. Cleared where it is in no place any more.
    """
    charges = _sure_charges(built)
    known: dict[str, Origin] = {}
    counts: dict[Sureness, Counter[str]] = {sureness: Counter() for sureness in Sureness}
    for place in (place for unit in built.walk() for place in unit.places):
        standing, past = _lots(place.standing), _lots([e for e in place.entries if not e.standing])
        known |= past | standing
        surely = _surely(place, charges)
        counts[Sureness.CERTAIN].update(surely)
        counts[Sureness.POSSIBLE].update(standing.keys() - surely)
        counts[Sureness.CLEARED].update(past.keys() - standing.keys())
    for child in _once_in(built):
        inside = list_lots_in(child)
        known = {one.lot.lot or "": one.lot for one in inside} | known
        counts[Sureness.CLEARED].update({one.lot.lot or "": one.places for one in inside})
    found = []
    for key in sorted(known, key=natural):
        sureness = next(sureness for sureness in Sureness if counts[sureness][key])
        places = counts[Sureness.CERTAIN][key] + counts[Sureness.POSSIBLE][key]
        found.append(LotIn(known[key], sureness, places or counts[Sureness.CLEARED][key]))
    return found


def _lots(entries: list[Entry]) -> dict[str, Origin]:
    return {lot.lot: lot for entry in entries for top in entry.origins for lot in top.first_lots() if lot.lot}


Charges = dict[tuple[str, str | None], list[tuple[int, int]]]
"""{(bath, container): from when until when it was surely in it}"""


def _surely(place: AsBuiltPlace, charges: Charges) -> set[str]:
    """The lots that are surely at a place."""
    standing = place.standing
    sure = [entry for entry in standing if entry.sure]
    if len(sure) == len(standing) == 1 and sure[0].feed_kind == Feed.Kind.BATH and len(sure[0].feeds) == 1:
        entry = sure[0]
        tops = [
            top
            for top in entry.origins
            if any(f <= entry.since and entry.until < e for f, e in charges.get((entry.feeds[0], top.container), ()))
        ]
        return {lot for top in tops if len(lots := {one.lot for one in top.first_lots()}) == 1 for lot in lots if lot}
    every = {lot.lot for entry in standing for top in entry.origins for lot in top.first_lots()}
    empty = any(not entry.origins for entry in standing)
    return {lot for lot in every if lot} if sure and len(every) == 1 and not empty else set()


def _sure_charges(built: AsBuilt) -> Charges:
    """What was surely in the baths that the unit's places were drawn from; by the clock, where a draw's
    moments are positions."""
    entries = (entry for unit in built.walk() for place in unit.places for entry in place.entries)
    baths = {feed for entry in entries if entry.feed_kind == Feed.Kind.BATH for feed in entry.feeds}
    spans = Span.objects.filter(
        feed__key__in=baths, feed__axis__kind=Axis.Kind.CLOCK, sure_from__isnull=False, superseded=None
    )
    found: Charges = {}
    for feed, container, first, end in spans.values_list("feed__key", "container__key", "sure_from", "end"):
        found.setdefault((feed, container), []).append((first or 0, end))
    return found


def _once_in(built: AsBuilt) -> Iterator[AsBuilt]:
    """The units that were fitted in it, or in anything within it, and were taken out: as they were then."""
    left = {
        (entry.child, entry.gone)
        for unit in built.walk()
        for place in unit.places
        for entry in place.entries
        if entry.child and entry.gone is not None
    }
    units = {unit.key: unit for unit in Unit.objects.select_related("part").filter(key__in={key for key, _ in left})}
    for key, gone in sorted(left):
        yield trace_backward(units[key], min(gone, OPEN - 1))


def lots_table(lots: list[LotIn], find_href: str) -> Table:
    """The lots of a unit. A number of places leads to them in the tree (`find_href` and the lot's key)."""
    return Table(
        "lots",
        "Lots that are in it, may be, or were",
        [
            Column("lot", "Lot", lambda one: Ref("lot", one.lot.lot)),
            Column("sureness", "Sureness", lambda one: Mark(one.sureness.value), choose=True),
            Column("part", "Part", lambda one: Ref("part", one.lot.part), choose=True),
            Column("supplier", "Supplier", lambda one: one.lot.supplier, choose=True),
            Column("number", "Supplier’s lot number", lambda one: one.lot.lot_number),
            Column("date_code", "Date code", lambda one: one.lot.date_code),
            Column(
                "places",
                "Places",
                lambda one: Link(
                    one.places, f"{find_href}{one.lot.lot}#as-built", f"{one.places} places of {one.lot.lot}"
                ),
                number=True,
            ),
        ],
        lots,
        "No lot is on record in it yet.",
    )
