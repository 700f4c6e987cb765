"""Thin pages, one for each other kind of thing: what it is, and tables about it. One template."""

from __future__ import annotations

from django.db.models import Model
from django.http import HttpRequest
from django.http.response import HttpResponseBase
from django.urls import reverse

from trace.core.errors import NotFound
from trace.core.keys import clean_key
from trace.core.permissions import COSTS, may, roles_of
from trace.material.models import Feed
from trace.web.answer import holds_table, list_open_holds
from trace.web.approvals import alarm_links, approval_links, approval_tables
from trace.web.cells import Link, kind_words
from trace.web.dispatch import DESKS
from trace.web.moments import Asof, read_asof
from trace.web.scan import KINDS
from trace.web.sheets import SHEETS
from trace.web.tables import respond
from trace.web.timeline import record_table


def thing(request: HttpRequest, kind: str, key: str) -> HttpResponseBase:
    """The page of one thing, as it is now: it does not look back, and says so to who asks for a moment."""
    it = find_thing(kind, key)
    sheet = SHEETS[kind](it)
    asof = read_asof(request)
    tables = list(sheet.tables)
    if kind != "person":
        holds = list_open_holds([(kind, it.key)], Asof())  # type: ignore[attr-defined]
        if holds.exists():
            tables.insert(0, holds_table(holds))
        tables += [*approval_tables(kind, it.key), record_table(kind, it.key, Asof())]  # type: ignore[attr-defined]
    worked_at = {"feed": "feeding", "station": "at-station"}.get(kind, "")
    if isinstance(it, Feed) and it.axis.tape:
        worked_at = ""
    done = [Link("What is done here", reverse(worked_at, args=[key]))] if worked_at else []
    done += [Link("How it is set up", reverse("set-up", args=[key]))] if kind == "station" else []
    if kind in DESKS:
        done.append(Link("Pack, stack and send", reverse(DESKS[kind], args=[key])))
    leading = alarm_links if kind == "person" else approval_links
    links = [*done, *leading(request, kind, it.key)]  # type: ignore[attr-defined]
    facts = [*sheet.facts, *(sheet.costs if may(roles_of(request.user), COSTS) else ())]
    context = {"kind": kind_words(kind), "thing": it, "sheet": sheet, "facts": facts}
    context |= {"asked": asof.moment, "links": links}
    return respond(request, "thing.html", context, tables, name=f"{kind}-{it.key}")  # type: ignore[attr-defined]


def find_thing(kind: str, key: str) -> Model:
    """The thing of a key, or NotFound."""
    found = KINDS[kind]._default_manager.filter(key=clean_key(key)).first()
    if found is None:
        raise NotFound(f"No {kind_words(kind)} has the key {key[:60]}.")
    return found
