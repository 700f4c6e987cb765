"""What happened at each designator of a unit: the one query behind page, command and costing."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from typing import NamedTuple

from django.db.models import F, Q

from trace.core.clock import OPEN, last_before
from trace.floor.models import Fitting, Salvage
from trace.genealogy.reading import fetch
from trace.genealogy.rules import CLEAN, Happening, Reason, Sureness, Verdict, judge_draw
from trace.genealogy.verdicts import Evidence


class Source(NamedTuple):
    """A feed that may have given a part somewhere in `first..last`: the containers (None: unknown) that
    may have supplied it there, and the moment until which each was on the feed."""

    feed: int
    first: int
    last: int
    containers: tuple[int | None, ...]
    on_feed_until: tuple[int, ...]


class Drawn(NamedTuple):
    """Material drawn from one of these sources (several, where it may have been before or after a
    changeover), and the pass in which that happened."""

    sources: tuple[Source, ...]
    step: int | None = None
    station: int | None = None
    by: int | None = None


class Fitted(NamedTuple):
    """What a scan says was fitted: material of a container, a child, nothing or unknown; since when it
    may have been there, where it was found and not put by a scan, and up to when it surely was, where it
    was found gone."""

    holds: str
    container: int | None = None
    child: int | None = None
    by: int | None = None
    reason: str = ""
    earliest: int | None = None
    doubted: int | None = None


Places = dict[int, dict[str, list[Happening]]]
"""{unit id: {designator: everything that happened there}}"""


def list_places(units: Collection[int], at: int = OPEN, designators: Collection[str] | None = None) -> Places:
    """Draws and fittings of these units up to a moment, designator by designator; all of them, or those
    that are named.

    Three queries, whatever the number of units and places.
    """
    places: Places = defaultdict(lambda: defaultdict(list))
    at = min(at, OPEN - 1)  # what is still open has not surely drawn
    named = None if designators is None else sorted(designators)
    rows = fetch("places", units=sorted(units), at=at, designators=named)
    for entry, under in _by_pass(rows).items():
        unit, _, first, last, began, ended, drew, only, step, station, by = entry
        for designator in dict.fromkeys(name for served in under.values() for name in served):
            if only is not None and designator not in json.loads(only):
                continue
            sources = tuple(
                Source(feed, max(first, since), min(last, last_before(end)), *_in_order(containers))
                for (since, end), served in sorted(under.items())
                for feed, containers in served.get(designator, {}).items()
            )
            # Under a set-up that does not serve the designator it drew nothing there.
            sure = drew == "all" and ended <= at and len(sources) == len(under)
            places[unit][designator].append(Happening(began, ended, sure, Drawn(sources, step, station, by)))
    _add_fittings(places, units, at, designators)
    return places


Served = dict[str, dict[int, dict[int | None, int]]]
"""{designator: {feed: {container: the moment until which it was there}}}"""


def _by_pass(rows: Iterable[tuple]) -> dict[tuple, dict[tuple[int, int], Served]]:
    """{the columns of a pass: {(first, end) of each set-up that it meets: what that served}}."""
    passes: dict[tuple, dict[tuple[int, int], Served]] = {}
    for *entry, since, end, designator, feed, container, until in rows:
        served = passes.setdefault(tuple(entry), {}).setdefault((since, end), {})
        if designator is not None:
            found = served.setdefault(designator, {}).setdefault(feed, {})
            found[container] = max(found.get(container, 0), OPEN if until is None else until)
    return passes


def just_before(happenings: Collection[Happening], salvage: Salvage) -> list[Happening]:
    """What had happened at a designator when something was taken out of it and kept: the fitting that
    this ended still ruled."""
    first, last = salvage.at - salvage.error, salvage.at + salvage.error
    before = []
    for one in happenings:
        nothing = isinstance(one.content, Fitted) and one.content.holds == Fitting.Holds.NOTHING
        if nothing and (one.began, one.ended) == (first, last):
            continue  # that is this removal
        if one.began < last or one.began == one.until == last:
            until = one.until if one.until is not None and one.until < last else None
            before.append(one._replace(sure=one.sure and one.ended <= first, until=until))
    return before


def _add_fittings(places: Places, units: Collection[int], at: int, designators: Collection[str] | None) -> None:
    fittings = list(
        Fitting.objects.filter(
            Q(since__lte=F("error") + at) | Q(earliest__lte=at),
            *([] if designators is None else [Q(designator__in=designators)]),
            unit__in=units,
            superseded=None,
        )
    )
    giving: dict[int, dict[int | None, int]] = defaultdict(dict)
    for fitting_id, container, gone in fetch("given_by_hand", fittings=[f.pk for f in fittings if f.feed_id]):
        giving[fitting_id][container] = max(giving[fitting_id].get(container, 0), gone)
    for fitting in fittings:
        content: Drawn | Fitted
        if fitting.feed_id is not None and fitting.first is not None and fitting.last is not None:
            source = Source(fitting.feed_id, fitting.first, fitting.last, *_in_order(giving[fitting.pk]))
            content = Drawn((source,), by=fitting.by_id)
        else:
            content = Fitted(
                fitting.holds,
                fitting.container_id,
                fitting.child_id,
                fitting.by_id,
                fitting.reason,
                fitting.earliest,
                fitting.doubted,
            )
        until = fitting.until if fitting.until is not None and fitting.until <= at else None
        began, ended = fitting.since - fitting.error, fitting.since + fitting.error
        sure = until is not None or fitting.doubted is None or fitting.doubted >= at
        if fitting.earliest is not None and (fitting.since > at or fitting.until == fitting.since):
            began, sure = fitting.earliest, False
        places[fitting.unit_id][fitting.designator].append(Happening(began, ended, sure, content, until))


def _in_order(containers: dict[int | None, int]) -> tuple[tuple[int | None, ...], tuple[int, ...]]:
    ordered = sorted(containers.items(), key=lambda entry: entry[0] or 0)
    return tuple(container for container, _ in ordered), tuple(until for _, until in ordered)


@dataclass
class PlaceJudge:
    """Judges what happened at a designator against the evidence."""

    evidence: Evidence

    def __call__(self, happening: Happening) -> tuple[Sureness | None, Reason]:
        content = happening.content
        if isinstance(content, Drawn):
            return judge_draw([self._verdict(source) for source in content.sources], sure=happening.sure)
        assert isinstance(content, Fitted)
        suspect = self.evidence.suspects.get(content.container or 0)
        if suspect is None or suspect.since > happening.ended:
            return None, Reason(0)
        if suspect.whole_until <= happening.ended:
            return Sureness.POSSIBLE, Reason.MIXED
        if happening.began < suspect.surely_from:
            return Sureness.POSSIBLE, Reason.BLURRED
        return (Sureness.CERTAIN, Reason(0)) if happening.sure else (Sureness.POSSIBLE, Reason.UNSURE)

    def finds(self, source: Source) -> bool:
        """Whether a source may have given something suspect."""
        return judge_draw([self._verdict(source)])[0] is not None

    def _verdict(self, source: Source) -> tuple[Verdict, int, int]:
        return self.evidence.verdicts.get(source.feed, CLEAN), source.first, source.last
