"""By which revision a unit is to be built, and in what it differs from one."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence

from trace.core.clock import OPEN
from trace.core.keys import natural
from trace.engineering.models import BomLine, Part
from trace.floor.models import Conformity, Fitting, Pass, Unit
from trace.material.models import Feed, SetUpLine
from trace.material.queries import list_giving


def list_designs(units: Iterable[Unit], at: int = OPEN) -> dict[int, int]:
    """Per unit, the id of the revision that it conforms to at a moment (microseconds): its order's, or the later one to
    which rework has brought it. One query."""
    designs = {unit.pk: unit.part_id for unit in units}
    later = Conformity.objects.filter(unit__in=designs, superseded=None, at__lte=at).order_by("at", "pk")
    return designs | dict(later.values_list("unit", "part"))


def get_design(unit: Unit, at: int = OPEN) -> Part:
    """The revision that a unit conforms to at a moment."""
    later = Conformity.objects.filter(unit=unit, superseded=None, at__lte=at).select_related("part").last()
    return later.part if later else unit.part


def list_revisions_of(units: Collection[int]) -> dict[int, set[int]]:
    """Per unit (by its id), the ids of all the revisions that it conformed to at any time. Two queries."""
    found = {pk: {part} for pk, part in Unit.objects.filter(pk__in=units).values_list("pk", "part")}
    for pk, part in Conformity.objects.filter(unit__in=units, superseded=None).values_list("unit", "part"):
        found[pk].add(part)
    return found


def list_fitting_by_place(assembly: Part) -> dict[str, dict[int, str]]:
    """{designator: {id of each part that may occupy it: its key, the part designed in first}}. Three queries."""
    lines = BomLine.objects.filter(parent=assembly).select_related("child")
    places: dict[str, dict[int, str]] = {}
    for line in lines.prefetch_related("designators", "substitutes__part"):
        parts = {line.child_id: line.child.key} | {one.part_id: one.part.key for one in line.substitutes.all()}
        places |= {place.name: parts for place in line.designators.all()}
    return places


def list_differences(unit: Unit, part: Part) -> list[str]:
    """In sentences, in what a unit surely differs from a revision, as far as is known what is in it. The number of
    queries grows with its passes only."""
    before, after = list_fitting_by_place(get_design(unit)), list_fitting_by_place(part)
    standing = Fitting.objects.filter(unit=unit, until=None, superseded=None).select_related("child", "container__part")
    fitted = {fitting.designator: fitting for fitting in standing}
    contents = _list_contents(unit, fitted)
    return [
        said
        for name in sorted({*before, *after, *fitted}, key=natural)
        for said in _compare(name, before.get(name, {}), after.get(name, {}), fitted.get(name), contents.get(name, {}))
    ]


def _compare(
    name: str, before: Mapping[int, str], after: Mapping[int, str], standing: Fitting | None, there: Mapping[int, str]
) -> Iterator[str]:
    """What is wrong at one place, of which parts may be `there`."""
    designed = next(iter(after.values()), "")
    if standing and standing.holds == Fitting.Holds.UNKNOWN:
        yield f"{name}: which unit is there is not known"
    elif not after:
        if there:
            yield f"{name}: {', '.join(sorted(there.values()))} is there, and it has no such place"
    elif wrong := sorted(key for part, key in there.items() if part not in after):
        yield f"{name}: {', '.join(wrong)} is there, and it has {designed}"
    elif not there and (standing is not None and standing.holds == Fitting.Holds.NOTHING or not before):
        yield f"{name}: nothing is there, and it has {designed}"


def _list_contents(unit: Unit, fitted: Mapping[str, Fitting]) -> dict[str, dict[int, str]]:
    """{designator: {id of each part that may be there, as far as it is known: its key}}."""
    found: dict[str, dict[int, str]] = defaultdict(dict)
    children = [fitting.child for fitting in fitted.values() if fitting.child]
    designs = list_designs(children)
    keys = dict(Part.objects.filter(pk__in=designs.values()).values_list("pk", "key"))
    for name, fitting in fitted.items():
        if fitting.child:
            found[name] = {designs[fitting.child.pk]: keys[designs[fitting.child.pk]]}
        elif fitting.container:
            found[name] = {fitting.container.part_id: fitting.container.part.key}
        elif fitting.feed_id is not None and fitting.first is not None and fitting.last is not None:
            found[name] = _giving([fitting.feed_id], fitting.first, fitting.last)[fitting.feed_id]
    drawn = Pass.objects.filter(unit=unit, superseded=None, axis__isnull=False).exclude(drew=Pass.Drew.NONE)
    for entry in drawn:
        setups = {"setup__axis": entry.axis_id, "setup__assembly": entry.assembly_id}
        lines = SetUpLine.objects.filter(**setups, setup__first__lte=entry.last, setup__end__gt=entry.first)
        served = list(lines.values_list("designator", "feed"))
        giving = _giving([feed for _, feed in served], entry.first, entry.last)
        for name, feed in served:
            since = fitted[name].since if name in fitted else 0
            if entry.ended >= since and (entry.only is None or name in entry.only):
                found[name] |= giving[feed]
    return found


def _giving(feeds: Sequence[int], first: int, last: int) -> dict[int, dict[int, str]]:
    """{feed: {part id: part key}} of what these may have given there."""
    found: dict[int, dict[int, str]] = {feed: {} for feed in feeds}
    spans = list_giving(Feed.objects.filter(pk__in=feeds), first, last).filter(container__isnull=False)
    for feed, part, key in spans.values_list("feed", "container__part", "container__part__key"):
        found[feed][part] = key
    return found
