"""A sheet of paper is typed in after an outage: in its order, as of its times, once."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.test import Client
from django.utils import timezone

from tests.factories import Plant, make_person, make_station, ticks
from tests.web.conftest import make_user
from tests.web.test_answers import text_of
from trace.core.clock import from_ticks, now, to_ticks
from trace.core.permissions import Role
from trace.engineering.models import Characteristic, Part, Site
from trace.engineering.operations import define_qualification
from trace.floor.models import Pass, Reading, Unit
from trace.floor.operations.aliases import replace_label
from trace.floor.operations.passes import start_pass
from trace.holds.operations import place_holds
from trace.ledger.models import Event

pytestmark = pytest.mark.django_db

DAY = "2026-03-02"


class Desk:
    """A supervisor who has the sheet of the test station, and boards that were due there since 06:10."""

    def __init__(self) -> None:
        self.plant, self.client = Plant(), Client()
        self.chief = make_user("chief", roles=[Role.SUPERVISOR])
        self.client.force_login(self.chief)
        self.bob = make_person("BOB", roles=[Role.OPERATOR])
        self.boards = self.plant.boards(4, minute=1)
        for minute, board in enumerate(self.boards, 2):
            self.plant.run(board, self.plant.insertion, minute, minute + 0.5)

    def line(self, board: Unit, into: str, out: str, **more: str) -> dict[str, str]:
        return {"unit": board.key, "entered": into, "out": out, "result": "passed", "within": "5", **more}

    def send(self, *lines: dict[str, str], form: str = "f1", station: str = "TEST", **more: Any) -> Any:
        told = {f"{name}-{number}": text for number, line in enumerate(lines, 1) for name, text in line.items()}
        return self.client.post(
            f"/station/{station}/paper/", {"form": form, "sheet": "S-1", "day": DAY, "what": "all", **told, **more}
        )

    def passes(self) -> list[Pass]:
        return list(Pass.objects.filter(station=self.plant.test, superseded=None).order_by("scanned_out"))


@pytest.fixture
def desk(db: None) -> Desk:
    return Desk()


def test_lines_are_recorded_as_of_their_times_and_by_who_did_them(desk: Desk) -> None:
    Site.objects.update(zone="Europe/Vienna")  # an hour ahead of UTC in March
    one, two, *_ = desk.boards
    lines = [
        desk.line(one, "720", "7.24", doer="bob"),
        desk.line(two, "07:25", "07:29", result="failed", within="2"),
    ]
    answer = desk.send(*lines)
    assert answer.status_code == 302, text_of(answer.content.decode())
    first, second = desk.passes()
    assert [f"{from_ticks(t or 0):%H:%M}" for t in (first.scanned_in, first.scanned_out)] == ["06:20", "06:24"]
    assert (first.unit, first.by, first.error, first.outcome) == (one, desk.bob, 300_000_000, "passed")
    assert (second.by, second.error, second.outcome) == (desk.chief.person, 120_000_000, "failed")
    assert to_ticks(now()) - first.recorded < 60_000_000, "and when that was recorded stands beside it"
    event = Event.objects.filter(verb="record_passes").earliest("pk")
    assert event.by == desk.chief.person and "person:BOB" in event.payload
    page = text_of(desk.client.get(answer.url).content.decode())
    assert "2 lines of the sheet are recorded" in page
    assert 'value="S-1"' in desk.client.get(answer.url).content.decode()


def test_sent_twice_it_is_recorded_once(desk: Desk) -> None:
    one, two, *_ = desk.boards
    lines = [desk.line(one, "06:20", "06:24"), desk.line(two, "06:25", "06:29", result="failed")]
    for _ in range(3):
        assert desk.send(*lines).status_code == 302
    assert len(desk.passes()) == 2
    # A unit that failed may pass the step again, but not by the same line sent again.
    assert desk.send(desk.line(two, "06:35", "06:39"), form="f2").status_code == 302
    assert [entry.outcome for entry in desk.passes()] == ["passed", "failed", "passed"]


def test_a_unit_is_written_down_by_the_label_that_took_the_place_of_another(desk: Desk) -> None:
    board = desk.boards[0]
    label = desk.plant.do(replace_label, 5, unit=board, reason="burnt").text
    assert desk.send({**desk.line(board, "06:20", "06:24"), "unit": label}).status_code == 302
    assert [entry.unit for entry in desk.passes()] == [board]


def test_each_line_says_what_is_wrong_with_it_and_nothing_typed_is_lost(desk: Desk) -> None:
    one, two, three, four = desk.boards
    wrong = [
        (desk.line(two, "06:40", ""), "When it came out is missing."),
        (desk.line(two, "06:41", "never"), "“never” is no time of day."),
        ({**desk.line(two, "06:42", "06:43"), "unit": "SN-9999"}, "No unit has the serial SN-9999."),
        ({**desk.line(two, "06:44", "06:45"), "unit": ""}, "Which unit it was is missing."),
        (desk.line(two, "06:46", "06:47", within="some"), "Within how many minutes the times are known is missing."),
        (desk.line(two, "06:48", "06:49", doer="NOBODY"), "Nobody has the key NOBODY."),
        (desk.line(two, "06:50", "06:49"), "The scan in lies after the scan out."),
        (desk.line(one, "06:51", "06:52"), "has no step left on its route"),
        (desk.line(two, "", "06:53"), "a pass there needs the scan in as well"),
        (desk.line(two, "06:54", "06:55", result="splendid"), "is not an outcome"),
    ]
    lines = [desk.line(one, "06:20", "06:24"), *(line for line, _ in wrong), desk.line(three, "06:56", "06:58")]
    answer = desk.send(*lines)
    page = text_of(answer.content.decode())
    assert answer.status_code == 409 and "Nothing was recorded yet; look at lines 2, 3, 4" in page
    assert not desk.passes() and not Event.objects.filter(verb="record_passes").exists()
    for number, (_, words) in enumerate(wrong, 2):
        assert words in page and f"Line {number}:" in page, words
    for text in ("never", "SN-9999", "some", "NOBODY", "06:50", three.key):
        assert f'value="{text}"' in answer.content.decode()
    assert "Record the other 2 lines as they stand" in page
    # The others are recorded; what is wrong stays, and what is recorded is not recorded again.
    answer = desk.send(*lines, what="rest")
    page = answer.content.decode()
    assert answer.status_code == 409 and "2 lines recorded; look at lines 2, 3" in text_of(page)
    assert [entry.unit for entry in desk.passes()] == [one, three]
    assert page.count('name="recorded"') == 2 and "SN-9999" in page
    lines[1:11] = [desk.line(four, "06:56", "06:59")] + [dict.fromkeys(lines[0], "")] * 9
    answer = desk.send(*lines, sheet="", recorded=["1", "12"])
    assert answer.status_code == 302, text_of(answer.content.decode())
    assert [entry.unit for entry in desk.passes()] == [one, three, four]


def test_lines_follow_each_other_in_their_order(desk: Desk) -> None:
    one, two = desk.plant.boards(2, minute=5)
    lines = [desk.line(one, "06:30", "06:34"), desk.line(two, "06:20", "06:24")]
    answer = desk.send(*lines, station="INSERT")
    assert "Line 2: Sheet S-1 goes on after that moment." in text_of(answer.content.decode())
    assert not Pass.objects.filter(unit__in=[one, two]).exists()
    assert desk.send(*reversed(lines), station="INSERT").status_code == 302
    assert set(Pass.objects.filter(unit__in=[one, two]).values_list("sheet", flat=True)) == {"S-1"}


def test_what_would_not_count_as_passed_is_asked_about(desk: Desk) -> None:
    one, two, *_ = desk.boards
    solder = desk.plant.do(define_qualification, key="TESTER", name="to test")
    desk.plant.board.steps.filter(number=20).update(qualification=solder)
    told = [desk.line(one, "06:20", "06:24", doer="BOB")]
    answer = desk.send(*told)
    page = text_of(answer.content.decode())
    assert "Line 1 would be recorded as done, but not as passed:" in page and "Bob" in page and not desk.passes()
    answer = desk.send(*told, what="rest")
    assert "1 line recorded" not in page and answer.status_code == 302
    (entry,) = desk.passes()
    assert (entry.outcome, entry.by) == ("aborted", desk.bob)


def test_a_unit_that_went_in_by_scan_comes_out_by_paper(desk: Desk) -> None:
    board = desk.boards[0]
    desk.plant.do(start_pass, 15, unit=board, station=desk.plant.test)
    for _ in range(2):
        assert desk.send(desk.line(board, "06:15", "06:24")).status_code == 302
    (entry,) = desk.passes()
    assert (entry.scanned_in, entry.scanned_out, entry.outcome) == (ticks(15), ticks(24), "passed")


def test_what_went_in_by_scan_keeps_the_order_of_its_sheet_and_who_may_be_named(desk: Desk) -> None:
    one, two = desk.plant.boards(2, minute=5)
    desk.plant.do(start_pass, 15, unit=one, station=desk.plant.insertion)
    assert desk.send(desk.line(one, "", "06:24", doer="BOB"), station="INSERT").status_code == 302
    assert Pass.objects.get(unit=one, superseded=None).sheet == "S-1"
    event = Event.objects.filter(verb="finish_pass").latest("pk")
    assert event.by == desk.chief.person and "person:BOB" in event.payload
    answer = desk.send(desk.line(two, "06:18", "06:20"), station="INSERT", form="f2")
    assert "Line 1: Sheet S-1 goes on after that moment." in text_of(answer.content.decode())
    auditor = make_person("AUD", roles=[Role.AUDITOR])
    desk.plant.do(start_pass, 30, unit=two, station=desk.plant.insertion)
    answer = desk.send(desk.line(two, "", "06:40", doer=auditor.key), station="INSERT", form="f3")
    assert "Aud does no work at stations." in text_of(answer.content.decode())


def test_what_was_read_is_entered_with_its_line(desk: Desk) -> None:
    told = {"part": desk.plant.board, "step_number": 20}
    Characteristic.objects.create(name="Supply current", unit_of_measure="mA", lower=10, upper=15, number=1, **told)
    Characteristic.objects.create(name="Solder joints", judge="the operator", number=2, **told)
    one, two, three, _ = desk.boards
    page = text_of(desk.client.get("/station/TEST/paper/").content.decode())
    assert "Supply current, between 10 and 15 mA; Solder joints, good, says the operator" in page
    lines = [
        desk.line(one, "06:20", "06:24", read="12.5; good", doer="BOB"),
        desk.line(two, "06:25", "06:29", read="12; not good", result="failed"),
        desk.line(three, "06:30", "06:34", read="many; good"),
    ]
    answer = desk.send(*lines)
    assert "Line 3:" in text_of(answer.content.decode()) and not Reading.objects.exists()
    lines[2]["read"] = "12; good; 7"
    assert "3 readings stand there" in text_of(desk.send(*lines).content.decode())
    for _ in range(2):
        assert desk.send(*lines[:2]).status_code == 302
    assert [entry.outcome for entry in desk.passes()] == ["passed", "failed"]
    read = Reading.objects.order_by("pk").values_list("unit__key", "value", "good", "judge__key", "happened")
    assert [(key, good, judge, at) for key, _, good, judge, at in read] == [
        (one.key, True, None, ticks(24)), (one.key, True, "BOB", ticks(24)),
        (two.key, True, None, ticks(29)), (two.key, False, "U-CHIEF", ticks(29)),
    ]  # fmt: skip


def test_what_was_held_then_is_refused(desk: Desk) -> None:
    board = desk.boards[0]
    desk.plant.do(place_holds, 10, targets=[board], reason="Burnt.")
    answer = desk.send(desk.line(board, "06:20", "06:24"))
    assert "Burnt." in text_of(answer.content.decode())


def test_an_operator_enters_what_they_did_themselves_alone(desk: Desk) -> None:
    one, two, *_ = desk.boards
    ann = make_user("op", roles=[Role.OPERATOR])
    desk.client.force_login(ann)
    answer = desk.send(desk.line(one, "06:20", "06:24", doer="BOB"))
    assert "U-Op can’t enter what Bob did." in text_of(answer.content.decode())
    assert desk.send(desk.line(one, "06:20", "06:24"), desk.line(two, "06:25", "06:29", doer="U-OP")).status_code == 302
    assert {entry.by for entry in desk.passes()} == {ann.person}
    desk.client.force_login(desk.chief)
    auditor = make_person("AUD", roles=[Role.AUDITOR])
    answer = desk.send(desk.line(desk.boards[2], "06:40", "06:44", doer=auditor.key), form="f2")
    assert "Aud does no work at stations." in text_of(answer.content.decode())
    gone = make_person("GONE", roles=[Role.OPERATOR])
    gone.retired = from_ticks(desk.passes()[0].scanned_out or 0)
    gone.save()
    answer = desk.send(desk.line(desk.boards[2], "06:40", "06:44", doer="GONE"), form="f3")
    assert "Gone was no longer here then." in text_of(answer.content.decode())


def test_tomorrow_is_not_known_yet_and_an_empty_sheet_is_no_sheet(desk: Desk) -> None:
    tomorrow = f"{timezone.localdate(now()) + timedelta(days=2)}"
    answer = desk.send(desk.line(desk.boards[0], "06:20", "06:24"), day=tomorrow)
    assert "is still to come" in text_of(answer.content.decode())
    assert "No line was filled in." in text_of(desk.send().content.decode())
    assert desk.send(desk.line(desk.boards[0], "06:20", "06:24"), day="soon").status_code == 400
    assert desk.client.get("/station/NONE/paper/").status_code == 404


def test_where_cycles_are_counted_a_line_names_one(desk: Desk) -> None:
    station = make_station("PRESS", counts_cycles=True)
    Part.objects.get(key="BOARD").steps.get(number=20).stations.add(station)
    page = desk.client.get("/station/PRESS/paper/").content.decode()
    assert "cycle-1" in page and "cycle-1" not in desk.client.get("/station/TEST/paper/").content.decode()
    answer = desk.send(desk.line(desk.boards[0], "06:20", "06:24", cycle="many"), station="PRESS")
    assert "is no cycle count" in text_of(answer.content.decode())
