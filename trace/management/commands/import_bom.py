"""`manage.py import_bom FILE --part NUMBER`: the bill of material of an assembly, from a CSV or IPC-2581 file."""

from datetime import datetime
from typing import Any

from django.core.management.base import CommandParser

from trace.core.errors import NotFound
from trace.core.models import Person
from trace.engineering.bom_file import COLUMNS
from trace.engineering.models import Part
from trace.engineering.operations import BomReport, define_part, import_bom
from trace.engineering.queries import RevisionUnclear
from trace.exchange.ipc2581 import read_bom
from trace.management.importing import ImportCommand


class Command(ImportCommand):
    help = (
        "Import a bill of material from a CSV or IPC-2581 file, all of it or nothing. Exit code 1 when it is refused."
    )
    fields = COLUMNS
    operation = import_bom
    read_xml = read_bom

    def add_arguments(self, parser: CommandParser) -> None:
        super().add_arguments(parser)
        parser.add_argument("--name", help="defines the assembly under this name where it is not there yet")
        parser.add_argument("--level", type=int, default=1, help="its level then: above that of every part in it")

    def find_assembly(self, options: dict[str, Any], by: Person, at: datetime) -> Part:
        try:
            return super().find_assembly(options, by, at)
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
            at=at,
        )

    def summarise(self, report: BomReport) -> str:
        return (
            f"{report.assembly.number}: {len(report.rows)} lines, {report.designators} designators; "
            f"{len(report.new_parts)} parts are new."
        )
