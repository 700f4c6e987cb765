"""A lot without serials goes through a step of its route: by count, a container at a time."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta
from decimal import Decimal

from trace.core.clock import EXACT, from_ticks, now, to_error, to_ticks
from trace.core.keys import clean_text
from trace.core.models import Person
from trace.engineering.equipment import Equipment
from trace.engineering.models import Characteristic, Station
from trace.engineering.queries import list_lacking
from trace.floor.admission import next_of
from trace.floor.batches import Route, last_moment, read_route
from trace.floor.doing import EquipmentHere
from trace.floor.facts import Facts
from trace.floor.left import find_left
from trace.floor.models import BatchPass
from trace.floor.operations.counting import CountDiffers, want_off_feeds
from trace.floor.operations.passes import want_entered
from trace.floor.route import RouteStep
from trace.floor.rules import DRAWS_STAND, NOT_RELEASED, Stopped, judge, say_unreleased
from trace.floor.verifying import SetUpsHere, find_in_force, list_seen
from trace.holds.gate import find_holds, moving
from trace.holds.rules import Move
from trace.ledger.operation import note
from trace.material.inspecting import list_statuses_at, list_unreleased
from trace.material.models import Container, Count, ScrappedParts
from trace.material.operations.stock import MOST, StockRefused, lock_containers


@moving
def record_batch(
    *,
    container: Container,
    station: Station,
    quantity: Decimal,
    good: Decimal,
    reason: str = "",
    entered: datetime | None = None,
    equipment: Equipment | None = None,
    error: timedelta = EXACT,
    by: Person,
    at: datetime,
) -> BatchPass:
    """All that a container holds went through the step of its route that is due: `quantity` in, `good` out, the rest
    scrapped for a `reason`. From then on it holds the good ones. `entered` where its scan in is known, too.

    What is held, expired, not released, was done by somebody or with something not fit for it or at a set-up that is
    not verified, or is to be measured one by one, was at the station
    all the same: it is recorded and has not passed, and `stopped` says why. Refuses with Stopped what is not due here,
    with CountDiffers a number that went in other than the record says, unless there is a reason, with PassRefused, and
    with StockRefused a part that has no route or is tracked by serial, what hangs on a feed or has left, and numbers
    that can't be.
    """
    quantity, good = Decimal(quantity), Decimal(good)
    reason, scan, doubt = clean_text(reason, 300, "The reason"), to_ticks(at), to_error(error)
    want_entered(station, entered, at)
    (container,) = lock_containers([container], None, at)
    want_off_feeds(container)
    if container.part.serialised:
        raise StockRefused(f"{container.part.key} is tracked by serial.", action="Scan its units one by one.")
    route = read_route(container, scan)
    if not route.steps:
        raise StockRefused(f"{container.part.key} has no route.", action="Have its route set first.")
    if scan < container.received:
        raise StockRefused(f"Container {container.key} came after that moment.", action="Give the right time.")
    later = BatchPass.objects.filter(container=container, scanned_out__gt=scan, passed=True, superseded=None)
    if after := later.select_related("step").first():
        raise StockRefused(
            f"{container.key} went through {after.step} after that moment.",
            action="Give the right time, or have that voided first.",
        )
    left = _judge_counts(container, quantity, good, reason, scan)
    here = EquipmentHere(station, equipment, from_ticks(scan))
    facts = _look(container, station, route, here, by, scan)
    stopped = _judge(facts, container, at)
    if any(one.extra["rule"] not in DRAWS_STAND for one in stopped) or facts.due is None:
        raise Stopped(
            stopped[0].message,
            action=stopped[0].action,
            rule=stopped[0].extra["rule"],
            refusals=[(one.extra["rule"], one.message, one.action) for one in stopped],
        )
    recorded, scrapped = to_ticks(now()), quantity - good
    came = to_ticks(entered) if entered else None
    began = last_moment(container, scan) if came is None else came - doubt
    made = BatchPass.objects.create(
        container=container,
        step_id=facts.due.pk,
        station=station,
        equipment_id=facts.doing.pk,
        quantity=quantity,
        good=good,
        scrapped=scrapped,
        passed=not stopped,
        reason=reason,
        began=min(began, scan + doubt),
        ended=scan + doubt,
        scanned_in=came,
        scanned_out=scan,
        error=doubt,
        # The count is of what is there afterwards: what was scrapped at that moment is not taken off again.
        count=Count.objects.create(
            container=container,
            quantity=good,
            least=left and max(left[0] - scrapped, Decimal(0)),
            most=left and max(left[1] - scrapped, Decimal(0)),
            reason=reason,
            at=scan,
            by=by,
            recorded=recorded,
        ),
        scrap=ScrappedParts.objects.create(
            container=container, quantity=scrapped, reason=reason, at=scan, by=by, recorded=recorded
        )
        if scrapped
        else None,
        by=by,
        recorded=recorded,
    )
    made.stopped = stopped
    if stopped:
        note(stopped={container.key: [one.message for one in stopped]})
    return made


def _judge_counts(
    container: Container, quantity: Decimal, good: Decimal, reason: str, scan: int
) -> tuple[Decimal, Decimal] | None:
    """What should be in it by the record: at least, and at most."""
    numbers = (quantity, good)
    if not all(one.is_finite() and 0 <= one < MOST and one == round(one, 4) for one in numbers) or not quantity:
        raise StockRefused(f"Nobody can count {quantity} in and {good} out.")
    if good > quantity:
        raise StockRefused(f"{good:f} good ones came of {quantity:f}.", action="Count again.")
    if good < quantity and not reason:
        raise StockRefused(f"{quantity - good:f} were scrapped, and nobody said why.", action="Say why.")
    left = find_left(container, scan)
    if left is None:
        return None
    if quantity not in left and not reason:
        raise CountDiffers(f"Container {container.key} should hold {left} by the record, and {quantity:f} went in.")
    if left.overdrawn:
        note(overdrawn=left.overdrawn)
    return left.least, left.most


def _look(container: Container, station: Station, route: Route, here: EquipmentHere, by: Person, scan: int) -> Facts:
    """The interlock's facts, as far as they are of a batch."""
    due = next_of(route.due, station)
    due_here = due if due and station.key in due.stations else None
    asked = {due_here.qualification} if due_here and due_here.qualification and not by.is_machine else set()
    lacking = list_lacking(by, asked, from_ticks(scan)) if asked else {}
    setups = find_in_force(station, container.part_id, scan) if due_here and due_here.verification else {}
    things = [container, container.lot, station]
    bank = SetUpsHere(station, setups, scan, list_seen(setups.values(), scan) if setups else {})
    holds = {hold.pk: hold for move in (Move.START, Move.FINISH) for hold in find_holds(move, things)}
    return Facts(
        unit=f"Container {container.key}",
        station=station.key,
        due=due,
        choices=tuple(route.due),
        asking=f"step {due.number}, {due.name}," if due else "",
        **(lacking.get(due_here.qualification, {}) if due_here else {}),
        doing=here.find(due_here),
        unread=tuple(_list_unread(container, due_here)) if due_here and due_here.measured else (),
        **(bank.look_at(container.part_id, due_here) if due_here else {}),
        held=tuple(hold.sentence for hold in holds.values()),
    )


def _list_unread(container: Container, step: RouteStep) -> Iterable[str]:
    """What the step asks to be read of each: of a lot nobody can say that it was."""
    asked = Characteristic.objects.filter(part=container.part_id, step_number=step.number).order_by("number")
    return () if step.sampled else asked.values_list("name", flat=True)


def _judge(facts: Facts, container: Container, at: datetime) -> list[Stopped]:
    """What stops it: as a unit, and as the lot that it is."""
    stopped = judge(facts, (Move.START, Move.FINISH))
    lot = container.lot
    if lot.expired(at):
        stopped.append(Stopped(f"Stop. Lot {lot.key} has expired.", action="Put it aside, marked.", rule="expired"))
    if list_unreleased([lot], to_ticks(at)):
        status = list_statuses_at([lot], to_ticks(at))[lot.pk]
        words = say_unreleased([(lot.key, container.part.key, status)])
        stopped.append(Stopped(f"Stop. {words}.", action="Put it aside, marked.", rule=NOT_RELEASED))
    return stopped
