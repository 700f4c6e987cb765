"""What to look at next: the looks that would decide most of the possible units for their time."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import NamedTuple

from django.db.models import F, Q

from trace.containment.holding import is_at_hand
from trace.containment.limits import say_positions
from trace.core.clock import OPEN
from trace.floor.models import Fitting, Pass, Unit
from trace.genealogy.forward import Population
from trace.genealogy.gaps import Gap, Outcome, list_gaps, suppose
from trace.genealogy.rules import Reason
from trace.genealogy.stock import list_population_stock
from trace.genealogy.suspicion import where_unknown
from trace.material.models import Axis, Container, Feed, FeedRecord, Span


class LookKind(NamedTuple):
    """A kind of look: what is done, in words that take its subject; the minutes for each; where that is from; the name
    of the page on which its result is entered, by the key of what is looked at, or (`SETTLED`) of the containment."""

    words: str
    minutes: Decimal
    source: str
    page: str


SETTLED = "containment-progress"

COMMON, MEMORY = "common practice", "from memory"

LOOKS: Mapping[str, LookKind] = {
    "sighting": LookKind(
        "look at {what}: what hangs there may be another, if its count was right", Decimal(3), COMMON, "feed"
    ),
    "count": LookKind("count container {what}", Decimal(15), MEMORY, "stock"),
    "inspection": LookKind("inspect {what}", Decimal(10), MEMORY, SETTLED),
    "analysis": LookKind(
        "have a sample of bath {what} analysed, kept from then or of a joint; what it tells of sorts units",
        Decimal(60),
        MEMORY,
        SETTLED,
    ),
    "asking": LookKind("ask who recorded the change on {what} when it was", Decimal(10), MEMORY, "feed"),
    "child": LookKind("open {what} and scan the child that is not known", Decimal(10), MEMORY, "unit-inside"),
}
"""Rough times, for ranking only: the plant's own are better."""


@dataclass(frozen=True)
class Finding:
    """An answer that a look may give, and what it makes of the possible units."""

    words: str
    outcome: Outcome


@dataclass(frozen=True)
class Look:
    """A look that would narrow a population: its kind (of LOOKS), what is looked at (kind and key of the thing whose
    page takes the result), in words, in how many minutes, and what each answer would decide."""

    kind: str
    thing: tuple[str, str]
    words: str
    minutes: Decimal
    findings: tuple[Finding, ...]

    @property
    def decides(self) -> Decimal:
        """How many possible units it decides, as the mean of its answers."""
        return Decimal(sum(one.outcome.decided for one in self.findings)) / len(self.findings)

    @property
    def worth(self) -> Decimal:
        """Units decided in a minute."""
        return self.decides / self.minutes

    @property
    def page(self) -> str:
        return LOOKS[self.kind].page


def list_looks(population: Population, most: int = 20) -> list[Look]:
    """The looks that would decide most possible units in a minute, the best first; of the gaps that leave most units
    open, at most so many. What no answer decides is left out."""
    looks = [*_about_children(population)]
    gaps = [gap for gap in list_gaps(population)[:most] if gap.change.feed]
    feeds = Feed.objects.select_related("axis").in_bulk([gap.change.feed or 0 for gap in gaps])
    labels = dict(
        Container.objects.filter(pk__in={pk for gap in gaps for pk in gap.change.containers if pk}).values_list(
            "pk", "key"
        )
    )
    for gap in gaps:
        looks += _about_gap(population, gap, feeds[gap.change.feed or 0], labels)
    return sorted((look for look in looks if look.decides), key=lambda look: (-look.worth, look.words))


def _about_gap(population: Population, gap: Gap, feed: Feed, labels: Mapping[int, str]) -> Iterator[Look]:
    suspects = population.evidence.suspects
    if_suspect, if_not = (suppose(population, gap, suspect=suspect) for suspect in (True, False))
    outcomes = {pk: if_suspect if pk in suspects else if_not for pk in gap.change.containers if pk}
    where = f"{feed.key} {say_positions(gap, feed.axis)}"
    if feed.kind == Feed.Kind.BATH:  # what was mixed in it tells no lot to whoever looks
        answers = [Finding("what was suspected is in it", if_suspect), Finding("it is not", if_not)]
        yield _look("analysis", ("feed", feed.key), where, *answers)
        return
    at_hand = {carrier.unit for carrier in population.carriers if is_at_hand(carrier)}
    if not at_hand.isdisjoint(gap.units):
        yield _inspect(gap, feed, at_hand, if_suspect, if_not)
    if gap.reason & Reason.UNSURE:
        return  # it was drawn from that or not at all: what hung there does not say
    if (there := _find_hanging(gap, feed)) is not None:
        yield _look(
            "sighting",
            ("feed", feed.key),
            feed.key,
            Finding(f"{labels[there]} hangs there still: its count was wrong, correct that", outcomes[there]),
            Finding("anything else: when it changed stays open", Outcome(0, 0)),
        )
    if None not in gap.change.containers and len(outcomes) > 1 and _is_inexact(gap):
        answers = [Finding(f"it had {labels[pk]} throughout", outcome) for pk, outcome in sorted(outcomes.items())]
        yield _look("asking", ("feed", feed.key), where, *answers)
    if None in gap.change.containers:
        yield from _count_absent(population, feed, if_not)


def _inspect(gap: Gap, feed: Feed, at_hand: Collection[int], if_suspect: Outcome, if_not: Outcome) -> Look:
    """All units of a gap, or, of one change from one container to another, so many that the change is found between
    two of them by halving; beginning with one that is in the plant."""
    units = len(gap.units)
    one_change = gap.reason == Reason.BLURRED and len(gap.change.containers) == 2 and None not in gap.change.containers
    pieces = units.bit_length() if one_change else units
    begin = units // 2 if one_change else 0
    near = min((n for n, unit in enumerate(gap.units) if unit in at_hand), key=lambda n: (abs(n - begin), n))
    first = Unit.objects.get(pk=gap.units[near]).key
    where = ", ".join(gap.designators[:3]) + (" and others" if len(gap.designators) > 3 else "")
    if one_change and units > 1:
        what = f"{where} of {pieces} of {units} units, halving from {first}: where the part tells its lot"
    else:
        what = f"{where} of {units} unit{'' if units == 1 else 's'}, such as {first}: where the part tells its lot"
    return _look(
        "inspection",
        ("unit", first),
        what,
        Finding(f"what was drawn from {feed.key} is suspect", if_suspect),
        Finding("it is not", if_not),
        pieces=pieces,
    )


def _find_hanging(gap: Gap, feed: Feed) -> int | None:
    """The container that by its count may have run out in a gap, and hung there before it: if it still does, it had
    not run out."""
    if None not in gap.change.containers or feed.axis.kind != Axis.Kind.CLOCK or feed.kind != Feed.Kind.SLOT:
        return None
    known = [pk for pk in gap.change.containers if pk]
    put_on = FeedRecord.objects.filter(
        feed=feed, container__in=known, act=FeedRecord.Act.LOAD, quantity__isnull=False, last__lte=gap.first,
        superseded=None,
    )  # fmt: skip
    spans = Span.objects.filter(feed=feed, container__in=put_on.values("container"), end=OPEN, superseded=None)
    return spans.order_by("first").values_list("container", flat=True).first()


def _is_inexact(gap: Gap) -> bool:
    """Whether the time of a change there, or of a pass, is known within an error only."""
    changes = FeedRecord.objects.filter(Q(error__gt=0) | Q(last__gt=F("first")), feed=gap.change.feed, superseded=None)
    near = changes.filter(container__in=[pk for pk in gap.change.containers if pk], first__lte=gap.last)
    return near.exists() or Pass.objects.filter(unit__in=gap.units[:500], error__gt=0, superseded=None).exists()


def _count_absent(population: Population, feed: Feed, if_not: Outcome) -> Iterator[Look]:
    """A suspect container in stock that unknown material on a feed may have been, where it is the only one: if it is
    still full, it was not."""
    presences = where_unknown(population.evidence.suspects, population.at).get(feed.pk, [])
    if len(presences) != 1:
        return
    stocked = {item.key for item in list_population_stock(population) if item.quantity is not None}
    for container in Container.objects.filter(pk__in=population.evidence.suspects, key__in=stocked).order_by("key"):
        if where_unknown({container.pk: population.evidence.suspects[container.pk]}, population.at).get(feed.pk):
            yield _look(
                "count",
                ("container", container.key),
                container.key,
                Finding("it is as full as it came: none of it was there", if_not),
                Finding("some is missing: where that went stays open", Outcome(0, 0)),
            )


def _about_children(population: Population) -> Iterator[Look]:
    """Units with a child that is not known, and may be a carrier."""
    possible = {carrier.unit: carrier for carrier in population.carriers if carrier.sureness == "possible"}
    places = Fitting.objects.filter(unit__in=population.strangers, holds=Fitting.Holds.UNKNOWN, superseded=None)
    for unit, designator in places.filter(until=None).order_by("unit", "designator").values_list("unit", "designator"):
        if unit in possible and not possible[unit].direct:
            key = possible[unit].key
            yield _look(
                "child",
                ("unit", key),
                f"{designator} of {key}",
                Finding("it is one of the suspect units", Outcome(1, 0)),
                Finding("it is another", Outcome(0, 1)),
            )


def _look(kind: str, thing: tuple[str, str], what: str, *findings: Finding, pieces: int = 1) -> Look:
    words = LOOKS[kind].words.format(what=what)
    return Look(kind, thing, words[0].upper() + words[1:], LOOKS[kind].minutes * pieces, findings)
