"""What a population can't say: where the record is blurred or empty, over how many units, since when it goes back."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from django.db.models import OuterRef, Subquery

from trace.core.clock import OPEN, from_ticks, to_ticks
from trace.engineering.models import Station
from trace.engineering.queries import get_zone
from trace.floor.models import Pass
from trace.genealogy.forward import Population
from trace.genealogy.gaps import Gap, list_gaps
from trace.genealogy.rules import REASONS, Reason, Sureness
from trace.ledger.models import Event
from trace.material.models import Axis, Container, Feed


@dataclass(frozen=True)
class Limit:
    """One gap in the record as a sentence, with the feed's key (none of what was fitted by hand) and how many possible
    units it leaves open."""

    feed: str
    units: int
    words: str


@dataclass(frozen=True)
class Limits:
    """What a population can't say: gap by gap, those of most units first; by word of reason how many units (of every
    level) are possible for it; since when there are entries and passes (microseconds; None: there are none)."""

    gaps: tuple[Limit, ...]
    reasons: dict[str, int]
    first_entry: int | None
    first_pass: int | None

    @property
    def sentences(self) -> list[str]:
        """All of it in words."""
        said = [limit.words for limit in self.gaps]
        for reason, why in REASONS.items():
            if count := self.reasons.get(reason.words()[0]):
                said.append(
                    f"{_count(count)} only possible, counting those inside others, among other reasons or for this "
                    f"alone: {why}."
                )
        if self.first_entry is None or self.first_pass is None:
            return [*said, "Nothing that was built is on record."]
        return [
            *said,
            f"The records go back to {_moment(self.first_entry)}, the first work on a unit to "
            f"{_moment(self.first_pass)}; what was before that is not on record.",
        ]


def summarise_limits(population: Population) -> Limits:
    """What a population can't say. A few queries, and some for every 5,000 possible units."""
    gaps = list_gaps(population)
    reasons = Counter(word for one in population.of(Sureness.POSSIBLE) for word in one.reasons)
    entry = Event.objects.order_by("happened").values_list("happened", flat=True).first()
    began = Pass.objects.filter(station=OuterRef("pk"), superseded=None).order_by("began").values("began")[:1]
    passes = Station.objects.annotate(earliest=Subquery(began)).values_list("earliest", flat=True)
    return Limits(
        tuple(describe_gaps(gaps)),
        dict(reasons),
        None if entry is None else to_ticks(entry),
        min((moment for moment in passes if moment is not None), default=None),
    )


def describe_gaps(gaps: list[Gap]) -> list[Limit]:
    """Gaps as sentences. Two queries."""
    feeds = Feed.objects.select_related("axis__station", "axis__tape").in_bulk([gap.change.feed or 0 for gap in gaps])
    keys = {pk for gap in gaps for pk in gap.change.containers if pk}
    labels = dict(Container.objects.filter(pk__in=keys).values_list("pk", "key"))
    return [_describe(gap, feeds.get(gap.change.feed or 0), labels) for gap in gaps]


def _describe(gap: Gap, feed: Feed | None, labels: dict[int, str]) -> Limit:
    known = sorted(labels[pk] for pk in gap.change.containers if pk)
    either = " or ".join([*known, *(["something that is not on record"] if None in gap.change.containers else [])])
    units = len(gap.units)
    whom = f"{units} unit{'' if units == 1 else 's'} drew there"
    if feed is None:
        words = (
            f"{either}, which was fitted from by hand, may have held other material: {whom.replace('drew', 'were')}."
        )
        return Limit("", units, words)
    when = say_positions(gap, feed.axis)
    if gap.reason & Reason.MIXED:
        words = f"On {feed.key} {when} there was a mixture of {' and '.join(known)}: {whom}."
    elif len(gap.change.containers) > 1 or gap.reason & Reason.UNRECORDED:
        words = f"On {feed.key} {when} it is not known exactly whether there was {either}: {whom}."
    else:
        words = f"From {feed.key} {when} it is not sure that units drew {either}: {whom}."
    return Limit(feed.key, units, words)


def say_positions(gap: Gap, axis: Axis) -> str:
    """Where on its axis a gap lies, such as: from 2026-03-02 06:17 to 2026-03-02 06:18."""
    if axis.kind != Axis.Kind.CLOCK:
        name = "board set" if axis.kind == Axis.Kind.TAPE else "cycle"
        return f"at {name} {gap.first}" if gap.first == gap.last else f"at {name}s {gap.first} to {gap.last}"
    first, last = _moment(gap.first), "now" if gap.last >= OPEN else _moment(gap.last)
    return f"at {first}" if first == last else f"from {first} to {last}"


def _moment(ticks: int) -> str:
    return f"{from_ticks(ticks).astimezone(get_zone()):%Y-%m-%d %H:%M}"


def _count(number: int) -> str:
    return f"{number} unit is" if number == 1 else f"{number} units are"
