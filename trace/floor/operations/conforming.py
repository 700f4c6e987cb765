"""Rework that brings a unit to a later revision of its part."""

from __future__ import annotations

from datetime import datetime

from trace.core.clock import now_ticks, to_ticks
from trace.core.errors import Refusal
from trace.core.keys import clean_text
from trace.core.models import Person
from trace.engineering.models import Part
from trace.floor.designs import list_designs, list_differences
from trace.floor.models import Conformity, Unit
from trace.floor.queries import lock_units
from trace.holds.gate import moving
from trace.ledger.operation import note

MOST_NAMED = 10
"""A refusal names so many differences; the page of the unit has them all."""


class ConformityRefused(Refusal):
    """A unit can't be said to conform to a revision."""

    code = "conformity-refused"
    action = "Check the unit and the revision."


@moving
def conform_unit(*, unit: Unit, part: Part, reason: str, by: Person, at: datetime) -> Conformity:
    """After rework a unit conforms to a later released revision of its part: from that moment on it is to be built by
    that. Its order and its route stay as they were, and so does what was in it before.

    Refuses with ConformityRefused without a reason; another part, a draft, what is retired or no later than what it
    conforms to; a unit that is scrapped; a moment before it was made, brought to a revision or last changed inside; and
    where what is on record in it does not agree with the revision, naming the differences.
    """
    reason = clean_text(reason, 300, "The reason")
    (unit,) = lock_units([unit])
    moment, current = to_ticks(at), Part.objects.get(pk=list_designs([unit])[unit.pk])
    if not reason:
        raise ConformityRefused(
            "Say by which change it was reworked.", action="Such as: engineering change 17, wire 3."
        )
    if unit.scrapped is not None:
        raise ConformityRefused(f"{unit.key} was scrapped.", action="Put it in the scrap cage.")
    if part.number != current.number or part.pk == current.pk:
        raise ConformityRefused(f"{unit.key} is a {current.key}: {part.key} is no later revision of it.")
    if part.released is None or part.retired:
        state = "a draft" if part.released is None else "retired"
        raise ConformityRefused(f"{part.key} is {state}.", action="Have the revision released first.")
    if current.released and part.released <= current.released:
        raise ConformityRefused(f"{part.key} was released before {current.key}, to which {unit.key} conforms.")
    inside = unit.fittings.filter(superseded=None).values_list("since", flat=True)
    before = unit.conformities.filter(superseded=None).values_list("at", flat=True)
    if moment < max([unit.created, *inside, *before]):
        raise ConformityRefused(
            f"{unit.key} was changed after that moment.", action="Give the time at which the rework was done."
        )
    if found := list_differences(unit, part):
        more = f"; and {len(found) - MOST_NAMED} more" if len(found) > MOST_NAMED else ""
        raise ConformityRefused(
            f"{unit.key} does not agree with {part.key}. {'; '.join(found[:MOST_NAMED])}{more}.",
            action="Do that work and record it, then say that it conforms.",
            differences=found,
        )
    note(part)
    return Conformity.objects.create(unit=unit, part=part, at=moment, reason=reason, by=by, recorded=now_ticks())


@moving
def void_conformity(*, conformity: Conformity, reason: str, by: Person, at: datetime) -> Conformity:
    """A unit never conformed to that revision: it is to be built by the one before. It stays in the ledger.

    Refuses with ConformityRefused without a reason, twice, and while a later one stands.
    """
    reason = clean_text(reason, 300, "The reason")
    (unit,) = lock_units([conformity.unit])
    conformity = Conformity.objects.select_related("part").get(pk=conformity.pk)
    if not reason:
        raise ConformityRefused("Say what was wrong.", action="Such as: the board beside it was reworked.")
    if conformity.superseded is not None:
        raise ConformityRefused(f"{conformity} was voided before.", action="Nothing needs doing.")
    if unit.conformities.filter(superseded=None).last() != conformity:
        raise ConformityRefused(f"{unit.key} was brought to another revision since.", action="Void that first.")
    conformity.superseded = now_ticks()
    conformity.save(update_fields=["superseded"])
    note(unit, reason=reason)
    return conformity
