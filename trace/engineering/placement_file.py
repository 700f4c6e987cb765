"""Reading the placements of a board from a CSV file: what stands where, how turned, on which side. Pure."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping
from copy import deepcopy
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Annotated

from pydantic import BaseModel, BeforeValidator, StringConstraints

from trace.engineering.cells import LineProblem, Text, clean, validate, wrong
from trace.engineering.csv_file import FileTable, Layout, plain, read_csv_file
from trace.engineering.models import Placement
from trace.engineering.rules import shorten

UNITS = {
    **dict.fromkeys(("mm", "millimetre", "millimetres", "millimeter", "millimeters"), Decimal(1)),
    **dict.fromkeys(("um", "μm", "micron", "microns"), Decimal("0.001")),
    **dict.fromkeys(("mil", "mils", "thou"), Decimal("0.0254")),
    **dict.fromkeys(("in", "inch", "inches", '"'), Decimal("25.4")),
}
"""Units of length in mm. 1 inch is 25.4 mm by definition."""

PLACE_LIMIT = Decimal(100_000)
PLACE_STEP = Decimal("0.000001")
TURN_STEP = Decimal("0.0001")

SIDES = {
    **dict.fromkeys(
        ("top", "toplayer", "topside", "t", "front", "f", "fcu", "primary", "primaryside", "componentside"),
        Placement.Side.TOP,
    ),
    **dict.fromkeys(
        ("bottom", "bottomlayer", "bottomside", "bot", "b", "back", "bcu", "secondary", "secondaryside", "solderside"),
        Placement.Side.BOTTOM,
    ),
}
"""What is written for a side, in small letters, of letters and digits only. Common practice."""

MARKED = frozenset({"1", "x", "y", "yes", "true", "dnp", "dnf", "dni", "donotplace", "donotpopulate", "donotfit"})
UNMARKED = frozenset({"", "0", "n", "no", "false", "place", "placed", "fit", "fitted"})

DNP = re.compile(r"\b(dnp|dnf|dni)\b", re.IGNORECASE)
"""In a value it says that the place stays empty. Common practice."""

NUMBER = re.compile(r"([+-]?(?:[0-9]{1,9}(?:\.[0-9]{0,20})?|\.[0-9]{1,20}))\s*(\D*)")


def _with_units(*headers: str) -> dict[str, str]:
    """Headers with a unit written behind them, or none."""
    return {header + unit: unit for header in headers for unit in ("", *UNITS) if unit.isalpha() or not unit}


X = _with_units("x", "posx", "xpos", "positionx", "xposition", "midx", "centerx", "centrex", "xcoordinate")
Y = _with_units("y", "posy", "ypos", "positiony", "yposition", "midy", "centery", "centrey", "ycoordinate")

COLUMNS: dict[str, tuple[str, ...]] = {
    "designator": ("designator", "referencedesignator", "refdes", "reference", "ref"),
    "x": tuple(X),
    "y": tuple(Y),
    "rotation": ("rotation", "rotationdeg", "rotationdegrees", "rot", "rotdeg", "angle", "angledeg", "orientation"),
    "side": ("side", "boardside", "mountside", "layer"),
    "value": ("value", "val", "comment"),
    "do_not_place": ("donotplace", "dnp", "donotpopulate", "donotfit", "dnf", "donotinstall", "dni", "notfitted"),
}
"""Our fields, and the headers that mean them: in small letters, of letters and digits only."""

REQUIRED = ("designator", "x", "y", "rotation", "side")

LAYOUT = Layout("placement file", COLUMNS, {f"the {name}": (name,) for name in REQUIRED})


@dataclass(frozen=True)
class PlacementRow:
    """One line of the file: x and y in mm, the rotation in degrees from 0 to below 360."""

    line: int
    designator: str
    x: Decimal
    y: Decimal
    rotation: Decimal
    side: str
    value: str = ""
    do_not_place: bool = False


@dataclass
class PlacementFile(FileTable):
    """What a file says of placements."""

    rows: list[PlacementRow] = field(default_factory=list)


def _length(cell: str) -> tuple[Decimal, str] | None:
    if not (text := clean(cell)):
        return None
    match = NUMBER.fullmatch(text)
    if not match or match[2].casefold() not in ("", *UNITS):
        raise wrong(
            f"“{shorten(text)}” is not a length.",
            "Write it in digits, with a point before decimals, in mm, μm, mil or in.",
        )
    return Decimal(match[1]), match[2].casefold()


def _rotation(cell: str) -> Decimal | None:
    if not (text := clean(cell)):
        return None
    match = NUMBER.fullmatch(text)
    if not match or match[2].casefold() not in ("", "°", "deg"):
        raise wrong(f"“{shorten(text)}” is not an angle.", "Write it in degrees, with a point before decimals.")
    return turn(Decimal(match[1]))


def _side(cell: str) -> str:
    text = clean(cell)
    if text and plain(text) not in SIDES:
        raise wrong(f"“{shorten(text)}” is not a side.", "Write top or bottom.")
    return SIDES[plain(text)].value if text else ""


def _mark(cell: str) -> bool:
    text = clean(cell)
    if text and plain(text) not in MARKED | UNMARKED:
        raise wrong(f"“{shorten(text)}” does not say whether it is placed.", "Write yes where it is not.")
    return plain(text) in MARKED


class Cells(BaseModel):
    """Each cell by itself."""

    designator: Annotated[str, Text, StringConstraints(max_length=60)] = ""
    x: Annotated[tuple[Decimal, str] | None, BeforeValidator(_length)] = None
    y: Annotated[tuple[Decimal, str] | None, BeforeValidator(_length)] = None
    rotation: Annotated[Decimal | None, BeforeValidator(_rotation)] = None
    side: Annotated[str, BeforeValidator(_side)] = ""
    value: Annotated[str, Text, StringConstraints(max_length=120)] = ""
    do_not_place: Annotated[bool, BeforeValidator(_mark)] = False


def read_placement_file(
    content: bytes | str | FileTable, mapping: Mapping[str, str] | None = None, delimiter: str = ""
) -> PlacementFile:
    """Read a CSV file as `csv_file.read_csv_file` says, or a table that was read; the fields are those of `COLUMNS`.

    x and y are in the unit that their cell names, else the one that their header names (`PosX_mm`, `X (mil)`), else
    in mm; they are kept to the nanometre. A place stays empty where its cell of `do_not_place` or its value says so.
    Raises nothing on bad content: see `problems`; where the file or its columns are at fault there are no rows.
    """
    if not isinstance(content, FileTable):
        content = read_csv_file(content, LAYOUT, mapping or {}, delimiter)
    file = PlacementFile(**deepcopy(vars(content)))
    units = {name: find_unit(file.columns.get(name, "")) for name in ("x", "y")}
    unsaid = False
    for line, cells in file.lines:
        row, problems = validate(Cells, line, cells, file.columns)
        places: dict[str, Decimal] = {}
        for name in REQUIRED:
            if name not in problems and getattr(row, name) in ("", None):
                problems[name] = LineProblem(line, file.columns[name], f"The line gives no {name}.", "Fill it in.")
        for name, length in (("x", row.x), ("y", row.y)):
            number, unit = length or (Decimal(0), "mm")
            unit = unit or units[name]
            unsaid |= not unit
            places[name] = (number * UNITS[unit or "mm"]).quantize(PLACE_STEP)
            if abs(places[name]) >= PLACE_LIMIT:
                what = f"“{shorten(cells[name])}” is 100 m or more from the origin."
                problems[name] = LineProblem(line, file.columns[name], what, "Check its unit.")
        file.problems += problems.values()
        file.rows.append(
            PlacementRow(
                line,
                row.designator,
                **places,
                rotation=row.rotation or Decimal(0),
                side=row.side,
                value=row.value,
                do_not_place=row.do_not_place or bool(DNP.search(row.value)),
            )
        )
    if unsaid:
        file.remarks.append("Nothing names the unit of some x or y: they are taken for mm.")
    file.problems.sort(key=lambda problem: problem.line)
    return file


def find_unit(header: str) -> str:
    """The unit that the header of a length names, by its last word; "" for none."""
    known = X.get(plain(header)) or Y.get(plain(header)) or ""
    last = re.findall(r'[a-zμ]+|"', unicodedata.normalize("NFKC", header).casefold())[-1:]
    return known or next((word for word in last if word in UNITS), "")


def turn(angle: Decimal) -> Decimal:
    """An angle in degrees as one from 0 to below 360, in steps of 0.0001."""
    # Rounded first: 359.99999 is 0.
    return (angle.quantize(TURN_STEP) % 360 + 360) % 360
