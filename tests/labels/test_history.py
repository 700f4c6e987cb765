"""The history of a unit on paper."""

from __future__ import annotations

import pypdfium2

from trace.labels.history import PrintedTable, print_history

HEADS = ("Characteristic", "Attempt", "With")


def test_a_long_name_breaks_no_word_of_the_other_columns() -> None:
    """The report of a calibration has the digest of its file: 64 characters without a space."""
    heads, rows = HEADS * 3, [("unbalance", "1", "A" * 64) * 3]
    document = pypdfium2.PdfDocument(print_history("History", [], [PrintedTable("Tests", heads, rows, "")], "foot"))
    words = document[0].get_textpage().get_text_range().split()
    document.close()
    assert [words.count(word) for word in HEADS] == [3, 3, 3] and words.count("A" * 64) == 0
    assert "".join(words).count("A") >= 64 * 3
