"""The labels of units."""

from __future__ import annotations

from collections.abc import Iterable

from trace.core.keys import code_of, label_text
from trace.floor.models import Unit
from trace.floor.naming import list_label_codes
from trace.labels.label import Label


def make_unit_labels(units: Iterable[Unit]) -> list[Label]:
    """A label for each unit (with its part and order), in their order: the one that it has now; one query for all."""
    units = list(units)
    codes = list_label_codes(units)
    return [
        Label(
            code_of("unit", codes[one.pk]),
            label_text(codes[one.pk]),
            tuple(
                line
                for line in (
                    f"Serial {one.key}" if codes[one.pk] != one.key else "",
                    f"{one.part.number} {one.part.revision}".strip(),
                    one.part.name,
                    f"Order {one.order.key}",
                )
                if line
            ),
        )
        for one in units
    ]
