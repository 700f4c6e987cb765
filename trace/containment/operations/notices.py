"""Telling customers what was shipped to them."""

from __future__ import annotations

from datetime import datetime

from trace.containment.models import Containment, Notice
from trace.containment.operations.alarms import lock_open
from trace.containment.population import find_latest
from trace.containment.shipped import digest_list, find_notice_approval, list_shipped
from trace.core.clock import now_ticks, to_ticks
from trace.core.errors import Refusal
from trace.core.keys import clean_text, next_key
from trace.core.models import Person
from trace.floor.models import Customer
from trace.ledger.operation import note, operation


class NoticeRefused(Refusal):
    """A notice can't be written, sent or voided so."""

    code = "notice-refused"
    action = "Correct what is named, and try again."


@operation()
def write_notice(*, containment: Containment, customer: Customer, text: str, by: Person, at: datetime) -> Notice:
    """What a customer is to be told of what the latest snapshot has as shipped to them. One to them that has not gone
    out is superseded.

    Whether and when a customer, or an authority, must be told is for qualified people to decide, under the law and the
    contract that apply. Refuses with NoticeRefused without a text, without a snapshot, and a customer to whom none of
    it was shipped; with ContainmentRefused, BadText.
    """
    containment = lock_open(containment)
    text = clean_text(text, 2000, "The notice")
    if not text:
        raise NoticeRefused("Say what the customer is told.", action="What is suspect, what it may do, what to do now.")
    snapshot = find_latest(containment)
    if snapshot is None:
        raise NoticeRefused(f"{containment} has no snapshot yet.", action="Take one, or stop it.")
    if not list_shipped(snapshot, customer.key).exists():
        raise NoticeRefused(f"By {snapshot}, nothing suspect was shipped to {customer}.", action="Look at its list.")
    key = next_key(Notice, "N")
    former = containment.notices.filter(customer=customer, sent=None, superseded=None)
    former.update(superseded=now_ticks(), reason=f"{key} took its place")
    return Notice.objects.create(
        key=key,
        containment=containment,
        customer=customer,
        snapshot=snapshot,
        text=text,
        list_digest=digest_list(snapshot, customer.key),
        drafted=to_ticks(at),
        drafted_by=by,
    )


@operation()
def send_notice(*, notice: Notice, how: str, by: Person, at: datetime) -> Notice:
    """Somebody sent the notice, and `how`: this only records it. Refuses with NoticeRefused one that no other quality
    engineer has approved as it is now, whose list is not the one that was approved, that was sent or given up; without
    a word how; with BadText."""
    notice = _lock_unsent(notice)
    how = clean_text(how, 120, "How it was sent")
    if not how:
        raise NoticeRefused("Say how it was sent.", action="Such as: by registered letter.")
    if not find_notice_approval(notice):
        raise NoticeRefused(
            f"{notice} is not approved.", action="Have another quality engineer read it and approve it by signature."
        )
    if digest_list(notice.snapshot, notice.customer.key) != notice.list_digest:
        raise NoticeRefused(f"The list of {notice} is no longer what was approved.", action="Call the administrator.")
    notice.sent, notice.sent_by, notice.sent_how = to_ticks(at), by, how
    notice.save(update_fields=["sent", "sent_by", "sent_how"])
    note(notice.containment, notice.customer)
    return notice


@operation()
def void_notice(*, notice: Notice, reason: str, by: Person, at: datetime) -> Notice:
    """A notice does not go out. Refuses with NoticeRefused without a reason, one that was sent or given up."""
    notice = _lock_unsent(notice)
    reason = clean_text(reason, 300, "The reason")
    if not reason:
        raise NoticeRefused("Say why it does not go out.", action="Give the reason in a sentence.")
    notice.superseded, notice.reason = now_ticks(), reason
    notice.save(update_fields=["superseded", "reason"])
    note(notice.containment, notice.customer)
    return notice


def _lock_unsent(notice: Notice) -> Notice:
    """The notice as it is now, locked after its containment."""
    lock_open(notice.containment)
    notice = Notice.objects.select_for_update(of=("self",)).select_related("snapshot", "customer").get(pk=notice.pk)
    if notice.sent is not None:
        raise NoticeRefused(f"{notice} was sent before.", action="Write another one for what is to be told now.")
    if notice.superseded is not None:
        raise NoticeRefused(f"{notice} was given up: {notice.reason}.", action="Use the one that stands, or write one.")
    return notice
