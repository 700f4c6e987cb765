"""The unit page, whole: as designed against as built, the tree by branch, as shipped, the equipment then, on paper."""

from __future__ import annotations

import re
from decimal import Decimal
from typing import Any

import pypdfium2
import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from tests.approvals.signing import approved, deviation, quality
from tests.factories import Plant, approve_substitute, make_part, moment
from tests.material.inspecting import box, planned, waiting
from tests.web.big import build_big
from tests.web.conftest import Suspects
from tests.web.test_answers import rows_of, text_of
from trace.engineering.equipment import CheckPiece
from trace.engineering.models import BomLine, Characteristic, Part
from trace.engineering.operations import (
    define_equipment,
    record_calibration,
    record_check,
    release_revision,
    revise_part,
)
from trace.floor.models import Fitting, Unit
from trace.floor.operations.conforming import conform_unit
from trace.floor.operations.corrections import void_fitting
from trace.floor.operations.feeds import load_feed
from trace.floor.operations.findings import find_empty, find_loose
from trace.floor.operations.fittings import fit_child, fit_part, remove_part
from trace.floor.operations.passes import finish_pass, start_pass
from trace.floor.operations.readings import record_readings
from trace.genealogy.backward import trace_backward
from trace.genealogy.compared import compare_with_design
from trace.ledger.models import Event

pytestmark = pytest.mark.django_db


def loaded(plant: Plant) -> Plant:
    plant.do(load_feed, 1, feed=plant.slot_r, container=plant.reel("R-A"))
    plant.do(load_feed, 1, feed=plant.slot_c, container=plant.reel("C-A", plant.capacitor))
    return plant


def matches(unit: Unit) -> dict[str, tuple[str, tuple[str, ...]]]:
    return {one.designator: (str(one.match), one.parts) for one in compare_with_design(trace_backward(unit))}


# As designed, and as built -------------------------------------------------------------------------------------------


def test_each_place_is_compared_with_the_revision_by_hand_made_examples(visitor: Client) -> None:
    plant = loaded(Plant())
    other = make_part("RES-B")
    draft = plant.do(revise_part, 2, part=plant.board, revision="B")
    approve_substitute(draft, "R1", other)
    new = plant.do(release_revision, 20, part=approved(draft))
    (board,) = plant.units(new, minute=21)
    assert matches(board) == dict.fromkeys(("R1", "R2", "C1"), ("nothing on record", ()))
    plant.do(fit_part, 22, unit=board, designator="R1", container=plant.reel("R-B", other), reason="as approved")
    plant.do(fit_part, 22, unit=board, designator="R2", container=box("R-A"), reason="by hand")
    plant.do(fit_part, 22, unit=board, designator="C1", container=box("C-A"), reason="by hand")
    plant.do(remove_part, 23, unit=board, designator="C1", reason="burnt")
    assert matches(board) == {
        "R1": ("substitute", ("RES-B",)), "R2": ("as designed", ("RES",)), "C1": ("missing", ())
    }  # fmt: skip
    page = text_of(visitor.get(f"/units/{board.key}/").content.decode())
    assert f"{board.key}, Board of order {board.order.key}, revision B, is" in page
    assert "Of its 3 places 1 is as designed, 1 has an approved substitute, 1 is empty." in page
    rows = {row["Place"]: row for row in rows_of(visitor.get(f"/units/{board.key}/?csv=design&design-differs="))}
    assert rows["R1"]["By what"].startswith(f"approved by {quality().key}")
    assert rows["C1"]["By what"] == "burnt"
    (row,) = rows_of(visitor.get(f"/units/{board.key}/?csv=design&design-match=missing"))
    assert row["Place"] == "C1"
    before = f"?at={moment(22.5):%Y-%m-%dT%H:%M:%S}"
    then = text_of(visitor.get(f"/units/{board.key}/{before}").content.decode())
    assert "Of its 3 places 2 are as designed, 1 has an approved substitute." in then


def test_a_lot_used_before_its_release_is_under_its_deviation(visitor: Client) -> None:
    plant = Plant()
    planned(plant)
    waiting(plant)
    deviation(plant, key="DEV-1", rules=["lot-not-released"], scope=["lot:K1"])
    (board,) = plant.boards()
    plant.do(load_feed, 5, feed=plant.slot_r, container=box("K1-1"))
    plant.run(board, plant.insertion, 6, 7)
    plant.do(fit_part, 8, unit=board, designator="R2", container=box("K1-2"), reason="drifted")
    found = {one.designator: one for one in compare_with_design(trace_backward(board))}
    assert {(found[name].match, found[name].deviation) for name in ("R1", "R2")} == {("under deviation", "DEV-1")}
    assert found["C1"].match == "not known"


def test_after_rework_the_later_revision_counts_and_what_it_has_no_place_for_is_extra(visitor: Client) -> None:
    plant = loaded(Plant())
    (board,) = plant.boards()
    plant.run(board, plant.insertion, 5, 6)
    draft = plant.do(revise_part, 10, part=plant.board, revision="B")
    draft.designators.get(name="R2").delete()
    new: Part = plant.do(release_revision, 20, part=approved(draft))
    out = plant.do(remove_part, 30, unit=board, designator="R2", reason="change 17")
    plant.do(conform_unit, 31, unit=board, part=new, reason="change 17")
    assert matches(board) == {"R1": ("as designed", ("RES",)), "C1": ("as designed", ("CAP",))}
    page = text_of(visitor.get(f"/units/{board.key}/").content.decode())
    assert "It was built by BOARD, as its order pins." in page and f"it conforms to {new.key}: change 17" in page
    assert (
        "revision B, is" in page
        and "conforms to" in rows_of(visitor.get(f"/units/{board.key}/?csv=timeline"))[0]["What"]
    )
    plant.do(void_fitting, 40, fitting=out, reason="R2 is still there")
    assert matches(board)["R2"] == ("extra", ("RES",))
    then = {one.designator for one in compare_with_design(trace_backward(board, Fitting.objects.first().since - 1))}
    assert then == {"R1", "R2", "C1"}


def test_a_child_of_another_revision_and_one_that_is_not_known() -> None:
    plant = Plant()
    (board,), (product,) = plant.boards(), plant.products()
    plant.do(fit_child, 5, unit=product, designator="M1", child=plant.finish(board, 1))
    assert matches(product)["M1"] == ("as designed", ("BOARD",))
    draft = plant.do(revise_part, 10, part=plant.board, revision="B")
    new = plant.do(release_revision, 20, part=approved(draft))
    line = plant.product.designators.get(name="M1").line
    BomLine.objects.filter(pk=line.pk).update(child=new)
    assert matches(product)["M1"] == ("another part", ("BOARD",))
    plant.do(find_loose, 30, child=board)
    assert matches(product)["M1"] == ("not known", ())
    plant.do(find_empty, 31, unit=product, designator="M1")
    assert matches(product)["M1"] == ("missing", ())


# A large tree --------------------------------------------------------------------------------------------------------


def queries(visitor: Client, address: str) -> int:
    with CaptureQueriesContext(connection) as found:
        assert visitor.get(address).status_code == 200
    return len(found)


def test_a_large_tree_comes_by_branch_in_as_many_queries_as_a_small_one(visitor: Client) -> None:
    plant = Plant()
    small, large = build_big(plant, boards=2, places=80), build_big(plant, boards=4, places=250)
    page = visitor.get(f"/units/{large.key}/").content.decode()
    assert "1004 of 1004 places are filled" in text_of(page)
    assert len(page) < 100_000 and "R125" not in page
    branches = re.findall(r'hx-get="(/units/[^"]+/branch/)"', page)
    assert branches == [f"/units/BIG-250-N{n}/branch/" for n in range(1, 5)]
    groups = re.findall(r'hx-get="([^"]+)"', visitor.get(branches[0]).content.decode())
    assert groups == [f"{branches[0]}?part=RES", f"{branches[0]}?part=CAP"]
    places = text_of(visitor.get(groups[0]).content.decode())
    assert "R125 container" in places and "C125" not in places
    assert queries(visitor, f"/units/{small.key}/") == queries(visitor, f"/units/{large.key}/")
    assert queries(visitor, "/units/BIG-80-N1/branch/") == queries(visitor, branches[0])
    found = text_of(visitor.get(f"/units/{large.key}/?find=C125").content.decode())
    assert "C125 container" in found and "R125" not in found


# As it was -----------------------------------------------------------------------------------------------------------


def test_as_shipped_and_as_known_then_are_one_click_away(visitor: Client, suspects: Suspects) -> None:
    for unit in (suspects.product, suspects.shipped):
        page = visitor.get(f"/units/{unit.key}/").content.decode()
        links = {words: href for href, words in re.findall(r'<a href="(\?at=[^"]+)">(As shipped[^<]+)</a>', page)}
        assert list(links) == ["As shipped on SH-1", "As shipped on SH-1, as was known then"]
        for href in links.values():
            then = text_of(visitor.get(f"/units/{unit.key}/{href.replace('&amp;', '&')}").content.decode())
            assert "shipped to NORD Nord Air on SH-1" in then
    assert "As shipped" not in visitor.get(f"/units/{suspects.clean.key}/").content.decode()


def test_a_reading_tells_the_state_of_its_equipment_then_and_the_readings_before_it(visitor: Client) -> None:
    plant = Plant()
    limits = {"unit_of_measure": "mV", "lower": Decimal(2), "upper": Decimal(20)}
    Characteristic.objects.create(part=plant.board, step_number=20, number=1, name="Ripple", **limits)
    told = {"name": "Tester", "kind": "tester", "station": plant.test, "calibrate_every": 30}
    tester = plant.do(define_equipment, key="TS-1", **told)
    CheckPiece.objects.create(key="GOLD", name="Golden board", equipment=tester, good=True)
    plant.do(record_calibration, 1, equipment=tester, passed=True, certificate="C-12")
    plant.do(record_check, 2, equipment=tester, piece=CheckPiece.objects.get(), said_good=True)
    (board,), (product,) = plant.boards(), plant.products()
    plant.run(board, plant.insertion, 5, 6)
    plant.do(start_pass, 7, unit=board, station=plant.test)
    for minute, value in ((8, 25), (9, 12)):
        plant.do(
            record_readings, minute, unit=board, readings={"Ripple": str(value)}, station=plant.test,
            equipment=tester,
        )  # fmt: skip
    plant.do(finish_pass, 10, unit=board)
    plant.do(record_calibration, 30, equipment=tester, passed=False)
    plant.do(fit_child, 40, unit=product, designator="M1", child=board)
    for unit in (board, product):
        rows = rows_of(visitor.get(f"/units/{unit.key}/?csv=readings"))
        assert [(row["Read"], row["Result"], row["Attempt"]) for row in rows] == [
            ("12 mV", "good", "2"), ("25 mV", "outside", "1")
        ]  # fmt: skip
        assert "calibrated 2026-03-02, good to 2026-04-01 (C-12) GOLD told right at 2026-03-02T06:02" in rows[0]["With"]


# On paper ------------------------------------------------------------------------------------------------------------


def read_pdf(answer: Any) -> list[str]:
    assert answer["Content-Type"] == "application/pdf"
    return [page.get_textpage().get_text_range() for page in pypdfium2.PdfDocument(answer.content)]


@pytest.mark.once
def test_the_history_of_a_large_unit_can_be_read_on_paper(visitor: Client) -> None:
    plant = Plant()
    large = build_big(plant)
    for number in range(1, 121):  # so that tables run over pages
        plant.do(
            remove_part, 100 + number, unit=Unit.objects.get(key="BIG-250-N1"), designator=f"R{number}", reason="x"
        )
    pages = read_pdf(visitor.get(f"/units/{large.key}/history.pdf"))
    assert 3 <= len(pages) <= 20
    for number, page in enumerate(pages, 1):
        assert f"page {number} of {len(pages)}" in page and "as of 20" in page
    first = " ".join(pages[0].split())
    assert f"It stands on the record up to entry {Event.objects.latest('pk').pk}" in first
    assert "no seal is on them" in first and "Times are those of" in first
    assert "120 are empty" in first
    text = " ".join(" ".join(pages).split())
    assert "BIG-250-N4 R1–R125 RES" in text
    differing = [page for page in pages if re.search(r"BIG-250-N1\s+R\d+\s+RES\s+nothing\s+missing", page)]
    assert len(differing) > 1
    assert all("agrees" in page for page in differing), "heads come again"


def test_the_history_as_of_a_moment_says_so(visitor: Client, suspects: Suspects) -> None:
    at = f"?at={moment(31):%Y-%m-%dT%H:%M}"
    answer = visitor.get(f"/units/{suspects.product.key}/history.pdf{at}")
    text = " ".join(" ".join(read_pdf(answer)).split())
    assert "was packed in carton CT-1" in text and "as of 2026-03-02 06:31" in text and "shipped" not in text
    assert f"history-{suspects.product.key}-as-of-" in answer["Content-Disposition"]
