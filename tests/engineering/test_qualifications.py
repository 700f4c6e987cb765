"""Who is qualified for what, from when until when: nothing is edited, each refusal writes nothing."""

from __future__ import annotations

import random
from collections.abc import Callable
from datetime import datetime
from typing import Any

import pytest

from tests.factories import Plant, make_person, moment
from tests.refusals import refused
from trace.core.models import Person
from trace.core.permissions import NotPermitted, Role
from trace.engineering.models import Qualification, Qualified
from trace.engineering.operations import (
    QualificationRefused,
    define_qualification,
    end_qualification,
    qualify_person,
    retire_person,
)
from trace.engineering.queries import list_lacking
from trace.ledger.models import Event

pytestmark = pytest.mark.django_db


class Shop:
    """A plant with a person and a qualification."""

    def __init__(self) -> None:
        self.plant, self.bob = Plant(), make_person("BOB", roles=[Role.OPERATOR])
        self.solder = self.plant.do(define_qualification, key="solder", name=" hand soldering ")

    def qualify(self, since: float, until: float | None = None, **more: Any) -> Qualified:
        told = {"person": self.bob, "qualification": self.solder, "since": moment(since)}
        return self.plant.do(qualify_person, **told, until=None if until is None else moment(until), **more)

    def end(self, minute: float, **more: Any) -> list[Qualified]:
        return self.plant.do(end_qualification, minute, person=self.bob, qualification=self.solder, **more)

    def periods(self) -> list[tuple[datetime, datetime | None]]:
        rows = Qualified.objects.filter(superseded=None).order_by("since")
        return list(rows.values_list("since", "until"))

    def has(self, minute: float) -> bool:
        return not list_lacking(self.bob, {self.solder.pk}, moment(minute))


@pytest.fixture
def shop(db: None) -> Shop:
    return Shop()


def test_a_period_has_its_beginning_and_not_its_end(shop: Shop) -> None:
    assert (shop.solder.key, shop.solder.name) == ("SOLDER", "hand soldering")
    period = shop.qualify(10, 20, remark="certificate 7")
    assert (period.vouched_by, period.note) == (shop.plant.ann, "certificate 7")
    assert [shop.has(minute) for minute in (9.99, 10, 19.99, 20)] == [False, True, True, False]


def test_a_renewal_follows_and_a_new_period_takes_the_place_of_what_it_meets(shop: Shop) -> None:
    first = shop.qualify(10, 20)
    shop.qualify(20, 30)
    assert shop.periods() == [(moment(10), moment(20)), (moment(20), moment(30))]
    first.refresh_from_db()
    assert first.superseded is None
    shop.qualify(15)
    assert shop.periods() == [(moment(10), moment(15)), (moment(15), None)]
    first.refresh_from_db()
    assert first.superseded and first.until == moment(20)  # as it was told
    shop.qualify(15, 18)
    assert shop.periods() == [(moment(10), moment(15)), (moment(15), moment(18))]


def test_it_ends_and_what_was_to_come_falls_away(shop: Shop) -> None:
    shop.qualify(10, 20)
    shop.qualify(30)
    (left,) = shop.end(15, reason="failed the yearly test")
    assert left.until == moment(15) and shop.periods() == [(moment(10), moment(15))]
    assert "failed the yearly test" in Event.objects.latest("id").payload
    shop.qualify(40)
    assert shop.end(40) == [] and shop.periods() == [(moment(10), moment(15))]


@pytest.mark.once
def test_whatever_is_told_later_rules_from_its_beginning_to_its_end(shop: Shop) -> None:
    """Against minute by minute, told with no rows at all."""
    dice, had = random.Random(7), [False] * 60
    for _ in range(40):
        since = dice.randrange(50)
        if dice.random() < 0.25 and any(had[since:]):
            shop.end(since)
            had[since:] = [False] * (60 - since)
            continue
        until = since + dice.randint(1, 9) if dice.random() < 0.8 else None
        met = [one for one in shop.periods() if (one[1] is None or one[1] > moment(since))]
        met = [one for one in met if until is None or one[0] < moment(until)]
        shop.qualify(since, until)
        for minute in range(since, 60):
            at = moment(minute)
            if until is None or minute < until:
                had[minute] = True
            elif any(begun <= at and (end is None or at < end) for begun, end in met):
                had[minute] = False
        assert [shop.has(minute) for minute in range(60)] == had
        ends = [end for _, end in shop.periods()]
        begins = [begun for begun, _ in shop.periods()]
        assert all(end and end <= begun for end, begun in zip(ends, begins[1:], strict=False))


WRONG: dict[str, Callable[[Shop], dict[str, Any]]] = {
    "It would end before it begins": lambda s: {"until": moment(5)},
    "is a machine": lambda s: {"person": make_person("TESTER", machine=True)},
    "Nobody vouches for themselves": lambda s: {"vouched_by": s.bob},
    "is no longer here": lambda s: {"person": left(s)},
}


def left(shop: Shop) -> Person:
    return shop.plant.do(retire_person, person=shop.bob)


@pytest.mark.parametrize("why", WRONG)
def test_what_can_not_be_is_refused_and_changes_nothing(shop: Shop, why: str) -> None:
    told = {"person": shop.bob, "qualification": shop.solder, "since": moment(10), **WRONG[why](shop)}
    assert why in str(refused(shop.plant, "qualification-refused", qualify_person, **told))


def test_nobody_loses_what_they_do_not_have_and_a_qualification_has_a_name_and_a_key(shop: Shop) -> None:
    shop.qualify(10, 20)
    with pytest.raises(QualificationRefused, match="not qualified for hand soldering then, nor later"):
        shop.end(20)
    refused(shop.plant, "key-in-use", define_qualification, key="SOLDER", name="again")
    refused(shop.plant, "qualification-refused", define_qualification, key="X", name=" ")
    assert Qualification.objects.count() == 1


def test_who_does_the_work_does_not_say_who_may(shop: Shop) -> None:
    with pytest.raises(NotPermitted):
        shop.qualify(1, by=shop.bob)


def test_nobody_records_that_somebody_else_vouches_for_them(shop: Shop) -> None:
    told = {"person": shop.plant.ann, "qualification": shop.solder, "since": moment(1), "vouched_by": shop.bob}
    assert "vouches for themselves" in refused(shop.plant, "qualification-refused", qualify_person, **told).message
