"""Opening an alarm, saying what is suspect, closing it."""

from __future__ import annotations

import re
from datetime import datetime
from typing import Any

from trace.containment.models import Containment, Join, Kind, Term
from trace.containment.open_points import list_open
from trace.containment.population import reckon
from trace.containment.terms import Told, check_term
from trace.core.clock import now_ticks, to_ticks
from trace.core.errors import Refusal
from trace.core.keys import clean_text, next_key
from trace.core.models import Person
from trace.ledger.operation import note, operation

WORD = re.compile(r"[A-Z0-9](?:[A-Z0-9-]*[A-Z0-9])?")
LISTED = 20


class ContainmentRefused(Refusal):
    """A containment can't be opened, changed or closed so."""

    code = "containment-refused"
    action = "Correct what is named, and try again."


@operation()
def open_containment(*, problem: str, evidence: str = "", by: Person, at: datetime) -> Containment:
    """An alarm: what is wrong, in a sentence. What is suspect is added term by term.

    Refuses with ContainmentRefused without a problem; with BadText.
    """
    problem = clean_text(problem, 300, "What is wrong")
    if not problem:
        raise ContainmentRefused("Say what is wrong.", action="Such as: resistors of lot 4711 drift after solder.")
    return Containment.objects.create(
        key=next_key(Containment, "CM"),
        problem=problem,
        evidence=clean_text(evidence, 300, "The evidence"),
        opened=to_ticks(at),
        opened_by=by,
    )


@operation()
def add_term(
    *, containment: Containment, joined: Join, told: Told, evidence: str = "", by: Person, at: datetime
) -> Term:
    """Suspect one thing more; or, joined otherwise, narrow what is suspect.

    Refuses what `check_term` refuses; with ContainmentRefused a containment that is closed, and a term that it has;
    with BadText.
    """
    containment = lock_open(containment)
    check_term(told)
    fields: dict[str, Any] = {**vars(told), "kind": Kind(told.kind), "joined": Join(joined)}
    if same := containment.terms.filter(removed=None, **fields).first():
        raise ContainmentRefused(f"{same} is in {containment} before, as term {same.number}.")
    return Term.objects.create(
        containment=containment,
        number=containment.terms.count() + 1,
        evidence=clean_text(evidence, 300, "The evidence"),
        added=to_ticks(at),
        by=by,
        **fields,
    )


@operation()
def remove_term(*, term: Term, reason: str, by: Person, at: datetime) -> Term:
    """A term counts no more. What was held for it stays held until it is released.

    Refuses with ContainmentRefused without a reason, a term that was removed before, a closed containment.
    """
    containment = lock_open(term.containment)
    reason = clean_text(reason, 300, "The reason")
    if not reason:
        raise ContainmentRefused("Say why it is suspect no longer.", action="Give the reason in a sentence.")
    term = Term.objects.get(pk=term.pk)
    if term.removed is not None:
        raise ContainmentRefused(f"Term {term.number} was removed before.", action="Nothing needs doing.")
    term.removed, term.removed_by, term.remove_reason = to_ticks(at), by, reason
    term.save(update_fields=["removed", "removed_by", "remove_reason"])
    note(containment)
    return term


@operation()
def close_containment(
    *, containment: Containment, reason: str, open_points: str = "", by: Person, at: datetime
) -> Containment:
    """An alarm is over. What is left open (`list_open`) is named in `open_points`, each by its key, with why: such as a
    unit that nobody found, and that stays held.

    Refuses with ContainmentRefused without a reason, while something is left open that is not named there, at a moment
    before it was opened; with BadText.
    """
    containment = lock_open(containment)
    reason = clean_text(reason, 300, "The reason")
    open_points = clean_text(open_points, 2000, "What is left open")
    if not reason:
        raise ContainmentRefused("Say on what grounds it is closed.", action="Give the reason in a sentence.")
    if to_ticks(at) < containment.opened:
        raise ContainmentRefused(f"{containment} was opened after that moment.")
    named = set(WORD.findall(open_points.upper()))
    if still := [one for one in list_open(containment, reckon(containment), now_ticks()) if one.key not in named]:
        more = f" {len(still) - 1} more {'is' if len(still) == 2 else 'are'} left open." if len(still) > 1 else ""
        raise ContainmentRefused(
            f"{still[0].words} So {containment} is not over.{more}",
            action="Have it settled. What has to be left is named among the open points, by its key, with why.",
            open=[one.words for one in still[:LISTED]],
        )
    containment.closed, containment.closed_by, containment.close_reason = to_ticks(at), by, reason
    containment.close_recorded, containment.open_points = now_ticks(), open_points
    containment.save(update_fields=["closed", "closed_by", "close_reason", "close_recorded", "open_points"])
    return containment


def lock_containment(containment: Containment) -> Containment:
    """The containment, and nobody changes it until the operation is over."""
    return Containment.objects.select_for_update(of=("self",)).get(pk=containment.pk)


def lock_open(containment: Containment) -> Containment:
    """The same; refuses one that is closed."""
    containment = lock_containment(containment)
    if containment.closed is not None:
        raise ContainmentRefused(f"{containment} is closed.", action="Open a new containment for what is suspect now.")
    return containment
