"""Where on a sequenced tape a change at a dispensing head takes effect. Pure."""

from __future__ import annotations

from collections.abc import Sequence


def board_sets_at(
    *, chain: int, distance: int, links: Sequence[int], links_per_set: int, chain_end: int | None = None
) -> tuple[int, int]:
    """(first board set that a head's next component may land in, first that it surely serves whole).

    `chain` links have passed the reference point (`chain_end` is the latest it may be, where only
    the board set was read); the head stands `distance` links upstream and serves the given `links`
    of every set. Before the first value all is old, from the second on all is new.
    """
    early = chain + distance
    late = (chain if chain_end is None else chain_end) + distance
    return (
        max(min(-((link - early) // links_per_set) for link in links), 0),
        max(max(-((link - late) // links_per_set) for link in links), 0),
    )
