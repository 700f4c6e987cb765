"""Orders: what is open, the release of a new one, how far each has come, travellers; the labels of a unit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.urls import reverse
from django.utils import timezone

from trace.core.errors import NotFound
from trace.core.keys import clean_key, label_text, read_label
from trace.engineering.models import Part, SerialRule
from trace.engineering.rules import make_serial
from trace.exchange.arguments import read_arguments
from trace.floor.models import Alias, Unit, WorkOrder
from trace.floor.naming import list_label_codes
from trace.floor.operations.aliases import record_serial, replace_label, void_alias
from trace.floor.operations.orders import OrderRefused, close_order, release_order, reopen_order, reschedule_order
from trace.floor.progress import Share, Stage, count_through, list_at_stage, summarise_order
from trace.floor.queries import get_unit
from trace.labels.orders import make_order_traveller, make_unit_travellers
from trace.labels.paper import EVERY_SIZE, MOST, PrintRefused, print_singles
from trace.labels.travellers import PAPERS, print_travellers
from trace.labels.units import make_unit_labels
from trace.web.answer import holds_table, list_open_holds
from trace.web.approvals import approval_links, approval_tables
from trace.web.cells import Moment, Ref
from trace.web.deeds import Ask, Deed, carry_out, list_permitted, title_of
from trace.web.forms import asking, do_or_show, fill_in
from trace.web.middleware import find_site
from trace.web.moments import Asof, read_asof
from trace.web.orders import describe_states, order_units_table, orders_table, stages_table, state_of
from trace.web.tables import Column, Table, respond
from trace.web.timeline import record_table
from trace.web.views.labels import pdf

NEWEST = 200
"""So many orders are looked at for those that are open, the newest."""

DEEDS = (
    Deed(
        replace_label,
        "Its label is replaced",
        (Ask("reason", "Why"), Ask("label", "Code of the new label, if it is printed already", "scan", needed=False)),
        "Replace it",
        note="The serial stays. Print the new label, put it on, and destroy the old one: scanned, it says what it is.",
    ),
    Deed(
        record_serial,
        "Somebody else’s serial",
        (
            Ask("kind", "Whose", "choose", choices=[(k.value, k.label) for k in Alias.Kind if k != Alias.Kind.LABEL]),
            Ask("serial", "Serial, as it stands there"),
        ),
    ),
    Deed(
        void_alias,
        "A label or serial was recorded wrongly",
        (Ask("alias", "Which", "choose"), Ask("reason", "What was wrong")),
        "Void it",
    ),
)
"""What is done with the names of a unit."""

WHY = Ask("reason", "Why")
OPEN_DEEDS = (
    Deed(
        reschedule_order,
        "It is due on another day",
        (Ask("due", "Due, if on any day", "day", needed=False),),
        "Change the day",
    ),
    Deed(
        close_order,
        "It is closed",
        (WHY,),
        "Close it",
        note="None of its units is begun any more. Those on their way may be finished; to stop those too, hold them.",
    ),
)
CLOSED_DEEDS = (Deed(reopen_order, "It is open again", (WHY,), "Open it again"),)
"""What is done with an order."""


def orders(request: HttpRequest) -> HttpResponseBase:
    """Every order; of the newest, those that are open."""
    today = timezone.localdate()
    every = count_through(WorkOrder.objects.select_related("part"))
    newest = list(every.order_by("-released", "-pk")[:NEWEST])
    unfinished = [order for order in newest if state_of(order, today) in ("open", "late")]
    context = {
        "open": len(unfinished),
        "late": sum(state_of(order, today) == "late" for order in unfinished),
        "looked": len(newest),
        "all": len(newest) < NEWEST,
    }
    nothing = "No order was released yet."
    tables = [
        orders_table("open", "Open orders", unfinished, today, "No order is open."),
        orders_table("orders", "Every order", every.order_by("-released", "-pk"), today, nothing),
    ]
    return respond(request, "orders.html", context, tables, name="orders")


def new_order(request: HttpRequest) -> HttpResponse:
    """An order is released, by quantity or with serials given."""

    def do() -> str:
        told = read_arguments(release_order, request.POST, leave_out=("by", "at", "site", "serials"))
        site = find_site()
        if site is None:
            raise OrderRefused("There is no plant yet.", action="Define the plant first.")
        serials = [read_label(text) for text in request.POST.get("serials", "").split()]
        order = release_order(site=site, serials=serials, **told, **asking(request))
        return f"{reverse('order', args=[order.key])}?released"

    parts = Part.objects.filter(serialised=True, retired=None).exclude(level__gt=0, released=None)
    next_of = {
        rule.number: make_serial(rule.prefix, rule.digits, rule.next_number, timezone.localdate())
        for rule in SerialRule.objects.all()
    }
    offered = [(part, next_of.get(part.number, "")) for part in parts.order_by("key")]
    return fill_in(request, "new_order.html", {"parts": offered, "asked": request.GET.get("part", "")}, do)


def order(request: HttpRequest, key: str) -> HttpResponseBase:
    """How far an order has come, and what is done with it. `?stage=30&is=failed` shows the units that a number of the
    table counts."""
    it = get_order(key)
    deeds = OPEN_DEEDS if it.closed is None else CLOSED_DEEDS

    def do() -> str:
        carry_out(request, deeds, order=it)
        return f"{reverse('order', args=[it.key])}?done={request.POST['do']}"

    def show() -> tuple[dict[str, Any], list[Table]]:
        progress = summarise_order(it)
        asked = _read_share(request, progress.stages)
        units = list_at_stage(it, asked[0].number, asked[1]) if asked else it.units.all()
        tables = [
            stages_table(progress),
            order_units_table(units),
            *approval_tables("workorder", it.key),
            record_table("workorder", it.key, Asof()),
        ]
        holds = list_open_holds([("workorder", it.key)], Asof())
        if holds.exists():
            tables.insert(0, holds_table(holds))
        context = {
            "it": it,
            "progress": progress,
            "states": describe_states(progress),
            "shown_of": asked,
            "late": bool(it.due and it.due < timezone.localdate() and progress.open and it.closed is None),
            "released": "released" in request.GET,
            "papers": PAPERS,
            "runs": range(1, it.quantity + 1, MOST) if it.quantity > MOST else (),
            "most": MOST,
            "asked": read_asof(request).moment,
            "facts": [
                ("For", Ref("part", it.part.key, it.part.name)),
                ("Released", Moment.of(it.released)),
                ("Due", it.due or "no day set"),
            ],
            "links": approval_links(request, "workorder", it.key),
            "deeds": list_permitted(request, deeds),
            "done": title_of(request, (*OPEN_DEEDS, *CLOSED_DEEDS)),
        }
        return context, tables

    return do_or_show(request, "order.html", do, show, f"order-{it.key}")


def _read_share(request: HttpRequest, stages: Sequence[Stage]) -> tuple[Stage, Share] | None:
    """Of which number in the table of stages the units are asked for."""
    asked, share = request.GET.get("stage", ""), request.GET.get("is", "")
    stage = next((stage for stage in stages if str(stage.number) == asked), None)
    return (stage, Share(share)) if stage and share in {each.value for each in Share} else None


def travellers(request: HttpRequest, key: str) -> HttpResponse:
    """The travellers of an order as PDF, on `?paper=`: of its units, from the one counted by `?from=` on, of `?unit=`
    alone, or one `?for=order`."""
    it = get_order(key)
    asked = request.GET
    if asked.get("for") == "order":
        made = [make_order_traveller(it)]
    else:
        units = it.units.select_related("part", "order").order_by("pk")
        if asked.get("unit"):
            units = units.filter(key=clean_key(asked["unit"]))
        start = asked.get("from", "1")
        if not (start.isascii() and start.isdecimal() and 0 < int(start[:8]) <= it.quantity):
            raise PrintRefused(f"The order has units 1 to {it.quantity}, and no “{start[:8]}”.")
        made = make_unit_travellers(units[int(start[:8]) - 1 :][:MOST])
    return pdf(print_travellers(made, asked.get("paper", next(iter(PAPERS)))), f"travellers-{it.key}")


def get_order(key: str) -> WorkOrder:
    """The order of a key, with its part and site, or NotFound."""
    found = WorkOrder.objects.select_related("part", "site").filter(key=clean_key(key)).first()
    if found is None:
        raise NotFound(f"No order has the key {key[:60]}.", action=f"All orders are under {reverse('orders')}.")
    return found


def unit_label(request: HttpRequest, key: str) -> HttpResponseBase:
    """The label of one unit: `?size=` as large as was chosen; without, which it has, what else it is called, and the
    forms that change it."""
    it = get_unit(clean_key(key))
    if size := request.GET.get("size"):
        return pdf(print_singles(make_unit_labels([it]), size), f"label-{it.key}")

    def do() -> str:
        given = {} if request.POST.get("do") == "void_alias" else {"unit": it}
        carry_out(request, _list_deeds(it), **given)
        return f"{reverse('unit-label', args=[it.key])}?done={request.POST['do']}"

    def show() -> tuple[dict[str, Any], list[Table]]:
        labels = [one for one in it.aliases.filter(superseded=None) if one.kind == Alias.Kind.LABEL]
        context = {
            "it": it,
            "code": label_text(list_label_codes([it])[it.pk]),
            "last": labels[-1] if labels else None,
            "sizes": EVERY_SIZE.items(),
            "deeds": list_permitted(request, _list_deeds(it)),
            "done": title_of(request, DEEDS),
        }
        return context, [_aliases_table(it)]

    return do_or_show(request, "unit_label.html", do, show, f"label-{it.key}")


def _list_deeds(it: Unit) -> list[Deed]:
    """What is done with its names; voided is one of those that it has."""
    standing = [(str(one.pk), f"{one.get_kind_display()} {one.text}") for one in it.aliases.filter(superseded=None)]
    *others, void = DEEDS
    return [
        *others,
        *([replace(void, asks=[replace(void.asks[0], choices=standing), void.asks[1]])] if standing else []),
    ]


def _aliases_table(it: Unit) -> Table:
    return Table(
        "aliases",
        "What else it is called",
        [
            Column("text", "Name", lambda a: a.text, "text"),
            Column("kind", "What that is", lambda a: a.get_kind_display(), "kind"),
            Column("at", "Since", lambda a: Moment(a.at), "at"),
            Column("reason", "Why", lambda a: a.reason, "reason"),
            Column("by", "By", lambda a: Ref("person", a.by.key, a.by.name), "by__key"),
            Column("void", "Voided", lambda a: Moment(a.superseded), "superseded"),
        ],
        it.aliases.select_related("by"),
        "It has its first label, and no serial of a customer or a supplier is on record.",
        search=("text", "reason"),
    )
