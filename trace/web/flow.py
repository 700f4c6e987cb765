"""The flow from lot to customer as a picture and as a table, each of its numbers leading to the units behind it."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from urllib.parse import urlencode

from trace.containment.flow import Flow, Node, Stage
from trace.genealogy.forward import Carrier
from trace.genealogy.rules import Sureness
from trace.web.answer import Answer, where_cell
from trace.web.cells import Link, Mark, Ref, Why
from trace.web.tables import Column, Table

MOST = 10
"""So many nodes stand below one another; the rest is one."""

WIDTH, BOX, TOP = 900, 124, 34
HIGH, SLOT, GAP, LANE = 48, 26, 14, 12
"""Measures in the drawing's own units: of it, a node, its head; a node at least, an arrow's part of it, what is between
two, what an arrow that passes by others takes above them."""

LETTERS = 17
"""So many letters stand in a node."""

HEADS = {
    Stage.MATERIAL: "Suspect lots",
    Stage.SOURCE: "Given by",
    Stage.INSIDE: "Inside others",
    Stage.OUTERMOST: "Outermost units",
    Stage.PLACE: "Where they are",
}


def node_id(node: Node) -> str:
    """What names a node in an address."""
    return f"{node.stage.value}:{node.kind}:{node.key}"


@dataclass(frozen=True)
class Box:
    """A node as it is drawn."""

    node: Node
    x: float
    y: float
    height: float
    count: int
    href: str

    @property
    def middle(self) -> float:
        return self.y + self.height / 2

    @property
    def text(self) -> str:
        return _short(self.node.key)

    @property
    def also(self) -> str:
        return _short(self.node.words)

    @property
    def says(self) -> str:
        return f"{self.node}: {_units(self.count)}"


@dataclass(frozen=True)
class Line:
    """An arrow as it is drawn: its way, and where its number stands."""

    path: str
    x: float
    y: float
    count: int
    width: float
    href: str
    says: str


@dataclass(frozen=True)
class Picture:
    """All of it, with the head of each column that there is."""

    heads: Sequence[tuple[float, str]]
    boxes: Sequence[Box]
    lines: Sequence[Line]
    height: float
    width: int = WIDTH
    box: int = BOX


def draw(flow: Flow, asof: Mapping[str, str]) -> Picture:
    """The picture of a flow that was gathered."""
    nodes = flow.nodes
    out: dict[Node, list[Node]] = defaultdict(list)
    into: dict[Node, list[Node]] = defaultdict(list)
    for one, other in sorted(flow.arrows):
        out[one].append(other)
        into[other].append(one)
    over = [(one, other) for one, other in sorted(flow.arrows) if other.stage - one.stage > 1]
    lane = min(LANE, 10 * LANE / len(over)) if over and any(node.stage == Stage.INSIDE for node in nodes) else 0
    boxes: dict[Node, Box] = {}
    bottom = float(TOP)
    for stage in Stage:
        y = float(TOP) + (len(over) * lane if stage == Stage.INSIDE else 0)
        x = _left(stage)
        for node in sorted((node for node in nodes if node.stage == stage), key=lambda one: -len(nodes[one])):
            height = max(HIGH, SLOT * max(len(out[node]), len(into[node])))
            boxes[node] = Box(node, x, y, height, len(nodes[node]), _href(asof, node=node_id(node)))
            y += height + GAP
        bottom = max(bottom, y)
    for links in (out, into):
        for ends in links.values():
            ends.sort(key=lambda node: boxes[node].middle)
    most = max((len(units) for units in flow.arrows.values()), default=1)
    lines = []
    for (one, other), units in sorted(flow.arrows.items()):
        start, end = boxes[one], boxes[other]
        y1 = start.y + start.height * (out[one].index(other) + 0.5) / len(out[one])
        y2 = end.y + end.height * (into[other].index(one) + 0.5) / len(into[other])
        x1, x2 = start.x + BOX, end.x
        path = f"M{x1:.0f} {y1:.1f}"
        if lane and (one, other) in over:  # above what it passes by
            y = TOP + lane * over.index((one, other)) + 2
            path += _bend(x1, y1, _left(Stage.INSIDE), y) + f"H{_left(Stage.INSIDE) + BOX:.0f}"
            x1, y1 = _left(Stage.INSIDE) + BOX, y
        path += _bend(x1, y1, x2 - 5, y2)
        href = _href(asof, **{"from": node_id(one), "to": node_id(other)})
        says = f"{_units(len(units))}, from {one} to {other}"
        lines.append(Line(path, x2 - 9, y2 - 4, len(units), 1 + 5 * len(units) / most, href, says))
    heads = [(_left(stage), HEADS[stage]) for stage in Stage if any(n.stage == stage for n in nodes)]
    return Picture(heads, list(boxes.values()), lines, bottom)


def _left(stage: Stage) -> float:
    return 2 + stage * (WIDTH - BOX - 4) / max(Stage)


def _bend(x1: float, y1: float, x2: float, y2: float) -> str:
    middle = (x1 + x2) / 2
    return f"C{middle:.0f} {y1:.1f} {middle:.0f} {y2:.1f} {x2:.0f} {y2:.1f}"


def _href(asof: Mapping[str, str], **asked: str) -> str:
    return f"?{urlencode({**asof, **asked})}#behind"


def _short(text: str) -> str:
    return text if len(text) <= LETTERS else f"{text[: LETTERS - 1]}…"


def _units(number: int) -> str:
    return f"{number} unit{'' if number == 1 else 's'}"


# Tables --------------------------------------------------------------------------------------------------------------


def _node_cell(node: Node) -> Ref:
    return Ref(node.kind, node.key, node.words)


def flow_table(flow: Flow, answer: Answer) -> Table:
    """The same as the picture, arrow by arrow."""

    def count(arrow: tuple[Node, Node]) -> Link:
        one, other = arrow
        href = _href(answer.asof.fields, **{"from": node_id(one), "to": node_id(other)})
        return Link(len(flow.arrows[arrow]), href, f"{_units(len(flow.arrows[arrow]))}, from {one} to {other}")

    return Table(
        "flow",
        "From where to where",
        [
            Column("stage", "From", lambda arrow: HEADS[arrow[0].stage], choose=True),
            Column("from", "Which", lambda arrow: _node_cell(arrow[0])),
            Column("to", "To", lambda arrow: _node_cell(arrow[1])),
            Column("into", "Which are", lambda arrow: HEADS[arrow[1].stage], choose=True),
            Column("units", "Units", count, number=True),
        ],
        sorted(flow.arrows),
        "Nothing flowed: no unit carries it.",
        note="Counted are units with the suspect in a place of their own; of what leads to a place, outermost units.",
    )


def find_behind(flow: Flow, asked: Mapping[str, str]) -> tuple[str, set[int]] | None:
    """(in words, the units behind) of the node or arrow that an address asks for; None where it asks for none."""
    for node, units in flow.nodes.items():
        if node_id(node) == asked.get("node"):
            return str(node), units
    for (one, other), units in flow.arrows.items():
        if (node_id(one), node_id(other)) == (asked.get("from"), asked.get("to")):
            return f"from {one} to {other}", units
    return None


def behind_table(answer: Answer, words: str, units: set[int]) -> Table:
    """The units behind a number of the picture."""
    rows: list[Carrier] = [c for c in answer.population.carriers if c.unit in units and c.sureness != Sureness.CLEARED]
    return Table(
        "behind",
        f"Behind “{words}”",
        [
            Column("sureness", "Sureness", lambda c: Mark(c.sureness.value), choose=True),
            Column("serial", "Serial", lambda c: Ref("unit", c.key)),
            Column("part", "Part", lambda c: Ref("part", c.part), choose=True),
            Column("inside", "Is in", lambda c: Ref("unit", c.top) if c.top != c.key else ""),
            Column("where", "Where", lambda c: where_cell(c.where)),
            Column("why", "Evidence", lambda c: Why(f"{answer.kind}-unit", answer.key, c.key)),
        ],
        rows,
        "No unit is behind it.",
    )
