"""Cartons: started, closed once their contents are checked, opened again with a record."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime

from trace.core.clock import now, to_ticks
from trace.core.keys import clean_text, free_key, next_key
from trace.core.models import Person
from trace.engineering.models import Part
from trace.floor.models import Carton, Closing
from trace.floor.packing import (
    LATER,
    ContentsRefused,
    DispatchRefused,
    Filling,
    check_carton_here,
    check_carton_open,
    check_contents,
    check_not_moved_since,
    find_closings,
    find_last_packed,
    list_units_in,
    lock_cartons,
    read_filling,
)
from trace.holds.gate import moving
from trace.holds.rules import Move
from trace.ledger.operation import operation


@operation()
def start_carton(*, key: str = "", by: Person, at: datetime) -> Carton:
    """An empty carton gets a label: the one given, else the next in the row. Refuses with BadKey, KeyInUse."""
    return Carton.objects.create(key=free_key(Carton, key) if key else next_key(Carton, "CARTON"), made=to_ticks(at))


@dataclass(frozen=True)
class PackedContent:
    """So many of a part that were counted in a carton, beside its units."""

    part: Part
    quantity: int


@moving
def close_carton(
    *, carton: Carton, contents: Sequence[PackedContent] = (), short: str = "", by: Person, at: datetime
) -> Carton:
    """A carton is closed, its contents checked: from then on nothing goes in or comes out until it is opened.

    `contents` is what was counted beside the units: it must be what the packing rule of the product names, no more and
    no less. What is tracked by serial was scanned as it was packed, and is counted by that. With fewer units than the
    rule says `short` says why.

    Refuses with Held; with ContentsRefused what is missing, wrong or too many, units that don't go together, and too
    few units without a word why; with DispatchRefused a carton that is empty, closed, on a pallet or a shipment, or was
    packed after that moment, and what may not leave the floor; with BadText.
    """
    short = clean_text(short, 300, "Why it is not full")
    (box,) = lock_cartons([carton.pk])
    check_carton_open(box)
    units = list_units_in(box)
    if not units:
        raise DispatchRefused(f"Carton {box.key} is empty.", action="Pack it first.")
    if to_ticks(at) < find_last_packed(box):
        raise DispatchRefused(f"Carton {box.key} was packed or opened after that moment.", action=LATER)
    check_contents(Move.PACK, [], [box])
    filling = read_filling(units)
    counted: Counter[Part] = Counter()
    for one in contents:
        if one.quantity < 0:
            raise ContentsRefused(f"{one.quantity} of {one.part.key} can’t be counted.", action="Count them again.")
        counted[one.part] += one.quantity
    if problems := list(_judge(box, filling, counted, short)):
        raise ContentsRefused(" ".join(problems), problems=problems)
    told = sorted([part.key, quantity] for part, quantity in counted.items() if quantity)
    Closing.objects.create(
        carton=box,
        since=to_ticks(at),
        contents=told,
        short="" if filling.full else short,
        by=by,
        recorded=to_ticks(now()),
    )
    return box


def _judge(box: Carton, filling: Filling, counted: Counter[Part], short: str) -> Iterator[str]:
    """Everything that is wrong with the contents of a carton."""
    if filling.product is None:
        parts = ", ".join(part.key for part in filling.counts)
        yield f"{parts} are in carton {box.key}, and no packing rule puts them together."
        return
    for problem in filling.too_many:
        yield f"Carton {box.key}: {problem}."
    wanted = {one.part: one for one in filling.wanted}
    for part, one in wanted.items():
        there = counted[part] if one.packed is None else one.packed
        if there < one.quantity:
            yield f"{_some(one.quantity - there, part)} missing."
        elif there > one.quantity and one.packed is None:
            yield f"{_some(there - one.quantity, part)} too many."
    for part, number in counted.items():
        if number and (part not in wanted or wanted[part].packed is not None):
            yield f"{part.key}, {part.name}, is not counted in with {filling.product.key}."
    if filling.most is not None and filling.packed < filling.most and not short:
        yield f"It has {filling.packed} of {filling.most} units: pack the others, or say why it is not full."


def _some(number: int, part: Part) -> str:
    return f"{number} of {part.key}, {part.name}, {'is' if number == 1 else 'are'}"


@moving
def open_carton(*, carton: Carton, reason: str, by: Person, at: datetime) -> Carton:
    """A closed carton is opened again; the record keeps who did, and why. No hold keeps it closed.

    Refuses with DispatchRefused without a reason, one that is not closed, was closed or moved after that moment, or is
    on a pallet or a shipment; with BadText.
    """
    reason = clean_text(reason, 300, "The reason")
    (box,) = lock_cartons([carton.pk])
    check_carton_here(box)
    closing = find_closings([box]).get(box.pk)
    if closing is None:
        raise DispatchRefused(f"Carton {box.key} is not closed.", action="Nothing needs doing.")
    if not reason:
        raise DispatchRefused("Say why it is opened.", action="Give the reason in a sentence.")
    if to_ticks(at) < closing.since:
        raise DispatchRefused(f"Carton {box.key} was closed after that moment.", action=LATER)
    check_not_moved_since([box], to_ticks(at))
    closing.until, closing.opened_by, closing.reason, closing.ended = to_ticks(at), by, reason, to_ticks(now())
    closing.save(update_fields=["until", "opened_by", "reason", "ended"])
    return box
