"""Pure rules of the engineering data."""

from __future__ import annotations

import pytest

from trace.engineering.rules import run_together


@pytest.mark.parametrize(
    ("names", "shown"),
    [
        (["C1"], "C1"),
        ([f"C{n}" for n in range(1, 14)], "C1–C13"),
        (["R10", "R2", "R1", "R9", "M1"], "M1, R1, R2, R9, R10"),
        (["R3", "R1", "R2", "R5"], "R1–R3, R5"),
        (["LBL", "X", "X1", "X2", "X3"], "LBL, X, X1–X3"),
        (["R01", "R02", "R03"], "R01–R03"),
        ([], ""),
    ],
)
def test_designators_in_a_row_are_drawn_together(names, shown) -> None:
    assert run_together(names) == shown
