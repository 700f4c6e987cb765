"""What a containment stops, and what is still missing before it lets a thing go."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace

from django.db.models import Q, QuerySet

from trace.containment.models import Clearing, Containment, Outcome
from trace.containment.narrowed import lacks_approval
from trace.core.clock import OPEN
from trace.genealogy.forward import Carrier, Population
from trace.genealogy.rules import Sureness
from trace.genealogy.stock import list_population_stock
from trace.genealogy.verdicts import Evidence
from trace.genealogy.whereabouts import Place
from trace.holds.models import Decision, Disposition, Hold
from trace.holds.queries import Subject, check_members, find_governing
from trace.holds.rules import Move
from trace.material.models import Axis, Container, Feed, Span

OUT_OF_REACH = frozenset({Place.SHIPPED, Place.SCRAPPED})
"""Where the outermost unit is when there is nothing left to stop."""

PACKAGES = ("carton", "pallet", "shipment")
"""Kinds of what holds units, the inner first."""

STAYS_IN = frozenset({Feed.Kind.BATH, Feed.Kind.BIN})
"""Feeds of which something stays when the container that filled them is taken away."""


def list_holds(containment: Containment) -> QuerySet[Hold]:
    """Every hold that the containment placed, or that was carried on to what came of a thing that it held."""
    return Hold.objects.filter(under=containment.key).order_by("pk")


def is_at_hand(carrier: Carrier) -> bool:
    """Whether a unit carries the suspect, surely or possibly, and is in the plant."""
    return carrier.sureness != Sureness.CLEARED and carrier.where.kind not in OUT_OF_REACH


def list_to_hold(containment: Containment, population: Population, now: int) -> dict[Subject, tuple[Move, ...]]:
    """What a stop at a moment (microseconds) has to hold that the containment does not hold yet, everything of its
    population that is in the plant: kind and key of each, with the moves that a hold on it permits although it is
    suspect. What was released to be used as it is is left out.

    Lots of which every container is wholly suspect. Containers, wholly suspect or in part. Tapes with suspect board
    sets on them. Feeds that go on giving the suspect when the container on them is taken away: a bath or bin that
    anything suspect is in, and a place with material that nobody knows and that may be suspect. They may be emptied
    and loaded, since so they are rid of it, and give nothing before they are released. Units, what is inside others
    too; the cartons, pallets and shipments that hold one. A lot that was released is held anew only with a container.
    """
    carriers = {("unit", carrier.key): carrier for carrier in population.carriers if is_at_hand(carrier)}
    found: dict[Subject, tuple[Move, ...]] = dict.fromkeys([*list_material(population), *carriers], ())
    found |= {("feed", key): (Move.LOAD,) for key in list_feeds(population, now)}
    found = _leave_out_settled(containment, found)
    here = (package for subject in found.keys() & carriers.keys() for package in _packages_of(carriers[subject]))
    full = dict.fromkeys([*here, *_lots_of(found)], ())
    released = list_holds(containment).filter(target_kind="lot").exclude(released=None)
    before = set(released.values_list("target_key", flat=True))
    wholly = {("lot", key) for key in _list_lots(population)}
    lots = {lot for lot in wholly if lot in full or lot[1] not in before}
    found |= dict.fromkeys(lots, ())
    found |= _leave_out_settled(containment, {one: () for one in full if one[0] != "lot"})
    open_holds = list_holds(containment).filter(released=None)
    held = set(open_holds.values_list("target_kind", "target_key"))
    return {subject: permits for subject, permits in found.items() if subject not in held}


def _leave_out_settled(
    containment: Containment, subjects: dict[Subject, tuple[Move, ...]]
) -> dict[Subject, tuple[Move, ...]]:
    settled = _list_settled(containment, subjects.keys())
    return {subject: permits for subject, permits in subjects.items() if subject not in settled}


def _packages_of(carrier: Carrier) -> Iterator[Subject]:
    """What a unit is packed in, from the carton to the shipment."""
    where = carrier.where
    for kind, key in zip(PACKAGES, (where.carton, where.pallet, where.shipment), strict=True):
        if key:
            yield kind, key


def list_material(population: Population) -> list[Subject]:
    """The suspect containers and tapes that are in the plant."""
    return [item.subject for item in list_population_stock(population)]


def _evidences(population: Population) -> list[Evidence]:
    """The evidence behind a population: of a combination that of each part, all of which must say so."""
    return [part.evidence for part in population.parts] or [population.evidence]


def _list_lots(population: Population) -> list[str]:
    """The lots of which every container is wholly suspect."""
    wholly = set.intersection(
        *(
            {pk for pk, suspect in one.suspects.items() if suspect.since == 0 and suspect.whole_until == OPEN}
            for one in _evidences(population)
        )
    )
    wholly.difference_update(*(one.suspects for one in population.excepted))
    lots: dict[str, bool] = {}
    of_lots = Container.objects.filter(lot__containers__in=wholly).distinct()
    for pk, lot in of_lots.values_list("pk", "lot__key"):
        lots[lot] = lots.get(lot, True) and pk in wholly
    return [lot for lot, all_are in lots.items() if all_are]


def _lots_of(subjects: Iterable[Subject]) -> list[Subject]:
    """The lots of these containers, once for each."""
    containers = [key for kind, key in subjects if kind == "container"]
    return [("lot", lot) for lot in Container.objects.filter(key__in=containers).values_list("lot__key", flat=True)]


def list_feeds(population: Population, now: int) -> set[str]:
    """The feeds that give the suspect at a moment, and go on when the container there is taken away. (Heads of a tape
    are held with the tape.)"""
    return set.intersection(*(_feeds_by(one, now) for one in _evidences(population)))


def _feeds_by(evidence: Evidence, now: int) -> set[str]:
    """Those by one suspicion."""
    verdicts = evidence.verdicts
    there = Span.objects.filter(
        Q(container__in=evidence.suspects, feed__kind__in=STAYS_IN) | Q(container=None),
        feed__in=[feed for feed, verdict in verdicts.items() if verdict.possible],
        feed__axis__station__isnull=False,
        superseded=None,
        since__lte=now,
        until__gt=now,
    ).select_related("feed__axis")
    found = set()
    for span in there:
        on_clock = span.feed.axis.kind == Axis.Kind.CLOCK
        first = max(span.first, now) if on_clock else span.first
        if verdicts[span.feed_id].possible.meets(first, span.end - 1):
            found.add(span.feed.key)
    return found


# What is missing before it may go ---------------------------------------------------------------------------------


@dataclass(frozen=True)
class Standing:
    """A thing that a containment holds, the disposition that counts of it, and in a sentence what is `missing` before
    it may be released: empty where nothing is."""

    hold: Hold
    disposition: Disposition | None
    missing: str

    @property
    def subject(self) -> Subject:
        return self.hold.target_kind, self.hold.target_key


AWAITED: Mapping[str, str] = {
    Decision.REWORK: "is to be reworked ({0}), and what is suspect is still in it",
    Decision.REPAIR: "is to be repaired ({0}), and what is suspect is still in it",
    Decision.SCRAP: "is to be scrapped ({0}), and is on no record as scrapped",
    Decision.RETURN: "is to be returned to its supplier ({0}), and is on no record as returned",
    Decision.SORT: "is to be sorted ({0}), and is not cleared by its test",
}
"""Per decision, what is missing until it is carried out."""

TAPE_TO_SCRAP = "Tape {0} is to be scrapped ({1}): once it is cut up, say so where things are looked for."
SCRAPPED_TAPE = "Tape {0} is scrapped ({1}), and stays held, so that nobody mounts it."


def list_scrapped_tapes(containment: Containment) -> set[Subject]:
    """The tapes that it holds which are scrapped: a disposition that counts says so, and somebody scanned them as
    scrapped, of which there is no other record. They stay held, so that nobody mounts them any more."""
    holds = list(list_holds(containment).filter(released=None, target_kind="tape"))
    said = containment.reconciliations.filter(target_kind="tape", outcome=Outcome.SCRAPPED, superseded=None)
    gone = set(said.values_list("target_key", flat=True))
    governing = find_governing([hold for hold in holds if hold.target_key in gone])
    scrapped = {pk for pk, one in governing.items() if one.decision == Decision.SCRAP and check_members(one)}
    return {(hold.target_kind, hold.target_key) for hold in holds if hold.pk in scrapped}


def judge_holds(
    containment: Containment, population: Population, now: int, asked: Collection[Subject] | None = None
) -> list[Standing]:
    """How it stands with everything that a containment holds, by its population at a moment.

    A thing may go when it is no longer in the population (its suspect parts are out, a sort test cleared it, the
    evidence says otherwise), when it is scrapped or has left for its supplier, or when its disposition counts and says
    that it is used as it is. What is inside something scrapped can be taken out of it, and goes once anything is
    decided of it. A lot goes once none of its containers is held, and one that is used up once anything is decided of
    it: more of it may come. A carton, pallet or shipment goes once nothing in it is held. With `asked`, only of these
    (kind, key) is it supposed that they go. Where what is suspect was narrowed, what is out of the population goes only
    once somebody else approved that, unless a sort test cleared it or it is scrapped.
    """
    holds = list(list_holds(containment).filter(released=None))
    governing = find_governing(holds)
    sound = {one.pk: check_members(one) for one in {one.pk: one for one in governing.values()}.values()}
    governing = {pk: one for pk, one in governing.items() if sound[one.pk]}
    carriers = {carrier.key: carrier for carrier in population.carriers if carrier.sureness != Sureness.CLEARED}
    suspect = {*list_material(population), *(("feed", key) for key in list_feeds(population, now))}
    scrapped = {("unit", key) for key, one in carriers.items() if one.where.kind == Place.SCRAPPED}
    suspect |= {("unit", key) for key, one in carriers.items() if ("unit", key) not in scrapped or one.top != key}
    stays = dict.fromkeys(suspect, "is in it")
    found: dict[int, Standing] = {}
    held = {(hold.target_kind, hold.target_key) for hold in holds}
    settled, tapes = _list_settled(containment, suspect - held), list_scrapped_tapes(containment)
    kept = _list_kept(containment, held - suspect - scrapped)
    for hold in holds:
        subject = hold.target_kind, hold.target_key
        if hold.target_kind in (*PACKAGES, "lot"):
            continue
        missing = _say(hold, governing.get(hold.pk), subject in scrapped) if subject in suspect else ""
        if subject in kept:
            missing = _say_kept(hold, governing.get(hold.pk))
        found[hold.pk] = Standing(hold, governing.get(hold.pk), missing)
        if not missing and (asked is None or subject in asked):
            stays.pop(subject, None)
    for subject in settled:
        stays.pop(subject, None)
    for hold in holds:
        one = governing.get(hold.pk)
        if hold.target_kind == "tape" and one and one.decision == Decision.SCRAP and found[hold.pk].missing:
            words = SCRAPPED_TAPE if (hold.target_kind, hold.target_key) in tapes else TAPE_TO_SCRAP
            found[hold.pk] = Standing(hold, one, words.format(hold.target_key, one.key))
    full = _list_full(stays, carriers)
    used_up = {("lot", key) for key in _list_lots(population)}.difference(_lots_of(suspect))
    for hold in holds:
        if hold.pk not in found:
            one = governing.get(hold.pk)
            used = one and one.decision == Decision.USE_AS_IS
            inside = full.get((hold.target_kind, hold.target_key), 0)
            are = "1 thing in it is" if inside == 1 else f"{inside} things in it are"
            missing = f"{_name(hold)}: {are} suspect still, and not settled." if inside and not used else ""
            if (hold.target_kind, hold.target_key) in used_up:
                missing = _say(hold, one, done=True)
            if not missing and (hold.target_kind, hold.target_key) in kept:
                missing = _say_kept(hold, one)
            found[hold.pk] = Standing(hold, one, missing)
    return [found[hold.pk] for hold in holds]


def _list_kept(containment: Containment, out: Collection[Subject]) -> set[Subject]:
    """Those of the held things that are out of the population which may be so by a narrower suspicion that nobody else
    approved."""
    if not lacks_approval(containment):
        return set()
    cleared = Clearing.objects.filter(containment=containment, superseded=None).values_list("unit__key", flat=True)
    return set(out) - {("unit", key) for key in cleared}


def _list_settled(containment: Containment, subjects: Collection[Subject]) -> set[Subject]:
    """Those of these things that the containment held and released, used as they are: they are no concern of it."""
    released = list_holds(containment).exclude(released=None)
    holds = [hold for hold in released if (hold.target_kind, hold.target_key) in subjects]
    governing = find_governing(holds)
    used = (hold for hold in holds if hold.pk in governing and governing[hold.pk].decision == Decision.USE_AS_IS)
    return {(hold.target_kind, hold.target_key) for hold in used}


def leave_out_used(containment: Containment, population: Population) -> Population:
    """A population without the units, containers and tapes that the containment released to be used as they are:
    nothing is to be paid for them any more. One of a moment before now is left as it is."""
    if population.at < OPEN:
        return population
    units = {("unit", carrier.key) for carrier in population.carriers}
    used = _list_settled(containment, {*units, *list_material(population)})
    left = tuple(carrier for carrier in population.carriers if ("unit", carrier.key) not in used)
    return replace(population, carriers=left, left_out=used - units)


def say_used(population: Population, left: Population) -> str:
    """How many outermost units, containers and tapes were left out so; empty where none were."""
    counts = Counter(kind for kind, _ in left.left_out)
    counts["unit"] = len(population.carrying()) - len(left.carrying())
    if not (number := counts.total()):
        return ""
    said = " and ".join(f"{n} {kind}{'s' * (n != 1)}" for kind, n in sorted(counts.items()) if n)
    were, are = ("was", "it is") if number == 1 else ("were", "they are")
    return f"Not in it: {said} that {were} released to be used as {are}."


def _list_full(stays: Iterable[Subject], carriers: Mapping[str, Carrier]) -> dict[Subject, int]:
    """Per carton, pallet, shipment and lot how many of the things that stay are in it."""
    full: dict[Subject, int] = {}
    packed = (package for kind, key in stays if kind == "unit" for package in _packages_of(carriers[key]))
    for subject in (*_lots_of(stays), *packed):
        full[subject] = full.get(subject, 0) + 1
    return full


def _name(hold: Hold) -> str:
    return f"{hold.target_kind.capitalize()} {hold.target_key}"


def _say_kept(hold: Hold, disposition: Disposition | None) -> str:
    """What is missing of a thing that a narrower suspicion left out."""
    if disposition and disposition.decision == Decision.USE_AS_IS:
        return ""
    return (
        f"{_name(hold)} is suspect no longer since what is suspect was narrowed, and no other quality engineer has "
        f"approved {hold.under} as it is."
    )


def _say(hold: Hold, disposition: Disposition | None, done: bool = False) -> str:
    """What is missing while a thing is suspect still; `done`: it is scrap, inside another, or all of it is used up."""
    if disposition is None:
        return f"{_name(hold)} is suspect still, and no disposition counts of it."
    if disposition.decision == Decision.USE_AS_IS or done:
        return ""
    return f"{_name(hold)} {AWAITED[disposition.decision].format(disposition.key)}."
