"""At a station in a browser: units go through their steps by scans alone, and wrong moves are stopped."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import expect

from tests.browser.scanner import type_as_scanner
from tests.conftest import FLAGS, find_chromium
from tests.factories import Plant
from tests.web.conftest import make_user
from trace.core.keys import code_of, label_text
from trace.core.permissions import Role
from trace.engineering.models import Characteristic, Designator, Step
from trace.floor.models import Fitting, Pass, Reading
from trace.floor.operations.feeds import load_feed, splice_feed
from trace.holds.operations import place_holds
from trace.labels.code import encode
from trace.material.models import Feed

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

SIZES = {"tablet": (1024, 768), "phone": (390, 844)}


@pytest.fixture
def plant(transactional_db: None) -> Plant:
    plant = Plant()
    plant.do(load_feed, 1, feed=plant.slot_r, container=plant.reel("RR", quantity=16))
    plant.do(load_feed, 1, feed=plant.slot_c, container=plant.reel("CC", plant.capacitor, quantity=500))
    Step.objects.filter(part=plant.board, number=10).update(
        name="Insert", caution="Moving insertion head.", instruction="Lay the board in. Close the guard."
    )
    told = {"part": plant.board, "step_number": 20, "number": 1}
    Characteristic.objects.create(name="Supply current", unit_of_measure="mA", lower=10, upper=15, **told)
    return plant


@pytest.fixture
def operator(enter_as: Callable) -> None:
    enter_as(make_user("olga", roles=[Role.OPERATOR]))


class Scanner:
    """Types as a scanner does, wherever the focus is, and reads the answer."""

    def __init__(self, page: Any) -> None:
        self.page = page

    def at(self, station: str) -> None:
        self.page.goto(f"/station/{station}/")
        expect(self.page.locator("#scan")).to_be_focused()

    def scan(self, text: str) -> None:
        type_as_scanner(self.page, text)

    def hears(self, word: str, *sentences: str, wait: float = 5_000) -> None:
        answer = self.page.locator(".say")
        for sentence in sentences:
            expect(answer).to_contain_text(sentence, timeout=wait)
        expect(answer.locator(".word")).to_have_text(word)


@pytest.fixture
def scanner(page: Any, operator: None) -> Scanner:
    return Scanner(page)


@pytest.mark.parametrize("size", SIZES)
def test_a_unit_goes_through_two_steps_by_scans_alone(
    page: Any, plant: Plant, scanner: Scanner, accessible: Callable, shot: Callable, size: str
) -> None:
    width, height = SIZES[size]
    page.set_viewport_size({"width": width, "height": height})

    def look(name: str) -> None:
        shot(f"{size} {name}")
        accessible()
        assert page.evaluate("document.documentElement.scrollWidth") <= width, name
        for target in page.locator("main button, main input:not([type=hidden]), main .say a").all():
            assert not target.is_visible() or target.bounding_box()["height"] >= 44

    board, other = plant.boards(2)
    scanner.at("INSERT")
    expect(page.locator("#home")).to_contain_text("2 units wait for INSERT")
    look("home")
    scanner.scan(label_text(board.key))
    scanner.hears("Go", f"{board.key}: step 10 Insert.")
    expect(page.locator("#work")).to_contain_text("R1, R2")
    expect(page.locator("main")).to_contain_text("Caution: Moving insertion head.")
    look("inside")
    scanner.scan("Z/PASSED")
    scanner.hears("Passed", f"{board.key} passed step 10 Insert.")
    expect(page.locator("#home")).to_contain_text(f"{board.key} is due for step 20 Step 20, at TEST.")
    expect(page.locator("#home")).to_contain_text(f"Next: {other.key}")
    expect(page.locator("#home")).to_contain_text("low SLOT-R lasts for 7 boards")
    look("passed")
    scanner.scan(label_text(board.key))
    scanner.hears("Stop", f"{board.key} still needs step 20, Step 20, at TEST.", "Take it to where it is due.")
    look("wrong station")
    scanner.at("TEST")
    scanner.scan(label_text(other.key))
    scanner.hears("Stop", f"{other.key} still needs step 10, Insert, at INSERT.")
    scanner.scan(label_text(board.key))
    scanner.hears("Go", f"{board.key}: step 20 Step 20.")
    current = page.get_by_label("Supply current: between 10 and 15 mA")
    look("to be measured")
    expect(current).to_be_focused()
    page.keyboard.type("25", delay=80)
    page.get_by_role("button", name=f"{board.key} passed").press("Enter")
    scanner.hears("Stop", "Supply current is 25 mA, and must be between 10 and 15 mA")
    look("outside its limits")
    scanner.scan("FAILED")
    scanner.hears("Failed", f"{board.key} failed step 20 Step 20.", "Put it aside")
    look("failed")
    scanner.scan(label_text(board.key))
    scanner.hears("Go")
    expect(current).to_be_focused()
    scanner.scan("12.5")  # as a gauge sends it
    scanner.scan("Z/PASSED")
    scanner.hears("Passed", f"{board.key} passed step 20 Step 20.")
    done = Pass.objects.filter(superseded=None).order_by("pk").values_list("step__number", "outcome", "by__key")
    assert list(done) == [(10, "passed", "U-OLGA"), (20, "failed", "U-OLGA"), (20, "passed", "U-OLGA")]
    assert list(Reading.objects.order_by("pk").values_list("value", "good")) == [(25, False), (Decimal("12.5"), True)]


def test_no_column_is_cut_where_names_are_long(page: Any, plant: Plant, scanner: Scanner, shot: Callable) -> None:
    Feed.objects.filter(pk=plant.slot_r.pk).update(key="INSERT-SLOT-R-012")
    there = {"feed": Feed.objects.get(pk=plant.slot_r.pk), "lead": 9, "tolerance": 9}
    plant.do(splice_feed, 5, container=plant.reel("REEL-2026-000124", quantity=5000), **there)
    (board,) = plant.boards()
    plant.run(board, plant.insertion, 10, 11)
    for width, height in [(1024, 768), (768, 1024), (390, 844)]:
        page.set_viewport_size({"width": width, "height": height})
        scanner.at("INSERT")
        expect(page.locator("#home")).to_contain_text("INSERT-SLOT-R-012")
        shot(f"long names {width}")
        for table in page.locator("#home .scroll").all():
            assert table.evaluate("it => it.scrollWidth <= it.clientWidth"), (width, table.inner_text())


def test_what_belongs_into_a_unit_is_fitted_by_scan(
    page: Any, plant: Plant, scanner: Scanner, accessible: Callable, shot: Callable
) -> None:
    page.set_viewport_size({"width": 1024, "height": 768})
    Characteristic.objects.all().delete()
    line = plant.product.lines.get(child=plant.board)
    Designator.objects.create(parent=plant.product, line=line, name="M2", step_number=10)
    first, second = (plant.finish(board, 5) for board in plant.boards(2))
    (product,) = plant.products()
    plant.reel("FUSES", plant.fuse)
    scanner.at("FINAL")
    scanner.scan(label_text(product.key))
    scanner.hears("Go")
    expect(page.locator("#work")).to_contain_text("to fit M1")
    shot("to be fitted")
    scanner.scan(label_text(first.key))
    scanner.hears("Where?", f"Where in {product.key} does {first.key} go: M1 or M2?")
    accessible()
    shot("which place")
    page.get_by_role("button", name="M2").click()
    scanner.hears("Fitted", f"{first.key} is in {product.key} at M2.")
    scanner.scan(label_text(second.key))
    scanner.hears("Fitted", f"{second.key} is in {product.key} at M1.")
    scanner.scan(label_text("FUSES"))
    scanner.hears("Fitted", f"FUSES is in {product.key} at F1.")
    expect(page.locator("#work")).to_contain_text(f"fitted M1 Board BOARD: {second.key}")
    accessible()
    shot("fitted")
    fitted = {one.designator: str(one.child or one.container) for one in Fitting.objects.filter(unit=product)}
    assert fitted == {"M1": second.key, "M2": first.key, "F1": "FUSES"}
    scanner.scan("PASSED")
    scanner.hears("Passed")


def test_the_keyboard_is_enough(page: Any, plant: Plant, scanner: Scanner) -> None:
    one, two = plant.boards(2)
    scanner.at("INSERT")
    scanner.scan(one.key)
    scanner.hears("Go")
    for _ in range(20):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.textContent.trim()") == f"{one.key} passed":
            break
    page.keyboard.press("Enter")
    scanner.hears("Passed", one.key)
    expect(page.locator("#scan")).to_be_focused()
    page.keyboard.type(two.key, delay=80)
    page.keyboard.press("Enter")
    scanner.hears("Go", two.key)
    page.keyboard.press("Enter")
    page.keyboard.press("Enter")
    scanner.hears("Go", two.key)
    page.keyboard.type("aborted", delay=80)
    page.keyboard.press("Enter")
    scanner.hears("Aborted", two.key)
    done = Pass.objects.filter(superseded=None).order_by("pk").values_list("unit__key", "outcome")
    assert list(done) == [(one.key, "passed"), (two.key, "aborted")]


def test_every_refusal_stands_there(
    page: Any, plant: Plant, scanner: Scanner, accessible: Callable, shot: Callable
) -> None:
    page.set_viewport_size({"width": 390, "height": 844})
    page.emulate_media(color_scheme="dark")
    (board,) = plant.boards()
    Step.objects.filter(part=plant.board, number=10).update(equipment_kind="inserter")
    plant.do(place_holds, targets=[board], reason="Scratched.")
    scanner.at("INSERT")
    scanner.scan(label_text(board.key))
    scanner.hears("Stop", "2 things stop it.", "none stands here", "Scratched.")
    accessible()
    shot("two refusals on a phone in the dark")
    assert not Pass.objects.exists()


def test_what_is_scanned_while_the_server_is_away_is_of_the_unit_before_it(
    page: Any, plant: Plant, scanner: Scanner, accessible: Callable, shot: Callable
) -> None:
    page.set_viewport_size({"width": 1024, "height": 768})
    one, two = plant.boards(2)
    scanner.at("INSERT")
    scanner.scan(label_text(one.key))
    scanner.hears("Go", one.key)
    page.route(
        "**/station/INSERT/", lambda route: route.abort() if route.request.method == "POST" else route.fallback()
    )
    scanner.scan("Z/PASSED")
    scanner.hears("Waiting", "nothing of it is on record yet")
    scanner.scan(label_text(two.key))
    expect(page.locator("#kept")).to_contain_text("2 scans wait")
    accessible()
    shot("the server is away")
    page.get_by_role("button", name="It failed").click()
    expect(page.locator("#kept")).to_contain_text("3 scans wait")
    assert list(Pass.objects.values_list("unit__key", "outcome")) == [(one.key, "")]
    page.unroute("**/station/INSERT/")
    scanner.hears("Failed", f"{two.key} failed step 10 Insert.", wait=40_000)
    expect(page.locator("#kept")).not_to_contain_text("wait")
    done = Pass.objects.filter(superseded=None).order_by("pk").values_list("unit__key", "outcome")
    assert list(done) == [(one.key, "passed"), (two.key, "failed")]


TONES = """
const made = [];
window.AudioContext = class extends AudioContext {
  createOscillator() {
    const tone = super.createOscillator();
    made.push(tone);
    return tone;
  }
};
window.heard = () => made.map((tone) => tone.frequency.value);
"""


def test_go_and_stop_sound_apart_and_may_be_silenced(page: Any, plant: Plant, scanner: Scanner) -> None:
    page.add_init_script(TONES)
    (board,) = plant.boards()
    scanner.at("INSERT")
    scanner.scan(board.key)
    scanner.hears("Go")
    go = page.evaluate("heard()")[-2:]
    scanner.scan("NOTHING-LIKE-IT")
    scanner.hears("Stop")
    stop = page.evaluate("heard()")[-1:]
    assert go and stop and set(go).isdisjoint(stop)
    page.get_by_role("button", name="Sound is on").click()
    expect(page.get_by_role("button", name="Sound is off")).to_be_visible()
    before = len(page.evaluate("heard()"))
    scanner.scan("NOTHING-LIKE-IT-EITHER")
    scanner.hears("Stop", "EITHER")
    assert len(page.evaluate("heard()")) in (0, before), "the page may have been opened anew"


# The camera ----------------------------------------------------------------------------------------------------------

FRAME = (640, 480)


def film(path: Path, text: str) -> None:
    """A film of a QR code, as a camera would see a label that is held still: raw frames in the format YUV4MPEG2."""
    rows = encode(text).get_matrix()
    size, (width, height) = 8, FRAME
    left, top = (width - size * len(rows)) // 2, (height - size * len(rows)) // 2
    grey = [bytearray(b"\xd0" * width) for _ in range(height)]
    for y, row in enumerate(rows):
        for x, dark in enumerate(row):
            for line in grey[top + y * size : top + (y + 1) * size]:
                line[left + x * size : left + (x + 1) * size] = (b"\x10" if dark else b"\xe8") * size
    frame = b"FRAME\n" + b"".join(grey) + b"\x80" * (width * height // 2)
    path.write_bytes(f"YUV4MPEG2 W{width} H{height} F10:1 Ip C420\n".encode() + frame * 10)


@pytest.fixture
def filmed(plant: Plant, tmp_path: Path, live_server: Any) -> Iterator[Any]:
    """A browser whose camera sees the label of a unit, and that unit."""
    found = find_chromium()
    (board,) = plant.boards()
    film(tmp_path / "label.y4m", code_of("unit", board.key))
    flags = [
        *FLAGS,
        "--use-fake-ui-for-media-stream",
        "--use-fake-device-for-media-stream",
        f"--use-file-for-fake-video-capture={tmp_path / 'label.y4m'}",
    ]
    yield found, flags, board


def test_a_camera_scans(page: Any, filmed: Any, operator: None, live_server: Any) -> None:
    found, flags, board = filmed
    chromium = page.context.browser.browser_type.launch(executable_path=found, args=flags)
    try:
        context = chromium.new_context(base_url=live_server.url, permissions=["camera"])
        context.add_cookies(page.context.cookies())
        told: list[str] = []
        filming = context.new_page()
        filming.on("console", lambda message: told.append(message.text))
        filming.goto("/station/INSERT/")
        filming.get_by_role("button", name="Camera").click()
        expect(filming.locator(".word")).to_have_text("Go", timeout=30_000)
        expect(filming.locator(".say")).to_contain_text(board.key)
        assert not [line for line in told if "Security Policy" in line], told
    finally:
        chromium.close()
    assert Pass.objects.get().unit == board


def test_without_a_camera_nothing_offers_one(page: Any, plant: Plant, scanner: Scanner) -> None:
    page.add_init_script("Object.defineProperty(navigator, 'mediaDevices', { value: undefined });")
    scanner.at("INSERT")
    expect(page.get_by_role("button", name="Camera")).to_be_hidden()
