"""Sites, stations, parts, costs."""

import json
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal

import pytest

from trace.core.keys import BadKey
from trace.engineering.models import Part, ScanMode, Site, StandardCost, Station
from trace.engineering.operations import (
    CostRefused,
    PartCost,
    PartRefused,
    SiteRefused,
    StationRate,
    StationRefused,
    define_part,
    define_site,
    define_station,
    set_costs,
)
from trace.engineering.queries import list_costs, list_rates
from trace.engineering.rules import part_key
from trace.ledger.models import Event

pytestmark = pytest.mark.django_db


def test_a_database_has_one_site(site, who):
    assert (site.key, site.zone, site.currency) == ("WORKS", "UTC", "EUR")
    with pytest.raises(SiteRefused, match="database of Works"):
        define_site(key="OTHER", name="Other", **who)


@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        ({"zone": "Mars/Olympus"}, "not a time zone"),
        ({"zone": "../etc/passwd"}, "not a time zone"),
        ({"zone": ""}, "not a time zone"),
        ({"currency": "eur"}, "not a currency"),
        ({"currency": "EURO"}, "not a currency"),
        ({"name": ""}, "Name: "),
        ({"name": "x" * 121}, "Name: "),
        ({"name": "a\0b"}, "can't be shown"),
    ],
)
def test_a_site_that_is_none(who, wrong, says):
    with pytest.raises(SiteRefused, match=says):
        define_site(**{"key": "WORKS", "name": "Works", **wrong, **who})
    assert not Site.objects.exists()


def test_a_station_says_what_its_scans_prove(site, who):
    station = define_station(
        key="hand-1", name="Hand line 1", site=site, scan_mode=ScanMode.LOOSE, rate_per_hour=Decimal("41.50"), **who
    )
    station.refresh_from_db()
    assert (station.key, station.scan_mode, station.rate_per_hour) == ("HAND-1", "loose", Decimal("41.5"))


@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        ({"key": "OLD"}, "Key already exists"),
        ({"scan_mode": "by ear"}, "Scan mode: "),
        ({"rate_per_hour": Decimal("-1")}, "rate_not_negative"),
        ({"rate_per_hour": Decimal("NaN")}, "Rate per hour: "),
        ({"rate_per_hour": Decimal("0.00001")}, "Rate per hour: "),
        ({"work_seconds": -1}, "Work seconds: "),
        ({"yield_limit": Decimal("100.5")}, "yield_limit_in_percent"),
    ],
)
def test_a_station_that_is_none(site, who, wrong, says):
    define_station(key="OLD", name="Old", site=site, **who)
    with pytest.raises(StationRefused, match=says):
        define_station(**{"key": "NEW", "name": "New", "site": site, **wrong, **who})
    with pytest.raises(BadKey):
        define_station(key="hand line", name="New", site=site, **who)
    assert Station.objects.count() == 1


def test_a_part_gets_a_key_from_number_and_revision(who):
    make = {"name": "Resistor", **who}
    assert define_part(number="RR0816P-103/D", revision="b", **make).key == "RR0816P-103-D-B"
    assert define_part(number="10 µF, 25 V", **make).key == "10-UF-25-V"
    assert define_part(number="4.7 kΩ", **make).key == "4-7-KOHM"
    assert define_part(number="x", key="own-1", **make).key == "OWN-1"


def test_parts_that_differ_only_in_capitals_are_two(who):
    """1m is a thousandth, 1M a million."""
    milli, mega = (define_part(number=number, name="Resistor", **who) for number in ("1m", "1M"))
    assert (milli.key, mega.key) == ("1M", part_key("1M", again=True))
    assert mega.key != milli.key


@pytest.mark.parametrize("number", ["抵抗", "x" * 60, "-"])
def test_a_key_is_made_of_any_number(number):
    key = part_key(number)
    assert key == part_key(number) != part_key(f"{number}x")
    assert len(key) <= 40


@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        ({"number": "OLD"}, "OLD exists"),
        ({"kind": "assembly"}, "built from parts"),
        ({"kind": "product", "level": 0}, "built from parts"),
        ({"level": 1}, "not built here"),
        ({"kind": "packaging", "level": 2}, "not built here"),
        ({"kind": "assembly", "level": -1}, "built from parts"),
        ({"kind": "pet"}, "Kind: "),
        ({"number": ""}, "Number: "),
        ({"number": "x" * 61}, "Number: "),
        ({"name": "tab\there"}, "can't be shown"),
        ({"serialised": True, "unit_of_measure": "g"}, "serial"),
        ({"standard_cost": Decimal("-1")}, "costs_not_negative"),
        ({"replace_minutes": Decimal("1.001")}, "Replace minutes: "),
        ({"key": "OLD"}, "Key already exists"),
    ],
)
def test_a_part_that_is_none(part, who, wrong, says):
    part("OLD")
    with pytest.raises(PartRefused, match=says):
        define_part(**{"number": "NEW", "name": "New", **wrong, **who})
    assert Part.objects.count() == 1


def test_an_assembly_is_not_bought(who):
    with pytest.raises(CostRefused, match="built here"):
        define_part(number="B", name="Board", kind="assembly", level=1, standard_cost=Decimal(5), **who)


def test_costs_are_set_together_and_the_ledger_keeps_the_old(part, site, who):
    chip, board = part("CHIP", standard_cost=Decimal("1.5")), part("BOARD", 1)
    station = define_station(key="HAND", name="Hand", site=site, **who)
    set_costs(
        parts=[
            PartCost(chip, standard_cost=Decimal("1.234567")),
            PartCost(board, replace_minutes=Decimal("12.5")),
        ],
        stations=[StationRate(station, Decimal("38.4"))],
        **who,
    )
    day, before = who["at"].date(), who["at"].date() - timedelta(days=1)
    costs = list_costs([chip.pk, board.pk], day)
    assert costs == {chip.pk: (Decimal("1.234567"), 0), board.pk: (0, Decimal("12.5"))}
    assert list_rates([station.pk], day) == {station.pk: Decimal("38.4")}
    assert list_costs([chip.pk], before) == {chip.pk: (Decimal("1.5"), 0)}, "as it was defined"
    assert list_rates([station.pk], before) == {station.pk: 0}
    event = Event.objects.get(verb="set_costs")
    assert json.loads(event.payload)["facts"]["before"]["part:CHIP"] == ["1.500000", "0.00"]
    assert set(event.subjects.values_list("kind", "key")) >= {("part", "CHIP"), ("part", "BOARD"), ("station", "HAND")}


@pytest.mark.parametrize("cost", ["-0.01", "0.0000001", "NaN", "Infinity", "1E+20"])
def test_a_cost_that_is_none_changes_nothing(part, who, cost):
    chip, other = part("CHIP"), part("OTHER")
    with pytest.raises(CostRefused):
        set_costs(parts=[PartCost(chip, Decimal(1)), PartCost(other, Decimal(cost))], **who)
    assert not StandardCost.objects.exists()


def test_costs_have_their_days(part, site, who):
    chip, day = part("CHIP"), date(2027, 1, 1)
    station = define_station(key="HAND", name="Hand", site=site, **who)
    for since, cost in ((day, "2"), (day + timedelta(days=30), "3"), (day, "2.5")):
        price = Decimal(cost)
        set_costs(parts=[PartCost(chip, price)], stations=[StationRate(station, price)], since=since, **who)
    of_days = [list_costs([chip.pk], day + timedelta(days=days))[chip.pk][0] for days in (-1, 0, 29, 30)]
    assert of_days == [0, Decimal("2.5"), Decimal("2.5"), 3], "the second time corrects the first of that day"
    rates = [list_rates([station.pk], day + timedelta(days=days))[station.pk] for days in (-1, 0, 29, 30)]
    assert rates == of_days


def test_costs_without_a_day_hold_from_the_plants_day(part, by):
    late = datetime(2026, 11, 2, 23, 30, tzinfo=UTC)
    define_site(key="WORKS", name="Works", zone="Europe/Berlin", by=by, at=late)
    (cost,) = set_costs(parts=[PartCost(part("CHIP"), Decimal(1))], by=by, at=late)
    assert cost.since == date(2026, 11, 3)


def test_an_assembly_gets_no_cost_as_bought(part, who):
    with pytest.raises(CostRefused, match="built here"):
        set_costs(parts=[PartCost(part("BOARD", 1), Decimal(1))], **who)
