"""Returns: which wait, receiving one by a scan, the page of one with what is done about it."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from django.http import HttpRequest
from django.http.response import HttpResponseBase
from django.urls import reverse

from trace.core.clock import now
from trace.core.errors import Refusal
from trace.core.keys import clean_key
from trace.core.permissions import PAGES, may, roles_of
from trace.engineering.models import FaultCode, Station
from trace.exchange.statuses import status_of
from trace.floor.admission import contents_of
from trace.floor.models import Customer, Return, Unit
from trace.floor.naming import get_named_unit
from trace.floor.operations.faults import record_fault
from trace.floor.operations.findings import find_child, find_empty
from trace.floor.operations.returns import close_return, receive_return, void_return
from trace.floor.queries import list_parents
from trace.floor.returns import compare_found, find_departure, get_return, list_open_returns
from trace.quality.returns import BY, CHOICES, ask_returns
from trace.web.cells import Link, Moment, Ref
from trace.web.deeds import Ask, Deed, carry_out, list_permitted, title_of
from trace.web.faults import repair_links, tenths
from trace.web.forms import do_or_show
from trace.web.moments import Asof
from trace.web.returns import counted_table, find_states, findings_table, looked_table, returns_table, say_age
from trace.web.tables import Table, respond
from trace.web.timeline import record_table

CAUTION = "a returned unit may be unsafe at the mains: look at cord, earth and enclosure before it is plugged in."
OPENED = "disconnect mains and let capacitors discharge before you open it."


def returns(request: HttpRequest) -> HttpResponseBase:
    """The returns that are open, and those of a period, counted."""
    sent = request.GET
    asked = {name: sent.get(name, "") for name in ("by", "period", "from", "to")}
    found = ask_returns(now(), asked)
    waiting = list(list_open_returns().select_related("unit__part", "customer", "code", "disposition"))
    context = {
        "found": found,
        "rate": tenths(found.total.per_thousand),
        "open": len(waiting),
        "oldest": waiting[0] if waiting else None,
        "age": say_age(waiting[0], now()) if waiting else "",
        "by": BY,
        "choices": CHOICES,
        "asked": asked,
    }
    empty = "No return is open. Scan what came back to receive it."
    tables = [
        returns_table(waiting, now(), "Open returns", "open", empty),
        counted_table(found),
        returns_table(found.returns, now(), f"Received {found.period.words}", "returns", "Nothing was returned then."),
    ]
    return respond(request, "returns.html", context, tables, name="returns")


def receive(request: HttpRequest) -> HttpResponseBase:
    """Receive what came back: a scan says which unit it is, and proposes the one that it is in."""
    text = request.GET.get("q", "").strip()
    meant: Unit | None = None
    replaced, problem = "", None
    if text:
        try:
            named = get_named_unit(text)
            meant, replaced = named.unit, named.replaced
        except Refusal as refusal:
            problem = refusal
    parents = list_parents([meant])[meant.pk] if meant else []
    alone = request.GET.get("alone") == "yes"
    it = parents[-1] if parents and not alone else meant
    deed = _receive_deed()

    def do() -> str:
        made: Return = carry_out(request, [deed], unit=it, alone=alone and bool(parents))
        return f"{reverse('return', args=[made.key])}?done=receive_return"

    def show() -> tuple[dict[str, Any], list[Table]]:
        context: dict[str, Any] = {
            "text": text,
            "meant": meant,
            "it": it,
            "replaced": replaced,
            "problem": problem,
            "proposed": bool(parents) and not alone,
            "alone": alone and bool(parents),
            "shipment": find_departure(it) if it else None,
            "deeds": list_permitted(request, [deed]) if it else [],
        }
        return context, []

    if it is None:
        context, _ = show()
        response = respond(request, "receive_return.html", context, [], name="receive-return")
        if problem:
            response.status_code = status_of(problem)
        return response
    return do_or_show(request, "receive_return.html", do, show, name="receive-return")


def _receive_deed() -> Deed:
    customers = [(one.key, one.name) for one in Customer.objects.order_by("name")]
    return Deed(
        receive_return,
        "Receive it",
        (
            Ask("complaint", "What the customer complains of"),
            Ask("fault_code", "Fault, if it is a known one", "choose", needed=False, choices=_codes()),
            Ask("customer", "From; empty: to whom it was shipped", "choose", needed=False, choices=customers),
            Ask("reference", "The customer’s reference", needed=False),
            Ask("condition", "In which condition it came", needed=False),
        ),
        "Receive it",
        caution=CAUTION,
        note="It is held from now on: nothing moves it until a disposition of it is approved.",
    )


def _codes() -> list[tuple[str, str]]:
    return [(code.key, code.name) for code in FaultCode.objects.filter(retired=False).order_by("name")]


def list_deeds(it: Return, inside: list[Unit]) -> list[Deed]:
    """What is done about an open return."""
    stations = [(one.key, f"{one.key} {one.name}") for one in Station.objects.filter(retired=None).order_by("key")]
    units = [(unit.key, f"{unit.key} {unit.part.name}") for unit in inside]
    holder = Ask("unit", "In", "choose", choices=units)
    place = Ask("designator", "Place, such as M1")
    found = Deed(
        record_fault,
        "Something was found wrong",
        (
            holder,
            Ask("fault_code", "Fault", "choose", choices=_codes()),
            replace(place, needed=False),
            Ask("station", "Where it was found; empty: at its last station", "choose", needed=False, choices=stations),
            Ask("remark", "Remark", needed=False),
        ),
        "Record the finding",
        caution=OPENED,
    )
    seen = Deed(
        find_child,
        "A unit was seen in it",
        (holder, place, Ask("child", "Label of the unit that is there", "scan")),
        "Record what is there",
        caution=OPENED,
        note="Also what is where the record has it: then it was looked at.",
    )
    empty = Deed(find_empty, "A place was found empty", (holder, place), "Record that it is empty")
    close = Deed(
        close_return,
        "Close the return",
        (Ask("outcome", "What came of it", needed=False),),
        "Close it",
        note="Once what was decided is done. Where the unit goes on, its hold is released: it may be shipped again.",
    )
    void = Deed(void_return, "It was received by mistake", (Ask("reason", "Why"),), "Void the return")
    return [found, seen, empty, close, void]


def one(request: HttpRequest, key: str) -> HttpResponseBase:
    """One return: what came, what is found, what is decided, what is done."""
    it = get_return(clean_key(key))
    inside = contents_of([it.unit])[it.unit.pk]
    deeds = list_deeds(it, inside) if it.closed is None else []

    def do() -> str:
        given = {"returned": it} if request.POST.get("do") in ("close_return", "void_return") else {}
        carry_out(request, deeds, **given)
        if request.POST["do"] == "void_return":
            return reverse("unit", args=[it.unit.key])
        return f"{reverse('return', args=[it.key])}?done={request.POST['do']}"

    def show() -> tuple[dict[str, Any], list[Table]]:
        looked = compare_found(it)
        everything = {*inside, *(one.holder for one in looked), *(one.recorded for one in looked if one.recorded)}
        differing = [one for one in looked if one.differs]
        context: dict[str, Any] = {
            "it": it,
            "state": find_states([it])[it.pk],
            "age": say_age(it, now()),
            "deeds": list_permitted(request, deeds),
            "done": title_of(request, [*deeds, _receive_deed()]),
            "differing": differing,
            "unseen": sum(one.found is None for one in looked),
            "places": len(looked),
            "links": _leads_on(request, it),
            "caution": CAUTION if it.closed is None else "",
            "facts": [
                ("Unit", Ref("unit", it.unit.key, it.unit.part.name)),
                ("From", Ref("customer", it.customer.key, it.customer.name)),
                ("Their reference", it.reference or "none"),
                ("It had left on", Ref("shipment", it.shipment.key)),
                ("Complaint", it.complaint),
                ("Fault", it.code.name if it.code else "no fault code"),
                ("Condition", it.condition or "nothing said"),
                ("Received", Moment(it.received)),
                ("Recorded", Moment(it.recorded)),
                ("Received by", Ref("person", it.by.key, it.by.name)),
                *_closing_facts(it),
            ],
        }
        tables = [
            looked_table(looked),
            findings_table(sorted(everything, key=lambda unit: unit.key), it.received),
            record_table("return", it.key, Asof()),
        ]
        return context, tables

    return do_or_show(request, "return.html", do, show, name=f"return-{it.key}")


def _closing_facts(it: Return) -> list[tuple[str, Any]]:
    if it.disposition is None or it.closed_by is None:
        return []
    return [
        ("Closed", Moment(it.closed)),
        ("Closed by", Ref("person", it.closed_by.key, it.closed_by.name)),
        ("Disposition", Ref("disposition", it.disposition.key, it.disposition.get_decision_display())),
        ("What came of it", it.outcome or "nothing said"),
    ]


def _leads_on(request: HttpRequest, it: Return) -> list[Link]:
    roles = roles_of(request.user)
    links = [Link("The life of the unit", reverse("unit", args=[it.unit.key]))]
    if it.closed is None:
        if may(roles, PAGES["decide"]):
            links.append(Link("Decide what becomes of it", reverse("decide", args=["unit", it.unit.key])))
        links += repair_links(it.unit, roles)
        if may(roles, PAGES["scrap-unit"]):
            links.append(Link("Scrap it", reverse("scrap-unit", args=[it.unit.key])))
    return [*links, Link("All returns", reverse("returns"))]
