"""The revisions of a part: which one is built, what differs between two, a new one, its release."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import get_object_or_404, redirect

from trace.core.clock import now
from trace.core.errors import NotFound
from trace.core.keys import clean_key
from trace.core.permissions import OPERATIONS, may, roles_of, withheld
from trace.engineering.models import Part
from trace.engineering.operations import release_revision, retire_part, revise_part
from trace.exchange.arguments import read_arguments
from trace.exchange.lists.files import Change, compare_parts
from trace.web.cells import Ref
from trace.web.sheets.engineering import describe_revision
from trace.web.tables import Column, Table, respond

FORMS = {"revise": revise_part, "release": release_revision, "retire": retire_part}
"""What can be done with a revision on its page."""


def revisions(request: HttpRequest, key: str) -> HttpResponseBase:
    """All revisions of a part's number; what can be done with this one."""
    part = _find(key)
    if request.method == "POST":
        return _carry_out(request, part)
    others = Part.objects.filter(number=part.number).select_related("uses_up")
    context = {
        "part": part,
        "sentence": describe_revision(part),
        "others": others.exclude(pk=part.pk),
        "may": {name: may(roles_of(request.user), OPERATIONS[work.__name__]) for name, work in FORMS.items()},
    }
    return respond(request, "revisions.html", context, [_table(others)], name=f"revisions-{part.key}")


def _carry_out(request: HttpRequest, part: Part) -> HttpResponse:
    work = FORMS.get(request.POST.get("do", ""))
    if work is None:
        raise NotFound("There is nothing of that kind to do.", action="Go back to the page.")
    arguments = read_arguments(work, request.POST.dict(), leave_out=("by", "at", "part"))
    made = work(part=part, by=request.user.person, at=now(), **arguments)  # type: ignore[union-attr]
    return redirect("revisions", key=made.key)


def compared(request: HttpRequest, key: str, other: str) -> HttpResponseBase:
    """What is different in another revision, or another part."""
    old, new = _find(key), _find(other)
    hidden = withheld(roles_of(request.user))
    found = {title: changes for title, changes in compare_parts(old, new, hidden).items() if changes}
    context = {"old": old, "new": new, "found": {title: len(changes) for title, changes in found.items()}}
    tables = [_changes_table(title, changes) for title, changes in found.items()]
    return respond(request, "compared.html", context, tables, name=f"{old.key}-{new.key}")


def _find(key: str) -> Part:
    part: Part = get_object_or_404(Part.objects.select_related("uses_up"), key=clean_key(key))
    return part


def _table(parts: object) -> Table:
    return Table(
        "revisions",
        "Revisions",
        [
            Column("part", "Part", lambda part: Ref("part", part.key, part.name)),
            Column("revision", "Revision", lambda part: part.revision or "none given"),
            Column("state", "How far it is", describe_revision),
        ],
        list(parts),  # type: ignore[call-overload]
        "There is no revision.",
    )


def _changes_table(title: str, changes: list[Change]) -> Table:
    rows = [(change, column, *texts) for change in changes for column, texts in change.cells.items()]
    return Table(
        title.lower().replace(" ", "-"),
        title,
        [
            Column("what", "What", lambda row: row[0].what),
            Column("line", "Line", lambda row: row[0].name),
            Column("column", "In", lambda row: row[1].replace("_", " ")),
            Column("before", "Before", lambda row: row[2]),
            Column("after", "After", lambda row: row[3]),
        ],
        rows,
        "Nothing is different.",
    )
