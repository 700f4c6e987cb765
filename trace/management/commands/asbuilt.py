"""`manage.py asbuilt SERIAL`: everything in one unit, down to the first lots.

With `--json`:
"""

from __future__ import annotations

from argparse import RawDescriptionHelpFormatter
from collections.abc import Iterator
from textwrap import wrap
from typing import Any

from django.core.management.base import CommandParser

from trace.engineering.rules import run_together
from trace.exchange import backward
from trace.exchange.backward import describe_unit
from trace.exchange.plant_time import PlantTime
from trace.floor.naming import get_named_unit
from trace.genealogy.backward import AsBuilt, Entry, Origin, trace_backward
from trace.genealogy.known import as_known
from trace.genealogy.whereabouts import find_whereabouts
from trace.management.answers import WIDTH, AnswerCommand, add_times, dump
from trace.material.models import Feed


class Command(AnswerCommand):
    help = "Show one unit as it was built: which lot is, or was, at every designator, and every unit in it."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.formatter_class = RawDescriptionHelpFormatter
        parser.epilog = f"{__doc__}\n{backward.__doc__}"
        parser.add_argument(
            "serial",
            metavar="SERIAL",
            help="the unit's key, with or without its check character, or another name of it",
        )
        add_times(parser)
        parser.add_argument("--json", action="store_true", help="everything, as JSON; see below")

    def handle(self, *args: Any, **options: Any) -> None:
        time = PlantTime()
        at, known = time.read(options["at"]), time.read(options["known"])
        with as_known(known):
            unit = get_named_unit(options["serial"]).unit
            if options["json"]:
                self.stdout.write(dump(describe_unit(unit, at, known, time)))
                return
            built = trace_backward(unit, at)
            where = find_whereabouts([unit.pk], at)[unit.pk]
        looking = time.looking(at, known)
        moment = f", {looking[0].lower()}{looking[1:]}" if looking else "."
        self.stdout.write(f"{built.key}  {built.part}  {built.part_name}: {where}{moment}")
        self.stdout.write("\n".join(_places(built, time, "  ")))


# As text -------------------------------------------------------------------------------------------------------------


def _places(built: AsBuilt, time: PlantTime, margin: str) -> Iterator[str]:
    """The lines for what is in a unit: a heading for what happened, and under it a row for each part
    and origin, which designators alike in everything share."""
    alike: dict[tuple[str | None, tuple[Entry, ...]], list[str]] = {}
    for place in built.places:
        alike.setdefault((place.part, place.entries), []).append(place.designator)
    headings: dict[str, list[tuple[str, tuple[Entry, ...]]]] = {}
    for (part, entries), designators in alike.items():
        standing = dict.fromkeys(_happened(entry, time) for entry in entries if entry.standing)
        row = f"{run_together(designators)}  {part or 'not in the bill of material'}"
        headings.setdefault(" or ".join(standing) or "nothing on record", []).append((row, entries))
    children = {child.key: child for child in built.children}
    for heading, rows in headings.items():
        yield from _wrap(heading[0].upper() + heading[1:], margin)
        for row, entries in rows:
            standing_here = [entry for entry in entries if entry.standing]
            yield from _contents(row, standing_here, f"{margin}  ")
            for entry in entries:
                if not entry.standing:
                    yield from _contents(f"past, {_happened(entry, time)}", [entry], f"{margin}    ")
            for entry in standing_here:
                if child := children.get(entry.child or ""):
                    yield from _places(child, time, f"{margin}    ")


def _contents(what: str, entries: list[Entry], margin: str) -> Iterator[str]:
    """A row with what may be there, and what that was filled from.

    Candidates are joined by “one of”; what was put into a bath by “mixed of”, perhaps not of each.
    """
    found = list(dict.fromkeys(origin for entry in entries for origin in entry.origins))
    units = "; ".join(f"unit {entry.child}" for entry in entries if entry.child)
    if len(found) == 1:
        yield from _origin(found[0], margin, f"{what}: ")
        return
    joined = "mixed of" if any(entry.feed_kind == Feed.Kind.BATH for entry in entries) else "one of"
    yield from _wrap(what + (f": {joined}" if found else f": {units}" if units else ""), margin)
    for origin in found:
        yield from _origin(origin, f"{margin}    ")


def _origin(origin: Origin, margin: str, what: str = "") -> Iterator[str]:
    if origin.container is None:
        yield from _wrap(f"{what}unknown material", margin)
        return
    number = "" if origin.lot_number == origin.lot else f" (number {origin.lot_number})"
    code = f", date code {origin.date_code}" if origin.date_code else ""
    filled = ", filled from" if origin.sources else ""
    yield from _wrap(f"{what}{origin.container}, lot {origin.lot}{number} from {origin.supplier}{code}{filled}", margin)
    for source in origin.sources:
        if source.container == origin.container:
            yield f"{margin}    what it came with"
        else:
            yield from _origin(source, f"{margin}    ")


def _happened(entry: Entry, time: PlantTime) -> str:
    """What was done, where, when and by whom."""
    who = f" by {entry.by}" if entry.by else ""
    why = f": {entry.reason}" if entry.reason else ""
    if entry.kind == "drawn":
        where = f" at {entry.station}, step {entry.step}" if entry.station else f" from {' or '.join(entry.feeds)}"
        return f"{'' if entry.sure else 'perhaps '}drawn{where}, {time.between(entry.since, entry.until)}{who}"
    what = {"nothing": "empty", "unknown": "a unit that is not known"}.get(entry.kind, "fitted")
    when = f"since {time.show(entry.since)}"
    if entry.since < entry.until:
        when = f"since {time.show(entry.until)}, or earlier, after {time.show(entry.since)}"
    last = "" if entry.doubted is None else f", last surely there {time.show(entry.doubted)}"
    ended = "" if entry.gone is None else f" until {time.show(entry.gone)}"
    moved = f", from {entry.came_from}" if entry.came_from else ""
    if entry.went_to or entry.now:
        moved += f", then put into {entry.went_to}" if entry.went_to else f", now {entry.now}"
    return f"{'' if entry.sure else 'perhaps '}{what} {when}{ended}{last}{who}{why}{moved}"


def _wrap(text: str, margin: str) -> list[str]:
    return wrap(text, WIDTH, initial_indent=margin, subsequent_indent=f"{margin}  ", break_on_hyphens=False)
