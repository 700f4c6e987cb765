"""Dry packs: opened, sealed again, baked. What is used without a record of it is taken as opened then."""

from __future__ import annotations

from datetime import datetime
from decimal import Decimal

from trace.core.clock import from_ticks, now_ticks, to_ticks
from trace.core.errors import Refusal
from trace.core.models import Person
from trace.engineering.equipment import Equipment
from trace.engineering.fitness import judge_fitness
from trace.engineering.moisture import COOLEST, HOTTEST, STOPS
from trace.floor.away import take_as_left
from trace.floor.operations.corrections import want_standing
from trace.floor.operations.feeds import lock_container
from trace.holds.gate import check_moves, moving
from trace.holds.rules import Move
from trace.ledger.operation import note
from trace.material.clocks import find_clock, mark_exposed
from trace.material.floor_life import HOUR, FloorClock
from trace.material.models import BagRecord, Container
from trace.material.operations.bags import write_bag

LONGEST = 10_000
"""Hours of a bake; those at 40 °C take weeks."""


class BagRefused(Refusal):
    """A dry pack can't be opened, sealed or baked so."""

    code = "bag-refused"
    action = "Check the label on the dry pack, and correct the entry."


@moving
def open_bag(*, container: Container, by: Person, at: datetime) -> BagRecord:
    """A dry pack was opened, or taken out of its dry cabinet: its clock runs from now on.

    Refuses with BagRefused what has no floor life, has left, or lay open already.
    """
    container, clock = _lock(container, at)
    if clock.running:
        raise BagRefused(f"{container.key} lies open already.", action="Nothing needs doing.")
    opened = write_bag(container, BagRecord.Act.OPENED, by, to_ticks(at))
    mark_exposed({container.pk: opened.at})
    return opened


@moving
def seal_bag(
    *,
    container: Container,
    storage: str = BagRecord.Storage.DRY_PACK,
    by: Person,
    at: datetime,
) -> BagRecord:
    """It was sealed in a dry pack again, or put into a dry cabinet: its clock stands. What was used up stays used up.

    Where it was on record at a feed it had left that unseen, which is recorded there. Refuses with BagRefused what has
    no floor life, has left, is sealed, and storage that does not stop the clock of its moisture level.
    """
    container, clock = _lock(container, at)
    level = container.part.moisture_level
    if storage not in STOPS or level not in STOPS[storage]:
        good = " or ".join(name for name, levels in STOPS.items() if level in levels)
        raise BagRefused(f"Kept so, level {level} is not dry: its clock goes on.", action=f"Keep it in one of: {good}.")
    if not clock.running:
        raise BagRefused(f"{container.key} is sealed already.", action="Nothing needs doing.")
    sealed = write_bag(container, BagRecord.Act.SEALED, by, to_ticks(at), storage=storage)
    take_as_left(container, sealed.at, 0, by)
    return sealed


@moving
def bake_container(
    *, container: Container, equipment: Equipment, temperature: Decimal, hours: Decimal, by: Person, at: datetime
) -> BagRecord:
    """It was baked, so many hours at so many °C up to `at`: its floor life begins anew, and it lies open.

    Whether that was hot and long enough follows from the thickness of its package, which only the site's procedure
    knows. Caution: oven, trays and parts are hot; not every reel, tray or tube bears the heat. Refuses with Held, and
    with BagRefused what has no floor life or has left, a bake that began before the container came, that lasted no
    time, or at no temperature of a bake, and equipment that was not fit then.
    """
    container, _ = _lock(container, at)
    check_moves(Move.STORE, [container, container.lot])  # it is carried to the oven
    if not COOLEST <= temperature <= HOTTEST:
        raise BagRefused(f"{temperature} °C is no bake: they are at 40, 90 or 125 °C.")
    if not 0 < hours <= LONGEST or hours != round(hours, 2) or temperature != round(temperature, 1):
        raise BagRefused(f"A bake can't last {hours} h at {temperature} °C.")
    if to_ticks(at) - int(hours * HOUR) < container.received:
        raise BagRefused(f"{container.key} came later than such a bake would have begun.")
    equipment = Equipment.objects.get(pk=equipment.pk)
    fitness = judge_fitness([equipment], at)[equipment.pk]
    if equipment.retired or not fitness.fit:
        wrong = "is retired" if equipment.retired else fitness.calibration or "owes the check pieces of this shift"
        raise BagRefused(f"{equipment.key} {wrong}.", action="Bake it in equipment that is fit, or have it seen to.")
    baked = write_bag(
        container, BagRecord.Act.BAKED, by, to_ticks(at), temperature=temperature, hours=hours, equipment=equipment
    )
    take_as_left(container, baked.at, 0, by)
    mark_exposed({container.pk: baked.at})
    return baked


@moving
def void_bag_record(*, record: BagRecord, reason: str, by: Person, at: datetime) -> BagRecord:
    """A dry pack was not opened, sealed or baked as recorded; clocks are reckoned without it.

    Refuses with CorrectionRefused without a reason or when it was superseded before.
    """
    container = lock_container(record.container)
    record = BagRecord.objects.get(pk=record.pk)
    want_standing(record.superseded, reason)
    record.superseded = now_ticks()
    record.save(update_fields=["superseded"])
    mark_exposed({container.pk: max(record.at, to_ticks(at))})
    note(container, reason=reason)
    return record


def _lock(container: Container, at: datetime) -> tuple[Container, FloorClock]:
    container = lock_container(container)
    note(container)
    moment = to_ticks(at)
    if container.gone is not None and container.gone <= moment:
        raise BagRefused(f"Container {container.key} has left the plant.")
    if moment < container.received:
        raise BagRefused(f"Container {container.key} came on {from_ticks(container.received):%-d %B %Y}, after that.")
    clock = find_clock(container, moment)
    if clock is None:
        raise BagRefused(
            f"{container.part.key} has no floor life.", action="A planner gives the part its moisture level."
        )
    return container, clock
