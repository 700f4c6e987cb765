"""What is on a shipment, carton by carton: for its packing list and its pages."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

from django.db.models import F, Q

from trace.engineering.models import Part
from trace.floor.models import Carton, Packing, Shipment
from trace.floor.packing import find_closings, find_pallets


@dataclass(frozen=True)
class PackedLine:
    """Of one carton, what is in it of one part: units by their serials, or so many that have none. `pallet` is empty
    where the carton goes alone."""

    pallet: str
    carton: str
    part: Part
    serials: tuple[str, ...]
    quantity: int


def list_cartons_on(shipment: Shipment) -> list[Carton]:
    """The cartons on a shipment, in the order of their keys."""
    return list(Carton.objects.filter(consignments__shipment=shipment, consignments__until=None).order_by("key"))


def list_packed(cartons: Sequence[Carton]) -> list[PackedLine]:
    """What is in these cartons: pallet by pallet, then what goes without; carton by carton; units before what was
    counted in with them. What left in a carton that was shipped stays on its list, whatever came back. Five queries,
    whatever their number."""
    pallets, closings = find_pallets(cartons), find_closings(cartons)
    serials: dict[int, dict[Part, list[str]]] = defaultdict(lambda: defaultdict(list))
    gone = "carton__consignments__shipment__departed"
    left = Q(carton__consignments__until=None, since__lte=F(gone), until__gte=F(gone))
    packings = Packing.objects.filter(Q(until=None) | left, carton__in=cartons).select_related("unit__part")
    for packing in packings.order_by("unit__key").distinct():
        there = serials[packing.carton_id][packing.unit.part]
        if packing.unit.key not in there:  # its return was voided
            there.append(packing.unit.key)
    told = {key for closing in closings.values() for key, _ in closing.contents}
    parts = {part.key: part for part in Part.objects.filter(key__in=told)}
    lines = []
    for carton in cartons:
        pallet = pallets[carton.pk].key if carton.pk in pallets else ""
        for part in sorted(serials[carton.pk], key=lambda part: part.key):
            keys = tuple(serials[carton.pk][part])
            lines.append(PackedLine(pallet, carton.key, part, keys, len(keys)))
        if closing := closings.get(carton.pk):
            lines += [PackedLine(pallet, carton.key, parts[key], (), number) for key, number in closing.contents]
    return sorted(lines, key=lambda line: (not line.pallet, line.pallet, line.carton))
