"""`manage.py issue_token PERSON WHERE`: what a machine or program shows to the API to be taken for a person."""

import secrets
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from trace.core.clock import now
from trace.core.errors import Refusal
from trace.core.models import Person
from trace.core.secrecy import secret_digest
from trace.engineering.operations import get_command_line, issue_token
from trace.engineering.queries import get_station


class Command(BaseCommand):
    help = "Print a new secret for the API, once: only its SHA-256 is kept. An earlier one of the same name ends."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("person", help="the key of the person or machine that it stands for")
        parser.add_argument("name", help="where it is used, such as “tester at BT1”")

        parser.add_argument("--station", action="append", default=[], metavar="KEY", help="only there; may be repeated")

    def handle(self, *args: Any, **options: Any) -> None:
        person = Person.objects.filter(key=options["person"].strip().upper()).first()
        if person is None:
            raise CommandError(f"Nobody has the key {options['person']}. manage.py add_person makes somebody.")
        secret = secrets.token_urlsafe(32)
        told = {"person": person, "name": options["name"], "digest": secret_digest(secret)}
        try:
            stations = [get_station(key) for key in options["station"]]
            issue_token(**told, stations=stations, by=get_command_line(), at=now())
        except Refusal as refusal:
            raise CommandError(str(refusal)) from None
        self.stdout.write(secret)
