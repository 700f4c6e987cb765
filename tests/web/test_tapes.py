"""Tapes' pages: the plan, the scan line of building and mounting, the strip, and how long feeds last."""

from __future__ import annotations

from decimal import Decimal

import pytest
from django.test import Client

from tests.factories import Plant, approve_substitute, make_part, moment
from tests.web.conftest import make_user
from tests.web.test_answers import rows_of, text_of
from trace.core.clock import OPEN
from trace.core.permissions import Role
from trace.core.secrecy import Secret
from trace.engineering.models import Placement
from trace.engineering.operations import issue_badge
from trace.floor.models import Pass
from trace.floor.operations.feeds import fill_by_hand, load_feed
from trace.floor.operations.passes import record_passes
from trace.floor.operations.tapes import load_head, resume_tape, stop_tape
from trace.holds.operations import place_holds
from trace.material.models import Container, Feed, FeedRecord, Manner, Mount, SetUp, Span, Tape, TapeReading
from trace.material.operations.inspection import InspectionRow, set_inspection
from trace.material.operations.setups import finish_tape, start_tape
from trace.web.strip import draw_strip, runs_of

pytestmark = pytest.mark.django_db

SEQUENCE = ["R1", "C1", "R2"]
HEADS = {"A": (0, ["R1", "R2"]), "B": (3, ["C1"])}


@pytest.fixture
def plant(db: None) -> Plant:
    plant = Plant()
    plant.do(start_tape, 1, key="T1", assembly=plant.board, sequence=SEQUENCE, heads=HEADS, board_sets=20)
    plant.reel("RA", quantity=500)
    plant.reel("CA", plant.capacitor, quantity=60)
    return plant


def say(visitor: Client, *texts: str, page: str = "/tapes/T1/build/") -> str:
    """Scan one text after the other, each on the page that the one before led to; what the last page says."""
    where, body = page, ""
    for text in texts:
        response = visitor.post(where, {"told": text}, follow=True)
        where = response.redirect_chain[-1][0] if response.redirect_chain else where
        body = text_of(response.content.decode())
    return body


# The plan -------------------------------------------------------------------------------------------------------------

PLAN = "/tapes/new/?part=BOARD&step=10&board_sets=200&heads=5&spacing=3"


def test_the_plan_says_what_is_short_and_begins_a_tape(visitor: Client, plant: Plant) -> None:
    page = text_of(visitor.get(PLAN).content.decode())
    assert (
        "200 board sets for BOARD: 3 components to a set from 2 heads, 0 changes to expect, and 1 part short." in page
    )
    rows = rows_of(visitor.get(f"{PLAN}&csv=heads"))
    assert [(row["Head"], row["Part"], row["Serves"], row["Wanted"], row["Short"]) for row in rows] == [
        ("H01", "RES", "R1, R2", "400", ""),
        ("H02", "CAP", "C1", "200", "140"),
    ]
    assert visitor.post(PLAN, {"key": "T1"}).status_code == 409, "the key is in use"
    assert visitor.post(PLAN, {"key": "new-1", "station": "NOWHERE"}).status_code == 404
    response = visitor.post(PLAN, {"key": "new-1", "station": "INSERT"})
    assert response["Location"] == "/tapes/NEW-1/build/"
    assert "Built at INSERT" in text_of(visitor.get("/tapes/NEW-1/").content.decode())
    lines = SetUp.objects.get(key="NEW-1-SETUP").lines.order_by("link")
    assert list(lines.values_list("designator", "feed__key")) == [
        ("R1", "NEW-1-H01"), ("R2", "NEW-1-H01"), ("C1", "NEW-1-H02"),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ("part=NONE&board_sets=5&heads=5&spacing=3", "No assembly has the key NONE."),
        ("part=RES&board_sets=5&heads=5&spacing=3", "No assembly has the key RES."),
        ("part=BOARD&board_sets=x&heads=5&spacing=3", "The number of board sets is missing or no number."),
        ("part=BOARD&board_sets=5&heads=1&spacing=3", "The order needs 2 parts, and the sequencer has 1 heads."),
        ("part=BOARD&step=20&board_sets=5&heads=1&spacing=3", "Nothing is inserted from a tape here."),
    ],
)
def test_a_plan_that_can_not_be_says_why(visitor: Client, plant: Plant, wrong: str, words: str) -> None:
    response = visitor.get(f"/tapes/new/?{wrong}")
    assert response.status_code >= 400 and words in text_of(response.content.decode())
    assert Tape.objects.count() == 1


def test_a_planner_plans_and_does_not_begin(client: Client, plant: Plant) -> None:
    client.force_login(make_user("pat", [Role.PLANNER]))
    page = client.get(PLAN).content.decode()
    assert "Which part on which head" in page and "Key of the new tape" not in page
    assert client.post(PLAN, {"key": "NEW-1"}).status_code == 403


# Building -------------------------------------------------------------------------------------------------------------


def test_a_tape_is_built_by_what_is_scanned(visitor: Client, plant: Plant) -> None:
    assert "Scan head A, then a container of RES" in text_of(visitor.get("/tapes/T1/build/").content.decode())
    assert "Head A takes RES Res. Scan its container. Take first: RA" in say(visitor, "A")
    assert "Let it run: GO" in say(visitor, "a", "RA", "T1-B", "CA")
    assert "It runs." in say(visitor, "go")
    assert "It stands at board set 8: run out." in say(visitor, "STOP 8.0 run out")
    plant.reel("RB")
    page = say(visitor, "A", "SPLICE 4 0")
    assert "Scan the container that is spliced on head A, 4 parts before the pick-up." in page
    say(visitor, "A", "SPLICE 4 0", "RB")
    record = FeedRecord.objects.get(act="splice")
    assert (record.first, record.last, record.lead, record.tolerance) == (8, 8, 4, 0)
    say(visitor, "GO", "B", "EMPTY 9")
    assert "To fill by hand: C1 of board set 9." in text_of(visitor.get("/tapes/T1/build/").content.decode())
    assert "C1 of board set 9 is empty" in say(visitor, "FINISH 20")
    plant.reel("CB", plant.capacitor)
    say(visitor, "B", "FILL 9", "CB")
    assert "It is finished: 20 board sets. Take off what is left: scan head A." in say(visitor, "FINISH 20")


def test_an_approved_substitute_is_offered_after_the_part_itself(visitor: Client, plant: Plant) -> None:
    """Where it is approved at every place of the head."""
    other = make_part("RES-OTHER")
    plant.reel("SA", other, quantity=100)
    approve_substitute(plant.board, "R1", other)
    assert "Take first: RA, SA" in say(visitor, "A")
    assert "Take first: CA" in say(visitor, "B")
    plant.do(place_holds, 2, targets=[Container.objects.get(key="RA")], reason="doubtful")
    assert "Take first: SA" in say(visitor, "A")


def test_products_without_placements_are_not_offered_for_a_tape(visitor: Client, plant: Plant) -> None:
    page = visitor.get("/tapes/new/").content.decode()
    assert 'value="BOARD"' in page and 'value="PRODUCT"' not in page
    Placement.objects.create(assembly=plant.product, designator="F1", number=1, x=1, y=1, rotation=0, side="top")
    assert 'value="PRODUCT"' in visitor.get("/tapes/new/").content.decode()


def test_what_is_left_is_taken_off_under_its_own_label_or_a_new_one(visitor: Client, plant: Plant) -> None:
    say(visitor, "A", "RA", "B", "CA", "GO", "STOP 8")
    plant.reel("RB")
    say(visitor, "A", "SPLICE 900 0", "RB", "GO", "FINISH 20")
    assert "scan head B" in say(visitor, "A", "REST-1"), "a part of RA, and all of RB"
    assert Container.objects.get(key="REST-1").sources.count() == 2
    assert "Nothing is left to do here." in say(visitor, "B", "CA")
    assert Container.objects.get(key="CA").sources.count() == 0, "nothing else was on its head"
    left = Span.objects.filter(feed__axis__tape__key="T1", end=OPEN, superseded=None)
    assert set(left.values_list("container", flat=True)) == {None}


def test_what_is_left_goes_into_the_reel_whose_label_it_bears(visitor: Client, plant: Plant) -> None:
    say(visitor, "A", "RA", "B", "CA", "GO", "STOP 8")
    plant.reel("RB")
    say(visitor, "A", "SPLICE 900 0", "RB", "GO", "FINISH 20", "A", "RB")
    sources = Container.objects.get(key="RB").sources.filter(superseded=None)
    assert set(sources.values_list("source__key", flat=True)) == {"RA"}


@pytest.mark.parametrize(
    ("texts", "words"),
    [
        (["RA"], "No head was scanned."),
        (["A", "CA"], "CA holds CAP, which does not belong at R1 of BOARD."),
        (["A", "CB-1"], "Nothing is called CB-1, and no head of T1."),
        (["INSERT"], "INSERT is a station, and no head of T1."),
        (["A.X"], "The check character of A should be"),
        (["?"], "“?” is no label."),
        (["GO"], "Head A has nothing known on it."),
        (["STOP"], "The board set is missing or no number."),
        (["STOP 3.x low"], "The link is missing or no number."),
        (["SPLICE"], "A number of parts is missing or no number."),
        (["A", "EMPTY 3"], "Head A serves several places."),
        (["EMPTY 3"], "No head was scanned."),
        (["VALUE 3"], "No head was scanned."),
        (["A", "VALUE x"], "“x” is no value."),
        (["A", "VALUE nan"], "“nan” can't be kept."),
        (["PITCH"], "“” is no value."),
        (["FINISH"], "The count of board sets is missing or no number."),
        (["ABORT 3"], "Say why the tape is given up."),
    ],
)
def test_what_can_not_be_done_is_refused_with_what_to_do(visitor: Client, plant: Plant, texts, words) -> None:
    page = say(visitor, *texts)
    assert words in page.replace("’", "'") or words in page
    assert not FeedRecord.objects.exists()


def test_what_stands_in_the_address_is_not_trusted(visitor: Client, plant: Plant) -> None:
    for query in ("head=A&how=splice&lead=x", "head=A&how=fill", "head=A&value=x"):
        response = visitor.post(f"/tapes/T1/build/?{query}", {"told": "RA"})
        assert response.status_code == 409, query
    assert visitor.get("/tapes/T1/build/?head=Z&how=splice").status_code == 200


def test_a_value_goes_before_the_container_or_with_what_is_on(visitor: Client, plant: Plant) -> None:
    limits = {"unit_of_measure": "ohm", "lower": Decimal(95), "upper": Decimal(105)}
    plant.do(set_inspection, part=plant.resistor, rows=[InspectionRow("resistance", Manner.EVERY, **limits)])
    assert "resistance is 94 ohm; it must be between 95 and 105" in say(visitor, "A", "VALUE 94", "RA")
    say(visitor, "A", "VALUE 99,5", "RA")
    assert TapeReading.objects.get().good
    say(visitor, "B", "CA", "GO", "A", "VALUE 106")
    page = text_of(visitor.get("/tapes/T1/build/").content.decode())
    assert "Nobody read yet at which board set." in page and "Say at which board set it stands" in page
    assert "It runs" not in say(visitor, "GO")
    say(visitor, "PITCH radial 254.9")
    assert TapeReading.objects.order_by("-pk")[0].good
    assert "It was given up: out of order." in say(visitor, "ABORT 3 out of order")


def test_a_badge_at_a_device_changes_the_operator(visitor: Client, plant: Plant) -> None:
    issue_badge(person=plant.ann, code=Secret("BADGE-77"), pin=Secret("4071"), by=plant.ann, at=moment(1))
    assert visitor.post("/tapes/T1/build/", {"told": "BADGE-77"})["Location"] == "/scan/?q=BADGE-77"
    assert visitor.post("/tapes/T1/mount/", {"told": "BADGE-77"})["Location"] == "/scan/?q=BADGE-77"


# Mounting -------------------------------------------------------------------------------------------------------------


@pytest.fixture
def finished(plant: Plant) -> Plant:
    for head, reel in (("A", "RA"), ("B", "CA")):
        feed, container = Feed.objects.get(key=f"T1-{head}"), Container.objects.get(key=reel)
        plant.do(load_head, 2, feed=feed, container=container)
    plant.do(resume_tape, 3, tape=Tape.objects.get())
    plant.do(finish_tape, 9, tape=Tape.objects.get(), board_sets=20)
    return plant


MOUNT = "/tapes/T1/mount/"


def test_a_tape_goes_on_and_comes_off_by_scan(visitor: Client, finished: Plant) -> None:
    (board,) = finished.boards(1)
    assert "Scan the machine." in text_of(visitor.get(MOUNT).content.decode())
    assert "Machine and board are not scanned yet." in say(visitor, "0", page=MOUNT)
    assert "CAP is neither a machine nor anything that is built." in say(visitor, "CAP", page=MOUNT)
    assert "builds BOARD. Type the next board set" in say(visitor, "INSERT", board.order.key, page=MOUNT)
    say(visitor, "BOARD", "INSERT", "2 leader crushed", page=MOUNT)
    mount = Mount.objects.get()
    assert (mount.first, mount.reason, mount.station.key) == (2, "leader crushed", "INSERT")
    page = text_of(visitor.get("/stations/INSERT/").content.decode())
    assert "Tape on it T1 lasts 20 boards" in page
    assert "mounted" in [row["State"] for row in rows_of(visitor.get("/tapes/?csv=tapes"))]
    page = say(visitor, "5", page=MOUNT)
    mount.refresh_from_db()
    assert mount.end == 5
    assert "the next board set was 5 on the tape, and 2 by the boards that were drawn" in page
    assert "and 2 by the boards that were drawn" in text_of(visitor.get("/tapes/T1/").content.decode())


def test_a_slipped_count_is_corrected_on_the_page(visitor: Client, client: Client, finished: Plant) -> None:
    (board,) = finished.boards(1)
    told = {"positions": [(4, 4)], "setup": SetUp.objects.get(axis__tape__key="T1"), "entered": moment(11)}
    finished.do(record_passes, 12, units=[board], station=finished.insertion, **told)
    sent = {"good": "3", "found": "4", "slip": "1", "reason": "one skipped"}
    assert "A number is missing." in text_of(visitor.post(MOUNT, {**sent, "slip": "?"}).content.decode())
    assert visitor.post(MOUNT, sent).status_code == 302
    assert Pass.objects.get(superseded=None).first == 5
    client.force_login(make_user("op", [Role.OPERATOR]))
    assert "had slipped" not in client.get(MOUNT).content.decode()
    assert client.post(MOUNT, sent).status_code == 403


# The strip ------------------------------------------------------------------------------------------------------------


def test_runs_are_cut_where_candidates_change() -> None:
    a, b = Container(pk=1, key="A"), Container(pk=2, key="B")
    spans = [Span(first=0, end=9, container=a), Span(first=7, end=OPEN, container=b)]
    assert [(run.sets, run.words) for run in runs_of(spans, 12)] == [("0–6", "A"), ("7–8", "A or B"), ("9–11", "B")]
    assert [(run.sets, run.words) for run in runs_of([Span(first=0, end=99, container=None)], 12)] == [
        ("0–11", "unknown")
    ]
    assert [(run.sets, run.words) for run in runs_of([], 2)] == [("0–1", "")]


def test_the_strip_and_its_table_say_the_same(visitor: Client, plant: Plant) -> None:
    tape, a = Tape.objects.get(), Feed.objects.get(key="T1-A")
    plant.do(load_head, 2, feed=a, container=Container.objects.get(key="RA"))
    plant.do(load_head, 2, feed=Feed.objects.get(key="T1-B"), container=Container.objects.get(key="CA"))
    plant.do(resume_tape, 3, tape=tape)
    plant.do(stop_tape, 4, tape=tape, board_set=8, reason="run out")
    plant.do(load_head, 5, feed=a, container=plant.reel("RB", lot="BAD"))
    plant.do(fill_by_hand, 6, feed=a, container=plant.reel("RC"), board_set=3)
    strip = draw_strip(tape, "BAD")
    assert [(block.words, block.pattern, block.suspect) for block in strip.blocks if block.words.startswith("R1")] == [
        ("R1, head A, board sets 0–2: RA", "0", False),
        ("R1, head A, board set 3: RA or RC", "several", False),
        ("R1, head A, board sets 4–7: RA", "0", False),
        ("R1, head A, board set 8: RA or RB", "several", True),
        ("R1, head A, board sets 9–19: RB", "2", True),
    ]
    assert strip.hit == 12 and [sign.kind for sign in strip.signs] == ["hand", "hand"]
    rows = rows_of(visitor.get("/tapes/T1/?suspect=bad&csv=strip"))
    assert [(row["Board sets"], row["Container"], row["Suspect"]) for row in rows if row["Head"] == "T1-A"] == [
        ("0–2", "RA", "no"),
        ("3", "RA or RC", "no"),
        ("4–7", "RA", "no"),
        ("8", "RA or RB", "suspect"),
        ("9–19", "RB", "suspect"),
    ]
    page = visitor.get("/tapes/T1/?suspect=BAD").content.decode()
    assert "Suspect BAD may be in" in page and " style=" not in page and '<a href="/containers/RB/"' in page
    assert "Nothing of NONE is on it." in text_of(visitor.get("/tapes/T1/?suspect=NONE").content.decode())


def test_what_is_drawn_grows_with_the_runs_not_with_the_board_sets(plant: Plant) -> None:
    long = plant.do(start_tape, 1, key="T2", assembly=plant.board, sequence=SEQUENCE, heads=HEADS, board_sets=5000)
    assert len(draw_strip(long).blocks) == len(draw_strip(Tape.objects.get(key="T1")).blocks) == 3
    assert len(draw_strip(long).ticks) <= 21


# How long feeds last --------------------------------------------------------------------------------------------------


def test_how_long_feeds_last_stands_on_pages_and_in_the_api(visitor: Client, plant: Plant) -> None:
    """Three boards took two of 100 each, one every two minutes: 94 are left, for 47 boards or 94 minutes."""
    plant.do(load_feed, 1, feed=plant.slot_r, container=plant.reel("RX", quantity=100))
    for n, board in enumerate(plant.boards(3)):
        plant.run(board, plant.insertion, 10 + 2 * n, 11 + 2 * n)
    rows = rows_of(visitor.get("/stations/INSERT/?csv=feeds"))
    assert {row["Feed"]: row["Lasts"] for row in rows} == {"SLOT-R": "47 boards, 94 minutes", "SLOT-C": ""}
    assert "Lasts 47 boards, 94 minutes" in text_of(visitor.get("/feeds/SLOT-R/").content.decode())
    assert "47 boards, 94 minutes" in text_of(visitor.get("/set-ups/SETUP/").content.decode())
    answer = visitor.get("/api/v1/run-outs/INSERT/").json()
    assert answer == {
        "station": "INSERT",
        "minutes_per_board": 2.0,
        "feeds": [{"feed": "SLOT-R", "at_least": 47, "at_most": 47, "minutes": 94}],
    }
    assert visitor.get("/api/v1/run-outs/NONE/").status_code == 404
