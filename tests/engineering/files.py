"""Files that a fuzz tries on an importer: its own headers among others, cells that have hurt somebody, any bytes."""

import csv
import io
from collections.abc import Iterable, Mapping

from hypothesis import strategies as st

CELLS = st.one_of(
    st.sampled_from(
        ["", "-", "R1", "R1,R2", "R1-R4", "R1-R999999999", "1", "2", "1e999", "NaN", "-1", "١٢", "=1+1", "#REF!"]
        + ["A\0B", "\ud800", "\u202e", "{}", "%s", "'; DROP", '"', "x" * 200_000, "9" * 5000, "\n", "Ω", "ﬁ"]
        + ["top", "B.Cu", "-0.5", "1.5mm", "3in", "DNP", "360", "99999.9999999"]
    ),
    st.text(max_size=12),
)


def files(columns: Mapping[str, Iterable[str]]) -> st.SearchStrategy[str | bytes]:
    """Texts and bytes that may be a CSV file with these columns."""
    known = st.sampled_from([name for names in columns.values() for name in names])
    headers = st.lists(st.one_of(known, st.text(max_size=9)), max_size=8)
    rows = st.lists(st.lists(CELLS, max_size=9), max_size=8)

    def write(delimiter: str, header: list[str], rows: list[list[str]]) -> str:
        file = io.StringIO()
        csv.writer(file, delimiter=delimiter).writerows([header, *rows])
        return file.getvalue()

    texts = st.builds(write, st.sampled_from(",;\t|"), headers, rows)
    return st.one_of(texts, st.text(), st.binary(), texts.map(lambda text: text.encode("utf-8", "replace")))
