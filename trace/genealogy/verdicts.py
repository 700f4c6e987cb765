"""The verdict on every feed that may have given suspect parts."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Collection, Mapping, Sequence
from typing import NamedTuple

from django.db.models import F

from trace.genealogy.beside import FeedAt, list_beside
from trace.genealogy.intervals import Ranges
from trace.genealogy.process import find_processed
from trace.genealogy.rules import Supply, Suspect, Verdict, join_verdicts, judge_feed
from trace.genealogy.suspicion import (
    Fill,
    Presence,
    Suspicion,
    close_over_derivations,
    name_suspects,
    where_unknown,
)
from trace.material.models import Derivation, Feed, SetUpLine


class Evidence(NamedTuple):
    """The suspect containers, closed over all that was filled from them, the verdict per feed, and per axis the
    positions that are suspect whatever was there."""

    suspects: dict[int, Suspect]
    verdicts: dict[int, Verdict]
    runs: Mapping[int, Ranges] = {}


SalvageJudge = Callable[[Evidence], set[Fill]]
"""The evidence so far → the salvages that took a suspect part out."""


def gather_evidence(
    suspicion: Suspicion, at: int, judge_salvages: SalvageJudge, spared: Collection[int] = ()
) -> Evidence:
    """Close the suspicion over splits, merges, remainders, unknown material and salvage up to `at`,
    round by round until nothing new is suspect, and judge every feed concerned. What is `spared` is not suspect,
    whatever it was filled from, and makes nothing so."""
    named, whole = name_suspects(suspicion)
    suspects = find_processed(suspicion.windows, at) | named
    runs: dict[int, Ranges] = defaultdict(Ranges)
    for run in suspicion.runs:
        runs[run.axis] |= Ranges([(run.first, run.end)])
    fills: set[Fill] = set()
    while True:
        closed = close_over_derivations(suspects, whole, fills, at, spared)
        unknown = where_unknown(closed, at)
        evidence = Evidence(closed, _judge_feeds(closed, unknown, at), runs)
        found = _from_unknown(unknown, at) | judge_salvages(evidence)
        if found == fills:
            return evidence
        fills = found


def _from_unknown(unknown: Mapping[int, list[Presence]], at: int) -> set[Fill]:
    """Remainders of unknown material that may be a suspect container."""
    rows = Derivation.objects.filter(source=None, superseded=None, at__lte=F("error") + at, record__feed__in=unknown)
    return {
        Fill(result, when - error)
        for result, when, error, feed in rows.values_list("result", "at", "error", "record__feed")
        if any(presence.may_be_at(feed).meets(when - error, when + error) for presence in unknown[feed])
    }


def _judge_feeds(suspects: Mapping[int, Suspect], unknown: Mapping[int, list[Presence]], at: int) -> dict[int, Verdict]:
    verdicts = {}
    for place, spans in list_beside(suspects, unknown).items():
        supplies = [span for span in spans if not place.on_clock or span.first <= place.slack + at]
        verdicts[place.feed] = judge_feed(
            supplies,
            dict(suspects),
            slack=place.slack if place.on_clock else None,
            bath=place.kind == Feed.Kind.BATH,
            may_be_unknown=_unknown_positions(place, supplies, unknown.get(place.feed, [])),
        )
    return verdicts


def _unknown_positions(place: FeedAt, supplies: Sequence[Supply], presences: Sequence[Presence]) -> Ranges:
    """Positions at which unknown material on a feed may be one of these suspect containers."""
    moments = Ranges(r for presence in presences for r in presence.may_be_at(place.feed, place.slack))
    if place.on_clock:
        return moments
    return Ranges(
        (supply.first, supply.end)
        for supply in supplies
        if supply.container is None and moments.meets(supply.since, supply.until)
    )


def suspect_pieces(verdicts: Mapping[int, Verdict]) -> list[dict[str, int | bool]]:
    """Pieces of suspect positions per axis and assembly, as the range query wants them.

    Those of one designator are disjoint, set-up after set-up; designators that got the same share them.
    """
    feeds = [feed for feed, verdict in verdicts.items() if verdict.possible]
    lines = SetUpLine.objects.filter(feed__in=feeds).select_related("setup")
    at_place: dict[tuple[int, int, str], list[tuple[int, int, int]]] = defaultdict(list)
    for line in lines:
        setup = line.setup
        at_place[setup.axis_id, setup.assembly_id, line.designator].append((setup.first, setup.end, line.feed_id))
    served = {(axis, assembly, tuple(sorted(runs))) for (axis, assembly, _), runs in at_place.items()}
    pieces = {
        (axis, assembly, *piece)
        for axis, assembly, runs in served
        for piece in join_verdicts([(verdicts[feed], first, end) for first, end, feed in runs]).pieces()
    }
    return [
        {"axis": axis, "assembly": assembly, "first": first, "end": end, "certain": certain, "reason": int(reason)}
        for axis, assembly, first, end, certain, reason in sorted(pieces)
    ]
