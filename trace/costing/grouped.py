"""Units of a population by the group in which their cost is counted, and questions about them to the database."""

from __future__ import annotations

import json
from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from typing import Any, TypeVar

from django.db import connection

from trace.core.sql import load_sql
from trace.costing.rules import CostGroup, CostPlace
from trace.engineering.models import Site
from trace.genealogy.forward import Carrier, Population
from trace.genealogy.rules import Sureness
from trace.genealogy.whereabouts import Place

GIVEN = {
    "postgresql": "SELECT (v->>0)::bigint, (v->>1)::bigint FROM jsonb_array_elements(%(units)s::jsonb) AS j(v)",
    "sqlite": "SELECT value ->> 0, value ->> 1 FROM json_each(%(units)s)",
}
PIECES = {
    "postgresql": f"SELECT {', '.join(f'(v->>{i})::bigint' for i in range(6))} "
    "FROM jsonb_array_elements(%(pieces)s::jsonb) AS j(v)",
    "sqlite": f"SELECT {', '.join(f'value ->> {i}' for i in range(6))} FROM json_each(%(pieces)s)",
}

Groups = dict[CostGroup, list[int]]
"""Unit ids by the group in which their cost is counted."""


def _group_of(top: Carrier) -> CostGroup:
    kinds = {Place.SHIPPED: CostPlace.SHIPPED, Place.SCRAPPED: CostPlace.SCRAPPED}
    return CostGroup(top.sureness, kinds.get(top.where.kind, CostPlace.IN_PLANT))


def count_tops(population: Population) -> Mapping[CostPlace, int]:
    """How many outermost units are in each kind of place."""
    return Counter(_group_of(top).place for top in population.carrying())


def group_tops(population: Population) -> Groups:
    """The outermost carriers that are not scrapped."""
    groups: Groups = defaultdict(list)
    for top in population.carrying():
        if (group := _group_of(top)).place != CostPlace.SCRAPPED:
            groups[group].append(top.unit)
    return groups


def group_carriers(population: Population, *, direct: bool = True) -> Groups:
    """Every carrier that still is one, under the group of its outermost unit: those with a place of their own that
    carries, or all of them."""
    of_top = {top.key: _group_of(top) for top in population.carrying()}
    groups: Groups = defaultdict(list)
    for carrier in population.carriers:
        group = of_top.get(carrier.top)
        if not group or group.place == CostPlace.SCRAPPED or carrier.sureness == Sureness.CLEARED:
            continue
        if carrier.direct or not direct:
            groups[group].append(carrier.unit)
    return groups


def get_currency() -> str:
    """The plant's. No Site: its DoesNotExist."""
    return Site.objects.get().currency


Key = TypeVar("Key", bound=Any)


def count_rows(name: str, columns: str, groups: Mapping[Key, Sequence[int]], at: int) -> dict[tuple, int]:
    """{(group, *columns): number of rows} of a named query."""
    select = f"SELECT grp, {columns}, count(*) FROM ({{query}}) AS row GROUP BY grp, {columns} ORDER BY grp, {columns}"
    return {row[:-1]: row[-1] for row in read_rows(name, groups, at, select)}


def read_rows(
    name: str, groups: Mapping[Key, Sequence[int]], at: int, select: str = "{query}", **parameters: Any
) -> list[tuple]:
    """The rows of a named query about grouped units, each with its group first."""
    ordered = sorted(groups)
    units = [[unit, number] for number, group in enumerate(ordered) for unit in groups[group]]
    query = load_sql(__file__, name, connection.vendor)
    query = query.replace("{given}", GIVEN[connection.vendor]).replace("{pieces}", PIECES[connection.vendor])
    with connection.cursor() as cursor:
        cursor.execute(select.replace("{query}", query), {"units": json.dumps(units), "at": at, **parameters})
        return [(ordered[row[0]], *row[1:]) for row in cursor.fetchall()]
