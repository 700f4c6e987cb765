"""Sampling by attributes against the published tables; switching against a plain retelling of its rules."""

from __future__ import annotations

from decimal import Decimal
from math import comb

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.material.z14 import CODE_LETTERS, PLANS
from trace.material.sampling import (
    AQLS,
    LETTERS,
    LEVELS,
    UP_TO,
    Judged,
    Plan,
    Ruling,
    Severity,
    find_letter,
    find_plan,
    share,
    switch,
)


def plan(lot_size: int, level: str, aql: str, severity: Severity = Severity.NORMAL) -> Plan:
    return find_plan(severity, find_letter(lot_size, level), Decimal(aql))


@pytest.mark.parametrize(
    ("lot", "level", "aql", "severity", "expected"),
    [
        # Printed by the vignette of AQLSchemes 1.7-2.
        (5_000, "II", "1.5", "normal", ("L", 200, 7, 8)),
        # MIL-STD-105E / ANSI Z1.4, tables I and II-A to II-C, as carried by AQLSchemes 1.7-2.
        (2_000, "II", "1.0", "normal", ("K", 125, 3, 4)),
        (2_000, "II", "1.0", "tightened", ("K", 125, 2, 3)),
        (2_000, "II", "1.0", "reduced", ("K", 50, 1, 4)),
        (800, "II", "1.0", "normal", ("J", 80, 2, 3)),
        (400, "II", "2.5", "normal", ("H", 50, 3, 4)),
        (120, "II", "0.65", "normal", ("F", 20, 0, 1)),
        (5_000, "II", "0.65", "normal", ("L", 200, 3, 4)),
        (5_000, "I", "0.40", "normal", ("K", 125, 1, 2)),  # J has an arrow there
        # ANSI Z1.4 single plans, the ends of the tables.
        (5, "II", "0.010", "normal", ("Q", 1250, 0, 1)),
        (10**6, "III", "0.015", "normal", ("P", 800, 0, 1)),
        (10**6, "III", "0.025", "tightened", ("S", 3150, 1, 2)),
        (5, "II", "10", "tightened", ("D", 8, 1, 2)),
    ],
)
def test_plans_as_printed(lot: int, level: str, aql: str, severity: str, expected: tuple[str, int, int, int]) -> None:
    assert plan(lot, level, aql, Severity(severity)) == expected


def test_code_letters_of_level_ii_as_printed() -> None:
    """Table I of ANSI Z1.4: 2–8 A, 9–15 B … over 500,000 Q."""
    ends = [(low + 1, high) for low, high in zip((1, *UP_TO), (*UP_TO, 10**7), strict=True)]
    assert [(find_letter(low, "II"), find_letter(high, "II")) for low, high in ends] == [
        (x, x) for x in "ABCDEFGHJKLMNPQ"
    ]
    assert find_letter(1, "II") == "A"  # every piece of it, then


def test_every_code_letter_and_plan_of_the_tables() -> None:
    for sizes, *letters in map(str.split, CODE_LETTERS.strip().splitlines()):
        low = int(sizes.rstrip("+").partition("-")[0])
        high = int(sizes.partition("-")[2] or 10**7)
        assert [find_letter(low, level) for level in LEVELS] == letters
        assert [find_letter(high, level) for level in LEVELS] == letters
    for severity, table in PLANS.items():
        for letter, row in zip(LETTERS[:-1], table.strip().splitlines(), strict=True):
            found = [find_plan(Severity(severity), letter, aql) for aql in AQLS]
            assert " ".join(f"{p.size}:{p.accept}/{p.reject}" for p in found) == row, (severity, letter)


def accepted(size: int, most: int, share_bad: float) -> float:
    """The probability that a sample with so large a share of nonconforming pieces is accepted: binomial."""
    return sum(comb(size, n) * share_bad**n * (1 - share_bad) ** (size - n) for n in range(most + 1))


@pytest.mark.parametrize(
    ("found", "share_bad", "probability"),
    [
        # Exact binomial, of the plans 125/3, 200/7, 80/2 and 20/0; computed with SciPy's binom.cdf.
        (plan(2_000, "II", "1.0"), 0.01, 0.962551),
        (plan(2_000, "II", "1.0"), 0.02, 0.758670),
        (plan(2_000, "II", "1.0"), 0.05, 0.123785),
        (plan(5_000, "II", "1.5"), 0.015, 0.988740),
        (plan(5_000, "II", "1.5"), 0.02, 0.950665),
        (plan(5_000, "II", "1.5"), 0.05, 0.213305),
        (plan(800, "II", "1.0"), 0.01, 0.953447),
        (plan(800, "II", "1.0"), 0.05, 0.230621),
        (plan(120, "II", "0.65"), 0.01, 0.817907),
    ],
)
def test_operating_characteristic(found: Plan, share_bad: float, probability: float) -> None:
    assert accepted(found.size, found.accept, share_bad) == pytest.approx(probability, abs=1e-6)


# Switching -----------------------------------------------------------------------------------------------------------

GOOD, BAD, MARGINAL = Judged(True), Judged(False), Judged(True, True)


@pytest.mark.parametrize(
    ("history", "severity"),
    [
        # ANSI/ASQ Z1.4 8.3, ISO 2859-1 9.3 and 9.4 (from memory; ISO counts a switching score instead of ten lots).
        ([], "normal"),
        ([BAD, GOOD, GOOD, GOOD, GOOD, BAD], "normal"),  # two of six
        ([BAD, GOOD, GOOD, GOOD, BAD], "tightened"),
        ([BAD, BAD], "tightened"),
        ([BAD, BAD, *[GOOD] * 4], "tightened"),
        ([BAD, BAD, *[GOOD] * 5], "normal"),
        ([BAD, BAD, *[GOOD] * 5, BAD], "normal"),  # what was before does not count again
        ([BAD, BAD, *[BAD, GOOD] * 4], "tightened"),
        ([BAD, BAD, *[BAD, GOOD] * 4, BAD], "discontinued"),
        ([BAD] * 7, "discontinued"),
        ([*[BAD] * 7, *[GOOD] * 9], "discontinued"),
        ([*[BAD] * 7, Ruling.PERMIT], "discontinued"),
        ([*[BAD] * 7, Ruling.RESUME], "tightened"),
        ([*[BAD] * 7, Ruling.RESUME, *[GOOD] * 5], "normal"),
        ([GOOD] * 20, "normal"),
        ([Ruling.PERMIT, *[GOOD] * 9], "normal"),
        ([Ruling.PERMIT, *[GOOD] * 10], "reduced"),
        ([*[GOOD] * 10, Ruling.PERMIT], "reduced"),
        ([Ruling.PERMIT, *[GOOD] * 10, GOOD], "reduced"),
        ([Ruling.PERMIT, *[GOOD] * 10, MARGINAL], "normal"),
        ([Ruling.PERMIT, *[GOOD] * 10, BAD], "normal"),
        ([Ruling.PERMIT, *[GOOD] * 10, Ruling.FORBID], "normal"),
        ([Ruling.PERMIT, *[GOOD] * 10, Ruling.FORBID, *[GOOD] * 10], "normal"),
        ([Ruling.RESUME], "normal"),
    ],
)
def test_switching(history: list[Judged | Ruling], severity: str) -> None:
    assert switch(history).severity == severity


def retell(history: list[Judged | Ruling]) -> str:
    """The rules once more, with counters in place of a list of lots."""
    now, permitted = "normal", False
    last_five: list[int] = []  # ages of the rejected, normal
    good = bad = 0
    for event in history:
        was = now
        if event == Ruling.PERMIT:
            permitted = True
        elif event == Ruling.FORBID:
            permitted = False
            now = "normal" if now == "reduced" else now
        elif event == Ruling.RESUME:
            now = "tightened" if now == "discontinued" else now
        else:
            last_five = [age + 1 for age in last_five if age < 4]
            good, bad = (good + 1, bad) if event.accepted else (0, bad + 1)
            last_five += [] if event.accepted else [0]
            if now == "normal" and len(last_five) > 1:
                now = "tightened"
            elif now == "tightened" and good >= 5:
                now = "normal"
            elif now == "tightened" and bad >= 5:
                now = "discontinued"
            elif now == "reduced" and (event.marginal or not event.accepted):
                now = "normal"
        if now != was:
            last_five, good, bad = [], 0, 0
        if now == "normal" and permitted and good >= 10:
            now, last_five, good, bad = "reduced", [], 0, 0
    return now


events = st.one_of(
    st.sampled_from([GOOD] * 12 + [BAD, MARGINAL]), st.sampled_from([BAD, GOOD]), st.sampled_from(list(Ruling))
)


@given(st.lists(events, max_size=60))
def test_switching_as_told_once_more(history: list[Judged | Ruling]) -> None:
    assert switch(history).severity == retell(history)


@given(st.integers(0, 3_000), st.lists(st.integers(0, 5_000), min_size=1, max_size=12))
def test_a_sample_is_shared_out_whole_and_in_proportion(pieces: int, among: list[int]) -> None:
    shares = share(pieces, among)
    total = sum(among)
    assert sum(shares) == min(pieces, total)
    for drawn, held in zip(shares, among, strict=True):
        assert 0 <= drawn <= held
        assert not total or abs(drawn - min(pieces, total) * held / total) < 1
