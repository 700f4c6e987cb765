"""What is still open in a containment."""

from __future__ import annotations

from typing import NamedTuple

from trace.containment.holding import list_holds, list_scrapped_tapes, list_to_hold
from trace.containment.models import Containment
from trace.containment.shipped import list_not_told
from trace.genealogy.forward import Population
from trace.genealogy.whereabouts import Place


class OpenPoint(NamedTuple):
    """Something that is not done: the key of the thing or customer, and a sentence."""

    key: str
    words: str


def list_open(containment: Containment, population: Population, now: int) -> list[OpenPoint]:
    """What is left to do, by the population as reckoned at a moment: what is held still (not a tape that is scrapped,
    which stays so), what carries the suspect in the plant and is not held, customers with units of which they were not
    told."""
    held = list_holds(containment).filter(released=None).values_list("target_kind", "target_key")
    over = list_scrapped_tapes(containment)
    found = [
        OpenPoint(key, f"{kind.capitalize()} {key} is held still.") for kind, key in held if (kind, key) not in over
    ]
    unheld = list_to_hold(containment, population, now)
    found += [OpenPoint(key, f"{kind.capitalize()} {key} is in the population and not held.") for kind, key in unheld]
    gone = {(top.where.customer, top.unit) for top in population.carrying() if top.where.kind == Place.SHIPPED}
    for customer, number in sorted(list_not_told(containment, gone).items()):
        units = f"{number} unit{'' if number == 1 else 's'}"
        found.append(OpenPoint(customer, f"No notice of {units} shipped to {customer} has gone out."))
    return found
