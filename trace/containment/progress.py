"""How far a containment has come: what is found, decided, done; from where on units are clean."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from datetime import datetime

from trace.containment.holding import PACKAGES, list_holds, list_scrapped_tapes
from trace.containment.models import Containment, Outcome, SnapshotUnit
from trace.containment.population import find_latest
from trace.engineering.models import Part
from trace.floor.models import Unit
from trace.genealogy.forward import Population
from trace.genealogy.rules import Sureness
from trace.genealogy.stock import list_population_stock
from trace.genealogy.whereabouts import Whereabouts
from trace.holds.models import Decision
from trace.holds.queries import CHUNK, Subject, find_decided, knows

WORKED = frozenset({Decision.REWORK, Decision.REPAIR, Decision.SORT})
"""Decisions that give work before the thing may go."""

NOT_LOOKED_FOR = "not looked for"
NO_PLACE = "not in the latest snapshot"
PLACED = ("unit", "container", "tape")
"""Kinds that a snapshot has places of. Lots and packages are where what is in them is, and that is held as well."""


@dataclass
class GroupProgress:
    """Of one group of what was held: how many; by what came of looking for each (`NOT_LOOKED_FOR` where nobody has and
    it is not done); how many are decided of, wait for an approval, are being worked on, are done (released or
    scrapped). Of what is not done the one that was held first, since when, and where that is."""

    held: int = 0
    outcomes: Counter[str] = field(default_factory=Counter)
    decided: int = 0
    waiting: int = 0
    worked: int = 0
    done: int = 0
    oldest: Subject | None = None
    oldest_since: datetime | None = None
    oldest_place: str = ""

    @property
    def to_do(self) -> int:
        return self.held - self.done

    @property
    def not_found(self) -> int:
        """Those of which nobody knows where they are: not looked for, or looked for in vain."""
        return self.outcomes[NOT_LOOKED_FOR] + self.outcomes[Outcome.NOT_FOUND.value]


@dataclass(frozen=True)
class Progress:
    """The groups (certain, possible, material, packages; units that no snapshot has as certain are `possible`), and per
    place how many things are not done."""

    groups: Mapping[str, GroupProgress]
    places: Counter[str]

    @property
    def to_do(self) -> int:
        return sum(group.to_do for group in self.groups.values())


def summarise_progress(containment: Containment, population: Population | None = None) -> Progress:
    """How far it is with everything that the containment holds or held. Where a thing is says the `population`; of what
    is not in it, and without one, the latest snapshot."""
    columns = ("target_kind", "target_key", "placed", "recorded", "released")
    holds = list(list_holds(containment).only(*columns))
    latest = {(hold.target_kind, hold.target_key): hold for hold in holds}  # one by one: the last stands
    decided = find_decided(latest, containment.key)
    sureness, places = _read_latest(containment)
    if population:
        places |= {("unit", carrier.key): carrier.where.group for carrier in population.carriers}
        places |= {item.subject: item.where for item in list_population_stock(population)}
    scrapped = _list_scrapped([key for kind, key in latest if kind == "unit"]) | list_scrapped_tapes(containment)
    found = containment.reconciliations.filter(superseded=None)
    outcomes = {
        (kind, key): outcome for kind, key, outcome in found.values_list("target_kind", "target_key", "outcome")
    }
    groups = {name: GroupProgress() for name in ("certain", "possible", "material", "packages")}
    to_do: Counter[str] = Counter()
    for subject, hold in latest.items():
        group = groups[_group_of(subject, sureness)]
        group.held += 1
        done = bool(hold.released) or subject in scrapped
        if not done or subject in outcomes:
            group.outcomes[outcomes.get(subject, NOT_LOOKED_FOR)] += 1
        one = decided.get(subject)
        counts = one.counts if one and one.counts and knows(one.counts, hold) else None
        group.decided += counts is not None
        group.waiting += one is not None and one.waits is not None and knows(one.waits, hold)
        if done:
            group.done += 1
            continue
        group.worked += counts is not None and counts.decision in WORKED
        place = places.get(subject) or (NO_PLACE if subject[0] in PLACED else f"the {subject[0]} itself")
        to_do[place] += 1
        if group.oldest_since is None or hold.placed < group.oldest_since:
            group.oldest, group.oldest_since, group.oldest_place = subject, hold.placed, place
    return Progress(groups, to_do)


def _group_of(subject: Subject, sureness: Mapping[str, str]) -> str:
    kind, key = subject
    if kind == "unit":
        return "certain" if sureness.get(key) == Sureness.CERTAIN.value else "possible"
    return "packages" if kind in PACKAGES else "material"


def _read_latest(containment: Containment) -> tuple[dict[str, str], dict[Subject, str]]:
    """({serial: sureness}, {thing: where it is in words}) of the latest snapshot; what that has as cleared, and
    an earlier one as certain, is certain: it was held as that."""
    snapshot = find_latest(containment)
    if snapshot is None:
        return {}, {}
    sureness, places = {}, {}
    words: dict[tuple, str] = {}
    columns = ("unit__key", "sureness", "place", "place_key", "carton", "shipment", "step")
    for key, sure, *where in snapshot.carriers.values_list(*columns).iterator():
        sureness[key] = sure
        there = tuple(where)
        if there not in words:
            kind, at, _, _, step = there
            words[there] = Whereabouts(kind, at, step=step).group
        places["unit", key] = words[there]
    certain = SnapshotUnit.objects.filter(snapshot__containment=containment, sureness=Sureness.CERTAIN.value)
    for key in certain.exclude(snapshot=snapshot).values_list("unit__key", flat=True).distinct().iterator():
        if sureness.get(key) != Sureness.POSSIBLE.value:  # cleared since: it is done as what it was
            sureness[key] = Sureness.CERTAIN.value
    for kind, key, place in snapshot.stock.values_list("kind", "key", "place"):
        places["tape" if kind == "tape" else "container", key] = place
    return sureness, places


def _list_scrapped(keys: Collection[str]) -> set[Subject]:
    """Those of these units that were scrapped."""
    ordered = sorted(keys)
    found: set[Subject] = set()
    for start in range(0, len(ordered), CHUNK):
        gone = Unit.objects.filter(key__in=ordered[start : start + CHUNK]).exclude(scrapped=None)
        found |= {("unit", key) for key in gone.values_list("key", flat=True)}
    return found


# The clean point ---------------------------------------------------------------------------------------------------


def order_of(unit: Unit) -> tuple[int, int]:
    """Where a unit comes among those of its product: by when it was ordered to be made."""
    return unit.created, unit.pk


def find_last_carrier(population: Population, part: Part) -> Unit | None:
    """The last unit of a product, of whatever revision, that carries the suspect, surely or possibly."""
    carriers = [carrier.unit for carrier in population.carriers if carrier.sureness != Sureness.CLEARED]
    found: list[Unit] = []
    for start in range(0, len(carriers), CHUNK):
        units = Unit.objects.filter(pk__in=carriers[start : start + CHUNK], part__number=part.number)
        found += units.order_by("-created", "-pk")[:1]
    return max(found, key=order_of, default=None)


def propose_clean_point(population: Population, part: Part) -> Unit | None:
    """The unit of a product that comes next after the last that carries the suspect; None where none does, or where
    that was the last of all. That it is clean by the record is not that it is: somebody declares it."""
    last = find_last_carrier(population, part)
    if last is None:
        return None
    of_product = Unit.objects.filter(part__number=part.number, created__gte=last.created).order_by("created", "pk")
    return next((unit for unit in of_product.iterator() if order_of(unit) > order_of(last)), None)
