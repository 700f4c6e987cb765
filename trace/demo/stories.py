"""What went wrong at Quillmoor Works: the facts of the scenario's stories, and the acts that make them.

1. Lot K7731 of 10 kohm resistors drifts after solder. 2. A bag of varistors was changed and nobody saw when.
3. Two boards were repaired at troubleshooting, one of them fully (`troubleshooting.py`). 4. A solder charge holds too
much copper.
5. A fan module went from a scrapped ventilator into another. (6., a torque gauge, is in `upkeep.py`; 7., what was
returned, in `returns.py`; what was let by under deviations in `decisions.py`.)
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import datetime
from functools import partial

from trace.core.clock import to_ticks
from trace.core.models import Person
from trace.demo.calendar import Act, moment
from trace.demo.plant import Plant
from trace.demo.tapes import SEQUENCER, head_distance, plan_run, plan_stop
from trace.demo.verifying import plan_sighting
from trace.floor.models import Unit
from trace.floor.operations.feeds import dump_bath, load_feed, splice_feed
from trace.floor.operations.fittings import remove_part
from trace.floor.operations.orders import scrap_unit
from trace.floor.operations.tapes import load_head, splice_head
from trace.holds.operations import place_holds
from trace.material.models import Container, Feed, Lot, Tape
from trace.material.operations.stock import discard_container

DRIFTING_PART, DRIFTING_LOT = "RES-10K", "K7731"
DRIFTING_REELS = {"T1": "K7690-1", "T2": "K7690-1", "T3": "K7802-1", "T4": "K7731-2"}
"""The reel of the drifting part's head at the start of each tape."""
HEAD_LINK = 10
"""The link within a board set that this head comes to when its reels are changed on tape 2."""
DRIFTING_PLACES = ("R9", "R10", "R11", "R12", "R13", "R14")

UNTIMED_BAG, UNTIMED_LOT = "T0419-1", "T0419"
UNTIMED_SLOTS = (44, 45)
RADIAL_REELS = ("C8098-1", "C8120-1", "C8133-1")
CHANGED_BY_STORY = {("HB2", "VAR-275"), ("RD1", "CAP-C100N")}
"""Feeds that the plan of supply leaves to the stories."""

COPPER_LOT = "S5540"
CHARGES = (
    (-1, "S5512-1"),
    (-1, "S5512-2"),
    (8, "S5512-3"),
    (16, "S5512-4"),
    (20, "S5540-1"),
    (28, "S5540-2"),
    (36, "S5561-1"),
    (44, "S5561-2"),
    (52, "S5561-3"),
    (60, "S5561-4"),
)
"""The bars that went into the solder bath, by slot."""

HELD_LOT = "E9150"
RECEIVER = "QV-00145"
"""The ventilator that got the moved fan module, at full size."""
SCRAPPED_AFTER = 13
"""Slots after its rack's start, at the end of which the scrapped ventilator falls from its carrier."""


def scrapped(plant: Plant) -> str:
    """The ventilator that was scrapped on the final line."""
    return plant.serials("QV-180", 15)[0]


def moved(plant: Plant) -> str:
    """The fan module that was taken out of it."""
    return plant.serials("FM-22", 15)[0]


def receiver(plant: Plant) -> str:
    """The ventilator that the module went into."""
    return plant.serials("QV-180", 16)[0]


def rattling(plant: Plant) -> str:
    """The ventilator that is held, for it rattles on its carrier."""
    return plant.serials("QV-180", 25)[-1]


def is_gone(plant: Plant, serial: str, slots: int) -> bool:
    """Whether a unit comes no further than the stops of earlier slots."""
    return slots > SCRAPPED_AFTER and serial == scrapped(plant)


def moved_into(plant: Plant, serial: str, designator: str) -> str | None:
    """The module that takes this place instead of the rack's own."""
    return moved(plant) if (serial, designator) == (receiver(plant), "FAN1") else None


def mended(plant: Plant) -> str:
    """The board in which every suspect resistor was replaced."""
    return plant.serials("CB-180", 12)[plant.units]


def half_mended(plant: Plant) -> str:
    """The board in which only the one that had drifted out of limits was replaced."""
    return plant.serials("CB-180", 13)[0]


def fails(plant: Plant, serial: str) -> bool:
    """Whether a board fails its first test: those of the story, and some with a solder bridge."""
    return drifts(plant, serial) or int(serial[-5:]) % 61 == 7


def drifts(plant: Plant, serial: str) -> bool:
    """Whether a board fails because its resistors drifted."""
    return serial in (mended(plant), half_mended(plant))


def plan_stories(plant: Plant) -> Iterator[Act]:
    """Everything that did not go by the plan."""
    for plan in (_plan_drift, _plan_untimed_change, _plan_splice, _plan_bath, _plan_move, _plan_holds):
        yield from plan(plant)


def _use_up(plant: Plant, container: str, by: Person, at: datetime) -> None:
    plant.tell(discard_container, container=plant.find(Container, container), reason="used up", by=by, at=at)


def _plan_drift(plant: Plant) -> Iterator[Act]:
    """The first reel of the lot comes onto tape 2 inside a board set, while it stands since the one before ran out. It
    is spliced off before its end, while the tape runs."""
    tape, operator = "T2", plant.people[SEQUENCER]
    changed, spliced = 2 * plant.rack, 13 * plant.rack // 2
    distance = head_distance(plant, DRIFTING_PART)

    def put_on(operation: Callable[..., object], reel: str, there: int, at: datetime, **told: int) -> None:
        links = plant.find(Tape, tape).links
        really = {"link": there * links + HEAD_LINK, **({"lead": 8} if told else {})}
        feed, container = plant.find(Feed, f"{tape}-{DRIFTING_PART}"), plant.find(Container, reel)
        plant.tell(operation, really=really, feed=feed, container=container, **told, by=operator, at=at)

    def splice(at: datetime) -> None:
        """Its count is read as it runs, and nobody reads the link."""
        put_on(splice_head, "K7802-1", spliced, at, board_set=spliced, lead=9, tolerance=2)

    yield plan_stop(plant, tape, (changed, HEAD_LINK - distance), "10 kohm has run out", moment(14, 58))
    yield Act(moment(14, 60), partial(put_on, load_head, "K7731-1", changed))
    yield plan_run(plant, tape, moment(14, 64))
    yield Act(moment(14, 70), partial(_use_up, plant, "K7690-1", operator))
    yield Act(moment(14, 180), splice)
    yield Act(moment(14, 190), partial(_use_up, plant, "K7731-1", operator))


def _plan_untimed_change(plant: Plant) -> Iterator[Act]:
    """The bag was put on some time in two slots, in truth amid the boards of a rack, and was empty at their end."""
    handler = plant.people["P09"]
    first, last = moment(UNTIMED_SLOTS[0]), moment(UNTIMED_SLOTS[1], 232)

    def load(container: str, exact: bool, at: datetime) -> None:
        plant.tell(
            load_feed,
            really={} if exact else {"at": moment(UNTIMED_SLOTS[0], 115)},
            feed=plant.find(Feed, "HB2-VAR-275"),
            container=plant.find(Container, container),
            position=None if exact else (to_ticks(first), to_ticks(last)),
            by=handler,
            at=at,
        )

    yield Act(moment(-1, 232), partial(load, "T0401-1", True))
    yield Act(last, partial(load, UNTIMED_BAG, False))
    yield Act(last, partial(load, "T0433-1", True))
    for container in ("T0401-1", UNTIMED_BAG):
        yield Act(last, partial(_use_up, plant, container, handler))


def _plan_splice(plant: Plant) -> Iterator[Act]:
    """Three reels of a radial feeder: the second spliced onto the first while the machine runs."""
    handler = plant.people["P13"]
    boards = 12 * plant.rack + plant.rack // 2

    def put_on(container: str, position: int, at: datetime, **lead: int) -> None:
        plant.tell(
            splice_feed if lead else load_feed,
            really={"lead": 17} if lead else {},
            feed=plant.find(Feed, "RD1-CAP-C100N"),
            container=plant.find(Container, container),
            position=(position, position),
            by=handler,
            at=at,
            **lead,
        )

    first, second, third = RADIAL_REELS
    yield Act(moment(-1, 232), lambda at: put_on(first, 0, at))
    yield Act(moment(26, 100), lambda at: put_on(second, boards, at, lead=20, tolerance=6))
    yield Act(moment(47, 232), lambda at: put_on(third, 23 * plant.rack, at))
    seen = ((first, 0, moment(0, 5)), (second, boards, moment(26, 104)), (third, 23 * plant.rack, moment(48, 5)))
    for container, position, at in seen:
        yield plan_sighting(plant, "RD1-CAP-C100N", container, (position, position), at)
    for container in (first, second):
        yield Act(moment(47, 234), partial(_use_up, plant, container, handler))


def _plan_bath(plant: Plant) -> Iterator[Act]:
    """The bath was cleaned before the first board; later it was dumped once, and a heel stayed."""

    def dump(cleaned: bool, at: datetime) -> None:
        plant.tell(dump_bath, feed=plant.find(Feed, "WS1-SLD-BAR"), cleaned=cleaned, by=plant.people["P18"], at=at)

    yield Act(moment(-1, 220), partial(dump, True))
    yield Act(moment(36, 220), partial(dump, False))


def _plan_move(plant: Plant) -> Iterator[Act]:
    yield Act(
        moment(30 + SCRAPPED_AFTER, 228),
        lambda at: plant.tell(
            scrap_unit,
            unit=plant.find(Unit, scrapped(plant)),
            reason="fell from the carrier, frame bent; fan 1 unharmed",
            by=plant.people["P01"],
            at=at,
        ),
    )
    yield Act(
        moment(30 + SCRAPPED_AFTER, 236),
        lambda at: plant.tell(
            remove_part,
            unit=plant.find(Unit, scrapped(plant)),
            designator="FAN1",
            reason="unharmed, spin test passed again",
            by=plant.people["P25"],
            at=at,
        ),
    )


def _plan_holds(plant: Plant) -> Iterator[Act]:
    quality = plant.people["P01"]
    yield Act(
        moment(62, 200),
        lambda at: plant.tell(
            place_holds,
            targets=[plant.find(Lot, HELD_LOT)],
            reason="Incoming inspection: leads of 3 of 80 are oxidised. The supplier's answer is awaited.",
            by=quality,
            at=at,
        ),
    )
    yield Act(
        moment(64, 120),
        lambda at: plant.tell(
            place_holds,
            targets=[plant.find(Unit, rattling(plant))],
            reason="Rattle heard on the carrier: listen to both fans before it goes on.",
            by=quality,
            at=at,
        ),
    )
