"""What may come out of one feed, by the rules of DEVELOPERS.md, position by position. Part of the oracle."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

OPEN = 2**53 - 1

EMPTIED = ("load", "found", "clear", "take-off")


@dataclass(frozen=True)
class Act:
    """What was done at a feed, somewhere in `first..last` of its axis."""

    number: int
    kind: str
    container: str | None
    first: int
    last: int
    happened: int
    lead: int = 0
    tolerance: int = 0
    counted: int | None = None
    """Top-up: parts left over and poured, at most; None where nobody counted."""
    cleaned: bool = False

    def before(self, other: Act) -> bool:
        """Whether it surely came first."""
        return self.last <= other.first


@dataclass(frozen=True)
class Part:
    """One part drawn, somewhere in `first..last`, surely or perhaps."""

    first: int
    last: int
    sure: bool


@dataclass
class Put:
    """Something that may be in the place from a position to another; `since..until` on the clock."""

    container: str | None
    act: Act | None
    start: int
    hard_end: int = OPEN
    limit: int = OPEN
    vacancy: bool = False
    since: int = 0
    until: int = OPEN
    sure_from: int | None = None
    sure_end: int = OPEN

    @property
    def end(self) -> int:
        return min(self.hard_end, self.limit)


@dataclass
class FeedLog:
    """The acts at one feed and the parts drawn from it."""

    on_clock: bool = True
    kind: str = "slot"
    fitting: set[str] = field(default_factory=set)
    acts: list[Act] = field(default_factory=list)
    parts: list[Part] = field(default_factory=list)
    board_sets: int = 0
    per_set: int = 1

    def board_set_parts(self) -> list[Part]:
        return [Part(k, k, True) for k in range(self.board_sets) for _ in range(self.per_set)]

    @property
    def containers(self) -> set[str | None]:
        return {act.container for act in self.acts}

    @cached_property
    def ordered(self) -> list[Act]:
        return sorted(self.acts, key=lambda a: (a.first, a.last, a.happened, a.number))

    def candidates(self, position: int) -> list[Put]:
        """What may be drawn at a position."""
        return [put for put in self.puts if put.start <= position < put.end]

    def surely_in(self, position: int) -> set[str]:
        """Charges of a bath that surely are in every part of it."""
        return {
            put.container
            for put in self.candidates(position)
            if put.container and put.sure_from is not None and put.sure_from <= position < put.sure_end
        }

    @cached_property
    def changes(self) -> list[int]:
        found = {0}
        for put in self.puts:
            found |= {put.start, put.end, put.sure_end} | ({put.sure_from} if put.sure_from is not None else set())
        return sorted(found - {OPEN})

    @cached_property
    def puts(self) -> list[Put]:
        """Everything that was put into the place, unknown material included, each to its end."""
        puts = [Put(None, None, 0)]
        for act in self.ordered:
            if act.kind in ("load", "found", "top-up", "charge", "splice"):
                start = self._reached(act) if act.kind == "splice" else act.first
                puts.append(Put(act.container, act, start, since=act.happened))
            if act.kind == "found":
                puts.append(Put(None, act, act.first, hard_end=act.last, since=act.happened))
            if act.kind in ("clear", "take-off") or act.kind == "dump" and act.cleaned:
                puts.append(Put(None, act, act.first, vacancy=True, since=act.happened))
        for put in puts:
            for act in self._after(put):
                end = self._ending(put, act)
                if end is not None:
                    put.hard_end = min(put.hard_end, end)
                    if act.kind != "splice":
                        put.until = min(put.until, act.happened)
        self._limit(puts)
        for put in puts:
            if put.act and put.act.kind == "charge":
                self._assure(put)
        return puts

    def _after(self, put: Put) -> list[Act]:
        """Acts that surely came after something was put in."""
        if put.act is None:
            return self.ordered
        later = self.ordered[self.ordered.index(put.act) + 1 :]
        return [act for act in later if put.act.before(act)]

    def _ending(self, put: Put, act: Act) -> int | None:
        """Where an act ends what was in the place before, None where it doesn't."""
        if act.kind in EMPTIED or act.kind == "dump" and act.cleaned:
            return act.last
        if act.kind == "splice":
            end = self._used(act.lead + act.tolerance, act.last)
            return None if any(pour.first < end for pour in self._pours_after(act)) else end
        if act.kind in ("top-up", "charge") and put.vacancy:
            return act.last
        return None

    def _pours_after(self, splice: Act) -> list[Act]:
        """What may have been poured on once it was spliced: it mixes old and new, whatever the lead."""
        return [act for act in self.acts if act.kind == "top-up" and not self._surely_first(act, splice)]

    def _surely_first(self, one: Act, other: Act) -> bool:
        return one.before(other) and self._later(other, one)

    def _reached(self, splice: Act) -> int:
        """The earliest position at which the first part of the new can be drawn."""
        mixed = [max(pour.first, splice.first) for pour in self._pours_after(splice)]
        return min([self._by_lead(splice), *mixed])

    def _by_lead(self, splice: Act) -> int:
        old = splice.lead - splice.tolerance
        end = self._used(splice.lead + splice.tolerance, splice.last)
        if old < 0:
            return min(splice.first, end)
        possible = sorted(max(part.first, splice.first) for part in self.parts if part.last >= splice.first)
        return min(possible[old] if len(possible) > old else OPEN - 1, end)

    def _used(self, number: int, since: int) -> int:
        """Past the position at which so many sure draws that began after `since` are all done."""
        if number == 0:
            return since
        done = sorted(part.last for part in self.parts if part.sure and part.first >= since and part.last < OPEN)
        return done[number - 1] + 1 if len(done) >= number else OPEN

    def _limit(self, puts: list[Put]) -> None:
        """Where a place was counted at a pour, all that was in it must be used some time; then comes unknown.

        Each further pour moves the end. Past such an end, or across acts in an unknown order, a count proves nothing.
        """
        for act in self.ordered:
            if act.kind != "top-up":
                continue
            there = [
                p for p in puts if not p.vacancy and self._was_there(p, act) and self._end_then(p, act) > act.first
            ]
            gave_on = any(
                put.limit <= act.first and self._end_then(put, act, hard=True) > act.first
                for put in puts
                if put.act is None or put.act.before(act) and put.act is not act
            )
            tangled = any(a is not act and not a.before(act) and not act.before(a) for a in self.acts)
            known = act.counted is not None and not gave_on and not tangled
            limit = self._used(act.counted or 0, act.last) if known else OPEN
            for put in there:
                put.limit = limit
        for put in [p for p in puts if p.limit < OPEN and p.end == p.limit]:
            last = max(
                (p.act for p in puts if p.limit == put.limit and p.act),
                key=lambda a: self.ordered.index(a),
                default=None,
            )
            rest = self.ordered[self.ordered.index(last) + 1 :] if last else self.ordered
            ends = [a for a in rest if a.kind in EMPTIED and a.last > put.limit]
            until = min([a.happened for a in ends] or [OPEN])
            end = min([a.last for a in ends] or [OPEN])
            puts.append(Put(None, last, put.limit, hard_end=end, since=last.happened if last else 0, until=until))

    def _was_there(self, put: Put, act: Act) -> bool:
        return put.act is None or self.ordered.index(put.act) <= self.ordered.index(act)

    def _end_then(self, put: Put, act: Act, hard: bool = False) -> int:
        """The end of something as the acts before this one had set it."""
        earlier = self.ordered[: self.ordered.index(act)]
        ends = [e for a in self._after(put) if a in earlier and (e := self._ending(put, a)) is not None]
        if put.act and put.act.kind == "found" and put.container is None:
            ends.append(put.act.last)
        return min([*ends, OPEN if hard else put.limit, OPEN])

    def _assure(self, charge: Put) -> None:
        """From when to when a charge surely is in the bath: any dump ends it; order unknown: never."""
        assert charge.act is not None
        charge.sure_from = charge.act.last
        for act in self.acts:
            if act.kind == "dump":
                if charge.act.before(act) and self._later(act, charge.act):
                    charge.sure_end = min(charge.sure_end, act.first)
                elif not act.before(charge.act):
                    charge.sure_from = None
                    return

    def _later(self, act: Act, than: Act) -> bool:
        return self.ordered.index(act) > self.ordered.index(than)

    def left_at(self, number: int) -> set[str | None]:
        """What a remainder taken off may be of: whatever may be in the place, splices not yet reached included."""
        (taken,) = (act for act in self.acts if act.number == number)
        found = set()
        for put in self.puts:
            if put.vacancy or put.act is taken:
                continue
            if put.act is not None and self._later(put.act, taken) and taken.before(put.act):
                continue
            if self._end_then(put, taken) > taken.first:
                found.add(put.container)
        return found
