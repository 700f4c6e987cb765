"""A label: a code that is scanned, the same to read, and lines beside it. Drawn as vectors, at any size."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from qrcode.main import QRCode
from reportlab.lib.units import mm
from reportlab.pdfbase.pdfmetrics import registerFont, stringWidth
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas

from trace.labels.code import encode

PLAIN, BOLD = "DejaVuSansCondensed", "DejaVuSansCondensed-Bold"

MARGIN = 1.5 * mm
SMALLEST, LARGEST = 4.5, 11.0
"""Points of a line: what can still be read, and what need not be larger."""
LEADING = 1.18
HEAD = 1.35
"""By how much the code to read is larger than a line."""
ALONE = 1.5
"""A label less wide than so many times its height has the code alone."""
SMALLEST_MODULE = 0.25 * mm
"""Two dots of a printer of 203 dpi, three of one of 300. What is finer most scanners don't read (common practice)."""


@dataclass(frozen=True)
class Label:
    """What is on a label: `code` in the QR code, `head` large beside it, then lines, the most important first: those
    that a small label has no room for are left out from the end."""

    code: str
    head: str
    lines: tuple[str, ...] = ()


def draw(canvas: Canvas, label: Label, left: float, bottom: float, width: float, height: float) -> None:
    """Draw a label into a rectangle (points). The code is a square at its left, its white border in it; alone where
    there is no room to read anything beside it. Where the modules of a link would be too small, the code holds what the
    head says: every scanner of the plant reads that too, a phone opens nothing by it."""
    register_fonts()
    alone = width < ALONE * height
    side = min(height, width) if alone else min(height, width / 2)
    code = encode(label.code)
    if side / len(code.get_matrix()) < SMALLEST_MODULE:
        code = encode(label.head)
    draw_code(canvas, code, left + (width - side) / 2 * alone, bottom + (height - side) / 2, side)
    if alone:
        return
    x, room = left + side, width - side - MARGIN
    high = height - 2 * MARGIN
    size = max(SMALLEST, min(LARGEST, high / LEADING / (HEAD + len(label.lines))))
    y = bottom + height - MARGIN
    for font, wanted, line in [(BOLD, size * HEAD, label.head), *((PLAIN, size, line) for line in label.lines)]:
        for fitted, text in _fit(font, line, wanted, room):
            y -= fitted * LEADING
            if y < bottom + MARGIN - 0.01:
                return
            canvas.setFont(font, fitted)
            canvas.drawString(x, y + fitted * (LEADING - 1), text)


def draw_code(canvas: Canvas, code: QRCode, left: float, bottom: float, side: float) -> None:
    """A code with its white border. All modules are one path: apart, their edges would show where they meet."""
    rows = code.get_matrix()
    module = side / len(rows)
    path = canvas.beginPath()
    for number, row in enumerate(reversed(rows)):
        for first, end in _runs(row):
            path.rect(left + first * module, bottom + number * module, (end - first) * module, module)
    canvas.drawPath(path, stroke=0, fill=1)


def _runs(row: list[bool | None]) -> Iterator[tuple[int, int]]:
    """Where the dark stretches of a row begin and end."""
    edges = [n for n in range(len(row) + 1) if bool(n and row[n - 1]) != bool(n < len(row) and row[n])]
    return zip(edges[::2], edges[1::2], strict=True)


def _fit(font: str, text: str, size: float, room: float) -> Iterator[tuple[float, str]]:
    """The text as large as there is room for it in one line, else in several of the smallest letters, broken between
    words. A word that is too long even then is cut, and shows it."""
    fitted = min(size, size * room / max(stringWidth(text, font, size), 0.1))
    if fitted >= SMALLEST:
        yield fitted, text
        return
    line = ""
    for word in text.split():
        if line and stringWidth(f"{line} {word}", font, SMALLEST) > room:
            yield SMALLEST, _cut(font, line, room)
            line = word
        else:
            line = f"{line} {word}".strip()
    yield SMALLEST, _cut(font, line, room)


def _cut(font: str, text: str, room: float) -> str:
    if stringWidth(text, font, SMALLEST) <= room:
        return text
    while text and stringWidth(f"{text}…", font, SMALLEST) > room:
        text = text[:-1]
    return f"{text}…"


@cache
def register_fonts() -> None:
    """Make the typeface known to the writer of PDF files."""
    for name in (PLAIN, BOLD):
        registerFont(TTFont(name, Path(__file__).parent / "fonts" / f"{name}.ttf"))
