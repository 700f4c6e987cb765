"""A unit's page: what was measured of it."""

from __future__ import annotations

from decimal import Decimal

import pytest
from django.test import Client

from tests.factories import Plant, moment
from tests.web.test_answers import rows_of, text_of
from trace.engineering.models import Characteristic
from trace.engineering.operations import define_equipment
from trace.floor.operations.passes import finish_pass, start_pass
from trace.floor.operations.readings import record_readings, void_reading

pytestmark = pytest.mark.django_db


def test_what_was_measured_with_its_limits_and_with_what(visitor: Client, db: None) -> None:
    plant = Plant()
    limits = {"unit_of_measure": "mV", "lower": Decimal(2), "target": Decimal(5), "upper": Decimal(20)}
    Characteristic.objects.create(part=plant.board, step_number=20, number=1, name="Ripple", **limits)
    Characteristic.objects.create(part=plant.board, step_number=20, number=2, name="Gloss", judge="inspector")
    tester = plant.do(define_equipment, key="OLD", name="x", kind="tester", station=plant.test, calibrate_every=30)
    (board,) = plant.boards()
    assert "What was measured" not in text_of(visitor.get(f"/units/{board.key}/").content.decode())
    plant.run(board, plant.insertion, 2, 3)
    told = {"unit": board, "station": plant.test}
    plant.do(record_readings, 10, readings={"Ripple": "25", "Gloss": "not good"}, equipment=tester, **told)
    (wrong,) = plant.do(record_readings, 11, readings={"Ripple": "99"}, **told)
    plant.do(void_reading, 12, reading=wrong, reason="misread", instead="12")
    page = visitor.get(f"/units/{board.key}/").content.decode()
    assert "What was measured" in text_of(page) and "mark-outside" in page and "mark-not-good" in page
    rows = rows_of(visitor.get(f"/units/{board.key}/?csv=readings"))
    shown = [(r["Characteristic"], r["Read"], r["Must be"], r["Result"], r["Attempt"], r["With"]) for r in rows]
    unfit = "OLD not fit (OLD was never calibrated)"
    assert shown == [
        ("Ripple", "12 mV", "between 2 and 20 mV", "good", "3", ""),
        ("Gloss", "judged", "good, says inspector", "not good", "1", unfit),
        ("Ripple", "25 mV", "between 2 and 20 mV", "outside", "1", unfit),
    ]
    assert {name: rows[2][name] for name in ("Lower limit", "Target", "Upper limit", "Unit of measure", "Value")} == {
        "Lower limit": "2", "Target": "5", "Upper limit": "20", "Unit of measure": "mV", "Value": "25",
    }  # fmt: skip
    assert rows[0]["By"] == "ANN Ann"
    at = f"at={moment(10):%Y-%m-%dT%H:%M}"
    assert len(rows_of(visitor.get(f"/units/{board.key}/?{at}&csv=readings"))) == 2


def test_a_reading_is_put_right_from_the_units_page(visitor: Client, db: None) -> None:
    plant = Plant()
    Characteristic.objects.create(part=plant.board, step_number=20, number=1, name="Gloss", judge="inspector")
    (board,) = plant.boards()
    plant.run(board, plant.insertion, 2, 3)
    (wrong,) = plant.do(record_readings, 10, unit=board, station=plant.test, readings={"Gloss": "good"})
    link = f"/corrections/reading/{wrong.pk}/"
    assert f'href="{link}"' in visitor.get(f"/units/{board.key}/").content.decode()
    page = text_of(visitor.get(link).content.decode())
    assert f"Gloss of {board.key} read for step 20" in page and "It was not read" in page
    assert visitor.post(link, {"reason": "another board"}).status_code == 302
    assert "another board" in text_of(visitor.get(link).content.decode())
    assert not rows_of(visitor.get(f"/units/{board.key}/?csv=readings"))
    (wrong,) = plant.do(record_readings, 11, unit=board, station=plant.test, readings={"Gloss": "good"})
    link = f"/corrections/reading/{wrong.pk}/"
    assert 'name="instead"' in visitor.get(link).content.decode()
    assert visitor.post(link, {"reason": "looked again", "instead": "not good"}).status_code == 302
    (row,) = rows_of(visitor.get(f"/units/{board.key}/?csv=readings"))
    assert row["Result"] == "not good"


def test_a_unit_that_failed_says_so_on_top(visitor: Client, db: None) -> None:
    plant = Plant()
    (board,) = plant.boards()
    plant.do(start_pass, 2, unit=board, station=plant.insertion)
    plant.do(finish_pass, 3, unit=board, outcome="failed")
    page = text_of(visitor.get(f"/units/{board.key}/").content.decode())
    assert "It failed step 10 Step 10, at INSERT, on" in page
    assert "Put it aside, marked; it goes on at INSERT, for step 10 Step 10." in page
    plant.run(board, plant.insertion, 4, 5)
    assert "It failed" not in text_of(visitor.get(f"/units/{board.key}/").content.decode())
