"""The packing list of a shipment: what is in which carton, serial by serial; as PDF, and as rows of a CSV file."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from django.utils import timezone
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas

from trace.core.clock import from_ticks
from trace.core.keys import code_of, label_text
from trace.floor.models import Shipment
from trace.floor.shipments import PackedLine, list_cartons_on, list_packed
from trace.labels.code import encode
from trace.labels.label import BOLD, PLAIN, draw_code, register_fonts
from trace.labels.paper import A4, begin
from trace.labels.travellers import wrap

MARGIN, CODE, TEXT, LEADING, PAD = 15.0, 30.0, 9.0, 1.3, 2.0
"""Margin and code in mm, text in points, its leading, the space between rows in points."""

COLUMNS = (
    (0.0, 30.0, "Carton"),
    (32.0, 62.0, "Part, revision, name"),
    (96.0, 66.0, "Serials"),
    (164.0, 16.0, "Quantity"),
)
"""Left edge and width in mm from the margin, and the head."""

CSV_HEADS = (
    *("shipment", "customer", "customer_name", "departed", "pallet", "carton", "part", "revision", "name", "serial"),
    "quantity",
)


@dataclass(frozen=True)
class PackingList:
    """A shipment (with its customer) and what is packed on it."""

    shipment: Shipment
    lines: Sequence[PackedLine]

    @property
    def totals(self) -> str:
        """How much there is, in words."""
        units = sum(line.quantity for line in self.lines if line.serials)
        counts = (
            (units, "unit"),
            (len({line.carton for line in self.lines}), "carton"),
            (len({line.pallet for line in self.lines} - {""}), "pallet"),
        )
        said = [f"{number} {name}{'s' * (number != 1)}" for number, name in counts if number]
        return " on ".join([" in ".join(said[:2]), *said[2:]]) if said else "Nothing is on it"


def make_packing_list(shipment: Shipment) -> PackingList:
    """The packing list of a shipment as it is loaded now, or as it departed."""
    return PackingList(shipment, list_packed(list_cartons_on(shipment)))


def list_csv_rows(packing_list: PackingList) -> Iterator[tuple[str, ...]]:
    """Its rows, under CSV_HEADS: a row for each serial, and one for each part that has none."""
    shipment = packing_list.shipment
    departed = from_ticks(shipment.departed).isoformat() if shipment.departed is not None else ""
    for line in packing_list.lines:
        for serial in line.serials or ("",):
            yield (
                *(shipment.key, shipment.customer.key, shipment.customer.name, departed, line.pallet, line.carton),
                *(line.part.number, line.part.revision, line.part.name, serial),
                "1" if serial else str(line.quantity),
            )


def print_packing_list(packing_list: PackingList) -> bytes:
    """A PDF on A4 with the code of the shipment, in as many pages as it needs."""
    register_fonts()
    shipment = packing_list.shipment
    canvas, file = begin((A4[0] * mm, A4[1] * mm), f"Packing list {shipment.key}")
    pages = list(_paginate(packing_list))
    for number, rows in enumerate(pages, 1):
        y = _draw_top(canvas, packing_list, f"page {number} of {len(pages)}")
        y = _draw_row(canvas, y, tuple((head,) for _, _, head in COLUMNS), BOLD)
        for row in rows:
            y = _draw_row(canvas, y, row, PLAIN)
        canvas.showPage()
    canvas.save()
    return file.getvalue()


Row = tuple[tuple[str, ...], ...]
"""The lines of text in each column."""


def _paginate(packing_list: PackingList) -> Iterator[list[Row]]:
    room = (A4[1] - 2 * MARGIN - CODE - 8) * mm - _height(1)
    page: list[Row] = []
    left = room
    for row in _rows(packing_list.lines, int((room / TEXT / LEADING) - 2)):
        high = _height(max(map(len, row)))
        if high > left and page:
            yield page
            page, left = [], room
        page.append(row)
        left -= high
    yield page


def _rows(lines: Sequence[PackedLine], most: int) -> Iterator[Row]:
    """A row for each line, or several where its serials fill more than a page."""
    for line in lines:
        part = f"{line.part.number} {line.part.revision}".strip()
        where = [line.carton, *([f"on pallet {line.pallet}"] if line.pallet else [])]
        cells = [
            [text for said in texts for text in wrap(said, PLAIN, TEXT, width * mm)]
            for texts, (_, width, _) in zip(
                (where, [part, line.part.name], [", ".join(line.serials)], [str(line.quantity)]), COLUMNS, strict=True
            )
        ]
        for start in range(0, max(map(len, cells)), most):
            yield tuple(tuple(cell[start : start + most]) for cell in cells)


def _height(lines: int) -> float:
    return lines * TEXT * LEADING + 2 * PAD


def _draw_row(canvas: Canvas, top: float, row: Row, font: str) -> float:
    """A row below an upper edge; its lower edge, which a line marks."""
    canvas.setFont(font, TEXT)
    for (left, _, _), texts in zip(COLUMNS, row, strict=True):
        for number, text in enumerate(texts, 1):
            canvas.drawString((MARGIN + left) * mm, top - PAD - number * TEXT * LEADING + TEXT * 0.3, text)
    bottom = top - _height(max(map(len, row)))
    canvas.setLineWidth(0.4)
    canvas.line(MARGIN * mm, bottom, (A4[0] - MARGIN) * mm, bottom)
    return bottom


def _draw_top(canvas: Canvas, packing_list: PackingList, page: str) -> float:
    """What stands on every page; where the rest begins."""
    shipment = packing_list.shipment
    top = (A4[1] - MARGIN) * mm
    draw_code(canvas, encode(code_of("shipment", shipment.key)), MARGIN * mm, top - CODE * mm, CODE * mm)
    sent = "Not sent yet"
    if shipment.departed is not None:
        sent = f"Sent {timezone.localtime(from_ticks(shipment.departed)):%Y-%m-%d %H:%M}"
    y = top
    for font, size, text in (
        (BOLD, 15.0, f"Packing list {label_text(shipment.key)}"),
        (BOLD, 11.0, f"For {shipment.customer.name} ({shipment.customer.key})"),
        (PLAIN, TEXT, f"{sent}. {packing_list.totals}."),
        (PLAIN, TEXT, page),
    ):
        room = (A4[0] - 2 * MARGIN - CODE - 3) * mm
        for line in wrap(text, font, size, room):
            y -= size * LEADING
            canvas.setFont(font, size)
            canvas.drawString((MARGIN + CODE + 3) * mm, y, line)
    return top - (CODE + 4) * mm
