"""Customers are told of what was shipped to them: a list, approved by another, sent once."""

from __future__ import annotations

import pytest

from tests.approvals.signing import quality, sign_as
from tests.containment.alarm import Alarm
from tests.factories import ticks
from tests.refusals import refused
from trace.approvals.content import content_of
from trace.approvals.operations import sign
from trace.containment.models import Notice, SnapshotUnit
from trace.containment.operations.notices import send_notice, void_notice, write_notice
from trace.containment.shipped import find_state, list_customers, list_notices_awaiting, list_shipped

pytestmark = pytest.mark.django_db


def written() -> tuple[Alarm, Notice]:
    alarm = Alarm()
    alarm.stop()
    return alarm, alarm.do(write_notice, 40, customer=alarm.customer, text="Please put these aside.")


def test_the_list_has_the_outermost_units_with_what_the_customer_calls_them() -> None:
    alarm = Alarm()
    snapshot = alarm.stop()
    (row,) = list_shipped(snapshot)
    assert (row.unit.key, row.unit.part.key, row.sureness) == (alarm.gone.key, "PRODUCT", "certain")
    assert (row.carton, row.pallet, row.shipment, row.customer, row.since) == ("CT-1", "", "SENT", "CUST", ticks(21))
    assert [one.text for one in row.unit.theirs] == ["THEIRS-1"]
    assert row.unit.order.key == alarm.gone.order.key
    assert list_customers(snapshot) == [alarm.customer]
    assert not list_shipped(snapshot, "OTHER").exists()


def test_it_goes_out_once_another_quality_engineer_has_approved_it() -> None:
    alarm, notice = written()
    refused(alarm.plant, "notice-refused", send_notice, notice=notice, how="by letter")
    assert find_state(notice) == "not approved"
    refused(alarm.plant, "sign-refused", sign, subject=notice, meaning="approved")
    assert list_notices_awaiting(quality()) == [notice]
    assert list_notices_awaiting(alarm.plant.ann) == []
    assert notice.list_digest in content_of("notice", notice.key)
    sign_as(quality(), notice, 41)
    assert find_state(notice) == "approved"
    assert list_notices_awaiting(quality()) == []
    refused(alarm.plant, "notice-refused", send_notice, notice=notice, how=" ")
    sent = alarm.plant.do(send_notice, 42, notice=notice, how="by letter")
    assert (sent.sent, sent.sent_how, find_state(sent)) == (ticks(42), "by letter", "sent")
    refused(alarm.plant, "notice-refused", send_notice, notice=notice, how="by letter")
    refused(alarm.plant, "notice-refused", void_notice, notice=notice, reason="a mistake")


def test_a_list_that_was_changed_after_it_was_approved_does_not_go_out() -> None:
    alarm, notice = written()
    sign_as(quality(), notice, 41)
    SnapshotUnit.objects.filter(unit=alarm.gone).update(carton="CT-9")
    refused(alarm.plant, "notice-refused", send_notice, notice=notice, how="by letter")


def test_a_text_that_was_changed_after_it_was_approved_does_not_go_out() -> None:
    alarm, notice = written()
    sign_as(quality(), notice, 41)
    Notice.objects.update(text="All is well.")
    assert find_state(notice) == "changed"
    refused(alarm.plant, "notice-refused", send_notice, notice=notice, how="by letter")


def test_a_later_one_takes_the_place_of_one_that_did_not_go_out() -> None:
    alarm, notice = written()
    later = alarm.do(write_notice, 45, customer=alarm.customer, text="Please send these back.")
    notice.refresh_from_db()
    assert (notice.reason, find_state(notice)) == (f"{later.key} took its place", "given up")
    refused(alarm.plant, "notice-refused", send_notice, notice=notice, how="by letter")
    sign_as(quality(), later, 46)
    alarm.plant.do(send_notice, 47, notice=later, how="by letter")
    third = alarm.do(write_notice, 48, customer=alarm.customer, text="And these.")
    later.refresh_from_db()
    assert later.superseded is None
    refused(alarm.plant, "notice-refused", void_notice, notice=third, reason="")
    assert alarm.plant.do(void_notice, 49, notice=third, reason="they know").superseded
    refused(alarm.plant, "notice-refused", void_notice, notice=third, reason="they know")


def test_no_notice_without_anything_to_tell() -> None:
    alarm = Alarm()
    told = {"containment": alarm.containment, "text": "Please put these aside."}
    refused(alarm.plant, "notice-refused", write_notice, customer=alarm.customer, **told)  # no snapshot yet
    alarm.stop()
    refused(alarm.plant, "notice-refused", write_notice, customer=alarm.other, **told)
    refused(alarm.plant, "notice-refused", write_notice, customer=alarm.customer, **{**told, "text": " "})
