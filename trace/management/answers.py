"""What the commands that answer questions share: reading what was typed, times, and plain tables."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Iterable, Iterator, Sequence
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from trace.core.errors import Refusal

WIDTH = 100
"""Columns of a terminal that every table fits."""


class Refused(CommandError):
    """A refusal as a command gives it: its sentence on stderr, exit code 1."""


class AnswerCommand(BaseCommand):
    """A command that answers a question: refusals come as sentences, and a reader that has seen
    enough (`| head`) is no fault."""

    def execute(self, *args: Any, **options: Any) -> str | None:
        try:
            return super().execute(*args, **options)
        except Refusal as refusal:
            raise Refused(str(refusal)) from None
        except BrokenPipeError:
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())  # or Python complains once more at exit
            return None


def add_times(parser: CommandParser) -> None:
    """The two times of a question."""
    parser.add_argument("--at", metavar="MOMENT", help="as of then, such as “2026-11-03 14:00” (the plant's time)")
    parser.add_argument("--known", metavar="MOMENT", help="as known then: nothing that was recorded later is believed")


def dump(answer: Any) -> str:
    """An answer as JSON: what JSON has no kind for, money and quantities among it, as text."""
    return json.dumps(answer, indent=2, ensure_ascii=False, default=str)


def table(heads: Sequence[str], rows: Iterable[Sequence[object]], right: Iterable[int] = ()) -> Iterator[str]:
    """The lines of a table, indented, each at most WIDTH wide: the widest column gives way.

    `right`: columns that are set flush right.
    """
    cells = [list(map(str, row)) for row in rows]
    widths = [max(map(len, column)) for column in zip(heads, *cells, strict=True)]
    while sum(widths) + 2 * len(widths) > WIDTH:
        widths[widths.index(max(widths))] -= 1
    numbers = set(right)
    for row in (heads, *cells):
        fitted = [
            cell if len(cell) <= width else cell[: width - 1] + "…" for cell, width in zip(row, widths, strict=True)
        ]
        placed = [
            c.rjust(w) if i in numbers else c.ljust(w) for i, (c, w) in enumerate(zip(fitted, widths, strict=True))
        ]
        yield ("  " + "  ".join(placed)).rstrip()
