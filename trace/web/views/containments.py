"""Containments: the list of alarms, opening one, and its page: what is suspect, where it is, what was kept."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest
from django.http.response import HttpResponseBase
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.http import require_GET

from trace.containment.flow import trace_flow
from trace.containment.following import ask_reckoning
from trace.containment.limits import summarise_limits
from trace.containment.models import Containment, Term, Watch
from trace.containment.narrowed import lacks_approval
from trace.containment.operations.alarms import (
    ContainmentRefused,
    add_term,
    open_containment,
    remove_term,
)
from trace.containment.operations.snapshots import take_snapshot
from trace.containment.population import find_latest, get_containment, list_terms
from trace.containment.terms import check_term
from trace.containment.words import name_terms
from trace.core.keys import clean_key
from trace.core.permissions import PAGES, check_permitted, may, roles_of
from trace.web import answer as answers
from trace.web.alarms import (
    Shown,
    alarms_table,
    answer_of,
    list_alarms,
    list_charged,
    shares_table,
    show_terms,
    snapshots_table,
)
from trace.web.approvals import approval_links, approval_tables
from trace.web.cells import Link, Moment, Ref, Several
from trace.web.deeds import Ask, Deed, carry_out, list_permitted, title_of
from trace.web.flow import MOST, behind_table, draw, find_behind, flow_table
from trace.web.forms import asking, do_or_show, fill_in
from trace.web.moments import looks_back, read_asof
from trace.web.record import record_link
from trace.web.scoping import JOINS, find_option, list_named, list_options, read_join, read_term
from trace.web.snapshots import Kept, find_kept, find_snapshot
from trace.web.tables import Table, respond
from trace.web.views.suspects import show_why
from trace.web.ways import RATE, ways_sheet

PAGE = "containment.html"

DEEDS = [
    Deed(
        take_snapshot,
        "Take a snapshot",
        [Ask("why", "What it is for", needed=False)],
        button="Take it",
        note="The population as it is reckoned now is kept under the next number, unit by unit.",
    ),
]


@require_GET
def containments(request: HttpRequest) -> HttpResponseBase:
    """Every alarm, open ones first."""
    alarms = list_alarms()
    context = {"open": sum(alarm.open for alarm in alarms), "every": len(alarms)}
    return respond(request, "containments.html", context, [alarms_table(alarms)], name="containments")


def new_containment(request: HttpRequest) -> HttpResponseBase:
    """Open an alarm; for what the address names, with that as its first term."""
    told = request.POST or request.GET
    option = find_option(told["kind"], told.get("subject", ""), told.get("detail", "")) if told.get("kind") else None

    def do() -> str:
        sent = request.POST
        term = read_term(sent) if option else None
        if term:
            check_term(term)  # before anything is opened for it
        done = asking(request)
        evidence = sent.get("evidence", "")
        made = open_containment(problem=sent.get("problem", ""), evidence=evidence, **done)
        if term:
            add_term(containment=made, joined=read_join(sent), told=term, evidence=evidence, **done)
        return reverse("containment", args=[made.key])

    return fill_in(request, "open_containment.html", {"option": option}, do)


@looks_back
def containment(request: HttpRequest, key: str) -> HttpResponseBase:
    """One alarm: what is suspect, which units carry it, where they are."""
    it = get_containment(clean_key(key))
    htmx = request.htmx  # type: ignore[attr-defined]
    if request.method == "GET" and htmx.target in ("options", "scoping"):
        return render(request, f"pieces/{htmx.target}.html", {"it": it, **_scope(request, it)})

    def do() -> str:
        here = reverse("containment", args=[it.key])
        match request.POST.get("do"):
            case "add_term":
                return f"{here}?added={_add_term(request, it).number}#scoping"
            case "remove_term":
                return f"{here}?removed={_remove_term(request, it).number}#terms"
            case "ask":
                check_permitted(str(asking(request)["by"]), asking(request)["by"].roles, "take_snapshot")
                ask_reckoning(it)
                return f"{here}?asked=yes#population"
        carry_out(request, DEEDS, containment=it)
        return f"{here}?done={request.POST['do']}"

    name = f"containment-{it.key}"
    return do_or_show(request, PAGE, do, lambda: _show(request, get_containment(it.key)), name)


def _add_term(request: HttpRequest, it: Containment) -> Term:
    by = asking(request)["by"]
    check_permitted(str(by), by.roles, "add_term")
    sent = request.POST
    told = read_term(sent)
    return add_term(
        containment=it, joined=read_join(sent), told=told, evidence=sent.get("evidence", ""), **asking(request)
    )


def _remove_term(request: HttpRequest, it: Containment) -> Term:
    by, sent = asking(request)["by"], request.POST
    check_permitted(str(by), by.roles, "remove_term")
    number = sent.get("number", "")
    term = it.terms.filter(number=int(number)).first() if number.isdecimal() and len(number) < 9 else None
    if term is None:
        raise ContainmentRefused(f"{it} has no such term.", action="Choose one of its terms.")
    return remove_term(term=term, reason=sent.get("reason", ""), **asking(request))


def _scope(request: HttpRequest, it: Containment) -> dict[str, Any]:
    """What the scoping line shows: what was chosen or refused, or what a text may mean. What a whole text names is
    chosen at once where it is one thing; while it is typed, it is not."""
    told = request.POST if request.POST.get("do") == "add_term" else request.GET
    text = told.get("q", "").strip()
    option = find_option(told["kind"], told.get("subject", ""), told.get("detail", "")) if told.get("kind") else None
    typing = request.htmx.target == "options"  # type: ignore[attr-defined]
    named = list_named(text) if text and not typing and not option else []
    if len(named) == 1:
        option = named[0]
    return {
        "text": text,
        "option": option,
        "options": [] if option else named or list_options(text),
        "joins": JOINS.items(),
        "joined": it.terms.filter(removed=None).exists(),
        "sent": request.POST if told is request.POST else {},
    }


def _show(request: HttpRequest, it: Containment) -> tuple[dict[str, Any], list[Table]]:
    answer = answer_of(it, read_asof(request))
    terms = list_terms(it)
    removed = it.terms.exclude(removed=None).select_related("by", "removed_by").order_by("number")
    latest, watch = find_latest(it), Watch.objects.filter(containment=it).first()
    changing = it.closed is None and not answer.asof.fields
    charged = list_charged(terms)
    live = answer.asof.fields or "anew" in request.GET
    kept = None if live or not (found := find_kept(it)) else Kept(found, answer.subject)
    context = {
        "it": it,
        "answer": answer,
        "kept": kept,
        "watch": watch,
        "unapproved": lacks_approval(it),
        "asof": answer.asof,
        "terms": show_terms(terms, answer.asof.ticks, alone=kept is None),
        "removed": [Shown(term, "") for term in removed],
        "latest": latest,
        "said": summarise_limits(answer.population).sentences if terms and not kept else [],
        "facts": _facts(it, watch),
        "links": [
            *(_links(request, it, answer.asof.query) if terms else ()),
            *approval_links(request, "containment", it.key),
        ],
        "changing": changing,
        "deeds": list_permitted(request, DEEDS) if changing else [],
        "done": title_of(request, DEEDS),
        "added": request.GET.get("added", ""),
        "own": [*(["shares"] if charged else []), "attachments", "signatures"],
        **_scope(request, it),
    }
    reckoned = [answers.places_table, answers.units_table, answers.customers_table, answers.stock_table]
    tables = [
        *(kept.tables() if kept else (table(answer) for table in reckoned)),
        snapshots_table(it.snapshots.all()),
        *([shares_table(charged, answer.asof.ticks)] if charged else []),
        *approval_tables("containment", it.key),
    ]
    return context, tables


def _links(request: HttpRequest, it: Containment, asof: str) -> list[Link]:
    pages = {
        "containment-progress": "What is done about it",
        "containment-notices": "What customers are told",
        "containment-narrow": "What would narrow it",
        "containment-flow": "How it flows from lot to customer",
        "containment-cost": "What it would cost",
        "containment-report": "The report",
    }
    roles = roles_of(request.user)
    return [
        Link(words, reverse(page, args=[it.key]) + asof) for page, words in pages.items() if may(roles, PAGES[page])
    ]


def _facts(it: Containment, watch: Watch | None) -> list[tuple[str, Any]]:
    facts: list[tuple[str, Any]] = [
        ("Evidence", it.evidence or "none was given"),
        ("Opened", Moment(it.opened)),
        ("By", Ref("person", it.opened_by.key, it.opened_by.name)),
    ]
    if watch:
        facts.append(
            ("Followed up to", Several((Moment(watch.looked), watch.doing and f"{watch.doing}, {watch.share} %"), " "))
        )
    if it.closed is not None and it.closed_by:
        facts += [
            ("Closed", Moment(it.closed)),
            ("Closed by", Ref("person", it.closed_by.key, it.closed_by.name)),
            ("On the grounds", it.close_reason),
            ("Left open", it.open_points or "nothing"),
        ]
    return [*facts, ("On the record", Link("all entries about it", record_link(kind="containment", key=it.key)))]


@require_GET
def snapshot(request: HttpRequest, key: str, number: int) -> HttpResponseBase:
    """A population as it was kept, unit by unit."""
    it = get_containment(clean_key(key))
    kept = Kept(find_snapshot(it, number), name_terms(list_terms(it)))
    name = f"containment-{it.key}-snapshot-{number}"
    return respond(request, "snapshot.html", {"it": it, "kept": kept}, kept.tables(), name=name)


# Why, and what it costs ----------------------------------------------------------------------------------------------


@looks_back
def containment_unit(request: HttpRequest, key: str, serial: str) -> HttpResponseBase:
    """Why a unit is in the population."""
    return show_why(request, answer_of(get_containment(clean_key(key)), read_asof(request)), serial)


@looks_back
def containment_cost(request: HttpRequest, key: str) -> HttpResponseBase:
    """What each way out costs, side by side, by rates that can be changed for this containment."""
    it = get_containment(clean_key(key))

    def do() -> str:
        carry_out(request, [RATE], containment=it)
        return f"{reverse('containment-cost', args=[it.key])}?done=set_rate#rates"

    def show() -> tuple[dict[str, Any], list[Table]]:
        answer = answer_of(it, read_asof(request))
        context, tables = ways_sheet(request, it, answer)
        changing = it.closed is None and not answer.asof.fields
        deeds = list_permitted(request, [RATE]) if changing else []
        return {**context, "it": it, "deeds": deeds, "done": title_of(request, [RATE])}, tables

    return do_or_show(request, "ways.html", do, show, f"containment-{it.key}-cost")


@looks_back
def containment_flow(request: HttpRequest, key: str) -> HttpResponseBase:
    """The flow from lot to customer, and the units behind one of its numbers."""
    answer = answer_of(get_containment(clean_key(key)), read_asof(request))
    flow = trace_flow(answer.population).gather(MOST)
    asked = find_behind(flow, request.GET)
    context = {"answer": answer, "asof": answer.asof, "picture": draw(flow, answer.asof.fields)}
    tables = [*([behind_table(answer, *asked)] if asked else []), flow_table(flow, answer)]
    return respond(request, "flow.html", context, tables, name=f"containment-{answer.key}-flow")
