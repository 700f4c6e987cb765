"""`manage.py issue_device KEY NAME STATION…`: the secret that makes a browser the device at these stations."""

from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from trace.core.clock import now
from trace.core.errors import Refusal
from trace.core.secrecy import device_digest, make_device_secret
from trace.engineering.operations import get_command_line, issue_device
from trace.engineering.queries import get_station


class Command(BaseCommand):
    help = "Print a device’s new secret, once: only its SHA-256 is kept. Browsers bound by an earlier one are no more."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("key", help="such as KIOSK-WS1")
        parser.add_argument("name", help="where it stands, such as “screen at wave solder”")
        parser.add_argument("stations", nargs="+", metavar="station", help="keys of its stations")

    def handle(self, *args: Any, **options: Any) -> None:
        secret = make_device_secret()
        done: dict[str, Any] = {"by": get_command_line(), "at": now()}
        try:
            stations = [get_station(key) for key in options["stations"]]
            told = {"key": options["key"], "name": options["name"], "stations": stations}
            issue_device(**told, digest=device_digest(secret), **done)
        except Refusal as refusal:
            raise CommandError(str(refusal)) from None
        self.stdout.write(secret)
