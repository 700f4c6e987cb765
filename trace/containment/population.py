"""The population of an alarm: what its terms select, less what a sort test cleared."""

from __future__ import annotations

from dataclasses import replace

from trace.containment.joining import trace_terms
from trace.containment.models import Clearing, Containment, Join, Snapshot, Term
from trace.core.clock import OPEN
from trace.core.errors import NotFound
from trace.genealogy.forward import Carrier, Population
from trace.genealogy.rules import Sureness

SORTED = ("sorted",)
"""Why a unit is cleared that a sort test cleared."""


def get_containment(key: str) -> Containment:
    """The containment of a key. Refuses with NotFound."""
    found = Containment.objects.select_related("opened_by", "closed_by").filter(key=key).first()
    if found is None:
        raise NotFound(f"There is no containment {key[:60]}.", action="Look for it in the list of containments.")
    return found


def find_latest(containment: Containment) -> Snapshot | None:
    """The last snapshot that was kept."""
    return containment.snapshots.order_by("number").last()


def list_terms(containment: Containment) -> list[tuple[Join, Term]]:
    """The terms that count, in order, each with how it is joined."""
    return [(Join(term.joined), term) for term in containment.terms.filter(removed=None).order_by("number")]


def reckon(containment: Containment, at: int = OPEN) -> Population:
    """The population as the ledger has it now, as of a moment (microseconds). What a sort test cleared is cleared
    with all that is inside it; what it is itself in is not, before that is tested too."""
    population = trace_terms(list_terms(containment), at)
    cleared = set(
        Clearing.objects.filter(containment=containment, superseded=None, cleared__lte=at).values_list(
            "unit__key", flat=True
        )
    )
    if not cleared:
        return population
    carriers = tuple(
        carrier._replace(sureness=Sureness.CLEARED, reasons=SORTED)
        if carrier.key in cleared or carrier.top in cleared
        else carrier
        for carrier in population.carriers
    )
    return replace(population, carriers=carriers)


def was_sorted(carrier: Carrier) -> bool:
    """Whether a sort test cleared it: it was good all the time, unlike what was reworked."""
    return carrier.reasons == SORTED
