"""Spans against simulated feeds in which every part is tracked: the truth is always among the candidates.

The simulations know what lies in the feed, part by part; reckoning sees only what a plant would record, with its
ranges, tolerances and draws that are not sure. Positions are tens, so that ranges have room in between.
"""

from __future__ import annotations

import random
from collections import deque
from dataclasses import dataclass, field, replace

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from trace.core.clock import OPEN
from trace.material.rules import Draw, Reckoning, Record, reckon
from trace.material.tapes import board_sets_at

STEP = 10
HIDDEN = -1
"""A container that nobody recorded: only unknown can stand for it."""

seeds = st.integers(0, 2**32)


@dataclass
class Truth:
    """What really happened, beside what was recorded of it."""

    records: list[Record] = field(default_factory=list)
    draws: list[Draw] = field(default_factory=list)
    drawn: list[tuple[Draw, int | None]] = field(default_factory=list)
    taken_off: dict[int, set[int | None]] = field(default_factory=dict)

    def reckoning(self) -> Reckoning:
        return reckon(self.records, self.draws)


def within(reckoning: Reckoning, first: int, last: int) -> set[int | None]:
    return {span.container for span in reckoning.spans if span.first <= last and first < span.end}


def around(chance: random.Random, position: int, doubt: int) -> tuple[int, int]:
    """A range with the position in it, exact for `doubt` 0; it may reach over many neighbours."""
    before, after = chance.randint(0, doubt), chance.randint(0, doubt)
    return max(position - before, 0), position + after


def draw_from(truth: Truth, chance: random.Random, position: int, container: int | None, doubt: int) -> None:
    first, last = around(chance, position, doubt)
    draw = Draw(first, last, 1, chance.random() < 0.8)
    truth.draws.append(draw)
    truth.drawn.append((draw, container))


def perhaps_not(truth: Truth, chance: random.Random, position: int, doubt: int) -> None:
    """A pass that is recorded as unsure and drew nothing."""
    first, last = around(chance, position, doubt)
    truth.draws.append(Draw(first, last, 1, sure=False))


def simulate_slot(seed: int, *, doubt: int = 35, acts: str = "load splice splice clear take-off found") -> Truth:
    """A feeder slot: parts come off in order, a splice joins a reel behind the parts still to come."""
    chance, truth = random.Random(seed), Truth()
    queue: deque[int | None] = deque([None] * chance.randint(0, 8))
    label, seen = 0, 0

    def put(act: str, position: int, **details: int) -> None:
        where = around(chance, position, chance.choice([0, 0, doubt]))
        known = details.pop("container", label)
        truth.records.append(Record(len(truth.records) + 1, act, known, *where, happened=position, **details))

    for position in range(STEP, STEP * chance.randint(10, 60), STEP):
        match chance.choice(acts.split()) if chance.random() < 0.15 else "pass":
            case "pass" if chance.random() < 0.1:
                perhaps_not(truth, chance, position, doubt)
            case "pass" if queue:
                draw_from(truth, chance, position, queue.popleft(), doubt)
            case "load":
                label += 1
                queue = deque([label] * chance.randint(1, 12))
                put("load", position)
            case "splice":
                label += 1
                left, lost, tolerance = chance.randint(0, len(queue)), chance.randint(0, 1), chance.randint(1, 3)
                while len(queue) > left:
                    queue.pop()
                lost = min(lost, left)
                error = chance.randint(-tolerance, tolerance)
                put("splice", position, lead=max(left - lost + error, 0), tolerance=tolerance)
                for _ in range(lost):
                    queue.popleft()
                queue.extend([label] * chance.randint(1, 12))
            case "clear":
                queue.clear()
                put("clear", position, container=0)
            case "take-off":
                truth.taken_off[len(truth.records) + 1] = set(queue)
                label += 1
                queue.clear()
                put("take-off", position)
            case "found" if seen + STEP < position:
                label += 1
                hidden = [HIDDEN] * chance.randint(0, 2)
                queue = deque([*hidden, *[label] * 12])
                for earlier in range(position - STEP + 1, position - STEP + 4):
                    if queue:
                        draw_from(truth, chance, earlier, queue.popleft(), 0)
                queue = deque([label] * 9)
                since = max([r.last for r in truth.records if r.last <= position - STEP], default=0)
                truth.records.append(Record(len(truth.records) + 1, "found", label, since, position, happened=position))
                seen = position
    return truth


def simulate_bin(seed: int, *, doubt: int = 35) -> Truth:
    """A bin: any part in it may come next. Counts are at most what they say."""
    chance, truth = random.Random(seed), Truth()
    inside: list[int | None] = [None] * chance.randint(0, 5)
    label = 0
    for position in range(STEP, STEP * chance.randint(10, 60), STEP):
        act = chance.choice(["load", "top-up", "top-up", "top-up", "clear"]) if chance.random() < 0.15 else "pass"
        if act == "pass":
            if chance.random() < 0.3:
                perhaps_not(truth, chance, position, doubt)
            elif inside:
                draw_from(truth, chance, position, inside.pop(chance.randrange(len(inside))), doubt)
            continue
        poured = chance.randint(1, 6) if act != "clear" else 0
        counted = chance.random() < 0.7
        left = len(inside) + chance.randint(0, 2) if act == "top-up" and chance.random() < 0.5 else None
        if act != "top-up":
            inside.clear()
        label += 1
        inside += [label] * poured
        truth.records.append(
            Record(
                len(truth.records) + 1,
                act,
                label if poured else None,
                *around(chance, position, chance.choice([0, 0, doubt])),
                quantity=poured + chance.randint(0, 1) if counted and poured else None,
                left=left,
                happened=position,
            )
        )
    return truth


def assert_truth_is_among_candidates(truth: Truth) -> None:
    reckoning = truth.reckoning()
    for draw, container in truth.drawn:
        candidates = within(reckoning, draw.first, draw.last)
        expected = None if container == HIDDEN else container
        assert expected in candidates, (draw, container, candidates, truth.records)
    for record_id, contents in truth.taken_off.items():
        assert contents <= reckoning.remainders[record_id], (record_id, contents, truth.records)


@given(seeds)
@settings(max_examples=400)
def test_a_slot_gives_what_its_spans_say(seed: int) -> None:
    assert_truth_is_among_candidates(simulate_slot(seed))


@given(seeds)
@settings(max_examples=400)
def test_a_bin_gives_what_its_spans_say(seed: int) -> None:
    assert_truth_is_among_candidates(simulate_bin(seed))


@given(seeds)
def test_exact_loads_and_exact_passes_are_never_blurred(seed: int) -> None:
    truth = simulate_slot(seed, doubt=0, acts="load clear")
    reckoning = truth.reckoning()
    for draw, container in truth.drawn:
        assert within(reckoning, draw.first, draw.last) == {container}


def test_the_simulations_do_what_they_are_for() -> None:
    """Splices reached, mixtures, unknown containers: else the properties above would prove little."""
    slots, bins = ([make(seed) for seed in range(200)] for make in (simulate_slot, simulate_bin))
    drawn = {container for truth in slots for _, container in truth.drawn}
    assert HIDDEN in drawn and None in drawn
    assert sum(bool(contents) for truth in slots for contents in truth.taken_off.values()) > 50
    for truths, act in ((slots, "splice"), (bins, "top-up")):
        ids = [(truth, {r.container for r in truth.records if r.act == act}) for truth in truths]
        assert sum(c in wanted for truth, wanted in ids for _, c in truth.drawn) > 300
    settled = sum(truth.reckoning().settled for truth in [*slots, *bins])
    assert 50 < settled < 350


# What holds for any records at all -----------------------------------------------------------------------------------

ACTS = ["load", "splice", "top-up", "clear", "take-off", "charge", "dump", "hand-fill", "found"]


@st.composite
def any_records(draw: st.DrawFn) -> list[Record]:
    records = []
    for number in range(1, draw(st.integers(0, 9)) + 1):
        act = draw(st.sampled_from(ACTS))
        first = draw(st.integers(0, 60))
        lead = draw(st.integers(0, 5))
        records.append(
            Record(
                number,
                act,
                None if act in ("clear", "dump") else draw(st.integers(1, 4)),
                first,
                first + draw(st.sampled_from([0, 0, 0, 3, 20])),
                lead=lead if act == "splice" else 0,
                tolerance=draw(st.integers(0, lead)) if act == "splice" else 0,
                quantity=draw(st.none() | st.integers(0, 5)),
                left=draw(st.none() | st.integers(0, 5)) if act == "top-up" else None,
                cleaned=act == "dump" and draw(st.booleans()),
                happened=first * 100 + number,
            )
        )
    return records


any_draws = st.lists(
    st.builds(
        lambda first, length, count, sure: Draw(first, first + length, count, sure),
        st.integers(0, 80),
        st.sampled_from([0, 0, 1, 20, OPEN - 100]),
        st.integers(1, 3),
        st.booleans(),
    ),
    max_size=12,
)


@given(any_records(), any_draws, st.integers(1, 2))
def test_no_position_is_without_a_candidate(records: list[Record], draws: list[Draw], places: int) -> None:
    reached = 0
    for span in reckon(records, draws, places=places).spans:
        assert span.first <= reached, f"nothing at {reached}"
        assert span.first < span.end <= OPEN
        reached = max(reached, span.end)
    assert reached == OPEN


@given(any_records(), any_draws, st.integers(0, 120))
def test_what_may_come_at_a_position_began_no_earlier_than_the_oldest_of_the_last_that_began(
    records: list[Record], draws: list[Draw], position: int
) -> None:
    """A query that asks a feed at a position reads its spans from there on."""
    spans = reckon(records, draws).spans
    last = max((s for s in spans if s.first <= position), key=lambda s: s.first)
    assert last.oldest == min(s.first for s in spans if s.first <= last.first < s.end)
    assert all(s.first >= last.oldest for s in spans if s.first <= position < s.end)


@given(any_records(), any_draws, st.randoms())
def test_the_order_in_which_records_arrive_does_not_matter(
    records: list[Record], draws: list[Draw], chance: random.Random
) -> None:
    in_order = reckon(records, draws)
    chance.shuffle(records)
    chance.shuffle(draws)
    late = reckon(records, draws)
    assert (late.spans, late.remainders, late.settled) == (in_order.spans, in_order.remainders, in_order.settled)


@given(any_records(), any_draws, st.integers(0, 30), st.integers(0, 30))
@example([Record(1, "splice", 1, 10, 30, lead=2), Record(2, "load", 2, 20, 20)], [Draw(31, 31)], 0, 0)
def test_what_is_settled_is_not_moved_by_draws_after_every_end(
    records: list[Record], draws: list[Draw], gap: int, length: int
) -> None:
    """That is why a pass need not reckon a settled feed again unless it began before one of its ends."""
    before = reckon(records, draws)
    if before.settled:
        ends = {edge for span in before.spans for edge in (span.first, span.end) if edge < OPEN - 1}
        further = max(ends) + gap
        after = reckon(records, [*draws, *[Draw(further + n, further + n + length) for n in range(20)]])
        assert after.spans == before.spans


@given(any_records(), any_draws)
def test_a_wider_time_of_a_record_takes_no_candidate_away(records: list[Record], draws: list[Draw]) -> None:
    """Loads only: what is known less exactly may be more things, never fewer."""
    exact = [replace(r, act="load", container=r.id, last=r.first, quantity=None, left=None) for r in records]
    vague = [replace(r, first=max(r.first - 2, 0), last=r.last + 3) for r in exact]
    narrow, wide = reckon(exact), reckon(vague)
    for position in range(90):
        assert within(narrow, position, position) <= within(wide, position, position)


# Baths ---------------------------------------------------------------------------------------------------------------


@given(seeds)
@settings(max_examples=300)
def test_a_bath_carries_what_its_spans_say_and_surely_what_they_call_sure(seed: int) -> None:
    chance = random.Random(seed)
    records: list[Record] = []
    contents: list[tuple[int, set[int | None]]] = []
    inside: set[int | None] = {None}
    for position in range(STEP, STEP * chance.randint(5, 30), STEP):
        where = around(chance, position, chance.choice([0, 0, 35]))
        match chance.choice(["charge", "charge", "dump", "pass", "pass", "pass", "pass"]):
            case "charge":
                inside = {*inside, position}
                records.append(Record(len(records) + 1, "charge", position, *where, happened=position))
            case "dump":
                cleaned = chance.random() < 0.5
                # A heel may hold of everything that was in, or of nothing that anybody would find.
                inside = set() if cleaned or chance.random() < 0.3 else {c for c in inside if chance.random() < 0.7}
                records.append(Record(len(records) + 1, "dump", None, *where, cleaned=cleaned, happened=position))
            case "pass":
                contents.append((position, set(inside)))
    reckoning = reckon(records)
    for position, truly in contents:
        assert truly <= within(reckoning, position, position)
        sure = {
            span.container
            for span in reckoning.spans
            if span.sure_from is not None and span.sure_from <= position < span.end
        }
        assert sure <= truly


# Tapes ---------------------------------------------------------------------------------------------------------------


@given(
    chain=st.integers(0, 120),
    more=st.integers(0, 12),
    distance=st.integers(-20, 60),
    size=st.integers(1, 12),
    data=st.data(),
)
def test_a_change_at_a_head_against_a_chain_filled_link_by_link(
    chain: int, more: int, distance: int, size: int, data: st.DataObject
) -> None:
    links = data.draw(st.lists(st.integers(0, size - 1), min_size=1, max_size=size, unique=True))
    sets = range((chain + more + 60) // size + 3)
    mixed_from, new_from = [], []
    for passed in range(chain, chain + more + 1):
        # `passed` links have gone by; the head stands over link `passed + distance`, which is its next to fill.
        filled = {(s, link): "new" if s * size + link >= passed + distance else "old" for s in sets for link in links}
        mixed_from.append(min(s for s in sets if any(filled[s, link] == "new" for link in links)))
        new_from.append(min(s for s in sets if all(filled[s, link] == "new" for link in links)))
    found = board_sets_at(chain=chain, distance=distance, links=links, links_per_set=size, chain_end=chain + more)
    assert found == (min(mixed_from), max(new_from))


@pytest.mark.parametrize("places", [1, 2])
@given(seed=seeds)
def test_a_place_filled_by_hand_carries_what_its_spans_say(places: int, seed: int) -> None:
    chance = random.Random(seed)
    by_hand = {position for position in range(40) if chance.random() < 0.2}
    loads = {position for position in range(40) if chance.random() < 0.1}
    records = [
        Record(100 + position, "load", position + 1, position, position, happened=position) for position in loads
    ] + [
        Record(500 + position, "hand-fill", 1000 + position, *around(chance, position, chance.choice([0, 2])))
        for position in by_hand
    ]
    reckoning = reckon(records, places=places)
    fed: int | None = None
    for position in range(40):
        fed = position + 1 if position in loads else fed
        candidates = within(reckoning, position, position)
        if position in by_hand:
            assert 1000 + position in candidates
        if position not in by_hand or places == 2:
            assert fed in candidates
