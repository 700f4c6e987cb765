"""How many parts a container brings onto a feed. For use inside operations."""

from __future__ import annotations

from django.db.models import Q

from trace.floor.models import Fitting, Salvage
from trace.floor.when import FeedRefused
from trace.material.models import Container, Derivation, FeedRecord

MOST_PARTS = 2**31 - 1


def check_counts(**counts: int | None) -> None:
    """Refuse with FeedRefused counts that can't be, alone or together."""
    for what, count in counts.items():
        if count is not None and not 0 <= count <= MOST_PARTS:
            name = what.replace("_", " ").capitalize()
            raise FeedRefused(f"{name} can't be {count}.", action="Enter how many parts.")
    least, most = counts.get("at_least"), counts.get("quantity")
    if least is not None and (most is None or least > most):
        raise FeedRefused(f"At least {least} parts, and at most {most}, can't both be.", action="Enter both counts.")


def count_on_label(container: Container) -> dict[str, int | None]:
    """What a container brings on by its own count: nothing unless somebody said within how much it is
    known, and it is whole. What is left of one that was used is not on its label."""
    count, within = container.quantity, container.tolerance
    if count is None or not within or not container.own or int(count) != count or int(within) != within:
        return {}
    used = (
        FeedRecord.objects.filter(container=container, superseded=None).exclude(act=FeedRecord.Act.SIGHTING),
        Derivation.objects.filter(Q(source=container) | Q(result=container), superseded=None),
        Fitting.objects.filter(container=container, superseded=None),
        Salvage.objects.filter(result=container, superseded=None),
    )
    if any(rows.exists() for rows in used):
        return {}
    return {"quantity": int(count + within), "at_least": max(int(count - within), 0)}
