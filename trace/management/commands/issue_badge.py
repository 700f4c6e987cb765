"""`manage.py issue_badge PERSON`: the badge with which somebody signs in at stations, and its PIN."""

import getpass
import sys
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from trace.core.clock import now
from trace.core.errors import Refusal
from trace.core.models import Person
from trace.core.secrecy import Secret
from trace.engineering.operations import get_command_line, issue_badge


class Command(BaseCommand):
    help = "Give somebody a badge: its code and a PIN are asked for, or the first two lines of input."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("person", help="the key of the person")

    def handle(self, *args: Any, **options: Any) -> None:
        person = Person.objects.filter(key=options["person"].strip().upper()).first()
        if person is None:
            raise CommandError(f"Nobody has the key {options['person']}. manage.py add_person makes somebody.")
        code, pin = self._ask()
        try:
            issue_badge(person=person, code=Secret(code), pin=Secret(pin), by=get_command_line(), at=now())
        except Refusal as refusal:
            raise CommandError(str(refusal)) from None
        self.stdout.write(f"{person.key} {person.name} has this badge from now on.")

    def _ask(self) -> tuple[str, str]:
        if not sys.stdin.isatty():
            code, pin = (sys.stdin.readline().rstrip("\n") for _ in range(2))
            return code, pin
        code, pin = input("Scan the badge: "), getpass.getpass("PIN: ")
        if getpass.getpass("PIN once more: ") != pin:
            raise CommandError("The two PINs differ. Nothing was changed.")
        return code, pin
