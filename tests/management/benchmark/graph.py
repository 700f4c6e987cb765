"""The genealogy of an invented history as a graph of networkx, drawn place by place from the plan."""

from __future__ import annotations

import networkx

from trace.management.benchmark.answers import Backward, Forward
from trace.management.benchmark.history import History, Question


class Graph:
    """Edges lead from what is in to what it is in. A place is a vertex, one for what was drawn there and one for
    what a repair put in its stead."""

    def __init__(self, history: History) -> None:
        self.history = history
        self.graph = networkx.DiGraph()
        self.boxes = {box.id: box for box in history.supply.boxes}
        for box in self.boxes.values():
            if box.source:
                self.graph.add_edge(("box", box.source), ("box", box.id))
        for plan in history.line.feeds:
            for i in range(history.boards):
                first, last = history.line.range_of(plan.station, i)
                met = [s.container for s in history.supply.spans[plan.id] if s.first <= last and s.end > first]
                for designator in plan.designators:
                    replaced = history.repairs.get(i, (plan, ""))[1] == designator
                    self._place(("drawn", i, designator), met, f"BOARD-{i:08}", standing=not replaced)
        for i, (plan, designator) in history.repairs.items():
            self._place(("fitted", i, designator), [history.bag_for(plan, i)], f"BOARD-{i:08}", standing=True)
        for p in range(history.products):
            chain = [f"PRODUCT-{p:08}"]
            chain += [f"SYSTEM-{n}-{p:08}" for n in range(1, len(history.above(p)) + 1)]
            edges = [(f"BOARD-{p * 5 + n:08}", chain[0]) for n in range(5)] + list(zip(chain, chain[1:], strict=False))
            self.graph.add_edges_from(edges, inside=True)

    def _place(self, place: tuple, boxes: list, unit: str, standing: bool) -> None:
        self.graph.add_node(place, need=len(boxes))
        self.graph.add_edges_from((("box", box), place) for box in boxes)
        self.graph.add_edge(place, unit, standing=standing)

    def ask(self, question: Question) -> dict[str, int]:
        named = {box.id for box in self.boxes.values() if box.lot in question.lots and box.source is None}
        suspects = {("box", box) for box in named | set(question.containers)}
        reached = suspects.union(*(networkx.descendants(self.graph, box) for box in suspects if box in self.graph))
        found: dict[str, int] = {}
        for place in [v for v in reached if v[0] in ("drawn", "fitted")]:
            wholly = all(box in reached for box in self.graph.predecessors(place))
            ((_, unit, standing),) = self.graph.out_edges(place, data="standing")
            found[unit] = min(found.get(unit, 3), (0 if wholly else 1) if standing else 2)
        for unit in [unit for unit, sureness in found.items() if sureness < 2]:
            for parent in self._above(unit):
                found[parent] = min(found.get(parent, 3), found[unit])
        return found

    def _above(self, unit: str) -> list[str]:
        """What a unit is in, the inmost first."""
        above = [unit]
        while outer := list(self.graph.successors(above[-1])):
            above += outer
        return above[1:]

    def forward(self, question: Question) -> Forward:
        """Without the customers, which are no part of the graph."""
        return {unit: (sure, [unit, *self._above(unit)][-1], "") for unit, sure in self.ask(question).items()}

    def backward(self, key: str) -> Backward:
        units = {key} | {v for v in networkx.ancestors(self.graph, key) if isinstance(v, str)}
        return {
            (unit, f"C{box:08}")
            for unit in units
            for place, _, standing in self.graph.in_edges(unit, data="standing")
            if standing
            for _, box in self.graph.predecessors(place)
        }
