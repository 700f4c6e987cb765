"""The pages of troubleshooting: at a repair station, the running log, dispositions, scrapping with salvage."""

from __future__ import annotations

import pytest
from django.test import Client

from tests.factories import Plant
from tests.floor.troubleshooting import Trouble, build_log
from tests.web.conftest import make_user
from tests.web.test_answers import rows_of, text_of
from trace.core.permissions import Role
from trace.floor.faults import list_open_faults
from trace.floor.models import Diagnosis, Fault, Fitting, Repair, Salvage
from trace.floor.operations.fittings import fit_child
from trace.floor.operations.orders import scrap_unit
from trace.floor.operations.passes import start_pass
from trace.floor.queries import find_due_step
from trace.holds.models import Disposition
from trace.holds.queries import find_state

pytestmark = pytest.mark.django_db

DAY = {"period": "days", "from": "2026-03-02", "to": "2026-03-02"}


def test_the_page_has_the_same_numbers_and_each_bar_leads_to_its_units(visitor: Client) -> None:
    build_log()
    at = "/quality/faults/?" + "&".join(f"{name}={value}" for name, value in DAY.items())
    page = visitor.get(at).content.decode()
    assert "4 faults were found in 3 units on 2 March 2026: solder bridge most often, 3 times." in text_of(page)
    assert "solder bridge: 3 faults in 2 units, 75.0 percent of all with those before it" in page
    kinds = rows_of(visitor.get(f"{at}&csv=kinds"))
    assert [(row["Fault"], row["Faults per thousand units passed"]) for row in kinds] == [
        ("solder bridge", "375"), ("value out of limits", "125"),
    ]  # fmt: skip
    assert len(rows_of(visitor.get(f"{at}&fault=BRIDGE&csv=log"))) == 3
    only = text_of(visitor.get(f"{at}&fault=BRIDGE&cause=none").content.decode())
    assert "Counted here: fault solder bridge, no cause." in only
    assert {row["Lot"] for row in rows_of(visitor.get(f"{at}&fault=BRIDGE&csv=lots"))} == {"LOT-REEL"}


def test_a_unit_that_failed_is_found_diagnosed_mended_and_sent_back(visitor: Client) -> None:
    trouble = Trouble()
    board = trouble.failed()
    home = text_of(visitor.get("/station/RP1/").content.decode())
    assert "1 unit waits to be mended" in home and "no fault on record yet" in home
    answer = visitor.post("/station/RP1/", {"told": board.key})
    page = f"/station/RP1/repair/{board.key}/"
    assert answer["Location"] == page
    sent = {"do": "record_fault", "fault_code": "DRIFT", "designator": "R1"}
    assert visitor.post(page, sent)["Location"] == f"{page}?done=record_fault"
    (fault,) = list_open_faults([board])[board.pk]
    assert "value out of limits at R1" in text_of(visitor.get("/station/RP1/").content.decode())
    sent = {"do": "diagnose_fault", "fault": f"{fault.pk}", "cause": "PART", "step": f"{trouble.insert.pk}"}
    assert visitor.post(page, sent).status_code == 302
    assert Diagnosis.objects.get().step == trouble.insert
    sent = {
        "do": "record_repair",
        "faults": [f"{fault.pk}"],
        "action": "replaced",
        "designator": "R1",
        "minutes": "7.5",
    }
    refused = visitor.post(page, sent)
    assert refused.status_code == 409 and "scan the part" in text_of(refused.content.decode())
    sent |= {"container": "SPARE", "keep": "OLD-R1", "returns": f"{trouble.insert.pk}"}
    assert visitor.post(page, sent).status_code == 302
    repair = Repair.objects.get()
    assert (repair.station, repair.returns, f"{repair.minutes}") == (trouble.repair, trouble.insert, "7.50")
    assert Salvage.objects.get().result.key == "OLD-R1"
    assert find_due_step(board) == trouble.insert
    shown = text_of(visitor.get(page).content.decode())
    assert "No fault of it is open." in shown and "It is due for step 10 Step 10, at INSERT" in shown
    kinds = {row["Kind"] for row in rows_of(visitor.get(f"/units/{board.key}/?csv=timeline"))}
    assert {"fault", "diagnosis", "repair"} <= kinds
    unit = visitor.get(f"/units/{board.key}/").content.decode()
    assert page in unit and "What was found wrong" in text_of(unit) and "What was done about it" in text_of(unit)


def test_what_is_not_at_hand_to_be_mended_is_said_first(visitor: Client) -> None:
    trouble = Trouble()
    trouble.plant.do(start_pass, 1, unit=(board := trouble.plant.boards(1)[0]), station=trouble.plant.insertion)
    page = text_of(visitor.get(f"/station/RP1/repair/{board.key}/").content.decode())
    assert f"{board.key} is inside INSERT. Scan it out there first. No fault of it is open." in page
    assert "It is due for" not in page
    trouble.plant.do(scrap_unit, 2, unit=board, reason="cracked")
    page = text_of(visitor.get(f"/units/{board.key}/scrap/").content.decode())
    assert "It was scrapped already" in page and "This is not undone" not in page


def test_what_came_to_repair_from_no_station_has_its_fault_there(visitor: Client) -> None:
    trouble = Trouble()
    (board,) = trouble.plant.boards(1)
    page, sent = f"/station/RP1/repair/{board.key}/", {"do": "record_fault", "fault_code": "BRIDGE"}
    assert visitor.post(page, sent).status_code == 302
    assert Fault.objects.get().station == trouble.repair
    both = {"do": "record_fault", "fault_code": "DRIFT", "designator": "R1"}
    assert visitor.post(page, both).status_code == 302
    bridge = Fault.objects.get(code__key="BRIDGE")
    refused = visitor.post(page, {"do": "record_repair", "faults": [f"{bridge.pk}"], "action": "replaced"})
    assert refused.content.decode().count('type="checkbox"') == 2 and refused.content.decode().count(" checked>") == 1


def test_a_repair_and_then_its_fault_are_put_right(visitor: Client) -> None:
    trouble = Trouble()
    fault = trouble.find(trouble.failed())
    repair = trouble.mend(fault)
    for kind, it in (("repair", repair), ("fault", fault)):
        page = f"/corrections/{kind}/{it.pk}/"
        assert "solder bridge" in text_of(visitor.get(page).content.decode()) or kind == "repair"
        assert visitor.post(page, {"reason": "it was another board"}).status_code == 302
    assert not Fault.objects.filter(superseded=None).exists() and not Repair.objects.filter(superseded=None).exists()


def test_a_disposition_is_decided_on_a_page_and_counts_once_another_signed(client: Client) -> None:
    trouble = Trouble()
    board = trouble.failed()
    client.force_login(make_user("sue", roles=[Role.SUPERVISOR]))
    assert f"/decide/unit/{board.key}/" in client.get(f"/units/{board.key}/").content.decode()
    page = f"/decide/unit/{board.key}/"
    refused = client.post(page, {"number": "D-1", "reason": "Its pads are lifted."})
    assert "Say what becomes of it." in text_of(refused.content.decode())
    sent = {"number": "D-1", "decision": "scrap", "reason": "Its pads are lifted.", "evidence": "seen under the lamp"}
    assert client.post(page, sent)["Location"] == "/dispositions/D-1/"
    it = Disposition.objects.get()
    assert "it permits nothing until a quality" in text_of(client.get("/dispositions/D-1/").content.decode())
    client.force_login(make_user("quinn", roles=[Role.QUALITY]))
    signing = {"username": "quinn", "password": "tin-plated-1", "meaning": "approved"}
    assert client.post("/sign/disposition/D-1/", signing).status_code == 302
    assert find_state(it) == "in force"
    assert "approved by U-Quinn" in text_of(client.get("/dispositions/D-1/").content.decode())
    assert client.post("/dispositions/D-1/withdraw/", {"reason": "a mistake"}).status_code == 302
    assert find_state(Disposition.objects.get()) == "withdrawn"


def test_what_is_kept_of_a_scrapped_unit_is_said_on_its_page(visitor: Client) -> None:
    trouble = Trouble()
    plant: Plant = trouble.plant
    board = plant.finish(plant.boards(1, minute=2)[0], 3)
    (product,) = plant.products(1)
    plant.do(start_pass, 10, unit=product, station=plant.final)
    plant.do(fit_child, 11, unit=product, designator="M1", child=board)
    page = f"/units/{product.key}/scrap/"
    assert board.key in visitor.get(page).content.decode()
    refused = visitor.post(page, {"reason": "bent", "parts": "F1"})
    assert refused.status_code == 409 and "names no container" in text_of(refused.content.decode())
    assert visitor.post(page, {"reason": "bent", "children": ["M1"]}).status_code == 302
    product.refresh_from_db()
    assert product.scrapped and not Fitting.objects.filter(child=board, until=None, superseded=None).exists()
