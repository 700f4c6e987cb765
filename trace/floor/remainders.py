"""What comes off a feed, under whose label. For use inside operations."""

from __future__ import annotations

from collections.abc import Collection
from datetime import datetime

from trace.core.models import Person
from trace.floor.when import FeedRefused
from trace.holds.gate import check_moves
from trace.holds.operations import carry_holds
from trace.holds.rules import Move
from trace.ledger.operation import note
from trace.material.inspecting import list_unreleased
from trace.material.models import Container, Feed
from trace.material.operations.stock import explain_earlier_expiry, make_remainder

NEW_LABEL = "Stick a new label on it and scan that label."

Candidates = Collection[Container | None]


def check_into(feed: Feed, into: Container, candidates: Candidates, happened: int) -> None:
    """Refuse what would be hidden under a label that it does not belong to: with Held what is held, with FeedRefused
    another part, what is not released, and what expires before the lot on that label."""
    if into.gone is not None or any(c and c.part_id != into.part_id for c in candidates):
        raise FeedRefused(f"What is on {feed.key} does not belong in {into.key}.")
    others = [one for one in candidates if one and one.pk != into.pk]
    check_moves(Move.DIVIDE, [*others, *(one.lot for one in others if one.lot_id != into.lot_id)])
    if hidden := list_unreleased([one.lot for one in others if one.lot_id != into.lot_id], happened):
        raise FeedRefused(f"Lot {hidden[0].key} is not released, and {into} is of another.", action=NEW_LABEL)
    for one in others:
        if wrong := explain_earlier_expiry(one, into):
            raise FeedRefused(wrong, action=NEW_LABEL)


def label_anew(feed: Feed, label: str, candidates: Candidates, by: Person, at: datetime) -> Container:
    """A new container for it, held as what it may be of is. Refuses with FeedRefused, KeyInUse."""
    if not label:
        names = ", ".join(c.key if c else "unknown material" for c in candidates)
        raise FeedRefused(f"What is on {feed.key} may be of {names}.", action=NEW_LABEL)
    known = [c for c in candidates if c]
    if not known:
        raise FeedRefused(f"Nobody knows what is on {feed.key}.", action="Throw it away, and clear the feed.")
    result = make_remainder(label, candidates, known[0].part, by, at)
    if carried := carry_holds([*known, *(c.lot for c in known)], result, result.lot, by, at):
        note(held_too=[hold.reason for hold in carried])
    return result
