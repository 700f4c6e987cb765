"""The history of a unit on paper."""

from __future__ import annotations

import pypdfium2

from trace.labels.history import PrintedSection, PrintedTable, print_history, print_sections

HEADS = ("Characteristic", "Attempt", "With")


def test_a_long_name_breaks_no_word_of_the_other_columns() -> None:
    """The report of a calibration has the digest of its file: 64 characters without a space."""
    heads, rows = HEADS * 3, [("unbalance", "1", "A" * 64) * 3]
    document = pypdfium2.PdfDocument(print_history("History", [], [PrintedTable("Tests", heads, rows, "")], "foot"))
    words = document[0].get_textpage().get_text_range().split()
    document.close()
    assert [words.count(word) for word in HEADS] == [3, 3, 3] and words.count("A" * 64) == 0
    assert "".join(words).count("A") >= 64 * 3


def test_no_page_ends_with_a_heading() -> None:
    """Wherever on a page they fall, a section's heading, a table's title and heads stand with its first row."""
    ends = set()
    for lines in range(40, 70):
        above = PrintedSection("", ["said before"] * lines)
        below = PrintedSection("Where it is", tables=[PrintedTable("Units", ["Place"], [["at the end"]])])
        document = pypdfium2.PdfDocument(print_sections("Report", [above, below], "foot"))
        pages = [page.get_textpage().get_text_range() for page in document]
        document.close()
        (page,) = [text for text in pages if "at the end" in text]
        assert all(head in page for head in ("Where it is", "Units", "Place")), lines
        ends.add(len(pages))
    assert ends == {1, 2}, "they fell on both sides of a page's end"
