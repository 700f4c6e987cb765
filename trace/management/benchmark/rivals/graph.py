"""A graph in memory: igraph, with numpy for what hangs on its edges.

An edge says that a board has parts of a container from a feed, whatever their number. Where a feed may have given of
several containers, a vertex of its own stands between: it is wholly suspect if all that lead into it are.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import defaultdict
from itertools import chain
from typing import Any

from trace.management.benchmark.answers import Backward, Forward
from trace.management.benchmark.history import History, Question
from trace.management.benchmark.rivals.edges import list_displaced, list_homes, list_repairs, list_runs
from trace.management.benchmark.rivals.names import customers_of, unit_keys


class GraphInMemory:
    """Vertices: units, then containers, then draws from several containers; edges from what is in to what it is in."""

    name = "graph in memory, igraph"

    def __init__(self, history: History) -> None:
        import igraph

        self.history = history
        self.version = f"igraph {igraph.__version__}"

    def build(self) -> None:
        import igraph
        import numpy as np

        history = self.history
        self.keys = unit_keys(history)
        self.numbers = {key: number for number, key in enumerate(self.keys)}
        self.customers = customers_of(history)
        units, boxes = len(self.keys), history.supply.boxes
        self.units, self.mixed_from = units, units + len(boxes)
        displaced = list_displaced(history)
        out: dict[int, list[int]] = defaultdict(list)
        for feed, unit in sorted(displaced):
            out[feed].append(unit)
        edges: list[Any] = []
        standing: list[Any] = []
        mixed: dict[tuple[int, int], int] = {}
        mixed_edges: list[tuple[int, int]] = []
        need: list[int] = []

        def add(pairs: Any, flags: Any) -> None:
            edges.append(np.asarray(pairs, dtype=np.int64).reshape(-1, 2))
            standing.append(np.asarray(flags, dtype=bool))

        for feed, first, last, box, candidates in list_runs(history):
            source = units + box - 1
            if candidates == 1:
                targets = np.arange(first - 1, last)
                flags: Any = np.ones(len(targets), dtype=bool)
                replaced = out[feed][bisect_left(out[feed], first) : bisect_right(out[feed], last)]
                flags[[unit - first for unit in replaced]] = False
                add(np.stack([np.full(len(targets), source), targets], axis=1), flags)
                continue
            for unit in range(first, last + 1):
                if (feed, unit) not in mixed:
                    mixed[feed, unit] = self.mixed_from + len(mixed)
                    need.append(candidates)
                mixed_edges.append((source, mixed[feed, unit]))
        add(mixed_edges, np.ones(len(mixed_edges)))
        add([(v, unit - 1) for (_, unit), v in mixed.items()], [key not in displaced for key in mixed])
        fitted = [(units + box - 1, unit - 1) for box, unit in list_repairs(history)]
        fitted += [(units + b.source - 1, units + b.id - 1) for b in boxes if b.source]
        fitted += [(child - 1, parent - 1) for child, parent in list_homes(history)]
        add(fitted, np.ones(len(fitted)))
        self.need = np.array(need)
        self.targets = np.concatenate(edges)
        self.standing = np.concatenate(standing)
        self.graph = igraph.Graph(n=self.mixed_from + len(mixed), edges=self.targets, directed=True)
        self.targets = self.targets[:, 1].copy()
        self.lots: dict[int, list[int]] = {}
        for received in boxes:
            if received.source is None:
                self.lots.setdefault(received.lot, []).append(units + received.id - 1)

    def bytes(self) -> int:
        return 0

    def ask(self, question: Question) -> list:
        import numpy as np

        graph, units = self.graph, self.units
        suspects = {units + c - 1 for c in question.containers} | {v for lot in question.lots for v in self.lots[lot]}
        layer = set(suspects)
        out = []
        while layer:
            found = [graph.incident(v, mode="out") for v in layer]
            out += found
            targets = {int(t) for t in self.targets[list(chain.from_iterable(found))]}
            layer = {t for t in targets if units <= t < self.mixed_from} - suspects
            suspects |= layer
        ids = np.fromiter(chain.from_iterable(out), dtype=np.int64)
        targets, standing = self.targets[ids], self.standing[ids]
        sureness: Any = np.full(units, 3, dtype=np.int8)
        direct = targets < units
        np.minimum.at(sureness, targets[direct], np.where(standing[direct], 0, 2))
        vertices, counts = np.unique(targets[targets >= self.mixed_from], return_counts=True)
        wholly = counts == self.need[vertices - self.mixed_from]
        for vertex, whole in zip(vertices.tolist(), wholly.tolist(), strict=True):
            (edge,) = graph.incident(vertex, mode="out")
            unit = self.targets[edge]
            sureness[unit] = min(sureness[unit], (0 if whole else 1) if self.standing[edge] else 2)
        home: dict[int, int] = {}
        layer_list = np.flatnonzero(sureness < 3).tolist()
        while layer_list:
            grown = set()
            parents = graph.neighborhood(layer_list, order=1, mode="out", mindist=1)
            for unit, above in zip(layer_list, parents, strict=True):
                if above:
                    (home[unit],) = above
                    if sureness[unit] < min(sureness[above[0]], 2):
                        sureness[above[0]] = sureness[unit]
                        grown.add(above[0])
                    elif above[0] not in home:
                        grown.add(above[0])
            layer_list = list(grown)
        rows = []
        keys, customers = self.keys, self.customers
        carrying = np.flatnonzero(sureness < 3)
        for unit, sure in zip(carrying.tolist(), sureness[carrying].tolist(), strict=True):
            top = unit
            while top in home:
                top = home[top]
            rows.append((keys[unit], sure, keys[top], customers.get(top + 1, "")))
        return rows

    def look_into(self, key: str) -> list:
        graph, units, rows = self.graph, self.units, []
        layer = [self.numbers[key]]
        while layer:
            unit = layer.pop()
            for edge in graph.incident(unit, mode="in"):
                source = graph.es[edge].source
                if source < units:
                    layer.append(source)
                elif self.standing[edge]:
                    found = [source] if source < self.mixed_from else graph.predecessors(source)
                    rows += [(self.keys[unit], f"C{box - units + 1:08}") for box in found]
        return rows

    def forward_of(self, rows: list) -> Forward:
        return {unit: (sureness, top, customer) for unit, sureness, top, customer in rows}

    def backward_of(self, rows: list) -> Backward:
        return set(rows)

    def close(self) -> None:
        del self.graph
