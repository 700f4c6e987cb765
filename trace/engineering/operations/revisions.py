"""Revisions of what is built here: a draft is made from the one before, mended, and released once for good."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import date, datetime

from django.db.models import Model

from trace.approvals.queries import find_approval, list_approvals
from trace.approvals.rules import Verdict
from trace.core.errors import Refusal
from trace.core.keys import clean_key, clean_text
from trace.core.models import Person
from trace.core.permissions import APPROVERS, in_words
from trace.engineering.models import (
    BomLine,
    Characteristic,
    Designator,
    PackingLine,
    PanelPlace,
    Part,
    Placement,
    Step,
    Substitute,
)
from trace.engineering.operations.common import changing, save_checked
from trace.engineering.operations.master import free_part_key
from trace.engineering.queries import list_authors
from trace.engineering.rules import run_together


class RevisionRefused(Refusal):
    """A revision can't be made or released so."""

    code = "revision-refused"
    action = "Correct what is named, and release it again."


class NotApproved(Refusal):
    """A draft is not approved by signature as it stands."""

    code = "not-approved"
    action = (
        f"Let {in_words(APPROVERS['part'])} who did not write in it sign what it says now, with the meaning approval; "
        "then release it."
    )


@changing
def revise_part(*, part: Part, revision: str, by: Person, at: datetime) -> Part:
    """A new draft revision of a part, with all that the old one has: bill of material, route, placements, what
    belongs in a carton of it.

    Refuses with RevisionRefused a revision that there is; with BadText.
    """
    revision = clean_text(revision, 10, "The revision")
    if Part.objects.filter(number=part.number, revision=revision).exists():
        raise RevisionRefused(
            f"Part {part.number}{revision and f' revision {revision}'} exists.", action="Give the next revision."
        )
    made = Part.objects.get(pk=part.pk)
    made.pk, made.key, made.revision = None, free_part_key(part.number, revision), revision
    made.released, made.retired, made.effective_from, made.effective_serial, made.uses_up = None, None, None, "", None
    made._state.adding = True
    save_checked(made, RevisionRefused)
    lines = {line.pk: line for line in BomLine.objects.filter(parent=part)}
    designators = list(Designator.objects.filter(parent=part))
    substitutes = list(Substitute.objects.filter(line__in=lines))
    _copy(lines.values(), parent=made)
    for designator in designators:
        _copy([designator], parent=made, line=lines[designator.line_id])
    for substitute in substitutes:
        _copy([substitute], line=lines[substitute.line_id])
    _copy(Placement.objects.filter(assembly=part), assembly=made)
    _copy(Characteristic.objects.filter(part=part), part=made)
    _copy(PanelPlace.objects.filter(panel=part), panel=made)
    _copy(PackingLine.objects.filter(product=part).exclude(part=part), product=made)
    _copy(PackingLine.objects.filter(product=part, part=part), product=made, part=made)
    for step in Step.objects.filter(part=part):
        stations = list(step.stations.all())
        _copy([step], part=made)
        step.stations.set(stations)
    return made


def _copy(records: Iterable[Model], **owner: Model) -> None:
    """Save each once more, under another owner."""
    for record in records:
        for name, value in owner.items():
            setattr(record, name, value)
        record.pk, record._state.adding = None, True
        record.save(force_insert=True)


@changing
def release_revision(
    *,
    part: Part,
    effective_from: date | None = None,
    effective_serial: str = "",
    uses_up: Part | None = None,
    by: Person,
    at: datetime,
) -> Part:
    """Release a draft: it can be ordered, and what is in it, its route and its placements change no more.

    It takes effect at once; or for orders from a day on, for units from a serial on, or once none of a part is
    left in stock (the part that it no longer needs). Refuses with NotApproved, unless somebody who may, and wrote
    nothing in it, approved by signature what it says now. Refuses with RevisionRefused: what is bought; what was
    released, or is retired; two ways to take effect; no bill of material; no route, where it is tracked by serial; a
    place that no step fills; a part in it that is a draft or retired; a characteristic of no step; with BadKey.
    """
    part.refresh_from_db()  # somebody may have released it since it was read
    if problems := list(_judge(part)):
        raise RevisionRefused(" ".join(problems), problems=problems)
    if sum(map(bool, (effective_from, effective_serial, uses_up))) > 1:
        raise RevisionRefused("It takes effect in one way.", action="Give a day, a serial, or a part that is used up.")
    _check_approved(part)
    part.released, part.effective_from, part.uses_up = at, effective_from, uses_up
    part.effective_serial = clean_key(effective_serial) if effective_serial else ""
    save_checked(part, RevisionRefused)
    return part


def _check_approved(part: Part) -> None:
    authors = list_authors(part)
    if find_approval("part", part.key, authors):
        return
    for one in reversed(list_approvals("part", part.key, authors)):
        if one.verdict == Verdict.CHANGED:
            raise NotApproved(f"{part.key} was changed since {one.signature.name} approved it.")
    if own := find_approval("part", part.key, ()):
        raise NotApproved(f"{own.signature.name} approved {part.key} and wrote in it: nobody approves their own.")
    raise NotApproved(f"{part.key} is not approved by signature.")


def _judge(part: Part) -> Iterator[str]:
    """Everything that keeps a part from being released."""
    if not part.level:
        yield f"{part.number} is bought, and needs no release."
        return
    if part.released:
        yield f"{part} was released on {part.released:%-d %B %Y}."
        return
    if part.retired:
        yield f"{part.key} is retired."
    lines = BomLine.objects.filter(parent=part).select_related("child")
    route = set(part.steps.values_list("number", flat=True))
    if not lines:
        yield f"{part.number} has no bill of material."
    if part.serialised and not route:
        yield f"{part.number} has no route."
    nowhere = part.designators.filter(step_number=None).values_list("name", flat=True)
    if route and nowhere:
        yield f"No step fills {run_together(nowhere)}."
    for child in {line.child for line in lines}:
        if child.level and not child.released:
            yield f"{child.key} in it is a draft."
        if child.retired:
            yield f"{child.key} in it is retired."
    for characteristic in part.characteristics.exclude(step_number__in=route):
        yield f"“{characteristic}” is of step {characteristic.step_number}, which is not on the route."


@changing
def retire_part(*, part: Part, reason: str, by: Person, at: datetime) -> Part:
    """No new order builds it and no new bill of material names it; what was built keeps it. The record keeps why.

    Refuses with RevisionRefused what is retired, what a released revision that is not retired needs, and without a
    reason; with BadText.
    """
    if not clean_text(reason, 300, "The reason"):
        raise RevisionRefused("Say why it is retired.", action="Give the reason in a sentence.")
    part = Part.objects.get(pk=part.pk)
    if part.retired:
        raise RevisionRefused(f"{part.key} is retired since {part.retired:%-d %B %Y}.", action="Nothing needs doing.")
    users = BomLine.objects.filter(child=part, parent__retired=None, parent__released__isnull=False)
    if needed := sorted(set(users.values_list("parent__key", flat=True))):
        raise RevisionRefused(f"{', '.join(needed[:5])} needs {part.key}.", action="Retire that first.")
    part.retired = at
    part.save(update_fields=["retired"])
    return part
