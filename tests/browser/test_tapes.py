"""A sequencer operator builds and mounts a tape with the scanner alone; axe finds nothing on the way."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from tests.browser.scanner import type_as_scanner
from tests.factories import Plant, make_assembly, make_part
from tests.web.conftest import make_user
from trace.floor.operations.tapes import load_head, resume_tape, splice_head, stop_tape
from trace.material.models import Feed, Mount, Tape
from trace.material.operations.setups import finish_tape, start_tape

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


@pytest.mark.parametrize("width", [1280, 390])
def test_a_tape_is_built_and_mounted_by_the_scan_line(
    page, transactional_db: None, enter_as: Callable, accessible: Callable, shot: Callable, width: int
) -> None:
    """100 board sets, three reel changes, one splice."""
    plant = Plant()
    for key, part, count in (
        ("RA", plant.resistor, 120), ("RB", plant.resistor, 60), ("RC", plant.resistor, 300),
        ("CA", plant.capacitor, 70), ("CB", plant.capacitor, 500),
    ):  # fmt: skip
        plant.reel(key, part, quantity=count)
    (board,) = plant.boards(1)
    enter_as(make_user("sam"))
    page.set_viewport_size({"width": width, "height": 900})

    def look(step: str) -> None:
        shot(step)
        accessible()
        assert page.evaluate("document.documentElement.scrollWidth") <= width, step

    def scan(text: str) -> None:
        with page.expect_navigation():
            type_as_scanner(page, text)

    def says(words: str, *texts: str) -> None:
        for text in texts:
            scan(text)
        answer = page.locator(".answer").inner_text()
        assert words in answer, answer
        assert page.get_by_role("alert").count() == 0, page.get_by_role("alert").inner_text()

    def stops(words: str, *texts: str) -> None:
        for text in texts:
            scan(text)
        assert words in page.get_by_role("alert").inner_text()

    page.goto("/tapes/")
    assert "There is no tape yet" in page.locator(".answer").inner_text()
    look("no tapes")
    page.get_by_role("link", name="Plan a tape").click()
    page.get_by_label("Board", exact=True).select_option("BOARD")
    page.get_by_label("Board sets").fill("100")
    page.get_by_label("Heads of the sequencer").fill("20")
    page.get_by_label("Links from head to head").fill("3")
    page.get_by_role("button", name="Plan it").click()
    answer = page.locator(".answer").inner_text()
    assert "100 board sets for BOARD: 3 components to a set from 2 heads, 3 changes to expect, nothing short" in answer
    look("plan")
    page.get_by_label("Key of the new tape").fill("T9")
    page.get_by_role("button", name="Begin").click()
    page.wait_for_url("**/tapes/T9/build/")

    says("Scan head H01")
    stops("Scan the head first", "RA")
    says("Head H01 takes RES", "T9-H01")
    look("head scanned")
    stops("does not belong", "CA")
    look("wrong part")
    says("Scan head H02", "RA")
    says("Let it run", "H02", "CA")
    look("loaded")
    says("It runs", "GO")
    # Three changes, at 60, 69 and 95, and a splice at 86.
    says("It stands at board set 60: run out", "STOP 60.0 run out")
    says("It stands", "H01", "RB")
    says("It runs", "GO")
    says("It stands at board set 69", "STOP 69 low")
    says("It stands", "H02", "CB")
    says("It runs", "GO")
    says("Scan the container that is spliced on head H01, 4 parts before", "H01", "SPLICE 4 1 86")
    look("splice")
    says("It runs", "RC")
    says("It stands at board set 95", "STOP 95 end of shift")
    says("It stands", "H02", "CA")  # the reel before goes on again: the third change
    says("It runs", "GO")
    stops("is missing or no number", "STOP soon")
    says("Scan the container", "H01", "EMPTY 97 R2")
    stops("R2 of board set 97 is empty", "FINISH 100")
    says("It runs", "H01", "FILL 97", "RC")
    says("It is finished: 100 board sets", "FINISH 100")
    look("finished")
    page.goto("/tapes/T9/mount/")
    says("Scan a traveller", "INSERT")
    says("INSERT builds BOARD", board.key)
    stops("50 would be skipped", "50")
    look("mount refused")
    scan("0")
    page.wait_for_url("**/tapes/T9/")
    assert Mount.objects.get().tape == Tape.objects.get(key="T9")
    strip = page.locator("#strip")
    assert strip.locator("svg").first.is_visible()
    titles = [title.text_content() for title in strip.locator("title").all()]
    assert "R1, head H01, board sets 0–60: RA" in titles
    assert any(title.startswith("spliced: RC") for title in titles)
    look("strip")
    page.goto("/tapes/T9/?suspect=RB")
    assert "Suspect RB may be in" in page.locator(".answer").inner_text()
    look("suspect")


def test_a_strip_of_eighty_steps_and_five_hundred_board_sets(
    page, transactional_db: None, enter_as: Callable, accessible: Callable, shot: Callable
) -> None:
    """What is drawn grows with the runs, not with the 40,000 places."""
    plant = Plant()
    parts = [make_part(f"PART-{n}") for n in range(16)]
    order = [f"{'RCDL'[n % 4]}{n + 1}" for n in range(80)]
    board = make_assembly(
        "BIG", places={name: parts[n % 16] for n, name in enumerate(order)}, route={10: [plant.insertion]}
    )
    heads = {f"H{n:02}": (4 * n + 4, [order[k] for k in range(80) if k % 16 == n]) for n in range(16)}
    tape = plant.do(start_tape, 1, key="BIG-1", assembly=board, sequence=order, heads=heads, board_sets=500)

    def load(n: int, minute: float) -> None:
        feed = Feed.objects.get(key=f"BIG-1-H{n:02}")
        plant.do(load_head, minute, feed=feed, container=plant.reel(f"REEL-{n}-{minute:g}", parts[n]))

    for n in range(16):
        load(n, 2)
    plant.do(resume_tape, 3, tape=tape)
    for k, at in enumerate(range(60, 480, 70)):
        plant.do(stop_tape, 10 + k, tape=tape, board_set=at, reason="run out")
        for n in range(k % 3, 16, 3):
            load(n, 10 + k)
        plant.do(resume_tape, 10.5 + k, tape=tape)
    feed = Feed.objects.get(key="BIG-1-H05")
    plant.do(splice_head, 20, feed=feed, container=plant.reel("SPLICED", parts[5]), lead=8, tolerance=2, board_set=485)
    plant.do(finish_tape, 30, tape=tape, board_sets=500)
    enter_as(make_user())
    page.goto("/tapes/BIG-1/?suspect=REEL-3-10")
    shot("strip")
    accessible()
    assert page.locator("#strip rect.block").count() < 80 * 12
    assert len(page.content()) < 500_000
    page.emulate_media(color_scheme="dark")
    shot("strip in the dark")
