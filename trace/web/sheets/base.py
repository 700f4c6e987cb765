"""A thin page's content."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from trace.material.sequencing import RunOut
from trace.web.tables import Table

Fact = tuple[str, Any]


@dataclass(frozen=True)
class Sheet:
    """The content of one page: what it is in a sentence, its facts, its tables. `costs` are facts for those who may
    see what things cost."""

    sentence: str
    facts: Sequence[Fact]
    tables: Sequence[Table]
    costs: Sequence[Fact] = ()


def count(number: int, what: str) -> str:
    """A number with its noun: 1 lot, 2 lots."""
    return f"{number} {what}{'' if number == 1 else 's'}"


def lasting(runout: RunOut | None) -> str:
    """How long a feed lasts, in words."""
    if runout is None:
        return ""
    boards = f"{runout.least}" if runout.least == runout.most else f"{runout.least} to {runout.most}"
    minutes = "" if runout.minutes is None else f", {runout.minutes} minutes"
    return f"{boards} board{'' if boards == '1' else 's'}{minutes}"
