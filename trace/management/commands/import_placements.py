"""`manage.py import_placements FILE --part NUMBER`: the placements of an assembly, from a CSV or IPC-2581 file."""

from trace.engineering.operations import PlacementReport, import_placements
from trace.engineering.placement_file import COLUMNS
from trace.exchange.ipc2581 import read_placements
from trace.management.importing import ImportCommand


class Command(ImportCommand):
    help = (
        "Import where parts are placed, in order of insertion, from a CSV or IPC-2581 file, all of it or nothing. "
        "Says what does not agree with the bill of material. Exit code 1 when it is refused."
    )
    fields = COLUMNS
    operation = import_placements
    read_xml = read_placements

    def summarise(self, report: PlacementReport) -> str:
        compared = {
            "Placed, but not in the bill of material": report.not_in_bom,
            "In the bill of material, but not placed": report.not_placed,
            "Marked do-not-place": report.do_not_place,
        }
        return "\n".join(
            [
                f"{report.assembly.number}: {len(report.placements)} placements.",
                *(f"{words}: {', '.join(names)}." for words, names in compared.items() if names),
            ]
        )
