"""Children that are not known: which units may be the one that is fitted where nobody knows which it is."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterator, Sequence
from typing import NamedTuple

from django.db.models import Q

from trace.core.clock import OPEN
from trace.engineering.queries import list_fitting_parts
from trace.floor.designs import list_revisions_of
from trace.floor.models import Conformity, Fitting, LooseSighting, Packing, Pass, Unit
from trace.genealogy.intervals import Ranges

CHUNK = 5_000


class UnknownChild(NamedTuple):
    """A place of a unit with a child that is not known: surely there from `since` (never, where that is
    `until`), perhaps from `earliest`, until `until` (OPEN while it is); the parts that belong there."""

    unit: int
    designator: str
    earliest: int
    since: int
    until: int
    parts: frozenset[int]


class Proof(NamedTuple):
    """A unit was surely at one place from `first` to `last`, both included: a designator of a unit, or
    elsewhere (None)."""

    first: int
    last: int
    place: tuple[int, str] | None = None


def list_unknown_children(at: int) -> list[UnknownChild]:
    """Every place with a child that is not known, up to a moment (microseconds)."""
    rows = Fitting.objects.filter(Q(since__lte=at) | Q(earliest__lte=at), holds=Fitting.Holds.UNKNOWN, superseded=None)
    revisions = list_revisions_of({row.unit_id for row in rows})
    fitting: dict[tuple[int, str], set[int]] = {}
    found = []
    for row in rows:
        places = [(part, row.designator) for part in revisions[row.unit_id]]
        fitting |= {place: list_fitting_parts(*place) for place in places if place not in fitting}
        parts = frozenset[int]().union(*(fitting[place] for place in places))
        until = OPEN if row.until is None or row.until > at else row.until
        earliest = row.since if row.earliest is None else row.earliest
        found.append(UnknownChild(row.unit_id, row.designator, earliest, row.since, until, parts))
    return found


def find_strangers(
    units: Collection[int], unknown: Sequence[UnknownChild], at: int
) -> Iterator[tuple[int, int, Ranges]]:
    """(unit, parent, moments at which it may be the child of that parent that is not known)."""
    fitting: set[int] = set().union(*(place.parts for place in unknown))
    ordered = sorted(units) if unknown else []
    for start in range(0, len(ordered), CHUNK):
        chunk = ordered[start : start + CHUNK]
        revisions: dict[int, set[int]] = defaultdict(set)
        for pk, part in Unit.objects.filter(pk__in=chunk, part__in=fitting).values_list("pk", "part"):
            revisions[pk].add(part)
        reworked = Conformity.objects.filter(unit__in=chunk, part__in=fitting, superseded=None)
        for pk, part in reworked.values_list("unit", "part"):
            revisions[pk].add(part)
        proofs = _list_proofs(revisions, at)
        for unit, parts in revisions.items():
            for place in unknown:
                if parts & place.parts and (inside := _may_be(place, proofs[unit], at)):
                    yield unit, place.unit, inside


def _may_be(place: UnknownChild, proofs: Sequence[Proof], at: int) -> Ranges:
    """When a unit with these proofs may have been the child at a place.

    What was surely there at one moment is what may be there from then on, until the record says
    otherwise: so a unit that was anywhere else at that moment is not it. Another came after it was last
    surely elsewhere, and had left when it was so again.
    """
    elsewhere = [proof for proof in proofs if proof.place != (place.unit, place.designator)]
    if place.since > at or place.since == place.until:
        inside = Ranges([(place.earliest, place.until)])
        return inside - Ranges((proof.first, min(proof.last, OPEN - 1) + 1) for proof in elsewhere)
    if any(proof.first <= place.since <= proof.last for proof in elsewhere):
        return Ranges()
    came = max((proof.last for proof in elsewhere if proof.last < place.since), default=0)
    left = min((proof.first for proof in elsewhere if proof.first > place.since), default=OPEN)
    return Ranges([(max(place.earliest, came), min(place.until, left))])


def _list_proofs(units: Collection[int], at: int) -> dict[int, list[Proof]]:
    """Where units surely were, up to a moment: not made yet, scanned at or inside a station, fitted,
    packed (and shipped so), seen loose, scrapped. What still is goes on to OPEN."""
    proofs: dict[int, list[Proof]] = defaultdict(list)

    def last(ended: int | None) -> int:
        return OPEN if ended is None or ended > at else ended

    for pk, created, scrapped in Unit.objects.filter(pk__in=units).values_list("pk", "created", "scrapped"):
        proofs[pk].append(Proof(0, created))
        if scrapped is not None and scrapped <= at:
            proofs[pk].append(Proof(scrapped, OPEN))
    visits = Pass.objects.filter(unit__in=units, superseded=None).exclude(outcome=Pass.Outcome.VOID)
    columns = ("unit", "scanned_in", "scanned_out", "inside", "error")
    for pk, came, left, inside, error in visits.values_list(*columns):
        first = left if came is None else came
        if first is not None and first <= at:
            ended = last(left) if inside or left is not None else first
            # Of a moment known within an error: only what was surely between.
            surely = Proof(first + error, ended if ended == OPEN else ended - error)
            if surely.first <= surely.last:
                proofs[pk].append(surely)
    homes = Fitting.objects.filter(child__in=units, superseded=None, since__lte=at)
    for home in homes:
        ended = home.until if home.doubted is None else home.doubted
        proofs[home.child_id or 0].append(Proof(home.since, last(ended), (home.unit_id, home.designator)))
    packed = Packing.objects.filter(unit__in=units, since__lte=at)
    for pk, since, until in packed.values_list("unit", "since", "until"):
        proofs[pk].append(Proof(since, last(until)))
    for pk, seen in LooseSighting.objects.filter(unit__in=units, at__lte=at).values_list("unit", "at"):
        proofs[pk].append(Proof(seen, seen))
    return proofs
