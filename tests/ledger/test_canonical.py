"""Canonical text: the same for the same facts, on every machine and for ever."""

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, timezone
from decimal import Decimal
from types import SimpleNamespace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.factories import make_person
from trace.core.models import Person
from trace.holds.rules import Move
from trace.ledger.canonical import canonical, plain, records_in, subject_of

simple = st.none() | st.booleans() | st.integers() | st.text()
nested = st.recursive(simple, lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner), max_leaves=20)


@dataclass
class Reading:
    limit: Decimal
    seen: tuple[int, ...]


def test_every_kind_of_value_has_one_text() -> None:
    noon = datetime(2026, 3, 2, 12, tzinfo=UTC)
    value = {
        "b": [1, True, None, "ä\n"],
        "a": Decimal("1.50"),
        "when": noon.astimezone(timezone(timedelta(hours=-5))),
        "day": date(2026, 3, 2),
        "time": time(6, 30),
        "within": timedelta(minutes=1, microseconds=5),
        "move": Move.FIT,
        "reading": Reading(Decimal("0"), (3, 1)),
        "set": {"z", "y"},
        "person": Person(key="ANN"),
    }
    assert canonical(value) == (
        '{"a":"1.50","b":[1,true,null,"ä\\n"],"day":"2026-03-02","move":"fit","person":"person:ANN",'
        '"reading":{"limit":"0","seen":[3,1]},"set":["y","z"],"time":"06:30:00",'
        '"when":"2026-03-02T12:00:00.000000+00:00","within":"PT60.000005S"}'
    )


@given(nested)
def test_the_text_is_stable_under_the_order_of_keys(value) -> None:
    def turned(value):
        if isinstance(value, dict):
            return {key: turned(item) for key, item in reversed(value.items())}
        return [turned(item) for item in value] if isinstance(value, list) else value

    assert canonical(turned(value)) == canonical(value)


@pytest.mark.parametrize(
    "value",
    [1.5, float("nan"), [1, [2.0]], {"a": {"b": 0.1}}, b"x", object(), datetime(2026, 3, 2), (n for n in [1])],  # noqa: DTZ001
    ids=["float", "nan", "in a list", "in a mapping", "bytes", "object", "no zone", "generator"],
)
def test_what_rounds_or_has_no_text_is_refused(value) -> None:
    with pytest.raises(TypeError, match="no canonical text"):
        canonical(value)


def test_a_thing_that_only_looks_like_a_date_has_no_text() -> None:
    with pytest.raises(TypeError):
        plain(SimpleNamespace(isoformat=lambda: "2026"))


@pytest.mark.django_db
def test_records_are_found_however_deep() -> None:
    ann, bob = make_person("ANN"), make_person("BOB")
    found = set(records_in({"a": [ann], "b": ({"c": bob}, "text", b"bytes", 3)}))
    assert found == {ann, bob}
    assert set(records_in(Person.objects.order_by("key"))) == {ann, bob}
    assert subject_of(ann) == ("person", "ANN")
