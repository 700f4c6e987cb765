"""`manage.py rush`: how the application server holds up when everybody scans at once."""

from __future__ import annotations

import tempfile
from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from trace.management.benchmark.rush.run import Rush
from trace.management.benchmark.rush.table import write_rush


class Command(BaseCommand):
    help = (
        "Run the application server on a database of its own, with the history of an invented plant. Fifty-six clients "
        "insert single rows through a bare page; then fifty stations scan without a pause, five engineers ask for "
        "recalls, a machine reports racks. Every answer is checked; ends with 1 where one was wrong."
    )
    requires_system_checks: list[str] = []

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--seconds", type=int, default=30, help="of each load (30)")
        parser.add_argument("--boards", type=int, default=20_000, help="boards in the history (20000)")
        parser.add_argument("--database-url", default="", help="a PostgreSQL server; without it SQLite")

    def handle(self, *args: Any, **options: Any) -> None:
        if options["seconds"] < 1 or options["boards"] < 2_000:
            raise CommandError("A rush takes a second or more, and a history of 2000 boards or more.")
        with tempfile.TemporaryDirectory() as folder:
            rush = Rush(options["seconds"], options["boards"], Path(folder), options["database_url"], self.stderr.write)
            results = rush.carry_out()
        self.stdout.write(write_rush(results))
        if results["wrong"]:
            raise CommandError("\n".join([f"{len(results['wrong'])} wrong:", *results["wrong"][:10]]))
