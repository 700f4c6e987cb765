"""`manage.py add_person KEY NAME --role ROLE…`: somebody new, from the server: the first administrator comes so."""

import getpass
import sys
from typing import Any

from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError
from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db import transaction

from trace.core.clock import now
from trace.core.errors import Refusal
from trace.core.permissions import Role
from trace.engineering.operations import add_person, get_command_line, open_account


class Command(BaseCommand):
    help = "Add a person, with an account where one is wanted. The first administrator of a plant is made so."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("key", help="such as P-001: it stands in every record of what they do")
        parser.add_argument("name", help="their name, as records print it")
        parser.add_argument("--role", action="append", default=[], choices=Role.values, help="may be given often")
        parser.add_argument("--machine", action="store_true", help="it is a machine or a program")
        parser.add_argument(
            "--account", metavar="USERNAME", help="they sign in; the password is asked for, or the first line of input"
        )

    def handle(self, *args: Any, **options: Any) -> None:
        password = self._password() if options["account"] else ""
        done: dict[str, Any] = {"by": get_command_line(), "at": now()}
        try:
            with transaction.atomic():
                person = add_person(
                    key=options["key"],
                    name=options["name"],
                    roles=options["role"],
                    is_machine=options["machine"],
                    **done,
                )
                if options["account"]:
                    user = open_account(person=person, username=options["account"], **done)
                    validate_password(password, user)
                    user.set_password(password)
                    user.save(update_fields=["password"])
        except Refusal as refusal:
            raise CommandError(str(refusal)) from None
        except ValidationError as error:
            raise CommandError(" ".join(error.messages)) from None
        self.stdout.write(f"{person.key} {person.name}: {', '.join(person.roles) or 'no role yet'}.")

    def _password(self) -> str:
        if not sys.stdin.isatty():
            return sys.stdin.readline().rstrip("\n")
        password = getpass.getpass("Password: ")
        if getpass.getpass("Once more: ") != password:
            raise CommandError("The two passwords differ. Nothing was changed.")
        return password
