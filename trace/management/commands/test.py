"""`manage.py test`: pytest in the place of Django's own runner."""

import argparse
import os
import sys
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandParser


class Command(BaseCommand):
    help = "Run the tests. Arguments that are not named here go to pytest; without any, all cores are used."
    requires_system_checks: list[str] = []  # a broken model should be reported by pytest, beside its test

    def add_arguments(self, parser: CommandParser | argparse.ArgumentParser) -> None:
        parser.add_argument("--database-url", help="test on this database; an exported DATABASE_URL is ignored")

    def run_from_argv(self, argv: list[str]) -> None:
        # Not Django's parser: it would take pytest's -v for its own.
        parser = argparse.ArgumentParser(prog="manage.py test", description=self.help, allow_abbrev=False)
        self.add_arguments(parser)
        options, arguments = parser.parse_known_args(argv[2:])
        os.chdir(settings.BASE_DIR)
        command = [sys.executable, "-m", "pytest", *(arguments or ["-n", "auto", "--dist", "worksteal"])]
        # A fresh process, since this one has already read the settings of the plant and not those of the tests.
        os.execve(sys.executable, command, environment(options.database_url))

    def handle(self, *args: Any, **options: Any) -> None:
        raise NotImplementedError("run_from_argv replaces this process")


def environment(database_url: str | None) -> dict[str, str]:
    """The caller's environment with the settings of the tests in the place of the plant's."""
    plant = {"DATABASE_URL", "DEBUG", "ALLOWED_HOSTS", "PLANT_TIME_ZONE", "LOG_LEVEL"}
    return {
        **{name: value for name, value in os.environ.items() if name not in plant},
        **({"DATABASE_URL": database_url} if database_url else {}),
        "SECRET_KEY": "only for tests",
        "HTTPS": "false",
        "TEST_RUN": str(os.getpid()),
        "DATABASE_POOL": "32",  # the tests of the hold gate let 20 workers in at once
    }
