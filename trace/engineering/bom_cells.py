"""The cells of one line of a bill of material: what they may hold, and what follows from them together."""

from __future__ import annotations

import dataclasses
import hashlib
import re
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Annotated

from pydantic import BaseModel, BeforeValidator, StringConstraints

from trace.engineering.cells import EMPTY, LineProblem, Text, clean, validate, wrong
from trace.engineering.rules import shorten

NUMBER_LENGTH = 60
RANGE_LIMIT = 1_000

RANGE = re.compile(r"([A-Za-z_]+)([0-9]{1,9})(?:-|–|—|…|\.{2,3})\1?([0-9]{1,9})")
"""`R1-R4`, `R1–4`, `R1..R4`. It may also be the name of one place (`J1-2`): the quantity decides."""


@dataclass(frozen=True)
class FileRow:
    """One line of the file, as the bill of material takes it.

    `number_from` is the field that gave the number: with "value" it is the plant's own. `placeless` tells that
    the line names no designator, and that this is not for a cell that could not be read.
    """

    line: int
    number: str
    revision: str
    name: str
    designators: tuple[str, ...]
    quantity: Decimal
    each: Decimal = Decimal(1)
    number_from: str = "part_number"
    placeless: bool = False

    def at_place(self, name: str) -> FileRow:
        """The same with all of it at one place."""
        return dataclasses.replace(self, designators=(name,), each=self.quantity)


def _quantity(cell: str) -> Decimal | None:
    if not (text := clean(cell)):
        return None
    if not re.fullmatch(r"[0-9]{1,20}(\.[0-9]{1,20})?", text):
        raise wrong(f"“{shorten(text)}” is not a quantity.", "Write it in digits, with a point before decimals.")
    return Decimal(text)


def _designators(cell: str) -> tuple[str, ...]:
    # "R1 - R4" is one word; a lone dash between commas is none.
    text = re.sub(r"(?<=[0-9])\s+([-–—…]|\.{2,3})\s+(?=[A-Za-z0-9])", r"\1", clean(cell))
    return tuple(word for word in re.split(r"[\s,;]+", text) if word not in EMPTY)


class Cells(BaseModel):
    """Each cell by itself."""

    designators: Annotated[tuple[str, ...], BeforeValidator(_designators)] = ()
    quantity: Annotated[Decimal | None, BeforeValidator(_quantity)] = None
    part_number: Annotated[str, Text, StringConstraints(max_length=NUMBER_LENGTH)] = ""
    revision: Annotated[str, Text, StringConstraints(max_length=10)] = ""
    value: Annotated[str, Text, StringConstraints(max_length=98)] = ""
    footprint: Annotated[str, Text, StringConstraints(max_length=60)] = ""
    supplier_number: Annotated[str, Text, StringConstraints(max_length=NUMBER_LENGTH)] = ""


def read_cells(line: int, cells: Mapping[str, str], columns: Mapping[str, str]) -> tuple[FileRow, list[LineProblem]]:
    """The row that a line's cells make, and every problem in it, by the file's own name of the column.

    A row with problems holds harmless things in place of what is wrong, so that the rest can be judged.
    The part number is the column of that name, else the supplier's number, else the plant's own: `own_number`.
    """
    row, problems = validate(Cells, line, cells, columns)

    def problem(field: str, what: str, mend: str) -> None:
        problems.setdefault(field, LineProblem(line, columns.get(field, ""), what, mend))

    designators = row.designators
    try:
        designators = expand(designators, row.quantity)
    except ValueError as error:
        problem("designators", str(error), "List the designators one by one.")
    numbers = {
        "part_number": row.part_number,
        "supplier_number": row.supplier_number,
        "value": row.value and own_number(designators, row.value, row.footprint),
    }
    number_from, number = next(((field, text) for field, text in numbers.items() if text), ("value", ""))
    name = " ".join(filter(None, (row.value, row.footprint))) or number
    if not number and not problems.keys() & numbers.keys():
        field = next(field for field in numbers if field in columns)
        problem(field, "The line gives neither a part number nor a value.", "Fill in one of them.")
    if not designators and row.quantity is None and not problems.keys() & {"designators", "quantity"}:
        field = "quantity" if "quantity" in columns else "designators"
        problem(field, "The line gives neither designators nor a quantity.", "Fill in one of them.")
    quantity = Decimal(len(designators) or 1) if row.quantity is None else row.quantity
    placeless = not designators and "designators" not in problems
    made = FileRow(
        line, number, row.revision, name, designators, quantity, number_from=number_from, placeless=placeless
    )
    return made, list(problems.values())


def expand(words: tuple[str, ...], quantity: Decimal | None) -> tuple[str, ...]:
    """The designators that the words name. A range is spelled out only where the quantity agrees with it.

    ValueError with a sentence when it can be one place or a range and the quantity does not tell.
    """
    ranges = find_ranges(words)
    if not ranges or quantity == len(words):
        return words
    count = sum(ranges[word][2] - int(ranges[word][1]) + 1 if word in ranges else 1 for word in words)
    shown = shorten(", ".join(ranges))
    if quantity != count:
        told = "the quantity is not given" if quantity is None else f"the quantity {quantity:f} is neither"
        raise ValueError(f"{shown} can mean {len(words)} or {count} designators here, and {told}.")
    if count > RANGE_LIMIT:
        raise ValueError(f"{shown} is a range of more than {RANGE_LIMIT:,} designators.")
    return tuple(
        f"{ranges[word][0]}{number:0{len(ranges[word][1])}}" if number is not None else word
        for word in words
        for number in (range(int(ranges[word][1]), ranges[word][2] + 1) if word in ranges else [None])
    )


def find_ranges(words: tuple[str, ...]) -> dict[str, tuple[str, str, int]]:
    """Of these words those that could be a range: letters, first number as written, last number."""
    return {
        word: (match[1], match[2], int(match[3]))
        for word in words
        if (match := RANGE.fullmatch(word)) and int(match[2]) < int(match[3])
    }


def own_number(designators: tuple[str, ...], value: str, footprint: str) -> str:
    """The plant's own number for what comes without one: OWN, the first designator's letters, value, footprint.

    `OWN-C-12pF-C_0603_1608Metric`; so two boards that describe a part alike share it, and a 10K resistor is
    not a 10K resistor pack. Letter case counts: 1m is not 1M. Longer than 60, its end is a SHA-256 over the whole.
    """
    letters = re.match(r"[A-Za-z]*", designators[0] if designators else "")
    text = "-".join(filter(None, ("OWN", letters and letters[0], value, footprint))).replace(" ", "-")
    if len(text) <= NUMBER_LENGTH:
        return text
    return f"{text[: NUMBER_LENGTH - 9]}-{hashlib.sha256(text.encode()).hexdigest()[:8]}"
