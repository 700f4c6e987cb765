"""What was recorded wrongly: voided with a reason, and what was."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.urls import reverse

from trace.core.permissions import OPERATIONS, in_words, may, roles_of
from trace.web.cells import page_of
from trace.web.corrections import corrections_table, find_record, list_corrections
from trace.web.forms import asking, fill_in
from trace.web.tables import respond


def corrections(request: HttpRequest) -> HttpResponseBase:
    """Everything that was put right."""
    events = list_corrections()
    table = corrections_table(
        events, "Nothing was recorded wrongly yet, or nobody said so. A record’s own page has a link “This is wrong”."
    )
    return respond(request, "corrections.html", {"number": events.count()}, [table], name="corrections")


def correct(request: HttpRequest, kind: str, number: int) -> HttpResponse:
    """One record in words, what follows once it is void, and why it is."""
    record = find_record(kind, number)
    permitted = OPERATIONS[record.how.verb]

    def do() -> str:
        told = {"reason": request.POST.get("reason", ""), **asking(request)}
        if record.how.instead:
            told["instead"] = request.POST.get("instead", "")
        record.how.operation(**{record.how.argument: record.it}, **told)
        return reverse("correct", args=[kind, number])

    context = {
        "record": record,
        "home": page_of(record.home.kind, record.home.key),
        "may": may(roles_of(request.user), permitted),
        "whom": in_words(permitted),
    }
    return fill_in(request, "correct.html", context, do)
