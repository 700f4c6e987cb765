"""Under whose label goes what comes off a feed or out of a unit, and what stands on it still. For use in operations."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from datetime import datetime

from trace.core.errors import Refusal
from trace.core.models import Person
from trace.floor.models import Fitting, Pass, Unit
from trace.floor.when import FeedRefused
from trace.holds.gate import check_moves
from trace.holds.operations import carry_holds, list_holding
from trace.holds.rules import Move
from trace.ledger.operation import note
from trace.material.inspecting import list_unreleased
from trace.material.models import Container, Feed
from trace.material.operations.stock import explain_earlier_expiry, make_remainder
from trace.material.queries import list_giving

NEW_LABEL = "Stick a new label on it and scan that label."

Candidates = Collection[Container | None]


class WrongLabel(Refusal):
    """What comes off would be hidden under the label of something else."""

    code = "wrong-label"
    action = NEW_LABEL


def check_hidden(into: Container, candidates: Candidates, source: Feed | Unit, at: int) -> None:
    """Refuse with Held what is held, with WrongLabel what is not released, or expires before what the label says, or
    comes out of what a containment holds and may be something else than the label says."""
    others = [one for one in candidates if one and one.pk != into.pk]
    of_others = [one.lot for one in others if one.lot_id != into.lot_id]
    check_moves(Move.DIVIDE, [*others, *of_others], list_holding(into))
    if hidden := list_unreleased(of_others, at):
        raise WrongLabel(f"Lot {hidden[0].key} is not released, and {into} is of another.")
    if (others or None in candidates) and list_holding(source) - list_holding(into):
        raise WrongLabel(f"{source} is held, and so is what comes out of it.")
    for one in others:
        if wrong := explain_earlier_expiry(one, into):
            raise WrongLabel(wrong)


def hold_too(
    result: Container, candidates: Candidates, by: Person, at: datetime, source: Feed | Unit | None = None
) -> None:
    """What may be of held material is held as that is; so is what comes out of a feed or unit, its `source`, that a
    containment holds: whatever else was in there may have left the plant long ago."""
    known = [one for one in candidates if one]
    things = [*known, *(one.lot for one in known), *([source] if source else [])]
    if carried := carry_holds(things, result, result.lot, by, at):
        note(held_too=[hold.reason for hold in carried])


def label_anew(feed: Feed, label: str, candidates: Candidates, by: Person, at: datetime) -> Container:
    """A new container for it, held as what it may be of is. Refuses with FeedRefused, KeyInUse."""
    if not label:
        names = ", ".join(c.key if c else "unknown material" for c in candidates)
        raise FeedRefused(f"What is on {feed.key} may be of {names}.", action=NEW_LABEL)
    known = [c for c in candidates if c]
    if not known:
        raise FeedRefused(f"Nobody knows what is on {feed.key}.", action="Throw it away, and clear the feed.")
    result = make_remainder(label, candidates, known[0].part, by, at)
    hold_too(result, candidates, by, at, feed)
    return result


def list_in_place(unit: Unit, designator: str, standing: Fitting | None) -> list[Container]:
    """What the lot-tracked part at a designator may be of: what was fitted there, and what was drawn since."""
    if standing and standing.container:
        found = {standing.container_id: standing.container}
    elif standing and standing.feed:
        found = _giving([standing.feed], standing.first or 0, standing.last or 0)
    else:
        found = {}
    drawn = Pass.objects.filter(unit=unit, superseded=None, axis__isnull=False).exclude(drew=Pass.Drew.NONE)
    for entry in drawn.filter(ended__gte=standing.since) if standing else drawn:
        if entry.only is None or designator in entry.only:
            lines = {"lines__designator": designator, "lines__setup__axis": entry.axis_id}
            setups = {"lines__setup__assembly": unit.part_id, "lines__setup__first__lte": entry.last}
            feeds = Feed.objects.filter(**lines, **setups, lines__setup__end__gt=entry.first).distinct()
            found |= _giving(feeds, entry.first, entry.last)
    return list(found.values())


def _giving(feeds: Iterable[Feed], first: int, last: int) -> dict[int | None, Container]:
    spans = list_giving(feeds, first, last).select_related("container__lot", "container__part")
    return {span.container_id: span.container for span in spans if span.container}
