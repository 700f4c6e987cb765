"""What the commands share: lots as people name them, moments in the plant's time, tables, designators."""

import os
from datetime import timedelta
from zoneinfo import ZoneInfo

import pytest
from django.core.management import CommandError, call_command

from tests.factories import Plant, ticks
from trace.core.clock import OPEN, now
from trace.core.errors import NotFound
from trace.core.keys import BadKey, label_text
from trace.core.moments import BadMoment, read_moment
from trace.engineering.models import Site
from trace.exchange.plant_time import PlantTime
from trace.management.answers import WIDTH, AnswerCommand, table
from trace.material.operations.stock import define_supplier
from trace.material.queries import LotUnclear, get_lot

pytestmark = pytest.mark.django_db


def test_a_lot_is_named_by_key_by_label_or_by_its_suppliers_number() -> None:
    plant = Plant()
    lot = plant.lot("LOT-9", number="24/117 b")
    for text in ("LOT-9", " lot-9 ", label_text("LOT-9"), "24/117 B"):
        assert get_lot(text) == lot
    for text in ("LOT-10", ""):
        with pytest.raises(NotFound, match=f"No lot has the key or the number “{text}”."):
            get_lot(text)
    with pytest.raises(BadKey, match="check character of LOT-9"):
        get_lot("LOT-9.Z" if label_text("LOT-9")[-1] != "Z" else "LOT-9.Y")


def test_a_number_that_looks_like_a_label_is_still_a_number() -> None:
    plant = Plant()
    lot = plant.lot("LOT-9", number="7731.2")
    assert get_lot("7731.2") == lot


def test_a_number_of_several_lots_is_refused_with_the_choices() -> None:
    plant = Plant()
    other = plant.do(define_supplier, key="BOLT", name="Bolt & Sons")
    plant.lot("LOT-1", number="K1", date_code="2610")
    plant.lot("LOT-2", number="K1", supplier=other)
    with pytest.raises(LotUnclear) as refusal:
        get_lot("k1")
    assert "LOT-1  RES from Acme, lot number K1, date code 2610" in str(refusal.value)
    assert "LOT-2  RES from Bolt & Sons, lot number K1" in str(refusal.value)
    assert get_lot("LOT-2").supplier == other


def test_moments_are_the_plants_unless_they_say_otherwise() -> None:
    Plant()
    Site.objects.update(zone="Europe/Berlin")
    time = PlantTime()
    assert time.read("2026-03-02 07:00") == ticks(0)
    assert time.read("2026-03-02T06:00+00:00") == ticks(0)
    assert time.read("2026-07-02 08:00") == ticks(0) + timedelta(days=122) // timedelta(microseconds=1)
    assert time.read(None) == OPEN
    assert time.show(ticks(0)) == "2026-03-02 07:00"
    assert time.iso(ticks(0)) == "2026-03-02T07:00:00.000000+01:00"
    assert time.between(ticks(0), ticks(0.5)) == "2026-03-02 07:00"
    assert time.between(ticks(0), ticks(5)) == "2026-03-02 07:00–07:05"
    assert time.between(ticks(0), ticks(24 * 60)) == "between 2026-03-02 07:00 and 2026-03-03 07:00"
    assert time.between(ticks(0), OPEN) == "between 2026-03-02 07:00 and now"
    assert (time.show(OPEN), time.iso(OPEN)) == ("now", None)
    for text in ("yesterday", "2026-13-01", "1066-10-14 09:00", "9999-12-31 23:59"):
        with pytest.raises(BadMoment):
            time.read(text)


def test_an_hour_that_never_was_is_refused() -> None:
    """Central Europe put its clocks forward at 02:00 on the last Sunday of March (EU Directive 2000/84/EC)."""
    berlin = ZoneInfo("Europe/Berlin")
    with pytest.raises(BadMoment, match="never was"):
        read_moment("2026-03-29 02:30", berlin)
    assert read_moment("2026-03-29 03:30", berlin) == read_moment("2026-03-29T01:30Z", berlin)


def test_a_moment_that_is_still_to_come_is_refused_by_commands() -> None:
    Plant().lot("LOT-1")
    tomorrow = now() + timedelta(days=1)
    with pytest.raises(CommandError, match="is still to come: nothing is known of it"):
        call_command("affected", "LOT-1", at=tomorrow.isoformat())
    assert PlantTime().read((now() - timedelta(minutes=1)).isoformat()) < OPEN


def test_tables_fit_the_terminal() -> None:
    lines = list(table(("name", "count"), [("x" * 200, 5), ("short", 12345)], [1]))
    assert max(map(len, lines)) == WIDTH
    assert lines[0].endswith("count")
    assert lines[1].endswith("…      5")
    assert lines[2].startswith("  short ")


def test_a_reader_that_has_seen_enough_is_no_fault(monkeypatch) -> None:
    class Command(AnswerCommand):
        def handle(self, *args, **options):
            raise BrokenPipeError

    with open(os.devnull, "w") as nowhere:
        monkeypatch.setattr("sys.stdout", nowhere)
        call_command(Command())
