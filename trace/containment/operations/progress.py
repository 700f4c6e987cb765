"""What was found of what should be there, from where on units are clean, and the rates of a containment."""

from __future__ import annotations

from datetime import datetime
from decimal import Decimal

from django.db.models import Model

from trace.containment.holding import list_holds
from trace.containment.models import CleanPoint, Containment, ContainmentRate, Outcome, Reconciliation
from trace.containment.operations.alarms import ContainmentRefused, lock_open
from trace.containment.population import find_latest, reckon
from trace.containment.progress import find_last_carrier, order_of, propose_clean_point
from trace.core.clock import now_ticks, to_ticks
from trace.core.keys import clean_text
from trace.core.models import Person
from trace.floor.models import Unit
from trace.ledger.canonical import subject_of
from trace.ledger.operation import operation

MOST = Decimal(10) ** 12


@operation()
def reconcile(
    *, containment: Containment, thing: Model, outcome: Outcome, place: str = "", by: Person, at: datetime
) -> Reconciliation:
    """Somebody looked for a thing of the population, and says what came of it. What was said before of it counts no
    more.

    Refuses with ContainmentRefused what is segregated nowhere, and a thing that the containment neither holds nor held
    and its latest snapshot does not have; with BadText.
    """
    containment = lock_open(containment)
    kind, key = subject_of(thing)
    place = clean_text(place, 120, "The place")
    outcome = Outcome(outcome)
    if outcome == Outcome.SEGREGATED and not place:
        raise ContainmentRefused("Say where it was put aside.", action="Such as: cage 2, shelf 4.")
    snapshot = find_latest(containment)
    known = kind == "unit" and snapshot is not None and snapshot.carriers.filter(unit__key=key).exists()
    if not known and not list_holds(containment).filter(target_kind=kind, target_key=key).exists():
        raise ContainmentRefused(
            f"{kind.capitalize()} {key} is nothing of {containment}.", action="If it is suspect, add it as a term."
        )
    said = containment.reconciliations.filter(target_kind=kind, target_key=key, superseded=None)
    said.update(superseded=now_ticks())
    return Reconciliation.objects.create(
        containment=containment,
        target_kind=kind,
        target_key=key,
        outcome=outcome,
        place=place,
        found=to_ticks(at),
        by=by,
    )


@operation()
def declare_clean_point(*, containment: Containment, unit: Unit, reason: str, by: Person, at: datetime) -> CleanPoint:
    """From this unit on those of its product, in the order in which they were begun to be, are free of what is suspect.
    It takes the place of what was declared of that product before.

    Refuses with ContainmentRefused without a reason, and where this unit or a later one carries it, surely or possibly,
    by the population as it is reckoned now; with BadText.
    """
    containment = lock_open(containment)
    reason = clean_text(reason, 300, "The reason")
    if not reason:
        raise ContainmentRefused("Say what makes it clean from there on.", action="Such as: lot changed, line cleared.")
    population = reckon(containment)
    last = find_last_carrier(population, unit.part)
    if last and order_of(last) >= order_of(unit):
        which = "It" if last.pk == unit.pk else f"Unit {last.key}, which is later,"
        first = propose_clean_point(population, unit.part)
        raise ContainmentRefused(
            f"{unit.key} is no clean point. {which} carries what is suspect, or may.",
            action=f"Name a later unit{f': the first by the record is {first.key}' if first else ''}.",
        )
    former = containment.clean_points.filter(unit__part__number=unit.part.number, superseded=None)
    former.update(superseded=now_ticks())
    return CleanPoint.objects.create(containment=containment, unit=unit, reason=reason, declared=to_ticks(at), by=by)


@operation()
def set_rate(
    *, containment: Containment, name: str, value: Decimal, reason: str = "", by: Person, at: datetime
) -> ContainmentRate:
    """A rate for this containment's costs, in place of the usual one or of what was set before. Refuses with
    ContainmentRefused without a name, and a value that is negative or can't be kept; with BadText."""
    containment = lock_open(containment)
    name = clean_text(name, 40, "The name")
    if not name:
        raise ContainmentRefused("Say which rate it is.", action="Such as: minutes to sort a unit.")
    if not 0 <= value < MOST or value != round(value, 6):
        raise ContainmentRefused(
            f"{value} is no rate.", action="Give a number that is not negative, six decimals at most."
        )
    containment.rates.filter(name=name, superseded=None).update(superseded=now_ticks())
    return ContainmentRate.objects.create(
        containment=containment,
        name=name,
        value=value,
        reason=clean_text(reason, 300, "The reason"),
        given=to_ticks(at),
        by=by,
    )
