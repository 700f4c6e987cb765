"""Electronic signatures and the records they are bound to, by the paragraphs of 21 CFR Part 11."""

from __future__ import annotations

import json
from collections.abc import Callable

import pytest
from django.db import connection

from tests.approvals.signing import deviation, quality, sign_as
from tests.factories import Plant, make_person, moment
from tests.refusals import refused
from trace.approvals.content import SIGNED, content_digest, content_of, find_record
from trace.approvals.models import Signature
from trace.approvals.operations import sign
from trace.approvals.queries import list_signatures, verify_signature
from trace.containment.operations.alarms import open_containment
from trace.core.permissions import Role
from trace.engineering.models import Part
from trace.holds.operations import decide_disposition, place_holds, release_hold
from trace.ledger import triggers
from trace.ledger.models import Event
from trace.material.models import Lot

pytestmark = pytest.mark.django_db


def tamper(signature: Signature, **fields: object) -> Signature:
    """As somebody could who writes past every trigger."""
    triggers.drop(connection)
    Signature.objects.filter(pk=signature.pk).update(**fields)
    triggers.install(connection)
    return Signature.objects.get(pk=signature.pk)


def verdict(signature: Signature) -> str:
    return verify_signature(Signature.objects.get(pk=signature.pk)).verdict


def test_11_50_a_signature_has_printed_name_date_and_time_and_meaning() -> None:
    plant = Plant()
    quinn, lot = quality(), plant.lot("K77")
    signature = sign_as(quinn, lot, 5)
    assert (signature.name, signature.signed, signature.get_meaning_display()) == ("Quinn", moment(5), "approval")
    assert (signature.target_kind, signature.target_key, signature.roles) == ("lot", "K77", ["quality"])
    assert verdict(signature) == "valid"
    quinn.name, quinn.roles = "Quinn Married", []
    quinn.save()
    assert Signature.objects.get(pk=signature.pk).name == "Quinn" and verdict(signature) == "valid"


def test_11_70_a_signature_moved_to_another_record_does_not_verify() -> None:
    plant = Plant()
    lot, other = plant.lot("K77"), plant.lot("K78")
    signature = sign_as(quality(), lot)
    assert verdict(tamper(signature, target_key=other.key)) == "moved"
    assert verdict(tamper(signature, target_kind="part", target_key="RES")) == "moved"
    assert verdict(tamper(signature, target_key="NONE")) == "moved"
    assert verdict(tamper(signature, target_kind="lot", target_key="K77")) == "valid"
    assert verdict(tamper(signature, digest=content_digest(content_of("lot", "K78")))) == "moved"
    second = sign_as(quality("BO"), other)
    assert verdict(tamper(signature, seal=second.seal, digest=signature.digest)) == "moved"


def test_11_70_a_signature_that_was_changed_or_made_up_is_forged() -> None:
    plant = Plant()
    signature = sign_as(quality(), plant.lot("K77"))
    bo = make_person("BO")
    was = {"name": "Quinn", "person": signature.person, "roles": ["quality"], "seal": signature.seal}
    for change in (
        {"name": "Bo"}, {"person": bo}, {"signed": moment(6)}, {"meaning": "reviewed"}, {"roles": []},
        {"seal": signature.seal[:-1]}, {"seal": ""}, {"seal": "x:y"},
    ):  # fmt: skip
        assert verdict(tamper(signature, **change)) == "forged", change
        tamper(signature, signed=moment(5), meaning="approved", **was)
    assert verdict(signature) == "valid"


def test_11_10_e_an_edit_leaves_the_old_value_readable_with_who_when_and_why() -> None:
    plant = Plant()
    lot = plant.lot("K77", number="2406/A")
    (hold,) = plant.do(place_holds, 3, targets=[lot], reason="Parts drift.")
    signature = sign_as(quality(), hold, 5)
    plant.do(release_hold, 7, hold=hold, reason="Sorted, report 12.")
    told = verify_signature(Signature.objects.get(pk=signature.pk))
    assert told.verdict == "changed since" and "stands on the record" in told.sentence
    event = Event.objects.get(verb="sign")
    signed = json.loads(json.loads(event.payload)["facts"]["signed"])
    assert signed["content"][0]["reason"] == "Parts drift." and signed["content"][0]["released"] is None
    assert content_digest(json.loads(event.payload)["facts"]["signed"]) == signature.digest
    release = Event.objects.select_related("by").get(verb="release_hold")
    assert (release.by, release.happened) == (plant.ann, moment(7)) and "report 12" in release.payload
    assert event.subjects.filter(kind="hold", key=str(hold.pk)).exists()


def test_every_kind_that_is_signed_has_its_content_and_the_same_every_time() -> None:
    plant = Plant()
    (board,) = plant.boards(1)
    plant.run(board, plant.insertion, 6, 7)
    (hold,) = plant.do(place_holds, 8, targets=[plant.lot("K77")], reason="x")
    it = deviation(plant)
    told = {"decision": "rework", "reason": "reviewed"}
    plant.do(decide_disposition, 8, key="D-1", subject=board, **told)
    alarm = plant.do(open_containment, 8, problem="x")
    keys = {
        "lot": "K77", "part": "BOARD", "setup": "SETUP", "unit": board.key, "workorder": board.order.key,
        "hold": str(hold.pk), "deviation": it.key, "disposition": "D-1", "containment": alarm.key,
    }  # fmt: skip
    assert set(SIGNED) == {*keys, "attachment", "notice"}  # of the latter: tests/containment/test_notices.py
    for kind, key in keys.items():
        content = content_of(kind, key)
        assert content == content_of(kind, key) and json.loads(content)["content"], kind
        sign_as(plant.ann, find_record(kind, key), minute=9, meaning="reviewed")
        assert [one.verdict for one in list_signatures(kind, key)][-1] == "valid", kind
    content = json.loads(content_of("part", "BOARD"))["content"]
    assert sum("lines__quantity" in row for row in content) == 3  # a row for each place


CHANGES: dict[str, Callable[[Part], object]] = {
    "route": lambda part: part.steps.filter(number=10).update(caution="Hot."),
    "where": lambda part: part.steps.get(number=10).stations.clear(),
    "limits": lambda part: part.characteristics.update(upper=8),
    "placements": lambda part: part.placements.update(x=2),
    "lines": lambda part: part.lines.filter(number=10).update(quantity=7),
}


@pytest.mark.parametrize("change", CHANGES)
def test_11_70_a_signed_part_is_its_route_limits_and_placements_too(change: str) -> None:
    plant = Plant()
    plant.board.characteristics.create(step_number=10, number=1, name="Height", unit_of_measure="mm", upper=9)
    plant.board.placements.create(number=1, designator="R1", x=1, y=1, rotation=0, side="top")
    signature = sign_as(plant.ann, plant.board, meaning="reviewed")
    assert verdict(signature) == "valid"
    CHANGES[change](plant.board)
    assert verdict(signature) == "changed since"


def test_what_a_unit_says_changes_with_its_next_pass() -> None:
    plant = Plant()
    (board,) = plant.boards(1)
    signature = sign_as(quality(), board)
    plant.run(board, plant.insertion, 6, 7)
    assert verdict(signature) == "changed since"


def test_what_cannot_be_signed() -> None:
    plant = Plant()
    lot = plant.lot("K77")
    robot = make_person("ROBOT", machine=True)
    refused(plant, "sign-refused", sign, subject=lot, meaning="approved", by=robot)
    refused(plant, "sign-refused", sign, subject=lot, meaning="praised")
    refused(plant, "not-signed", sign, subject=plant.supplier, meaning="approved")
    refused(plant, "not-found", sign, subject=Lot(key="NONE"), meaning="approved")
    refused(plant, "not-permitted", sign, subject=lot, meaning="approved", by=make_person("OP", roles=[Role.OPERATOR]))
    sign_as(plant.ann, lot)
    refused(plant, "sign-refused", sign, subject=lot, meaning="approved")
    sign_as(plant.ann, lot, 6, "responsible")


def test_a_key_that_was_in_use_before_still_verifies(settings) -> None:
    plant = Plant()
    signature = sign_as(quality(), plant.lot("K77"))
    old, settings.SECRET_KEY = settings.SECRET_KEY, "another key, of sixty characters or so, for this test alone"
    settings.SECRET_KEY_FALLBACKS = []
    assert verdict(signature) == "forged"
    settings.SECRET_KEY_FALLBACKS = [old]
    assert verdict(signature) == "valid"
