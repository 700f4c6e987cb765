"""What the commands that answer questions share: reading what was typed, times, and plain tables."""

from __future__ import annotations

import json
import os
import re
import sys
from collections.abc import Iterable, Iterator, Sequence
from itertools import groupby
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


def natural(text: str) -> list[tuple[int, str, int]]:
    """A key that sorts R2 before R10."""
    return [(1, "", int(piece)) if piece.isdigit() else (0, piece, 0) for piece in re.split(r"(\d+)", text)]


def compact(names: Iterable[str]) -> str:
    """Designators in natural order, runs of three and more drawn together: C1–C13, R2, R4."""
    split = [re.fullmatch(r"(.*?)(0|[1-9]\d*)?", name) for name in sorted(names, key=natural)]
    numbered = [(m[1], int(m[2]) if m[2] else None) for m in split if m]
    runs = groupby(enumerate(numbered), lambda item: (item[1][0], item[1][1] is None, (item[1][1] or 0) - item[0]))
    pieces = []
    for _, run in runs:
        found = [f"{prefix}{'' if number is None else number}" for _, (prefix, number) in run]
        pieces += found if len(found) < 3 else [f"{found[0]}–{found[-1]}"]
    return ", ".join(pieces)
