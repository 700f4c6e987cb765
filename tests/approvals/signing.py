"""People who sign, and deviations as they stand in tests."""

from __future__ import annotations

from typing import Any

from tests.factories import Plant, make_person, moment
from trace.approvals.models import Deviation, Signature
from trace.approvals.operations import sign
from trace.core.clock import telling
from trace.core.models import Person
from trace.core.permissions import Role
from trace.engineering.models import Part
from trace.floor.operations.deviations import open_deviation


def sign_as(by: Person, subject: Any, minute: float = 5, meaning: str = "approved") -> Signature:
    """A signature by somebody, so many minutes after START."""
    with telling(moment(minute)):
        return sign(subject=subject, meaning=meaning, by=by, at=moment(minute))


def quality(key: str = "QUINN") -> Person:
    return Person.objects.filter(key=key).first() or make_person(key, roles=[Role.QUALITY])


def deviation(plant: Plant, *, approved: float | None = 2, **fields: Any) -> Deviation:
    """One that Ann opened at minute 1 and Quinn approved."""
    told = {
        "key": "DEV-1", "rules": ["not-due"], "scope": ["part:BOARD", "step:10"], "reason": "The machine is down.",
        "expires": moment(600), "most": 3, **fields,
    }  # fmt: skip
    it = plant.do(open_deviation, 1, **told)
    if approved is not None:
        sign_as(quality(), it, approved)
    return it


def approved(part: Part) -> Part:
    """The part, as Quinn approved it."""
    sign_as(quality(), part)
    return part
