"""Travellers: the sheets that go with a unit, a rack or an order, with a code that every station scans, and the route
with places to sign as the fallback on paper. A page for each, or several where the route is long."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial

from reportlab.lib.units import mm
from reportlab.pdfbase.pdfmetrics import stringWidth
from reportlab.pdfgen.canvas import Canvas

from trace.labels.code import encode
from trace.labels.label import BOLD, PLAIN, draw_code, register_fonts
from trace.labels.paper import MOST, PrintRefused, begin

LEVEL = "Q"
"""A traveller goes through flux, heat and many hands: a quarter of its code may be lost."""

LEADING = 1.25
DEFERENCE = "Follow site procedure and local code; only qualified people may do these steps."
HOW = "Scan the code at every station. Only while that is not possible: sign here, with the time, and have it entered."


@dataclass(frozen=True)
class Paper:
    """A size of paper (ISO 216) and what goes on it, in mm; `text` in points. `columns`: step, what is done, result,
    who, when; together as wide as the paper between its margins."""

    width: float
    height: float
    margin: float
    code: float
    row: float
    text: float
    columns: tuple[float, float, float, float, float]


PAPERS: Mapping[str, Paper] = {
    "A4": Paper(210, 297, 12, 38, 12, 9, (11, 101, 25, 22, 27)),
    "A5": Paper(148, 210, 9, 32, 10.5, 7.5, (9, 66, 20, 17, 18)),
}
HEADS = ("Step", "What is done, and where", "Result", "Who", "When")


@dataclass(frozen=True)
class SheetStep:
    """A step as a traveller has it: its number, name, where it is done, what else must be known, its caution."""

    number: str
    name: str
    where: str = ""
    note: str = ""
    caution: str = ""


@dataclass(frozen=True)
class Traveller:
    """`code` is what is scanned, `head` the same to read; `of` says what it goes with, `name` what that is, `facts`
    more about it, the most important first."""

    code: str
    head: str
    of: str
    name: str
    facts: tuple[tuple[str, str], ...]
    steps: tuple[SheetStep, ...]

    @property
    def cautions(self) -> list[str]:
        """Each caution of the route once, with its steps."""
        steps: dict[str, list[str]] = defaultdict(list)
        for step in self.steps:
            if step.caution:
                steps[step.caution].append(step.number)
        return [f"Step{'s' * (len(of) > 1)} {', '.join(of)}: {caution}" for caution, of in steps.items()]


def print_travellers(travellers: Sequence[Traveller], paper: str) -> bytes:
    """A PDF of travellers one after the other, each from a new page on. Refuses with PrintRefused a paper that there is
    not, none or too many."""
    if paper not in PAPERS:
        raise PrintRefused(f"There is no paper “{paper[:20]}”.", action=f"Choose one of {', '.join(PAPERS)}.")
    if not 0 < len(travellers) <= MOST:
        raise PrintRefused(f"Between 1 and {MOST} travellers can be printed together, not {len(travellers)}.")
    register_fonts()
    size = PAPERS[paper]
    more = " …" * (len(travellers) > 1)
    canvas, file = begin((size.width * mm, size.height * mm), f"Travellers: {travellers[0].head}{more}")
    for traveller in travellers:
        pages = list(_paginate(traveller, size))
        for number, blocks in enumerate(pages, 1):
            y = _draw_top(canvas, traveller, size)
            for block in blocks:
                block.draw(canvas, y)
                y -= block.height
            _draw_foot(canvas, traveller, size, f"page {number} of {len(pages)}")
            canvas.showPage()
    canvas.save()
    return file.getvalue()


def code_place(paper: str) -> tuple[float, float, float]:
    """Left edge, upper edge (from that of the paper) and side of the code on every page, white border included; mm."""
    size = PAPERS[paper]
    return size.margin, size.margin, size.code


# What stands below each other ----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Block:
    """Something as wide as the page; `draw` is told where its upper edge is. The `head` of a table comes again on each
    page on which its `row`s go on."""

    height: float
    draw: Callable[[Canvas, float], None]
    row: bool = False


def _paginate(traveller: Traveller, size: Paper) -> Iterator[list[_Block]]:
    """The blocks of each page."""
    room = (size.height - 2 * size.margin - size.code - 6) * mm
    head = _head(size)
    page: list[_Block] = []
    left = room
    for block in [*_caution_blocks(traveller, size), head, *(_row(step, size) for step in traveller.steps)]:
        if block.height > left and page:
            yield page
            page = [head] if block.row else []
            left = room - sum(one.height for one in page)
        page.append(block)
        left -= block.height
    yield page


def _caution_blocks(traveller: Traveller, size: Paper) -> Iterator[_Block]:
    cautions = traveller.cautions
    lines = [(BOLD, "Caution"), *((PLAIN, text) for text in cautions), (BOLD, DEFERENCE)] if cautions else []
    width = (size.width - 2 * size.margin - 4) * mm
    for font, text in lines:
        wrapped = wrap(text, font, size.text, width)
        yield _Block((len(wrapped) * LEADING + 0.35) * size.text, partial(_draw_caution, size, font, wrapped))
    if lines:
        yield _Block(3 * mm, lambda canvas, y: None)


def _draw_caution(size: Paper, font: str, lines: Sequence[str], canvas: Canvas, y: float) -> None:
    high = (len(lines) * LEADING + 0.35) * size.text
    canvas.rect(size.margin * mm, y - high, 1.2 * mm, high, stroke=0, fill=1)
    _draw_lines(canvas, (size.margin + 4) * mm, y, [(font, size.text, line) for line in lines])


def _head(size: Paper) -> _Block:
    def draw(canvas: Canvas, y: float) -> None:
        for (x, _), text in zip(_columns(size), HEADS, strict=True):
            _draw_lines(canvas, x + 1 * mm, y, [(BOLD, size.text * 0.9, text)])

    return _Block(size.text * LEADING * 1.3, draw)


def _row(step: SheetStep, size: Paper) -> _Block:
    room = (size.columns[1] - 2) * mm
    said = [(BOLD, step.name), (PLAIN, step.where), (PLAIN, step.note)]
    said.append((BOLD, f"Caution: {step.caution}" if step.caution else ""))
    lines = [(font, size.text, line) for font, text in said if text for line in wrap(text, font, size.text, room)]
    high = max(size.row * mm, (len(lines) * LEADING + 0.6) * size.text)

    def draw(canvas: Canvas, y: float) -> None:
        canvas.setLineWidth(0.4)
        columns = _columns(size)
        for x, width in columns:
            canvas.rect(x, y - high, width, high)
        number = _fit(step.number, size.text * 1.15, columns[0][1] - 2 * mm)
        _draw_lines(canvas, columns[0][0] + 1 * mm, y, [(BOLD, number, step.number)])
        _draw_lines(canvas, columns[1][0] + 1 * mm, y, lines)
        _draw_boxes(canvas, size, columns[2][0], y)

    return _Block(high, draw, row=True)


def _draw_boxes(canvas: Canvas, size: Paper, x: float, y: float) -> None:
    for number, word in enumerate(("passed", "failed")):
        top = y - (1 + number * size.row * 0.45) * mm
        canvas.rect(x + 1.2 * mm, top - 3 * mm, 3 * mm, 3 * mm)
        _draw_lines(canvas, x + 5.2 * mm, top + 0.4 * mm, [(PLAIN, size.text * 0.9, word)])


def _columns(size: Paper) -> list[tuple[float, float]]:
    """Left edge and width of each column."""
    found, x = [], size.margin
    for width in size.columns:
        found.append((x * mm, width * mm))
        x += width
    return found


# What stands on every page -------------------------------------------------------------------------------------------


def _draw_top(canvas: Canvas, traveller: Traveller, size: Paper) -> float:
    """The code and what it is of; where the rest begins."""
    top = (size.height - size.margin) * mm
    draw_code(canvas, encode(traveller.code, LEVEL), size.margin * mm, top - size.code * mm, size.code * mm)
    x = (size.margin + size.code + 2) * mm
    room = (size.width - 2 * size.margin - size.code - 2) * mm
    big = size.text * 1.7
    name = wrap(traveller.name, BOLD, big, room)
    if len(name) > 2:  # smaller, and cut only where it is longer than any name may be
        big = size.text * 1.1
        name = wrap(traveller.name, BOLD, big, room)[:3]
    lines = [(PLAIN, size.text, traveller.of), *((BOLD, big, line) for line in name)]
    lines.append((BOLD, _fit(traveller.head, size.text * 1.35, room), traveller.head))
    y = _draw_lines(canvas, x, top, [line for line in lines if line[2]])
    facts = [f"{what}: {value}" for what, value in traveller.facts if value]
    bottom = top - size.code * mm
    for fact in facts:
        for line in wrap(fact, PLAIN, size.text, room):
            if y - size.text * LEADING < bottom:
                break  # what matters most stands first
            y = _draw_lines(canvas, x, y, [(PLAIN, size.text, line)])
    return bottom - 3 * mm


def _draw_foot(canvas: Canvas, traveller: Traveller, size: Paper, page: str) -> None:
    y = size.margin * mm
    canvas.setLineWidth(0.4)
    canvas.line(size.margin * mm, y + 1.5 * mm, (size.width - size.margin) * mm, y + 1.5 * mm)
    small = size.text * 0.85
    right = (size.width - size.margin) * mm
    canvas.setFont(BOLD, small)
    canvas.drawRightString(right, y - small * 0.6, f"{traveller.head}, {page}")
    room = right - size.margin * mm - stringWidth(f"{traveller.head}, {page}", BOLD, small) - 3 * mm
    for number, line in enumerate(wrap(HOW, PLAIN, small * 0.9, room)):
        canvas.setFont(PLAIN, small * 0.9)
        canvas.drawString(size.margin * mm, y - small * (0.6 + 1.1 * number), line)


def _draw_lines(canvas: Canvas, x: float, y: float, lines: Sequence[tuple[str, float, str]]) -> float:
    """Lines of (font, points, text) below each other from an upper edge on; the lower edge."""
    for font, size, text in lines:
        y -= size * LEADING
        canvas.setFont(font, size)
        canvas.drawString(x, y + size * 0.3, text)
    return y


def _fit(text: str, size: float, room: float) -> float:
    """The size, or the smaller one at which the text fits."""
    return min(size, size * room / max(stringWidth(text, BOLD, size), 0.1))


def wrap(text: str, font: str, size: float, room: float) -> list[str]:
    """A text in lines that fit, broken between words; a word that is too long, anywhere."""
    lines: list[str] = []
    line = ""
    for word in text.split():
        if line and stringWidth(f"{line} {word}", font, size) <= room:
            line = f"{line} {word}"
            continue
        if line:
            lines.append(line)
        while stringWidth(word, font, size) > room:
            fits = next(n for n in range(len(word) - 1, 0, -1) if stringWidth(word[:n], font, size) <= room or n == 1)
            lines.append(word[:fits])
            word = word[fits:]
        line = word
    return [*lines, line] if line else lines
