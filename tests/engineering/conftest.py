from collections.abc import Callable
from datetime import UTC, datetime

import pytest

from tests.factories import make_person
from trace.core.models import Person
from trace.engineering.models import Part, Site
from trace.engineering.operations import define_part, define_site


@pytest.fixture
def at() -> datetime:
    return datetime(2026, 11, 2, 8, tzinfo=UTC)


@pytest.fixture
def by(db) -> Person:
    return make_person("P-001")


@pytest.fixture
def who(by, at) -> dict:
    return {"by": by, "at": at}


@pytest.fixture
def site(who) -> Site:
    return define_site(key="WORKS", name="Works", **who)


@pytest.fixture
def part(who) -> Callable[..., Part]:
    """`part("R-1")` is a component, `part("B-1", 2)` an assembly at level 2."""

    def make(number: str, level: int = 0, **more) -> Part:
        more.setdefault("kind", Part.Kind.ASSEMBLY if level else Part.Kind.COMPONENT)
        return define_part(number=number, name=f"part {number}", level=level, **more, **who)

    return make
