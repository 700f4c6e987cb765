"""An embedded graph database, kuzu: containers, units, and what went into what."""

from __future__ import annotations

import csv
import shutil
from collections import defaultdict
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from trace.management.benchmark.answers import Backward, Forward
from trace.management.benchmark.history import DEPTH, History, Question
from trace.management.benchmark.rivals.edges import list_displaced, list_homes, list_repairs, list_runs
from trace.management.benchmark.rivals.names import customers_of, unit_keys

SCHEMA = """
CREATE NODE TABLE Unit(id INT64, key STRING, customer STRING, PRIMARY KEY (id));
CREATE NODE TABLE Container(id INT64, key STRING, lot INT64, own BOOLEAN, PRIMARY KEY (id));
CREATE REL TABLE Filled(FROM Container TO Container);
CREATE REL TABLE Supplied(FROM Container TO Unit, feed INT64, candidates INT64, standing BOOLEAN);
CREATE REL TABLE FittedIn(FROM Unit TO Unit)
"""
SUSPECTS = "MATCH (c:Container) WHERE c.lot IN $lots AND c.own OR c.id IN $containers RETURN c.id"
FILLED = "MATCH (c:Container)-[:Filled]->(d:Container) WHERE c.id IN $ids RETURN d.id"
CARRIERS = """
MATCH (c:Container)-[s:Supplied]->(u:Unit) WHERE c.id IN $ids
RETURN u.id, s.feed, s.standing, count(*) = min(s.candidates)
"""
PARENTS = "MATCH (u:Unit)-[:FittedIn]->(p:Unit) WHERE u.id IN $ids RETURN u.id, p.id"
NAMES = "MATCH (u:Unit) WHERE u.id IN $ids RETURN u.id, u.key, u.customer"
INSIDE = f"""
MATCH (u:Unit)<-[:FittedIn*1..{DEPTH + 2}]-(b:Unit) WHERE u.key = $key
MATCH (b)<-[s:Supplied]-(c:Container) WHERE s.standing RETURN b.key, c.key
"""


class EmbeddedGraph:
    """A kuzu database in a folder. An edge says that a unit has parts of a container from a feed."""

    name = "graph database, kuzu"

    def __init__(self, history: History, folder: Path) -> None:
        import kuzu

        self.history, self.folder, self.path = history, folder, folder / "graph.kuzu"
        self.version = f"kuzu {kuzu.__version__}"
        self.database = kuzu.Database(str(self.path))
        self.graph = kuzu.Connection(self.database)

    def build(self) -> None:
        history = self.history
        customers = customers_of(history)
        for statement in SCHEMA.split(";"):
            self.graph.execute(statement)
        keys = unit_keys(history)
        self._load("Unit", ((n, key, customers.get(n, "")) for n, key in enumerate(keys, 1)))
        boxes = history.supply.boxes
        self._load("Container", ((b.id, f"C{b.id:08}", b.lot, b.source is None) for b in boxes))
        self._load("Filled", ((b.source, b.id) for b in boxes if b.source))
        self._load("Supplied", self._supplied())
        self._load("FittedIn", list_homes(history))

    def _supplied(self) -> Iterator[tuple[Any, ...]]:
        displaced = list_displaced(self.history)
        for feed, first, last, box, candidates in list_runs(self.history):
            for unit in range(first, last + 1):
                yield box, unit, feed, candidates, (feed, unit) not in displaced
        for box, unit in list_repairs(self.history):
            yield box, unit, 0, 1, True

    def _load(self, table: str, rows: Iterable[tuple[Any, ...]]) -> None:
        path = self.folder / f"{table}.csv"
        with path.open("w", newline="") as file:
            csv.writer(file).writerows(rows)
        self.graph.execute(f"COPY {table} FROM '{path}'")
        path.unlink()

    def bytes(self) -> int:
        files = [self.path] if self.path.is_file() else self.path.rglob("*")
        return sum(file.stat().st_size for file in files if file.is_file())

    def ask(self, question: Question) -> list:
        named = self._fetch(SUSPECTS, lots=list(question.lots), containers=list(question.containers))
        suspects = {pk for (pk,) in named}
        layer = suspects
        while layer:
            layer = {pk for (pk,) in self._fetch(FILLED, ids=list(layer))} - suspects
            suspects |= layer
        sureness: dict[int, int] = defaultdict(lambda: 3)
        for unit, _, standing, wholly in self._fetch(CARRIERS, ids=list(suspects)):
            sureness[unit] = min(sureness[unit], (0 if wholly else 1) if standing else 2)
        home: dict[int, int] = {}
        climbing = list(sureness)
        while climbing:
            above = self._fetch(PARENTS, ids=climbing)
            home |= dict(above)
            for unit, parent in above:
                if sureness.get(unit, 3) < min(sureness.get(parent, 3), 2):
                    sureness[parent] = sureness[unit]
            climbing = list({parent for _, parent in above})
        tops = {}
        for unit in sureness:
            top = unit
            while top in home:
                top = home[top]
            tops[unit] = top
        names = {pk: (key, customer) for pk, key, customer in self._fetch(NAMES, ids=list({*tops, *tops.values()}))}
        return [(names[unit][0], sure, *names[tops[unit]]) for unit, sure in sureness.items()]

    def look_into(self, key: str) -> list:
        return self._fetch(INSIDE, key=key)

    def _fetch(self, query: str, **parameters: Any) -> list:
        result = self.graph.execute(query, parameters)
        return result.get_all()

    def forward_of(self, rows: list) -> Forward:
        return {unit: (sureness, top, customer or "") for unit, sureness, top, customer in rows}

    def backward_of(self, rows: list) -> Backward:
        return {(unit, container) for unit, container in rows}

    def close(self) -> None:
        self.graph.close()
        self.database.close()
        shutil.rmtree(self.path, ignore_errors=True)
        self.path.unlink(missing_ok=True)
