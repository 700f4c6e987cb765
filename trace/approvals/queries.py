"""Reading signatures, attachments and deviations."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime

from django.db.models import F, Q, QuerySet

from trace.approvals.content import content_of, digest_of
from trace.approvals.models import Attachment, Deviation, Meaning, Signature
from trace.approvals.rules import WORDS, Verdict, judge_signature
from trace.approvals.seals import facts_of, unseal
from trace.core.errors import NotFound, Refusal
from trace.core.models import Person
from trace.core.permissions import Role


@dataclass(frozen=True)
class Verified:
    """A signature and what became of it."""

    signature: Signature
    verdict: Verdict

    @property
    def sentence(self) -> str:
        """The verdict in words."""
        return WORDS[self.verdict]


def verify_signature(signature: Signature) -> Verified:
    """Whether a signature stands: the record says what was signed, the signature was made for it, and here."""
    try:
        digest = digest_of(content_of(signature.target_kind, signature.target_key))
    except Refusal:  # it names a record that there is not
        digest = ""
    return Verified(signature, judge_signature(facts_of(signature), unseal(signature.seal), digest))


def list_signatures(kind: str, key: str) -> list[Verified]:
    """The signatures on a record in their order, each with what became of it."""
    found = Signature.objects.filter(target_kind=kind, target_key=key).select_related("person").order_by("id")
    return [verify_signature(signature) for signature in found]


def list_attachments(kind: str, key: str) -> QuerySet[Attachment]:
    """The files with a thing."""
    return Attachment.objects.filter(target_kind=kind, target_key=key).select_related("by").order_by("id")


def get_deviation(key: str) -> Deviation:
    """The deviation of a key. Refuses with NotFound."""
    found = Deviation.objects.select_related("opened_by", "revoked_by").filter(key=key).first()
    if found is None:
        raise NotFound(f"There is no deviation {key[:60]}.", action="Look for it in the list of deviations.")
    return found


def find_approval(deviation: Deviation) -> Verified | None:
    """The first signature by which a deviation counts: an approval that stands, by a quality engineer (as of then)
    who is not its author."""
    return next(
        (
            one
            for one in list_signatures("deviation", deviation.key)
            if one.signature.meaning == Meaning.APPROVED
            and Role.QUALITY in one.signature.roles
            and one.signature.person_id != deviation.opened_by_id
            and one.verdict == Verdict.VALID
        ),
        None,
    )


def find_state(deviation: Deviation, at: datetime) -> str:
    """How it stands with a deviation: revoked, expired, used up, not approved, in force."""
    if deviation.revoked and deviation.revoked <= at:
        return "revoked"
    if deviation.expires <= at:
        return "expired"
    if deviation.used >= deviation.most:
        return "used up"
    return "in force" if find_approval(deviation) else "not approved"


def list_awaiting(person: Person, at: datetime) -> list[Deviation]:
    """The deviations that wait for an approval which this person may give: a quality engineer, not on their own."""
    if Role.QUALITY not in person.roles:
        return []
    standing = Deviation.objects.filter(Q(revoked=None) | Q(revoked__gt=at), expires__gt=at, used__lt=F("most"))
    others = standing.exclude(opened_by=person).select_related("opened_by").order_by("opened", "pk")
    return [one for one in others if not find_approval(one)]


def lock_deviations(rules: Collection[str], at: datetime) -> list[Deviation]:
    """The deviations from one of these rules that are in force at a moment, locked: who counts a use of one waits for
    the others. For use inside operations, after the locks on units."""
    standing = Deviation.objects.filter(
        Q(revoked=None) | Q(revoked__gt=at), opened__lte=at, expires__gt=at, used__lt=F("most")
    )
    wanted = [one.pk for one in standing if not set(one.rules).isdisjoint(rules)]
    if not wanted:
        return []
    locked = standing.select_for_update().filter(pk__in=wanted).order_by("pk")
    return [one for one in locked if (approval := find_approval(one)) and approval.signature.signed <= at]
