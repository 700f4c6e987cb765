"""How units are packed."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from trace.core.errors import Refusal
from trace.core.models import Person
from trace.engineering.models import PackingLine, Part
from trace.engineering.operations.common import changing, save_checked


class PackingRuleRefused(Refusal):
    """A product can't be packed so."""

    code = "packing-rule-refused"
    action = "Name each part once, and how many of it go into one carton."


@dataclass(frozen=True)
class PackingRow:
    """So many of a part in one carton; the product itself stands among them."""

    part: Part
    quantity: int


@changing
def set_packing(*, product: Part, rows: Sequence[PackingRow], by: Person, at: datetime) -> list[PackingLine]:
    """What belongs in a carton of a product; what was told before is replaced. Cartons that are closed stay so.

    Refuses with PackingRuleRefused what is not tracked by serial, rows without the product itself, a part named twice
    or of which less than one goes in.
    """
    if not product.serialised:
        raise PackingRuleRefused(f"{product.key} is not tracked by serial: it is packed by nothing but its count.")
    problems = [
        f"{part.key} stands there {times} times."
        for part, times in Counter(row.part for row in rows).items()
        if times > 1
    ]
    if rows and all(row.part != product for row in rows):
        problems.append(f"How many of {product.key} a carton takes is missing.")
    if problems:
        raise PackingRuleRefused(" ".join(problems))
    product.packing_lines.all().delete()
    lines = [PackingLine(product=product, part=row.part, quantity=row.quantity) for row in rows]
    for line in lines:
        save_checked(line, PackingRuleRefused)
    return lines
