"""Cells of a CSV file in which a spreadsheet finds no formula, and what they say when they are read."""

from __future__ import annotations

import re

FORMULA, NUMBER = re.compile(r"'*[=+\-@\t\r]"), re.compile(r"-?\d+(\.\d+)?")
"""With what a spreadsheet's formula begins (OWASP, “CSV Injection”), after apostrophes or none; a number is none."""


def inert(text: str) -> str:
    """The text of a cell; before what might be a formula an apostrophe keeps it text."""
    return f"'{text}" if FORMULA.match(text) and not NUMBER.fullmatch(text) else text


def as_told(text: str) -> str:
    """What a cell says, without that apostrophe."""
    return text[1:] if text.startswith("'") and FORMULA.match(text[1:]) else text
