"""The sequencer builds the tapes: heads loaded while it stands, what is found on the way, and the axial inserter.

What went wrong on tape 2 is a story of its own.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import datetime
from functools import partial
from typing import Any

from trace.demo.calendar import SLOTS_PER_RACK, Act, moment
from trace.demo.plant import Plant
from trace.floor.operations.counting import return_container
from trace.floor.operations.feeds import fill_by_hand, take_off_feed
from trace.floor.operations.mounting import mount_tape, take_off_tape
from trace.floor.operations.tapes import load_head, record_empty, resume_tape, stop_tape
from trace.material.models import Container, Feed, Tape
from trace.material.operations.setups import finish_tape, start_tape

BOARD, INSERTER = "CB-180", "AX1"
SEQUENCER = "P10"
TAPES = {"T1": (0, 8), "T2": (8, 18), "T3": (18, 28), "T4": (28, 38)}
"""The racks of boards that each tape is for."""
GOOD_BAG = "K7655-1"
"""Resistors of another lot, kept at hand."""
EMPTY = {"T3": ("R12", 3), "T4": ("R9", 2)}
"""A place that a head missed: its designator, and after so many racks' board sets."""
SHIFT_ENDS, SHIFT_BEGINS = 235, 5
"""Minutes of a slot between which the sequencer stands overnight."""


def tape_slot(tape: str) -> int:
    """The slot in which a tape is begun: its first rack of boards comes three slots later."""
    return TAPES[tape][0] * SLOTS_PER_RACK - 3


def head_distance(plant: Plant, part: str) -> int:
    """How many links a part's dispensing head stands up the chain."""
    return 3 * (1 + list(plant.places[BOARD, INSERTER]).index(part))


def plan_tape(plant: Plant, key: str, reels: Mapping[str, str]) -> Iterator[Act]:
    """A tape: planned, its heads loaded, run, stopped overnight, finished, its reels put back."""
    parts = plant.places[BOARD, INSERTER]
    first, end = TAPES[key]
    sets, slot = (end - first) * plant.rack, tape_slot(key)
    operator = plant.people[SEQUENCER]
    sequence = [designator for designators in parts.values() for designator in designators]
    heads = {part: (head_distance(plant, part), designators) for part, designators in parts.items()}

    def feed(part: str) -> Feed:
        return plant.find(Feed, f"{key}-{part}")

    def start(at: datetime) -> None:
        plan: dict[str, Any] = {"assembly": plant.parts[BOARD], "sequence": sequence, "heads": heads}
        plant.tell(start_tape, key=key, board_sets=sets, **plan, by=operator, at=at)

    def load(part: str, at: datetime) -> None:
        reel = plant.find(Container, reels[part])
        plant.tell(load_head, really={"link": 0}, feed=feed(part), container=reel, by=operator, at=at)

    def finish(at: datetime) -> None:
        plant.tell(finish_tape, tape=plant.find(Tape, key), board_sets=sets, by=operator, at=at)

    def put_back(part: str, at: datetime) -> None:
        rest = plant.tell(take_off_feed, feed=feed(part), position=(sets, sets), by=operator, at=at)
        plant.tell(return_container, container=rest, store="main store", by=operator, at=at)

    yield Act(moment(slot, 10), start)
    yield from (Act(moment(slot, 15 + n), partial(load, part)) for n, part in enumerate(reels))
    yield plan_run(plant, key, moment(slot, 30))
    yield plan_stop(plant, key, (sets // 6, len(sequence) - 1), "end of the day", moment(slot, SHIFT_ENDS))
    yield plan_run(plant, key, moment(slot + 1, SHIFT_BEGINS))
    yield from plan_empty(plant, key)
    yield Act(moment(slot + 2, 200), finish)
    yield from (Act(moment(slot + 2, 205 + n), partial(put_back, part)) for n, part in enumerate(reels))


def plan_stop(plant: Plant, key: str, stands: tuple[int, int], reason: str, at: datetime) -> Act:
    """The tape stands at a link of a board set, as read at the reference of its chain."""
    board_set, link = stands

    def stop(at: datetime) -> None:
        tape, by = plant.find(Tape, key), plant.people[SEQUENCER]
        plant.tell(stop_tape, tape=tape, board_set=board_set, link=link, reason=reason, by=by, at=at)

    return Act(at, stop)


def plan_run(plant: Plant, key: str, at: datetime) -> Act:
    return Act(
        at,
        lambda at: plant.tell(resume_tape, tape=plant.find(Tape, key), by=plant.people[SEQUENCER], at=at),
    )


def plan_empty(plant: Plant, key: str) -> Iterator[Act]:
    """An empty place that somebody saw further down the chain, and filled by hand."""
    if key not in EMPTY:
        return
    designator, racks = EMPTY[key]
    part = next(part for part, names in plant.places[BOARD, INSERTER].items() if designator in names)
    done: dict[str, Any] = {"board_set": racks * plant.rack, "by": plant.people[SEQUENCER]}

    def see(at: datetime) -> None:
        plant.tell(record_empty, feed=plant.find(Feed, f"{key}-{part}"), designator=designator, **done, at=at)

    def fill(at: datetime) -> None:
        feed, bag = plant.find(Feed, f"{key}-{part}"), plant.find(Container, GOOD_BAG)
        plant.tell(fill_by_hand, really={"designator": designator}, feed=feed, container=bag, **done, at=at)

    yield Act(moment(tape_slot(key) + 1, 100), see)
    yield Act(moment(tape_slot(key) + 1, 104), fill)


def plan_mount(plant: Plant, key: str) -> Iterator[Act]:
    """A tape goes on the axial inserter before its first rack and comes off after its last."""
    first, end = TAPES[key]
    by = plant.people[SEQUENCER]

    def mount(at: datetime) -> None:
        on: dict[str, Any] = {"station": plant.stations[INSERTER], "assembly": plant.parts[BOARD], "board_set": 0}
        plant.tell(mount_tape, tape=plant.find(Tape, key), **on, by=by, at=at)

    def take_off(at: datetime) -> None:
        plant.tell(take_off_tape, tape=plant.find(Tape, key), board_set=(end - first) * plant.rack, by=by, at=at)

    yield Act(moment(first * SLOTS_PER_RACK, 60), mount)
    yield Act(moment((end - 1) * SLOTS_PER_RACK, 205), take_off)
