"""Reading signatures, attachments and deviations."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime

from django.db.models import F, Q, QuerySet

from trace.approvals.content import content_digest, content_of
from trace.approvals.models import Attachment, Deviation, Meaning, Signature
from trace.approvals.rules import WORDS, Verdict, judge_signature
from trace.approvals.seals import facts_of, unseal
from trace.core.errors import NotFound, Refusal
from trace.core.models import Person
from trace.core.permissions import APPROVERS, may


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
        digest = content_digest(content_of(signature.target_kind, signature.target_key))
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


def list_approvals(kind: str, key: str, authors: Collection[int]) -> list[Verified]:
    """The approvals on a record, standing or not, by people who may approve its kind (as of then) and are none of its
    `authors` (ids)."""
    return [
        one
        for one in list_signatures(kind, key)
        if one.signature.meaning == Meaning.APPROVED
        and may(one.signature.roles, APPROVERS[kind])
        and one.signature.person_id not in authors
    ]


def find_approval(kind: str, key: str, authors: Collection[int]) -> Verified | None:
    """The first of them that stands: by it the record counts."""
    return next((one for one in list_approvals(kind, key, authors) if one.verdict == Verdict.VALID), None)


def find_deviation_approval(deviation: Deviation) -> Verified | None:
    """The signature by which a deviation counts."""
    return find_approval("deviation", deviation.key, {deviation.opened_by_id})


def find_state(deviation: Deviation, at: datetime) -> str:
    """How it stands with a deviation: revoked, expired, used up, not approved, in force."""
    if deviation.revoked and deviation.revoked <= at:
        return "revoked"
    if deviation.expires <= at:
        return "expired"
    if deviation.used >= deviation.most:
        return "used up"
    return "in force" if find_deviation_approval(deviation) else "not approved"


def list_awaiting(person: Person, at: datetime) -> list[Deviation]:
    """The deviations that wait for an approval which this person may give: a quality engineer, not on their own."""
    if not may(person.roles, APPROVERS["deviation"]):
        return []
    standing = Deviation.objects.filter(Q(revoked=None) | Q(revoked__gt=at), expires__gt=at, used__lt=F("most"))
    others = standing.exclude(opened_by=person).select_related("opened_by").order_by("opened", "pk")
    return [one for one in others if not find_deviation_approval(one)]


def lock_deviations(rules: Collection[str], since: datetime, until: datetime) -> list[Deviation]:
    """The deviations from one of these rules that were in force from one moment to another, whenever that is told, and
    have a use left now; locked: who counts a use of one waits for the others. For use inside operations, after the
    locks on units."""
    standing = Deviation.objects.filter(
        Q(revoked=None) | Q(revoked__gt=until), opened__lte=since, expires__gt=until, used__lt=F("most")
    )
    wanted = [one.pk for one in standing if not set(one.rules).isdisjoint(rules)]
    if not wanted:
        return []
    locked = standing.select_for_update().filter(pk__in=wanted).order_by("pk")
    return [one for one in locked if (approval := find_deviation_approval(one)) and approval.signature.signed <= since]
