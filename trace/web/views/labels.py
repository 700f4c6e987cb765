"""Printing labels, and the links on them."""

from __future__ import annotations

from typing import Any
from urllib.parse import urlencode

from django.conf import settings
from django.http import HttpRequest, HttpResponse, HttpResponseRedirect
from django.shortcuts import render
from django.urls import reverse

from trace.core.errors import NotFound, Refusal
from trace.core.keys import clean_key, label_text, read_code, read_label
from trace.exchange.statuses import status_of
from trace.floor.carrying import get_carrier
from trace.floor.models import Unit
from trace.floor.naming import list_labelled
from trace.labels.carriers import make_carrier_label
from trace.labels.containers import make_container_labels
from trace.labels.label import Label
from trace.labels.paper import EVERY_SHEET, EVERY_SIZE, MOST, SIZES, PrintRefused, print_sheets, print_singles
from trace.labels.tapes import make_tape_label
from trace.labels.units import make_unit_labels
from trace.material.models import Container, Tape
from trace.material.queries import get_container


def short_link(request: HttpRequest, letter: str, label: str) -> HttpResponse:
    """What a phone opens that reads a label: the same as if it were scanned here."""
    text = f"{settings.LABEL_URL}{letter}/{label}" if settings.LABEL_URL else label
    return HttpResponseRedirect(f"{reverse('scan')}?{urlencode({'q': text})}")


def container_label(request: HttpRequest, key: str) -> HttpResponse:
    """The label of one container, as large as was chosen."""
    it = get_container(clean_key(key))
    made = print_singles(make_container_labels([it]), request.GET.get("size", next(iter(SIZES))))
    return pdf(made, f"label-{it.key}")


def tape_label(request: HttpRequest, key: str) -> HttpResponse:
    """The label of one sequenced tape, as large as was chosen."""
    it = Tape.objects.select_related("assembly").filter(key=clean_key(key)).first()
    if it is None:
        raise NotFound(f"No tape has the key {key[:60]}.")
    made = print_singles([make_tape_label(it)], request.GET.get("size", next(iter(SIZES))))
    return pdf(made, f"label-{it.key}")


def rack_label(request: HttpRequest, key: str) -> HttpResponse:
    """The label of a rack or panel, as large as was chosen."""
    it = get_carrier(clean_key(key))
    made = print_singles([make_carrier_label(it)], request.GET.get("size", next(iter(SIZES))))
    return pdf(made, f"label-{it.key}")


def labels(request: HttpRequest) -> HttpResponse:
    """Labels of several containers and units: scanned one a line, all of a lot or an order; on a sheet, or single."""
    sent = request.POST
    refusal = None
    if request.method == "POST":
        try:
            return pdf(_print(sent), "labels")
        except Refusal as refused:
            refusal = refused
    context = {
        "refusal": refusal,
        "codes": sent.get("codes", "") or _list_codes(request.GET),
        "papers": [
            *((name, f"A4 sheet, {sheet}") for name, sheet in EVERY_SHEET.items()),
            *((name, f"single, {width:g} × {height:g} mm") for name, (width, height) in EVERY_SIZE.items()),
        ],
        "sent": sent,
    }
    return render(request, "labels.html", context, status=status_of(refusal) if refusal else 200)


def _print(sent: Any) -> bytes:
    made = _make_labels(sent.get("codes", ""))
    paper = sent.get("paper", "")
    if paper in EVERY_SIZE:
        return print_singles(made, paper)
    start = sent.get("start", "").strip() or "1"
    if not (start.isascii() and start.isdecimal() and len(start) < 4):
        raise PrintRefused(
            f"“{start[:20]}” is no place of a sheet.", action="Count from 1 at the top left, row by row."
        )
    return print_sheets(made, paper, int(start))


def _make_labels(text: str) -> list[Label]:
    """The labels of what was scanned or typed, one a line, each as often as it stands there. A bare key that a
    container and a unit have is the container's; what the code of a label says tells them apart."""
    lines = [line for line in text.splitlines() if line.strip()]
    named = [((read_code(line) or ("",))[0], read_label(line)) for line in lines]
    keys = {key for _, key in named}
    containers = list(Container.objects.filter(key__in=keys).select_related("part", "lot__supplier"))
    units = list_labelled(keys)
    labels = {
        ("container", one.key): label for one, label in zip(containers, make_container_labels(containers), strict=True)
    }
    labels |= {("unit", key): label for key, label in zip(units, make_unit_labels(units.values()), strict=True)}
    made = [
        labels.get((kind or "container", key)) or (labels.get(("unit", key)) if not kind else None)
        for kind, key in named
    ]
    if unknown := [key for (_, key), label in zip(named, made, strict=True) if label is None]:
        raise PrintRefused(
            f"No container or unit is labelled {', '.join(dict.fromkeys(unknown[:10]))}.",
            action="Scan the label of a reel, box, bag or board, one a line.",
        )
    return [label for label in made if label]


def _list_codes(asked: Any) -> str:
    """The labels of a lot's containers or of an order's units, one a line."""
    kind = "lot" if "lot" in asked else "order"
    key = asked.get(kind, "").upper()
    if not key.isascii() or not key.isprintable():
        return ""
    things = Container.objects.filter(lot__key=key) if kind == "lot" else Unit.objects.filter(order__key=key)
    return "\n".join(label_text(one) for one in things.order_by("pk").values_list("key", flat=True)[:MOST])


def pdf(content: bytes, name: str) -> HttpResponse:
    """A PDF that the browser shows."""
    return HttpResponse(
        content,
        content_type="application/pdf",
        headers={"Content-Disposition": f'inline; filename="{name}.pdf"'},
    )
