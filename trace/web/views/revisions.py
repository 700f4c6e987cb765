"""The revisions of a part: which one is built, what differs between two, a new one, its release."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse

from trace.approvals.content import content_digest, content_of
from trace.approvals.queries import find_approval, list_signatures
from trace.core.keys import clean_key
from trace.core.permissions import APPROVERS, OPERATIONS, in_words, may, roles_of, withheld
from trace.engineering.models import Part
from trace.engineering.operations import release_revision, retire_part, revise_part
from trace.engineering.queries import list_authors
from trace.exchange.arguments import read_arguments
from trace.exchange.lists.files import Change, compare_parts
from trace.exchange.releasing import sign_and_release
from trace.web.approvals import read_components, remember_signing, signatures_table, signed_lately
from trace.web.cells import Link, Ref
from trace.web.forms import asking, fill_in
from trace.web.sheets.engineering import describe_revision
from trace.web.tables import Column, Table, respond
from trace.web.written import read_content


def revisions(request: HttpRequest, key: str) -> HttpResponseBase:
    """All revisions of a part's number; what can be done with this one."""
    part = _find(key)
    if request.method == "POST":
        made = revise_part(part=part, revision=request.POST.get("revision", ""), **asking(request))
        return redirect("revisions", key=made.key)
    every = list(Part.objects.filter(number=part.number).select_related("uses_up").order_by("pk"))
    context = {
        "part": part,
        "sentence": describe_revision(part),
        "compared": [_by_age(part, other) for other in every if other != part],
        "may_revise": may(roles_of(request.user), OPERATIONS["revise_part"]),
    }
    return respond(request, "revisions.html", context, [_table(every)], name=f"revisions-{part.key}")


def release(request: HttpRequest, key: str) -> HttpResponse:
    """Release a draft: with the approval that it has, or by signing it here and now."""
    part = _find(key)

    def do() -> str:
        effect = read_arguments(release_revision, request.POST.dict(), leave_out=("by", "at", "part"))
        if "password" in request.POST:
            told: dict[str, Any] = {**read_components(request), **effect, **asking(request)}
            sign_and_release(request, part=part, digest=request.POST.get("digest", ""), **told)
            remember_signing(request)
        else:
            release_revision(part=part, **effect, **asking(request))
        return reverse("revisions", args=[part.key])

    content, authors = content_of("part", part.key), list_authors(part)
    context = {
        "part": part,
        "approval": find_approval("part", part.key, authors),
        "own": asking(request)["by"].pk in authors,
        "sentence": describe_revision(part),
        "approvers": in_words(APPROVERS["part"]),
        "digest": content_digest(content),
        "content": read_content(content),
        "again": signed_lately(request),
        "shown": signatures_table(list_signatures("part", part.key)).bind(request.GET, request.path, ""),
    }
    return fill_in(request, "release.html", context, do)


def retire(request: HttpRequest, key: str) -> HttpResponse:
    """Retire a part or a revision of it, for a reason."""
    part = _find(key)

    def do() -> str:
        retire_part(part=part, reason=request.POST.get("reason", ""), **asking(request))
        return reverse("revisions", args=[part.key])

    return fill_in(request, "retire.html", {"part": part}, do)


def compared(request: HttpRequest, key: str, other: str) -> HttpResponseBase:
    """What is different between two revisions, from the older to the newer; or between two parts, as asked."""
    old, new = _by_age(_find(key), _find(other))
    hidden = withheld(roles_of(request.user))
    found = {title: changes for title, changes in compare_parts(old, new, hidden).items() if changes}
    context = {"old": old, "new": new, "found": {title: len(changes) for title, changes in found.items()}}
    tables = [_changes_table(title, changes) for title, changes in found.items()]
    return respond(request, "compared.html", context, tables, name=f"{old.key}-{new.key}")


def _by_age(one: Part, other: Part) -> tuple[Part, Part]:
    """Two revisions of a part, the one that was made first before the other; two parts stay as they are."""
    return (other, one) if one.number == other.number and other.pk < one.pk else (one, other)


def _find(key: str) -> Part:
    part: Part = get_object_or_404(Part.objects.select_related("uses_up"), key=clean_key(key))
    return part


def _revision_link(part: Part) -> Link:
    words = part.revision or "none given"
    return Link(words, reverse("revisions", args=[part.key]), f"revision {words} of {part.number}")


def _table(parts: list[Part]) -> Table:
    return Table(
        "revisions",
        "Revisions",
        [
            Column("revision", "Revision", _revision_link),
            Column("part", "Part", lambda part: Ref("part", part.key, part.name)),
            Column("state", "How far it is", describe_revision),
        ],
        parts,
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
