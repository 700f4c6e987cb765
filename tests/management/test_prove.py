"""`manage.py prove`: what it prints, and when it fails."""

from __future__ import annotations

from collections import Counter
from io import StringIO

import pytest
from django.core.management import CommandError, call_command

from trace.demo.simulator.disturbances import KINDS
from trace.demo.simulator.proof import Verdict
from trace.demo.simulator.truth import Fault, Tally
from trace.management.commands import prove

FAULT = Fault("missed", "B-1", "lot LA", "LA from LA-1")


def run(monkeypatch: pytest.MonkeyPatch, verdicts: list[Verdict], **options: object) -> str:
    monkeypatch.setattr(prove, "find_verdicts", lambda *_: iter(verdicts))
    out = StringIO()
    try:
        call_command("prove", stdout=out, **options)
    except CommandError as error:
        return f"{out.getvalue()}\n{error}"
    return out.getvalue()


def tally(changed: int, *faults: Fault) -> Tally:
    return Tally(plants=1, changed=Counter(dict.fromkeys(KINDS, changed)), faults=list(faults))


def test_a_run_without_faults_reports_every_disturbance(monkeypatch: pytest.MonkeyPatch) -> None:
    shown = run(monkeypatch, [Verdict(1, tally(1))])
    assert "Missed 0" in shown and all(name in shown for name in KINDS)
    assert "Too few" not in shown


def test_a_fault_is_shown_with_its_seed_and_story_and_fails_the_run(monkeypatch: pytest.MonkeyPatch) -> None:
    verdict = Verdict(7, tally(1, FAULT), ("06:00:30 — splice",), (FAULT,), 3)
    shown = run(monkeypatch, [verdict], size="small")
    assert "manage.py prove --plants 1 --seed 7 --size small" in shown
    assert "missed: B-1, lot LA" in shown and "— splice" in shown
    assert shown.endswith("1 faults in 20 plants.")


def test_a_disturbance_that_changed_too_few_answers_fails_the_run(monkeypatch: pytest.MonkeyPatch) -> None:
    assert "Too few answers were changed by" in run(monkeypatch, [Verdict(1, tally(0))])
    assert "Too few answers were changed by" in run(monkeypatch, [Verdict(1, tally(99))], deep=True)
    assert "Too few" not in run(monkeypatch, [Verdict(1, tally(100))], deep=True)
