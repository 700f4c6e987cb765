"""Dispositions as pages show them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from django.db.models import Count
from django.urls import reverse

from trace.holds.models import Decision, Disposition, DispositionMember
from trace.holds.queries import find_state
from trace.holds.rules import Move
from trace.web.cells import Link, Mark, Moment, Ref, Several, kind_words
from trace.web.tables import Column, Table


def moves_words(moves: Iterable[str]) -> str:
    """Moves in words."""
    return ", ".join(Move(move).label for move in moves)


def dispositions_table(dispositions: Sequence[Disposition], title: str = "Dispositions") -> Table:
    """What was decided, and how it stands with it."""
    members = DispositionMember.objects.filter(disposition__in=[one.pk for one in dispositions])
    things = dict(members.values_list("disposition").annotate(Count("pk")))

    def of(one: Disposition) -> Several:
        number = things.get(one.pk)
        also = f"({number} thing{'s' * (number != 1)} of it)" if number else ""
        return Several((kind_words(one.target_kind), Ref(one.target_kind, one.target_key), also), " ")

    return Table(
        "dispositions",
        title,
        [
            Column("key", "Number", lambda one: Ref("disposition", one.key)),
            Column("of", "Of", of),
            Column("decision", "Decision", lambda one: one.get_decision_display(), choose=True),
            Column("state", "State", lambda one: Mark(find_state(one)), choose=True),
            Column("reason", "Reason", lambda one: one.reason),
            Column("decided", "Decided", lambda one: Moment.of(one.decided)),
            Column("by", "By", lambda one: Ref("person", one.decided_by.key, one.decided_by.name)),
        ],
        dispositions,
        "Nothing was decided yet.",
    )


def count_things(disposition: Disposition) -> str:
    """Of how many things of each kind it decides, in words."""
    kinds = disposition.members.order_by("kind").values_list("kind").annotate(Count("pk"))
    return ", ".join(f"{number} {kind_words(kind)}{'s' * (number != 1)}" for kind, number in kinds)


def members_table(disposition: Disposition) -> Table:
    """What a disposition decides of, where that is several things: whoever approves it reads them."""

    def scrap(one: DispositionMember) -> Link | str:
        return Link("scrap it", reverse("scrap-unit", args=[one.key]), f"Scrap {one.key}") if one.kind == "unit" else ""

    return Table(
        "members",
        "What it decides of",
        [
            Column("kind", "Kind", lambda one: kind_words(one.kind), "kind", choose=True),
            Column("key", "Which", lambda one: Ref(one.kind, one.key), "key"),
            *([Column("scrap", "Its record", scrap)] if disposition.decision == Decision.SCRAP else []),
        ],
        disposition.members.order_by("kind", "key"),
        "It decides of nothing.",
        search=("key",),
    )
