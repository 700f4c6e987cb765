"""Dispositions: what becomes of what does not conform, decided and signed."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.urls import reverse
from django.views.decorators.http import require_GET

from trace.approvals.content import find_record
from trace.approvals.queries import list_attachments, list_signatures
from trace.core.keys import clean_key, next_key
from trace.holds.models import Decision, Disposition
from trace.holds.operations import DispositionRefused, decide_disposition, withdraw_disposition
from trace.holds.queries import find_disposition_approval, find_state, get_disposition, list_dispositions
from trace.holds.rules import PERMITS
from trace.web.approvals import approval_links, attachments_table, signatures_table
from trace.web.cells import Moment, Ref, kind_words
from trace.web.dispositions import count_things, dispositions_table, members_table, moves_words
from trace.web.forms import asking, fill_in
from trace.web.moments import Asof
from trace.web.tables import respond
from trace.web.timeline import record_table


@require_GET
def dispositions(request: HttpRequest) -> HttpResponseBase:
    """Every disposition, the last first."""
    every = list(Disposition.objects.select_related("decided_by").order_by("-decided", "-pk"))
    awaiting = sum(find_state(one) == "not approved" for one in every)
    return respond(
        request, "dispositions.html", {"awaiting": awaiting}, [dispositions_table(every)], name="dispositions"
    )


@require_GET
def disposition(request: HttpRequest, key: str) -> HttpResponseBase:
    """One disposition: what was decided of what, who approved it, what it permits."""
    it = get_disposition(clean_key(key))
    facts = [
        ("Of", Ref(it.target_kind, it.target_key)),
        ("Decision", it.get_decision_display()),
        ("Permits, although it is held", moves_words(it.permits)),
        ("Reason", it.reason),
        ("On the evidence of", it.evidence or "nothing named"),
        ("Decided", Moment.of(it.decided)),
        ("Decided by", Ref("person", it.decided_by.key, it.decided_by.name)),
    ]
    if it.withdrawn and it.withdrawn_by:
        facts += [
            ("Withdrawn", Moment.of(it.withdrawn)),
            ("Withdrawn by", Ref("person", it.withdrawn_by.key, it.withdrawn_by.name)),
            ("Why it was withdrawn", it.withdraw_reason),
        ]
    things = count_things(it)
    context = {
        "it": it,
        "things": things,
        "of": kind_words(it.target_kind),
        "state": find_state(it),
        "approval": find_disposition_approval(it),
        "facts": facts,
        "links": approval_links(request, "disposition", it.key),
    }
    tables = [
        *([members_table(it)] if things else []),
        signatures_table(list_signatures("disposition", it.key)),
        attachments_table(list_attachments("disposition", it.key)),
        record_table("disposition", it.key, Asof()),
    ]
    return respond(request, "disposition.html", context, tables, name=f"disposition-{it.key}")


def decide(request: HttpRequest, kind: str, key: str) -> HttpResponse:
    """Decide what becomes of a thing."""
    subject = find_record(kind, key)

    def do() -> str:
        sent = request.POST
        if sent.get("decision") not in Decision.values:
            raise DispositionRefused("Say what becomes of it.", action="Choose one of the decisions.")
        made = decide_disposition(
            key=sent.get("number", ""),
            subject=subject,
            decision=Decision(sent["decision"]),
            reason=sent.get("reason", ""),
            evidence=sent.get("evidence", ""),
            **asking(request),
        )
        return reverse("disposition", args=[made.key])

    context = {
        "kind": kind_words(kind),
        "key": key,
        "thing": Ref(kind, key),
        "decisions": [(one.value, one.label, moves_words(PERMITS[one])) for one in Decision],
        "proposed": next_key(Disposition, "D"),
        "shown": dispositions_table(
            list(list_dispositions(kind, key).select_related("decided_by")), "Decided of it before"
        ).bind(request.GET, request.path, ""),
    }
    return fill_in(request, "decide.html", context, do)


def withdraw(request: HttpRequest, key: str) -> HttpResponse:
    """Withdraw a disposition."""
    it = get_disposition(clean_key(key))

    def do() -> str:
        withdraw_disposition(disposition=it, reason=request.POST.get("reason", ""), **asking(request))
        return reverse("disposition", args=[it.key])

    return fill_in(request, "withdraw.html", {"it": it}, do)
