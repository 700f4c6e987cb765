"""`manage.py demo`: the demo plant, built once and then served."""

from __future__ import annotations

import os
import socket
import sys
from argparse import ArgumentParser
from typing import Any

from django.conf import settings
from django.core.management import call_command
from django.core.management.base import BaseCommand, CommandError
from django.db import connection

from trace.core.errors import Refusal
from trace.demo import stories
from trace.demo.build import build, check_is_ours, is_built
from trace.demo.calendar import UNTIL, ZONE
from trace.demo.plant import rows

HOST = "127.0.0.1"
BAR = 40


class Command(BaseCommand):
    help = "Build the demo plant in an empty database, once, and serve it on this machine until Ctrl-C."
    requires_migrations_checks = False

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--port", type=int, default=8000, help="the first port to try (8000)")
        parser.add_argument("--no-serve", action="store_true", help="build only")

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            check_is_ours()
            call_command("migrate", verbosity=0, interactive=False)
            if not is_built():
                self.stderr.write("Building Quillmoor Works, seven weeks of it. It takes about a minute, once.")
                build(progress=show_progress)
        except Refusal as refusal:
            raise CommandError(str(refusal)) from refusal
        port = None if options["no_serve"] else self.find_port(options["port"])
        self.describe(port)
        if port:
            serve(port)

    def describe_kiosk(self, address: str) -> list[str]:
        """How a browser becomes a screen at stations."""
        device, badge = rows("devices")[0], rows("badges")[0]
        return [
            f"To sign in by badge, as {device['name']}: as edda open {address}device/ and type",
            f"    {device['secret']}",
            f"  then scan or type the badge {badge['code']}, PIN {badge['pin']}.",
        ]

    def find_port(self, wanted: int) -> int:
        """The first free port from the wanted one on."""
        for port in range(wanted, min(wanted + 100, 65536)):
            with socket.socket() as probe:
                probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
                try:
                    probe.bind((HOST, port))
                except OSError:
                    continue
            if port != wanted:
                self.stdout.write(f"Port {wanted} is taken; this uses {port}.")
            return port
        raise CommandError(f"No port from {wanted} on is free. Name another with --port.")

    def describe(self, port: int | None) -> None:
        address = f"http://{HOST}:{port}/"
        jobs = {row["key"]: row["job"] for row in rows("people")}
        accounts = [f"  {row['username']:6} {row['password']:20} {jobs[row['person']]}" for row in rows("accounts")]
        lines = [
            f"Quillmoor Works as it stood on {UNTIL:%A, %-d %B %Y at %H:%M}.",
            *([f"Open {address} and sign in:", *accounts] if port else []),
            "Three things to try:",
            "  Which units carry the resistors that drift, how sure is it, and who has them?",
            f"    python3 manage.py affected {stories.DRIFTING_LOT}",
            "  What is in the ventilator that got its fan from a scrapped one?",
            f"    python3 manage.py asbuilt {stories.RECEIVER}",
            "  Whose boards may have varistors of a bag that nobody saw being changed?",
            f"    {address}lots/{stories.UNTIMED_LOT}/"
            if port
            else f"    python3 manage.py affected {stories.UNTIMED_LOT}",
            *(self.describe_kiosk(address) if port else []),
            *(["Ctrl-C stops it."] if port else []),
        ]
        self.stdout.write("\n".join(lines))
        self.stdout.flush()


def show_progress(done: int, acts: int) -> None:
    """A bar where somebody watches; in a log a line at every fifth of the work."""
    share = 100 * done // acts
    if share == 100 * (done - 1) // acts:
        return
    if sys.stderr.isatty():
        bar = "#" * (BAR * share // 100)
        sys.stderr.write(f"\r[{bar:<{BAR}}] {share:3} %" + ("\n" if done == acts else ""))
    elif share % 20 == 0:
        sys.stderr.write(f"{share} %\n")
    sys.stderr.flush()


def serve(port: int) -> None:
    """The process becomes the server, started afresh: its settings are read anew, for plain HTTP."""
    connection.close()
    environment = {
        **os.environ,
        "HTTPS": "false",
        "PLANT_TIME_ZONE": ZONE.key,
        "DATA_DIR": str(settings.DATA_DIR.resolve()),
    }
    options = [
        "--bind",
        f"{HOST}:{port}",
        "--threads",
        "8",
        "--log-level",
        "warning",
        "--chdir",
        str(settings.BASE_DIR),
    ]
    os.execve(sys.executable, [sys.executable, "-m", "gunicorn", *options, "config.wsgi"], environment)
