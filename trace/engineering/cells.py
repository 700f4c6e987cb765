"""A cell of an imported table: what it may hold, and what is said of one that can't be read."""

from __future__ import annotations

import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TypeVar

from pydantic import BaseModel, BeforeValidator, ValidationError
from pydantic_core import PydanticCustomError

from trace.engineering.rules import shorten

EMPTY = frozenset({"", "-", "–", "—", "~", "n/a"})
"""What people write into a cell that has nothing to say."""

BROKEN = frozenset({"#REF!", "#N/A", "#NAME?", "#VALUE!", "#DIV/0!", "#NUM!", "#NULL!"})
"""What a spreadsheet writes where a formula failed."""

Row = TypeVar("Row", bound=BaseModel)


@dataclass(frozen=True)
class LineProblem:
    """What is wrong at a line of the file (from 1), in which column (may be empty), and how to mend it."""

    line: int
    column: str
    what: str
    mend: str

    def __str__(self) -> str:
        return f"Line {self.line}{self.column and f', column {self.column}'}: {self.what} {self.mend}"


def wrong(what: str, mend: str) -> PydanticCustomError:
    """What a cell's validator raises: `what` is wrong with it, and how to `mend` it."""
    # By context: braces in a cell must not be taken for the template's.
    return PydanticCustomError("cell", "{what}", {"what": what, "mend": mend})


def clean(cell: str) -> str:
    """The text of a cell, its spaces single, compatible characters made one; "" for what says nothing."""
    text = " ".join(unicodedata.normalize("NFKC", cell).split())
    if text.casefold() in EMPTY:
        return ""
    if text.startswith("=") or text in BROKEN:
        raise wrong(f"“{shorten(text)}” is a spreadsheet's formula or error.", "Put the value itself there.")
    if not text.isprintable():
        raise wrong(f"“{shorten(text)}” has a character that can't be shown.", "Type the cell anew.")
    return text


Text = BeforeValidator(clean)


def validate(
    model: type[Row], line: int, cells: Mapping[str, str], columns: Mapping[str, str]
) -> tuple[Row, dict[str, LineProblem]]:
    """The cells of one line, each by itself, and what is wrong with them by field.

    A cell with a problem is left out, so that its field has the model's default and the rest can be judged.
    """
    problems: dict[str, LineProblem] = {}
    try:
        return model.model_validate(cells), problems
    except ValidationError as error:
        for fault in error.errors(include_url=False, include_input=False):
            field, context = str(fault["loc"][0]), fault.get("ctx", {})
            if fault["type"] == "cell":
                what, mend = context["what"], context["mend"]
            else:
                what = f"“{shorten(cells[field])}” is longer than {context.get('max_length')} characters."
                mend = "Shorten it."
            problems.setdefault(field, LineProblem(line, columns.get(field, ""), what, mend))
    return model.model_validate({field: cell for field, cell in cells.items() if field not in problems}), problems
