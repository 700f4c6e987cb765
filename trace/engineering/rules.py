"""What may stand in a bill of material, how a part gets its key, limits, what is no PIN. No database, no clock."""

from __future__ import annotations

import hashlib
import re
import unicodedata
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from itertools import groupby

from trace.core.keys import KEY_LENGTH, natural
from trace.engineering.models import Part

EACH = "each"
"""The unit of measure of what is counted in pieces."""

DESIGNATOR_LENGTH = 20
QUANTITY_LIMIT = Decimal(10) ** 8
QUANTITY_STEP = Decimal("0.000001")

_SYMBOLS = str.maketrans({"μ": "U", "Ω": "OHM"})  # as NFKD leaves the micro and the ohm sign


@dataclass(frozen=True)
class BomRow:
    """One line of a bill of material: so much of a part, at these designators, `each` at every one of them.

    Without designators the part is in the assembly, but at no place that could be traced. `step_number` is
    the route's step that fills them; it may be left to the route.
    """

    part: Part
    quantity: Decimal | int
    designators: Sequence[str] = ()
    each: Decimal | int = 1
    step_number: int | None = None


def say_limits(lower: Decimal | None, upper: Decimal | None, unit: str = "") -> str:
    """What a value must be to lie within its limits; on one it does."""
    low, high = (None if limit is None else f"{limit.normalize():f}" for limit in (lower, upper))
    if low and high:
        return f"between {low} and {high} {unit}".strip()
    return " ".join(filter(None, (low or high, unit, "or more" if low else "or less")))


def within(value: Decimal, lower: Decimal | None, upper: Decimal | None) -> bool:
    """Whether a value lies within its limits, or on one."""
    return (lower is None or value >= lower) and (upper is None or value <= upper)


@dataclass(frozen=True)
class Problem:
    """What is wrong with one row (counted from 0), in which of its fields, and how to mend it."""

    row: int
    field: str
    what: str
    mend: str


def judge_bom(
    level: int, rows: Sequence[BomRow], name_row: Callable[[int], str] = lambda row: f"row {row + 1}"
) -> list[Problem]:
    """Everything that keeps these rows from being the bill of material of an assembly at this level.

    A part stands below the assembly's level and is not retired. A quantity is above 0, below 100,000,000, in
    steps of 0.000001, whole for what is counted in pieces, and equals the designators times `each`. A
    serialised part has designators, one at each. A designator has at most 20 visible characters, no space,
    comma or semicolon, and is used once in the assembly, capitals or not; `name_row` says where it was before.
    """
    seen: dict[str, int] = {}
    problems: list[Problem] = []
    for number, row in enumerate(rows):
        problems += _judge_row(level, number, row)
        for name in row.designators:
            if (first := seen.setdefault(name.casefold(), number)) != number:
                what = f"Designator {shorten(name)} stands in {name_row(first)} too."
                problems.append(Problem(number, "designators", what, "One place holds one part: take it out of one."))
        twice = [name for name, count in Counter(map(str.casefold, row.designators)).items() if count > 1]
        if twice:
            what = f"{shorten(', '.join(twice).upper())} stands twice in {name_row(number)}."
            problems.append(Problem(number, "designators", what, "Name each designator once."))
    return problems


def _judge_row(level: int, number: int, row: BomRow) -> Iterator[Problem]:
    part, quantity, each = row.part, Decimal(row.quantity), Decimal(row.each)
    if part.level >= level:
        yield Problem(
            number,
            "part",
            f"{part.number} stands at level {part.level}, which is not below the assembly's, {level}.",
            "Take a part of a lower level, or define the assembly at a higher one.",
        )
    if part.retired:
        yield Problem(number, "part", f"{part.number} is retired.", "Take the part that came in its place.")
    wrong = {"quantity": judge_quantity(quantity, part.unit_of_measure)}
    if each.compare_total(quantity):  # all of it at one place: said once
        wrong["each"] = judge_quantity(each, part.unit_of_measure)
    for field, what in wrong.items():
        if what:
            yield Problem(number, field, what, "Give the quantity in the part's own unit of measure.")
    if row.designators and not any(wrong.values()) and quantity != (placed := each * len(row.designators)):
        yield Problem(
            number,
            "quantity",
            f"The quantity is {quantity:f}, but the designators hold {placed:f}: "
            f"{shorten(', '.join(row.designators))}.",
            "Correct the quantity, or name the designators that are missing or too many.",
        )
    if part.serialised and (not row.designators or each != 1):
        yield Problem(
            number,
            "designators",
            f"{part.number} is tracked by serial, and each of them needs a place of its own.",
            "Name one designator for each.",
        )
    for name in row.designators:
        if len(name) > DESIGNATOR_LENGTH or not name.isprintable() or not re.fullmatch(r"[^\s,;]+", name):
            yield Problem(
                number,
                "designators",
                f"“{shorten(name)}” is not a designator.",
                f"Write at most {DESIGNATOR_LENGTH} characters without a space, comma or semicolon.",
            )


def judge_quantity(quantity: Decimal, unit_of_measure: str) -> str:
    """What is wrong with a quantity, or nothing."""
    if not quantity.is_finite() or not 0 < quantity < QUANTITY_LIMIT:
        return f"{shorten(str(quantity))} is not a quantity above 0 and below {QUANTITY_LIMIT:,f}."
    if quantity % QUANTITY_STEP:
        return f"{shorten(str(quantity))} is finer than {QUANTITY_STEP}."
    if unit_of_measure == EACH and quantity % 1:
        return f"{quantity:f} of a part that is counted in pieces is not possible."
    return ""


def part_key(number: str, revision: str = "", *, again: bool = False) -> str:
    """The key of a part: number and revision in capitals, everything but letters and digits a hyphen.

    What is too long, or has none of them, or is wanted `again` because another part has the plain key, gets
    eight hexadecimal digits of SHA-256 over number and revision: the same part has the same key everywhere.
    """
    text = unicodedata.normalize("NFKD", f"{number} {revision}").translate(_SYMBOLS).encode("ascii", "ignore")
    key = re.sub(r"[^A-Z0-9]+", "-", text.decode().upper()).strip("-")
    if key and len(key) <= KEY_LENGTH and not again:
        return key
    digest = hashlib.sha256(f"{number}\0{revision}".encode()).hexdigest()[:8].upper()
    return f"{key[: KEY_LENGTH - 9].strip('-') or 'PART'}-{digest}"


def make_serial(prefix: str, digits: int, number: int, day: date) -> str:
    """The serial with this number, of an order released on that day."""
    year, week, _ = day.isocalendar()
    return f"{prefix.replace('{YY}', f'{year % 100:02}').replace('{WW}', f'{week:02}')}{number:0{digits}}"


def run_together(names: Iterable[str]) -> str:
    """Designators in natural order, runs of three and more drawn together: C1–C13, R2, R4."""
    split = [re.fullmatch(r"(.*?)(0|[1-9]\d*)?", name) for name in sorted(names, key=natural)]
    numbered = [(m[1], int(m[2]) if m[2] else None) for m in split if m]
    runs = groupby(enumerate(numbered), lambda item: (item[1][0], item[1][1] is None, (item[1][1] or 0) - item[0]))
    pieces = []
    for _, run in runs:
        found = [f"{prefix}{'' if number is None else number}" for _, (prefix, number) in run]
        pieces += found if len(found) < 3 else [f"{found[0]}–{found[-1]}"]
    return ", ".join(pieces)


def shorten(text: str, length: int = 60) -> str:
    """`text` for a sentence: what can't be shown is spelled out, what is too long is cut."""
    shown = "".join(c if c.isprintable() else f"\\u{ord(c):04x}" for c in text[: length + 1])
    return shown if len(shown) <= length else f"{shown[:length]}…"


PIN = re.compile(r"\d{4,12}", re.ASCII)
YEAR = re.compile(r"(19|20)\d\d")


def explain_weak_pin(pin: str) -> str:
    """Why a PIN can't be used; empty where it can.

    Refused are what NIST SP 800-63B (5.1.1.2) names first, repeated and sequential characters, and years, which people
    choose by their birth (common practice).
    """
    if not PIN.fullmatch(pin):
        return "A PIN is 4 to 12 digits."
    steps = {(int(after) - int(before)) % 10 for before, after in zip(pin, pin[1:], strict=False)}
    if steps in ({0}, {1}, {9}):
        return "A PIN of one digit, or of digits in a row, is guessed at once."
    if any(len(pin) % n == 0 and pin == pin[:n] * (len(pin) // n) for n in range(1, len(pin) // 2 + 1)):
        return "A PIN that repeats itself is easily guessed."
    if YEAR.fullmatch(pin):
        return "A PIN that is a year is easily guessed."
    return ""
