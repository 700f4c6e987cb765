"""`manage.py lists FILE… | --out FOLDER`: lists of master data in from CSV files, or out to them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db import transaction

from trace.core.clock import now
from trace.core.errors import Refusal
from trace.exchange.lists.files import ListRefused, export_list, import_list, write_csv
from trace.exchange.lists.kinds import KINDS
from trace.management.importing import find_person


class Command(BaseCommand):
    help = (
        "Bring in lists of master data, each from a CSV file called as the list is: all of the files or nothing. "
        "Or write every list that has lines to a folder. Exit code 1 when it is refused."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("files", nargs="*", type=Path, help=f"such as parts.csv; the lists: {', '.join(KINDS)}")
        parser.add_argument("--out", type=Path, metavar="FOLDER", help="write the lists there, as they stand")
        parser.add_argument("--by", metavar="PERSON", help="key of the person or machine that brings them in")
        parser.add_argument("--dry-run", action="store_true", help="say what would change, and change nothing")

    def handle(self, *args: Any, **options: Any) -> None:
        if bool(options["files"]) == bool(options["out"]):
            raise CommandError("Name files to bring in, or a folder with --out.")
        if options["out"]:
            self._write(options["out"])
        else:
            self._bring(options)

    def _write(self, folder: Path) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        for name, kind in KINDS.items():
            header, *lines = export_list(kind)
            if lines:
                (folder / f"{name}.csv").write_text(write_csv([header, *lines]), encoding="utf-8")
                self.stdout.write(f"{name}.csv: {_lines(len(lines))}.")

    def _bring(self, options: dict[str, Any]) -> None:
        files = {file.stem: file for file in options["files"]}
        if unknown := sorted(set(files) - set(KINDS)):
            raise CommandError(f"{', '.join(unknown)}: there is no such list. The lists: {', '.join(KINDS)}.")
        file = None
        try:
            with transaction.atomic():
                by = find_person(options["by"])
                for name in (name for name in KINDS if name in files):
                    file = files[name]
                    report = import_list(KINDS[name], content=file.read_bytes(), by=by, at=now())
                    self.stdout.write(f"{file.name}: {_lines(report.lines)}, {len(report.changes)} changed.")
                transaction.set_rollback(options["dry_run"])
        except OSError as error:
            raise CommandError(f"{file} can't be read: {error.strerror}.") from None
        except ListRefused as refusal:
            raise CommandError("\n".join([f"{file}: {refusal}", *map(str, refusal.problems)])) from None
        except Refusal as refusal:
            raise CommandError(f"{file}: {refusal}") from None
        if options["dry_run"]:
            self.stdout.write("Nothing was changed: it was a dry run.")


def _lines(number: int) -> str:
    return f"{number} line{'' if number == 1 else 's'}"
