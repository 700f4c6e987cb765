"""The history of a unit on paper: what its page says, whole, in the plant's times."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

from django.utils import timezone

from trace.core.clock import OPEN, from_ticks, now_ticks, to_ticks
from trace.core.keys import natural
from trace.engineering.rules import run_together
from trace.genealogy.backward import AsBuilt, Entry
from trace.genealogy.compared import Match
from trace.labels.history import PrintedTable, print_history
from trace.ledger.models import Event
from trace.web.cells import Link, Mark, Moment, Several, text_of
from trace.web.designed import design_table, list_conformities, say_design
from trace.web.life import Life
from trace.web.tables import Table

NOT_PRINTED = {"wrong", "event"}
"""Columns that lead somewhere, and say nothing."""

LIMITS = (
    "It tells what is on record, and how sure that is: what happened and was not recorded is not in it. Bills of"
    " material, names and approvals are those of the day on which it was printed."
)


def print_life(life: Life) -> bytes:
    """The history of a unit as PDF."""
    it, asof = life.unit, life.asof
    moment = _local(asof.ticks) if asof.given else _local(now_ticks())
    said = [
        say_life(life),
        *(f"It conforms to {one.part.key} since {_local(one.at)}: {one.reason} ({one.by.name})."
          for one in list_conformities(it, asof)),
        _say_match(life),
        f"As it stood on {moment}" + (f", as known on {_local(asof.known)}." if asof.known != OPEN else "."),
        f"Times are those of {timezone.get_current_timezone_name()}. {LIMITS}",
        _say_record(),
    ]  # fmt: skip
    differs = [one for one in life.compared if one.match != Match.DESIGNED]
    apart = replace(design_table(differs), title="Where that is not as designed", empty="Every place is as designed.")
    _, *others = life.tables()
    tables = [_as_built(life.built), *map(_printed, (apart, *others))]
    return print_history(f"History of {it.key}", said, tables, f"{life.design.name} {it.key} as of {moment}.")


def say_life(life: Life) -> str:
    """State and place in a sentence."""
    it, verb = life.unit, "was" if life.asof.given else "is"
    revision = f", revision {life.design.revision}" if life.design.revision else ""
    places = f", which {verb} ".join(str(where) for where in life.trail)
    finished = "finished and " if life.finished else ""
    due = f" Its next is step {life.due.number}, {life.due.name}." if life.due else ""
    return f"{it.key}, {life.design.name} of order {it.order.key}{revision}, {verb} {finished}{places}.{due}"


def _say_match(life: Life) -> str:
    said = ", ".join(str(one) for one in say_design(life.compared, life.asof))
    return f"Of {len(life.compared)} places {said}." if said else "Its revision has no places."


def _say_record() -> str:
    """On how much of the record it stands."""
    last = Event.objects.order_by("-pk").first()
    if last is None:
        return "Nothing is on the record."
    upto = f"entry {last.pk}, recorded on {_local(to_ticks(last.recorded))}"
    return (
        f"It stands on the record up to {upto}. Entries are only ever added; no seal is on them that could be checked"
        " outside of the plant."
    )


def _local(ticks: int) -> str:
    return f"{timezone.localtime(from_ticks(ticks)):%Y-%m-%d %H:%M}"


def plain(value: Any) -> str:
    """A cell as it stands on paper."""
    if isinstance(value, Several):
        return value.between.join(plain(one) for one in value.values)
    if isinstance(value, Moment):
        return _local(value.ticks) if str(value) and value.ticks is not None else ""
    if isinstance(value, Link):
        return plain(value.value)
    return text_of(value.word if isinstance(value, Mark) else value)


def _printed(table: Table) -> PrintedTable:
    columns = [one for one in table.columns if not one.hidden and one.name not in NOT_PRINTED]
    rows = [[plain(column.value(row)) for column in columns] for row in table.rows]
    return PrintedTable(table.title, [column.label for column in columns], rows, table.empty)


def _as_built(built: AsBuilt) -> PrintedTable:
    """What is in every place: a row for all the places of a unit that have the same, drawn alike."""
    rows = [
        [unit.key, run_together(sorted(names, key=natural)), part, *said]
        for unit in built.walk()
        for (part, *said), names in _alike(unit).items()
    ]
    heads = ["In", "Place", "As designed", "What is there", "Lots, of whom", "How, when, by whom"]
    return PrintedTable("As built", heads, rows, "Nothing is on record in it yet.")


def _alike(unit: AsBuilt) -> dict[tuple[str, ...], list[str]]:
    found: dict[tuple[str, ...], list[str]] = {}
    for place in unit.places:
        standing = place.standing
        said = ("; or ".join(filter(None, map(tell, standing))) for tell in (_things, _lots, _how))
        row = (place.part or "none", *said) if standing else (place.part or "none", "nothing on record", "", "")
        found.setdefault(row, []).append(place.designator)
    return found


def _things(entry: Entry) -> str:
    things = [entry.child or "", *(origin.container or "unknown" for origin in entry.origins)]
    return " or ".join(filter(None, things)) or ("nothing" if entry.kind == "nothing" else "not known")


def _lots(entry: Entry) -> str:
    lots = dict.fromkeys(lot for origin in entry.origins for lot in origin.first_lots() if lot.lot)
    return ", ".join(f"{lot.lot} ({_of(lot)})" for lot in lots)


def _of(lot: Any) -> str:
    code = lot.date_code and f"date code {lot.date_code}"
    return ", ".join(filter(None, (f"{lot.supplier} {lot.lot_number}", code)))


def _how(entry: Entry) -> str:
    return " ".join(_how_words(entry))


def _how_words(entry: Entry) -> Iterator[str]:
    done = {"drawn": "drawn", "nothing": "taken out", "unknown": "there"}.get(entry.kind, "fitted")
    yield done if entry.sure else f"perhaps {done}"
    if entry.feeds:
        yield f"from {' or '.join(entry.feeds)}"
    if entry.station:
        yield f"at {entry.station}"
    between = entry.since < entry.until < OPEN
    yield f"{_local(entry.since)} to {_local(entry.until)}" if between else _local(entry.since)
    if entry.by:
        yield f"by {entry.by}"
    if entry.reason:
        yield f"({entry.reason})"
