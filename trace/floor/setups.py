"""How a station is set up: what is on its feeds, whether that is verified, how long it lasts, what is wrong with it."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from django.db.models import Q

from trace.core.clock import OPEN, from_ticks, to_ticks
from trace.engineering.models import Part, Station, Step
from trace.engineering.rules import run_together
from trace.floor.models import FirstPiece, Unit
from trace.floor.remaining import find_pace, forecast_feeds
from trace.floor.verifying import Seen, find_first, list_decisions, list_seen
from trace.holds.gate import find_holds
from trace.holds.models import Hold
from trace.holds.rules import Move
from trace.ledger.canonical import subject_of
from trace.material.models import Container, Feed, Mount, SetUp, SetUpLine, Span
from trace.material.queries import list_exhausted
from trace.material.sequencing import RunOut

LOW_BOARDS, LOW_MINUTES = 10, 15
"""A feed is low when what is surely left there lasts for no more boards, or minutes."""


@dataclass(frozen=True)
class FeedState:
    """A feed, what may be on it (None: unknown material), which designators of what it serves; when that was verified
    as the set-up asks, None where it was not; how long it lasts, None where nobody counted it; the holds on it and on
    what is there; whether what was counted there is used up."""

    feed: Feed
    on: tuple[Container | None, ...]
    serves: Mapping[str, tuple[str, ...]]
    asked: bool
    seen: int | None
    lasts: RunOut | None
    holds: tuple[Hold, ...]
    exhausted: bool
    expired: tuple[str, ...]

    @property
    def places(self) -> str:
        """The designators that it serves, of each assembly that is set up."""
        return "; ".join(run_together(names) for names in self.serves.values())

    @property
    def known(self) -> list[Container]:
        return [container for container in self.on if container]

    @property
    def certain(self) -> bool:
        """Whether it is known what is there: of a bath, that it is all known."""
        return bool(self.known) and None not in self.on and (len(self.on) == 1 or self.feed.kind == Feed.Kind.BATH)

    @property
    def low(self) -> bool:
        """Whether it runs out soon, as far as it is known."""
        lasts = self.lasts
        return lasts is not None and (
            lasts.least <= LOW_BOARDS or (lasts.minutes is not None and lasts.minutes <= LOW_MINUTES)
        )

    @property
    def stops(self) -> str:
        """What keeps units from going in, as far as this feed goes: a sentence; empty where nothing does."""
        if self.holds:
            return self.holds[0].sentence
        if self.expired:
            return f"Lot {self.expired[0]} has expired. Take it off and load another."
        if self.exhausted:
            return "What was loaded is used up by its count. Scan what is loaded there now."
        return ""

    @property
    def warns(self) -> str:
        """What is to be done here soon, or before it can be relied on."""
        if self.serves and not self.known and not self.exhausted:
            return "Nothing is on record there. Load it."
        if self.known and not self.certain:
            return "What is there is not certain. Scan what you see."
        if self.lasts and not self.lasts.most:
            return "Used up by its count. Load the next one."
        return "Runs out soon. Bring the next one." if self.low else ""


@dataclass(frozen=True)
class FirstState:
    """The first piece of a step: the unit that went first since the changeover or the last rejection, if one did; the
    last decision, if there is one."""

    step: Step
    unit: Unit | None
    decision: FirstPiece | None

    @property
    def owed(self) -> bool:
        return self.decision is None or not self.decision.approved


@dataclass(frozen=True)
class SetUpState:
    """A set-up in force: what the steps done here ask for, and how far that is done. `verified` is when the last of
    its feeds was seen, None while one was not."""

    setup: SetUp
    verification: str
    seen: Sequence[Seen]
    first_pieces: Sequence[FirstState]

    @property
    def not_seen(self) -> list[str]:
        """The feeds that keep it from being verified."""
        return [one.key for one in self.seen if one.when(self.verification) is None] if self.verification else []

    @property
    def verified(self) -> int | None:
        moments = [one.when(self.verification) for one in self.seen]
        known = [moment for moment in moments if moment is not None]
        return max(known) if known and len(known) == len(moments) else None

    @property
    def by_another(self) -> bool:
        return self.verification == Step.Verification.ANOTHER

    @property
    def says(self) -> str:
        """How far it is verified, in a sentence; nothing where nobody asks."""
        if not self.verification:
            return ""
        if not self.not_seen:
            return "It is verified."
        by = ", by another person than who loaded them or started it" if self.by_another else ""
        return f"Not verified: {len(self.not_seen)} of {len(self.seen)} feeds are still to be scanned{by}."

    @property
    def waits_for(self) -> list[FirstState]:
        """The first pieces that went in and are not approved."""
        return [one for one in self.first_pieces if one.owed and one.unit]


@dataclass(frozen=True)
class Bank:
    """A station's set-ups in force (a mounted tape's among them, whose heads are not), its feeds, and the holds on
    the station itself and on its set-ups."""

    station: Station
    at: datetime
    setups: Sequence[SetUpState]
    feeds: Sequence[FeedState]
    holds: Sequence[Hold]

    def serving(self, part: Part) -> SetUpState | None:
        """What serves an assembly here."""
        return next((one for one in self.setups if one.setup.assembly_id == part.pk), None)

    @property
    def stops(self) -> list[tuple[FeedState, str]]:
        """The feeds in use that stop the station, and why."""
        return [(one, one.stops) for one in self.feeds if one.serves and one.stops]

    @property
    def low(self) -> list[FeedState]:
        return [one for one in self.feeds if one.serves and one.low]


def summarise_bank(station: Station, at: datetime) -> Bank:
    """How a station is set up now, and whether its set-ups were verified by a moment. The number of queries does not
    grow with its feeds."""
    mounted = Mount.objects.filter(station=station, until=OPEN).values("tape")
    setups = list(
        SetUp.objects.filter(Q(axis__station=station) | Q(axis__tape__in=mounted), end=OPEN)
        .select_related("assembly", "axis__tape", "by")
        .order_by("-started", "-pk")
    )
    moment = to_ticks(at)
    states = _states_of(setups, station, moment)
    things = [station, *setups, *(setup.axis.tape for setup in setups)]
    feeds = _feeds_of(station, setups, states, moment)
    return Bank(station, at, states, feeds, find_holds(Move.START, things))


def _states_of(setups: Sequence[SetUp], station: Station, at: int) -> list[SetUpState]:
    steps: dict[int, list[Step]] = defaultdict(list)
    for step in Step.objects.filter(part__in={s.assembly_id for s in setups}, stations=station).order_by("number"):
        steps[step.part_id].append(step)
    seen = list_seen(setups, at) if setups else {}
    looked_at = [s for s in setups if any(step.first_piece for step in steps[s.assembly_id])]
    decided = list_decisions(looked_at, at) if looked_at else {}
    first = find_first(looked_at, station, decided, at) if looked_at else {}
    return [
        SetUpState(
            setup,
            "" if setup.axis.tape else strictest(step.verification for step in steps[setup.assembly_id]),
            seen.get(setup.pk, ()),
            [
                FirstState(step, first.get((setup.pk, step.pk)), decided.get((setup.pk, step.pk)))
                for step in steps[setup.assembly_id]
                if step.first_piece
            ],
        )
        for setup in setups
    ]


def strictest(asked: Iterable[str]) -> str:
    """Of what several steps ask of a set-up, the most."""
    return max(asked, key=Step.Verification.values.index, default=Step.Verification.NONE)


def _feeds_of(station: Station, setups: Sequence[SetUp], states: Sequence[SetUpState], moment: int) -> list[FeedState]:
    feeds = list(Feed.objects.filter(axis__station=station).select_related("axis").order_by("key"))
    spans = Span.objects.filter(feed__in=feeds, end=OPEN, superseded=None)
    on: dict[int, dict[int | None, Container | None]] = defaultdict(dict)
    for span in spans.select_related("container__part", "container__lot__part").order_by("first", "pk"):
        on[span.feed_id][span.container_id] = span.container
    serves: dict[int, dict[str, list[str]]] = defaultdict(lambda: defaultdict(list))
    for feed, assembly, name in SetUpLine.objects.filter(setup__in=setups, feed__in=feeds).values_list(
        "feed", "setup__assembly__key", "designator"
    ):
        serves[feed][assembly].append(name)
    asking = [(state, one) for state in states if state.verification for one in state.seen]
    asked = {one.feed for _, one in asking}
    moments: dict[int, list[int | None]] = defaultdict(list)
    for state, one in asking:
        moments[one.feed].append(one.when(state.verification))
    holds = _holds_at(feeds, on)
    lasts = forecast_feeds(feeds, find_pace(station, from_ticks(moment)))
    empty = [feed for feed in feeds if not any(on[feed.pk].values()) and feed.kind != Feed.Kind.BATH]
    used_up = list_exhausted(empty)

    def state_of(feed: Feed) -> FeedState:
        there = tuple(on[feed.pk].values())
        seen = [when for when in moments[feed.pk] if when is not None]
        things = [feed, *(c for c in there if c), *(c.lot for c in there if c)]
        return FeedState(
            feed=feed,
            on=there,
            serves={assembly: tuple(names) for assembly, names in serves[feed.pk].items()},
            asked=feed.pk in asked,
            seen=min(seen) if seen and len(seen) == len(moments[feed.pk]) else None,
            lasts=lasts.get(feed.pk),
            holds=tuple(hold for thing in things for hold in holds.get(subject_of(thing), ())),
            exhausted=feed.key in used_up,
            expired=()
            if feed.kind == Feed.Kind.BATH
            else tuple(sorted({c.lot.key for c in there if c and c.lot.expired(from_ticks(moment))})),
        )

    return [state_of(feed) for feed in feeds]


def _holds_at(
    feeds: Sequence[Feed], on: Mapping[int, Mapping[int | None, Container | None]]
) -> dict[tuple[str, str], list[Hold]]:
    """The holds that keep units from starting here, by what they are on."""
    loaded = [container for there in on.values() for container in there.values() if container]
    found: dict[tuple[str, str], list[Hold]] = defaultdict(list)
    for hold in find_holds(Move.START, [*feeds, *loaded, *(container.lot for container in loaded)]):
        found[hold.target_kind, hold.target_key].append(hold)
    return found
