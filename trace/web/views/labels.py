"""Printing labels, and the links on them."""

from __future__ import annotations

from typing import Any
from urllib.parse import urlencode

from django.conf import settings
from django.http import HttpRequest, HttpResponse, HttpResponseRedirect
from django.shortcuts import render
from django.urls import reverse

from trace.core.errors import NotFound, Refusal
from trace.core.keys import clean_key, label_text, read_label
from trace.exchange.statuses import status_of
from trace.labels.containers import make_container_labels
from trace.labels.paper import SHEETS, SIZES, PrintRefused, print_sheets, print_singles
from trace.labels.tapes import make_tape_label
from trace.material.models import Container, Lot, Tape
from trace.material.queries import get_container


def short_link(request: HttpRequest, letter: str, label: str) -> HttpResponse:
    """What a phone opens that reads a label: the same as if it were scanned here."""
    text = f"{settings.LABEL_URL}{letter}/{label}" if settings.LABEL_URL else label
    return HttpResponseRedirect(f"{reverse('scan')}?{urlencode({'q': text})}")


def container_label(request: HttpRequest, key: str) -> HttpResponse:
    """The label of one container, as large as was chosen."""
    it = get_container(clean_key(key))
    pdf = print_singles(make_container_labels([it]), request.GET.get("size", next(iter(SIZES))))
    return _pdf(pdf, f"label-{it.key}")


def tape_label(request: HttpRequest, key: str) -> HttpResponse:
    """The label of one sequenced tape, as large as was chosen."""
    it = Tape.objects.select_related("assembly").filter(key=clean_key(key)).first()
    if it is None:
        raise NotFound(f"No tape has the key {key[:60]}.")
    pdf = print_singles([make_tape_label(it)], request.GET.get("size", next(iter(SIZES))))
    return _pdf(pdf, f"label-{it.key}")


def labels(request: HttpRequest) -> HttpResponse:
    """Labels of several containers: scanned one a line, or all of a lot; on a sheet, or single."""
    sent = request.POST
    refusal = None
    if request.method == "POST":
        try:
            return _pdf(_print(sent), "labels")
        except Refusal as refused:
            refusal = refused
    context = {
        "refusal": refusal,
        "codes": sent.get("codes", "") or _codes_of_lot(request.GET.get("lot", "")),
        "papers": [
            *((name, f"A4 sheet, {sheet}") for name, sheet in SHEETS.items()),
            *((name, f"single, {width} × {height} mm") for name, (width, height) in SIZES.items()),
        ],
        "sent": sent,
    }
    return render(request, "labels.html", context, status=status_of(refusal) if refusal else 200)


def _print(sent: Any) -> bytes:
    made = make_container_labels(_read_containers(sent.get("codes", "")))
    paper = sent.get("paper", "")
    if paper in SIZES:
        return print_singles(made, paper)
    start = sent.get("start", "").strip() or "1"
    if not (start.isascii() and start.isdecimal() and len(start) < 4):
        raise PrintRefused(
            f"“{start[:20]}” is no place of a sheet.", action="Count from 1 at the top left, row by row."
        )
    return print_sheets(made, paper, int(start))


def _read_containers(text: str) -> list[Container]:
    """The containers of scanned or typed labels, one a line, each as often as it stands there."""
    keys = [read_label(line) for line in text.splitlines() if line.strip()]
    known = {c.key: c for c in Container.objects.filter(key__in=keys).select_related("part", "lot__supplier")}
    if unknown := [key for key in keys if key not in known]:
        raise PrintRefused(
            f"No container is labelled {', '.join(dict.fromkeys(unknown[:10]))}.",
            action="Scan the label of a reel, box or bag, one a line.",
        )
    return [known[key] for key in keys]


def _codes_of_lot(key: str) -> str:
    lot = Lot.objects.filter(key=key.upper()).first() if key.isascii() and key.isprintable() else None
    return "\n".join(label_text(one) for one in lot.containers.values_list("key", flat=True)) if lot else ""


def _pdf(content: bytes, name: str) -> HttpResponse:
    return HttpResponse(
        content,
        content_type="application/pdf",
        headers={"Content-Disposition": f'inline; filename="{name}.pdf"'},
    )
