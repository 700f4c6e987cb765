"""The record: who did what when, and one entry whole."""

from __future__ import annotations

import json

from django.http import HttpRequest
from django.http.response import HttpResponseBase
from django.utils import timezone

from trace.core.errors import NotFound
from trace.core.permissions import COSTS, in_words, roles_of, withheld
from trace.core.verbs import in_trade_words
from trace.ledger.models import Event
from trace.web.approvals import signature_facts
from trace.web.cells import Moment, Ref
from trace.web.record import Filters, entries_table, reason_in, record_link
from trace.web.tables import respond
from trace.web.written import read_payload, subjects_table


def record(request: HttpRequest) -> HttpResponseBase:
    """The entries that fit the filters, the last first."""
    filters = Filters(request.GET, withheld(roles_of(request.user)))
    tables = [] if filters.refusals else [entries_table(filters.list_events(), filters.order)]
    response = respond(request, "record.html", {"filters": filters}, tables, name="record")
    if filters.refusals:
        response.status_code = 400
    return response


def entry(request: HttpRequest, number: int) -> HttpResponseBase:
    """One entry: who, what, when, about what, and all that was written."""
    event = Event.objects.select_related("by").filter(pk=number).first()
    if event is None:
        raise NotFound(f"The record has no entry {str(number)[:20]}.", action="Look for it by who, what or when.")
    payload, day = json.loads(event.payload), f"{timezone.localtime(event.happened):%Y-%m-%d}"
    subjects = list(event.subjects.order_by("kind", "key").values_list("kind", "key"))
    kept = event.tells(withheld(roles_of(request.user)))
    context = {
        "event": event,
        "verb": in_trade_words(event.verb),
        "facts": [
            ("Who", Ref("person", event.by.key, event.by.name)),
            ("What", in_trade_words(event.verb)),
            ("Happened", Moment.of(event.happened)),
            ("Recorded", Moment.of(event.recorded)),
            ("Reason", reason_in(payload) or "none given"),
            *(signature_facts(payload["result"]) if event.verb == "sign" else []),
        ],
        "sections": [] if kept else read_payload(payload, subjects),
        "kept_for": in_words(COSTS) if kept else "",
        "day_link": record_link(**{"who": event.by.key, "from": day, "to": day}),
    }
    return respond(request, "entry.html", context, [subjects_table(subjects)], name=f"entry-{event.pk}")
