"""The page of a station: what a scan does there, and what is said of it."""

from __future__ import annotations

import re
from datetime import timedelta
from decimal import Decimal
from typing import Any
from urllib.parse import unquote

import pypdfium2
import pytest
import zxingcpp
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from tests.factories import Plant, ticks
from tests.floor.test_panels import panel_part
from tests.floor.test_query_counts import plant_with
from tests.web.conftest import build_tapes, make_user
from tests.web.test_answers import text_of
from trace.core.clock import OPEN, now
from trace.core.keys import LETTERS, code_of, label_text
from trace.core.permissions import Role
from trace.engineering.models import Characteristic, Designator, ScanMode, Step
from trace.engineering.operations import define_equipment
from trace.floor.models import Carried, Fitting, Pass, Reading, Unit
from trace.floor.operations.aliases import replace_label
from trace.floor.operations.feeds import load_feed
from trace.floor.operations.passes import start_pass
from trace.floor.operations.racks import define_rack, make_panel, put_in_rack
from trace.holds.operations import place_holds
from trace.labels.results import LETTER, read_result
from trace.material.models import Container, Mount, SetUp

pytestmark = pytest.mark.django_db


class AtStation:
    """Somebody before the page of a station: scans go with what the page remembers, as a browser sends them."""

    def __init__(self, client: Client, key: str) -> None:
        self.client, self.address = client, f"/station/{key}/"
        self.open()

    def open(self, **asked: str) -> str:
        return self._take(self.client.get(self.address, asked))

    def scan(self, told: str, **fields: str) -> str:
        return self._send("scanning", told=told, **fields)

    def press(self, outcome: str, **fields: str) -> str:
        return self._send("result", outcome=outcome, **fields)

    def choose(self, designator: str) -> str:
        return self._send("placing", designator=designator)

    def _send(self, form: str, **fields: str) -> str:
        assert f'id="{form}"' in self.html, f"the page has no form {form}"
        remembered = dict(re.findall(rf'name="(\w+)" form="{form}"[^>]*value="([^"]*)"', self.html))
        return self._take(self.client.post(self.address, {**remembered, **fields}))

    def _take(self, answer: Any) -> str:
        self.answer = answer
        self.html = answer.content.decode()
        self.says = answer.headers.get("Scan-Answer", "")
        word = re.search(r'class="word">.*?</svg>\s*([^<]+)<', self.html, re.DOTALL)
        self.word = word[1].strip() if word else ""
        self.text = text_of(self.html)
        return self.text


@pytest.fixture
def plant(db: None, client: Client) -> Plant:
    """The tiny plant, its feeds loaded, and an operator at the page."""
    plant = Plant()
    plant.do(load_feed, 1, feed=plant.slot_r, container=plant.reel("RR", quantity=500))
    plant.do(load_feed, 1, feed=plant.slot_c, container=plant.reel("CC", plant.capacitor, quantity=500))
    client.force_login(make_user("olga", roles=[Role.OPERATOR]))
    return plant


@pytest.fixture
def at(plant: Plant, client: Client) -> AtStation:
    return AtStation(client, "INSERT")


def passes(**wanted: Any) -> list[tuple[str, str]]:
    """(unit, outcome) of what is on record, in its order."""
    return list(Pass.objects.filter(superseded=None, **wanted).order_by("pk").values_list("unit__key", "outcome"))


# In and out ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("way", ["key", "label", "link"])
def test_a_unit_goes_in_and_out_by_scans_alone(at: AtStation, plant: Plant, settings: Any, way: str) -> None:
    settings.LABEL_URL = "HTTPS://TRACE.PLANT.EXAMPLE/"
    (board,) = plant.boards()
    told = {"key": board.key, "label": label_text(board.key).lower(), "link": code_of("unit", board.key)}[way]
    at.scan(told)
    assert (at.answer.status_code, at.says, at.word) == (200, "go", "Go"), at.text
    assert f"{board.key}: step 10 Step 10." in at.text
    entry = Pass.objects.get()
    assert (entry.unit, entry.station, entry.inside, entry.by.key) == (board, plant.insertion, True, "U-OLGA")
    at.scan("HTTPS://TRACE.PLANT.EXAMPLE/Z/PASSED")
    assert (at.says, at.word) == ("go", "Passed")
    assert passes() == [(board.key, "passed")]
    assert f"{board.key} is due for step 20 Step 20, at TEST." in at.text


@pytest.mark.parametrize("outcome", ["passed", "failed", "aborted"])
@pytest.mark.parametrize("way", ["pressed", "typed", "scanned"])
def test_a_result_is_pressed_typed_or_scanned(at: AtStation, plant: Plant, outcome: str, way: str) -> None:
    (board,) = plant.boards()
    at.scan(board.key)
    if way == "pressed":
        at.press(outcome)
    else:
        at.scan(outcome if way == "typed" else f"Z/{outcome.upper()}")
    assert (at.says, at.word) == ("go", outcome.capitalize())
    assert passes() == [(board.key, outcome)]


def test_a_unit_that_is_inside_is_shown_again_and_not_recorded_twice(at: AtStation, plant: Plant) -> None:
    one, two = plant.boards(2)
    at.scan(one.key)
    at.scan(two.key)
    assert at.word == "Go" and f"{two.key} passed" in at.html
    at.scan(one.key)
    assert (at.says, at.word) == ("go", "Go") and f"{one.key} passed" in at.html
    assert len(passes()) == 2
    at.press("passed")
    assert passes() == [(one.key, "passed"), (two.key, "")]


def test_a_page_that_is_opened_shows_the_only_unit_inside(at: AtStation, plant: Plant) -> None:
    one, two = plant.boards(2)
    at.scan(one.key)
    at.open()
    assert f"{one.key} passed" in at.html
    at.scan(two.key)
    at.open()
    assert 'id="result"' not in at.html and f"?unit={one.key}" in at.html and f"?unit={two.key}" in at.html
    at.open(unit=two.key)
    assert f"{two.key} passed" in at.html


def test_a_result_without_a_unit_is_refused(at: AtStation, plant: Plant) -> None:
    at.scan("PASSED")
    assert (at.answer.status_code, at.says, at.word) == (409, "stop", "Stop")
    assert "No unit is shown here. Scan the unit’s traveller first." in at.text
    assert not Pass.objects.exists()


def test_a_result_of_what_went_out_elsewhere_is_refused(at: AtStation, plant: Plant, client: Client) -> None:
    """Two screens at one station: what one of them shows may be over."""
    one, two = plant.boards(2)
    at.scan(one.key)
    other = AtStation(client, "INSERT")
    other.press("passed")
    other.scan(two.key)
    at.press("failed")
    assert at.says == "stop" and f"{one.key} is not inside INSERT." in at.text
    assert passes() == [(one.key, "passed"), (two.key, "")], "and the other unit is not failed in its place"


# Stops ---------------------------------------------------------------------------------------------------------------


def test_a_wrong_station_says_where_it_is_due(plant: Plant, client: Client) -> None:
    (board,) = plant.boards()
    at = AtStation(client, "TEST")
    at.scan(board.key)
    assert (at.answer.status_code, at.says, at.word) == (409, "stop", "Stop")
    assert (
        f"{board.key} still needs step 10, Step 10, at INSERT." in at.text and "Take it to where it is due." in at.text
    )
    assert not Pass.objects.exists()


def test_every_refusal_is_shown_with_its_action(at: AtStation, plant: Plant) -> None:
    (board,) = plant.boards()
    Step.objects.filter(part=plant.board, number=10).update(equipment_kind="inserter")
    plant.do(place_holds, targets=[board], reason="Scratched.")
    at.scan(board.key)
    assert "2 things stop it." in at.text
    assert "needs a inserter, and none stands here" in at.text and "Scan the equipment that does the work" in at.text
    assert "Scratched." in at.text and "call the quality engineer" in at.text
    assert at.text.index("Scratched.") < at.text.index("needs a inserter")  # a hold is told first


def test_a_stop_leaves_the_unit_inside_in_sight(at: AtStation, plant: Plant) -> None:
    one, two = plant.boards(2)
    at.scan(one.key)
    plant.do(place_holds, targets=[two], reason="Scratched.")
    at.scan(two.key)
    assert at.says == "stop" and f"{one.key} passed" in at.html


def test_what_nothing_is_called_says_so_and_suggests(at: AtStation, plant: Plant) -> None:
    (board,) = plant.boards()
    at.scan(board.key[:-1])
    assert at.says == "stop" and f"Nothing in this plant is called “{board.key[:-1]}”." in at.text
    assert f'href="/units/{board.key}/"' in at.html


def test_a_misread_label_is_not_taken_for_another(at: AtStation, plant: Plant) -> None:
    one, two = plant.boards(2)
    at.scan(f"{two.key}.{label_text(one.key)[-1]}")
    assert at.says == "stop" and "check character" in at.text
    assert not Pass.objects.exists()


def test_an_auditor_reads_and_does_nothing(at: AtStation, plant: Plant, client: Client) -> None:
    (board,) = plant.boards()
    client.force_login(make_user("mara", roles=[Role.AUDITOR]))
    at.scan(board.key)
    assert (at.answer.status_code, at.says) == (403, "stop")
    assert "may not scan a unit in" in at.text
    assert not Pass.objects.exists()


# What to do ----------------------------------------------------------------------------------------------------------


def test_it_says_what_to_do(at: AtStation, plant: Plant) -> None:
    (board,) = plant.boards()
    Step.objects.filter(part=plant.board, number=10).update(
        caution="Moving insertion head.", instruction="Lay the board in.\nClose the guard."
    )
    told = {"part": plant.board, "step_number": 10, "number": 1}
    Characteristic.objects.create(name="Lead length", unit_of_measure="mm", lower=1, upper="1.5", **told)
    at.scan(board.key)
    assert "Caution: Moving insertion head." in at.text
    assert "Follow site procedure and local code; only qualified people may do this step." in at.text
    assert "Lay the board in.<br>Close the guard." in at.html
    assert "R1, R2" in at.text and "From the feeds" in at.text
    assert "Lead length: between 1 and 1.5 mm" in at.text and 'name="reading-1"' in at.html


# Readings ------------------------------------------------------------------------------------------------------------


@pytest.fixture
def measured(at: AtStation, plant: Plant) -> AtStation:
    """A unit is inside for a step that asks for a measurement and a judgement."""
    told = {"part": plant.board, "step_number": 10}
    Characteristic.objects.create(name="Supply current", unit_of_measure="mA", lower=10, upper=15, number=1, **told)
    Characteristic.objects.create(name="Solder joints", judge="the operator", number=2, **told)
    (board,) = plant.boards()
    at.scan(board.key)
    return at


def test_readings_are_recorded_together_with_the_result(measured: AtStation) -> None:
    measured.press("passed", **{"reading-1": "12.5", "reading-2": "good"})
    assert (measured.says, measured.word) == ("go", "Passed"), measured.text
    read = Reading.objects.order_by("characteristic__number").values_list("value", "good", "by__key")
    assert list(read) == [(Decimal("12.5"), True, "U-OLGA"), (None, True, "U-OLGA")]


def test_what_was_not_read_keeps_a_unit_from_passing(measured: AtStation) -> None:
    measured.press("passed", **{"reading-1": "12.5", "reading-2": ""})
    assert measured.says == "stop" and "Solder joints" in measured.text
    assert [outcome for _, outcome in passes()] == [""], "it stays inside"
    assert "12.5 mA good" in measured.text, "what was read is on record"
    measured.press("passed", **{"reading-2": "good"})
    assert measured.word == "Passed"


def test_what_is_outside_its_limits_fails(measured: AtStation) -> None:
    measured.press("passed", **{"reading-1": "25", "reading-2": "good"})
    assert measured.says == "stop" and "Supply current is 25 mA, and must be between 10 and 15 mA" in measured.text
    assert [outcome for _, outcome in passes()] == [""]
    measured.press("failed")
    assert [outcome for _, outcome in passes()] == ["failed"] and measured.word == "Failed"


def test_readings_that_are_sent_again_are_recorded_once(measured: AtStation) -> None:
    """As where the server died between the readings and the result."""
    remembered = dict(re.findall(r'name="(\w+)" form="result"[^>]*value="([^"]*)"', measured.html))
    fields = {**remembered, "outcome": "passed", "reading-1": "12.5"}
    scanned = now().isoformat()
    for _ in range(2):
        headers = {"Kept-Id": "twice", "Kept-At": scanned, "Device-Time": now().isoformat()}
        measured._take(measured.client.post(measured.address, fields, headers=headers))
        assert measured.says == "stop" and "Solder joints" in measured.text
    assert Reading.objects.count() == 1


def test_what_is_no_number_is_refused(measured: AtStation) -> None:
    measured.press("passed", **{"reading-1": "a lot", "reading-2": "good"})
    assert measured.says == "stop" and not Reading.objects.exists()
    assert 'value="a lot"' in measured.html and 'value="good" checked' in measured.html, "what was typed stays"
    alone = {"HX-Request": "true", "HX-Target": "work"}
    part = measured.client.get(f"{measured.address}?unit={Unit.objects.get().key}&reading-1=a+lot", headers=alone)
    assert 'value="a lot"' in part.content.decode()
    measured.open()
    assert 'name="reading-1"' in measured.html
    measured.press("passed", **{"reading-1": "12.5"})
    assert 'value="12.5"' not in measured.html, "what is on record is not entered again"


def test_the_home_says_how_the_station_is(at: AtStation, plant: Plant) -> None:
    first, second, third = plant.boards(3)
    plant.run(first, plant.insertion, 2, 3)
    plant.do(start_pass, 4, unit=second, station=plant.insertion)
    plant.do(place_holds, targets=[Container.objects.get(key="RR").lot], reason="Drifts.")
    at.open()
    assert f"{second.key} passed" in at.html, "the unit inside comes first"
    at.press("failed")
    assert "held SLOT-R: Lot LOT-RR is held: Drifts." in at.text
    assert "2 units wait for INSERT" in at.text
    assert re.search(rf"Next: {third.key} for step 10 .*Then {second.key}", at.text), "what failed was scanned later"
    assert "SETUP for BOARD" in at.text
    assert re.search(r"SLOT-R RR 24\d boards", at.text) and "SLOT-C CC" in at.text
    assert re.search(rf"{second.key} 10 Step 10 failed", at.text) and re.search(rf"{first.key} .* passed", at.text)


def test_low_feeds_warn(at: AtStation, plant: Plant) -> None:
    plant.do(load_feed, 2, feed=plant.slot_r, container=plant.reel("RLOW", quantity=12))
    at.open()
    assert "low SLOT-R lasts for 6 boards" in at.text and "low SLOT-C" not in at.text


# Fitting -------------------------------------------------------------------------------------------------------------


@pytest.fixture
def marriage(plant: Plant, client: Client) -> AtStation:
    """A product that is inside, and the page that shows it."""
    at = AtStation(client, "FINAL")
    (product,) = plant.products()
    at.scan(product.key)
    assert "to fit M1" in at.text and "to fit F1" in at.text
    return at


def built(plant: Plant) -> Unit:
    return plant.finish(plant.boards()[0], 5)


def test_a_child_and_a_part_go_in_by_scan(marriage: AtStation, plant: Plant) -> None:
    board, product = built(plant), Unit.objects.get(part=plant.product)
    plant.reel("FUSES", plant.fuse)
    marriage.scan(board.key)
    assert (marriage.says, marriage.word) == ("go", "Fitted")
    assert f"{board.key} is in {product.key} at M1." in marriage.text and "fitted M1" in marriage.text
    assert "Scan what is still to be fitted: 1 more." in marriage.text
    marriage.scan(label_text("FUSES"))
    assert marriage.word == "Fitted" and "fitted F1" in marriage.text
    assert "All is in: when the work is done, scan or press its result." in marriage.text
    fitted = {f.designator: str(f.child or f.container) for f in Fitting.objects.filter(unit=product)}
    assert fitted == {"M1": board.key, "F1": "FUSES"}
    assert Fitting.objects.get(designator="F1").reason == "asked for by step 10"
    marriage.scan("passed")
    assert passes(unit=product) == [(product.key, "passed")]


def test_a_child_that_is_not_finished_is_refused(marriage: AtStation, plant: Plant) -> None:
    (board,) = plant.boards()
    marriage.scan(board.key)
    assert marriage.says == "stop" and f"{board.key} is not finished" in marriage.text
    assert not Fitting.objects.exists() and not Pass.objects.filter(unit=board).exists()


def test_a_part_that_the_step_does_not_ask_for_leads_on(marriage: AtStation, plant: Plant) -> None:
    marriage.scan("RR")
    assert (marriage.says, marriage.word) == ("ask", "Nothing done")
    assert "which step 10 Step 10 does not ask for" in marriage.text and "/material/containers/RR/" in marriage.html
    assert not Fitting.objects.exists()


def test_a_second_one_has_no_place(marriage: AtStation, plant: Plant) -> None:
    plant.reel("FUSES", plant.fuse)
    marriage.scan("FUSES")
    marriage.scan("FUSES")
    assert marriage.says == "stop" and "F1 has FUSES" in marriage.text
    assert f"/units/{Unit.objects.get(part=plant.product).key}/inside/#swap_child" in marriage.html
    assert Fitting.objects.count() == 1


def test_of_several_places_one_is_asked_for(marriage: AtStation, plant: Plant) -> None:
    line = plant.product.lines.get(child=plant.board)
    Designator.objects.create(parent=plant.product, line=line, name="M2", step_number=10)
    product, boards = Unit.objects.get(part=plant.product), [built(plant), built(plant), built(plant)]
    marriage.scan(boards[0].key)
    assert (marriage.says, marriage.word) == ("ask", "Where?")
    assert f"Where in {product.key} does {boards[0].key} go: M1 or M2?" in marriage.text
    assert not Fitting.objects.exists()
    marriage.choose("M2")
    assert f"{boards[0].key} is in {product.key} at M2." in marriage.text
    marriage.scan(boards[1].key)
    assert f"{boards[1].key} is in {product.key} at M1." in marriage.text, "the one place that is left"
    Fitting.objects.all().delete()
    marriage.scan(boards[2].key)
    marriage.scan("m1")
    assert f"{boards[2].key} is in {product.key} at M1." in marriage.text, "it may be typed, too"


# Other stations ------------------------------------------------------------------------------------------------------


def test_at_a_loose_station_the_result_follows(plant: Plant, client: Client) -> None:
    plant.insertion.scan_mode = ScanMode.LOOSE
    plant.insertion.save()
    one, two = plant.boards(2)
    at = AtStation(client, "INSERT")
    at.scan(one.key)
    assert (at.says, at.word) == ("go", "Go") and not Pass.objects.exists()
    at.press("failed")
    assert (at.word, passes()) == ("Failed", [(one.key, "failed")])
    at.scan("PASSED")
    assert at.says == "ask" and "Each unit that is scanned is recorded as passed." in at.text
    at.scan(two.key)
    at.scan(one.key)
    assert passes() == [(one.key, "failed"), (two.key, "passed"), (one.key, "passed")]
    at.scan(two.key)
    assert at.says == "stop" and "step 20, Step 20, at TEST" in at.text
    at.scan("PASSED")
    assert "Each unit is asked for its result." in at.text


def test_failed_said_first_is_of_the_next_unit_alone(plant: Plant, client: Client) -> None:
    plant.insertion.scan_mode = ScanMode.LOOSE
    plant.insertion.save()
    one, two = plant.boards(2)
    at = AtStation(client, "INSERT")
    at.scan("FAILED")
    at.scan(one.key)
    at.scan(two.key)
    assert passes() == [(one.key, "failed")] and at.word == "Go"


def test_a_loose_station_tells_beforehand_what_stops_a_unit(plant: Plant, client: Client) -> None:
    plant.insertion.scan_mode = ScanMode.LOOSE
    plant.insertion.save()
    (board,) = plant.boards()
    plant.do(place_holds, targets=[board], reason="Scratched.")
    at = AtStation(client, "INSERT")
    at.scan(board.key)
    assert (at.says, at.word) == ("stop", "Stop") and "Scratched." in at.text
    at.scan("PASSED")
    at.scan(board.key)
    assert at.says == "stop" and "has not passed step 10" in at.text, "its draws are recorded, as after the work"
    assert passes() == [(board.key, "aborted")]


def test_one_at_a_time_lets_out_the_unit_before(plant: Plant, client: Client) -> None:
    plant.insertion.scan_mode = ScanMode.ONE_AT_A_TIME
    plant.insertion.save()
    one, two = plant.boards(2)
    at = AtStation(client, "INSERT")
    at.scan(one.key)
    at.scan(two.key)
    assert passes() == [(one.key, "passed"), (two.key, "")]
    at.scan(two.key)
    assert at.says == "go" and passes() == [(one.key, "passed"), (two.key, "")], "it is there, and shown again"


def test_a_count_is_proposed_and_may_be_put_right(client: Client) -> None:
    plant = Plant(counts_cycles=True)
    client.force_login(make_user("olga", roles=[Role.OPERATOR]))
    boards = plant.boards(4)
    at = AtStation(client, "INSERT")
    at.scan(boards[0].key, position="40")
    assert at.says == "go", at.text
    at.press("passed")
    at.scan(boards[1].key)
    assert Pass.objects.get(unit=boards[1]).first == 41
    at.press("passed")
    # Two scans that waited to be sent have the same proposal.
    page = at.html
    at.scan(boards[2].key)
    at.html = page
    at.scan(boards[3].key)
    assert [entry.first for entry in Pass.objects.filter(unit__in=boards[2:]).order_by("pk")] == [42, 43]
    (board,) = plant.boards()
    at.scan(board.key, position="x")
    assert at.says == "stop" and "The cycle count of this unit is missing." in at.text


def test_a_tape_is_drawn_from_at_its_next_board_set(plant: Plant, client: Client) -> None:
    build_tapes(plant)
    boards = plant.boards(3)
    at = AtStation(client, "INSERT")
    at.scan("T-1")
    assert at.says == "ask" and "The next unit draws from tape T-1 at board set 0." in at.text
    at.scan(boards[0].key)
    assert "board set of the next unit" in at.text and 'value="1"' in at.html
    at.press("passed")
    at.scan(boards[1].key)
    at.press("passed")
    at.scan(boards[2].key, position="5")
    drawn = Pass.objects.filter(unit__in=boards).order_by("pk").values_list("axis__tape__key", "first", "last")
    assert list(drawn) == [("T-1", 0, 0), ("T-1", 1, 1), ("T-1", 5, 5)]


def test_the_mounted_tape_is_known(plant: Plant, client: Client) -> None:
    build_tapes(plant)
    setup = SetUp.objects.get(axis__tape__key="T-1")
    Mount.objects.create(
        tape=setup.axis.tape, station=plant.insertion, first=3, since=ticks(4), until=OPEN, by=plant.ann
    )
    (board,) = plant.boards()
    at = AtStation(client, "INSERT")
    assert "Tape T-1: board set of the next unit" in at.text
    at.scan(board.key, position="3")
    assert Pass.objects.get().axis == setup.axis


# Other things --------------------------------------------------------------------------------------------------------


def test_equipment_is_named_by_scan(at: AtStation, plant: Plant) -> None:
    Step.objects.filter(part=plant.board, number=10).update(equipment_kind="inserter")
    for key in ("IN-1", "IN-2"):
        plant.do(define_equipment, key=key, name=key, kind="inserter", station=plant.insertion)
    plant.do(define_equipment, key="IN-3", name="Another", kind="inserter", station=plant.test)
    (board,) = plant.boards()
    at.scan(board.key)
    assert at.says == "stop" and "2 stand here" in at.text
    at.scan("IN-3")
    assert at.says == "ask" and "/equipment/IN-3/" in at.html
    at.scan("IN-2")
    assert "The work is done with IN-2 from now on." in at.text
    at.scan(board.key)
    assert at.says == "go" and Pass.objects.get().equipment.key == "IN-2"


def test_a_feed_opens_what_is_done_there(at: AtStation, plant: Plant) -> None:
    at.scan("SLOT-R")
    assert (at.answer.status_code, at.answer["Location"]) == (302, "/feeds/SLOT-R/do/")


def test_a_container_for_a_feed_leads_to_it(at: AtStation, plant: Plant) -> None:
    plant.reel("R-NEXT")
    at.scan("R-NEXT")
    assert at.says == "ask"
    assert "What is done at SLOT-R" in at.text and "What is done at SLOT-C" not in at.text


@pytest.mark.parametrize(
    "sent",
    [
        {"told": "\x00SN"},
        {"told": "x" * 5000},
        {"outcome": "splendid"},
        {"designator": "R1"},
        {"told": "SN-1", "tape": "'; --", "position": "9" * 40, "proposed": "1"},
        {"told": "PASSED", "since": "\n\n/\x00\n" * 300, "unit": "../..", "fits": "%00", "equipment": "?"},
    ],
)
@pytest.mark.parametrize("mode", [ScanMode.GATED, ScanMode.LOOSE])
def test_odd_input_is_refused(plant: Plant, client: Client, sent: dict[str, str], mode: str) -> None:
    plant.insertion.scan_mode = mode
    plant.insertion.save()
    answer = client.post("/station/INSERT/", sent)
    assert answer.status_code < 500 and not Pass.objects.exists()


def test_anything_else_says_what_it_is(at: AtStation, plant: Plant) -> None:
    at.scan("BOARD")
    assert at.says == "ask" and "/parts/BOARD/" in at.html


def test_result_codes_are_printed_and_read(client: Client, plant: Plant, settings: Any) -> None:
    """Read back by an independent reader."""
    settings.LABEL_URL = "HTTPS://TRACE.PLANT.EXAMPLE/"
    answer = client.get("/material/labels/results/", {"size": "57x32"})
    assert answer["Content-Type"] == "application/pdf"
    pages = [page.render(scale=200 / 72).to_pil().convert("L") for page in pypdfium2.PdfDocument(answer.content)]
    codes = [zxingcpp.read_barcode(page).text for page in pages]
    assert [read_result(code) for code in codes] == ["passed", "failed", "aborted"]
    assert LETTER not in LETTERS.values(), "no thing’s label is taken for a result"
    assert read_result("HTTPS://ANOTHER.EXAMPLE/Z/PASSED") is None


def test_a_station_that_there_is_not(client: Client, plant: Plant) -> None:
    assert client.get("/station/NOWHERE/").status_code == 404


# Labels that were replaced -------------------------------------------------------------------------------------------


def test_a_replaced_label_still_scans_and_says_so(at: AtStation, plant: Plant) -> None:
    board, other = plant.boards(2)
    for unit in (board, other):
        plant.do(replace_label, 2, unit=unit, reason="scorched")
    at.scan(label_text(board.key))
    assert at.word == "Go" and f"This label of {board.key} was replaced on 2 March 2026 (scorched)" in at.text
    send_late(at, label_text(other.aliases.get().text), "PASSED")
    assert passes(unit=other) == [(other.key, "passed")], "whichever of its labels was scanned before the result"


# Scans that waited ---------------------------------------------------------------------------------------------------


def send_late(at: AtStation, *texts: str) -> list[str]:
    """Scans that were made with one page while the server was away, sent in their order once it is back."""
    remembered = dict(re.findall(r'name="(\w+)" form="scanning"[^>]*value="([^"]*)"', at.html))
    answers, told = [], ""
    for number, text in enumerate(texts):
        scanned = now() - timedelta(minutes=2, seconds=-number)
        headers = {"Kept-Id": f"late-{number}", "Kept-At": scanned.isoformat(), "Device-Time": now().isoformat()}
        fields = {**remembered, "told": text, "since": told}
        at._take(at.client.post(at.address, fields, headers=headers))
        answers.append(at.says)
        told += f"{text}\n"
    return answers


def test_results_that_waited_are_of_the_units_scanned_before_them(at: AtStation, plant: Plant) -> None:
    """Whatever unit the page went on showing."""
    shown, one, two = plant.boards(3)
    at.scan(shown.key)
    assert send_late(at, one.key, "PASSED", two.key, "FAILED") == ["go"] * 4
    assert passes() == [(shown.key, ""), (one.key, "passed"), (two.key, "failed")]


def test_a_result_that_waited_is_of_no_other_unit(at: AtStation, plant: Plant) -> None:
    shown, other = plant.boards(2)
    at.scan(shown.key)
    plant.do(place_holds, targets=[other], reason="Scratched.")
    assert send_late(at, other.key, "PASSED") == ["stop", "stop"]
    assert passes() == [(shown.key, "")]


def test_parts_that_waited_go_into_the_unit_scanned_before_them(plant: Plant, client: Client) -> None:
    board = built(plant)
    (product,) = plant.products()
    plant.reel("FUSES", plant.fuse)
    at = AtStation(client, "FINAL")
    assert send_late(at, product.key, board.key, "FUSES", "PASSED") == ["go"] * 4
    assert Fitting.objects.filter(unit=product).count() == 2
    assert passes(unit=product) == [(product.key, "passed")]


@pytest.mark.parametrize(
    ("texts", "outcomes"),
    [
        (["PASSED", "0", "1"], ["passed", "passed"]),
        (["0", "FAILED", "1", "PASSED"], ["failed", "passed"]),
        (["FAILED", "0", "1", "PASSED"], ["failed", "passed"]),
    ],
)
def test_results_that_waited_at_a_loose_station(
    plant: Plant, client: Client, texts: list[str], outcomes: list[str]
) -> None:
    plant.insertion.scan_mode = ScanMode.LOOSE
    plant.insertion.save()
    boards = plant.boards(2)
    send_late(AtStation(client, "INSERT"), *(boards[int(t)].key if t.isdigit() else t for t in texts))
    assert [outcome for _, outcome in passes()] == outcomes


# Racks and panels ----------------------------------------------------------------------------------------------------


@pytest.fixture
def rack(plant: Plant) -> list[Unit]:
    """What stands in RACK-1, slot by slot; the last of them is held."""
    boards = plant.boards(3)
    it = plant.do(define_rack, key="RACK-1", slots=20)
    for board in boards:
        plant.do(put_in_rack, 1, rack=it, unit=board)
    plant.do(place_holds, targets=[boards[2]], reason="Scratched.")
    return boards


def results(units: list[Unit]) -> list[str]:
    found = dict(Pass.objects.filter(unit__in=units, superseded=None).values_list("unit", "outcome"))
    return [found.get(unit.pk, "none") for unit in units]


@pytest.mark.parametrize("url", ["", "HTTPS://TRACE.PLANT.EXAMPLE/"])
def test_a_rack_goes_in_and_out_and_who_stays_behind_is_told(
    at: AtStation, rack: list[Unit], settings: Any, url: str
) -> None:
    settings.LABEL_URL = url
    at.scan(code_of("carrier", "RACK-1"))
    assert (at.says, at.word) == ("stop", "Left behind"), at.text
    assert "RACK-1: 2 units went in. 1 stays behind." in at.text
    assert f"Unit {rack[2].key} is held: Scratched." in at.text and "call the quality engineer" in at.text
    assert results(rack) == ["", "", "none"] and not Carried.objects.filter(unit=rack[2], until=None).exists()
    assert "2 units are inside for step 10 Step 10" in at.text
    at.scan("RACK-1")
    assert (at.says, at.word) == ("go", "Go") and results(rack) == ["", "", "none"], "it is shown again"
    assert "RACK-1" in at.open() and 'name="failing"' in at.html
    at.press("passed", failing=rack[1].key)
    assert (at.says, at.word) == ("go", "Passed")
    assert "RACK-1: 2 units came out, 1 of them failed." in at.text
    assert results(rack) == ["passed", "failed", "none"]
    assert f"{rack[0].key} is due for step 20 Step 20" in at.text and f"{rack[1].key} is due for step 10" in at.text


def test_of_a_rack_of_which_nobody_may_go_all_is_told_and_nothing_done(
    at: AtStation, plant: Plant, rack: list[Unit]
) -> None:
    plant.do(place_holds, targets=[plant.insertion], reason="Leaks.")
    at.scan("RACK-1")
    assert (at.answer.status_code, at.says) == (409, "stop") and "Leaks." in at.text
    assert results(rack) == ["none"] * 3 and Carried.objects.filter(until=None).count() == 3


def test_racks_that_waited_go_with_the_results_scanned_after_them(
    at: AtStation, plant: Plant, rack: list[Unit]
) -> None:
    (shown,) = plant.boards()
    at.scan(shown.key)
    assert send_late(at, "RACK-1", "PASSED") == ["stop", "go"]
    assert results([shown, *rack]) == ["", "passed", "passed", "none"]


def test_of_a_rack_that_waited_the_browser_is_told_who_stayed_behind(at: AtStation, rack: list[Unit]) -> None:
    send_late(at, "RACK-1")
    assert rack[2].key in unquote(at.answer["Scan-Says"]) and "Scratched." in unquote(at.answer["Scan-Says"])


def test_a_panel_goes_through_where_one_scan_is_all(plant: Plant, client: Client) -> None:
    plant.insertion.scan_mode = ScanMode.LOOSE
    plant.insertion.save()
    boards = plant.boards(2)
    plant.do(make_panel, 1, key="P-1", part=panel_part(plant), boards=list(enumerate(boards, 1)))
    at = AtStation(client, "INSERT")
    at.scan("P-1")
    assert (at.says, at.word) == ("go", "Go") and results(boards) == ["none", "none"]
    at.scan("FAILED")
    assert (at.word, results(boards)) == ("Failed", ["failed", "failed"])
    at.scan("PASSED")
    at.scan("P-1")
    assert at.word == "Passed" and passes() == [
        *[(board.key, "failed") for board in boards], *[(board.key, "passed") for board in boards]
    ]  # fmt: skip
    assert "P-1 is due for step 20 Step 20, at TEST." in at.text


def test_a_rack_takes_the_counts_of_all_its_units(client: Client) -> None:
    plant = Plant(counts_cycles=True)
    client.force_login(make_user("olga", roles=[Role.OPERATOR]))
    boards = plant.boards(3)
    it = plant.do(define_rack, key="RACK-1", slots=20, ordered=True)
    for board in boards:
        plant.do(put_in_rack, 1, rack=it, unit=board)
    at = AtStation(client, "INSERT")
    at.scan("RACK-1", position="40")
    assert at.says == "go", at.text
    assert [(one.first, one.last) for one in Pass.objects.order_by("pk")] == [(40, 40), (41, 41), (42, 42)]
    assert 'value="43"' in at.html


# Parts of the page ---------------------------------------------------------------------------------------------------


def test_what_the_answer_left_out_is_fetched_afterwards(at: AtStation, plant: Plant, client: Client) -> None:
    (board,) = plant.boards()
    at.scan(board.key)
    asked = {"HX-Request": "true", "HX-Target": "work"}
    part = client.get(f"/station/INSERT/?unit={board.key}", headers=asked).content.decode()
    assert part.lstrip().startswith('<div id="work">') and "R1, R2" in part and "<html" not in part
    asked["HX-Target"] = "home"
    at.press("passed")
    part = text_of(client.get(f"/station/INSERT/?after={board.key}", headers=asked).content.decode())
    assert part.startswith(f"{board.key} is due for step 20") and "SETUP for BOARD" in part


# Queries -------------------------------------------------------------------------------------------------------------

LIMIT = 15


def count(at: AtStation, told: str) -> int:
    """Statements of one scan, as a browser that keeps scans sends it: those apart that begin and end transactions."""
    remembered = dict(re.findall(r'name="(\w+)" form="scanning"[^>]*value="([^"]*)"', at.html))
    moment = f"{now():%Y-%m-%dT%H:%M:%S.%fZ}"
    headers = {"Kept-Id": f"scan-{told}-{at.says}-{len(passes())}", "Kept-At": moment, "Device-Time": moment}
    with CaptureQueriesContext(connection) as queries:
        at._take(at.client.post(at.address, {**remembered, "told": told}, headers=headers))
    assert at.says == "go", at.text
    assert at.html.lstrip().startswith('<section id="station"')
    return len([q for q in queries if not q["sql"].startswith(("BEGIN", "SAVEPOINT", "RELEASE", "COMMIT"))])


@pytest.mark.parametrize(
    "more",
    [{}, {"feeds": 12}, {"history": 10}, {"history": 8, "splices": 2}],
    ids=["least", "feeds", "history", "splices"],
)
def test_a_scan_in_or_out_asks_a_fixed_number_of_times(client: Client, db: None, more: dict[str, int]) -> None:
    """With all that lets somebody in, and what makes a scan that is sent again count once."""
    plant = plant_with(**more)
    client.force_login(make_user("olga", roles=[Role.OPERATOR]))
    (board,) = plant.boards()
    at = AtStation(client, "INSERT")
    assert max(count(at, board.key), count(at, "PASSED")) <= LIMIT


def test_a_scan_at_a_loose_station_asks_no_more(client: Client, db: None) -> None:
    plant = plant_with(mode=ScanMode.LOOSE, history=3)
    client.force_login(make_user("olga", roles=[Role.OPERATOR]))
    (board,) = plant.boards()
    at = AtStation(client, "INSERT")
    at.scan("PASSED")
    assert count(at, board.key) <= LIMIT
