"""On what labels are printed: single ones, a page each, and sheets of A4."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from io import BytesIO

from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas

from trace.core.errors import Refusal
from trace.labels.label import Label, draw

A4 = (210.0, 297.0)
"""mm, ISO 216."""

MOST = 500
"""Labels in one file."""


class PrintRefused(Refusal):
    """Labels can't be printed so."""

    code = "print-refused"
    action = "Choose what the page offers, and print again."


SIZES: Mapping[str, tuple[float, float]] = {"38x19": (38, 19), "57x32": (57, 32), "100x50": (100, 50)}
"""Single labels: name, width and height in mm."""

SMALL: Mapping[str, tuple[float, float]] = {"10x10": (10, 10), "15x15": (15, 15), "25x8": (25, 8), "50x15": (50, 15)}
"""Those for boards. Their modules are of 0.25 mm and more: two dots at 203 dpi, one at 100."""


@dataclass(frozen=True)
class Sheet:
    """Labels in columns and rows in the middle of an A4 sheet; mm, `between` columns."""

    columns: int
    rows: int
    width: float
    height: float
    between: float = 2.5

    @property
    def places(self) -> int:
        """So many labels are on it."""
        return self.columns * self.rows

    def corners(self) -> Iterator[tuple[float, float]]:
        """The lower left corner of each label in mm from that of the sheet: row by row from the top."""
        left = (A4[0] - self.columns * self.width - (self.columns - 1) * self.between) / 2
        top = (A4[1] + self.rows * self.height) / 2
        for place in range(self.places):
            row, column = divmod(place, self.columns)
            yield left + column * (self.width + self.between), top - (row + 1) * self.height

    def __str__(self) -> str:
        return f"{self.columns} × {self.rows} of {self.width:g} × {self.height:g} mm"


SHEETS: Mapping[str, Sheet] = {
    "3x7": Sheet(3, 7, 63.5, 38.1),
    "2x7": Sheet(2, 7, 99.1, 38.1),
    "5x13": Sheet(5, 13, 38.1, 21.2),
}
"""Sheets of self-adhesive labels as they are sold (from memory): try one on plain paper."""

SMALL_SHEETS: Mapping[str, Sheet] = {"7x27": Sheet(7, 27, 25.4, 10)}
"""Those with labels for boards."""

EVERY_SIZE, EVERY_SHEET = {**SIZES, **SMALL}, {**SHEETS, **SMALL_SHEETS}


def print_singles(labels: Sequence[Label], size: str) -> bytes:
    """A PDF with a page for each label. Refuses with PrintRefused a size that there is not, no labels or too many."""
    _check(labels, size, EVERY_SIZE)
    width, height = (side * mm for side in EVERY_SIZE[size])
    canvas, file = begin((width, height), _title(labels))
    for label in labels:
        draw(canvas, label, 0, 0, width, height)
        canvas.showPage()
    canvas.save()
    return file.getvalue()


def print_sheets(labels: Sequence[Label], sheet: str, start: int = 1) -> bytes:
    """A PDF of as many A4 sheets as the labels need, the first of them from place `start` on (1 is at the top left).

    Refuses with PrintRefused a sheet that there is not, a place that is not on it, no labels or too many.
    """
    _check(labels, sheet, EVERY_SHEET)
    paper = EVERY_SHEET[sheet]
    if not 1 <= start <= paper.places:
        raise PrintRefused(f"The sheet has places 1 to {paper.places}, and no {start}.")
    canvas, file = begin((A4[0] * mm, A4[1] * mm), _title(labels))
    corners = list(paper.corners())
    for number, label in enumerate(labels, start - 1):
        if number >= paper.places and number % paper.places == 0:
            canvas.showPage()
        left, bottom = corners[number % paper.places]
        draw(canvas, label, left * mm, bottom * mm, paper.width * mm, paper.height * mm)
    canvas.save()
    return file.getvalue()


def _check(labels: Sequence[Label], name: str, offered: Mapping[str, object]) -> None:
    if name not in offered:
        raise PrintRefused(f"No labels are called “{name[:20]}”.", action=f"Choose one of {', '.join(offered)}.")
    if not 0 < len(labels) <= MOST:
        raise PrintRefused(f"Between 1 and {MOST} labels can be printed together, not {len(labels)}.")


def _title(labels: Sequence[Label]) -> str:
    return f"Labels: {labels[0].head}{' …' if len(labels) > 1 else ''}"


def begin(size: tuple[float, float], title: str) -> tuple[Canvas, BytesIO]:
    """A new file; printed twice, the same things make the same file."""
    file = BytesIO()
    canvas = Canvas(file, pagesize=size, invariant=1, lang="en")
    canvas.setTitle(title)
    return canvas, file
