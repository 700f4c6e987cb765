"""Labels of what came of a unit: scanned at a station after its work."""

from __future__ import annotations

from collections.abc import Mapping

from django.conf import settings

from trace.floor.models import Pass
from trace.labels.label import Label

RESULTS: Mapping[str, Pass.Outcome] = {
    one.upper(): one for one in (Pass.Outcome.PASSED, Pass.Outcome.FAILED, Pass.Outcome.ABORTED)
}
"""The word on the label, and what it says came of the unit. It may be typed, too."""

LETTER = "Z"
"""In place of the letter of a kind of thing."""


def read_result(text: str) -> Pass.Outcome | None:
    """What a scanned or typed text says came of a unit; None where it says nothing of that kind."""
    head, slash, word = text.strip().upper().rpartition("/")
    ours = not slash or head in (LETTER, f"{settings.LABEL_URL}{LETTER}")
    return RESULTS.get(word) if ours else None


def make_result_labels() -> list[Label]:
    """One for each result."""
    said = "Scan it after the unit, at the station."
    return [Label(f"{settings.LABEL_URL}{LETTER}/{word}", word, (said,)) for word in RESULTS]
