"""`manage.py import_bom FILE --part NUMBER`: the bill of material of an assembly, from a CSV file."""

from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db import transaction

from trace.core.clock import now
from trace.core.errors import NotFound, Refusal
from trace.core.models import Person
from trace.engineering.bom_file import COLUMNS
from trace.engineering.models import Part
from trace.engineering.operations import BomFileRefused, define_part, get_command_line, import_bom
from trace.engineering.queries import RevisionUnclear, get_part


class Command(BaseCommand):
    help = "Import a bill of material from a CSV file, all of it or nothing. Exit code 1 when it is refused."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("file", type=Path, help="CSV file; its first line names the columns")
        parser.add_argument("--part", required=True, metavar="NUMBER", help="the assembly's part number")
        parser.add_argument("--revision", default="", help="the assembly's revision")
        parser.add_argument("--name", help="defines the assembly under this name where it is not there yet")
        parser.add_argument("--level", type=int, default=1, help="its level then: above that of every part in it")
        parser.add_argument("--by", metavar="PERSON", help="key of the person or machine that imports")
        parser.add_argument("--delimiter", default="", help="what parts the columns, where it is not found out rightly")
        parser.add_argument("--dry-run", action="store_true", help="report what would be made, and make nothing")
        parser.add_argument(
            "--map",
            action="append",
            default=[],
            metavar="FIELD=COLUMN",
            help=f"the column of a field, where its header does not tell; fields: {', '.join(COLUMNS)}",
        )

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            content = options["file"].read_bytes()
        except OSError as error:
            raise CommandError(f"{options['file']} can't be read: {error.strerror}.") from None
        mapping = dict(self._pair(text) for text in options["map"])
        try:
            with transaction.atomic():
                by = self._person(options["by"])
                report = import_bom(
                    assembly=self._assembly(options, by),
                    content=content,
                    mapping=mapping,
                    delimiter=options["delimiter"],
                    dry_run=options["dry_run"],
                    by=by,
                    at=now(),
                )
                # The assembly itself, and who imports, may have been made just now.
                transaction.set_rollback(options["dry_run"])
        except BomFileRefused as refusal:
            raise CommandError("\n".join([str(refusal), *map(str, refusal.problems)])) from None
        except Refusal as refusal:
            raise CommandError(str(refusal)) from None

        columns = ", ".join(f"{field} from “{column}”" for field, column in report.columns.items())
        self.stdout.write(
            f"Columns: {columns}." + (f" Not read: {', '.join(report.ignored)}." if report.ignored else "")
        )
        for remark in report.remarks:
            self.stdout.write(remark)
        self.stdout.write(
            f"{report.assembly.number}: {len(report.rows)} lines, {report.designators} designators; "
            f"{len(report.new_parts)} parts are new."
        )
        self.stdout.write("Dry run: nothing was changed." if report.dry_run else "Imported.")

    def _pair(self, text: str) -> tuple[str, str]:
        field, sign, column = text.partition("=")
        if not sign:
            raise CommandError(f"--map {text}: write FIELD=COLUMN. The fields: {', '.join(COLUMNS)}.")
        return field.strip(), column.strip()

    def _person(self, key: str | None) -> Person:
        if key is None:
            return get_command_line()
        person = Person.objects.filter(key=key.strip().upper()).first()
        if person is None:
            raise CommandError(f"Nobody has the key {key}. Give one that is in the plant's list of people.")
        return person

    def _assembly(self, options: dict[str, Any], by: Person) -> Part:
        try:
            return get_part(options["part"], options["revision"])
        except RevisionUnclear:
            raise
        except NotFound as refusal:
            if not options["name"]:
                raise NotFound(refusal.message, action="Give its --name to define it.") from None
        return define_part(
            number=options["part"],
            revision=options["revision"],
            name=options["name"],
            kind=Part.Kind.ASSEMBLY,
            level=options["level"],
            serialised=True,
            by=by,
            at=now(),
        )
