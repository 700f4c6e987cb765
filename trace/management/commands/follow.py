"""`manage.py follow`: keep the populations of open alarms up to date, beside the server, until Ctrl-C."""

from __future__ import annotations

import time
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db import close_old_connections

from trace.containment.following import follow
from trace.core.errors import Refusal
from trace.core.models import Person

IDLE = 9
"""So many times as long as a round took it pauses: a tenth of one processor at most is spent."""


class Command(BaseCommand):
    help = "Reckon the populations of open alarms again whenever something was recorded, and keep what changed."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--by", default="FOLLOWER", help="who it is on record: a machine with the role quality")
        parser.add_argument("--every", type=float, default=5, metavar="SECONDS", help="the shortest pause (5)")
        parser.add_argument("--once", action="store_true", help="one round, then stop")

    def handle(self, *args: Any, **options: Any) -> None:
        by = Person.objects.filter(key=options["by"], is_machine=True).first()
        if by is None:
            raise CommandError(
                f"No machine {options['by']} is on record. Add it: manage.py add_person {options['by']} "
                "“population follower” --machine --role quality"
            )
        try:
            while True:
                began = time.monotonic()
                self.look(by)
                if options["once"]:
                    return
                time.sleep(max(options["every"], IDLE * (time.monotonic() - began)))
                close_old_connections()
        except KeyboardInterrupt:
            self.stdout.write("Stopped.")

    def look(self, by: Person) -> None:
        """One round. What is refused, such as an alarm that is closed meanwhile, is told and tried again."""
        try:
            for made in follow(by):
                self.stdout.write(f"{made}: {made.certain} certain, {made.possible} possible, {made.shipped} shipped")
        except Refusal as refusal:
            self.stderr.write(str(refusal))
