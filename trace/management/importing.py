"""What the commands share that import a file into an assembly."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import datetime
from pathlib import Path
from typing import Any, ClassVar

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db import transaction

from trace.core.clock import now
from trace.core.errors import Refusal
from trace.core.models import Person
from trace.engineering.csv_file import FileTable
from trace.engineering.models import Part
from trace.engineering.operations import get_command_line
from trace.engineering.operations.common import FileRefused
from trace.engineering.queries import get_part
from trace.exchange.ipc2581 import is_xml


def find_person(key: str | None) -> Person:
    """Who carries out a command: the one who is named, or the command line itself."""
    if key is None:
        return get_command_line()
    person = Person.objects.filter(key=key.strip().upper()).first()
    if person is None:
        raise CommandError(f"Nobody has the key {key}. Give one that is in the plant's list of people.")
    return person


class ImportCommand(BaseCommand):
    """Read a file, import it as the `operation` does, all of it or nothing, and say what was made of its columns."""

    fields: ClassVar[Mapping[str, Any]]
    operation: ClassVar[Callable[..., Any]]
    read_xml: ClassVar[Callable[[bytes], FileTable]]

    def summarise(self, report: Any) -> str:
        """What was imported, in a sentence or several."""
        raise NotImplementedError

    def find_assembly(self, options: dict[str, Any], by: Person, at: datetime) -> Part:
        return get_part(options["part"], options["revision"])

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("file", type=Path, help="CSV file whose first line names the columns, or IPC-2581")
        parser.add_argument("--part", required=True, metavar="NUMBER", help="the assembly's part number")
        parser.add_argument("--revision", default="", help="the assembly's revision")
        parser.add_argument("--by", metavar="PERSON", help="key of the person or machine that imports")
        parser.add_argument("--delimiter", default="", help="what parts the columns, where it is not found out rightly")
        parser.add_argument("--dry-run", action="store_true", help="report what would be made, and make nothing")
        parser.add_argument(
            "--map",
            action="append",
            default=[],
            metavar="FIELD=COLUMN",
            help=f"the column of a field, where its header does not tell; fields: {', '.join(self.fields)}",
        )

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            content = options["file"].read_bytes()
        except OSError as error:
            raise CommandError(f"{options['file']} can't be read: {error.strerror}.") from None
        mapping = dict(self._pair(text) for text in options["map"])
        if is_xml(content):
            if mapping or options["delimiter"]:
                raise CommandError("The file is XML, which has no columns: leave out --map and --delimiter.")
            content = type(self).read_xml(content)
        try:
            with transaction.atomic():
                by, at = find_person(options["by"]), now()
                report = type(self).operation(
                    assembly=self.find_assembly(options, by, at),
                    content=content,
                    mapping=mapping,
                    delimiter=options["delimiter"],
                    dry_run=options["dry_run"],
                    by=by,
                    at=at,
                )
                # The assembly itself, and who imports, may have been made just now.
                transaction.set_rollback(options["dry_run"])
        except FileRefused as refusal:
            raise CommandError("\n".join([str(refusal), *map(str, refusal.problems)])) from None
        except Refusal as refusal:
            raise CommandError(str(refusal)) from None

        columns = ", ".join(f"{field} from “{column}”" for field, column in report.columns.items())
        unread = f" Not read: {', '.join(report.ignored)}." if report.ignored else ""
        self.stdout.write(f"Columns: {columns}.{unread}")
        for remark in report.remarks:
            self.stdout.write(remark)
        self.stdout.write(self.summarise(report))
        self.stdout.write("Dry run: nothing was changed." if report.dry_run else "Imported.")

    def _pair(self, text: str) -> tuple[str, str]:
        field, sign, column = text.partition("=")
        if not sign:
            raise CommandError(f"--map {text}: write FIELD=COLUMN. The fields: {', '.join(self.fields)}.")
        return field.strip(), column.strip()
