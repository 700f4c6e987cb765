"""How the spans of a feed follow from what was done at it and what was drawn from it.

Pure: no database, no clock. The axis is physical order; records may arrive late and in any order,
so a feed is always reckoned from its records, never patched.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from trace.core.clock import OPEN
from trace.material.facts import BY_DRAWS, EMPTIES, PUTS_ON, STAYS, Draw, Reckoning, Record, SpanFacts, with_oldest


@dataclass
class _Candidate:
    """A container (None: unknown) on the feed, and the records that may end it."""

    container: int | None
    placed: Record
    start: int
    vacant: bool = False
    ends: list[tuple[int, Record]] = field(default_factory=list)
    used_up: int = OPEN

    def end(self, before: Record | None = None, order: dict[int, int] | None = None) -> int:
        """Where it ends; with `before`, leaving out that record and those after it."""
        ends = [
            position
            for position, record in self.ends
            if before is None or order is None or order[record.id] < order[before.id]
        ]
        return min([*ends, self.used_up, OPEN])


_OPENING = Record(id=0, act="opening", container=None, first=0, last=0)


def reckon(
    records: Iterable[Record],
    draws: Sequence[Draw] = (),
    *,
    on_clock: bool = False,
    places: int = 1,
) -> Reckoning:
    """The spans of a feed from all its records and, where an act counts them, its draws.

    `on_clock`: positions are microseconds. `places`: designators the feed serves at one position;
    a place filled by hand takes the position from the others only where it is the only one.
    The rules are in words in DEVELOPERS.md: a feed opens with unknown; what is put on starts at the
    earliest position it may have reached; what was there ends at the latest; records whose order is
    not known end neither.
    """
    ordered = sorted(records, key=_in_order)
    order = {record.id: index for index, record in enumerate(ordered)}
    candidates = [_Candidate(None, _OPENING, 0)]
    by_hand = []  # never lies on the feed: nothing done there ends it, nor does it come off
    waiting: list[Record] = []
    tangled = _tangled(ordered)
    bound: int | None = None
    bound_at = 0

    for record in ordered:
        earlier = [c for c in candidates if c.placed.before(record)]
        match record.act:
            case "load" | "found" | "clear" | "take-off":
                _end(earlier, record, record.last)
                bound, bound_at = record.quantity, record.last
                waiting = [r for r in waiting if not r.before(record)]
            case "splice":
                start, end = _splice(record, draws)
                if any(r.act == "top-up" and not r.before(record) for r in ordered[: order[record.id]]):
                    start, end = record.first, OPEN  # perhaps poured on after it was spliced
                elif start >= OPEN - 1 or end == OPEN:
                    waiting.append(record)
                _end(earlier, record, end)
                candidates.append(_Candidate(record.container, record, start))
                bound = None if bound is None or record.quantity is None else bound + record.quantity
            case "top-up":
                _end([c for c in earlier if c.vacant], record, record.last)
                _mix_splices(candidates, record)
                bound = None if record.id in tangled else _bound_after(record, earlier, bound, bound_at, draws)
                bound_at = record.last
                candidates.append(_Candidate(record.container, record, record.first))
                used_up = OPEN if bound is None else _used_up(bound, record.last, draws)
                waiting = [record] if bound is not None and used_up == OPEN else []
                for candidate in candidates:
                    if not candidate.vacant and candidate.end() > record.first:
                        candidate.used_up = used_up
            case "charge":
                _end([c for c in earlier if c.vacant], record, record.last)
            case "dump" if record.cleaned:
                _end(earlier, record, record.last)
            case "seen-away" if away := _left_since(record, ordered, order):
                hung = [c for c in candidates if c.container == record.container and c.placed.act in STAYS]
                _end([c for c in hung if c.placed is away or c.placed.before(away)], record, record.last)
                candidates += _join_unknown(away, record, ordered[: order[record.id]], draws)
                bound = None
        bound = None if record.id in tangled else bound
        since = _since(record, ordered)
        if record.act in PUTS_ON - BY_DRAWS:
            candidates.append(_Candidate(record.container, record, since))
        if (exhausted := _exhausted(record, ordered, order, draws)) and record.id not in tangled:
            early, late, following = exhausted
            if late == OPEN and following is None:
                waiting.append(record)
            if following is None or late <= following.first:
                _end([c for c in candidates if not c.vacant], record, late)
            if early < _given_from(following, late, draws):
                candidates.append(_Candidate(None, record, early))
                bound = None
        if record.act == "hand-fill":
            by_hand.append(_Candidate(record.container, record, record.first, ends=[(record.last + 1, record)]))
        if record.act == "found":
            candidates.append(_Candidate(None, record, since))
            candidates[-1].ends.append((record.last, record))
        if record.act in ("clear", "take-off") or record.act == "dump" and record.cleaned:
            candidates.append(_Candidate(None, record, record.first, vacant=True))

    candidates += _unknown_after_use(candidates, ordered, order)
    spans = [span for c in [*candidates, *by_hand] for span in _spans(c, ordered, on_clock)]
    if places == 1:
        spans = _cut_out_hand_fills(spans, ordered)
    return Reckoning(
        list(with_oldest(sorted(spans, key=lambda s: (s.first, s.end, s.container or 0)))),
        {
            record.id: _taken_off(record, candidates, order)
            if record.act == "take-off"
            else _gone_with(record, candidates, ordered, order)
            for record in ordered
            if record.act in ("take-off", "seen-away")
        },
        settled=not waiting,
    )


def _in_order(record: Record) -> tuple[int, ...]:
    """What was seen away is judged when it was seen: all that is known of the place before counts."""
    first = record.last if record.act == "seen-away" else record.first
    return first, record.last, record.happened, record.id


def _taken_off(record: Record, candidates: Sequence[_Candidate], order: dict[int, int]) -> set[int | None]:
    """What may have been in the place when all of it was taken off."""
    return {
        c.container
        for c in candidates
        if not c.vacant
        and c.placed is not record
        and not (order.get(c.placed.id, -1) > order[record.id] and record.before(c.placed))
        and c.end(record, order) > record.first
    }


def _left_since(record: Record, ordered: Sequence[Record], order: dict[int, int]) -> Record | None:
    """The record of a container since which it may have left, None where what was done then explains that
    it was seen away."""
    before = ordered[: order[record.id]]
    last = next((r for r in reversed(before) if r.container == record.container and r.act in STAYS), None)
    if last is None:
        return None
    emptied = (r for r in before if r.act in EMPTIES and r.act != "found" and r.perhaps_done_before(record))
    return None if any(order[last.id] < order[r.id] and last.before(r) for r in emptied) else last


def _join_unknown(since: Record, seen: Record, before: Sequence[Record], draws: Sequence[Draw]) -> list[_Candidate]:
    """What may have been put in the place of a container that left since a record of it; none where
    something was found there, which has its own unknown before it."""
    unknown = _Candidate(None, since, since.first)
    for record in before[before.index(since) + 1 :]:
        if since.before(record):
            if record.act == "splice":
                unknown.ends.append((_splice(record, draws)[1], record))
            elif record.act == "found" and record.last <= seen.last:
                return []
            elif record.act in EMPTIES:
                unknown.ends.append((record.last, record))
    return [unknown]


def _gone_with(
    record: Record, candidates: Sequence[_Candidate], ordered: Sequence[Record], order: dict[int, int]
) -> set[int | None]:
    """What a container that left unseen may have taken along: whatever else was in the place since."""
    since = _left_since(record, ordered, order)
    if since is None:
        return set()
    return {
        c.container
        for c in candidates
        if not c.vacant
        and c.placed is not since
        and not any(
            r.act in EMPTIES and (r is since or (order[r.id] < order[since.id] and r.before(since))) for _, r in c.ends
        )
        and c.end(record, order) > since.first
        and order.get(c.placed.id, -1) < order[record.id]
        and not (c.placed.act in EMPTIES and order[since.id] < order[c.placed.id] and since.before(c.placed))
    }


def _since(record: Record, ordered: Sequence[Record]) -> int:
    """The earliest position at which something was there. What is found came some time after the last
    thing known before, which may have been as early as its range allows."""
    if record.act != "found":
        return record.first
    shown = [r for r in ordered if r is not record and r.act in STAYS | EMPTIES and r.last == record.first]
    # A splice shows what hung there before it only where nothing else does.
    return max(shown, key=lambda r: (r.act != "splice", r.first), default=record).first


def _tangled(ordered: Sequence[Record]) -> set[int]:
    """Ids of the records whose order to another is not known: no count holds across them."""
    tangled: set[int] = set()
    reaching: Record | None = None
    for record in ordered:
        if record.act in ("sighting", "seen-away"):
            continue
        if reaching and not reaching.before(record):
            tangled |= {reaching.id, record.id}
        if reaching is None or reaching.before(record) or record.last > reaching.last:
            reaching = record
    return tangled


def _end(candidates: Iterable[_Candidate], record: Record, position: int) -> None:
    for candidate in candidates:
        candidate.ends.append((position, record))


def _nth(draws: Iterable[tuple[int, int]], wanted: int) -> int:
    """Position of the `wanted`-th part among (position, count) pairs; OPEN when there are fewer."""
    seen = 0
    for position, count in sorted(draws):
        seen += count
        if seen >= wanted:
            return position
    return OPEN


def _splice(record: Record, draws: Sequence[Draw]) -> tuple[int, int]:
    """(earliest position of the new, end of the old) by the lead and its tolerance.

    The new may come with the (lead - tolerance + 1)th possible draw, each counted at its earliest;
    the old is through when lead + tolerance sure draws that began after the splice are past.
    """
    wanted = record.lead - record.tolerance + 1
    possible = ((max(d.first, record.first), d.count) for d in draws if d.last >= record.first)
    start = record.first if wanted <= 0 else _nth(possible, wanted)
    end = _used_up(record.lead + record.tolerance, record.last, draws)
    return min(start, end, OPEN - 1), end


def _mix_splices(candidates: Iterable[_Candidate], pour: Record) -> None:
    """A pour mixes all that lies there: no lead holds any longer for what had not come to its end or its start."""
    for candidate in candidates:
        candidate.ends = [(at, record) for at, record in candidate.ends if record.act != "splice" or at <= pour.first]
        if candidate.placed.act == "splice":
            candidate.start = min(candidate.start, max(candidate.placed.first, pour.first))


def _used_up(parts: int, since: int, draws: Sequence[Draw]) -> int:
    """The first position by which `parts` sure draws that began at or after `since` are past."""
    if parts == 0:
        return since
    past = _nth(((d.last, d.count) for d in draws if d.sure and d.first >= since and d.last < OPEN), parts)
    return past if past == OPEN else past + 1


def _exhausted(
    record: Record, ordered: Sequence[Record], order: dict[int, int], draws: Sequence[Draw]
) -> tuple[int, int, Record | None] | None:
    """(where the place may first give something else, where what was counted is surely used up, what was
    done there next), None where this record counted nothing.

    A splice knows what was left before it by its lead. What nobody counted from below is taken to last
    until it is surely used up; a count of what is found holds from the finding.
    """
    if record.quantity is None or record.act not in ("load", "found", "splice"):
        return None
    late = _used_up(record.lead + record.tolerance + record.quantity, record.last, draws)
    early = late
    if record.at_least is not None:
        since = record.last if record.act == "found" else record.first
        possible = ((max(d.first, since), d.count) for d in draws if d.last >= since)
        early = min(_nth(possible, max(record.lead - record.tolerance, 0) + record.at_least + 1), late)
    later = ordered[order[record.id] + 1 :]
    return early, late, next((r for r in later if r.act in EMPTIES | PUTS_ON), None)


def _given_from(following: Record | None, late: int, draws: Sequence[Draw]) -> int:
    """By where what was done next at a place gives. A splice comes with its lead also where a count says that nothing
    was left: something was still there."""
    if following and following.act == "splice" and late <= following.first:
        return max(_splice(following, draws)[0], following.last)
    return following.last if following else OPEN


def _bound_after(
    record: Record,
    earlier: Sequence[_Candidate],
    bound: int | None,
    bound_at: int,
    draws: Sequence[Draw],
) -> int | None:
    """The most that can be in the place after a pour, None where nothing bounds it.

    A place that a count called empty before, and that gave on, is not bounded until it is emptied.
    """
    on = [c for c in earlier if c.end() > record.first and not c.vacant]
    ran_out = any(c.used_up <= record.first and all(position > record.first for position, _ in c.ends) for c in earlier)
    if record.quantity is None or ran_out:
        return None
    if record.left is not None:
        return record.left + record.quantity
    if not on:
        return record.quantity
    if bound is None:
        return None
    used = sum(d.count for d in draws if d.sure and d.first >= bound_at and d.last < record.first)
    return max(bound - used, 0) + record.quantity


def _unknown_after_use(
    candidates: Sequence[_Candidate], ordered: Sequence[Record], order: dict[int, int]
) -> list[_Candidate]:
    """Where a count says that all must be used, unknown follows until the place is emptied."""
    found = []
    for position in {c.used_up for c in candidates if c.used_up < OPEN and c.end() == c.used_up}:
        last = max((c.placed for c in candidates if c.used_up == position), key=lambda r: order.get(r.id, -1))
        unknown = _Candidate(None, last, position)
        for record in ordered[order.get(last.id, -1) + 1 :]:
            if record.act in EMPTIES and record.last > position:
                unknown.ends.append((record.last, record))
        found.append(unknown)
    return found


def _spans(candidate: _Candidate, ordered: Sequence[Record], on_clock: bool) -> list[SpanFacts]:
    start, end = candidate.start, candidate.end()
    if end <= start:
        return []
    placed = candidate.placed
    since, until = (placed.first, end) if on_clock else _moments(candidate, ordered)
    if placed.act != "charge":
        return [SpanFacts(start, end, candidate.container, None, since, max(until, since))]
    sure_from, sure_end = _sureness(placed, ordered, end)
    pieces = [(start, sure_from, sure_end), (sure_end, None, end)] if sure_from is not None else [(start, None, end)]
    return [
        SpanFacts(first, stop, candidate.container, sure, since, max(until, since))
        for first, sure, stop in pieces
        if stop > first
    ]


def _moments(candidate: _Candidate, ordered: Sequence[Record]) -> tuple[int, int]:
    """(since, until) on the clock, where positions are not moments: a record at an exact position
    tells its own moment, one within a range no more than the record before it."""
    placed = candidate.placed
    if placed.first == placed.last:
        known = [placed.happened - placed.error]
    else:
        known = [r.happened - r.error for r in ordered if r is not placed and r.before(placed)]
    since = max([0, *known]) if placed is not _OPENING else 0
    return since, min(
        [r.happened + r.error for _, r in candidate.ends if r.act != "splice" and r is not placed] + [OPEN]
    )


def _sureness(charge: Record, ordered: Sequence[Record], end: int) -> tuple[int | None, int]:
    """(position from which a charge is surely in the bath or None, position at which that ends).

    Any dump ends it, a heel or not; a charge whose order to a dump is unknown is never sure.
    """
    sure_end = end
    for record in ordered:
        if record.act == "dump" and not record.before(charge):
            if not charge.before(record):
                return None, end
            sure_end = min(sure_end, record.first)
    return (charge.last, sure_end) if charge.last < sure_end else (None, end)


def _cut_out_hand_fills(spans: Sequence[SpanFacts], ordered: Sequence[Record]) -> list[SpanFacts]:
    """Take exactly known hand-filled positions out of every other container's spans."""
    filled = {r.first: r.container for r in ordered if r.act == "hand-fill" and r.first == r.last}
    pieces = list(spans)
    for position, container in filled.items():
        cut = []
        for span in pieces:
            if span.container == container or not span.first <= position < span.end:
                cut.append(span)
                continue
            for first, end in ((span.first, position), (position + 1, span.end)):
                if end > first:
                    cut.append(SpanFacts(first, end, span.container, span.sure_from, span.since, span.until))
        pieces = cut
    return pieces
