"""Reading dispositions: what counts of what was decided."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass
from itertools import islice

from django.db.models import Q, QuerySet

from trace.approvals.queries import Verified, find_approval, list_approvals
from trace.approvals.rules import Verdict
from trace.core.errors import NotFound
from trace.core.models import Person
from trace.core.permissions import APPROVERS, may
from trace.holds.models import Disposition, DispositionMember, Hold
from trace.holds.rules import Move, digest_members

KIND = "disposition"
CONTAINMENT = "containment"
"""What a disposition is of that was decided for what a containment holds."""

CHUNK = 5_000

Subject = tuple[str, str]
"""The kind and key of a thing."""


def chunked(subjects: Iterable[Subject], size: int) -> Iterator[list[Subject]]:
    """So many at a time."""
    rest = iter(subjects)
    while chunk := list(islice(rest, size)):
        yield chunk


def get_disposition(key: str) -> Disposition:
    """The disposition of a key. Refuses with NotFound."""
    found = Disposition.objects.select_related("decided_by", "withdrawn_by").filter(key=key).first()
    if found is None:
        raise NotFound(f"There is no disposition {key[:60]}.", action="Look for it in the list of dispositions.")
    return found


def find_disposition_approval(disposition: Disposition) -> Verified | None:
    """The signature by which a disposition counts."""
    return find_approval(KIND, disposition.key, {disposition.decided_by_id})


def list_dispositions(kind: str, key: str) -> QuerySet[Disposition]:
    """What was decided on a thing, alone or with others, the latest first."""
    together = DispositionMember.objects.filter(kind=kind, key=key).values("disposition")
    named = Q(target_kind=kind, target_key=key) | Q(pk__in=together)
    return Disposition.objects.filter(named).order_by("-decided", "-pk")


@dataclass
class Decided:
    """What was decided on a thing: the disposition that counts, and a later one that waits for its approval."""

    counts: Disposition | None = None
    waits: Disposition | None = None
    over: bool = False
    """The latest that was ever approved is found: what came before it counts no more, though it be withdrawn."""


def find_decided(subjects: Iterable[Subject], under: str | None = None) -> dict[Subject, Decided]:
    """What was decided on each of these things (kind, key), of those of which anything was; with `under` no more than
    what settles a hold under the containment of that key, or under none where it is empty (`_settles`). Two queries for
    every few thousand of them; whether a disposition is approved is asked once, however many things it decides of."""
    found: dict[Subject, Decided] = {}
    approved: dict[int, bool] = {}
    for chunk in chunked(subjects, CHUNK):
        for subject, one in _list_named(set(chunk)):
            if under is not None and not _settles(one, under):
                continue
            decided = found.setdefault(subject, Decided())
            if decided.over:
                continue
            if one.pk not in approved:
                approved[one.pk] = _was_approved(one)
            if approved[one.pk]:
                decided.over, decided.counts = True, None if one.withdrawn else one
            elif not one.withdrawn and decided.waits is None:
                decided.waits = one
    return found


def _settles(disposition: Disposition, under: str) -> bool:
    """Whether a disposition says anything of a hold under a containment (empty: under none). One that was decided for
    a containment speaks of what that suspects, and not of what else is wrong with the thing."""
    return disposition.target_kind != CONTAINMENT or disposition.target_key == under


def find_dispositions(subjects: Collection[Subject], under: str | None = None) -> dict[Subject, Disposition]:
    """What counts of what was decided on each of these things, alone or with others: the latest that was approved.
    Where that is withdrawn nothing does: what was decided before it does not come back by itself. `under` as in
    `find_decided`."""
    return {subject: one.counts for subject, one in find_decided(subjects, under).items() if one.counts}


def _list_named(subjects: Collection[Subject]) -> list[tuple[Subject, Disposition]]:
    """Each of these things with each disposition that decides of it, the latest first."""
    kinds, keys = {kind for kind, _ in subjects}, {key for _, key in subjects}
    direct = Disposition.objects.filter(target_kind__in=kinds, target_key__in=keys)
    named = [((one.target_kind, one.target_key), one) for one in direct]
    members = DispositionMember.objects.filter(kind__in=kinds, key__in=keys).values_list("kind", "key", "disposition")
    if rows := list(members):
        together = Disposition.objects.in_bulk({pk for _, _, pk in rows})
        named += [((kind, key), together[pk]) for kind, key, pk in rows]
    wanted = [(subject, one) for subject, one in named if subject in subjects]
    return sorted(wanted, key=lambda row: (row[1].decided, row[1].pk), reverse=True)


def _was_approved(disposition: Disposition) -> bool:
    """Whether a disposition counts; of one that is withdrawn, whether it did: that changed what was signed."""
    if not disposition.withdrawn:
        return find_disposition_approval(disposition) is not None
    approvals = list_approvals(KIND, disposition.key, {disposition.decided_by_id})
    return any(one.verdict in (Verdict.VALID, Verdict.CHANGED) for one in approvals)


def list_members(disposition: Disposition) -> list[Subject]:
    """The things of which a disposition decides."""
    if disposition.member_digest is None:
        return [(disposition.target_kind, disposition.target_key)]
    return list(disposition.members.order_by("kind", "key").values_list("kind", "key"))


def check_members(disposition: Disposition) -> bool:
    """Whether a disposition has the members that were signed for."""
    if disposition.member_digest is None:
        return True
    return digest_members(list_members(disposition)) == disposition.member_digest


def find_state(disposition: Disposition) -> str:
    """How it stands with a disposition: withdrawn, not approved, altered, overtaken by later ones, in force (though
    only of some of the things of which it decides)."""
    if disposition.withdrawn:
        return "withdrawn"
    if not find_disposition_approval(disposition):
        return "not approved"
    if not check_members(disposition):
        return "altered"
    under = disposition.target_key if disposition.target_kind == CONTAINMENT else ""
    members = chunked(list_members(disposition), CHUNK)
    rules = (disposition in find_dispositions(chunk, under).values() for chunk in members)
    return "in force" if any(rules) else "overtaken"


def list_dispositions_awaiting(person: Person) -> list[Disposition]:
    """The dispositions that wait for an approval which this person may give, never on their own."""
    if not may(person.roles, APPROVERS[KIND]):
        return []
    others = (
        Disposition.objects.filter(withdrawn=None)
        .exclude(decided_by=person)
        .select_related("decided_by")
        .order_by("decided", "pk")
    )
    return [one for one in others if not find_disposition_approval(one)]


def find_governing(holds: Collection[Hold]) -> dict[int, Disposition]:
    """Per hold (by its id) the disposition that counts of what it is on: one decided since the hold was placed, and in
    knowledge of it, whatever moments were told; of those that were decided for a containment, of its own holds only."""
    found: dict[int, Disposition] = {}
    for under in {hold.under for hold in holds}:
        those = {hold: (hold.target_kind, hold.target_key) for hold in holds if hold.under == under}
        decided = find_dispositions(set(those.values()), under)
        found |= {h.pk: decided[it] for h, it in those.items() if it in decided and knows(decided[it], h)}
    return found


def knows(disposition: Disposition, hold: Hold) -> bool:
    """Whether a disposition was decided in knowledge of a hold."""
    return disposition.decided >= hold.placed and disposition.recorded >= hold.recorded


def list_refusing(move: Move, holds: Collection[Hold]) -> list[Hold]:
    """Those of these open holds whose disposition does not permit the move."""
    governing = find_governing(holds)
    return [hold for hold in holds if hold.pk not in governing or move.value not in governing[hold.pk].permits]
