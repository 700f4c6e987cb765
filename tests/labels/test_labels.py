"""Labels: the code as its standard has it, and read back from the printed page by an independent reader."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from decimal import Decimal

import pypdfium2
import pytest
import zxingcpp
from django.test import override_settings
from PIL import Image
from qrcode import util

from tests.factories import Plant
from trace.core.keys import code_of, label_text, read_code
from trace.labels.code import encode
from trace.labels.containers import make_container_labels
from trace.labels.label import Label
from trace.labels.paper import A4, MOST, SHEETS, SIZES, PrintRefused, print_sheets, print_singles
from trace.labels.tapes import make_tape_label
from trace.material.models import Container
from trace.material.operations.setups import abort_tape, finish_tape, start_tape

DPI = 100
"""Coarser than any label printer (203 dpi and more)."""

SHORT, LONG = "CB-0001.W", f"HTTPS://TRACE.PLANT.EXAMPLE/C/{'K' * 38}-1.5"
TEXTS = (SHORT, "HTTPS://TRACE.PLANT.EXAMPLE/C/CB-0001.W", LONG)
LINES = ("RC-1206/B", "MSL 3, 168 h open", "Good until 2026-12-31", "Lot 2406/A", "reel 1 of 3", "Resistor")


def pages(pdf: bytes) -> Iterator[Image.Image]:
    """Each page as a printer of so many dots would show it."""
    document = pypdfium2.PdfDocument(pdf)
    for page in document:
        yield page.render(scale=DPI / 72).to_pil().convert("L")
    document.close()


def read(picture: Image.Image) -> list[str]:
    return [found.text for found in zxingcpp.read_barcodes(picture) if found.valid]


# The code -------------------------------------------------------------------------------------------------------------


def test_codewords_are_those_of_the_standards_example() -> None:
    """ISO/IEC 18004 Annex I.2: “01234567” in version 1-M; the same 26 codewords come from two other writers."""
    code = encode("01234567")
    assert code.version == 1
    words = util.create_data(code.version, code.error_correction, code.data_list)
    data = "10 20 0C 56 61 80 EC 11 EC 11 EC 11 EC 11 EC 11"
    checks = "A5 24 D4 C1 ED 36 C7 87 2C 55"
    assert " ".join(f"{word:02X}" for word in words) == f"{data} {checks}"


@pytest.mark.parametrize(
    ("text", "version"),
    [("A" * 20, 1), ("A" * 21, 2), ("A" * 19 + "a", 2), ("A" * 38, 2), ("A" * 39, 3), ("A" * 61, 3), ("A" * 62, 4)],
)
def test_capitals_keep_a_code_small(text: str, version: int) -> None:
    """ISO/IEC 18004 table 7, level M: 20, 38, 61 and 90 alphanumeric characters in versions 1 to 4."""
    assert encode(text).version == version


def test_four_modules_of_white_are_around_a_code() -> None:
    rows = encode(SHORT).get_matrix()
    assert len(rows) == 21 + 8
    assert not any(any(row) for row in [*rows[:4], *rows[-4:]])
    assert not any(any([*row[:4], *row[-4:]]) for row in rows)


@override_settings(LABEL_URL="HTTPS://TRACE.PLANT.EXAMPLE/")
def test_a_code_is_a_link_that_is_read_again() -> None:
    assert code_of("container", "CB-0001") == f"HTTPS://TRACE.PLANT.EXAMPLE/C/{label_text('CB-0001')}"
    for text in (code_of("container", "CB-0001"), code_of("container", "CB-0001").lower()):
        assert read_code(text) == ("container", label_text("CB-0001"))
    for text in ("CB-0001", "HTTPS://OTHER.EXAMPLE/C/CB-0001", "HTTPS://TRACE.PLANT.EXAMPLE/Z/CB-0001", ""):
        assert read_code(text) is None


@override_settings(LABEL_URL="")
def test_without_an_address_a_code_is_the_key_alone() -> None:
    assert code_of("container", "CB-0001") == label_text("CB-0001")
    assert read_code("/C/CB-0001") is None


# On paper -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("text", TEXTS)
@pytest.mark.parametrize("size", SIZES)
def test_every_size_is_read_at_100_dpi(size: str, text: str) -> None:
    found = list(pages(print_singles([Label(text, "CB-0001.W", LINES), Label(SHORT, SHORT)], size)))
    assert [read(page) for page in found] == [[text], [SHORT]]
    assert found[0].size == tuple(round(side * DPI / 25.4 + 0.49) for side in SIZES[size])


@pytest.mark.parametrize("name", SHEETS)
def test_every_place_of_a_sheet_is_read_at_100_dpi(name: str) -> None:
    sheet = SHEETS[name]
    codes = [f"HTTPS://TRACE.PLANT.EXAMPLE/C/CB-{number:04}.W" for number in range(sheet.places)]
    (page,) = pages(print_sheets([Label(code, code[-9:], LINES) for code in codes], name))
    assert page.size == tuple(round(side * DPI / 25.4 + 0.49) for side in A4)
    dots = DPI / 25.4
    for code, (left, bottom) in zip(codes, sheet.corners(), strict=True):
        box = (left, A4[1] - bottom - sheet.height, left + sheet.width, A4[1] - bottom)
        assert read(page.crop(tuple(round(edge * dots) for edge in box))) == [code]


@pytest.mark.parametrize("name", SHEETS)
def test_labels_of_a_sheet_lie_on_it_and_not_on_each_other(name: str) -> None:
    sheet = SHEETS[name]
    corners = list(sheet.corners())
    assert len(set(corners)) == sheet.places
    for left, bottom in corners:
        assert left >= 0 and left + sheet.width <= A4[0] + 0.001
        assert bottom >= 0 and bottom + sheet.height <= A4[1] + 0.001
    apart = [(a, b) for n, a in enumerate(corners) for b in corners[:n]]
    assert all(abs(a[0] - b[0]) >= sheet.width or abs(a[1] - b[1]) > sheet.height - 0.001 for a, b in apart)


def test_a_sheet_that_was_begun_is_used_up_and_goes_on_with_the_next() -> None:
    labels = [Label(f"CB-{number:04}", f"CB-{number:04}") for number in range(4)]
    first, second = pages(print_sheets(labels, "3x7", start=20))
    assert sorted(read(first)) == ["CB-0000", "CB-0001"] and sorted(read(second)) == ["CB-0002", "CB-0003"]
    (one,) = pages(print_sheets(labels, "3x7", start=18))
    assert len(read(one)) == 4


def test_the_same_labels_make_the_same_file() -> None:
    labels = [Label(SHORT, SHORT, LINES)]
    assert print_sheets(labels, "5x13") == print_sheets(labels, "5x13")


@pytest.mark.parametrize(
    ("count", "size", "start"),
    [(0, "3x7", 1), (MOST + 1, "3x7", 1), (1, "", 1), (1, "38x19", 1), (1, "3x7", 0), (1, "3x7", 22), (1, "3x7", -1)],
)
def test_sheets_are_refused(count: int, size: str, start: int) -> None:
    with pytest.raises(PrintRefused) as refused:
        print_sheets([Label(SHORT, SHORT)] * count, size, start)
    assert refused.value.message and refused.value.action


def test_single_labels_are_refused() -> None:
    for count, size in ((0, "38x19"), (1, "3x7")):
        with pytest.raises(PrintRefused):
            print_singles([Label(SHORT, SHORT)] * count, size)


def words(pdf: bytes) -> str:
    document = pypdfium2.PdfDocument(pdf)
    return " ".join(page.get_textpage().get_text_bounded() for page in document).replace("\r\n", " ")


def test_a_long_text_goes_on_in_the_next_line_and_a_long_word_is_cut_and_shows_it() -> None:
    text = words(print_singles([Label(SHORT, SHORT, ("Film capacitor for mains, class X2, axial",))], "38x19"))
    assert "Film capacitor for mains, class X2, axial" in text and "…" not in text
    text = words(print_singles([Label(SHORT, SHORT, ("W" * 60, "after"))], "38x19"))
    assert "WWWWW…" in text and "W" * 60 not in text and "after" in text


def test_what_matters_most_stays_where_there_is_little_room() -> None:
    many = tuple(f"line {number}" for number in range(30))
    small, large = (words(print_singles([Label(SHORT, SHORT, many)], size)) for size in ("38x19", "100x50"))
    assert "line 0" in small and "line 29" not in small
    assert small.count("line") < large.count("line")


def test_greek_and_cyrillic_are_printed() -> None:
    assert "10 µF ±5 % Ω Ж" in words(print_singles([Label(SHORT, SHORT, ("10 µF ±5 % Ω Ж",))], "57x32"))


# Of containers --------------------------------------------------------------------------------------------------------


@pytest.mark.django_db
@override_settings(LABEL_URL="")
def test_a_containers_label_says_what_it_is() -> None:
    plant = Plant()
    part = plant.capacitor
    part.moisture_level, part.revision = "3", "B"
    part.save()
    labels = [("CB-1", Decimal(2000)), ("CB-2", None), ("CB-3", Decimal("0.5"))]
    told = {"number": "2406/A", "date_code": "2605", "expiry": date(2026, 12, 31)}
    plant.lot("L", part, containers=labels, **told)
    found = Container.objects.select_related("part", "lot__supplier").order_by("pk")
    one, two, three = make_container_labels(found)
    assert (one.code, one.head) == (label_text("CB-1"), label_text("CB-1"))
    assert one.lines == (
        "CAP B", "MSL 3, 168 h open", "Good until 2026-12-31", "Lot 2406/A", "Date code 2605",
        "reel 1 of 3, 2000 pieces", "Cap", "Acme",
    )  # fmt: skip
    assert two.lines[5] == "reel 2 of 3" and three.lines[5] == "reel 3 of 3, 0.5 pieces"
    text = words(print_singles([one], "57x32"))
    assert all(line in text for line in (one.head, *one.lines))


@pytest.mark.django_db
def test_what_is_not_known_is_not_on_the_label_and_level_6_says_bake_first() -> None:
    plant = Plant()
    plant.reel("CB-1")
    (label,) = make_container_labels(Container.objects.select_related("part", "lot__supplier"))
    assert label.lines == ("RES", "Lot N-LOT-CB-1", "reel 1 of 1", "Res", "Acme")
    plant.resistor.moisture_level, plant.resistor.time_on_label = "6", 12
    plant.resistor.save()
    (label,) = make_container_labels(Container.objects.select_related("part", "lot__supplier"))
    assert label.lines[1] == "MSL 6, 12 h open, bake first"


@pytest.mark.django_db
def test_a_tapes_label_says_for_what_it_is_and_how_much_is_on_it() -> None:
    plant = Plant()
    told = {"sequence": ("R1", "R2", "C1"), "heads": {"A": (1, ("R1", "R2")), "B": (2, ("C1",))}, "board_sets": 12}
    tape = plant.do(start_tape, 1, key="T-1", assembly=plant.board, **told)
    assert make_tape_label(tape).lines == ("For BOARD", "12 board sets of 3 components", "Being built", "Board")
    tape = plant.do(finish_tape, 30, tape=tape, board_sets=11)
    label = make_tape_label(tape)
    assert (label.code, label.head) == (code_of("tape", "T-1"), label_text("T-1"))
    assert label.lines[1:3] == ("11 board sets of 3 components", "Built 2026-03-02 06:30")
    (page,) = pages(print_singles([label], next(iter(SIZES))))
    assert read(page) == [label_text("T-1")]
    torn = plant.do(start_tape, 31, key="T-2", assembly=plant.board, **told)
    given_up = plant.do(abort_tape, 32, tape=torn, board_sets=2, reason="torn")
    assert make_tape_label(given_up).lines[0] == "GIVEN UP: not to be mounted"
