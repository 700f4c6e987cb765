"""Travellers and the labels of boards: laid out right, and read back by an independent reader, damaged too."""

from __future__ import annotations

import random
import re
from collections.abc import Iterator
from datetime import date

import pypdfium2
import pytest
import zxingcpp
from PIL import Image, ImageDraw
from qrcode import util

from tests.factories import Plant
from trace.core.keys import code_of, label_text
from trace.engineering.models import Step
from trace.floor.models import Unit, WorkOrder
from trace.floor.operations.aliases import replace_label
from trace.floor.operations.orders import release_order
from trace.labels.code import LEVELS, QUIET, encode
from trace.labels.label import Label
from trace.labels.orders import list_sheet_steps, make_order_traveller, make_unit_travellers
from trace.labels.paper import MOST, SMALL, SMALL_SHEETS, PrintRefused, print_sheets, print_singles
from trace.labels.travellers import DEFERENCE, PAPERS, SheetStep, Traveller, code_place, print_travellers
from trace.labels.units import make_unit_labels

DPI = 100
KEY = "CB-00145"
LINK = f"HTTPS://TRACE.PLANT.EXAMPLE/U/{label_text(KEY)}"
LONGEST = f"HTTPS://TRACE.PLANT.EXAMPLE/U/{label_text('K' * 38 + '-1')}"
HOT = "Hot solder at 255 °C: wear eye protection and gloves."


def images(pdf: bytes, dpi: float = DPI) -> Iterator[Image.Image]:
    """Each page as a printer of so many dots would show it."""
    document = pypdfium2.PdfDocument(pdf)
    for page in document:
        yield page.render(scale=dpi / 72).to_pil().convert("L")
    document.close()


def read(picture: Image.Image) -> list[str]:
    return [found.text for found in zxingcpp.read_barcodes(picture) if found.valid]


def texts(pdf: bytes) -> list[str]:
    """The words of each page."""
    document = pypdfium2.PdfDocument(pdf)
    found = [" ".join(page.get_textpage().get_text_bounded().split()) for page in document]
    document.close()
    return found


def steps(number: int, name: str = "Step", caution: str = "") -> tuple[SheetStep, ...]:
    return tuple(SheetStep(str(n * 10), f"{name} {n}", f"At ST{n}", "", caution) for n in range(1, number + 1))


def traveller(code: str = LINK, head: str = label_text(KEY), **told) -> Traveller:
    facts = (("Serial", KEY), ("Part", "CB-180 revision C"), ("Order", "WO-1, 120 units"))
    return Traveller(
        code, head, **{"of": "Traveller of a unit", "name": "Board", "facts": facts, "steps": steps(6), **told}
    )


# Read back -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("code", [LINK, LONGEST, label_text(KEY)])
@pytest.mark.parametrize("paper", PAPERS)
def test_every_page_is_read_at_100_dpi(paper: str, code: str) -> None:
    sheets = [traveller(code), traveller(code, steps=steps(40))]
    found = list(images(print_travellers(sheets, paper)))
    assert len(found) > 3
    for page in found:
        assert read(page) == [code]
        assert page.size == tuple(
            round(side * DPI / 25.4 + 0.49) for side in (PAPERS[paper].width, PAPERS[paper].height)
        )


DATA_AND_CHECKS = {
    # ISO/IEC 18004, tables of the error correction characteristics and blocks (from memory; the block sizes are checked
    # below against the library's): version and level: (codewords, data codewords) of each block, and how many wrong
    # codewords of each are put right. In the small versions it is fewer than half of the check codewords, so that
    # nothing is taken for something else.
    (1, "L"): ([(26, 19)], 2),
    (1, "M"): ([(26, 16)], 4),
    (1, "Q"): ([(26, 13)], 6),
    (1, "H"): ([(26, 9)], 8),
    (2, "L"): ([(44, 34)], 4),
    (3, "M"): ([(70, 44)], 13),
    (3, "Q"): ([(35, 17)] * 2, 9),
    (4, "H"): ([(25, 9)] * 4, 8),
}


def places_of(size: int) -> list[tuple[int, int]]:
    """(row, column) of the modules that hold bits, in the order in which bits are placed (ISO/IEC 18004: two columns
    at a time from the right, up and down in turn, without that of the timing pattern), of versions 1 to 6."""

    def fixed(row: int, column: int) -> bool:
        corner = (row < 9 and column < 9) or (row < 9 and column >= size - 8) or (row >= size - 8 and column < 9)
        aligned = size > 21 and abs(row - (size - 7)) <= 2 and abs(column - (size - 7)) <= 2
        return corner or aligned or row == 6 or column == 6

    pairs = [column - (column <= 6) for column in range(size - 1, 0, -2)]
    found = []
    for number, right in enumerate(pairs):
        for row in range(size - 1, -1, -1) if number % 2 == 0 else range(size):
            found += [(row, column) for column in (right, right - 1) if not fixed(row, column)]
    return found


def codewords_of(text: str, level: str) -> tuple[int, list[list[list[tuple[int, int]]]]]:
    """How many modules wide the code of a text is; per block of it, per codeword, the places of its bits."""
    code = encode(text, level)
    blocks, _ = DATA_AND_CHECKS[code.version, level]
    size = 17 + 4 * code.version
    assert [
        (block.total_count, block.data_count) for block in util.base.rs_blocks(code.version, LEVELS[level])
    ] == blocks
    places = places_of(size)
    words = [places[n * 8 : n * 8 + 8] for n in range(sum(total for total, _ in blocks))]
    found: list[list[list[tuple[int, int]]]] = [[] for _ in blocks]
    order = iter(words)  # interleaved: the first of each block, the second of each …
    for first, end in ((0, blocks[0][1]), (blocks[0][1], blocks[0][0])):
        for _ in range(first, end):
            for block in found:
                block.append(next(order))
    assert next(order, None) is None
    return size, found


def blot(picture: Image.Image, paper: str, dpi: float, size: int, modules: set[tuple[int, int]]) -> Image.Image:
    """The page with these modules of its code turned into their opposite."""
    left, top, side = (edge * dpi / 25.4 for edge in code_place(paper))
    module = side / (size + 2 * QUIET)
    damaged = picture.copy()
    pen = ImageDraw.Draw(damaged)
    for row, column in modules:
        x, y = left + (column + QUIET) * module, top + (row + QUIET) * module
        dark = picture.getpixel((int(x + module / 2), int(y + module / 2))) < 128
        pen.rectangle((round(x), round(y), round(x + module) - 1, round(y + module) - 1), fill=255 if dark else 0)
    return damaged


CODES = [(label_text("CB-1"), "L"), (label_text("CB-1"), "M"), (label_text("CB-1"), "Q"), (label_text("CB-1"), "H")]
CODES += [(LINK, "L"), (LINK, "M"), (LINK, "Q"), (LINK, "H")]


@pytest.mark.parametrize(("text", "level"), CODES)
@pytest.mark.parametrize("seed", range(5))
def test_what_the_level_puts_right_is_read_and_more_is_never_read_wrongly(text, level, seed, monkeypatch) -> None:
    monkeypatch.setattr("trace.labels.travellers.LEVEL", level)
    chance = random.Random(f"{text} {level} {seed}")
    size, blocks = codewords_of(text, level)
    _, right = DATA_AND_CHECKS[(size - 17) // 4, level]
    (page,) = images(print_travellers([traveller(text)], "A5"))

    def damage(share: int) -> set[tuple[int, int]]:
        """In each block so many codewords with one to eight wrong bits."""
        return {
            place
            for block in blocks
            for word in chance.sample(block, min(share, len(block)))
            for place in chance.sample(word, chance.randint(1, 8))
        }

    assert read(blot(page, "A5", DPI, size, damage(right))) == [text]
    for share in (right + 1, right * 2, right * 3):
        assert read(blot(page, "A5", DPI, size, damage(share))) in ([], [text])


def test_a_traveller_holds_out_longer_than_a_label() -> None:
    """Level Q against M: what a traveller still reads after, a label of the same text does not."""
    size, (block, other) = codewords_of(LINK, "Q")
    (page,) = images(print_travellers([traveller()], "A4"))
    lost = {place for words in (block, other) for word in words[:9] for place in word}
    assert len(lost) / 8 / 70 > 0.25
    assert read(blot(page, "A4", DPI, size, lost)) == [LINK]


# Layout --------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("paper", PAPERS)
def test_what_a_traveller_says(paper: str) -> None:
    sheet = traveller(steps=(SheetStep("10", "Solder", "At WS1 Wave solder", "In any order with 20.", HOT), *steps(1)))
    (page,) = texts(print_travellers([sheet], paper))
    for said in (
        *("Traveller of a unit", "Board", label_text(KEY), f"Serial: {KEY}", "Part: CB-180 revision C"),
        *("Order: WO-1, 120 units", "At WS1 Wave solder", "In any order with 20.", "Step 10: " + HOT, "Who", "When"),
        f"{label_text(KEY)}, page 1 of 1",
    ):
        assert said in page, said
    caution = page.index("Caution")
    assert caution < page.index(DEFERENCE[:30]) < page.index("What is done")
    assert page.count("passed") == page.count("failed") == 2
    assert "Caution: Hot solder" in page[page.index("What is done") :]


@pytest.mark.parametrize("paper", PAPERS)
def test_a_long_route_goes_on_and_says_of_how_many_pages(paper: str) -> None:
    sheet = traveller(
        steps=steps(40, "A step whose name goes on and on to the very last word of what is done", HOT * 4)
    )
    pages = texts(print_travellers([sheet, traveller()], paper))
    *long, last = pages
    assert len(long) > 3 and f"page {len(long)} of {len(long)}" in long[-1] and "page 1 of 1" in last
    rows = [int(number) for page in long for number in re.findall(r"At ST(\d+)", page)]
    assert rows == list(range(1, 41)), "each step stands on one page, in order"
    assert all(f"{label_text(KEY)}, page {n} of {len(long)}" in page for n, page in enumerate(long, 1))
    assert all("What is done, and where" in page for page in long)


@pytest.mark.parametrize("paper", PAPERS)
def test_nothing_lies_outside_the_margins_or_on_something_else(paper: str) -> None:
    """However long the names: words and code keep to the margins, and no line of words overlaps another."""
    wide = SheetStep("99999", "W" * 120, f"At {'X' * 40} {'Y' * 120}", "In any order with 20 and 30.", "Z" * 300)
    sheet = traveller(LONGEST, label_text("K" * 38 + "-1"), name="W" * 160, steps=(*steps(3), wide) * 10)
    size = PAPERS[paper]
    document = pypdfium2.PdfDocument(print_travellers([sheet], paper))
    for page in document:
        words = page.get_textpage()
        boxes = [words.get_rect(n) for n in range(words.count_rects())]
        for left, bottom, right, top in boxes:
            assert left >= (size.margin - 0.1) / 25.4 * 72 and right <= (size.width - size.margin + 0.5) / 25.4 * 72
            assert bottom >= 0 and top <= (size.height - size.margin + 1) / 25.4 * 72
        for n, (left, bottom, right, top) in enumerate(boxes):
            for other_left, other_bottom, other_right, other_top in boxes[:n]:
                across = min(right, other_right) - max(left, other_left)
                along = min(top, other_top) - max(bottom, other_bottom)
                assert across < 0.5 or along < 0.5 * min(top - bottom, other_top - other_bottom)
    document.close()


def test_printed_twice_it_is_the_same_file_and_what_can_not_be_printed_is_refused() -> None:
    assert print_travellers([traveller()], "A4") == print_travellers([traveller()], "A4")
    for sheets, paper in (([], "A4"), ([traveller()] * (MOST + 1), "A4"), ([traveller()], "A3")):
        with pytest.raises(PrintRefused) as refused:
            print_travellers(sheets, paper)
        assert refused.value.message and refused.value.action


# Labels of boards ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("dpi", [300, 600])
@pytest.mark.parametrize("size", SMALL)
def test_small_labels_are_read_as_printers_for_them_print(size: str, dpi: int) -> None:
    """A module of 0.25 mm is three dots at 300 dpi, and one at 100, where nobody reads it."""
    (page,) = images(print_singles([Label(LINK, label_text(KEY), ("CB-180 C", "Board"))], size), dpi)
    assert read(page) in ([LINK], [label_text(KEY)])
    if size == "10x10":
        assert read(page) == [LINK]
        (coarse,) = images(print_singles([Label(LINK, label_text(KEY))], size), 72)
        assert read(coarse) == []


def test_where_a_link_would_be_too_fine_the_code_holds_what_is_read() -> None:
    (page,) = images(print_singles([Label(LINK, label_text(KEY))], "25x8"), 300)
    assert read(page) == [label_text(KEY)]
    (page,) = images(print_singles([Label(LONGEST, label_text("K" * 38 + "-1"))], "10x10"), 300)
    assert read(page) == [label_text("K" * 38 + "-1")]


@pytest.mark.parametrize("name", SMALL_SHEETS)
def test_every_place_of_a_small_sheet_is_read(name: str) -> None:
    sheet, dots = SMALL_SHEETS[name], 300 / 25.4
    codes = [f"HTTPS://TRACE.PLANT.EXAMPLE/U/CB-{number:04}.W" for number in range(sheet.places)]
    (page,) = images(print_sheets([Label(code, code[-9:]) for code in codes], name), 300)
    for code, (left, bottom) in zip(codes, sheet.corners(), strict=True):
        box = (left, 297 - bottom - sheet.height, left + sheet.width, 297 - bottom)
        assert read(page.crop(tuple(round(edge * dots) for edge in box))) == [code]


# Of units and orders -------------------------------------------------------------------------------------------------


@pytest.fixture
def plant(db, settings) -> Plant:
    settings.LABEL_URL = "HTTPS://TRACE.PLANT.EXAMPLE/"
    plant = Plant()
    Step.objects.filter(part=plant.board, number=20).update(caution="High voltage.")
    told = {"part": plant.board, "site": plant.site, "serials": ["B-1", "B-2", "B-3"], "due": date(2026, 3, 9)}
    plant.do(release_order, 5, key="WO-1", **told)
    return plant


def test_units_have_travellers_and_labels_with_the_code_that_they_have_now(plant: Plant) -> None:
    units = list(Unit.objects.select_related("part", "order").order_by("pk"))
    plant.do(replace_label, 6, unit=units[1], reason="torn")
    sheets = make_unit_travellers(units)
    assert [sheet.code for sheet in sheets] == [code_of("unit", code) for code in ("B-1", "B-2-L2", "B-3")]
    assert sheets[1].head == label_text("B-2-L2")
    assert sheets[1].facts == (
        ("Serial", "B-2"), ("Part", "BOARD"), ("Order", "WO-1, 3 units"), ("Due", "9 March 2026"),
    )  # fmt: skip
    assert sheets[0].steps == (
        SheetStep("10", "Step 10", "At INSERT Insert"),
        SheetStep("20", "Step 20", "At TEST Test", caution="High voltage."),
    )
    assert sheets[0].cautions == ["Step 20: High voltage."]
    labels = make_unit_labels(units)
    assert [label.code for label in labels] == [sheet.code for sheet in sheets]
    assert labels[0].lines == ("BOARD", "Board", "Order WO-1")
    assert labels[1].lines == ("Serial B-2", "BOARD", "Board", "Order WO-1")


@pytest.mark.once
def test_an_order_has_one_for_all(plant: Plant) -> None:
    sheet = make_order_traveller(WorkOrder.objects.select_related("part").get())
    assert (sheet.code, sheet.head) == (code_of("workorder", "WO-1"), label_text("WO-1"))
    assert ("Serials", "B-1 to B-3") in sheet.facts and len(sheet.steps) == 2
    (page,) = images(print_travellers([sheet], "A5"))
    assert read(page) == [sheet.code]


def test_groups_of_steps_are_told(plant: Plant) -> None:
    Step.objects.filter(part=plant.board).update(free_order="ANY")
    assert [step.note for step in list_sheet_steps(plant.board)] == ["In any order with 20.", "In any order with 10."]
    Step.objects.filter(part=plant.board).update(free_order="", alternative="ONE")
    assert list_sheet_steps(plant.board)[0].note == "This, or step 20: one is enough."
