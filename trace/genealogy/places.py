"""What happened at each designator of a unit: the one query behind page, command and costing."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Collection
from dataclasses import dataclass, replace
from typing import Any

from django.db import connection
from django.db.models import F

from trace.core.clock import OPEN
from trace.core.sql import load_sql
from trace.floor.models import Fitting, Salvage
from trace.genealogy.rules import Happening, Reason, Sureness
from trace.genealogy.verdicts import Evidence
from trace.material.models import Span

EACH_UNIT = {
    "postgresql": "jsonb_array_elements_text(%(units)s::jsonb)::bigint",
    "sqlite": "value FROM json_each(%(units)s)",
}


@dataclass(frozen=True)
class Drawn:
    """Material drawn from a feed somewhere in `first..last`: the containers (None: unknown) that
    may have supplied it, the moment until which each was on the feed, and the pass in which it
    happened."""

    feed: int
    first: int
    last: int
    containers: tuple[int | None, ...]
    on_feed_until: tuple[int, ...]
    step: int | None = None
    station: int | None = None
    by: int | None = None


@dataclass(frozen=True)
class Fitted:
    """What a scan says was fitted: material of a container, a child, nothing or unknown."""

    holds: str
    container: int | None = None
    child: int | None = None
    by: int | None = None
    reason: str = ""


Places = dict[int, dict[str, list[Happening]]]
"""{unit id: {designator: everything that happened there}}"""


def fetch(name: str, **parameters: Any) -> list[tuple]:
    """Run one of this folder's named queries."""
    sql = load_sql(__file__, name, connection.vendor).replace("{each_unit}", EACH_UNIT[connection.vendor])
    with connection.cursor() as cursor:
        cursor.execute(sql, parameters)
        return cursor.fetchall()


def list_places(units: Collection[int], at: int = OPEN) -> Places:
    """Draws and fittings of these units up to a moment, designator by designator.

    Three queries, whatever the number of units and places.
    """
    places: Places = defaultdict(lambda: defaultdict(list))
    draws: dict[tuple, dict[int | None, int]] = defaultdict(dict)
    at = min(at, OPEN - 1)  # what is still open has not surely drawn
    for row in fetch("places", units=json.dumps(sorted(units)), at=at):
        container, until = row[-2:]
        found = draws[row[:-2]]
        found[container] = max(found.get(container, 0), OPEN if until is None else until)
    for draw, containers in draws.items():
        unit, designator, _, feed, first, last, began, ended, drew, only, step, station, by = draw
        if only is not None and designator not in json.loads(only):
            continue
        content = Drawn(feed, first, last, *_in_order(containers), step, station, by)
        places[unit][designator].append(Happening(began, ended, drew == "all" and ended <= at, content))
    _add_fittings(places, units, at)
    return places


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
            before.append(replace(one, sure=one.sure and one.ended <= first, until=until))
    return before


def _add_fittings(places: Places, units: Collection[int], at: int) -> None:
    fittings = list(Fitting.objects.filter(unit__in=units, superseded=None, since__lte=F("error") + at))
    feeds = {fitting.feed_id for fitting in fittings if fitting.feed_id}
    spans = list(Span.objects.filter(feed__in=feeds, superseded=None).select_related("feed__axis"))
    for fitting in fittings:
        content: Drawn | Fitted
        if fitting.feed_id is not None and fitting.first is not None and fitting.last is not None:
            giving: dict[int | None, int] = {}
            for span in spans:
                if span.feed_id == fitting.feed_id and span.first <= fitting.last and span.end > fitting.first:
                    gone = span.until + span.feed.axis.slack
                    giving[span.container_id] = max(giving.get(span.container_id, 0), gone)
            content = Drawn(fitting.feed_id, fitting.first, fitting.last, *_in_order(giving), by=fitting.by_id)
        else:
            content = Fitted(fitting.holds, fitting.container_id, fitting.child_id, fitting.by_id, fitting.reason)
        until = fitting.until if fitting.until is not None and fitting.until <= at else None
        places[fitting.unit_id][fitting.designator].append(
            Happening(fitting.since - fitting.error, fitting.since + fitting.error, True, content, until)
        )


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
            verdict = self.evidence.verdicts.get(content.feed)
            if verdict is None:
                return None, Reason(0)
            return verdict.judge(content.first, content.last, sure=happening.sure)
        assert isinstance(content, Fitted)
        suspect = self.evidence.suspects.get(content.container or 0)
        if suspect is None or suspect.since > happening.ended:
            return None, Reason(0)
        if suspect.whole_until > happening.ended:
            return Sureness.CERTAIN, Reason(0)
        return Sureness.POSSIBLE, Reason.MIXED
