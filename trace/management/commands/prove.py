"""`manage.py prove`: simulated plants whose truth is known part by part, and what the system says of them."""

from __future__ import annotations

import multiprocessing
import os
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from contextlib import contextmanager
from typing import Any

import django
from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db import connection, transaction

from trace.demo.simulator.bulk import record_many
from trace.demo.simulator.layout import lay_out
from trace.demo.simulator.proof import SIZES, Verdict, lacking, prove
from trace.demo.simulator.report import report, tell_failure
from trace.demo.simulator.truth import Tally

CHUNK = 10
"""Plants that one process tries before it hands in what it found."""
DEEP_PLANTS, DEEP_LEAST = 1_000, 100


class Command(BaseCommand):
    help = (
        "Build simulated plants whose truth is known part by part, ask them many suspicions, and count what is missed, "
        "falsely certain, lost backward, and wider than it must be. Uses a scratch database; exit code 1 on a fault."
    )
    requires_migrations_checks = False

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--plants", type=int, default=20, help="how many (20)")
        parser.add_argument("--seed", type=int, default=1, help="of the first plant; the next have the next (1)")
        parser.add_argument("--size", choices=SIZES, default="medium", help="how much happens in one (medium)")
        parser.add_argument("--jobs", type=int, default=1, help="processes (1)")
        parser.add_argument(
            "--deep", action="store_true",
            help=f"at least {DEEP_PLANTS} plants, and every disturbance must change {DEEP_LEAST} answers",
        )  # fmt: skip

        parser.add_argument(
            "--bulk", type=int, metavar="BOARDS", help="instead: record so many boards in batches, and ask every lot"
        )

    def handle(self, *args: Any, **options: Any) -> None:
        if options["bulk"]:
            self.record_bulk(options["bulk"])
            return
        plants = max(options["plants"], DEEP_PLANTS) if options["deep"] else options["plants"]
        seeds = range(options["seed"], options["seed"] + plants)
        total, shown = Tally(), 0
        for verdict in find_verdicts(seeds, options["size"], options["jobs"]):
            total.add(verdict.tally)
            if verdict.faults and shown < 5:
                shown += 1
                self.stdout.write(tell_failure(verdict, options["size"]))
            if verdict.tally.plants and total.plants % 100 == 0:
                self.stderr.write(f"{total.plants} of {plants} plants, {len(total.faults)} faults")
        self.stdout.write(report(total))
        if total.faults:
            raise CommandError(f"{len(total.faults)} faults in {plants} plants.")
        if unproved := lacking(total, DEEP_LEAST if options["deep"] else 1):
            raise CommandError(f"Too few answers were changed by: {', '.join(unproved)}. Try more plants.")

    def record_bulk(self, boards: int) -> None:
        with scratch_database(), transaction.atomic():
            bulk = record_many(lay_out(), boards)
            transaction.set_rollback(True)
        self.stdout.write(
            f"{bulk.boards} boards recorded in {bulk.seconds:.1f} s, {bulk.per_second:.0f} a second; "
            f"a million would take {1_000_000 / bulk.per_second / 3600:.1f} hours."
        )
        if bulk.wrong:
            raise CommandError(f"Not exactly right: {', '.join(bulk.wrong)}.")


def find_verdicts(seeds: Sequence[int], size: str, jobs: int) -> Iterator[Verdict]:
    """The verdicts on these plants, from one process or several, each with a scratch database of its own."""
    if jobs == 1:
        with scratch_database():
            yield from prove(seeds, SIZES[size])
        return
    chunks = [seeds[start : start + CHUNK] for start in range(0, len(seeds), CHUNK)]
    # Not forked: a connection to the database can't be shared.
    with ProcessPoolExecutor(jobs, multiprocessing.get_context("spawn"), django.setup) as pool:
        for done in as_completed([pool.submit(try_seeds, list(chunk), size) for chunk in chunks]):
            yield from done.result()


def try_seeds(seeds: Sequence[int], size: str) -> list[Verdict]:
    with scratch_database():
        return list(prove(seeds, SIZES[size]))


@contextmanager
def scratch_database() -> Iterator[None]:
    """An empty database of this process alone, thrown away afterwards: on SQLite in memory."""
    name = connection.settings_dict["NAME"]
    of_its_own = f"prove_{os.getpid()}"
    connection.settings_dict["TEST"]["NAME"] = None if connection.vendor == "sqlite" else of_its_own
    connection.creation.create_test_db(verbosity=0, autoclobber=True, serialize=False)
    try:
        yield
    finally:
        connection.creation.destroy_test_db(name, verbosity=0)
