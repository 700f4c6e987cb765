"""Mounting a tape on an insertion machine: one scan line, one answer."""

from __future__ import annotations

import re
from typing import Any
from urllib.parse import urlencode

from django.http import HttpRequest
from django.http.response import HttpResponseBase
from django.shortcuts import redirect
from django.urls import reverse

from trace.core.clock import OPEN
from trace.core.keys import read_label
from trace.core.permissions import OPERATIONS, may, roles_of
from trace.core.secrecy import clean_scan
from trace.engineering.models import Part, Station
from trace.floor.naming import find_built
from trace.floor.operations.corrections import correct_board_sets
from trace.floor.operations.mounting import MountRefused, mount_tape, take_off_tape
from trace.floor.tapes import find_mount, find_next_board_set, find_slip
from trace.material.models import Mount, Tape
from trace.web.forms import asking, do_or_show
from trace.web.kiosk import find_badge
from trace.web.tables import Table
from trace.web.tapes import mounts_table
from trace.web.views.tapes import find_tape


def mount(request: HttpRequest, key: str) -> HttpResponseBase:
    """The tape goes on a machine, or comes off: machine, what is built there, and the next board set are scanned."""
    it = find_tape(key)
    text = clean_scan(" ".join(request.POST.getlist("told")))
    if request.method == "POST" and find_badge(text):
        return redirect(f"{reverse('scan')}?{urlencode({'q': text})}")
    mounted = find_mount(it)
    asked = {name: request.GET.get(name, "")[:40].replace("\x00", "") for name in ("station", "for")}
    station = Station.objects.filter(key=asked["station"]).first()
    assembly = Part.objects.filter(key=asked["for"]).first()

    def do() -> str:
        if "slip" in request.POST:
            _correct(it, request)
            return reverse("mount-tape", args=[it.key])
        if number := re.fullmatch(r"(\d{1,9})(?: (.*))?", text):
            return _at_board_set(it, mounted, station, assembly, int(number[1]), number[2] or "", asking(request))
        found: dict[str, str] = {"station": station.key if station else "", "for": assembly.key if assembly else ""}
        found |= _read_mounting(text)
        return f"{reverse('mount-tape', args=[it.key])}?{urlencode({k: v for k, v in found.items() if v})}"

    def show() -> tuple[dict[str, Any], list[Table]]:
        following = find_next_board_set(it)
        context = {
            "it": it,
            "mounted": mounted,
            "station": station,
            "assembly": assembly,
            "following": following,
            "slip": find_slip(it),
            "left": 0 if it.aborted or it.built_until == OPEN else max(it.board_sets - following, 0),
            "may_correct": may(roles_of(request.user), OPERATIONS["correct_board_sets"]),
            "text": text,
        }
        return context, [mounts_table(Mount.objects.filter(tape=it))]

    return do_or_show(request, "mount_tape.html", do, show)


def _at_board_set(
    tape: Tape,
    mounted: Mount | None,
    station: Station | None,
    assembly: Part | None,
    board_set: int,
    reason: str,
    done: dict[str, Any],
) -> str:
    if mounted:
        take_off_tape(tape=tape, board_set=board_set, **done)
        return reverse("mount-tape", args=[tape.key])
    if station is None or assembly is None:
        raise MountRefused(
            "Machine and board are not scanned yet.",
            action="Scan the machine, then a traveller of what is built there.",
        )
    mount_tape(tape=tape, station=station, assembly=assembly, board_set=board_set, reason=reason, **done)
    return reverse("tape", args=[tape.key])


def _read_mounting(text: str) -> dict[str, str]:
    """The machine that a label names, or what is built there, by an order, a unit or a part."""
    key = read_label(text)
    if Station.objects.filter(key=key).exists():
        return {"station": key}
    if part := find_built(text):
        return {"for": part}
    raise MountRefused(
        f"{key} is neither a machine nor anything that is built.",
        action="Scan the machine, a traveller or an order, then type the next board set.",
    )


def _correct(tape: Tape, request: HttpRequest) -> None:
    def number(name: str) -> int:
        text = request.POST.get(name, "").strip()
        if not re.fullmatch(r"-?\d{1,9}", text, re.ASCII):
            raise MountRefused("A number is missing.", action="Enter the board sets as they were counted.")
        return int(text)

    correct_board_sets(
        tape=tape,
        good=number("good"),
        found=number("found"),
        slip=number("slip"),
        reason=request.POST.get("reason", ""),
        **asking(request),
    )
