"""The report of a containment, read back from the PDF by another library (pypdfium2)."""

from __future__ import annotations

from decimal import Decimal

import pypdfium2
import pytest

from tests.approvals.signing import quality, sign_as
from tests.factories import Plant
from trace.approvals.models import Meaning
from trace.containment.models import Containment, Heading, Join
from trace.containment.open_points import list_open
from trace.containment.operations.alarms import add_term, close_containment, open_containment
from trace.containment.operations.decide import Group, decide_contained
from trace.containment.operations.remarks import write_remark
from trace.containment.operations.snapshots import take_snapshot
from trace.containment.operations.stop import stop_containment
from trace.containment.population import reckon
from trace.containment.rates import rates_of
from trace.containment.terms import Told
from trace.core.clock import OPEN, now_ticks
from trace.costing.claims import make_claim
from trace.costing.containments import summarise_ways
from trace.costing.rules import round_money
from trace.costing.spent import summarise_actuals
from trace.engineering.operations import set_costs
from trace.engineering.operations.master import PartCost
from trace.floor.operations.feeds import load_feed
from trace.labels.alarm_report import DISCIPLINES, list_sections, make_report, print_report

pytestmark = pytest.mark.django_db


def alarm() -> tuple[Plant, Containment]:
    plant = Plant()
    plant.do(load_feed, 1, feed=plant.slot_r, container=plant.reel("BAD", lot="LOT-7"))
    board, other = plant.boards(2)
    plant.finish(board, 2)
    plant.reel("MORE", lot="LOT-7")
    plant.do(load_feed, 10, feed=plant.slot_r, container=plant.reel("GOOD"))
    plant.finish(other, 11)
    it = plant.do(open_containment, 20, problem="Resistors drift after solder", evidence="board test")
    plant.do(add_term, 21, containment=it, joined=Join.ANY, told=Told("lot", "LOT-7"), evidence="returned board")
    plant.do(take_snapshot, 22, containment=it)
    plant.do(write_remark, 23, containment=it, heading=Heading.CAUSE, text="Moisture in the\nresistive layer")
    return plant, it


def words_of(it: Containment, *, eight: bool = False) -> str:
    report = make_report(it, reckon(it))
    paper = pypdfium2.PdfDocument(print_report(report, list(list_sections(report, costs=True)), eight=eight))
    words = " ".join(" ".join(sheet.get_textpage().get_text_bounded().split()) for sheet in paper)
    paper.close()
    return words


def test_the_report_says_what_is_on_record() -> None:
    plant, it = alarm()
    plant.do(set_costs, 24, parts=[PartCost(plant.resistor, Decimal(3))], stations=[])
    said = words_of(it)
    for words in (
        f"Containment {it.key}",
        "Resistors drift after solder",
        "Evidence: board test",
        "LOT-7",
        "What is suspect is in 1 unit: 1 certain, 0 possible. None has shipped.",
        "reel MORE",
        "Root cause",
        "Moisture in the",
        "decided by qualified people",
        "It is open.",
    ):
        assert words in said, words
    board = reckon(it).carriers[0].key
    assert said.count(board) == 2  # in the list of units, and among the open points
    assert f"Unit {board} is in the population and not held." in said
    population, rates = reckon(it), rates_of(it)
    ways, spent = summarise_ways(population, rates), summarise_actuals(population, it.opened, OPEN, rates)
    claim = make_claim(population, spent, ways.costs[ways.cheapest], rates)
    total = f"{round_money(claim.total, claim.currency):f}"
    assert claim.total > 0 and f"Together {total}" in said
    assert f"Of what was spent so far and of “{ways.cheapest.words}”, {total} EUR is claimed of the supplier." in said
    assert "What each way out would cost, EUR" in said and "The records go back to" in said


def test_open_points_that_are_alike_are_said_once() -> None:
    plant, it = alarm()
    plant.reel("MOST", lot="LOT-7")
    assert "2 containers are in the population and not held: MORE, MOST." in words_of(it)


def test_under_the_eight_disciplines_each_is_named_in_order() -> None:
    _, it = alarm()
    said = words_of(it, eight=True)
    places = [said.index(f"D{number} {name}") for number, name in DISCIPLINES.items()]
    assert places == sorted(places)
    assert said.index("D4") < said.index("Moisture in the") < said.index("D5")
    assert "Nothing is on record under this heading." in said


def test_signatures_are_printed_with_name_moment_and_meaning() -> None:
    """21 CFR 11.50(a), (b): on the printout too."""
    plant, it = alarm()
    points = list_open(it, reckon(it), now_ticks())
    left = f"{', '.join(point.key for point in points)}: seen, and in the cage."
    plant.do(close_containment, 30, containment=it, reason="All boards are found.", open_points=left)
    sign_as(plant.ann, it, 31, Meaning.APPROVED)
    it.refresh_from_db()
    said = words_of(it)
    for words in ("seen, and in the cage.", "All boards are found.", "approval", plant.ann.name):
        assert words in said, words


def test_who_only_signed_took_part_and_what_was_signed_is_among_the_deeds() -> None:
    plant, it = alarm()
    plant.do(stop_containment, 25, containment=it)
    one = plant.do(decide_contained, 26, containment=it, group=Group.CERTAIN, decision="scrap", reason="They drift.")
    signer = quality()
    sign_as(signer, one, 27)
    sections = {one.heading: one for one in list_sections(make_report(it, reckon(it)), costs=False)}
    (people,), (deeds,) = sections["Who took part"].tables, sections["What was done, and when"].tables
    assert [signer.key, signer.name] in [row[:2] for row in people.rows]
    assert [row[3] for row in deeds.rows if row[4] == signer.name] == [f"disposition {one.key}"]
