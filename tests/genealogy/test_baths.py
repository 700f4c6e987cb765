"""A charge's share of its bath, worked by hand: common arithmetic of mixtures by mass."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal
from typing import Any

import pytest

from tests.factories import Plant, make_part, make_station, ticks
from trace.core.clock import OPEN
from trace.floor.operations.feeds import charge_bath, dump_bath
from trace.genealogy.baths import list_shares
from trace.material.models import Container, Feed
from trace.material.operations.setups import define_feed

pytestmark = pytest.mark.django_db


class Pot:
    """A solder pot of the tiny plant."""

    def __init__(self) -> None:
        self.plant = Plant()
        self.feed: Feed = self.plant.do(define_feed, key="POT", station=make_station("WAVE"), kind="bath")
        self.solder = make_part("SOLDER", kind="process")

    def charge(self, key: str, kilograms: int | None, minute: float, **more: Any) -> Container:
        bar = self.plant.reel(key, self.solder, quantity=None if kilograms is None else Decimal(kilograms))
        self.plant.do(charge_bath, minute, feed=self.feed, container=bar, **more)
        return bar

    def shares(self, bar: Container, at: int = OPEN) -> list[tuple[str, str]]:
        return [(str(one.least), str(one.most)) for one in list_shares(bar, at)]


def test_each_further_charge_dilutes_it() -> None:
    """200 kg in a clean pot, 10 kg of it suspect: 10/210; with 10 kg more 10/220."""
    pot = Pot()
    pot.plant.do(dump_bath, 1, feed=pot.feed, cleaned=True)
    pot.charge("FIRST", 200, 2)
    bad = pot.charge("BAD", 10, 3)
    pot.charge("NEXT", 10, 4)
    assert pot.shares(bad) == [("0.047619", "0.047619"), ("0.045455", "0.045455")]
    assert [(one.since, one.until) for one in list_shares(bad)] == [(ticks(3), ticks(4)), (ticks(4), OPEN)]
    assert pot.shares(bad, ticks(3.5)) == [("0.047619", "0.047619")]
    assert pot.shares(bad, ticks(2.5)) == []


def test_a_heel_keeps_the_share_and_leaves_open_how_much_it_is() -> None:
    """Of 1/22 in 220 kg with a heel of anything up to all of it, 100 kg make nothing up to 10/320."""
    pot = Pot()
    pot.plant.do(dump_bath, 1, feed=pot.feed, cleaned=True)
    pot.charge("FIRST", 210, 2)
    bad = pot.charge("BAD", 10, 3)
    pot.plant.do(dump_bath, 5, feed=pot.feed, cleaned=False)
    pot.charge("NEXT", 100, 6)
    assert pot.shares(bad) == [("0.045455", "0.045455"), ("0.045455", "0.045455"), ("0.000000", "0.031250")]
    pot.plant.do(dump_bath, 8, feed=pot.feed, cleaned=True)
    assert pot.shares(bad)[-1] == ("0.000000", "0.031250"), "it is out"
    assert list_shares(bad)[-1].until == ticks(8)


def test_what_was_in_the_bath_before_or_went_in_uncounted_leaves_it_open() -> None:
    pot = Pot()
    bad = pot.charge("BAD", 10, 3)
    assert pot.shares(bad) == [("0.000000", "1.000000")]
    pot.plant.do(dump_bath, 4, feed=pot.feed, cleaned=True)
    worse = pot.charge("WORSE", 10, 5)
    pot.charge("SOME", None, 6)
    assert pot.shares(worse) == [("1.000000", "1.000000"), ("0.000000", "1.000000")]


def test_charges_in_an_order_that_nobody_knows_say_nothing() -> None:
    pot = Pot()
    pot.plant.do(dump_bath, 1, feed=pot.feed, cleaned=True)
    bad = pot.charge("BAD", 10, 5, error=timedelta(minutes=2))
    pot.charge("NEXT", 10, 6, error=timedelta(minutes=2))
    assert pot.shares(bad) == [("0.000000", "1.000000"), ("0.000000", "1.000000")]


def test_what_is_poured_in_parts_has_no_known_part() -> None:
    """At most 10 of 100; then at most a tenth of 90 and 10 more, in 100: bounds, each as wide as it must be alone."""
    pot = Pot()
    pot.plant.do(dump_bath, 1, feed=pot.feed, cleaned=True)
    pot.charge("FIRST", 90, 2)
    bad = pot.charge("BAD", 10, 3)
    pot.plant.do(charge_bath, 4, feed=pot.feed, container=bad)
    assert pot.shares(bad) == [("0.000000", "0.100000"), ("0.000000", "0.190000")]
