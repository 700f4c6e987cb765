"""`manage.py benchmark`: how fast recalls are answered, beside other ways to answer them."""

from __future__ import annotations

import json
import tempfile
from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from trace.core.errors import Refusal
from trace.management.benchmark.picture import draw
from trace.management.benchmark.run import Run
from trace.management.benchmark.table import write_table

FEWEST = 2_000


class Command(BaseCommand):
    help = (
        "Build the history of an invented plant in databases of its own, ask it what a recall asks, check the answers "
        "against other ways to get them, and print how long each took. The databases go when it is done."
    )
    requires_system_checks: list[str] = []

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--boards", type=int, default=100_000, help="boards of 150 parts each (100000)")
        parser.add_argument(
            "--rival-boards", type=int, default=100_000, help="the most boards for which rivals are built (100000)"
        )
        parser.add_argument(
            "--database-url",
            default="",
            help="a PostgreSQL server on which a database may be made, such as "
            "postgres://postgres@127.0.0.1:5432/postgres; without it SQLite is measured alone",
        )
        parser.add_argument("--repeats", type=int, default=7, help="runs of each measurement (7)")
        parser.add_argument("--seed", type=int, default=1, help="of everything that is left to chance (1)")
        parser.add_argument("--folder", type=Path, help="where files are made meanwhile (a temporary folder)")
        parser.add_argument("--json", type=Path, help="write everything that was measured to this file")
        parser.add_argument("--svg", type=Path, help="write a picture of latency against history to this file")

    def handle(self, *args: Any, **options: Any) -> None:
        if min(options["boards"], options["rival_boards"]) < FEWEST:
            raise CommandError(f"Fewer than {FEWEST} boards measure nothing. Ask for more.")
        if options["repeats"] < 1:
            raise CommandError("Each measurement takes one run or more.")
        if options["database_url"] and not options["database_url"].startswith("postgres"):
            raise CommandError("--database-url names a PostgreSQL server: postgres://USER@HOST:PORT/DATABASE.")
        with tempfile.TemporaryDirectory(dir=options["folder"]) as folder:
            run = Run(
                options["boards"], options["rival_boards"], options["seed"], options["repeats"], Path(folder),
                options["database_url"], self.stderr.write,
            )  # fmt: skip
            try:
                results = run.carry_out()
            except Refusal as refusal:
                raise CommandError(str(refusal)) from refusal
        if options["json"]:
            options["json"].write_text(json.dumps(results, indent=1) + "\n")
        if options["svg"]:
            options["svg"].write_text(draw(results))
        self.stdout.write(write_table(results))
