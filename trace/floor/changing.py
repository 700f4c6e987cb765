"""The plan of a changeover: which feed gives what to an assembly that is built here next, and what is left to do.

Nothing of the plan is kept. It follows from the last set-up of the assembly here and from what lies on the feeds now,
so that each scan moves it on, whoever scans and wherever.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from trace.engineering.models import Designator, Part, Step
from trace.engineering.queries import list_places_of
from trace.engineering.rules import run_together
from trace.floor.setups import Bank, FeedState
from trace.material.models import Container, Feed, SetUp
from trace.material.operations.setups import WrongPart


@dataclass
class Place:
    """Designators that one feed gives the same part to: the part designed in, the ids of those that may stand there,
    and the feed proposed; None where none is free."""

    names: tuple[str, ...]
    part: Part
    fitting: frozenset[int]
    last: int | None
    feed: FeedState | None = None

    @property
    def designators(self) -> str:
        return run_together(self.names)

    def fits(self, feed: FeedState) -> bool:
        """Whether what lies on a feed belongs there, as far as it is known."""
        return bool(feed.known) and all(container.part_id in self.fitting for container in feed.known)

    @property
    def ready(self) -> bool:
        return self.feed is not None and self.fits(self.feed)

    @property
    def to_empty(self) -> bool:
        """Whether something else lies there."""
        return self.feed is not None and bool(self.feed.known) and not self.ready

    @property
    def todo(self) -> str:
        """What is to be done there, in words."""
        if self.feed is None:
            return "no feed is free: take something off one"
        if self.ready:
            return "in place"
        return "take off, then load" if self.to_empty else "load"


@dataclass(frozen=True)
class Changeover:
    """What is to be built next and where that stands. `before` is its set-up in force; `in_the_way` are those of other
    assemblies whose feeds it takes, to be ended first; `leftover` are feeds with something on them that nothing needs
    after it."""

    bank: Bank
    assembly: Part
    before: SetUp | None
    places: Sequence[Place]
    in_the_way: Sequence[SetUp]
    leftover: Sequence[FeedState]
    owed: bool
    """Whether a step of it here asks for a set-up, though none draws from a feed."""

    @property
    def feeds(self) -> dict[str, Feed]:
        """As `start_setup` takes them."""
        return {name: place.feed.feed for place in self.places if place.feed for name in place.names}

    @property
    def ready(self) -> bool:
        return (bool(self.places) or self.owed) and not self.in_the_way and all(place.ready for place in self.places)

    @property
    def unchanged(self) -> bool:
        """Whether just this is set up already; where it draws from no feed, every changeover counts."""
        return (
            bool(self.places)
            and self.before is not None
            and self.feeds == {line.designator: line.feed for line in self.before.lines.select_related("feed")}
        )

    def place_of(self, feed: Feed) -> Place | None:
        return next((place for place in self.places if place.feed and place.feed.feed == feed), None)

    def is_leftover(self, feed: Feed) -> bool:
        return any(one.feed == feed for one in self.leftover)

    @property
    def next(self) -> Place | None:
        """What is done next."""
        return next((place for place in self.places if not place.ready), None)


def plan_changeover(bank: Bank, assembly: Part) -> Changeover:
    """What it takes to build an assembly at a station next.

    The designators are those of its steps there that are drawn from feeds: all that take no serialised unit; where its
    number was set up here before, without those that no feed served then. A feed is proposed that holds the part, the
    one of the last set-up first; else that one, to be loaded; else a free one; else one that serves another assembly.
    """
    before = next((one.setup for one in bank.setups if _is_here(one.setup, assembly)), None)
    last = _find_last(bank, assembly)
    places = _list_places(bank, assembly, last)
    _propose(places, bank, assembly)
    taken = {place.feed.feed.pk for place in places if place.feed}
    others = [one.setup for one in bank.setups if one.setup.axis.tape_id is None and one.setup != before]
    in_the_way = _list_in_the_way(places, others)
    staying = {setup.assembly.key for setup in others if setup not in in_the_way}
    leftover = [
        one
        for one in bank.feeds
        if one.known
        and one.feed.pk not in taken
        and one.feed.kind != Feed.Kind.BATH
        and not staying & one.serves.keys()
    ]
    asking = Step.objects.filter(part=assembly, stations=bank.station).exclude(verification="", first_piece=False)
    return Changeover(bank, assembly, before, places, in_the_way, leftover, not places and asking.exists())


def check_planned(plan: Changeover, feed: Feed, container: Container) -> None:
    """Refuse with WrongPart what the plan does not want on a feed: it says what goes there, or where it goes."""
    place = plan.place_of(feed)
    if place and container.part_id in place.fitting:
        return
    goes = next((one for one in plan.places if not one.ready and container.part_id in one.fitting), None)
    free = (
        place is None
        and not plan.is_leftover(feed)
        and not any(one.serves or one.known for one in plan.bank.feeds if one.feed == feed)
    )
    if goes and free:
        return
    holds = f"{container.key} holds {container.part.key}."
    if place:
        raise WrongPart(
            f"{holds} {feed.key} gives {place.designators} of {plan.assembly.key}, which take {place.part.key}.",
            action=f"Take it away and fetch {place.part.key} {place.part.name}.",
        )
    if goes:
        where = goes.feed.feed.key if goes.feed else "a free feed"
        raise WrongPart(
            f"{holds} That goes on {where}, not on {feed.key}.", action=f"Scan {where}, then the container."
        )
    raise WrongPart(
        f"{holds} {plan.assembly.key} needs none of it here, or has it already.", action="Take it back to the store."
    )


def _is_here(setup: SetUp, assembly: Part) -> bool:
    return setup.axis.tape_id is None and setup.assembly_id == assembly.pk


def _find_last(bank: Bank, assembly: Part) -> SetUp | None:
    """The last set-up here of any revision of it."""
    here = SetUp.objects.filter(axis__station=bank.station, assembly__number=assembly.number)
    return here.exclude(lines=None).order_by("-started", "-pk").first()


def _list_places(bank: Bank, assembly: Part, last: SetUp | None) -> list[Place]:
    steps = Step.objects.filter(part=assembly, stations=bank.station).values("number")
    served = {line.designator: line.feed_id for line in last.lines.all()} if last else {}
    known = set(last.assembly.designators.values_list("name", flat=True)) if last else set()
    designators = (
        Designator.objects.filter(parent=assembly, step_number__in=steps, line__child__serialised=False)
        .select_related("line__child")
        .prefetch_related("line__substitutes")
        .order_by("line__number", "pk")
    )
    found: dict[tuple[int, int | None], Place] = {}
    names: dict[tuple[int, int | None], list[str]] = {}
    for one in designators:
        if one.name in known and one.name not in served:
            continue
        key = one.line_id, served.get(one.name)
        fitting = frozenset({one.line.child_id, *(substitute.part_id for substitute in one.line.substitutes.all())})
        found.setdefault(key, Place((), one.line.child, fitting, key[1]))
        names.setdefault(key, []).append(one.name)
    for key, place in found.items():
        place.names = tuple(names[key])
    return list(found.values())


def _list_in_the_way(places: Sequence[Place], others: Sequence[SetUp]) -> list[SetUp]:
    """The set-ups that want something else from a feed than what is to be loaded there."""
    loads = [(place.part, place.feed) for place in places if place.feed and not place.ready]
    fitting = {(part.pk, assembly, name) for part, _ in loads for assembly, name, _ in list_places_of([part.pk])}
    return [
        setup
        for setup in others
        if any(
            (part.pk, setup.assembly_id, name) not in fitting
            for part, feed in loads
            for name in feed.serves.get(setup.assembly.key, ())
        )
    ]


def _propose(places: Sequence[Place], bank: Bank, assembly: Part) -> None:
    """Give each place a feed of its own."""
    for wanted in (_held_by_the_last, _held_by_any, _the_last, _a_free_one, _one_of_another):
        for place in places:
            if place.feed is None:
                taken = {other.feed.feed.pk for other in places if other.feed}
                left = [one for one in bank.feeds if one.feed.pk not in taken]
                place.feed = next((one for one in left if wanted(place, one, assembly)), None)


def _held_by_the_last(place: Place, feed: FeedState, assembly: Part) -> bool:
    return feed.feed.pk == place.last and place.fits(feed)


def _held_by_any(place: Place, feed: FeedState, assembly: Part) -> bool:
    return place.fits(feed)


def _the_last(place: Place, feed: FeedState, assembly: Part) -> bool:
    return feed.feed.pk == place.last


def _a_free_one(place: Place, feed: FeedState, assembly: Part) -> bool:
    return not feed.known and not (feed.serves.keys() - {assembly.key}) and feed.feed.kind != Feed.Kind.BATH


def _one_of_another(place: Place, feed: FeedState, assembly: Part) -> bool:
    return bool(feed.serves.keys() - {assembly.key}) and feed.feed.kind != Feed.Kind.BATH
