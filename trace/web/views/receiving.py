"""Receiving at goods-in: a label scanned and looked up, or typed into a form; received; the next."""

from __future__ import annotations

from dataclasses import replace
from typing import Any
from urllib.parse import urlencode

from django.http import HttpRequest, HttpResponseRedirect, QueryDict
from django.http.response import HttpResponseBase
from django.shortcuts import redirect
from django.urls import reverse

from trace.core.clock import now
from trace.core.errors import Refusal
from trace.core.permissions import OPERATIONS, may, roles_of
from trace.engineering.models import Part
from trace.engineering.queries import get_part
from trace.exchange.arguments import read_arguments
from trace.exchange.packages import make_package
from trace.exchange.statuses import status_of
from trace.exchange.supplier_label import looks_like_label, read_label_text
from trace.material.models import Container, Receipt, Supplier
from trace.material.operations.receipts import (
    NotApproved,
    Package,
    PackageLot,
    ReceivedBefore,
    receive_into_quarantine,
    receive_package,
)
from trace.material.operations.stock import StockRefused
from trace.web.forms import asking
from trace.web.receiving import Incoming, look_up, receipts_table
from trace.web.tables import respond

KEPT = ("supplier", "kind", "store", "delivery")
"""What stays from one package to the next."""

PARTED = {"yes": True, "no": False}


def receive(request: HttpRequest) -> HttpResponseBase:
    """Read a label and say what it is, receive it, be ready for the next. What is no label is scanned as anywhere."""
    sent = request.POST if request.method == "POST" else request.GET
    text = sent.get("label" if request.method == "POST" else "q", "")
    if request.method == "GET" and text.strip() and not looks_like_label(text):
        return redirect(f"{reverse('scan')}?{urlencode({'q': text})}")
    incoming, refusal = None, None
    try:
        if text.strip():
            label = read_label_text(text, PARTED.get(sent.get("parted", "")))
            incoming = look_up(label, sent.get("supplier", ""), now())
        if request.method == "POST":
            return _lead_on(sent, _receive(request, sent, incoming))
    except Refusal as refused:
        refusal = refused
    stop = refusal or (incoming and incoming.stop)
    before, unapproved = isinstance(stop, ReceivedBefore), isinstance(stop, NotApproved)
    copy = stop.extra["copy"] if stop and before else None
    usual, quarantine = (
        may(roles_of(request.user), OPERATIONS[verb]) for verb in ("receive_package", "receive_into_quarantine")
    )
    by_form = incoming is None and ("form" in sent or request.method == "POST")
    # What was read waits for Enter; what was received before waits for nothing that a second Enter could do.
    offered = quarantine if unapproved else usual and (copy is not None or not before)
    context = {
        "incoming": incoming,
        "refusal": stop,
        "damaged": bool(text.strip()) and incoming is None,
        "by_form": by_form,
        "offered": offered,
        "waits": by_form or (incoming is not None and offered and not before),
        "earlier": Container.objects.filter(receipt__in=stop.extra["receipts"]) if stop and before else (),
        "copy": copy,
        "unapproved": unapproved,
        "quarantine": quarantine,
        "usual": usual,
        "sent": sent,
        "parted": sent.get("parted", ""),
        "kept": [(name, sent[name]) for name in KEPT if sent.get(name)],
        "kinds": Container.Kind.values,
        "suppliers": (incoming and incoming.suppliers) or Supplier.objects.filter(is_plant=False).order_by("name"),
        "done": Receipt.objects.prefetch_related("containers__lot").filter(pk=_number(sent.get("done", ""))).first(),
    }
    response = respond(request, "receive.html", context, [receipts_table()], name="receipts")
    if refusal:
        response.status_code = status_of(refusal)
    return response


def _number(text: str) -> int:
    """A number of the page's own; 0 where it is none."""
    return int(text) if text.isdecimal() and len(text) < 10 else 0


def _lead_on(sent: QueryDict, receipt: Receipt) -> HttpResponseRedirect:
    kept = {name: sent[name] for name in KEPT if sent.get(name)}
    form = {} if sent.get("label") else {"form": "yes"}
    return HttpResponseRedirect(f"{reverse('receive')}?{urlencode({'done': receipt.pk, **kept, **form})}")


def _receive(request: HttpRequest, sent: QueryDict, incoming: Incoming | None) -> Receipt:
    """Receive what was confirmed: what a label says with what was typed beside it, or what was typed into the form."""
    key = sent.get("supplier", "")
    supplier = Supplier.objects.filter(key=key, is_plant=False).first() if key.isprintable() else None
    if supplier is None:
        raise StockRefused("Say who sent it.", action="Choose the supplier.")
    typed = sent.get("part", "").strip()
    part = _find_part(typed) if typed else incoming and incoming.own
    told: dict[str, Any] = {
        "supplier": supplier,
        "package": _from_label(incoming, sent) if incoming else _from_form(sent),
        "kind": sent.get("kind", ""),
        "store": sent.get("store", ""),
        "copy": _number(sent.get("copy", "")) or 1,
        **asking(request),
    }
    if sent.get("do") != "quarantine":
        receipt: Receipt = receive_package(part=part, **told)
        return receipt
    part = part or (incoming and incoming.part)
    if part is None:
        raise StockRefused("Say which part it is.", action="Give our part number.")
    receipt = receive_into_quarantine(part=part, reason=sent.get("reason", ""), **told)
    return receipt


def _find_part(text: str) -> Part:
    found = Part.objects.filter(key=text.upper()).first() if text.isprintable() else None
    return found or get_part(text.replace("\0", ""))


def _from_label(incoming: Incoming, sent: QueryDict) -> Package:
    package = make_package(incoming.label, incoming.number)
    lots = [
        _lot(
            {
                "number": lot.number or sent.get(f"lot-{number}", ""),
                "quantity": sent.get(f"quantity-{number}", ""),
                "date_code": lot.date_code,
                "expiry": lot.expiry.isoformat() if lot.expiry else "",
            }
        )
        for number, lot in enumerate(package.lots, 1)
    ]
    return replace(package, lots=lots, delivery=sent.get("delivery", "") or package.delivery)


def _from_form(sent: QueryDict) -> Package:
    lot = {"number": sent.get("lot", ""), **{name: sent.get(name, "") for name in ("quantity", "date_code", "expiry")}}
    names = ("number", "package", "order", "order_line", "delivery", "origin")
    return Package(lots=[_lot(lot)], **{name: sent.get(name, "") for name in names})


def _lot(told: dict[str, str]) -> PackageLot:
    """A lot as typed. Refuses with Unreadable what is no quantity or day, with StockRefused no number."""
    if not told["number"].strip():
        raise StockRefused("A lot has a number.", action="Enter the supplier's number from the label.")
    return PackageLot(**read_arguments(PackageLot, told, ("lot", "container")))
