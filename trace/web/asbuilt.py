"""The as-built tree of a unit arranged for reading: places by part, children inside their places."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace

from trace.core.clock import OPEN
from trace.core.keys import natural
from trace.engineering.rules import run_together
from trace.genealogy.backward import AsBuilt, AsBuiltPlace, Entry, Origin
from trace.genealogy.paths import Path


@dataclass(frozen=True)
class ReadEntry:
    """One thing that happened at a place, with the lots it may be of, first lots last."""

    entry: Entry
    lots: tuple[Origin, ...]

    @property
    def between(self) -> bool:
        """Whether it was drawn, or came there, somewhere between two moments that are known."""
        return self.entry.since < self.entry.until < OPEN

    @property
    def still(self) -> bool:
        """Whether the pass in which it was drawn is still open."""
        return self.entry.kind == "drawn" and self.entry.until >= OPEN

    @property
    def unknown(self) -> bool:
        """Whether it may be of unknown material."""
        return self.entry.kind == "unknown" or any(origin.container is None for origin in self.lots)


@dataclass(frozen=True)
class ReadPlace:
    """A place: what stands there (several: one of them), and what stood there once."""

    place: AsBuiltPlace
    standing: tuple[ReadEntry, ...]
    past: tuple[ReadEntry, ...]
    children: tuple[ReadUnit, ...] = ()

    @property
    def candidates(self) -> int:
        """How many different things may be here: containers, children, or nothing."""
        return len({key for entry in self.standing for key in _contents(entry)})


@dataclass(frozen=True)
class PartGroup:
    """Places of one part, for a board whose places are too many to read one by one."""

    part: str
    places: tuple[ReadPlace, ...]

    @property
    def names(self) -> str:
        """The designators, runs of numbers drawn together: R1–R4, R7."""
        return run_together([place.place.designator for place in self.places])

    @property
    def lots(self) -> list[str]:
        """Keys of every lot that may be in these places."""
        found = {lot.lot for place in self.places for entry in place.standing for lot in entry.lots if lot.lot}
        return sorted(found, key=natural)

    @property
    def doubts(self) -> list[str]:
        """Why it is not certain what is in these places, as far as it is not."""
        open_places = any(place.candidates > 1 or any(e.unknown for e in place.standing) for place in self.places)
        unsure = any(not shown.entry.sure for place in self.places for shown in place.standing)
        return ["not one alone"] * open_places + ["perhaps not drawn"] * unsure


@dataclass
class ReadUnit:
    """A unit of the tree: its child places, and its other places by part."""

    built: AsBuilt
    children: list[ReadPlace] = field(default_factory=list)
    groups: list[PartGroup] = field(default_factory=list)

    @property
    def places(self) -> int:
        """How many of its places are shown."""
        return len(self.children) + sum(len(group.places) for group in self.groups)


def read_tree(built: AsBuilt, find: str = "") -> ReadUnit:
    """Arrange a tree; with `find`, only places in which that text occurs, and what leads to them."""
    unit = ReadUnit(built)
    inside = {child.key: child for child in built.children}
    wanted = find.casefold()
    by_part: dict[str, list[ReadPlace]] = {}
    for place in built.places:
        keys = dict.fromkeys(entry.child for entry in place.standing if entry.child)
        children = tuple(read_tree(inside[key], find) for key in keys if key in inside)
        read = ReadPlace(place, _read(place.standing), _read([e for e in place.entries if not e.standing]), children)
        if wanted and not any(child.places for child in children) and wanted not in " ".join(_text(read)).casefold():
            continue
        if children or any(entry.child for entry in place.entries):
            unit.children.append(read)
        else:
            by_part.setdefault(place.part or _part_of(read), []).append(read)
    unit.groups = [PartGroup(part, tuple(places)) for part, places in by_part.items()]
    return unit


AT = re.compile(r"^at (\S+?)(?=,| until|$)")


def merge_paths(paths: Iterable[Path]) -> list[Path]:
    """Paths that differ in nothing but the designator, as one: “at R9–R14”."""
    merged: dict[tuple, list[Path]] = {}
    for path in paths:
        same = (path.reasons, *((step.kind, step.key, AT.sub("at", step.words)) for step in path.steps))
        merged.setdefault(same, []).append(path)
    return [_merge(same) for same in merged.values()]


def _merge(same: Sequence[Path]) -> Path:
    steps = []
    for number, step in enumerate(same[0].steps):
        if found := AT.match(step.words):
            places = run_together([path.steps[number].words.split()[1].rstrip(",") for path in same])
            step = replace(step, words=f"at {places}{step.words[found.end() :]}")
        steps.append(step)
    return replace(same[0], steps=tuple(steps))


def _read(entries: Sequence[Entry]) -> tuple[ReadEntry, ...]:
    return tuple(
        ReadEntry(entry, tuple(lot for origin in entry.origins for lot in origin.first_lots())) for entry in entries
    )


def _contents(read: ReadEntry) -> Iterator[str | None]:
    entry = read.entry
    if entry.child or not entry.origins:
        yield entry.child or entry.kind
    yield from (origin.container for origin in entry.origins)


def _part_of(read: ReadPlace) -> str:
    parts = [origin.part for entry in (*read.standing, *read.past) for origin in entry.entry.origins if origin.part]
    return parts[0] if parts else ""


def _text(read: ReadPlace) -> Iterator[str]:
    yield read.place.designator
    yield read.place.part or ""
    for shown in (*read.standing, *read.past):
        entry = shown.entry
        yield from (
            text or "" for text in (entry.child, *entry.feeds, entry.station, entry.step, entry.by, entry.reason)
        )
        for origin in (*entry.origins, *shown.lots):
            yield from (
                text or "" for text in (origin.container, origin.part, origin.lot, origin.lot_number, origin.supplier)
            )
            yield origin.date_code or ""
