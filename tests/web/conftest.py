"""A tiny plant whose suspect lot is in certain, possible, cleared, packed and shipped units; somebody signed in.

The reel BAD of lot K77 (supplier's number 2406/A) serves R1 and R2. Boards: two made while it was
surely on (one goes into a product that ships), one across its change (possible), one whose two
resistors are replaced (cleared), one with the next reel only.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

import pytest
from django.test import Client

from tests.built_once import built_once, plant_first
from tests.factories import Plant, make_person, moment
from trace.approvals.files import store
from trace.approvals.operations import attach_file
from trace.core.models import User
from trace.core.permissions import Role
from trace.engineering.operations import define_equipment, record_calibration
from trace.floor.models import Chooses, Counted, Unit
from trace.floor.operations.deviations import open_deviation
from trace.floor.operations.dispatch import define_customer, load_shipment, send_shipment
from trace.floor.operations.feeds import load_feed
from trace.floor.operations.fittings import fit_child, fit_part
from trace.floor.operations.pallets import stack_pallet, start_pallet
from trace.floor.operations.passes import finish_pass, start_pass
from trace.floor.operations.racks import define_rack, put_in_rack
from trace.floor.operations.samples import SampleRow, set_sample_rules
from trace.floor.operations.tapes import load_head
from trace.holds.operations import decide_disposition, place_holds
from trace.material.models import Container, Feed, Lot, Tape
from trace.material.operations.deliveries import ExpectedRow, expect_delivery
from trace.material.operations.setups import finish_tape, start_tape
from trace.material.operations.sources import approve_source


@dataclass
class Suspects:
    """The plant, and the units by what the lot K77 is to them."""

    plant: Plant
    lot: Lot
    reel: Container
    certain: Unit
    shipped: Unit
    possible: Unit
    cleared: Unit
    clean: Unit
    product: Unit


@built_once
def build_suspects() -> Suspects:
    """Build it; needs a database."""
    plant = Plant()
    bad = plant.reel("BAD", lot="K77", number="2406/A", date_code="2605")
    good, spare = plant.reel("GOOD"), plant.reel("SPARE")
    plant.do(load_feed, 1, feed=plant.slot_r, container=bad)
    plant.do(load_feed, 1, feed=plant.slot_c, container=plant.reel("CAPS", plant.capacitor))
    certain, shipped, cleared, possible, clean = plant.boards(5)
    for minute, board in ((10, certain), (12, shipped), (14, cleared)):
        plant.run(board, plant.insertion, minute, minute + 1)
    plant.do(start_pass, 16, unit=possible, station=plant.insertion)
    plant.do(load_feed, 16.5, feed=plant.slot_r, container=good)
    plant.do(finish_pass, 17, unit=possible)
    plant.run(clean, plant.insertion, 18, 19)
    for name in ("R1", "R2"):
        plant.do(fit_part, 20, unit=cleared, designator=name, container=spare, reason="drifted after solder")
    plant.run(shipped, plant.test, 22, 23)
    (product,) = plant.products(1)
    fuses = plant.reel("FUSES", plant.fuse)
    plant.do(start_pass, 25, unit=product, station=plant.final)
    plant.do(fit_child, 26, unit=product, designator="M1", child=shipped)
    plant.do(fit_part, 26, unit=product, designator="F1", container=fuses, reason="as designed")
    plant.do(finish_pass, 27, unit=product)
    customer = plant.do(define_customer, key="NORD", name="Nord Air")
    carton = plant.carton([product], 30, "CT-1")
    pallet = plant.do(start_pallet, 30, key="PAL-1")
    plant.do(stack_pallet, 30, pallet=pallet, cartons=[carton])
    shipment = plant.do(load_shipment, 31, shipment="SH-1", customer=customer, pallets=[pallet])
    plant.do(send_shipment, 32, shipment=shipment)
    lot = Lot.objects.get(key="K77")
    plant.do(place_holds, 40, targets=[lot], reason="Parts drift after solder.")
    plant.do(approve_source, 1, part=plant.resistor, supplier=plant.supplier, number="A-1")
    rows = [ExpectedRow("A-1", "Z7", Decimal(500), "PK-1")]
    plant.do(expect_delivery, 2, supplier=plant.supplier, number="D-1", rows=rows)
    told = {"name": "Tester 1", "kind": "high-voltage tester", "station": plant.test}
    tester = plant.do(define_equipment, key="HV-1", calibrate_every=365, caution="High voltage.", **told)
    plant.do(record_calibration, 1, equipment=tester, passed=True)
    told = {"rules": ["not-due"], "scope": ["part:BOARD", "step:20"], "reason": "The tester is down.", "most": 5}
    plant.do(open_deviation, 41, key="DEV-1", expires=moment(500), **told)
    plant.do(
        attach_file, 42, subject=lot, sha256=store([b"a report"]).sha256, name="report.txt", media_type="text/plain"
    )
    told = {"kind": Counted.HOURS, "demand": Decimal(500), "step_number": 20, "chooses": Chooses.FIRST}
    plant.do(set_sample_rules, 42, number="BOARD", rows=[SampleRow("Life test", **told)])
    plant.run(certain, plant.test, 43, 44)
    told = {"decision": "return to supplier", "reason": "Drifts after solder."}
    plant.do(decide_disposition, 42, key="D-1", subject=lot, **told)
    rack = plant.do(define_rack, 40, key="RACK-1", slots=4)
    plant.do(put_in_rack, 41, rack=rack, unit=clean)
    build_tapes(plant)
    return Suspects(plant, lot, bad, certain, shipped, possible, cleared, clean, product)


def build_tapes(plant: Plant) -> None:
    """A tape that is finished, and one that is being loaded, of material of their own."""
    plan = {"assembly": plant.board, "sequence": ["R1", "C1", "R2"], "board_sets": 9}
    heads = {"A": (0, ["R1", "R2"]), "B": (3, ["C1"])}
    for key in ("T-1", "T-2"):
        plant.do(start_tape, 1, key=key, heads=heads, **plan)
    for head, reel in (("A", plant.reel("TR", lot="TAPED")), ("B", plant.reel("TC", plant.capacitor, lot="TAPED-C"))):
        plant.do(load_head, 2, feed=Feed.objects.get(key=f"T-1-{head}"), container=reel)
    plant.do(finish_tape, 3, tape=Tape.objects.get(key="T-1"), board_sets=9)


def make_user(name: str = "ann", roles: Sequence[str] = Role.values, **details: object) -> User:
    """An account with a password nobody has anywhere else, of a person who may do everything unless told otherwise."""
    person = make_person(f"U-{name.upper()}", roles=roles)
    return User.objects.create_user(name, password="tin-plated-1", person=person, **details)


@pytest.fixture
def suspects(db: None) -> Suspects:
    return build_suspects()


@pytest.fixture
def visitor(request: pytest.FixtureRequest, db: None, client: Client) -> Client:
    """A client that is signed in."""
    plant_first(request)
    client.force_login(make_user())
    return client
