"""Where suspect material itself is: containers in store and on feeds, board sets on tapes."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal

from django.db.models import Q

from trace.core.clock import OPEN
from trace.floor.models import Pass
from trace.genealogy.forward import Population
from trace.genealogy.intervals import Ranges
from trace.genealogy.rules import CLEAN, NEVER, Suspect
from trace.genealogy.verdicts import Evidence
from trace.genealogy.whereabouts import Named
from trace.material.facts import EMPTIES, PUTS_ON
from trace.material.models import Axis, Container, Feed, FeedRecord, Span, Tape

POURED = {FeedRecord.Act.TOP_UP: "poured into feed", FeedRecord.Act.CHARGE: "charged into feed"}
"""Acts that leave the rest of a container where it was, in words."""


@dataclass(frozen=True)
class StockItem:
    """A suspect container or tape in the plant: where in words (`pieces`, with the feeds in it),
    `quantity` at the start or None (of a tape, the suspect board sets that may be on it), `wholly`
    suspect or in part."""

    kind: str
    key: str
    part: str
    lot: str
    pieces: tuple[str | Named, ...]
    quantity: Decimal | None
    wholly: bool

    @property
    def subject(self) -> tuple[str, str]:
        """Kind and key as a hold names it."""
        return "tape" if self.kind == "tape" else "container", self.key

    @property
    def sets_left(self) -> str:
        """Of a tape: how many suspect board sets may be on it, in words; empty for a container."""
        return f"at most {self.quantity:f} sets left" if self.kind == "tape" else ""

    @property
    def where(self) -> str:
        """Where it is, in words."""
        return " ".join(map(str, self.pieces))


def list_stock(evidence: Evidence, at: int = OPEN) -> list[StockItem]:
    """Every suspect container that is in the plant at a moment (microseconds), and every tape with
    suspect board sets that may be on it, built and not drawn."""
    return _list_containers(evidence, at) + _list_tapes(find_on_tapes(evidence, at))


def list_population_stock(population: Population) -> list[StockItem]:
    """The suspect material of a population, less what it leaves out: of a combination what every part names, less what
    is excepted."""
    if population.parts:
        evidences = [part.evidence for part in population.parts]
        found = list_shared_stock(evidences, population.excepted, population.at)
    else:
        found = list_stock(population.evidence, population.at)
    return [item for item in found if item.subject not in population.left_out]


def list_shared_stock(evidences: Sequence[Evidence], excepted: Collection[Evidence], at: int = OPEN) -> list[StockItem]:
    """Of what is suspect by each of these, all that is not wholly so by what is excepted: containers, and board sets
    on tapes."""
    first, *others = evidences
    shared = {
        pk: Suspect(whole_until=OPEN if all(one.suspects[pk].whole_until == OPEN for one in evidences) else 0)
        for pk in first.suspects
        if all(pk in other.suspects for other in others)
        and not any(pk in one.suspects and one.suspects[pk].whole_until == OPEN for one in excepted)
    }
    tapes = find_on_tapes(first, at)
    for found in (find_on_tapes(other, at) for other in others):
        tapes = {
            tape: (sure & found[tape][0], may_be & found[tape][1])
            for tape, (sure, may_be) in tapes.items()
            if tape in found
        }
    for found in (find_on_tapes(one, at, wholly=True) for one in excepted):
        for tape, (sure, may_be) in found.items():
            if tape in tapes:
                tapes[tape] = tapes[tape][0] - may_be, tapes[tape][1] - sure
    return _list_containers(Evidence(shared, {}), at) + _list_tapes(tapes)


def _list_containers(evidence: Evidence, at: int) -> list[StockItem]:
    here = Q(gone=None) | Q(gone__gt=at)
    containers = Container.objects.select_related("part", "lot").filter(
        here, pk__in=evidence.suspects, received__lte=at
    )
    on_feeds = _on_feeds(evidence, at)
    emptied = _emptied(evidence, at) - set(on_feeds)
    return [
        StockItem(
            container.kind,
            container.key,
            container.part.key,
            container.lot.key,
            _where(container, on_feeds.get(container.pk, {})),
            container.quantity,
            evidence.suspects[container.pk].whole_until == OPEN,
        )
        for container in containers
        if container.pk not in emptied
    ]


def where_is(container: Container, evidence: Evidence, at: int = OPEN) -> StockItem | str:
    """Where a suspect container is at a moment: an item of stock, or in words why it is none."""
    for item in list_stock(evidence, at):
        if item.key == container.key and item.kind == container.kind:
            return item
    if container.received > at:
        return "not in the plant yet"
    return "left the plant" if container.gone is not None and container.gone <= at else "used up"


# On feeds ------------------------------------------------------------------------------------------------------------


def _on_feeds(evidence: Evidence, at: int) -> dict[int, dict[str, str]]:
    """{suspect container: {feed key: how it is there, in words}} at a moment: “perhaps” from the
    earliest moment at which it may have been put on to the latest, and again while its end is open.

    A splice hangs there before its first part is drawn; what was filled by hand never did.
    """
    there = Q(until__gt=at) | Q(end=OPEN, until=OPEN)
    spans = Span.objects.filter(there, container__in=evidence.suspects, superseded=None, since__lte=at)
    spans = spans.select_related("feed__axis__tape")
    around: dict[int, list[Span]] = defaultdict(list)
    records: dict[int, list[FeedRecord]] = defaultdict(list)
    feeds = {span.feed_id for span in spans}
    for span in Span.objects.filter(feed__in=feeds, superseded=None):
        around[span.feed_id].append(span)
    for record in FeedRecord.objects.filter(feed__in=feeds, superseded=None):
        records[record.feed_id].append(record)
    found: dict[int, dict[str, str]] = defaultdict(dict)
    for span in spans:
        words = _how(span, records[span.feed_id], around[span.feed_id], at)
        if words and span.container_id:
            found[span.container_id].setdefault(span.feed.key, words)
    return found


def _how(span: Span, records: Collection[FeedRecord], around: Collection[Span], at: int) -> str:
    """How a span's container is on its feed at a moment, in words; empty where it is not."""
    on_clock = span.feed.axis.kind == Axis.Kind.CLOCK
    put_on = [r for r in records if r.container_id == span.container_id and r.act in PUTS_ON and r.first <= span.first]
    if not put_on:
        return ""
    placed = max(put_on, key=lambda r: (r.first, r.pk))
    if on_clock:  # positions are moments, and a later span that has begun may have ended this one
        earliest, latest = placed.first, placed.last
        ended = any(span.first < other.first <= at < other.end for other in around)
    else:
        found = placed.act == FeedRecord.Act.FOUND  # it was put on some time before
        earliest = span.since if found else placed.happened - placed.error
        latest = placed.happened + placed.error
        later = [r for r in records if r.first >= placed.last and r != placed and r.happened - r.error <= at]
        ended = any(r.act in EMPTIES or r.act == FeedRecord.Act.SPLICE or r.cleaned for r in later)
    if earliest > at or not on_clock and _is_past(span, records, at):
        return ""
    if placed.act in POURED:
        return POURED[FeedRecord.Act(placed.act)]
    return "on feed" if latest <= at and not ended else "perhaps on feed"


def _is_past(span: Span, records: Collection[FeedRecord], at: int) -> bool:
    """Whether a span of an axis that is no clock had surely run out by a moment: its end was passed."""
    tape = span.feed.axis.tape
    if span.end == OPEN:
        return False
    if tape and tape.built_until <= at or any(r.first >= span.end and r.happened + r.error <= at for r in records):
        return True
    passes = Pass.objects.filter(axis=span.feed.axis_id, superseded=None, first__gte=span.end - 1, ended__lte=at)
    return passes.exists()


def _emptied(evidence: Evidence, at: int) -> set[int]:
    """Containers that a feed used up: put on last by a load or a splice, and not taken off since."""
    put_on = (FeedRecord.Act.LOAD, FeedRecord.Act.SPLICE, FeedRecord.Act.FOUND)
    records = FeedRecord.objects.filter(container__in=evidence.suspects, superseded=None, happened__lte=at)
    last = dict(records.exclude(act=FeedRecord.Act.SIGHTING).order_by("happened", "id").values_list("container", "act"))
    return {container for container, act in last.items() if container and act in put_on}


def _where(container: Container, feeds: dict[str, str]) -> tuple[str | Named, ...]:
    """On its feeds; in stock where it is on none, or has only poured some of itself out."""
    pieces: list[str | Named] = []
    for feed, words in sorted(feeds.items()):
        pieces += [f"or {words}" if pieces else words, Named("feed", feed)]
    if all(words in POURED.values() for words in feeds.values()):
        stock = f"in stock, {container.store}" if container.store else "in stock"
        pieces.append(f"and the rest {stock}" if pieces else stock)
    return tuple(pieces)


# On tapes ------------------------------------------------------------------------------------------------------------


OnTape = tuple[Ranges, Ranges]
"""Of a tape: (suspect board sets that surely are on it, those that may be)."""


def find_on_tapes(evidence: Evidence, at: int, *, wholly: bool = False) -> dict[Tape, OnTape]:
    """Tapes with suspect board sets on them at a moment: surely, where they were built and not drawn by
    then, and perhaps. `wholly`: those that certainly are suspect only.

    Each record at a head says in which board set its next component landed at that moment. Sets before
    that of a record so far have what the head gives, and so has every set once the tape is finished or
    one behind it was drawn; a set from that of a later record on has nothing of it yet. What lies
    between is perhaps built. Only a draw that is sure, and of one known set, takes that set away.
    """
    feeds = [feed for feed, verdict in evidence.verdicts.items() if verdict.possible]
    heads = Feed.objects.select_related("axis__tape__assembly").filter(
        Q(pk__in=feeds) | Q(axis__in=evidence.runs), axis__tape__built_from__lte=at
    )
    sure: dict[Tape, Ranges] = defaultdict(Ranges)
    possible: dict[Tape, Ranges] = defaultdict(Ranges)
    given = _given_by(heads, evidence, at)
    bounds = _built_by(heads, at)
    for head in heads:
        tape = head.axis.tape
        assert tape is not None
        built, begun = (tape.board_sets,) * 2 if tape.built_until <= at else bounds[head.pk]
        drawn, perhaps_drawn = _drawn_by(head.axis_id, at)
        built = max([built, *(end for _, end in drawn)])
        verdict = evidence.verdicts.get(head.pk, CLEAN)
        suspect = (verdict.certain if wholly else verdict.possible) & given[head.pk]
        held = (suspect | evidence.runs.get(head.axis_id, NEVER)) & Ranges([(0, min(begun, tape.board_sets))])
        possible[tape] |= held - drawn
        sure[tape] |= (held & Ranges([(0, built)])) - drawn - perhaps_drawn
    return {tape: (sure[tape], may_be) for tape, may_be in possible.items()}


def _list_tapes(found: Mapping[Tape, OnTape]) -> list[StockItem]:
    return [
        StockItem(
            "tape",
            tape.key,
            tape.assembly.key,
            "",
            (_board_sets(sure, may_be - sure),),
            Decimal(sum(end - first for first, end in may_be)),
            False,
        )
        for tape, (sure, may_be) in found.items()
        if may_be
    ]


def _given_by(heads: Collection[Feed], evidence: Evidence, at: int) -> dict[int, Ranges]:
    """Per head, the board sets that may have been given suspect or unknown material by a moment."""
    spans = Span.objects.filter(
        Q(container__in=evidence.suspects) | Q(container=None), feed__in=heads, superseded=None, since__lte=at
    )
    found: dict[int, list[tuple[int, int]]] = defaultdict(list)
    for head, first, end in spans.values_list("feed", "first", "end"):
        found[head].append((first, end))
    return defaultdict(Ranges, {head: Ranges(ranges) for head, ranges in found.items()})


def _built_by(heads: Collection[Feed], at: int) -> dict[int, tuple[int, int]]:
    """Per head (the first board set that may lack what it gives at a moment, the first that surely
    does), by what was recorded at it so far and since."""
    bounds = {head.pk: (0, OPEN) for head in heads}
    records = FeedRecord.objects.filter(feed__in=heads, superseded=None).exclude(act=FeedRecord.Act.HAND_FILL)
    for head, first, last, happened, error in records.values_list("feed", "first", "last", "happened", "error"):
        built, begun = bounds[head]
        if happened + error <= at:
            built = max(built, first)
        if happened - error > at:
            begun = min(begun, last)
        bounds[head] = built, begun
    return bounds


def _drawn_by(axis: int, at: int) -> tuple[Ranges, Ranges]:
    """(board sets that were surely drawn by a moment, those that perhaps were)."""
    surely: list[tuple[int, int]] = []
    perhaps: list[tuple[int, int]] = []
    passes = Pass.objects.filter(axis=axis, superseded=None, began__lte=at).exclude(drew=Pass.Drew.NONE)
    for first, last, ended, drew, only in passes.values_list("first", "last", "ended", "drew", "only"):
        exact = first == last and ended <= min(at, OPEN - 1) and drew == Pass.Drew.ALL and only is None
        (surely if exact else perhaps).append((first, last + 1))
    return Ranges(surely), Ranges(perhaps)


def _board_sets(sure: Ranges, perhaps: Ranges) -> str:
    """Which board sets are on a tape, in words."""
    if not sure:
        return f"perhaps board sets {_name_sets(perhaps)}"
    return f"board sets {_name_sets(sure)}" + (f", perhaps {_name_sets(perhaps)}" if perhaps else "")


def _name_sets(ranges: Ranges) -> str:
    return ", ".join(f"{first}–{end - 1}" if end - first > 1 else str(first) for first, end in ranges)
