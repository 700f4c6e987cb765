"""Reading a supplier's 2D label: an envelope of ISO/IEC 15434, in it fields with data identifiers of ANSI MH10.8.2.

    [)> RS 06 GS identifier value GS identifier value … RS EOT

What the identifiers mean on labels of components is said by EIGP 114.2018 (its public summaries). Pure: a text comes
in, what it says comes out, or LabelRefused says what is wrong with it and what to do.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from functools import cached_property

from trace.core.errors import Refusal
from trace.core.secrecy import SYMBOLOGY

RS, GS, EOT = "\x1e", "\x1d", "\x04"
BEGINNING, FORMAT = "[)>", "06"
LONGEST = 1_000
"""Characters: longer than labels are, and short enough to be sent in an address."""

INSTEAD: Mapping[str, str] = {
    RS: r"␞|[{<\[](?:RS|F9)[}>\]]|\^\^|Ctrl\+\^",
    GS: r"␝|[{<\[](?:GS|F8)[}>\]]|\^\]|Ctrl\+\]",
    EOT: r"␄|[{<\[]EOT[}>\]]|\^D|Ctrl\+D",
}
"""What stands for a separator where the scanner, which types, has no key for it, or a program shows it: its picture of
Unicode, its name, its caret or key notation, the function keys that some scanners press (common practice)."""

SHOWN = str.maketrans({RS: "␞", GS: "␝", EOT: "␄"})

MEANINGS: Mapping[str, str] = {
    "P": "our part number",
    "1P": "supplier’s part number",
    "30P": "supplier’s part number, as sold",
    "33P": "bin code",
    "Q": "quantity",
    "13Q": "package of so many",
    "14Q": "quantity of each lot",
    "15Q": "quantity of each lot",
    "7Q": "weight",
    "1T": "lot",
    "2T": "second lot",
    "9D": "date code",
    "10D": "date code",
    "14D": "good until",
    "6D": "shipped on",
    "4L": "country of origin",
    "K": "order",
    "4K": "line of the order",
    "2K": "delivery",
    "11K": "packing list",
    "16K": "delivery note",
    "3S": "package",
    "4S": "package",
    "5S": "package",
    "S": "serial",
    "V": "supplier",
    "1V": "manufacturer",
    "12V": "manufacturer",
    "18V": "manufacturer",
    "2P": "revision",
    "Z": "moisture sensitivity",
    "E": "RoHS code",
}
"""What is told of the fields that are known; the others stay on the label as read. EIGP 114 and guides of makers and
buyers have them, but for 2K, 12V, 18V and S, which are told from memory."""

IDENTIFIER = re.compile(r"([0-9]{0,3}[A-Z])(.*)", re.DOTALL)
"""Up to three digits and a letter: so the longest identifier wins, and 30P is not read as P."""

SEPARATED = re.compile(f"[{RS}{GS}␞␝][0-9]{{0,3}}[A-Z]")
"""A separator and an identifier: so much is left of a label whose beginning was not read."""

MOST_LOTS = 4
"""That one field parts by “/”, as the guide of a maker who does so has it."""

EVERY_LOT = frozenset({"1T", "2T", "9D", "10D", "14D", "14Q", "15Q", "Q"})
"""Fields that may stand on a label once for each of its lots."""


class LabelRefused(Refusal):
    """A supplier's label can't be read."""

    code = "label-refused"
    action = "Scan it again. If it stays so, receive the package by the form, from what is printed on its label."


@dataclass(frozen=True)
class LabelLot:
    """One lot of a label. `quantity` is None where the label does not say how much is of it."""

    number: str
    quantity: Decimal | None
    date_code: str
    expiry: date | None

    @property
    def week(self) -> tuple[int, int] | None:
        """Year and week of its date code."""
        return read_week(self.date_code)


@dataclass(frozen=True)
class Label:
    """What a label says. `remarks` are what was unusual about it, in sentences. `unclear` are the lots that its one lot
    number may stand for, parted by “/” with nothing to tell how much is of each: somebody must say."""

    fields: Sequence[tuple[str, str]]
    lots: Sequence[LabelLot]
    quantity: Decimal | None
    remarks: Sequence[str] = ()
    unclear: Sequence[str] = ()

    def first(self, *identifiers: str) -> str:
        """The value of the first of these identifiers that the label has."""
        values = dict(reversed(self.fields))
        return next((values[name] for name in identifiers if values.get(name)), "")

    @cached_property
    def text(self) -> str:
        """The label as every scanner would give it, its separators made visible: two scans of a label are alike."""
        return write_label(self.fields).translate(SHOWN)

    @property
    def numbers(self) -> list[str]:
        """Under which the supplier may know the part, the likelier first."""
        return list(dict.fromkeys(filter(None, (self.first("1P"), self.first("30P")))))

    @property
    def own_number(self) -> str:
        """Our part number."""
        return self.first("P")

    @property
    def package(self) -> str:
        """The supplier's own id of this package."""
        return self.first("3S", "4S", "5S")

    @property
    def order(self) -> str:
        """The order that it comes by."""
        return self.first("K")

    @property
    def order_line(self) -> str:
        """The order's line."""
        return self.first("4K")

    @property
    def delivery(self) -> str:
        """The number of the delivery that it comes with."""
        return self.first("11K", "2K", "16K")

    @property
    def origin(self) -> str:
        """Country of origin: two letters of ISO 3166, nothing where it is something else."""
        code = self.first("4L").upper()
        return code if re.fullmatch("[A-Z]{2}", code) else ""

    @property
    def supplier(self) -> str:
        """By what it names who supplied it: the maker, whom it may name too, need not be who did."""
        return self.first("V")

    @property
    def told(self) -> list[tuple[str, str]]:
        """Its fields in words."""
        return [(MEANINGS.get(name, f"field {name}"), value) for name, value in self.fields if value]


def looks_like_label(text: str) -> bool:
    """Whether a scanned text means to be such a label, damaged perhaps."""
    text = _bare(text)[:LONGEST]
    return BEGINNING in text[:12] or SEPARATED.search(text) is not None


def read_label_text(text: str, parted: bool | None = None) -> Label:
    """What a label says. `parted` is whether “/” in its lot number parts lots, where somebody said so.

    Refuses with LabelRefused a damaged envelope, one of another format, a field without identifier or with what can't
    be, two values where there is one, and quantities of lots that don't make the total.
    """
    text, remarks = _read_separators(_bare(text))
    fields = [_field(number, part) for number, part in enumerate(_open(text, remarks), 1)]
    values: dict[str, list[str]] = {}
    for name, value in fields:
        known = values.setdefault(name, [])
        if value and (value not in known or name in EVERY_LOT):
            known.append(value)
    for name, some in values.items():
        if len(some) > 1 and name in MEANINGS and name not in EVERY_LOT:
            raise LabelRefused(f"The label says its {MEANINGS[name]} ({name}) twice: {' and '.join(some)}.")
    lots, quantity, unclear = _read_lots(values, parted)
    for lot in lots:
        if lot.date_code and not lot.week:
            remarks.append(f"Date code {lot.date_code} is no year and week: it is kept as it stands.")
    return Label(tuple(fields), tuple(lots), quantity, tuple(dict.fromkeys(remarks)), tuple(unclear))


def write_label(fields: Sequence[tuple[str, str]]) -> str:
    """The label of these fields."""
    return f"{BEGINNING}{RS}{FORMAT}{GS}{GS.join(f'{name}{value}' for name, value in fields)}{RS}{EOT}"


def read_week(code: str) -> tuple[int, int] | None:
    """(year, week) of a date code YYWW or YYYYWW; None for what is neither. 1452 is week 52 of 2014."""
    if not re.fullmatch(r"(?:20)?[0-9]{4}", code):
        return None
    year, week = 2000 + int(code[-4:-2]), int(code[-2:])
    return (year, week) if 1 <= week <= date(year, 12, 28).isocalendar().week else None  # its last week has 28 December


def _bare(text: str) -> str:
    """Without what the scanner adds. A bare `strip` would take separators away: to Python they are white space."""
    return SYMBOLOGY.sub("", text.strip(" \t\r\n"))


def _read_separators(text: str) -> tuple[str, list[str]]:
    """The text with its separators as they should be, and what stood for them."""
    stood = []
    for sign, instead in INSTEAD.items():
        if sign not in text and (found := re.search(instead, text)):
            stood.append(found[0])
            text = re.sub(instead, sign, text)
    if not stood or set(stood) <= set("␞␝␄"):
        return text, []
    return text, [f"The scanner sent {' and '.join(stood)} for the label’s separators: they were understood."]


def _open(text: str, remarks: list[str]) -> list[str]:
    """The fields in the envelope."""
    if len(text) > LONGEST:
        raise LabelRefused(f"The label has {len(text):,} characters: more than {LONGEST:,} are not read.")
    before, found, rest = text.partition(BEGINNING)
    if not found:
        raise LabelRefused(
            f"The label does not begin with {BEGINNING}, as ISO/IEC 15434 has it: its beginning was not read, or the "
            "scanner types for another keyboard.",
            action="Scan it again. If it stays so, have the scanner set to this keyboard; use the form till then.",
        )
    if before not in ("", ">"):
        raise LabelRefused(f"“{before[:20]}” stands before the label’s beginning.")
    if before:
        remarks.append("A stray “>” before the label’s beginning was left out: the supplier prints it wrongly.")
    if RS not in rest and GS not in rest:
        raise LabelRefused(
            "The separators between the label’s fields are missing: the scanner leaves control characters out.",
            action="Have the scanner set to send them (GS, RS), or F8 and F9 in their place; use the form till then.",
        )
    if not rest.startswith(RS):
        raise LabelRefused(f"The record separator (RS) after {BEGINNING} is missing: the envelope is damaged.")
    body, ended, trail = rest[1:].rpartition(EOT)
    if not ended:
        body, trail = trail, ""
    if trail:
        raise LabelRefused(f"“{trail[:20].translate(SHOWN)}” stands after the label’s end: it was scanned twice.")
    if ended and not body.endswith(RS):
        raise LabelRefused("The record separator (RS) before the label’s end is missing: the envelope is damaged.")
    if not ended:
        remarks.append("The label’s end was not read: look whether its last field is whole.")
    fields: list[str] = []
    for record in body.removesuffix(RS).split(RS):
        form, separated, content = record.partition(GS)
        if not form.startswith(FORMAT):
            kind = " (GS1 application identifiers)" if form.startswith("05") else ""
            raise LabelRefused(f"The label has the format “{form[:2]}”{kind}, not 06 with data identifiers.")
        if not separated or form != FORMAT:
            raise LabelRefused(f"The group separator (GS) after {FORMAT} is missing: the envelope is damaged.")
        fields += content.split(GS)
    fields = [field for field in fields if field]
    if not fields:
        raise LabelRefused("The label has no fields.")
    return fields


def _field(number: int, text: str) -> tuple[str, str]:
    found = IDENTIFIER.fullmatch(text)
    if not found or not found[2].isprintable():
        what = "has no data identifier" if not found else "has a character that no label has"
        raise LabelRefused(f"Field {number} of the label, “{text[:20].translate(SHOWN)}”, {what}.")
    return found[1], found[2].strip()


def _read_lots(
    values: Mapping[str, list[str]], parted: bool | None
) -> tuple[list[LabelLot], Decimal | None, list[str]]:
    """The lots, the total, and what one lot number may stand for."""
    numbers = list(dict.fromkeys([*values.get("1T", ()), *values.get("2T", ())]))
    each = [part for text in (values.get("14Q") or values.get("15Q") or ()) for part in text.split("/")]
    unclear: list[str] = []
    if len(numbers) == 1 and "/" in numbers[0] and parted is not False:
        pieces = [piece.strip() for piece in numbers[0].split("/")]
        if parted or len(each) == len(pieces):
            numbers = list(filter(None, pieces)) or numbers
        elif all(pieces) and len(pieces) <= MOST_LOTS:
            unclear = pieces
    totals = values.get("Q", [])
    if not each and len(totals) == len(numbers) > 1:
        each, totals = totals, []
    if len(set(totals)) > 1:
        raise LabelRefused(f"The label says its quantity (Q) twice: {' and '.join(totals)}.")
    amounts = [_quantity(text) for text in each]
    total = _quantity(totals[0]) if totals else sum(amounts, Decimal(0)) if amounts else None
    if amounts and len(amounts) != max(len(numbers), 1):
        raise LabelRefused(f"The label has {len(numbers)} lots, but quantities of {len(amounts)}.")
    if amounts and sum(amounts) != total:
        raise LabelRefused(f"The label’s lots make {sum(amounts):f} together, but its total is {total:f}.")
    many = max(len(numbers), 1)
    if not amounts and many == 1 and total is not None:
        amounts = [total]
    codes = _spread(values.get("10D") or values.get("9D") or [], many, "date code")
    expiries = [_day(text) for text in _spread(values.get("14D", []), many, "expiry")]
    quantities: Sequence[Decimal | None] = amounts or [None] * many
    lots = [LabelLot(*told) for told in zip(numbers or [""], quantities, codes, expiries, strict=True)]
    return lots, total, unclear


def _spread(texts: Sequence[str], many: int, what: str) -> list[str]:
    """One for each lot: as many as there are lots, parted by “/” too, or one for all of them."""
    if len(texts) == 1 and texts[0].count("/") == many - 1:
        texts = texts[0].split("/")
    if len(set(texts)) <= 1:
        return [*(texts[:1] or [""])] * many
    if len(texts) != many:
        raise LabelRefused(f"The label says its {what} twice: {' and '.join(texts)}.")
    return list(texts)


def _quantity(text: str) -> Decimal:
    if not re.fullmatch(r"[0-9]{1,9}(?:\.[0-9]{1,4})?", text) or not Decimal(text):
        raise LabelRefused(f"“{text[:20]}” is no quantity.")
    return Decimal(text)


def _day(text: str) -> date | None:
    if not text:
        return None
    try:
        if not re.fullmatch("[0-9]{8}", text):
            raise ValueError
        return date(int(text[:4]), int(text[4:6]), int(text[6:]))
    except ValueError:
        raise LabelRefused(f"The label is good until “{text[:20]}”, which is no day as 20271231 is one.") from None
