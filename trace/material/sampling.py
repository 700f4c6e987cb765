"""Sampling for acceptance by attributes: ANSI/ASQ Z1.4, ISO 2859-1. Tables as data, decisions pure.

Nonconforming pieces are counted, so AQLs reach up to 10 per cent; the standard's columns beyond are for nonconformities
per hundred pieces.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Sequence
from decimal import Decimal
from typing import NamedTuple

from django.db.models import TextChoices


class Severity(TextChoices):
    """How strictly lots of a supplier are sampled."""

    NORMAL = "normal", "normal"
    TIGHTENED = "tightened", "tightened"
    REDUCED = "reduced", "reduced"
    DISCONTINUED = "discontinued", "discontinued"


class Ruling(TextChoices):
    """What a quality engineer decides about the sampling of a supplier's lots."""

    PERMIT = "reduced permitted", "reduced inspection is permitted"
    FORBID = "reduced withdrawn", "reduced inspection is no longer permitted"
    RESUME = "resumed", "sampling is resumed: the supplier has put right what was wrong"


class Plan(NamedTuple):
    """A single sampling plan: accept up to `accept` nonconforming pieces in a sample of `size`, reject from `reject`
    on. In between, which only reduced inspection has, the lot is accepted and inspection is normal again."""

    letter: str
    size: int
    accept: int
    reject: int


LETTERS = "ABCDEFGHJKLMNPQRS"
"""Code letters. S stands in the tightened table alone."""

AQLS = tuple(
    Decimal(percent) / 1000
    for percent in (10, 15, 25, 40, 65, 100, 150, 250, 400, 650, 1_000, 1_500, 2_500, 4_000, 6_500, 10_000)
)
"""Acceptance quality limits, per cent nonconforming: the standard's columns."""

UP_TO = (8, 15, 25, 50, 90, 150, 280, 500, 1_200, 3_200, 10_000, 35_000, 150_000, 500_000)
"""The largest lot of each row of the table of code letters; the last row has no end."""

LEVELS = {
    "S-1": "AAAABBBBCCCCDDD",
    "S-2": "AAABBBCCCDDDEEE",
    "S-3": "AABBCCDDEEFFGGH",
    "S-4": "AABCCDEEFGGHJJK",
    "I": "AABCCDEFGHJKLMN",
    "II": "ABCDEFGHJKLMNPQ",
    "III": "BCDEFGHJKLMNPQR",
}
"""Table I: per inspection level the code letter of each row."""

SIZES = {
    Severity.NORMAL: (2, 3, 5, 8, 13, 20, 32, 50, 80, 125, 200, 315, 500, 800, 1250, 2000),
    Severity.TIGHTENED: (2, 3, 5, 8, 13, 20, 32, 50, 80, 125, 200, 315, 500, 800, 1250, 2000, 3150),
    Severity.REDUCED: (2, 2, 2, 3, 5, 8, 13, 20, 32, 50, 80, 125, 200, 315, 500, 800),
}
"""Sample size per code letter."""

STRICTER = {Severity.NORMAL: 14, Severity.TIGHTENED: 15, Severity.REDUCED: 14}
"""Where the diagonal of plans that accept none crosses: rank of the letter and of the AQL together."""

NUMBERS = {
    Severity.NORMAL: {n: (a, a + 1) for n, a in zip((0, *range(3, 11)), (0, 1, 2, 3, 5, 7, 10, 14, 21), strict=True)},
    Severity.TIGHTENED: {n: (a, a + 1) for n, a in zip((0, *range(3, 10)), (0, 1, 2, 3, 5, 8, 12, 18), strict=True)},
    Severity.REDUCED: dict(
        zip(
            (0, *range(3, 11)),
            ((0, 1), (0, 2), (1, 3), (1, 4), (2, 5), (3, 6), (5, 8), (7, 10), (10, 13)),
            strict=True,
        )
    ),
}
"""Tables II-A to II-C: they are diagonals. So many steps beyond the one that accepts none: accept up to, reject
from. Where a table has an arrow there is nothing here."""


def find_letter(lot_size: int, level: str) -> str:
    """The code letter of a lot of so many pieces at an inspection level."""
    return LEVELS[level][bisect_left(UP_TO, lot_size)]


def find_plan(severity: Severity, letter: str, aql: Decimal) -> Plan:
    """The single sampling plan of a code letter and an AQL; an arrow leads to the next plan that there is, whose sample
    size and letter then count. KeyError or ValueError for what the standard does not have."""
    column, row = AQLS.index(aql), LETTERS.index(letter)
    steps = row + column - STRICTER[severity]
    up = steps > 3 or (steps == 1 and severity != Severity.TIGHTENED)
    rows = len(SIZES[severity])
    down_then_up = [*range(row, rows), *range(row, -1, -1)]
    up_then_down = [*range(row, -1, -1), *range(row, rows)]
    for at in up_then_down if up else down_then_up:
        found = NUMBERS[severity].get(at + column - STRICTER[severity])
        if found and (severity, at, found) != (Severity.TIGHTENED, 0, (0, 1)):  # which A does not have
            return Plan(LETTERS[at], SIZES[severity][at], *found)
    raise KeyError(f"{severity} {letter} {aql}")


class Judged(NamedTuple):
    """What became of a lot on original inspection. `marginal`: reduced inspection accepted it with more than it accepts
    up to."""

    accepted: bool
    marginal: bool = False


class Switched(NamedTuple):
    """How the next lot is inspected; `run` are the lots since that began, whether each was accepted."""

    severity: Severity
    permitted: bool
    run: tuple[bool, ...]


def switch(history: Iterable[Judged | Ruling]) -> Switched:
    """How strictly the next lot of a supplier is sampled, from what became of the lots before and what was ruled.

    Normal to tightened: two of five lots or fewer in a row rejected. Tightened to normal: five in a row accepted;
    discontinued once five were rejected on it. Normal to reduced: ten in a row accepted, and it is permitted by a
    quality engineer, who answers for the standard's other conditions (few nonconforming in all of them, steady
    production). Reduced to normal: a lot rejected or marginal, or no longer permitted. Discontinued to tightened:
    resumed.
    """
    severity, permitted, run = Severity.NORMAL, False, tuple[bool, ...]()
    for event in history:
        before = severity
        if isinstance(event, Ruling):
            if event != Ruling.RESUME:
                permitted = event == Ruling.PERMIT
            elif severity == Severity.DISCONTINUED:
                severity = Severity.TIGHTENED
            if severity == Severity.REDUCED and not permitted:
                severity = Severity.NORMAL
        else:
            run = (*run, event.accepted)
            severity = _after(severity, run, event.marginal)
        if severity != before:
            run = ()
        if severity == Severity.NORMAL and permitted and len(run) >= 10 and all(run[-10:]):
            severity, run = Severity.REDUCED, ()
    return Switched(severity, permitted, run)


def _after(severity: Severity, run: Sequence[bool], marginal: bool) -> Severity:
    match severity:
        case Severity.NORMAL if run[-5:].count(False) >= 2:
            return Severity.TIGHTENED
        case Severity.TIGHTENED if len(run) >= 5 and all(run[-5:]):
            return Severity.NORMAL
        case Severity.TIGHTENED if run.count(False) >= 5:
            return Severity.DISCONTINUED
        case Severity.REDUCED if marginal or not run[-1]:
            return Severity.NORMAL
    return severity


def share(pieces: int, among: Sequence[int]) -> list[int]:
    """How many of a sample's pieces to draw from each container, in proportion to what is in it."""
    total = sum(among)
    if not total:
        return [0] * len(among)
    pieces = min(pieces, total)
    shares = [pieces * one // total for one in among]
    by_rest = sorted(range(len(among)), key=lambda n: (-(pieces * among[n] % total), n))
    for n in by_rest[: pieces - sum(shares)]:
        shares[n] += 1
    return shares
