"""The hold gate: no move passes a hold that was placed before it, and none slips past its placing.

On PostgreSQL a moving operation's first statement takes a transaction advisory lock, shared;
placing a hold takes it exclusively. Holds are read in a later statement under READ COMMITTED, so
the reader sees every hold whose placing has ended, and no placing runs while a mover is under way.
Measured: checking alone, or checking and then locking, leaks. On SQLite a writing transaction is
IMMEDIATE, hence alone, and the check inside it is enough.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable
from typing import Any

from django.db import connection
from django.db.models import Model

from trace.core.errors import Kind, Refusal
from trace.holds.models import Hold
from trace.holds.queries import list_refusing
from trace.holds.rules import ALWAYS_PERMITTED, Move
from trace.ledger.canonical import subject_of
from trace.ledger.operation import operation

GATE = 0x747261636521
"""The advisory lock's number."""


class Held(Refusal):
    """A hold refuses this move."""

    code = "held"
    kind = Kind.LOCKED
    action = "Put it aside, marked, and call the quality engineer."


def _take(function: str) -> None:
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute(f"SELECT {function}(%s), current_setting('transaction_isolation')", [GATE])
            (_, isolation) = cursor.fetchone()
        if isolation != "read committed":
            raise RuntimeError(f"operations need READ COMMITTED, not {isolation}")


def take_shared() -> None:
    """As a mover: wait for holds being placed, then keep new ones waiting until the move is in."""
    _take("pg_advisory_xact_lock_shared")


def take_exclusive() -> None:
    """As the placer of a hold: wait for every move under way, then keep new ones waiting."""
    _take("pg_advisory_xact_lock")


moving: Callable[..., Any] = operation(gate=take_shared)
"""Decorator of every operation that moves material or units."""

holding: Callable[..., Any] = operation(gate=take_exclusive)
"""Decorator of the operations that place or release holds."""


def check_moves(move: Move, things: Iterable[Model | None], besides: Collection[str] = ()) -> None:
    """Refuse with Held when an open hold on any of these things does not permit the move; `besides` are containments
    whose holds refuse nothing here, by their keys: what comes to the things is held under them too.

    For use inside a moving operation, after its row locks. One query, whatever the number.
    """
    if held := [hold for hold in find_holds(move, things) if hold.under not in besides]:
        raise Held(
            f"Stop. {held[0].sentence}",
            move=move.value,
            holds=[f"{hold.target_kind}:{hold.target_key}" for hold in held],
        )


def find_holds(move: Move, things: Iterable[Model | None]) -> list[Hold]:
    """The open holds on these things that refuse the move, and whose signed disposition does not permit it."""
    if move in ALWAYS_PERMITTED:
        return []
    wanted = {subject_of(thing) for thing in things if thing is not None}
    if not wanted:
        return []
    open_holds = Hold.objects.filter(
        released=None,
        target_kind__in={kind for kind, _ in wanted},
        target_key__in={key for _, key in wanted},
    ).order_by("id")
    named = [hold for hold in open_holds if (hold.target_kind, hold.target_key) in wanted]
    return list_refusing(move, [hold for hold in named if move.value not in hold.permits])
