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


def test_a_heading_stands_with_what_it_leads_to() -> None:
    """However far down the page it comes: a chapter's, its first section's, a table's."""
    table = PrintedTable("TITLE", ["HEAD"], [["FIRST"]], "")
    ends = set()
    for lines in range(20, 60):
        sections = [
            PrintedSection("", ["x"] * lines),
            PrintedSection("CHAPTER", chapter=True),
            PrintedSection("SECTION", tables=[table]),
        ]
        document = pypdfium2.PdfDocument(print_sections("Report", sections, "foot"))
        pages = [page.get_textpage().get_text_range() for page in document]
        document.close()
        (page,) = [words for words in pages if "CHAPTER" in words]
        assert all(word in page for word in ("SECTION", "TITLE", "HEAD", "FIRST")), lines
        ends.add(len(pages))
    assert ends == {1, 2}, "they fell on both sides of a page's end"
