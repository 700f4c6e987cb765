"""Who obeys the pages in tests: a floor to work on, somebody who takes units through stations, somebody who packs."""

from __future__ import annotations

import csv
import re
from collections.abc import Callable, Collection, Mapping
from decimal import Decimal
from io import StringIO
from typing import Any

import pypdfium2
import zxingcpp
from django.conf import settings
from django.test import Client
from playwright.sync_api import Locator, Page, expect

from tests.browser.scanner import type_as_scanner
from tests.factories import Plant, make_assembly, make_station
from trace.core.keys import label_text
from trace.core.models import User
from trace.engineering.models import Characteristic, Designator, Part, ScanMode, Step
from trace.engineering.operations import set_serial_rule
from trace.floor.operations.changeovers import start_setup
from trace.floor.operations.feeds import load_feed
from trace.material.operations.setups import define_feed

DPI = 100
MOST_VISITS = 20
"""More than any route here takes: a worker who is sent in circles gives up."""


class Floor(Plant):
    """A station of each mode, a part that is built on them, and shelves with what goes into it."""

    def __init__(self) -> None:
        super().__init__()
        places = make_station("PLACE")
        feed_r, feed_c = (self.do(define_feed, key=key, station=places) for key in ("PLACE-R", "PLACE-C"))
        self.do(load_feed, 1, feed=feed_r, container=self.reel("RR", quantity=200))
        self.do(load_feed, 1, feed=feed_c, container=self.reel("CC", self.capacitor, quantity=200))
        self.steps = {
            10: ("Place", places),
            20: ("Solder", make_station("OVEN", mode=ScanMode.ONE_AT_A_TIME)),
            30: ("Wash", make_station("BATH", mode=ScanMode.LOOSE)),
            40: ("Join", make_station("BENCH")),
            50: ("Measure", make_station("METER")),
        }
        inside = {"R1": self.resistor, "R2": self.resistor, "C1": self.capacitor}
        self.card = self.build("CARD", {**inside, "M1": self.board, "F1": self.fuse}, self.steps)
        Designator.objects.filter(parent=self.card, name__in=("M1", "F1")).update(step_number=40)
        told = {"part": self.card, "step_number": 50}
        limits = {"unit_of_measure": "mA", "lower": 10, "upper": 15}
        Characteristic.objects.create(number=1, name="Supply current", **limits, **told)
        Characteristic.objects.create(number=2, name="Joints", judge="the operator", **told)
        self.chip = self.build("CHIP", inside, {10: self.steps[10], 20: self.steps[50]})
        feeds = {"R1": feed_r, "R2": feed_r, "C1": feed_c}
        for part in (self.card, self.chip):
            self.do(start_setup, 2, key=f"FOR-{part.key}", station=places, assembly=part, feeds=feeds)
        self.do(load_feed, 2, feed=self.slot_r, container=self.reel("BR"))
        self.do(load_feed, 2, feed=self.slot_c, container=self.reel("BC", self.capacitor))
        (board,) = self.boards(minute=3)
        self.finish(board, 5)
        self.reel("FUSES", self.fuse)
        self.shelves = {"BOARD": [label_text(board.key)], "FUSE": [label_text("FUSES")]}

    def build(self, key: str, places: Mapping[str, Part], steps: Mapping[int, tuple[str, Any]]) -> Part:
        part = make_assembly(key, places=places, route={number: [at] for number, (_, at) in steps.items()})
        for number, (name, _) in steps.items():
            Step.objects.filter(part=part, number=number).update(name=name, instruction=f"{name} it.")
        self.do(set_serial_rule, number=key, prefix=f"{key}-{{YY}}{{WW}}-", digits=4)
        return part


REVIEW = "review"
"""Where a unit is sent that failed as often as it may: to whoever decides what becomes of it."""


class Worker:
    """Reads the page, does what stands there, and writes down what it was told."""

    def __init__(
        self,
        page: Page,
        url: str,
        shelves: Mapping[str, list[str]],
        look: Callable[[str], None],
        shows: Callable[[str, Decimal, Decimal], Decimal],
    ) -> None:
        """`shows` is the instrument: what it shows of a unit, asked for a value between two limits."""
        self.page, self.url, self.look, self.shows = page, url, look, shows
        self.shelves = {part: list(labels) for part, labels in shelves.items()}
        self.answer = page.locator("#station .say")
        self.done: list[tuple[int, str, str]] = []
        self.fitted: dict[str, str] = {}
        self.drawn: dict[str, str] = {}
        self.on_feeds: set[str] = set()
        self.readings: list[tuple[str, str]] = []
        self.sent_on: list[str] = []

    def enter(self, user: User) -> None:
        client = Client()
        client.force_login(user)
        session = client.cookies[settings.SESSION_COOKIE_NAME].value
        self.page.context.add_cookies([{"name": settings.SESSION_COOKIE_NAME, "value": session, "url": self.url}])

    def order(self, part: str, quantity: int, number: str = "WO-JOURNEY") -> list[str]:
        """Release an order and print its travellers; what their codes say, as read from the paper."""
        page = self.page
        page.goto(f"{self.url}/orders/new/")
        page.get_by_label("Its number").fill(number)
        page.get_by_label("Part", exact=True).select_option(part)
        page.get_by_label("So many, with serials").fill(str(quantity))
        self.look("order")
        page.get_by_role("button", name="Release it").click()
        expect(page.get_by_role("status").first).to_contain_text("It is released: print its travellers")
        self.look("released")
        page.get_by_role("button", name="Print travellers").click()
        page.wait_for_url("**/travellers.pdf?**")  # where the browser shows it, to be printed
        paper = pypdfium2.PdfDocument(page.request.get(page.url).body())
        pictures = [sheet.render(scale=DPI / 72).to_pil().convert("L") for sheet in paper]
        self.paper = [" ".join(sheet.get_textpage().get_text_bounded().split()) for sheet in paper]
        paper.close()
        return [code.text for picture in pictures for code in zxingcpp.read_barcodes(picture)]

    def at(self, station: str) -> None:
        self.station = station
        self.page.goto(f"{self.url}/station/{station}/")
        expect(self.page.locator("#scan")).to_be_focused()
        feeds = self.page.get_by_role("table", name="What is on the feeds")
        if feeds.count():
            self.on_feeds |= {row.locator("td").first.inner_text() for row in feeds.locator("tbody tr").all()}

    def scan(self, text: str) -> None:
        self.page.locator("#scan").focus()
        type_as_scanner(self.page, text)

    def hear(self, *words: str) -> str:
        """The sentence of an answer that is one of these words."""
        expect(self.answer.locator(".word")).to_have_text(re.compile(rf"^\s*({'|'.join(words)})\s*$"))
        return self.answer.inner_text()

    def word(self) -> str:
        return self.answer.locator(".word").inner_text().strip()

    def go_through(self, code: str, station: str, until: Collection[str] = ()) -> str | None:
        """A unit from a station, perhaps not the right one, to where the page says that its route is done, or until it
        is sent to one of these stations, which is returned."""
        for _ in range(MOST_VISITS):
            self.at(station)
            self.look("station")
            self.scan(code)
            said = self.hear("Go", "Stop")
            if self.word() == "Stop":
                self.look("stop")
                assert "Take it to where it is due." in said, said
                assert "set up" not in said and "set-up" not in said, "there is nothing to do here"
                (station,) = re.findall(r"still needs step \d+, .+?, at (\S+?)\.", said)
                self.sent_on.append(station)
                continue
            self.look(f"work {self.station}")
            following = self.work()
            if following is None or following in until:
                return following
            station = following
        raise AssertionError(f"the pages send {code} about: {self.done}")

    def work(self) -> str | None:
        """Do what is asked of the unit here; where the page sends it next, None at the end of its route."""
        unit = self.page.locator("article.unit")
        self.await_work()
        key = unit.get_attribute("aria-label")
        assert "When it is done, scan or press its result." in self.answer.inner_text()
        for place in unit.locator("#work .places li:not(:has(.mark))").all():
            part = place.locator(".key").inner_text()
            self.drawn |= dict.fromkeys(place.locator(".place").inner_text().split(", "), part)
        while (missing := unit.locator("#work .places li", has_text="to fit")).count():
            self.fit(missing)
        for reading in unit.locator("#work .reading").all():
            self.measure(key, reading)
        self.look(f"done {self.station}")
        unit.get_by_role("button", name=f"{key} passed").click()
        said = self.hear("Passed", "Stop")
        if self.word() == "Stop":
            self.look("outside")
            assert "Scan it out as failed" in said, said
            self.scan("FAILED")
            said = self.hear("Failed")
            assert "The step stays due" in said
        ((outcome, number),) = re.findall(r"(passed|failed) step (\d+) ", said)
        self.done.append((int(number), self.station, outcome))
        return self.read_onward(key)

    def await_work(self) -> None:
        """What to do comes after the answer."""
        expect(self.page.locator("article.unit #work:not([hx-get])")).to_be_attached()

    def read_onward(self, key: str | None) -> str | None:
        """Where the page sends a unit whose work has ended; None where its route is done."""
        onward = self.page.locator("#home .onward").first
        expect(onward).to_contain_text(f"{key} ")
        self.look(f"onward {self.station}")
        self.onward = onward.inner_text()
        if self.onward.startswith(f"{key} has passed all of its steps."):
            return None
        mended_at = r"(?: What is wrong with it is found and mended at (\S+?)\.)?$"
        if re.match(rf"{key} failed step \d+ .+? as often as it may, and is to be reviewed\.{mended_at}", self.onward):
            return REVIEW
        ((due, mended),) = re.findall(rf"^{key} is due for step \d+ .+?, at (\S+?)\.{mended_at}", self.onward)
        station = str(mended or due)
        self.sent_on.append(station)
        return station

    def fit(self, missing: Locator) -> None:
        number, asked = missing.count(), missing.first
        part, place = asked.locator(".key").inner_text(), asked.locator(".place").inner_text()
        self.scan(self.shelves[part].pop())
        expect(self.answer).to_contain_text(f" at {place}.")
        (self.fitted[place],) = re.findall(rf"(\S+) is in \S+ at {place}\.", self.hear("Fitted"))
        self.await_work()
        expect(missing).to_have_count(number - 1)

    def measure(self, key: str | None, reading: Locator) -> None:
        """What the instrument shows, or good where somebody judges."""
        asked = reading.locator("legend, label").first.inner_text()
        name, must = asked.split(": ")
        if must.startswith("good"):
            reading.get_by_label("good", exact=True).check()
            self.readings.append((name, "good"))
            return
        ((low, high),) = re.findall(r"between (\S+) and (\S+)", must)
        value = self.shows(str(key), Decimal(low), Decimal(high))
        reading.locator("input").fill(str(value))
        self.readings.append((name, str(value)))


def make_look(page: Page, shot: Callable, accessible: Callable, width: int, height: int) -> Callable[[str], None]:
    """Each kind of page is looked at once: a picture is kept, axe finds nothing, nothing runs out of the side."""
    page.set_viewport_size({"width": width, "height": height})
    seen: set[str] = set()

    def take(kind: str) -> None:
        if kind not in seen:
            seen.add(kind)
            shot(kind)
            accessible()
            assert page.evaluate("document.documentElement.scrollWidth") <= width, kind

    return take


class Packer:
    """Scans, presses, reads; knows of nothing but what the page says and what lies on the bench."""

    def __init__(self, page, bench: list[str]) -> None:
        self.page, self.bench, self.aside = page, bench, []

    def scan(self, text: str) -> str:
        """What the page says of it: go or stop, in a word."""
        line = self.page.get_by_label("Scan or type")
        line.fill(text)
        with self.page.expect_navigation():
            line.press("Enter")
        return self.page.locator(".say .word").inner_text() if self.page.locator(".say").count() else ""

    def press(self, name: str) -> None:
        with self.page.expect_navigation():
            self.page.get_by_role("button", name=name).first.click()

    @property
    def told(self) -> str:
        return self.page.locator("#station .answer").inner_text()

    def fill(self) -> None:
        """Pack, count in and close, as the answer says, until it says that the carton is closed."""
        for _ in range(30):
            if "It is closed" in self.told:
                return
            if re.search("Scan the (first|next) unit", self.told):
                serial = self.bench.pop(0)
                if self.scan(label_text(serial)) == "Stop":
                    assert "Put it aside" in self.page.locator(".say").inner_text()
                    self.aside.append(serial)
            elif "count in the rest" in self.told:
                self.page.locator(".places button:not(.quiet)").first.click()
                self.page.wait_for_load_state()
            else:
                assert "close it" in self.told
                self.press("Close the carton")
        raise AssertionError(f"sent in circles: {self.told}")


def read_csv(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(StringIO(text.removeprefix("\ufeff"))))
