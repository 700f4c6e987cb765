"""The moves that a hold can refuse or permit, as data."""

from __future__ import annotations

from django.db.models import TextChoices


class Move(TextChoices):
    """Every kind of move in the plant; a hold refuses all but those it names."""

    START = "start", "start a step"
    FINISH = "finish", "finish a step already begun"
    LOAD = "load", "load onto a feed"
    TAKE_OFF = "take-off", "take off a feed"
    FIT = "fit", "fit into a unit"
    REMOVE = "remove", "remove from a unit"
    DIVIDE = "divide", "split, merge or make a batch"
    STORE = "store", "move to another store"
    PACK = "pack", "pack into a carton"
    UNPACK = "unpack", "take out of a carton"
    SHIP = "ship", "ship to a customer"
    RETURN = "return", "return to the supplier"
    SCRAP = "scrap", "scrap"


ALWAYS_PERMITTED = frozenset({Move.TAKE_OFF, Move.UNPACK})
"""Moves that take held material out of use: refusing them would keep it where it does harm."""
