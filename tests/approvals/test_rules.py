"""What a signature proves, and what a scope takes in: no database."""

from __future__ import annotations

import pytest

from trace.approvals.rules import WORDS, Verdict, covers, judge_signature

SHOWN = {"kind": "lot", "key": "K77", "digest": "d", "name": "Ann", "meaning": "approved"}


@pytest.mark.parametrize(
    ("shown", "sealed", "now", "verdict"),
    [
        ({}, {}, "d", Verdict.VALID),
        ({}, {}, "e", Verdict.CHANGED),
        ({"key": "K78"}, {}, "d", Verdict.MOVED),
        ({"kind": "unit"}, {}, "d", Verdict.MOVED),
        ({"digest": "e"}, {}, "e", Verdict.MOVED),
        ({"name": "Bo"}, {}, "d", Verdict.FORGED),
        ({"meaning": "reviewed"}, {}, "d", Verdict.FORGED),
        ({}, None, "d", Verdict.FORGED),
        ({}, {"more": 1}, "d", Verdict.FORGED),
    ],
)
def test_what_became_of_a_signature(shown: dict, sealed: dict | None, now: str, verdict: Verdict) -> None:
    assert judge_signature(SHOWN | shown, None if sealed is None else SHOWN | sealed, now) == verdict
    assert WORDS[verdict].endswith(".")


ABOUT = {"part": {"BOARD"}, "step": {"20"}, "station": {"TEST"}, "unit": {"SN-1"}, "lot": set()}


@pytest.mark.parametrize(
    ("scope", "covered"),
    [
        (["part:BOARD"], True),
        (["part:BOARD", "part:OTHER"], True),
        (["part:BOARD", "station:TEST"], True),
        (["part:BOARD", "station:FINAL"], False),
        (["unit:SN-2"], False),
        (["lot:K77"], False),
        (["step:2"], False),
    ],
)
def test_of_each_kind_that_a_scope_names_what_is_scanned_is_among_those_named(scope: list[str], covered: bool) -> None:
    assert covers(scope, ABOUT) is covered


def test_a_scope_of_lots_takes_in_what_is_about_these_lots_alone() -> None:
    assert covers(["lot:A", "lot:B"], {"lot": {"A"}}) and not covers(["lot:A"], {"lot": {"A", "B"}})
