"""What the terms of a suspicion select together, and what each adds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import reduce
from operator import or_

from trace.containment.models import Join
from trace.containment.terms import Telling, resolve_term
from trace.core.clock import OPEN
from trace.genealogy.combined import trace_combined
from trace.genealogy.forward import Population, summarise_population, trace_forward
from trace.genealogy.stock import list_stock
from trace.genealogy.suspicion import Suspicion


@dataclass(frozen=True)
class Added:
    """What one term alone selects: outermost units by sureness, and pieces of stock."""

    term: Telling
    certain: int
    possible: int
    cleared: int
    stock: int


def trace_terms(terms: Sequence[tuple[str, Telling]], at: int = OPEN) -> Population:
    """What the terms select together, each with how it is joined: every unit that carries any of the terms joined with
    any, and all of those joined with all, less what is excepted, as of a moment (microseconds). Without a term that
    suspects something there is none.

    Those joined with any are judged as one suspicion: a change nobody timed between two of them is certain. How all
    and except are meant says `trace_combined`. Refuses with BadTerm.
    """
    by_join: dict[str, list[Suspicion]] = {join: [] for join in Join.values}
    for joined, term in terms:
        by_join[joined].append(resolve_term(term))
    together = by_join[Join.ANY]
    required = [*([reduce(or_, together)] if together else []), *by_join[Join.ALL]]
    return trace_combined(required, by_join[Join.EXCEPT], at) if required else trace_forward(Suspicion(), at)


def trace_each(terms: Sequence[Telling], at: int = OPEN) -> list[Added]:
    """What each term alone selects, in their order, as of a moment. Refuses with BadTerm."""
    found = []
    for term in terms:
        population = trace_forward(resolve_term(term), at)
        counts = summarise_population(population)
        stock = len(list_stock(population.evidence, at))
        found.append(Added(term, counts.certain, counts.possible, counts.cleared, stock))
    return found
