"""One run: every size on every database, each answer checked before it is timed."""

from __future__ import annotations

import os
import platform
import sys
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

from trace.floor.models import Fitting, Pass
from trace.genealogy.forward import Population
from trace.management.benchmark.answers import ask, backward_of, check_same, forward_of, look_into
from trace.management.benchmark.containment import Alarms
from trace.management.benchmark.databases import on_postgresql, on_sqlite, table_sizes, version
from trace.management.benchmark.floors import build_floors, fetch_floor
from trace.management.benchmark.history import History, Question
from trace.management.benchmark.intake import RUNS, Intake
from trace.management.benchmark.load import gather_statistics, load_history, without_indexes
from trace.management.benchmark.measure import clock, memory_now, time_together
from trace.management.benchmark.rivals import Rival
from trace.management.benchmark.rivals.columns import ColumnStore
from trace.management.benchmark.rivals.embedded import EmbeddedGraph
from trace.management.benchmark.rivals.graph import GraphInMemory
from trace.management.benchmark.rivals.rows import RowPerPart
from trace.material.models import Axis, Container, Derivation, Feed, FeedRecord, Lot, SetUp, SetUpLine, Span

GENEALOGY = (Pass, Span, FeedRecord, Fitting, SetUp, SetUpLine, Axis, Feed, Container, Lot, Derivation)
"""What the project keeps to know what is in what; the rivals' tables are counted without their containers and lots."""
SMALLEST = 20_000
"""Boards below which a reel of the plant is cut short, so that answers would be smaller too."""


@dataclass
class Run:
    """What to measure, and what was found: `results` is plain data."""

    boards: int
    rival_boards: int
    seed: int
    repeats: int
    folder: Path
    url: str
    say: Callable[[str], None]
    results: dict[str, Any] = field(default_factory=dict)

    def carry_out(self) -> dict[str, Any]:
        self.results = {
            "machine": f"{os.cpu_count()} processors, {platform.machine()}, {platform.system()}",
            "python": sys.version.split()[0],
            "seed": self.seed,
            "boards": self.boards,
            "repeats": self.repeats,
            "versions": [],
            "sizes": {},
        }
        for boards in self.sizes():
            history = History(boards, self.seed)
            of_size: dict[str, Any] = self.results["sizes"].setdefault(boards, {})
            for name, database in self.databases(boards):
                self.say(f"{boards} boards on {name}")
                with database:
                    self.note(version())
                    of_size[name] = self.measure(history, whole=boards >= min(self.rival_boards, self.boards))
        return self.results

    def sizes(self) -> list[int]:
        """The histories, growing: fifty times, ten times, as asked, and one for the rivals."""
        asked = {self.boards // 50, self.boards // 10, min(self.rival_boards, self.boards), self.boards}
        return sorted({max(size, min(SMALLEST, self.boards)) for size in asked})

    def databases(self, boards: int) -> Iterator[tuple[str, AbstractContextManager[None]]]:
        if self.url:
            yield "PostgreSQL", on_postgresql(self.url, str(boards))
        yield "SQLite", on_sqlite(self.folder, f"plant-{boards}")

    def note(self, what: str) -> None:
        if what not in self.results["versions"]:
            self.results["versions"].append(what)

    def measure(self, history: History, *, whole: bool) -> dict[str, Any]:
        """One size on the current database; `whole`: all that is measured, not growth alone."""

        def build() -> None:
            with without_indexes():
                load_history(history)
            gather_statistics()

        found: dict[str, Any] = {"build_s": clock(build)}
        sizes = table_sizes()
        found["bytes"] = sum(sizes[model._meta.db_table] for model in GENEALOGY)
        found["bytes_of_passes"] = sizes[Pass._meta.db_table]
        build_floors()
        questions = [*history.questions, history.process_window] if whole else [history.one_container]
        answers = {question.name: ask(question) for question in questions}
        found["forward"] = {q.name: self.time_forward(q, answers[q.name]) for q in questions}
        if whole:
            found["backward"] = self.time_backward(history)
            found["rivals"] = {rival.name: self.time_rival(rival, history, answers) for rival in self.rivals(history)}
            self.say("  containment")
            found["containment"] = Alarms(history).measure(self.repeats)
            found["intake"] = {name: timing.as_data() for name, timing in Intake(history).measure(RUNS).items()}
        found["memory"] = memory_now()
        return found

    def time_forward(self, question: Question, answer: Population) -> dict[str, Any]:
        wanted = [carrier.unit for carrier in answer.carriers]
        times = time_together(
            {"project": lambda: ask(question), "floor": lambda: fetch_floor("floor_unit", wanted)}, self.repeats
        )
        return {"answer": len(wanted), **{name: timing.as_data() for name, timing in times.items()}}

    def time_backward(self, history: History) -> dict[str, Any]:
        key = history.asked_product
        parts = range(1, 751)
        times = time_together(
            {"project": lambda: look_into(key), "floor": lambda: fetch_floor("floor_part", parts)}, self.repeats
        )
        return {"answer": len(parts), **{name: timing.as_data() for name, timing in times.items()}}

    def rivals(self, history: History) -> Iterator[Rival]:
        """The row per part in this database; the others once, beside PostgreSQL or else SQLite."""
        if history.boards > self.rival_boards:
            return
        yield RowPerPart(history)
        if bool(self.url) == version().startswith("PostgreSQL"):
            yield ColumnStore(history, self.folder)
            yield GraphInMemory(history)
            yield EmbeddedGraph(history, self.folder)

    def time_rival(self, rival: Rival, history: History, answers: dict[str, Population]) -> dict[str, Any]:
        self.say(f"  {rival.name}")
        self.note(rival.version)
        before = memory_now()
        found: dict[str, Any] = {"build_s": clock(rival.build)}
        found["memory"] = max(memory_now() - before, 0)
        found["bytes"] = rival.bytes()
        try:
            built = look_into(history.asked_product)
            for question in history.questions:
                theirs = rival.forward_of(rival.ask(question))
                check_same(f"{rival.name}, {question.name}", forward_of(answers[question.name]), theirs)
            inside = rival.backward_of(rival.look_into(history.asked_product))
            check_same(f"{rival.name}, backward", backward_of(built), inside)
            for question in history.questions:
                found[question.name] = self.beside(partial(ask, question), partial(rival.ask, question))
            key = history.asked_product
            found["backward"] = self.beside(lambda: look_into(key), lambda: rival.look_into(key))
        finally:
            rival.close()
        return found

    def beside(self, project: Callable[[], object], rival: Callable[[], object]) -> dict[str, Any]:
        times = time_together({"project": project, "rival": rival}, self.repeats)
        return {name: timing.as_data() for name, timing in times.items()}
