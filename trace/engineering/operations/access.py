"""How people get in at stations: badges with their PINs."""

from __future__ import annotations

from datetime import datetime

from django.contrib.auth.hashers import make_password

from trace.core.models import Badge, Person
from trace.core.secrecy import Secret, badge_digest, clean_scan
from trace.engineering.operations.common import changing, save_checked
from trace.engineering.operations.people import AccountRefused
from trace.engineering.rules import explain_weak_pin


class BadgeRefused(AccountRefused):
    """A badge or its PIN can't be used so."""

    code = "badge-refused"
    action = "Give another, and try again."


@changing
def issue_badge(*, person: Person, code: Secret, pin: Secret, by: Person, at: datetime) -> Badge:
    """The badge with this code is the person's; with the PIN it opens devices to them. A badge they had ends.

    Neither code nor PIN is kept, nor told to any record. Refuses with BadgeRefused a machine, who left, a code that is
    empty or on another's badge, and a PIN that is no number of 4 to 12 digits or easily guessed.
    """
    if person.is_machine or person.retired:
        raise BadgeRefused(f"{person} {'is a machine' if person.is_machine else 'is no longer here'}.", action="")
    if not clean_scan(code.value):
        raise BadgeRefused("The badge’s code is empty.", action="Scan the badge.")
    why = explain_weak_pin(pin.value)
    if not why and pin.value in code.value:
        why = "The PIN can be read on the badge."
    if why:
        raise BadgeRefused(why, action="Choose another PIN, and tell it to nobody.")
    Badge.objects.filter(person=person, ended=None).update(ended=at)
    digest = badge_digest(code.value)
    if taken := Badge.objects.select_related("person").filter(digest=digest, ended=None).first():
        raise BadgeRefused(f"That badge is {taken.person}’s.", action="Give another badge, or end theirs first.")
    badge = Badge(person=person, digest=digest, pin=make_password(pin.value), issued=at)
    save_checked(badge, BadgeRefused)
    return badge


@changing
def end_badge(*, person: Person, by: Person, at: datetime) -> Badge:
    """The person's badge opens nothing any more, from the next page on. Refuses with BadgeRefused who has none."""
    badge = Badge.objects.filter(person=person, ended=None).first()
    if badge is None:
        raise BadgeRefused(f"{person} has no badge in use.", action="")
    badge.ended = at
    badge.save(update_fields=["ended"])
    return badge
