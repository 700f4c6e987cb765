"""Equipment: what is due, what was done with it, recording more of that, moving and retiring it."""

from __future__ import annotations

from typing import Any

from django.db.models import Q
from django.http import HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.urls import reverse
from django.utils import timezone

from trace.approvals.queries import list_attachments
from trace.core.clock import OPEN, from_ticks, now
from trace.core.errors import NotFound
from trace.core.keys import KEY, clean_key
from trace.core.moments import read_moment
from trace.core.permissions import OPERATIONS, may, roles_of
from trace.engineering.equipment import CheckPiece, Equipment, Program
from trace.engineering.models import Station
from trace.engineering.operations import (
    EquipmentRefused,
    load_program,
    move_equipment,
    record_calibration,
    record_check,
    retire_equipment,
)
from trace.web.approvals import approval_links, approval_tables
from trace.web.cells import Moment, Ref
from trace.web.equipment import (
    calibrations_table,
    checks_table,
    equipment_table,
    judge_due,
    list_due,
    list_stopped,
    loads_table,
)
from trace.web.forms import asking, fill_in, read_day
from trace.web.moments import Asof
from trace.web.tables import respond
from trace.web.timeline import record_table

NOWHERE = "-"
"""What the form sends for no station: no key is written so."""


def equipment_list(request: HttpRequest) -> HttpResponseBase:
    """All equipment, what is due first."""
    rows = list_due(now())
    context = {
        "calibrate": sum(bool(due.fitness.calibration) for due in rows),
        "owed": sum(due.owes for due in rows),
        "failed": sum(bool(due.wrong) for due in rows),
    }
    return respond(request, "equipment_list.html", context, [equipment_table(rows)], name="equipment")


def equipment(request: HttpRequest, key: str) -> HttpResponseBase:
    """One piece of equipment."""
    it = _find(key)
    (due,) = judge_due([it], now())
    facts = [
        ("Kind", it.kind),
        ("Stands at", Ref("station", it.station.key, it.station.name) if it.station else "no station on record"),
        ("Calibrated every", f"{it.calibrate_every} days" if it.calibrate_every else "needs none"),
        ("Last calibrated", Moment.of(it.calibrated) if it.calibrated else "never"),
        ("Its calibration holds up to", it.calibration_due or "no day"),
        ("Program on it", due.fitness.program or "none on record"),
    ]
    context = {"it": it, "due": due, "facts": facts, "links": approval_links(request, "equipment", it.key)}
    tables = [
        calibrations_table(it),
        checks_table(it),
        loads_table(it),
        *approval_tables("equipment", it.key),
        record_table("equipment", it.key, Asof()),
    ]
    return respond(request, "equipment.html", context, tables, name=f"equipment-{it.key}")


def use(request: HttpRequest, key: str) -> HttpResponse:
    """Record a calibration, a check piece that was run, or a program that was loaded, as far as who asks may."""
    it = _find(key)
    sent, roles = request.POST, roles_of(request.user)

    def do() -> str:
        what = sent.get("what", "")
        if what not in RECORDS:
            raise EquipmentRefused("Say what was done: calibrated, checked, or loaded with a program.")
        RECORDS[what](it, sent, _done(request))
        return reverse("equipment", args=[it.key])

    context = {
        "it": it,
        "pieces": CheckPiece.objects.filter(Q(equipment=it) | Q(kind=it.kind), retired=None),
        "programs": Program.objects.filter(kind=it.kind),
        "files": list_attachments("equipment", it.key),
        "loads": may(roles, OPERATIONS["load_program"]),
        "calibrates": may(roles, OPERATIONS["record_calibration"]),
        "what": sent.get("what") if sent.get("what") in RECORDS else "",
    }
    return fill_in(request, "use_equipment.html", context, do)


def move(request: HttpRequest, key: str) -> HttpResponse:
    """It stands elsewhere from now on."""
    it = _find(key)

    def do() -> str:
        chosen = request.POST.get("station", "")
        station = None if chosen == NOWHERE else _chosen(Station.objects, chosen, "station")
        move_equipment(equipment=it, station=station, **asking(request))
        return reverse("equipment", args=[it.key])

    stations = Station.objects.filter(retired=None).exclude(equipment=it)
    context = {"it": it, "stations": stations, "nowhere": NOWHERE, "stopped": list_stopped(it)}
    return fill_in(request, "move_equipment.html", context, do)


def retire(request: HttpRequest, key: str) -> HttpResponse:
    """It is used no more."""
    it = _find(key)

    def do() -> str:
        retire_equipment(equipment=it, **_done(request))
        return reverse("equipment", args=[it.key])

    return fill_in(request, "retire_equipment.html", {"it": it, "stopped": list_stopped(it)}, do)


def _done(request: HttpRequest) -> dict[str, Any]:
    """Who does it, and when: as the form says, or now."""
    ticks = read_moment(request.POST.get("at", ""), timezone.get_current_timezone())
    return asking(request) | ({} if ticks == OPEN else {"at": from_ticks(ticks)})


def _calibrate(it: Equipment, sent: Any, done: dict[str, Any]) -> None:
    if sent.get("result") not in ("passed", "failed"):
        raise EquipmentRefused("Say whether it passed or failed.")
    due = read_day(sent["due"]) if sent.get("due", "").strip() else None
    passed, certificate = sent["result"] == "passed", sent.get("certificate", "")
    if file := sent.get("file", ""):
        if certificate.strip():
            raise EquipmentRefused("It has one certificate: a file or a paper one.", action="Leave one of them empty.")
        certificate = _chosen(list_attachments("equipment", it.key), file, "file").key
    record_calibration(equipment=it, passed=passed, due=due, certificate=certificate, **done)


def _check(it: Equipment, sent: Any, done: dict[str, Any]) -> None:
    if sent.get("said") not in ("good", "bad"):
        raise EquipmentRefused("Say what it called the piece: good or bad.")
    piece = _chosen(CheckPiece.objects, sent.get("piece", ""), "check piece")
    record_check(equipment=it, piece=piece, said_good=sent["said"] == "good", **done)


def _load(it: Equipment, sent: Any, done: dict[str, Any]) -> None:
    load_program(equipment=it, program=_chosen(Program.objects, sent.get("program", ""), "program"), **done)


RECORDS = {"calibration": _calibrate, "check": _check, "program": _load}


def _chosen(records: Any, key: str, words: str) -> Any:
    found = records.filter(key=key).first() if KEY.fullmatch(key) else None
    if found is None:
        raise EquipmentRefused(f"Choose the {words}.", action="Choose one from the list.")
    return found


def _find(key: str) -> Equipment:
    it = Equipment.objects.select_related("station").filter(key=clean_key(key)).first()
    if it is None:
        raise NotFound(f"No equipment has the key {key[:60]}.")
    return it
