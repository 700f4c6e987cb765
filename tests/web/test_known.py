"""Pages as known on a day, and pages of units with a child that is not known."""

from __future__ import annotations

import time
from urllib.parse import quote

import pytest
from django.http import HttpRequest, StreamingHttpResponse
from django.test import Client, RequestFactory
from django.utils import timezone

from tests.factories import Plant
from tests.web.conftest import Suspects
from trace.core.clock import from_ticks, now_ticks
from trace.floor.operations.corrections import void_pass
from trace.floor.operations.findings import find_child
from trace.floor.operations.fittings import fit_child
from trace.web.moments import looks_back

pytestmark = pytest.mark.django_db


def this_moment() -> str:
    """Now, as an address has it; what follows is recorded later."""
    text = timezone.localtime(from_ticks(now_ticks())).replace(tzinfo=None).isoformat()
    time.sleep(0.01)
    return quote(text, safe=":")


def text_of(page: str) -> str:
    return " ".join(page.split())


def get(visitor: Client, address: str) -> str:
    response = visitor.get(address)
    assert response.status_code == 200
    return text_of(response.content.decode())


def test_the_lot_page_as_known_before_a_pass_was_voided(visitor: Client, suspects: Suspects) -> None:
    known = this_moment()
    entry = suspects.certain.passes.get(station=suspects.plant.insertion)
    suspects.plant.do(void_pass, 60, entry=entry, reason="wrong traveller")
    today, then = get(visitor, "/lots/K77/"), get(visitor, f"/lots/K77/?known={known}")
    assert "As known on" in then and "nothing recorded later is believed" in then and "As known on" not in today
    assert f"/units/{suspects.certain.key}/?known={known}" in then
    assert f"/units/{suspects.certain.key}/?" not in today
    assert suspects.certain.key not in today
    unit = get(visitor, f"/units/{suspects.certain.key}/?known={known}")
    assert "K77" in unit and "As known on" in unit
    assert "K77" not in get(visitor, f"/units/{suspects.certain.key}/")


def test_both_times_in_every_part_of_a_page(visitor: Client, suspects: Suspects) -> None:
    known = this_moment()
    both = get(visitor, f"/lots/K77/?at=2026-03-02T06:13&known={known}")
    assert "looking at" in both
    assert f"?at=2026-03-02T06:13&amp;known={known}" in both
    why = get(visitor, f"/lots/K77/units/{suspects.certain.key}/?known={known}")
    assert "As known on" in why
    assert get(visitor, f"/lots/K77/cost/?known={known}")
    rows = visitor.get(f"/lots/K77/?known={known}&csv=units").getvalue().decode()
    assert suspects.certain.key in rows


def test_a_file_is_made_while_it_is_sent_but_before_where_it_looks_back(rf: RequestFactory) -> None:
    made: list[int] = []

    @looks_back
    def view(request: HttpRequest) -> StreamingHttpResponse:
        return StreamingHttpResponse(f"row {made.append(n) or n}\n" for n in range(3))  # type: ignore[func-returns-value]

    now, then = view(rf.get("/")), view(rf.get(f"/?known={this_moment()}"))
    assert len(made) == 3
    rows = [b"row 0\n", b"row 1\n", b"row 2\n"]
    assert list(then) == rows  # type: ignore[call-overload]
    then.close()
    assert next(iter(now)) == rows[0] and len(made) == 4  # type: ignore[call-overload]


def test_what_was_not_on_record_then_is_not_found(visitor: Client) -> None:
    known = this_moment()
    (unit,) = Plant().boards()
    assert visitor.get(f"/units/{unit.key}/?known={known}").status_code == 404
    assert visitor.get(f"/units/{unit.key}/").status_code == 200
    assert visitor.get(f"/units/{unit.key}/?known=2199-01-01T00:00").status_code == 400


def test_the_unit_page_says_which_child_is_not_known(visitor: Client) -> None:
    plant = Plant()
    boards, products = plant.boards(2), plant.products(2)
    for minute, (product, board) in enumerate(zip(products, boards, strict=True), 5):
        plant.finish(board, 1)
        plant.do(fit_child, minute, unit=product, designator="M1", child=board)
    plant.do(find_child, 20, unit=products[1], designator="M1", child=boards[0])
    page = get(visitor, f"/units/{products[0].key}/")
    assert "a unit that is" in page
    assert f"{boards[0].key} was on record here, and was found in {products[1].key} at M1" in page
    assert "last surely there" in page
    lost = get(visitor, f"/units/{boards[1].key}/")
    assert "not known: on record in" in lost and "not found in" in lost
    found = get(visitor, f"/units/{products[1].key}/")
    assert "fitted between" in found
    earlier = get(visitor, f"/units/{products[0].key}/?at=2026-03-02T06:15")
    assert "one of 2" in earlier and "perhaps" in earlier
