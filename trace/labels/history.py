"""A history on paper: sentences, then tables, on A4, whatever their length. Heads of columns come again on every page,
and every page says of what it is, which page of how many, and as of when."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial

from reportlab.lib.units import mm
from reportlab.pdfbase.pdfmetrics import stringWidth
from reportlab.pdfgen.canvas import Canvas

from trace.labels.label import BOLD, PLAIN, register_fonts
from trace.labels.paper import A4, begin
from trace.labels.travellers import wrap

LEFT, TOP, FOOT = 15 * mm, 15 * mm, 16 * mm
WIDTH = A4[0] * mm - 2 * LEFT
TEXT, LEADING, GAP = 8.0, 1.25, 2 * mm
"""Points of a cell, lines apart by so many times that, columns apart."""
WIDEST = 45 * mm
"""So wide a word may keep a column; longer ones are broken."""


@dataclass(frozen=True)
class PrintedTable:
    """A table: rows of as many cells as there are heads; `empty` is said where there are none."""

    title: str
    heads: Sequence[str]
    rows: Sequence[Sequence[str]]
    empty: str = ""

    @property
    def labelled(self) -> list[list[tuple[str, str]]]:
        """The rows, each cell with the head above it."""
        return [list(zip(self.heads, row, strict=True)) for row in self.rows]


@dataclass(frozen=True)
class _Block:
    """Something as wide as the page. `head`: what stands above it again on a new page; a block that `leads` does not
    stand last on one."""

    height: float
    draw: Callable[[Canvas, float], None]
    head: _Block | None = None
    leads: bool = False


@dataclass(frozen=True)
class PrintedSection:
    """Sentences, then tables, under a heading where there is one; a `chapter` holds the sections after it."""

    heading: str
    said: Sequence[str] = ()
    tables: Sequence[PrintedTable] = ()
    chapter: bool = False


def print_history(title: str, said: Sequence[str], tables: Sequence[PrintedTable], foot: str) -> bytes:
    """A PDF: the title, sentences, tables one below the other. `foot` is on every page, beside its number."""
    return print_sections(title, [PrintedSection("", said, tables)], foot)


def print_sections(title: str, sections: Sequence[PrintedSection], foot: str) -> bytes:
    """A PDF: the title, then section by section. `foot` is on every page, beside its number."""
    register_fonts()
    blocks = [_text(title, 16, BOLD, leads=True)]
    for section in sections:
        if section.heading:
            size, above = (15.5, 9 * mm) if section.chapter else (12.5, 5 * mm)
            blocks.append(_text(section.heading, size, BOLD, above=above, leads=True))
        blocks.extend(_text(line, 9.5, PLAIN) for line in section.said)
        for table in section.tables:
            blocks.extend(_table(table, under=bool(section.heading)))
    pages = list(_paginate(blocks))
    canvas, file = begin((A4[0] * mm, A4[1] * mm), title)
    for number, page in enumerate(pages, 1):
        y = A4[1] * mm - TOP
        for block in page:
            block.draw(canvas, y)
            y -= block.height
        _draw_foot(canvas, f"{title}, page {number} of {len(pages)}", foot)
        canvas.showPage()
    canvas.save()
    return file.getvalue()


def _paginate(blocks: Sequence[_Block]) -> Iterator[list[_Block]]:
    room = A4[1] * mm - TOP - FOOT
    page: list[_Block] = []
    left = room
    for number, block in enumerate(blocks):
        if _led(blocks, number) > left and page:
            yield page
            page = [block.head] if block.head else []
            left = room - sum(one.height for one in page)
        page.append(block)
        left -= block.height
    yield page


def _led(blocks: Sequence[_Block], number: int) -> float:
    """The height of a block and, where it leads, of what it leads to: it stands on the same page."""
    high = 0.0
    for block in blocks[number:]:
        high += block.height
        if not block.leads:
            break
    return high


def _text(text: str, size: float, font: str, *, above: float = 0, leads: bool = False) -> _Block:
    lines = wrap(text, font, size, WIDTH)
    high = above + (len(lines) * LEADING + 0.4) * size
    return _Block(high, partial(_draw_lines, [(LEFT, font, size, lines)], above), leads=leads)


def _table(table: PrintedTable, under: bool) -> Iterator[_Block]:
    if table.title:
        yield _text(table.title, 10.5 if under else 12, BOLD, above=(3 if under else 5) * mm, leads=True)
    if not table.rows:
        yield _text(table.empty or "Nothing.", 9.5, PLAIN)
        return
    widths = _widths(table)
    head = _row(table.heads, widths, BOLD)
    yield _Block(head.height, head.draw, leads=True)
    for cells in table.rows:
        row = _row(cells, widths, PLAIN)
        yield _Block(row.height, row.draw, head=head)


def _widths(table: PrintedTable) -> list[float]:
    """Each column as wide as its longest word, the widest giving way where that is too much; of what is left so much
    more as its longest cell asks for, though no more than twice the usual."""
    least, wished = [], []
    for column in zip(table.heads, *table.rows, strict=True):
        words = {word for cell in column for word in cell.split()}
        least.append(min(max((stringWidth(word, BOLD, TEXT) for word in words), default=0), WIDEST) + 1)
        long = [stringWidth(cell, PLAIN, TEXT) for cell in column]
        wished.append(min(max(long), 2 * sum(long) / len(long)))
    room = WIDTH - GAP * (len(least) - 1)
    if sum(least) > room:
        return _narrow(least, room)
    more = [max(wish - width, 0) for wish, width in zip(wished, least, strict=True)]
    share = min((room - sum(least)) / max(sum(more), 0.1), 1)
    return [width + extra * share for width, extra in zip(least, more, strict=True)]


def _narrow(widths: Sequence[float], room: float) -> list[float]:
    """The widths, the widest of them cut to one width, so that they fill the room: no word of the others is broken."""
    left, most = room, room
    for n, width in enumerate(sorted(widths)):
        most = left / (len(widths) - n)
        if width > most:
            break
        left -= width
    return [min(width, most) for width in widths]


def _row(cells: Sequence[str], widths: Sequence[float], font: str) -> _Block:
    x, drawn = LEFT, []
    for cell, width in zip(cells, widths, strict=True):
        drawn.append((x, font, TEXT, wrap(cell, font, TEXT, width)))
        x += width + GAP
    high = (max(max(len(lines) for *_, lines in drawn), 1) * LEADING + 0.5) * TEXT

    def draw(canvas: Canvas, y: float) -> None:
        _draw_lines(drawn, 0, canvas, y)
        canvas.setLineWidth(0.8 if font == BOLD else 0.25)
        canvas.line(LEFT, y - high + 0.2 * TEXT, LEFT + WIDTH, y - high + 0.2 * TEXT)

    return _Block(high, draw)


def _draw_lines(
    cells: Sequence[tuple[float, str, float, Sequence[str]]], above: float, canvas: Canvas, y: float
) -> None:
    for x, font, size, lines in cells:
        canvas.setFont(font, size)
        for number, line in enumerate(lines, 1):
            canvas.drawString(x, y - above - number * size * LEADING + 0.3 * size, line)


def _draw_foot(canvas: Canvas, page: str, foot: str) -> None:
    y = FOOT - 5 * mm
    canvas.setLineWidth(0.4)
    canvas.line(LEFT, y + 3 * mm, LEFT + WIDTH, y + 3 * mm)
    canvas.setFont(BOLD, 7.5)
    canvas.drawRightString(LEFT + WIDTH, y, page)
    room = WIDTH - stringWidth(page, BOLD, 7.5) - 4 * mm
    canvas.setFont(PLAIN, 7)
    for number, line in enumerate(wrap(foot, PLAIN, 7, room)[:2]):
        canvas.drawString(LEFT, y - number * 7 * LEADING, line)
