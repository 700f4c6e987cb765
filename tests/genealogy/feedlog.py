"""What may come out of one feed, by the rules of DEVELOPERS.md, position by position. Part of the oracle."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

OPEN = 2**53 - 1

STAYS = ("load", "found", "splice", "sighting")
"""After these the container itself is at the place; of others only some was poured there."""

SEEN = ("sighting", "seen-away")
"""Nothing was done there: somebody saw where a container was."""

CHANGES = ("load", "found", "clear", "take-off", "splice", "top-up", "charge")
"""After these there is more in the place, or less, than was counted before."""

EMPTIED = ("load", "found", "clear", "take-off")


@dataclass(frozen=True)
class Act:
    """What was done at a feed, somewhere in `first..last` of its axis."""

    number: float
    kind: str
    container: str | None
    first: int
    last: int
    happened: int
    error: int = 0
    lead: int = 0
    tolerance: int = 0
    counted: int | None = None
    """Top-up: parts left over and poured, at most; None where nobody counted."""
    cleaned: bool = False
    most: int | None = None
    """Load, splice, found: parts put on, at most and at least; None where nobody counted."""
    least: int | None = None

    def before(self, other: Act) -> bool:
        """Whether it surely came first; at a shared position, by the clock and the order of recording."""
        if self.last == other.first:
            return (self.happened, self.number) <= (other.happened, other.number)
        return self.last < other.first

    def perhaps_done_before(self, other: Act) -> bool:
        """By the clock; what was done at one moment was done in the order in which it was recorded."""
        return (self.happened - self.error, self.number) < (other.happened + other.error, other.number)


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
    slack: int = 0
    """By how much a position may differ from its moment, where lines of a sheet stand by their order."""
    fitting: set[str] = field(default_factory=set)
    """Parts that belong where set-ups have it serve; `by_hand`: where a part out of it was fitted."""
    by_hand: set[str] = field(default_factory=set)
    acts: list[Act] = field(default_factory=list)
    parts: list[Part] = field(default_factory=list)
    board_sets: int = 0
    per_set: int = 1

    def board_set_parts(self) -> list[Part]:
        """Of the tape, which may turn out longer than planned."""
        return [Part(k, k, True) for k in range(self.board_sets + 100) for _ in range(self.per_set)]

    @property
    def containers(self) -> set[str | None]:
        return {act.container for act in self.acts}

    @cached_property
    def ordered(self) -> list[Act]:
        return sorted(
            self.acts, key=lambda a: (a.last if a.kind == "seen-away" else a.first, a.last, a.happened, a.number)
        )

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

    @property
    def moments(self) -> set[int]:
        """Moments at which what is proved of its contents may change."""
        return {c + shift for c in self.changes for shift in (-self.slack, 0, self.slack)}

    def given_around(self, moment: int) -> set[str | None]:
        """What may have been there at a moment, whatever its position is."""
        first, last = moment - self.slack, moment + self.slack
        return {
            c.container for p in {first, last} | set(self.changes) if first <= p <= last for c in self.candidates(p)
        }

    @cached_property
    def puts(self) -> list[Put]:
        """Everything that was put into the place, unknown material included, each to its end."""
        puts = [Put(None, None, 0)]
        for act in self.ordered:
            if act.kind in ("load", "found", "top-up", "charge", "splice"):
                start = self._reached(act) if act.kind == "splice" else self._since(act)
                puts.append(Put(act.container, act, start, since=act.happened))
            if act.kind == "found":
                puts.append(Put(None, act, self._since(act), hard_end=act.last, since=act.happened))
            if act.kind in ("clear", "take-off") or act.kind == "dump" and act.cleaned:
                puts.append(Put(None, act, act.first, vacancy=True, since=act.happened))
            for counted, early, _ in self._used_up():
                if counted is act and early < OPEN:
                    puts.append(Put(None, act, early, since=act.happened))
            if act.kind == "seen-away" and (last := self.left_since(act)):
                puts.append(Put(None, last, last.first, since=last.happened))
                if any(self._found_between(a, last, act) for a in self.acts):
                    puts.pop()  # what was found says itself what may have been there before it
        for put in puts:
            for act in self._after(put):
                end = self._ending(put, act)
                if end is not None:
                    put.hard_end = min(put.hard_end, end)
                    if act.kind != "splice":
                        put.until = min(put.until, act.happened + act.error)
        for act, _, late in self._used_up():
            for put in puts:
                if self._used_with(put, act):
                    put.hard_end = min(put.hard_end, late)
        self._limit(puts)
        for put in puts:
            if put.act and put.act.kind == "charge":
                self._assure(put)
        return puts

    def _since(self, act: Act) -> int:
        """Since when something was there. What is found is there since some time after the last that was known before:
        that may have been at the earliest moment that it allows."""
        if act.kind != "found":
            return act.first
        shown = [a for a in self.acts if a is not act and a.kind in STAYS + EMPTIED and a.last == act.first]
        surely = [a.first for a in shown if a.kind != "splice"]
        return max(surely or [a.first for a in shown] or [act.first])

    def last_shown(self, first: int, last: int) -> int:
        """Up to where the oldest of what may be in the place is known to have been: a splice and a pour show only
        what they add."""
        oldest = min((put for put in self.puts if put.end > first), key=lambda put: (put.start, put.since))
        shown = [0]
        for act in self.acts:
            of_it = act.kind in STAYS and act.container == oldest.container
            if act.last <= last and (of_it or act.kind in STAYS + EMPTIED and act.first <= oldest.start):
                shown.append(act.last)
        return max(shown)

    def _after(self, put: Put) -> list[Act]:
        """Acts that surely came after something was put in."""
        if put.act is None:
            return self.ordered
        later = self.ordered[self.ordered.index(put.act) + 1 :]
        return [act for act in later if put.act.before(act) or act.kind == "seen-away"]

    def left_since(self, seen: Act) -> Act | None:
        """The last that is known of a container at this place before it was seen elsewhere; None where the place was
        surely emptied in between, which explains it."""
        earlier = self.ordered[: self.ordered.index(seen)]
        known = [a for a in earlier if a.container == seen.container and a.kind in STAYS]
        if not known:
            return None
        emptied = [
            a
            for a in earlier[earlier.index(known[-1]) + 1 :]
            if a.kind in EMPTIED and a.kind != "found" and a.perhaps_done_before(seen)
        ]
        return None if any(known[-1].before(a) and a.last <= seen.last for a in emptied) else known[-1]

    def _found_between(self, act: Act, since: Act, seen: Act) -> bool:
        later = self._later(act, since) and self._later(seen, act) and since.before(act)
        return act.kind == "found" and act.last <= seen.last and later

    def _ending(self, put: Put, act: Act) -> int | None:
        """Where an act ends what was in the place before, None where it doesn't."""
        if act.kind == "seen-away":
            hung = put.act is not None and put.container == act.container and put.act.kind in STAYS
            since = self.left_since(act) if hung else None
            return act.last if since and (put.act is since or put.act and put.act.before(since)) else None
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

    def _used_up(self) -> list[tuple[Act, int, int]]:
        """(what was counted onto the place, where it may first be used up, where it surely is): unless something else
        was done there before, or may have been."""
        found = []
        for act in self.ordered:
            if act.most is None or any(
                not a.before(act) and not act.before(a) for a in self.acts if a is not act and a.kind not in SEEN
            ):
                continue
            late = self._used(act.lead + act.tolerance + act.most, act.last)
            early = late
            if act.least is not None:
                since = act.last if act.kind == "found" else act.first
                possible = sorted(max(p.first, since) for p in self.parts if p.last >= since)
                surely_there = max(act.lead - act.tolerance, 0) + act.least
                early = min(possible[surely_there] if len(possible) > surely_there else OPEN, late)
            then = [a for a in self.ordered if self._later(a, act) and a.kind in CHANGES]
            if then and late > then[0].first:
                late = OPEN
            gives = then[0].last if then else OPEN
            if then and then[0].kind == "splice" and late < OPEN:  # its lead says that something was still there
                gives = max(gives, self._by_lead(then[0]))
            found.append((act, early if early < gives else OPEN, late))
        return found

    def _used_with(self, put: Put, counted: Act) -> bool:
        """Whether it is gone when what was counted is: all that lay there, but what nobody knows that came after it."""
        follows = put.container is None and put.act is counted
        return not put.vacancy and not follows and (put.act is None or not self._later(put.act, counted))

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
            others = [a for a in self.acts if a is not act and a.kind not in SEEN]
            tangled = any(not a.before(act) and not act.before(a) for a in others)
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
        ends += [late for a, _, late in self._used_up() if a in earlier and self._used_with(put, a)]
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

    def left_at(self, number: float) -> set[str | None]:
        """What a remainder taken off may be of: whatever may be in the place, splices not yet reached included."""
        (taken,) = (act for act in self.acts if act.number == number)
        if taken.kind == "seen-away":
            return self._gone_with(taken)
        found = set()
        for put in self.puts:
            if put.vacancy or put.act is taken:
                continue
            if put.act is not None and self._later(put.act, taken) and taken.before(put.act):
                continue
            if self._end_then(put, taken) > taken.first:
                found.add(put.container)
        return found

    def _gone_with(self, seen: Act) -> set[str | None]:
        """What a container that left unseen may have taken along: all that may have been with it since the last that
        is known of it there."""
        last = self.left_since(seen)
        if last is None:
            return set()
        found = set()
        for put in self.puts:
            if put.vacancy or put.act is last:
                continue
            came_instead = put.act and put.act.kind in EMPTIED and self._later(put.act, last) and last.before(put.act)
            if came_instead or put.act and not self._later(seen, put.act):
                continue
            gone_before = [
                a for a in self._after(put) if a.kind in EMPTIED and (a is last or self._surely_first(a, last))
            ]
            if not gone_before and self._end_then(put, seen) > last.first:
                found.add(put.container)
        return found
