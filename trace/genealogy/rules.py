"""Certain, possible, cleared: what the evidence says of one feed, one designator, one unit. Pure."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from enum import IntFlag, StrEnum
from functools import reduce
from typing import NamedTuple

from trace.core.clock import OPEN
from trace.genealogy.intervals import Ranges


class Sureness(StrEnum):
    """How sure it is that a unit carries the suspect."""

    CERTAIN = "certain"
    POSSIBLE = "possible"
    CLEARED = "cleared"


CARRYING = (Sureness.CERTAIN, Sureness.POSSIBLE)
"""Of a unit that carries the suspect now, perhaps or surely."""

RANK = {sureness: rank for rank, sureness in enumerate(Sureness)}
"""The surest first."""


class Reason(IntFlag):
    """Why a carrier is only possible."""

    BLURRED = 1
    MIXED = 2
    UNSURE = 4
    UNRECORDED = 8
    EXCEPTED = 16

    def words(self) -> list[str]:
        """The reasons as the trade's plain words."""
        return [(reason.name or "").lower() for reason in type(self) if reason in self]


REASONS_BY_NUMBER = [Reason(number) for number in range(2 ** len(Reason))]
"""Every combination of reasons by its number: an enumeration is slow to make for each of many units."""

REASONS = {
    Reason.BLURRED: "the moment of a change is not known exactly, so other material may be in its place; "
    "or that of a pass, which may lie outside the window",
    Reason.MIXED: "suspect and other material were mixed before it was drawn",
    Reason.UNSURE: "it is not sure that the unit drew in this pass",
    Reason.UNRECORDED: "what was on a feed, or which unit is fitted, is not on record, and it may be the suspect",
    Reason.EXCEPTED: "it may be among what is excepted, and is not surely so",
}


@dataclass(frozen=True)
class Suspect:
    """A container under suspicion: it may give suspect parts from `since` on, and gives nothing
    else before `whole_until` (0: it was never wholly suspect). What it gave before `surely_from` may not have been
    suspect yet: nobody knows exactly when it became so. Moments in microseconds."""

    since: int = 0
    whole_until: int = OPEN
    surely_from: int = 0


@dataclass(frozen=True)
class Supply:
    """A span as it is judged: `container` None is unknown; `poured` on what was there, so that the
    two are mixed."""

    container: int | None
    first: int
    end: int
    sure_from: int | None
    since: int
    until: int
    poured: bool = False


@dataclass(frozen=True)
class Verdict:
    """What a feed gave: `possible` positions at which a draw may be suspect, `certain` ones at
    which it surely is, and of the possible ones those blamed on mixing or on missing records."""

    possible: Ranges
    certain: Ranges
    mixed: Ranges
    unrecorded: Ranges

    def pieces(self) -> Iterable[tuple[int, int, bool, Reason]]:
        """The possible positions cut into disjoint (first, end, certain, reason)."""
        rest = self.possible - self.certain
        both = rest & self.mixed & self.unrecorded
        yield from ((first, end, True, Reason(0)) for first, end in self.certain)
        for ranges, reason in (
            (rest - self.mixed - self.unrecorded, Reason.BLURRED),
            (rest & self.mixed - both, Reason.MIXED),
            (rest & self.unrecorded - both, Reason.UNRECORDED),
            (both, Reason.MIXED | Reason.UNRECORDED),
        ):
            yield from ((first, end, False, reason) for first, end in ranges)


def join_verdicts(runs: Sequence[tuple[Verdict, int, int]]) -> Verdict:
    """The verdict on a designator that feeds served one after the other, each in `first <= p < end`."""
    parts = [(verdict, Ranges([(first, end)])) for verdict, first, end in runs]
    return Verdict(
        Ranges(r for verdict, run in parts for r in verdict.possible & run),
        Ranges(r for verdict, run in parts for r in verdict.certain & run),
        Ranges(r for verdict, run in parts for r in verdict.mixed & run),
        Ranges(r for verdict, run in parts for r in verdict.unrecorded & run),
    )


CLEAN = Verdict(Ranges(), Ranges(), Ranges(), Ranges())
"""Of a feed that gave nothing suspect."""


def judge_draw(sources: Sequence[tuple[Verdict, int, int]], *, sure: bool = True) -> tuple[Sureness | None, Reason]:
    """One draw, somewhere in `first..last` of one of these feeds: None when it is not suspect at all.

    Certain when it is sure and everything that it may have got, from whichever feed, is suspect.
    """
    if not any(verdict.possible.meets(first, last) for verdict, first, last in sources):
        return None, Reason(0)
    if all(verdict.certain.covers(first, last) for verdict, first, last in sources):
        return (Sureness.CERTAIN, Reason(0)) if sure else (Sureness.POSSIBLE, Reason.UNSURE)
    reason = Reason(0)
    if any(verdict.mixed.meets(first, last) for verdict, first, last in sources):
        reason |= Reason.MIXED
    if any(verdict.unrecorded.meets(first, last) for verdict, first, last in sources):
        reason |= Reason.UNRECORDED
    return Sureness.POSSIBLE, (reason or Reason.BLURRED) | (Reason(0) if sure else Reason.UNSURE)


def judge_feed(
    supplies: Sequence[Supply],
    suspects: dict[int, Suspect],
    *,
    slack: int | None,
    bath: bool,
    may_be_unknown: Ranges | None = None,
) -> Verdict:
    """Judge every position of a feed against the whole suspect set, never container by container.

    `slack`: by how much a position may differ from its moment; None where positions are no moments.
    `may_be_unknown`: where unknown material may be a suspect container (already cut to when one was
    in the plant and not proved elsewhere); None where no suspect belongs on this feed.
    """
    possible: list[tuple[int, int]] = []
    whole: list[tuple[int, int]] = []
    clean: list[tuple[int, int]] = []
    mixed: list[tuple[int, int]] = []
    unknown = Ranges((s.first, s.end) for s in supplies if s.container is None)
    for supply in supplies:
        suspect = suspects.get(supply.container) if supply.container is not None else None
        if suspect is None:
            clean.append((supply.first, supply.end))
            if supply.poured:
                mixed.append((supply.first, supply.end))
            continue
        may, wholly = _suspect_positions(supply, suspect, slack)
        not_yet = _perhaps_not_yet(supply, suspect, slack)
        possible += may
        clean += not_yet
        if bath:
            sure_from = OPEN if supply.sure_from is None else supply.sure_from
            whole += (Ranges(wholly) & Ranges(may) & Ranges([(sure_from, supply.end)])) - Ranges(not_yet)
            mixed += Ranges(may) - Ranges([(sure_from, supply.end)])
        else:
            partly = Ranges([(supply.first, supply.end)]) - Ranges(wholly)
            clean += partly
            mixed += Ranges(may) if supply.poured else Ranges(may) & partly
    unrecorded = unknown & (may_be_unknown or Ranges())
    suspicious = Ranges(possible) | unrecorded
    certain = Ranges(whole) if bath else Ranges(possible) - Ranges(clean)
    return Verdict(suspicious, certain, suspicious & Ranges(mixed), suspicious & unknown)


def _suspect_positions(
    supply: Supply, suspect: Suspect, slack: int | None
) -> tuple[list[tuple[int, int]], list[tuple[int, int]]]:
    """Positions of a span at which its container may be suspect, and at which it wholly is.

    On the clock a change of the container's contents cuts the span; elsewhere its position is not
    known, and the whole span is suspect but not wholly.
    """
    span = (supply.first, supply.end)
    if slack is not None:
        since, whole_until = suspect.since - slack, suspect.whole_until
        if whole_until < OPEN:
            whole_until -= slack
        return [(max(supply.first, since), supply.end)], [(supply.first, min(supply.end, whole_until))]
    may = [span] if suspect.since < supply.until else []
    return may, [span] if may and suspect.whole_until >= supply.until else []


def _perhaps_not_yet(supply: Supply, suspect: Suspect, slack: int | None) -> list[tuple[int, int]]:
    """Positions of a span at which what its container gave was perhaps not suspect yet."""
    if slack is None:
        return [(supply.first, supply.end)] if suspect.surely_from > supply.since else []
    end = min(supply.end, suspect.surely_from + slack)
    return [(supply.first, end)] if suspect.surely_from and end > supply.first else []


class Happening(NamedTuple):
    """A draw or a fitting at one designator, between two moments; what it put there is `content`.

    `until` is when a fitting was ended by the next one on record.
    """

    began: int
    ended: int
    sure: bool
    content: object
    until: int | None = None


def split_standing(happenings: Sequence[Happening]) -> tuple[list[Happening], list[tuple[Happening, int]]]:
    """(those that may still rule at a designator, those displaced and when).

    The latest event rules; where the order of two is not known, both stay. An unsure draw displaces
    none.
    """
    if len(happenings) == 1 and happenings[0].until is None:
        return list(happenings), []
    standing, displaced = [], []
    for one in happenings:
        later = [
            other.began
            for other in happenings
            if other is not one and other.sure and one.ended <= other.began and other.ended > one.began
        ]
        if one.until is not None:
            later.append(one.until)
        if later:
            displaced.append((one, min(later)))
        else:
            standing.append(one)
    return standing, displaced


NEVER = Ranges()


class Finding(NamedTuple):
    """One designator or unit judged: sureness (None: never suspect), reasons, the moment since which it carries the
    suspect (None: it does not now), and earlier moments at which it did."""

    sureness: Sureness | None
    reason: Reason = Reason(0)
    since: int | None = None
    before: Ranges = NEVER

    def join(self, other: Finding) -> Finding:
        """A unit of which both are found: the surer counts, with its reasons; whenever either carried, it carried."""
        sureness, reason, since, before = self
        theirs, why, then, earlier = other
        if sureness is None or theirs is None:
            return other if sureness is None else self
        if sureness is not theirs:
            sureness, reason = (sureness, reason) if RANK[sureness] < RANK[theirs] else (theirs, why)
        elif reason is not why:
            reason |= why
        if since is None or (then is not None and then < since):
            since = then
        return Finding(sureness, reason, since, before if earlier is NEVER else before | earlier)

    def while_inside(self, since: int, until: int, *, sure: bool) -> Finding:
        """What a parent carries, or carried, of this unit, which was in it from `since` to `until` (OPEN: still is),
        surely or perhaps: cleared, where the unit left or was put right there; nothing, where it carried nothing then.
        """
        sureness, reason, carries, before = self
        if before is not NEVER or carries is None or until < OPEN:
            inside = Ranges([(since, until)])
            before = (before if carries is None or until == OPEN else before | Ranges.single(carries, OPEN)) & inside
            if carries is None or until < OPEN:
                return Finding(Sureness.CLEARED, reason, None, before) if before else NOTHING
        first = carries if carries > since else since
        if sure:
            return Finding(sureness, reason, first, before)
        return Finding(Sureness.POSSIBLE, reason | Reason.UNRECORDED, first, before)


NOTHING = Finding(None)
"""Of what never carried anything suspect."""


def judge_place(
    happenings: Sequence[Happening], judge: Callable[[Happening], tuple[Sureness | None, Reason]]
) -> Finding:
    """What a designator carries: certain when everything that may rule is wholly suspect and one of
    it is sure; possible when any is; cleared when only displaced ones were."""
    standing, displaced = split_standing(happenings)
    verdicts = [(one, *judge(one)) for one in standing]
    suspect = [(one, sureness, reason) for one, sureness, reason in verdicts if sureness]
    was = [(one.began, when) for one, when in displaced if judge(one)[0]]
    before = Ranges(was)
    if not suspect:
        return Finding(Sureness.CLEARED if was else None, Reason(0), None, before)
    since = min(one.began for one, _, _ in suspect)
    wholly = len(suspect) == len(verdicts) and all(
        sureness == Sureness.CERTAIN or reason == Reason.UNSURE for _, sureness, reason in suspect
    )
    if wholly and any(sureness == Sureness.CERTAIN for _, sureness, _ in suspect):
        return Finding(Sureness.CERTAIN, Reason(0), since, before)
    reason = Reason(0)
    for _, _, why in suspect:
        reason |= why
    return Finding(Sureness.POSSIBLE, reason or Reason.BLURRED, since, before)


def best(findings: Iterable[Finding]) -> Finding:
    """A unit from its places: certain if any is, else possible, else cleared, else nothing."""
    return reduce(Finding.join, findings, NOTHING)
