"""The labels of containers."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator

from trace.core.keys import code_of, label_text
from trace.engineering.moisture import BAKED_FIRST
from trace.engineering.rules import EACH
from trace.labels.label import Label
from trace.material.models import Container


def make_container_labels(containers: Iterable[Container]) -> list[Label]:
    """A label for each container (with its part, and its lot's supplier), in their order; one query for all."""
    containers = list(containers)
    received = Container.objects.filter(lot__in={one.lot_id for one in containers}, own=True).order_by("pk")
    of_lot: dict[int, list[int]] = defaultdict(list)
    for pk, lot in received.values_list("pk", "lot"):
        of_lot[lot].append(pk)
    return [
        Label(
            code_of("container", one.key),
            label_text(one.key),
            tuple(line for line in _lines(one, of_lot[one.lot_id]) if line),
        )
        for one in containers
    ]


def _lines(it: Container, of_lot: list[int]) -> Iterator[str]:
    """What somebody must see first comes first."""
    part, lot = it.part, it.lot
    yield f"{part.number} {part.revision}".strip()
    if part.moisture_level:
        life = f", {part.floor_life} h open" if part.floor_life else ""
        yield f"MSL {part.moisture_level}{life}{', bake first' * (part.moisture_level == BAKED_FIRST)}"
    yield f"Good until {lot.expiry:%Y-%m-%d}" if lot.expiry else ""
    yield f"Lot {lot.number}"
    yield f"Date code {lot.date_code}" if lot.date_code else ""
    unit = "" if part.unit_of_measure == EACH else f" {part.unit_of_measure}"
    quantity = f"{it.quantity.normalize():f}{unit or ' pieces'}" if it.quantity is not None else ""
    number = f"{it.kind} {of_lot.index(it.pk) + 1} of {len(of_lot)}" if it.pk in of_lot else it.kind
    yield f"{number}{quantity and f', {quantity}'}"
    yield part.name
    yield lot.supplier.name
