"""From units to all that they are or were in: what each carries by what is inside it."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, field

from trace.core.clock import OPEN
from trace.engineering.models import Part
from trace.genealogy.reading import fetch
from trace.genealogy.rules import NOTHING, Finding, best
from trace.genealogy.strangers import find_strangers, list_unknown_children

Stay = tuple[int, int, int, int, bool]
"""A unit was in a parent: (unit, parent, from when, until when or OPEN while it is, surely or perhaps)."""


@dataclass
class Register:
    """What was read of units on the way, up to a moment: {unit: (key, part)}, and the parent that each is surely in."""

    at: int
    names: dict[int, tuple[str, int]] = field(default_factory=dict)
    homes: dict[int, int] = field(default_factory=dict)

    def enter(self, rows: Iterable[tuple]) -> Iterator[Stay]:
        """Take in rows of `homes`: where these units were fitted, or may have been."""
        for unit, key, part, parent, since, until, sure in rows:
            self.names[unit] = key, part
            if parent is not None:
                left = OPEN if until is None or until > self.at else until
                if sure and left == OPEN:
                    self.homes[unit] = parent
                yield unit, parent, since, left, sure

    def read(self, units: Collection[int]) -> list[Stay]:
        """Read these units, and where they were fitted."""
        return list(self.enter(fetch("homes", units=sorted(units), at=self.at))) if units else []

    def find_tops(self, units: Iterable[int]) -> dict[int, int]:
        """{unit: the outermost unit that it surely is in, or itself}."""
        tops = {}
        for unit in units:
            top = unit
            while (home := self.homes.get(top)) is not None:
                top = home
                if top not in self.names:
                    self.read([top])
            tops[unit] = top
        return tops

    def list_above(self, units: Collection[int]) -> dict[int, dict[int, bool]]:
        """{unit: {each unit that it is in at the moment, at any depth, or may be: whether surely}}."""
        unknown = list_unknown_children(self.at)
        parents: dict[int, dict[int, bool]] = {}
        layer: Collection[int] = set(units)
        while layer:
            parents |= {unit: {} for unit in layer}
            for unit, parent, _, until, sure in self.read(layer):
                if until == OPEN:
                    parents[unit][parent] = sure or parents[unit].get(parent, False)
            for unit, parent, moments in find_strangers(layer, unknown, self.at):
                if any(until == OPEN for _, until in moments):
                    parents[unit].setdefault(parent, False)
            layer = {parent for unit in layer for parent in parents[unit]} - parents.keys()
        return {unit: _reach(unit, parents) for unit in units}

    def name_parts(self) -> dict[int, str]:
        """{part id: key} of these units."""
        return dict(Part.objects.filter(pk__in={part for _, part in self.names.values()}).values_list("pk", "key"))


def _reach(unit: int, parents: Mapping[int, Mapping[int, bool]]) -> dict[int, bool]:
    """Every unit above one, with whether it surely is in that."""
    above: dict[int, bool] = {}
    layer = {unit: True}
    while layer:
        grown: dict[int, bool] = {}
        for one, sure in layer.items():
            for parent, surely in parents[one].items():
                if above.get(parent) is None or (sure and surely and not above[parent]):
                    above[parent] = grown[parent] = sure and surely
        layer = grown
    return above


def climb(
    direct: Mapping[int, Finding], stays: Iterable[Stay], register: Register, barred: Collection[int] = ()
) -> tuple[dict[int, Finding], dict[int, set[int]]]:
    """From these units to every unit that they are or were in: the findings of all, and per unit with a
    child that is not known, the carriers that it may be. What is `barred` carries nothing.

    A parent carries what a child carries while it is inside. It is cleared by a child that carried
    the suspect while inside and left, or was put right there; not by one that came in clean. Where it
    is not sure that the child is inside, the parent only may carry it; and a unit with a child that is
    not known may carry what any unit does that may be there.
    """
    found = dict(direct)
    unknown = list_unknown_children(register.at)
    strangers: dict[int, set[int]] = defaultdict(set)
    layer: Collection[int] = direct.keys()
    while layer:
        inherited: dict[int, Finding] = {}
        for unit, parent, since, until, sure in stays:
            if unit in found:
                part = found[unit].while_inside(since, until, sure=sure)
                inherited[parent] = inherited.get(parent, NOTHING).join(part)
        for unit, parent, moments in find_strangers(layer, unknown, register.at):
            part = best(found[unit].while_inside(since, until, sure=False) for since, until in moments)
            if part.sureness:
                inherited[parent] = inherited.get(parent, NOTHING).join(part)
                strangers[parent].add(unit)
        layer = set()
        for parent, finding in inherited.items():
            if finding.sureness is None or parent in barred:
                continue
            before = found.get(parent, NOTHING)
            found[parent] = before.join(finding)
            if found[parent] != before:
                layer.add(parent)
        stays = register.read(layer)
    return found, dict(strangers)
