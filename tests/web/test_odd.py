"""What no page should be asked: it answers all the same, and never with a fault."""

from __future__ import annotations

from urllib.parse import quote

import pytest
from django.test import Client

from tests.web.conftest import Suspects
from tests.web.test_pages import addresses

pytestmark = pytest.mark.django_db

ASKED = (
    "q", "label", "supplier", "kind", "store", "delivery", "parted", "form", "lot", "size", "station", "for", "part",
    "suspect", "year", "set", "done", "outside", "option", "line", "at", "known", "find", "next", "board_sets", "pace",
    "csv", "sort", "page", "search", "boards", "head", "do", "container", "call", "quantity", "key", "sources",
    "reason", "told", "codes", "paper", "start", "name", "value", "board_set", "counts", "day", "from", "to", "by",
    "verb", "about", "feed", "copy", "sheet", "row", "serial", "assembly", "date", "remark", "storage", "hours",
    "temperature",
)  # fmt: skip
ODD = ("a\x00b", "\u202e\u0644\u0648\u0637", "9" * 400)
"""PostgreSQL takes no NUL; text from right to left; a number that no column takes."""


@pytest.mark.parametrize("text", ODD)
def test_no_page_fails_at_what_is_asked(visitor: Client, suspects: Suspects, text: str) -> None:
    visitor.raise_request_exception = False
    asked = "&".join(f"{name}={quote(text)}" for name in ASKED)
    tried = {name: f"{address}{'&' if '?' in address else '?'}{asked}" for name, address in addresses(suspects).items()}
    answers = {name: visitor.get(address).status_code for name, address in tried.items()}
    assert {name: status for name, status in answers.items() if status >= 500} == {}
    answers = {name: visitor.post(address, dict.fromkeys(ASKED, text)).status_code for name, address in tried.items()}
    assert {name: status for name, status in answers.items() if status >= 500} == {}
