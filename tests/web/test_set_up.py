"""A station is set up by scans: what is changed over, verified, refused, approved."""

from __future__ import annotations

import re
from html import unescape

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from tests.factories import Plant, make_assembly, make_part, make_person
from trace.core.clock import now
from trace.core.keys import label_text
from trace.core.models import Person, User
from trace.engineering.models import Step
from trace.floor.models import FirstPiece
from trace.floor.operations.feeds import load_feed
from trace.floor.setups import summarise_bank
from trace.holds.operations import place_holds
from trace.material.models import FeedRecord, SetUp
from trace.material.operations.setups import define_feed

pytestmark = pytest.mark.django_db

PAGE = "/station/INSERT/set-up/"


class Handler:
    """Somebody with a scanner in front of the page, which keeps in its address what was scanned."""

    def __init__(self, client: Client, *roles: str) -> None:
        self.client, self.address, self.status = client, PAGE, 0
        person = make_person(f"H-{'-'.join(roles).upper()}", roles=roles)
        client.force_login(User.objects.create(username=person.key.lower(), person=person))

    def read(self) -> str:
        return words(self.client.get(self.address).content.decode())

    def scan(self, text: str, label: bool = True) -> str:
        return self.send(told=label_text(text) if label else text)

    def send(self, **sent: str) -> str:
        response = self.client.post(self.address, sent, follow=True)
        self.status = response.status_code
        if response.redirect_chain:
            self.address = response.redirect_chain[-1][0]
        return words(response.content.decode())


def words(page: str) -> str:
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]+>", " ", page.split("<main")[1].split("</main")[0])))


@pytest.fixture
def handler(client: Client) -> Handler:
    return Handler(client, "handler")


def loaded(**asks: object) -> Plant:
    """The tiny plant, a reel on either slot."""
    plant = Plant()
    Step.objects.filter(part=plant.board, number=10).update(**asks)
    plant.do(load_feed, 1, feed=plant.slot_r, container=plant.reel("REEL-R"))
    plant.do(load_feed, 1, feed=plant.slot_c, container=plant.reel("REEL-C", plant.capacitor))
    return plant


def test_a_bank_is_verified_by_a_walk_of_scans(handler: Handler) -> None:
    loaded(verification="another")
    page = handler.read()
    assert "BOARD Board is set up ( SETUP )" in page
    assert "Not verified: 2 of 2 feeds are still to be scanned, by another person than who loaded them" in page
    assert "Scan SLOT-C, then what is on it." in page
    assert "Scan what is on SLOT-C." in handler.scan("SLOT-C")
    page = handler.scan("REEL-C")
    assert "Seen, as on record." in page and "1 of 2 feeds" in page and "Scan SLOT-R, then what is on it." in page
    page = handler.scan("REEL-R")
    assert "It is verified." in page, "it is on one feed only, which need not be named"
    assert FeedRecord.objects.filter(act="sighting").count() == 2


def test_who_put_it_there_is_told_that_another_person_verifies_it(handler: Handler) -> None:
    plant = loaded(verification="another")
    plant.do(load_feed, 2, feed=plant.slot_r, container=plant.reel("OWN"), by=Person.objects.get(key="H-HANDLER"))
    assert "It is not verified by that: another person does that" in handler.scan("OWN")
    assert "It is not verified by that" not in handler.scan("REEL-C") and "1 of 2 feeds" in handler.read()


def test_what_is_found_different_is_told_and_recorded(handler: Handler) -> None:
    plant = loaded(verification="anybody")
    plant.reel("OTHER")
    handler.scan("SLOT-R")
    page = handler.scan("OTHER")
    assert "Stop. OTHER was found on SLOT-R, where something else is on record." in page
    assert FeedRecord.objects.get(act="found").container.key == "OTHER"
    assert "not seen" in page


def test_a_container_without_its_feed_is_refused_where_it_is_on_none(handler: Handler) -> None:
    plant = loaded()
    plant.reel("SPARE")
    assert "SPARE is on no feed of INSERT on record. Scan the feed first" in handler.scan("SPARE")
    assert handler.status == 409
    assert "Nothing is called NOWHERE" in handler.scan("NOWHERE")
    assert "TEST is a station: it is no feed of INSERT" in handler.scan("TEST")
    assert "The check character of SLOT-R should be" in handler.scan("SLOT-R.A", label=False)
    assert "Nothing is chosen to be built here next." in handler.scan("INSERT")
    assert "whole number" in handler.scan("COUNT many", label=False)
    assert "is no set-up in force here" in handler.scan("END X", label=False)
    assert "No feed was scanned" in handler.scan("USED UP", label=False)
    assert FeedRecord.objects.count() == 2


def test_a_changeover_by_scans(handler: Handler) -> None:
    """Another board takes the capacitor and a diode: the slot of the resistors is emptied and loaded with diodes."""
    plant = loaded()
    diode = make_part("DIODE")
    other = make_assembly("OTHER", places={"D1": diode, "C7": plant.capacitor}, route={10: [plant.insertion]})
    plant.reel("REEL-D", diode)
    (unit,) = plant.units(other, 1)
    page = handler.scan(unit.order.key)
    assert "OTHER Other is to be built here next." in page
    assert "End set-up SETUP of BOARD first: its feeds are needed." in page
    plant.do(define_feed, key="SLOT-X", station=plant.insertion)
    assert "Scan SLOT-X, then a container of DIODE Diode." in handler.read()
    assert "Scan a container of DIODE Diode." in handler.scan("SLOT-X")
    plant.reel("REEL-2")
    page = handler.scan("REEL-2")
    assert "REEL-2 holds RES. SLOT-X gives D1 of OTHER, which take DIODE. Take it away and fetch DIODE Diode." in page
    assert handler.status == 409 and FeedRecord.objects.count() == 2
    assert "D1 of OTHER has nothing in place yet." in handler.scan("INSERT")
    page = handler.scan("REEL-D")
    assert "Loaded." in page and "Everything is in place. Scan INSERT to start the set-up." in page
    page = handler.scan("INSERT")
    assert "The set-up is started." in page
    started = SetUp.objects.get(assembly=other)
    assert started.key == "INSERT-OTHER" and started.by.key == "H-HANDLER"
    assert {line.designator: line.feed.key for line in started.lines.all()} == {"C7": "SLOT-C", "D1": "SLOT-X"}
    assert SetUp.objects.get(key="SETUP").end > started.started, "both may be built here: they share what fits both"


def test_a_set_up_in_the_way_is_ended_and_what_it_had_taken_off(handler: Handler) -> None:
    plant = loaded()
    diode = make_part("DIODE")
    other = make_assembly("OTHER", places={"D1": diode}, route={10: [plant.insertion]})
    plant.reel("REEL-D", diode)
    from trace.floor.operations.changeovers import end_setup, start_setup
    from trace.floor.operations.feeds import take_off_feed

    # It was built here before, from the slot that the resistors have now.
    plant.do(end_setup, 2, setup=plant.setup)
    plant.do(take_off_feed, 3, feed=plant.slot_r)
    before = plant.do(start_setup, 4, key="O-1", station=plant.insertion, assembly=other, feeds={"D1": plant.slot_r})
    plant.do(end_setup, 5, setup=before)
    plant.do(load_feed, 6, feed=plant.slot_r, container=plant.reel("REEL-2"))
    feeds = {"R1": plant.slot_r, "R2": plant.slot_r, "C1": plant.slot_c}
    plant.do(start_setup, 7, key="B-2", station=plant.insertion, assembly=plant.board, feeds=feeds)

    page = handler.scan("OTHER")
    assert "End set-up B-2 of BOARD first: its feeds are needed." in page
    handler.scan("SLOT-R")
    assert "B-2 still serves BOARD here." in handler.scan("REEL-D")
    page = handler.scan("END B-2", label=False)
    assert "The set-up was ended." in page and "Take REEL-2 off SLOT-R: scan the feed, then it." in page
    handler.scan("SLOT-R")
    assert "REEL-2 is on SLOT-R on record. Scan it to take it off" in handler.scan("REEL-D")
    page = handler.scan("REEL-2")
    assert "Taken off." in page and "Scan a container of DIODE" in page
    handler.scan("REEL-D")
    page = handler.read()
    assert "take off, nothing needs it" in page, "the capacitors"
    handler.scan("SLOT-C")
    assert "Taken off." in handler.scan("REEL-C")
    assert "The set-up is started." in handler.scan("INSERT")
    assert SetUp.objects.filter(end__gt=2**52).get().assembly == other


def test_what_is_used_up_is_cleared(handler: Handler) -> None:
    plant = loaded()
    from trace.floor.operations.changeovers import end_setup

    other = make_assembly("OTHER", places={"D1": make_part("DIODE")}, route={10: [plant.insertion]})
    plant.do(end_setup, 2, setup=plant.setup)
    handler.scan(other.key)
    handler.scan("SLOT-R")
    page = handler.scan("USED UP", label=False)
    assert "On record as used up." in page and "Scan SLOT-R, then a container of DIODE" in page


def test_a_machine_that_counts_is_told_its_count_once(handler: Handler) -> None:
    plant = Plant(counts_cycles=True)
    other = make_assembly("OTHER", places={"C7": plant.capacitor}, route={10: [plant.insertion]})
    plant.reel("REEL-C", plant.capacitor)
    assert "Enter the machine’s cycle count." in handler.scan(other.key)
    page = handler.scan("COUNT 120", label=False)
    assert "Scan SLOT-C, then a container of CAP" in page, "it is empty, and what it gives the board fits here too"
    plant.do(define_feed, key="SLOT-X", station=plant.insertion)
    handler.scan("SLOT-X")
    assert "Everything is in place" in handler.scan("REEL-C")
    assert "The set-up is started." in handler.scan("INSERT")
    assert FeedRecord.objects.get().first == 120


def test_first_pieces_are_approved_or_rejected_by_who_may(client: Client) -> None:
    plant = loaded(first_piece=True)
    (board,) = plant.boards()
    plant.run(board, plant.insertion, 5, 6)
    page = Handler(client, "handler").read()
    assert f"First piece {board.key}" in page and "Ask a technician, a supervisor or a quality engineer" in page
    technician = Handler(client, "technician")
    piece = f"SETUP {board.key}"
    page = technician.send(piece=piece, do="reject_first_piece", reason="")
    assert "Say what is wrong with it." in page and not FirstPiece.objects.exists()
    assert "The first piece is rejected." in technician.send(
        piece=piece, do="reject_first_piece", reason="R1 is turned"
    )
    assert "That first piece was decided on." in technician.send(piece=piece, do="approve_first_piece")
    assert FirstPiece.objects.get().by.key == "H-TECHNICIAN"


def test_the_page_says_what_stops_and_what_runs_out(handler: Handler) -> None:
    plant = loaded()
    plant.do(load_feed, 3, feed=plant.slot_c, container=plant.reel("FEW", plant.capacitor, quantity=4))
    plant.do(place_holds, 4, targets=[plant.slot_r], reason="It jams.")
    page = handler.read()
    assert "not fit SLOT-R:" in page and "It jams." in page
    assert "low SLOT-C: call for material" in page


def test_the_summary_asks_as_often_for_many_feeds_as_for_few() -> None:
    def asked(plant: Plant) -> int:
        with CaptureQueriesContext(connection) as queries:
            bank = summarise_bank(plant.insertion, now())
        assert all(state.seen for state in bank.setups)
        return len(queries)

    plant = loaded(verification="another", first_piece=True)
    few = asked(plant)
    for n in range(10):
        feed = plant.do(define_feed, key=f"X-{n}", station=plant.insertion)
        plant.do(load_feed, 2, feed=feed, container=plant.reel(f"X-R{n}", quantity=100))
    assert asked(plant) == few


def test_who_may_not_load_is_told(client: Client) -> None:
    loaded()
    auditor = Handler(client, "auditor")
    assert "Set-up of INSERT" in auditor.read()
    auditor.scan("SLOT-R")
    assert "may not record what was found on a feed" in auditor.scan("REEL-R")
    assert client.get("/station/NOWHERE/set-up/").status_code == 404
