"""Date codes on components: year and week of manufacture, as YYWW. Pure."""

from __future__ import annotations

import re

CENTURY_TURNS = 69
"""Two digits from here on are of the twentieth century, as POSIX has it for `strptime` and %y."""


def read_date_code(text: str) -> tuple[int, int] | None:
    """(year, week) of a date code YYWW, with which codes are compared; None for what is none. The week is one of ISO
    8601, 1 to 53."""
    code = text.strip()
    if not re.fullmatch(r"[0-9]{4}", code):
        return None
    year, week = int(code[:2]), int(code[2:])
    if not 1 <= week <= 53:
        return None
    return (1900 if year >= CENTURY_TURNS else 2000) + year, week
