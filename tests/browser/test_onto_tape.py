"""Ten reels come in by scan, are labelled and put on a tape: every board that is inserted from it names its reels.

What lies at each link of the tape is followed here part by part, in every way that what was told leaves open: where on
the chain it stood inside the board set that was read, and how long the splice's lead really was.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from io import StringIO
from itertools import product

import pypdfium2
import pytest
import zxingcpp
from django.core.management import call_command

from tests.browser.scanner import type_as_scanner
from tests.factories import Plant
from tests.material.inspecting import SAMPLE, planned
from tests.web.conftest import make_user
from trace.core.clock import now
from trace.core.keys import label_text
from trace.core.permissions import Role
from trace.exchange.supplier_label import write_label
from trace.floor.operations.passes import record_passes
from trace.floor.tapes import read_building
from trace.genealogy.backward import trace_backward
from trace.material.models import Lot, Mount, SetUp, Tape
from trace.material.operations.sources import approve_source

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

BOARD_SETS, LINKS = 100, 3
REELS = re.compile(r"\b(?:BF1103|C77)-\d\b")
RESISTORS, CAPACITORS = (130, 60, 300, 200, 200), (80, 100, 300, 200, 200)
"""How many parts are on the reels, in the order in which they are received."""


@dataclass(frozen=True)
class World:
    """One way in which it may have been: the link inside the board set at each stop that was read to the board set
    alone, and how many parts the splice's lead had."""

    capacitors: int
    splice: int
    again: int
    lead: int


WORLDS = [World(*links, lead) for *links, lead in product(range(LINKS), range(LINKS), range(LINKS), (3, 4, 5))]


def really(tape: Tape, world: World) -> Iterator[tuple[int, str, str]]:
    """(board set, designator, reel) of every part: a head that stands some links up the chain puts down the part of a
    link when so many fewer have passed."""
    for head in read_building(tape).heads:
        put = sorted(
            (k * LINKS + link - head.feed.distance, k, name)
            for k in range(BOARD_SETS)
            for name, link in zip(head.designators, head.links, strict=True)
        )
        spliced = 0
        for passed, k, name in put:
            if "C1" in head.designators:
                changes = (69 * LINKS + world.capacitors, 95 * LINKS + world.again)
                yield k, name, f"C77-{1 + sum(passed >= change for change in changes)}"
            elif (k, name) == (97, "R2"):
                yield k, name, "BF1103-4"  # found empty, filled by hand
                spliced += 1
            else:
                spliced += passed >= 86 * LINKS + world.splice
                yield k, name, f"BF1103-{3 if spliced > world.lead else 2 if passed >= 60 * LINKS else 1}"


def decoded(pdf: bytes) -> list[str]:
    """What an independent reader finds on the printed sheets, at 200 dots to the inch (common label printers: 203)."""
    document = pypdfium2.PdfDocument(pdf)
    pages = [page.render(scale=200 / 72).to_pil().convert("L") for page in document]
    return sorted(found.text for page in pages for found in zxingcpp.read_barcodes(page) if found.valid)


@pytest.mark.parametrize("width", [1280, 390])
def test_material_comes_in_and_goes_onto_a_tape(
    page, transactional_db: None, settings, enter_as: Callable, accessible: Callable, shot: Callable, width: int
) -> None:
    settings.LABEL_URL = "HTTPS://TRACE.PLANT.EXAMPLE/"
    plant = Plant()
    planned(plant, SAMPLE, part=plant.capacitor)
    for part, number in ((plant.resistor, "A-1"), (plant.capacitor, "A-2")):
        plant.do(approve_source, part=part, supplier=plant.supplier, number=number)
    page.set_viewport_size({"width": width, "height": 900})

    def look(step: str) -> None:
        shot(step)
        accessible()
        assert page.evaluate("document.documentElement.scrollWidth") <= width, step

    def enter() -> None:
        with page.expect_navigation():
            page.keyboard.press("Enter")

    def scan(text: str) -> None:
        page.wait_for_function("document.activeElement.id === 'scan'")
        page.keyboard.type(text)
        enter()

    def says(words: str, *texts: str) -> None:
        for text in texts:
            scan(text)
        assert page.get_by_role("alert").count() == 0, page.get_by_role("alert").inner_text()
        answer = page.locator(".answer").first.inner_text()
        assert words in answer, answer

    def follow(name: str) -> None:
        page.get_by_role("link", name=name).first.focus()
        enter()

    # A material handler receives ten reels, and prints the plant's own labels for them.
    enter_as(make_user("han", roles=[Role.HANDLER]))
    page.goto("/material/")
    look("area")
    follow("Receive a package")
    for number, lot, amounts in (("A-1", "BF1103", RESISTORS), ("A-2", "C77", CAPACITORS)):
        for n, amount in enumerate(amounts, 1):
            fields = {"1P": number, "Q": f"{amount}", "10D": "2605", "1T": lot, "4L": "DE", "3S": f"{lot}-PK{n}"}
            with page.expect_navigation():
                type_as_scanner(page, write_label([*fields.items()]))
            page.wait_for_function("document.activeElement.name === 'quantity-1'")
            enter()
            assert f"container {lot}-{n} with {amount}" in page.get_by_role("status").first.inner_text()
            page.wait_for_function("document.activeElement.id === 'scan'")
    look("received")
    labels: dict[str, str] = {}
    printed: list[bytes] = []

    def keep(route) -> None:
        answer = route.fetch()
        if answer.headers["content-type"] == "application/pdf":
            printed.append(answer.body())
        route.fulfill(response=answer)

    page.route(re.compile("/material/labels/"), keep)
    for lot in ("BF1103", "C77"):
        page.goto("/material/receive/")
        page.locator("#table-receipts").get_by_role(
            "link", name=Lot.objects.get(number=lot).key, exact=True
        ).first.focus()
        enter()
        follow("Print the labels of its containers")
        if lot == "C77":
            look("labels")
        button = page.get_by_role("button", name="Make the PDF")
        button.focus()
        with page.expect_response(re.compile("/material/labels/")):
            page.keyboard.press("Enter")
        codes = decoded(printed.pop())
        assert codes == [f"{settings.LABEL_URL}C/{label_text(f'{lot}-{n}')}" for n in range(1, 6)]
        labels |= {f"{lot}-{n}": code for n, code in enumerate(codes, 1)}
    r1, r2, r3, r4, _, c1, c2, c3, *_ = labels.values()

    # What has an inspection plan waits for a quality engineer.
    enter_as(make_user("quinn", roles=[Role.QUALITY]))
    page.goto("/")
    scan(c1)
    assert page.url.endswith("/containers/C77-1/")
    look("container")
    follow("on receipt") if page.get_by_role("link", name="on receipt").count() else follow("since")
    page.get_by_role("button", name="Record Marking and finish").focus()
    enter()
    page.get_by_label("On what evidence").fill("Sample accepted.")
    page.get_by_role("button", name="Release the lot").focus()
    enter()
    says("It is released: Sample accepted.")

    # A sequencer operator plans a tape, and builds it.
    enter_as(make_user("sam", roles=[Role.SEQUENCER]))
    page.goto("/parts/CAP/")
    assert "Take reel C77-1 first" in page.locator(".answer").inner_text()
    look("part")
    page.goto("/tapes/new/")
    page.get_by_label("Board", exact=True).select_option("BOARD")
    page.get_by_label("Board sets").fill(f"{BOARD_SETS}")
    page.get_by_label("Heads of the sequencer").fill("20")
    page.get_by_label("Links from head to head").fill("3")
    page.get_by_label("Links from head to head").focus()
    enter()
    says("3 changes to expect, nothing short")
    page.get_by_label("Key of the new tape").fill("T9")
    page.get_by_label("Key of the new tape").focus()
    enter()
    says("Scan head H01")
    says("Let it run", "H01", r1, "H02", c1)
    look("loaded")
    says("It runs", "GO")
    says("It runs", "STOP 60.0 run out", "H01", r2, "GO")
    says("It runs", "STOP 69 low", "H02", c2, "GO")
    says("It runs", "H01", "SPLICE 4 1 86", r3)
    says("It runs", "STOP 95 end of shift", "H02", c3, "GO")
    says("It runs", "H01", "EMPTY 97 R2", r4)
    look("running")
    says(f"It is finished: {BOARD_SETS} board sets", f"FINISH {BOARD_SETS}")
    tape = Tape.objects.get(key="T9")
    heads = {head.name: (head.feed.distance, head.designators, head.links) for head in read_building(tape).heads}
    assert heads == {"H01": (3, ["R1", "R2"], [0, 1]), "H02": (6, ["C1"], [2])}

    # It goes on the machine, and boards are inserted from it.
    boards = plant.boards(BOARD_SETS)
    enter_as(make_user("olga", roles=[Role.OPERATOR]))
    page.goto("/")
    scan(label_text("T9"))
    follow("Mount")
    scan("INSERT")
    scan(label_text(boards[0].key))
    scan("0")
    assert Mount.objects.get().tape == tape
    page.goto("/")
    scan(label_text("INSERT"))
    assert re.search(r"T9\s+lasts 100 boards", page.locator("main").inner_text()), page.locator("main").inner_text()
    look("machine")
    told = {"station": plant.insertion, "setup": SetUp.objects.get(axis__tape=tape), "by": plant.ann}
    for k, board in enumerate(boards):
        record_passes(units=[board], positions=[(k, k)], entered=now(), at=now(), **told)

    # What every board is said to be of, against what may really be there.
    may_be: dict[tuple[int, str], set[str]] = {}
    for world in WORLDS:
        for k, name, reel in really(tape, world):
            may_be.setdefault((k, name), set()).add(reel)
    said = {
        (k, place.designator): reels_of(place)
        for k, board in enumerate(boards)
        for place in trace_backward(board).places
    }
    assert {at: reels for at, reels in may_be.items() if not reels <= said[at]} == {}
    # A head gives by board sets: what may be in one of its places may be in each of that set.
    of_set = {at: may_be[at] if at[1] == "C1" else may_be[at[0], "R1"] | may_be[at[0], "R2"] for at in may_be}
    assert {at: (said[at], reels) for at, reels in of_set.items() if said[at] != reels} == {}
    blurred = sorted({k for (k, _), reels in said.items() if len(reels) > 1})
    assert blurred == [88, 89, 90, 97], "the splice's tolerance, and where a place was filled by hand"

    # The page and the command say the same.
    for k in (0, *blurred, BOARD_SETS - 1):
        page.goto("/")
        scan(label_text(boards[k].key))
        written = StringIO()
        call_command("asbuilt", boards[k].key, stdout=written)
        every = {reel for (at, _), reels in said.items() if at == k for reel in reels}
        assert set(REELS.findall(written.getvalue())) == every
        for name in ("R1", "R2", "C1"):
            row = page.locator("#built tr").filter(has=page.get_by_role("rowheader", name=name, exact=True))
            shown = set(REELS.findall(row.inner_text()))
            assert shown == said[k, name], (k, name)
        if k in (0, blurred[-2]):
            look(f"board {k}")


def reels_of(place) -> set[str]:
    return {origin.container for entry in place.standing for origin in entry.origins}
