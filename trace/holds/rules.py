"""The moves that a hold can refuse or permit, as data."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping

from django.db.models import TextChoices

from trace.holds.models import Decision
from trace.ledger.canonical import canonical


class Move(TextChoices):
    """Every kind of move in the plant; a hold refuses all but those it names."""

    START = "start", "start a step"
    FINISH = "finish", "finish a step already begun"
    LOAD = "load", "load onto a feed"
    TAKE_OFF = "take-off", "take off a feed"
    FIT = "fit", "fit into a unit"
    REMOVE = "remove", "remove from a unit"
    REPAIR = "repair", "repair"
    DIVIDE = "divide", "split, merge or make a batch"
    STORE = "store", "move to another store"
    PACK = "pack", "pack into a carton"
    UNPACK = "unpack", "take out of a carton, off a pallet or a shipment"
    SHIP = "ship", "stack on a pallet, load, ship to a customer"
    RETURN = "return", "return to the supplier"
    SCRAP = "scrap", "scrap"


ALWAYS_PERMITTED = frozenset({Move.TAKE_OFF, Move.UNPACK})
"""Moves that take held material out of use: refusing them would keep it where it does harm."""


_WORK = (Move.START, Move.FINISH, Move.REPAIR, Move.REMOVE, Move.FIT, Move.STORE)

PERMITS: Mapping[Decision, tuple[Move, ...]] = {
    Decision.USE_AS_IS: tuple(move for move in Move if move not in (Move.RETURN, Move.SCRAP)),
    Decision.REWORK: _WORK,
    Decision.REPAIR: _WORK,
    Decision.SCRAP: (Move.SCRAP, Move.REMOVE, Move.STORE),
    Decision.RETURN: (Move.RETURN, Move.STORE),
    Decision.SORT: (Move.START, Move.FINISH, Move.REPAIR, Move.DIVIDE, Move.STORE),
}
"""The moves that a decision permits although what it is about is held: once it is approved."""

GOES_ON = (Decision.USE_AS_IS, Decision.REWORK, Decision.REPAIR)
"""Decisions after which a unit that failed too often may be tried once more."""


def digest_members(members: Iterable[tuple[str, str]]) -> str:
    """The SHA-256 of the things (kind, key) of which a disposition decides together."""
    return hashlib.sha256(canonical(sorted(members)).encode()).hexdigest()
