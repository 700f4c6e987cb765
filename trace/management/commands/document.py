"""Write the tables of DEVELOPERS.md from the data that the code runs on."""

from __future__ import annotations

import importlib
import pkgutil
import re
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandParser

import trace
from trace.core.errors import Refusal
from trace.core.permissions import OPERATIONS, PAGES, READING, WITHHELD, Role
from trace.core.verbs import in_trade_words
from trace.engineering.models import ScanMode
from trace.floor.rules import RULES
from trace.genealogy.rules import REASONS
from trace.holds.rules import ALWAYS_PERMITTED, Move
from trace.material.models import FeedRecord, Lot
from trace.material.operations.statuses import CHANGES

DOCUMENT = Path(settings.BASE_DIR) / "DEVELOPERS.md"

Row = Sequence[str]


def _interlock() -> Iterable[Row]:
    yield "code", "stops", "when", "next action", "after the work", "a deviation may be limited to"
    for rule in RULES:
        after = "recorded, not passed" if rule.draws_stand else "refused"
        moves = " and ".join(move.value for move in rule.moves)
        yield f"`{rule.code}`", moves, rule.when, rule.action, after, ", ".join(rule.deviable) or "no deviation"


def _moves() -> Iterable[Row]:
    yield "move", "in words", "a hold can refuse it"
    for move in Move:
        yield f"`{move.value}`", str(move.label), "no" if move in ALWAYS_PERMITTED else "yes"


def _roles() -> Iterable[Row]:
    yield "what", *(f"`{role.value}`" for role in Role)
    for table, kind in ((PAGES, "page"), (READING, "records"), (WITHHELD, "field"), (OPERATIONS, "operation")):
        for name, permitted in table.items():
            words = f"{in_trade_words(name)}, `{name}`" if table is OPERATIONS else f"{kind} `{name}`"
            yield words, *("•" if role in permitted else "" for role in Role)


def _acts() -> Iterable[Row]:
    yield "act", "in words"
    for act in FeedRecord.Act:
        yield f"`{act.value}`", str(act.label)


def _statuses() -> Iterable[Row]:
    yield "operation", "a lot that is", "becomes"
    for name, (before, after) in CHANGES.items():
        yield f"`{name}`", " or ".join(status.value for status in Lot.Status if status in before), after.value


def _scan_modes() -> Iterable[Row]:
    yield "mode", "what its scans prove"
    for mode in ScanMode:
        yield f"`{mode.value}`", str(mode.label).partition(": ")[2]


def _reasons() -> Iterable[Row]:
    yield "reason", "why a carrier is only possible"
    for reason, words in REASONS.items():
        yield f"`{reason.words()[0]}`", words


def list_refusals() -> list[type[Refusal]]:
    """Every refusal that there is, by its code."""
    for module in pkgutil.walk_packages(trace.__path__, "trace."):
        if ".migrations" not in module.name:
            importlib.import_module(module.name)
    return sorted(_every_refusal(Refusal), key=lambda kind: (kind.code, kind.__name__))


def _refusals() -> Iterable[Row]:
    yield "code", "refusal", "in words"
    for refusal in list_refusals():
        where = refusal.__module__.removeprefix("trace.")
        yield f"`{refusal.code}`", f"`{where}.{refusal.__name__}`", (refusal.__doc__ or "").split("\n")[0]


def _every_refusal(kind: type[Refusal]) -> set[type[Refusal]]:
    found = {sub for sub in kind.__subclasses__() if sub.__module__.startswith("trace.")}
    return found.union(*(_every_refusal(sub) for sub in found))


TABLES: dict[str, Callable[[], Iterable[Row]]] = {
    "interlock": _interlock,
    "moves": _moves,
    "roles": _roles,
    "acts": _acts,
    "lot statuses": _statuses,
    "scan modes": _scan_modes,
    "reasons": _reasons,
    "refusals": _refusals,
}


def render(text: str) -> str:
    """`text` with each part between `<!-- table: NAME -->` and `<!-- end -->` written anew.

    KeyError where the document asks for a table that there is not.
    """

    def table(match: re.Match[str]) -> str:
        head, *rows = [" | ".join(row) for row in TABLES[match[1]]()]
        rule = " | ".join("---" for _ in head.split(" | "))
        body = "\n".join(f"| {row} |" for row in (head, rule, *rows))
        return f"<!-- table: {match[1]} -->\n{body}\n<!-- end -->"

    return re.sub(r"<!-- table: ([a-z ]+) -->\n.*?<!-- end -->", table, text, flags=re.DOTALL)


class Command(BaseCommand):
    help = "Write the tables of DEVELOPERS.md anew from the code."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--check", action="store_true", help="only say whether they are up to date")

    def handle(self, *_: Any, **options: Any) -> None:
        text = DOCUMENT.read_text(encoding="utf-8")
        fresh = render(text)
        if options["check"]:
            self.stdout.write("up to date" if fresh == text else "out of date: python3 manage.py document")
        else:
            DOCUMENT.write_text(fresh, encoding="utf-8")
