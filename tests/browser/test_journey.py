"""Units go from their order to the end of their route by somebody who obeys what the pages say, and knows nothing else.

The worker has what the floor has: the travellers, stations, shelves of labelled material by part, an instrument. Which
step is due, and where, what goes in, what is measured within which limits and what to do after a failure it reads from
the page. At the end the record says what the pages had said.
"""

from __future__ import annotations

import re
import time
from collections import defaultdict
from collections.abc import Callable, Iterator
from decimal import Decimal
from itertools import count
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings
from django.db import connection
from playwright.sync_api import Page, expect

from tests.browser.working import Floor, Worker, make_look
from tests.web.conftest import make_user
from trace.core.permissions import Role
from trace.floor.models import Fitting, Pass, Reading, RefusedScan, Unit
from trace.genealogy.backward import trace_backward
from trace.ledger.models import Event
from trace.management.benchmark.serving import Server, url_of

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

PATIENCE = 15_000


@pytest.fixture(autouse=True)
def _patience() -> Iterator[None]:
    expect.set_options(timeout=PATIENCE)
    yield
    expect.set_options(timeout=5_000)


@pytest.fixture
def floor(transactional_db: None) -> Floor:
    return Floor()


@pytest.fixture
def look(page: Page, shot: Callable, accessible: Callable) -> Callable[[str], None]:
    return make_look(page, shot, accessible, 1024, 768)


def spoil_first() -> Callable[[str, Decimal, Decimal], Decimal]:
    """An instrument that shows what lies between the limits, but for the first time."""
    times = count(1)
    return lambda _, low, high: low - 1 if next(times) == 1 else (low + high) / 2


def test_a_unit_goes_through_its_route_by_what_the_pages_say(
    page: Page, floor: Floor, live_server: Any, look: Callable[[str], None]
) -> None:
    page.context.set_default_timeout(PATIENCE)
    worker = Worker(page, live_server.url, floor.shelves, look, spoil_first())
    worker.enter(make_user("pia", roles=[Role.PLANNER]))
    (code,) = worker.order("CARD", 1)
    worker.enter(make_user("olga", roles=[Role.OPERATOR]))
    worker.go_through(code, "METER")  # where somebody put it, and it is not due

    assert worker.sent_on == ["PLACE", "OVEN", "BATH", "BENCH", "METER", "METER"]
    unit = Unit.objects.get(order__key="WO-JOURNEY")
    record = Pass.objects.filter(unit=unit, superseded=None).order_by("pk")
    assert [tuple(one) for one in record.values_list("step__number", "station__key", "outcome")] == worker.done
    assert [(number, outcome) for number, _, outcome in worker.done] == [
        *((number, "passed") for number in (10, 20, 30, 40)), (50, "failed"), (50, "passed"),
    ]  # fmt: skip
    assert set(record.values_list("by__key", flat=True)) == {"U-OLGA"}

    readings = Reading.objects.filter(unit=unit, superseded=None).order_by("pk").select_related("characteristic")
    values = ["good" if one.value is None else f"{one.value.normalize():f}" for one in readings]
    names = [one.characteristic.name for one in readings]
    assert list(zip(names, values, strict=True)) == worker.readings
    assert [one.good for one in readings] == [False, True, True, True]

    fitted = {one.designator: (one.child or one.container).key for one in Fitting.objects.filter(unit=unit)}
    assert fitted == worker.fitted and set(fitted) == {"M1", "F1"}
    built: dict[str, set[str | None]] = defaultdict(set)
    parts: dict[str, set[str | None]] = defaultdict(set)
    for place in trace_backward(unit).places:
        for entry in place.standing:
            assert entry.sure, place
            built[place.designator] |= {entry.child} if entry.child else {origin.container for origin in entry.origins}
            parts[place.designator] |= {origin.part for origin in entry.origins}
    assert {name: things for name, things in built.items() if name in fitted} == {k: {v} for k, v in fitted.items()}
    assert worker.drawn == {name: part for name in worker.drawn for part in parts[name]}
    assert set(built) == {*worker.fitted, *worker.drawn} == {"R1", "R2", "C1", "M1", "F1"}
    assert {thing for name in worker.drawn for thing in built[name]} == worker.on_feeds == {"RR", "CC"}


# The server is away in the midst of it -------------------------------------------------------------------------------

AWAY = 20
"""Seconds for which the server is stopped. The browser waits longer before each try, up to 15 seconds: it has waited
that long once before 20 are over, and what it sends is late (10 s). A minute would bring three more such tries."""


@pytest.fixture
def server(tmp_path: Path, transactional_db: None) -> Iterator[Server]:
    told = {"SECRET_KEY": settings.SECRET_KEY, "TRACE_PYTHON_AS_IS": "1"}
    with Server(url_of(connection.settings_dict), tmp_path, DJANGO_SETTINGS_MODULE="config.settings", **told) as server:
        yield server


def test_units_go_through_their_route_though_the_server_stops(
    page: Page, floor: Floor, server: Server, look: Callable[[str], None]
) -> None:
    page.context.set_default_timeout(PATIENCE)
    worker = Worker(page, f"http://127.0.0.1:{server.port}", floor.shelves, look, spoil_first())
    worker.enter(make_user("pia", roles=[Role.PLANNER]))
    codes = worker.order("CHIP", 3)
    units = list(Unit.objects.filter(order__key="WO-JOURNEY").order_by("pk").values_list("key", flat=True))
    olga = make_user("olga", roles=[Role.OPERATOR])
    worker.enter(olga)
    worker.at("METER")
    worker.scan(codes[0])
    (station,) = re.findall(r"still needs step \d+, .+?, at (\S+?)\.", worker.hear("Stop"))
    worker.at(station)
    worker.scan(codes[0])
    worker.hear("Go")
    worker.await_work()

    server.kill()
    kept = page.locator("#kept")
    worker.scan("PASSED")
    assert "go by the route on the traveller" in worker.hear("Waiting")
    assert [re.findall(r"\bAt (\S+)", sheet)[0] for sheet in worker.paper] == [station] * len(codes)
    for number, code in enumerate(codes[1:], 1):
        worker.scan(code)
        expect(kept).to_contain_text(f"{2 * number} scans wait")
        worker.scan("PASSED")
        expect(kept).to_contain_text(f"{2 * number + 1} scans wait")
    look("away")
    told, results = (page.locator(f"#station {part}").bounding_box() for part in (".say .next", ".results"))
    assert told["y"] + told["height"] <= results["y"], "what to do meanwhile is in sight"  # type: ignore[index]
    until = time.monotonic() + AWAY
    while time.monotonic() < until:
        assert worker.word() == "Waiting" and "nothing of it is on record yet" in worker.answer.inner_text()
        assert page.locator("#station .mark-passed, #home").count() == 0, "nothing says that it was done"
        expect(kept).to_contain_text("5 scans wait")
        page.wait_for_timeout(250)
    assert list(Pass.objects.filter(unit__key__in=units).values_list("unit__key", "outcome")) == [(units[0], "")]

    server.start()
    expect(kept).to_be_empty(timeout=60_000)
    worker.hear("Passed")
    following = {worker.read_onward(units[-1])}
    for unit, code in zip(units, codes, strict=True):
        for station in following:
            worker.go_through(code, str(station))
        assert page.locator("#home .onward").first.inner_text() == f"{unit} has passed all of its steps."

    record = Pass.objects.filter(unit__key__in=units, superseded=None).order_by("scanned_in")
    done = list(record.values_list("unit__key", "step__number", "outcome"))
    assert done == [(unit, number, "passed") for number in (10, 20) for unit in units]
    assert not RefusedScan.objects.exists()
    assert Event.objects.filter(by=olga.person).count() == 2 * len(done), "each scan is on record once"
