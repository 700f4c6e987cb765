"""The verdict on one feed and one designator, against definitions asked position by position."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from trace.core.clock import OPEN
from trace.genealogy.intervals import Ranges
from trace.genealogy.rules import (
    Finding,
    Happening,
    Reason,
    Supply,
    Sureness,
    Suspect,
    best,
    judge_draw,
    judge_feed,
    judge_place,
    split_standing,
)

LAST = 12
moments = st.integers(0, LAST)


@st.composite
def supplies(draw: st.DrawFn) -> list[Supply]:
    found = []
    for _ in range(draw(st.integers(1, 5))):
        first, length = draw(moments), draw(st.integers(1, LAST))
        container = draw(st.sampled_from([None, 1, 2, 3]))
        sure_from = draw(st.none() | st.integers(first, first + length))
        found.append(Supply(container, first, first + length, sure_from, first, first + length))
    return found


suspects = st.dictionaries(
    st.sampled_from([1, 2]),
    st.builds(Suspect, st.integers(0, 6), st.sampled_from([0, 4, 9, OPEN])),
    min_size=1,
)


@given(supplies(), suspects, st.booleans(), moments, st.integers(0, 4))
def test_a_feed_on_the_clock_position_by_position(
    given_supplies: list[Supply], bad: dict[int, Suspect], bath: bool, first: int, length: int
) -> None:
    unknown = Ranges([(3, 8)])
    verdict = judge_feed(given_supplies, bad, slack=0, bath=bath, may_be_unknown=unknown)

    def may(supply: Supply, p: int) -> bool:
        if supply.container is None:
            return unknown.meets(p, p)
        return supply.container in bad and p >= bad[supply.container].since

    def wholly(supply: Supply, p: int) -> bool:
        return supply.container in bad and p >= bad[supply.container].since and p < bad[supply.container].whole_until

    def certain_at(p: int) -> bool:
        here = [s for s in given_supplies if s.first <= p < s.end]
        if bath:
            return any(wholly(s, p) and s.sure_from is not None and p >= s.sure_from for s in here)
        return bool(here) and all(wholly(s, p) for s in here)

    asked = range(first, first + length + 1)
    possible = any(may(s, p) for p in asked for s in given_supplies if s.first <= p < s.end)
    sureness, reason = judge_draw([(verdict, first, first + length)])
    assert (sureness is not None) == possible
    assert (sureness == Sureness.CERTAIN) == (possible and all(certain_at(p) for p in asked))
    assert bool(reason) == (sureness == Sureness.POSSIBLE)
    unsure, why = judge_draw([(verdict, first, first + length)], sure=False)
    assert unsure == (Sureness.POSSIBLE if possible else None)
    assert (Reason.UNSURE in why) == possible


@given(supplies(), suspects, st.booleans())
def test_pieces_are_the_verdict_cut_apart(given_supplies: list[Supply], bad: dict[int, Suspect], clock: bool) -> None:
    verdict = judge_feed(
        given_supplies, bad, slack=0 if clock else None, bath=False, may_be_unknown=Ranges([(0, LAST)])
    )
    seen: set[int] = set()
    for first, end, certain, reason in verdict.pieces():
        for p in range(first, end):
            assert p not in seen
            seen.add(p)
            sureness, why = judge_draw([(verdict, p, p)])
            assert (sureness == Sureness.CERTAIN) == certain
            assert why == reason
    assert seen == {p for p in range(3 * LAST) if judge_draw([(verdict, p, p)])[0]}


def happening(began: int, ended: int, name: str, sure: bool = True, until: int | None = None) -> Happening:
    return Happening(began, ended, sure, name, until)


def test_the_latest_event_rules() -> None:
    old, new = happening(1, 2, "old"), happening(3, 4, "new")
    assert split_standing([old, new]) == ([new], [(old, 3)])
    assert split_standing([new, old]) == ([new], [(old, 3)])


def test_events_in_an_unknown_order_both_stay() -> None:
    one, two = happening(1, 4, "one"), happening(3, 6, "two")
    assert split_standing([one, two]) == ([one, two], [])
    same, moment = happening(3, 3, "same"), happening(3, 3, "moment")
    assert split_standing([same, moment]) == ([same, moment], [])


def test_an_unsure_event_displaces_none() -> None:
    old, unsure = happening(1, 2, "old"), happening(3, 4, "unsure", sure=False)
    assert split_standing([old, unsure]) == ([old, unsure], [])


def test_what_the_record_ended_is_displaced_then() -> None:
    old = happening(1, 1, "old", until=5)
    assert split_standing([old]) == ([], [(old, 5)])


def judge(one: Happening) -> tuple[Sureness | None, Reason]:
    """Judges what a test calls bad, mixed or good."""
    if one.content == "good":
        return None, Reason(0)
    if one.content == "mixed":
        return Sureness.POSSIBLE, Reason.MIXED
    return (Sureness.CERTAIN, Reason(0)) if one.sure else (Sureness.POSSIBLE, Reason.UNSURE)


def test_a_place_is_certain_only_when_all_that_may_rule_is_bad() -> None:
    bad, good = happening(1, 4, "bad"), happening(3, 6, "good")
    assert judge_place([bad], judge).sureness == Sureness.CERTAIN
    assert judge_place([bad, good], judge) == Finding(Sureness.POSSIBLE, Reason.BLURRED, 1)
    again = happening(5, 6, "bad", sure=False)
    assert judge_place([bad, again], judge).sureness == Sureness.CERTAIN
    assert judge_place([again], judge) == Finding(Sureness.POSSIBLE, Reason.UNSURE, 5)
    mixed = happening(2, 5, "mixed")
    assert judge_place([bad, mixed], judge).sureness == Sureness.POSSIBLE
    assert judge_place([happening(1, 2, "good")], judge) == Finding(None)


def test_a_place_that_was_put_right_is_cleared_and_says_when_it_carried() -> None:
    bad, good = happening(1, 2, "bad"), happening(6, 6, "good")
    assert judge_place([bad, good], judge) == Finding(Sureness.CLEARED, Reason(0), None, Ranges([(1, 6)]))


def test_a_unit_is_as_sure_as_its_surest_place() -> None:
    certain = Finding(Sureness.CERTAIN, Reason(0), 3)
    possible = Finding(Sureness.POSSIBLE, Reason.MIXED, 1)
    blurred = Finding(Sureness.POSSIBLE, Reason.BLURRED, 2)
    cleared = Finding(Sureness.CLEARED, Reason(0), None, Ranges([(0, 1)]))
    assert best([possible, certain]) == Finding(Sureness.CERTAIN, Reason(0), 1)
    assert best([possible, blurred, cleared]).reason == Reason.MIXED | Reason.BLURRED
    assert best([cleared, Finding(None)]).sureness == Sureness.CLEARED
    assert best([]) == Finding(None)
