"""The server is away while a station goes on scanning: nothing is lost, nothing is done twice, nothing is said to be
done that is not; each of the known ways in which such a queue fails has its test."""

from __future__ import annotations

import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings
from django.db import connection
from django.test import Client
from django.test.utils import override_settings
from playwright.sync_api import BrowserContext, Page, Route, expect
from playwright.sync_api import Error as PlaywrightError

from tests.conftest import FLAGS
from tests.factories import Plant
from tests.web.bench import open_bench
from tests.web.conftest import make_user
from trace.core.clock import now, to_ticks
from trace.core.models import User
from trace.core.permissions import Role
from trace.floor.models import Pass, RefusedScan, Unit
from trace.holds.operations import place_holds
from trace.ledger.models import Event

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

REFUSES = """
const refuse = () => { throw new DOMException("no room", "QuotaExceededError"); };
IDBObjectStore.prototype.add = refuse;
"""
BLOCKS = """Object.defineProperty(window, "indexedDB", { get() { throw new DOMException("no", "SecurityError"); } });"""
RETRIED = 60_000
"""Milliseconds within which a server that came back is surely asked again."""

FIVE_HOURS_AHEAD = """
const True = Date;
const off = 5 * 3600 * 1000;
window.Date = class extends True {
  constructor(...told) { if (told.length) super(...told); else super(True.now() + off); }
  static now() { return True.now() + off; }
};
"""


@pytest.fixture(autouse=True)
def _bench(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    open_bench(monkeypatch)
    with override_settings(ROOT_URLCONF="tests.web.bench"):
        yield


class Floor:
    """A plant with boards that are due at the test station, and a browser there."""

    def __init__(self, context: BrowserContext, url: str) -> None:
        self.context, self.url, self.errors = context, url, []
        context.set_default_timeout(20_000)
        self.plant = Plant()
        self.boards = [board.key for board in self.plant.boards(5, minute=1)]
        for minute, board in enumerate(Unit.objects.order_by("pk"), 2):
            self.plant.run(board, self.plant.insertion, minute, minute + 0.5)
        self.bob = make_user("bob", roles=[Role.OPERATOR])
        self.enter(self.bob)

    def enter(self, user: User | None) -> None:
        """Somebody is signed in there; or nobody."""
        self.context.clear_cookies()
        if user:
            client = Client()
            client.force_login(user)
            session = client.cookies[settings.SESSION_COOKIE_NAME].value
            told = {"name": settings.SESSION_COOKIE_NAME, "value": session, "url": self.url}
            self.context.add_cookies([told])  # type: ignore[list-item]

    def open(self, station: str = "TEST") -> Page:
        page = self.context.new_page()
        page.on("pageerror", lambda error: self.errors.append(str(error)))
        page.on("console", lambda said: self.errors.append(said.text) if "Content Security" in said.text else None)
        page.goto(f"{self.url}/station/{station}/bench/")
        return page

    def passes(self) -> list[str]:
        """Serials in the order in which they were scanned in at the test station."""
        rows = Pass.objects.filter(station=self.plant.test, superseded=None).order_by("scanned_in")
        return list(rows.values_list("unit__key", flat=True))

    def come_to(self, passes: list[str]) -> None:
        """What a page sends is on record in the end: what is younger than half a second it sends without a word."""
        for _ in range(100):
            if self.passes() == passes:
                return
            self.context.pages[0].wait_for_timeout(100)
        assert self.passes() == passes


def scan(page: Page, unit: str) -> None:
    page.get_by_label("Unit").fill(unit)
    page.keyboard.press("Enter")


def waiting(page: Page) -> Any:
    return page.locator("#kept .waiting li")


@pytest.fixture
def floor(browser: Any, live_server: Any) -> Iterator[Floor]:
    context = browser.new_context(locale="en-GB", timezone_id="UTC", viewport={"width": 1024, "height": 768})
    floor = Floor(context, live_server.url)
    yield floor
    context.close()
    assert not floor.errors


def test_the_station_goes_on_while_the_server_is_away(floor: Floor, request: Any) -> None:
    page, (one, two, three, *_) = floor.open(), floor.boards
    scan(page, one)
    expect(page.get_by_role("heading", name=f"{one} is inside")).to_be_visible()
    assert page.evaluate("document.activeElement.id") == "unit"
    expect(page.locator("#kept")).to_be_empty()
    floor.context.set_offline(True)
    page.get_by_role("button", name="Passed").click()
    expect(page.get_by_text(re.compile(r"The server is away since \d\d:\d\d, 1 scan waits\."))).to_be_visible()
    expect(page.get_by_role("heading", name="The server is away")).to_be_visible()
    expect(page.get_by_text(f"Kept last: {one}")).to_be_visible()
    scan(page, two)
    expect(page.get_by_text(f"Kept last: {two}")).to_be_visible()
    page.get_by_role("button", name="Passed").click()
    scan(page, three)
    expect(waiting(page)).to_have_count(4)
    words = [re.sub(r", \d\d:\d\d:\d\d, by U-Bob, at TEST$", "", text) for text in waiting(page).all_inner_texts()]
    said = (f"{one} passed", f"Scan in {two}", f"{two} passed", f"Scan in {three}")
    assert words == [f"waiting {each}" for each in said]
    assert "not on record yet" in page.locator("#kept").inner_text()
    assert page.locator("text=/is (inside|out)/").count() == 0, "nothing says that it was done"
    page.screenshot(path=Path(settings.BASE_DIR) / ".artifacts" / "outage-waiting.png", full_page=True)
    assert floor.passes() == [one]
    away = now()
    floor.context.set_offline(False)
    expect(page.get_by_role("heading", name=f"{three} is inside")).to_be_visible()
    expect(page.locator("#kept")).to_be_empty()
    assert floor.passes() == [one, two, three]
    assert max(Pass.objects.values_list("scanned_in", flat=True)) < to_ticks(away) + 1_000_000  # clocks are measured
    assert Event.objects.filter(by=floor.bob.person).count() == 5


def test_what_waits_outlives_the_tab_and_the_browser(browser: Any, live_server: Any, tmp_path: Path) -> None:
    found = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))))

    def launch() -> BrowserContext:
        return browser.browser_type.launch_persistent_context(tmp_path, executable_path=found, args=FLAGS)

    floor = Floor(launch(), live_server.url)
    page = floor.open()
    floor.context.set_offline(True)
    scan(page, floor.boards[0])
    expect(waiting(page)).to_have_count(1)
    scan(page, floor.boards[1])
    expect(waiting(page)).to_have_count(2)
    floor.context.close()
    assert floor.passes() == []
    floor.context = launch()
    floor.enter(None)
    page = floor.context.new_page()
    page.goto(f"{floor.url}/sign-in/")  # whoever comes first is told
    expect(page.get_by_text("2 scans wait: sign in to send.")).to_be_visible()
    eve = make_user("eve", roles=[Role.OPERATOR])
    floor.enter(eve)
    page.goto(f"{floor.url}/")
    expect(page.locator("#kept")).to_be_empty()
    floor.come_to(floor.boards[:2])
    assert {entry.by for entry in Pass.objects.filter(station=floor.plant.test)} == {floor.bob.person}
    floor.context.close()


def test_scans_of_several_stations_and_operators_each_keep_their_own(floor: Floor) -> None:
    page, (board, *_) = floor.open(), floor.boards
    eve = make_user("eve", roles=[Role.OPERATOR])
    (new,) = floor.plant.boards(1, minute=50)
    floor.enter(eve)
    other = floor.open("INSERT")
    floor.context.set_offline(True)
    scan(page, board)  # Bob's page
    scan(other, new.key)
    expect(waiting(page)).to_have_count(2)
    expect(waiting(other)).to_have_count(2)
    assert [re.sub(r".*by", "by", text) for text in waiting(page).all_inner_texts()] == [
        "by U-Bob, at TEST", "by U-Eve, at INSERT",
    ]  # fmt: skip
    floor.context.set_offline(False)
    expect(page.locator("#kept")).to_be_empty()
    expect(other.locator("#kept")).to_be_empty()
    expect(page.get_by_role("heading", name=f"{board} is inside")).to_be_visible()
    expect(other.get_by_role("heading", name=f"{new.key} is inside")).to_be_visible()
    done = Pass.objects.filter(inside=True).values_list("unit__key", "station__key", "by__key")
    assert set(done) == {(board, "TEST", "U-BOB"), (new.key, "INSERT", "U-EVE")}


def test_one_is_refused_and_the_rest_goes_on(floor: Floor) -> None:
    page, (one, two, three, *_) = floor.open(), floor.boards
    floor.context.set_offline(True)
    for unit in (one, two, three):
        scan(page, unit)
    expect(waiting(page)).to_have_count(3)
    place_holds(
        targets=[Unit.objects.get(key=two)], reason="Smells burnt.", by=floor.plant.ann, at=now() - timedelta(hours=1)
    )
    floor.context.set_offline(False)
    refused = page.locator("#kept .refused li")
    expect(refused).to_have_count(1)
    expect(refused).to_contain_text(f"Scan in {two}")
    expect(refused).to_contain_text("Smells burnt.")
    expect(page.get_by_text("1 scan was stopped, wholly or in part.")).to_be_visible()
    expect(waiting(page)).to_have_count(0)
    floor.come_to([one, three])
    page.screenshot(path=Path(settings.BASE_DIR) / ".artifacts" / "outage-refused.png", full_page=True)
    page.reload()
    expect(refused).to_have_count(1)
    page.get_by_role("button", name="Seen").click()
    expect(refused).to_have_count(0)
    page.reload()
    page.wait_for_timeout(500)
    expect(refused).to_have_count(0)


def test_what_came_very_late_and_is_refused_is_told_to_a_supervisor(floor: Floor) -> None:
    page, (one, *_) = floor.open(), floor.boards
    floor.context.set_offline(True)
    scan(page, one)
    expect(waiting(page)).to_have_count(1)
    page.wait_for_timeout(10_500)
    place_holds(targets=[Unit.objects.get(key=one)], reason="Burnt.", by=floor.plant.ann, at=now() - timedelta(hours=1))
    floor.context.set_offline(False)
    expect(page.locator("#kept .refused li")).to_contain_text("Burnt.")
    kept = RefusedScan.objects.get()
    assert (kept.unit and kept.unit.key, kept.by, kept.scanned) == (one, floor.bob.person, f"Scan in {one}")
    expect(page.get_by_text("1 refused")).to_be_visible()


def test_who_leaves_the_page_at_once_hears_of_a_refusal_on_the_next(floor: Floor) -> None:
    page, (one, *_) = floor.open(), floor.boards
    scan(page, one)
    expect(page.get_by_role("heading", name=f"{one} is inside")).to_be_visible()
    page.route(re.compile("/station/TEST/bench/"), lambda route: route.abort())
    scan(page, one)
    expect(waiting(page)).to_have_count(1)
    page.unroute_all()
    page.goto(f"{floor.url}/")
    expect(page.locator("#kept .refused li")).to_contain_text("already inside")


def test_the_next_scan_may_follow_within_the_same_moment(floor: Floor) -> None:
    page, (one, two, *_) = floor.open(), floor.boards
    floor.context.set_offline(True)
    typed = """([one, two]) => {
      const field = document.getElementById("unit");
      field.value = one;
      field.form.requestSubmit();
      field.value = two;
    }"""
    page.evaluate(typed, [one, two])
    expect(waiting(page)).to_have_count(1)
    expect(page.get_by_label("Unit")).to_have_value(two)
    page.keyboard.press("Tab")
    page.get_by_label("Unit").press("Enter")
    expect(waiting(page)).to_have_count(2)
    floor.context.set_offline(False)
    expect(page.get_by_role("heading", name=f"{two} is inside")).to_be_visible(timeout=RETRIED)
    assert floor.passes() == [one, two]


# The browser refuses to keep ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("script", [REFUSES, BLOCKS], ids=["no room", "blocked"])
def test_what_is_not_kept_is_said_at_once(floor: Floor, script: str) -> None:
    page, (one, two, *_) = floor.open(), floor.boards
    page.add_init_script(script)
    page.reload()
    scan(page, one)  # the server is there: it is recorded all the same
    expect(page.get_by_role("heading", name=f"{one} is inside")).to_be_visible()
    expect(page.locator("#kept .lost")).to_have_count(0)
    floor.context.set_offline(True)
    scan(page, two)
    lost = page.locator("#kept .lost")
    expect(lost).to_contain_text(f"Not kept: Scan in {two}")
    expect(lost).to_contain_text("Write it on paper.")
    expect(waiting(page)).to_have_count(0)
    expect(page.get_by_label("Unit")).to_have_value(two)  # what was typed stays
    assert page.locator("#kept").get_attribute("role") == "alert"
    page.wait_for_timeout(500)
    expect(lost).to_have_count(1)
    floor.context.set_offline(False)
    page.get_by_role("button", name="I wrote it down").click()
    expect(lost).to_have_count(0)
    assert floor.passes() == [one]


# On the way -----------------------------------------------------------------------------------------------------------


def test_an_answer_that_is_lost_makes_no_second_pass(floor: Floor) -> None:
    page, (one, two, *_) = floor.open(), floor.boards
    sent: list[tuple[str, str]] = []

    def lose(route: Route) -> None:
        if route.request.method != "POST":
            return route.continue_()
        sent.append((route.request.headers["kept-id"], re.findall(r"unit=([\w-]+)", route.request.post_data or "")[0]))
        if len(sent) <= 2:
            route.fetch()  # the server does it
            return route.abort()  # and its answer is lost
        return route.continue_()

    page.route(re.compile("/station/TEST/bench/"), lose)
    scan(page, one)
    expect(waiting(page)).to_have_count(1)
    scan(page, two)
    expect(page.get_by_role("heading", name=f"{two} is inside")).to_be_visible()
    expect(page.locator("#kept")).to_be_empty()
    ids = dict.fromkeys(sent)
    assert [unit for _, unit in ids] == [one, two], "the first is sent again until it is answered, then the second"
    assert len({mark for mark, _ in ids}) == 2 and len(sent) >= 4
    assert floor.passes() == [one, two]


@pytest.mark.parametrize(
    ("answer", "words"),
    [
        ({"status": 503}, "The server is away since"),
        ({"status": 500}, "The server is away since"),
        ({"status": 429, "headers": {"Retry-After": "1"}}, "the server has too much to do"),
        ({"status": 403}, "sign in as somebody who works here"),
        ({"status": 302, "headers": {"Location": "/sign-in/"}}, "sign in to send"),
        ({"status": 200, "body": "<h1>Welcome to the guest network</h1>"}, "not understood (200)"),
        ({"status": 200, "headers": {"Kept-Id": "another", "Scan-Answer": "go"}}, "not understood (200)"),
    ],
)
def test_whatever_is_no_answer_to_the_scan_leaves_it_waiting(floor: Floor, answer: dict[str, Any], words: str) -> None:
    page, (one, *_) = floor.open(), floor.boards
    wrong: Callable[[Route], None] = lambda route: (  # noqa: E731
        route.fulfill(**answer) if route.request.method == "POST" else route.continue_()
    )
    page.route(re.compile("/station/TEST/bench/"), wrong)
    scan(page, one)
    expect(page.locator("#kept")).to_contain_text(words)
    expect(waiting(page)).to_have_count(1)
    page.unroute_all()
    expect(page.get_by_role("heading", name=f"{one} is inside")).to_be_visible()
    expect(page.locator("#kept")).to_be_empty()
    assert floor.passes() == [one]


def test_a_scan_on_which_the_server_fails_stands_aside_and_the_rest_goes_on(floor: Floor) -> None:
    """What is of the same unit waits behind it; nothing is lost, and it is sent again when somebody says so."""
    page, (one, two, *_) = floor.open(), floor.boards

    def fails(route: Route) -> None:
        broken = route.request.method == "POST" and one in (route.request.post_data or "")
        route.fulfill(status=500) if broken else route.continue_()

    page.route(re.compile("/station/TEST/bench/"), fails)
    scan(page, one)
    expect(page.locator("#kept")).to_contain_text("The server is away since")
    scan(page, two)
    aside = page.locator("#kept .aside li")
    expect(aside).to_have_count(1, timeout=RETRIED)
    expect(aside).to_contain_text(f"Scan in {one}")
    expect(aside).to_contain_text("The server fails on it again and again.")
    expect(page.get_by_role("heading", name=f"{two} is inside")).to_be_visible()
    scan(page, one)
    expect(waiting(page)).to_have_count(1)
    page.reload()
    expect(aside).to_have_count(1)
    assert floor.passes() == [two]
    page.unroute_all()
    page.get_by_role("button", name="Send it again").click()
    expect(aside).to_have_count(0)
    expect(waiting(page)).to_have_count(0)
    floor.come_to([one, two])  # as of the moment at which it was scanned


def test_of_several_tabs_one_sends_and_each_is_answered(floor: Floor) -> None:
    pages = [floor.open(), floor.open()]
    going: list[str] = []
    sent: list[str] = []
    most = 0

    def slowly(route: Route) -> None:
        nonlocal most
        if route.request.method != "POST":
            return route.continue_()
        mark = route.request.headers["kept-id"]
        going.append(mark)
        sent.append(mark)
        most = max(most, len(going))
        answer = route.fetch()
        going.remove(mark)
        return route.fulfill(response=answer)

    floor.context.set_offline(True)
    for number, unit in enumerate(floor.boards):
        scan(pages[number % 2], unit)
    for page in pages:
        expect(waiting(page)).to_have_count(5)
    floor.context.route(re.compile("/station/TEST/bench/"), slowly)
    floor.context.set_offline(False)
    for page in pages:
        expect(page.locator("#kept")).to_be_empty()
        expect(page.get_by_role("heading", name=f"{floor.boards[-1]} is inside")).to_be_visible()
    assert most == 1 and len(sent) == len(set(sent)) == 5
    assert floor.passes() == floor.boards


def test_a_clock_that_is_hours_off_spoils_nothing(floor: Floor) -> None:
    page, (one, *_) = floor.open(), floor.boards
    page.add_init_script(FIVE_HOURS_AHEAD)
    page.reload()
    floor.context.set_offline(True)
    scan(page, one)
    expect(waiting(page)).to_have_count(1)
    scanned = now()
    floor.context.set_offline(False)
    expect(page.get_by_role("heading", name=f"{one} is inside")).to_be_visible()
    told = Pass.objects.get(station=floor.plant.test).scanned_in or 0
    assert abs(told - to_ticks(scanned)) < 5_000_000


def test_a_key_pressed_twice_is_one_scan(floor: Floor) -> None:
    page, (one, *_) = floor.open(), floor.boards
    scan(page, one)
    page.get_by_role("button", name="Passed").dblclick()
    expect(page.get_by_role("heading", name=f"{one} is out")).to_be_visible()
    page.wait_for_timeout(700)
    expect(page.get_by_role("alert")).to_have_count(0)
    assert Event.objects.filter(by=floor.bob.person).count() == 2


def test_signed_out_a_scan_waits_and_is_sent_under_the_name_of_who_made_it(floor: Floor) -> None:
    page, (one, *_) = floor.open(), floor.boards
    floor.context.clear_cookies(name=settings.SESSION_COOKIE_NAME)
    scan(page, one)
    expect(page.locator("#kept")).to_contain_text("1 scan waits: sign in to send.")
    link = page.locator("#kept").get_by_role("link", name="Sign in")
    expect(link).to_have_attribute("href", "/sign-in/?next=%2Fstation%2FTEST%2Fbench%2F")
    make_user("eve", roles=[Role.OPERATOR])
    link.click()
    page.get_by_label("Name").fill("eve")
    page.get_by_label("Password").fill("tin-plated-1")
    page.get_by_role("button", name="Sign in").click()
    expect(page.get_by_role("heading", name=f"{one} is inside")).to_be_visible()
    assert Pass.objects.get(station=floor.plant.test).by == floor.bob.person


# A server that is really stopped --------------------------------------------------------------------------------------


class Server:
    """The application in a process of its own, on the database of the test."""

    def __init__(self, log: Path) -> None:
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.port = free.getsockname()[1]
        self.log, self.process = log, None
        self.url = f"http://127.0.0.1:{self.port}"

    def start(self) -> None:
        at = connection.settings_dict
        url = f"sqlite:///{at['NAME']}"
        if connection.vendor == "postgresql":
            url = f"postgres://{at['USER']}:{at['PASSWORD']}@{at['HOST']}:{at['PORT']}/{at['NAME']}"
        told = {
            "DATABASE_URL": url, "SECRET_KEY": settings.SECRET_KEY, "HTTPS": "false", "TRACE_PYTHON_AS_IS": "1",
            "DATA_DIR": str(settings.DATA_DIR), "DJANGO_SETTINGS_MODULE": "config.settings",
        }  # fmt: skip
        command = [sys.executable, "-m", "gunicorn", "--bind", f"127.0.0.1:{self.port}", "--threads", "4"]
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(
                [*command, "tests.web.bench_wsgi"], cwd=settings.BASE_DIR, env={**os.environ, **told}, stderr=log
            )
        for _ in range(300):
            with socket.socket() as line:
                if line.connect_ex(("127.0.0.1", self.port)) == 0:
                    return
            time.sleep(0.1)
        raise AssertionError(self.log.read_text())

    def kill(self) -> None:
        """At once, in the midst of whatever it does, with its worker."""
        if self.process:
            children = Path(f"/proc/{self.process.pid}/task/{self.process.pid}/children").read_text().split()
            for process in [self.process.pid, *map(int, children)]:
                os.kill(process, signal.SIGKILL)
            self.process.wait()
            self.process = None


@pytest.fixture
def server(tmp_path: Path, transactional_db: None) -> Iterator[Server]:
    server = Server(tmp_path / "server.log")
    server.start()
    yield server
    server.kill()


def test_a_server_is_killed_and_started_again_while_scans_go_on(browser: Any, server: Server) -> None:
    context = browser.new_context(locale="en-GB")
    floor = Floor(context, server.url)
    page, (one, two, three, *_) = floor.open(), floor.boards
    scan(page, one)
    expect(page.get_by_role("heading", name=f"{one} is inside")).to_be_visible()
    server.kill()
    page.get_by_role("button", name="Passed").click()
    expect(page.get_by_text("1 scan waits.")).to_be_visible()
    scan(page, two)
    page.get_by_role("button", name="Passed").click()
    scan(page, three)
    expect(waiting(page)).to_have_count(4)
    server.start()
    expect(page.get_by_role("heading", name=f"{three} is inside")).to_be_visible(timeout=RETRIED)
    expect(page.locator("#kept")).to_be_empty()
    for unit in floor.boards[3:]:  # killed in the midst of it
        scan(page, unit)
        server.kill()
        server.start()
    expect(page.get_by_role("heading", name=f"{floor.boards[-1]} is inside")).to_be_visible(timeout=RETRIED)
    expect(page.locator("#kept")).to_be_empty()
    assert floor.passes() == floor.boards
    assert not floor.errors
    context.close()


def test_a_reload_while_the_server_is_away_opens_the_page_and_goes_on(browser: Any, server: Server) -> None:
    context = browser.new_context(locale="en-GB")
    floor = Floor(context, server.url)
    page, (one, two, *_) = floor.open(), floor.boards
    page.evaluate("navigator.serviceWorker.ready")
    scan(page, one)
    expect(page.get_by_role("heading", name=f"{one} is inside")).to_be_visible()
    server.kill()
    page.reload()
    expect(page.get_by_text(re.compile("The server is away since .*, no scan waits."))).to_be_visible()
    expect(page.get_by_role("heading", name="The server is away")).to_be_visible()
    expect(page.get_by_text("Kept last")).to_be_hidden()
    assert one not in page.content(), "of what the page showed nothing is laid by"
    scan(page, two)
    expect(waiting(page)).to_have_count(1)
    page.reload()
    expect(waiting(page)).to_have_count(1)
    page.get_by_role("button", name="Passed").click()
    expect(waiting(page)).to_have_count(2)
    page.screenshot(path=Path(settings.BASE_DIR) / ".artifacts" / "outage-reloaded.png", full_page=True)
    server.start()
    # Once all is sent, the page that was laid by is fetched anew.
    expect(waiting(page)).to_have_count(0, timeout=RETRIED)
    expect(page.get_by_role("heading", name=re.compile(f"{two} is out|Scan a unit"))).to_be_visible()
    expect(page.locator("#kept[data-away], #station[data-away]")).to_have_count(0, timeout=RETRIED)  # loads itself anew
    assert floor.passes() == [one, two]
    # Nothing is laid by of somebody who has signed out.
    page.goto(f"{server.url}/")
    page.get_by_role("button", name="Sign out").click()
    page.get_by_label("Password").wait_for()
    assert page.evaluate("caches.keys()") == []
    server.kill()
    with pytest.raises(PlaywrightError):
        page.goto(f"{server.url}/station/TEST/bench/")
    assert not floor.errors
    context.close()
