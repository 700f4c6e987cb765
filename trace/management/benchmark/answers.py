"""The answers that every side gives in the same form, and the project's own."""

from __future__ import annotations

from trace.core.errors import Refusal
from trace.floor.models import Unit
from trace.genealogy.backward import AsBuilt, trace_backward
from trace.genealogy.forward import Population, trace_forward
from trace.genealogy.rules import Sureness
from trace.genealogy.suspicion import Suspicion
from trace.management.benchmark.history import Question

SURENESSES = tuple(Sureness)
Forward = dict[str, tuple[int, str, str]]
"""Unit key → (0 certain, 1 possible, 2 cleared; key of the outermost unit; key of the customer it went to, or none)."""
Backward = set[tuple[str, str]]
"""(unit key, key of a container that may be in it) of a unit and everything in it."""


class AnswersDiffer(Refusal):
    """Two sides answered a question differently: nothing is timed."""

    code = "answers-differ"
    action = "One of them is wrong; the differences say where to look."


def ask(question: Question) -> Population:
    """The project's answer to a question."""
    return trace_forward(
        Suspicion(frozenset(question.lots), frozenset(question.containers), frozenset(question.windows))
    )


def forward_of(population: Population) -> Forward:
    return {c.key: (SURENESSES.index(c.sureness), c.top, c.where.customer) for c in population.carriers}


def look_into(key: str) -> AsBuilt:
    """The project's answer to what is in a unit."""
    return trace_backward(Unit.objects.get(key=key))


def backward_of(built: AsBuilt) -> Backward:
    return {
        (unit.key, origin.container)
        for unit in built.walk()
        for place in unit.places
        for entry in place.standing
        for origin in entry.origins
        if origin.container
    }


def check_same(what: str, ours: Forward | Backward, theirs: Forward | Backward) -> None:
    """Refuse with AnswersDiffer, showing some of what differs."""
    if ours == theirs:
        return
    mine = set(ours.items() if isinstance(ours, dict) else ours)
    other = set(theirs.items() if isinstance(theirs, dict) else theirs)
    raise AnswersDiffer(
        f"{what}: {len(mine - other)} only the project says, such as {sorted(mine - other)[:3]}; "
        f"{len(other - mine)} only the other, such as {sorted(other - mine)[:3]}."
    )
