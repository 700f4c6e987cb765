"""Troubleshooting: the page of a unit at a repair station, scrapping with salvage, the running log."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from django.http import HttpRequest
from django.http.response import HttpResponseBase
from django.urls import reverse

from trace.core.clock import now, to_ticks
from trace.core.errors import Refusal
from trace.core.keys import clean_key
from trace.core.permissions import OPERATIONS, PAGES, in_words, may, roles_of
from trace.engineering.models import CauseCode, FaultCode, Part, Station, Step
from trace.engineering.queries import get_station
from trace.floor.faults import list_open_faults
from trace.floor.models import Fault, Fitting, Repair, Unit
from trace.floor.operations.faults import (
    FaultRefused,
    check_at_hand,
    diagnose_fault,
    find_visit,
    record_fault,
    record_repair,
)
from trace.floor.operations.orders import OrderRefused, scrap_unit
from trace.floor.queries import find_due_step, get_unit
from trace.quality.faults import BY, CHOICES, NONE, ask_log
from trace.web.answer import list_open_holds
from trace.web.approvals import DISPOSED
from trace.web.cells import Link, Ref
from trace.web.deeds import Ask, Deed, carry_out, list_permitted, title_of
from trace.web.faults import address, draw_pareto, log_table, lots_table, pareto_table, repairs_table, unit_faults_table
from trace.web.forms import asking, do_or_show, fill_in
from trace.web.moments import Asof
from trace.web.readings import readings_table
from trace.web.tables import respond

# At a repair station --------------------------------------------------------------------------------------------------


def list_deeds(unit: Unit) -> list[Deed]:
    """What may be done about a unit at a repair station."""
    faults = Fault.objects.filter(unit=unit, superseded=None).select_related("code").order_by("-found")
    every = [(str(fault.pk), fault.words) for fault in faults]
    unanswered = [(str(fault.pk), fault.words) for fault in list_open_faults([unit]).get(unit.pk, [])]
    steps = [(str(step.pk), str(step)) for step in Step.objects.filter(part=unit.part_id).order_by("number")]
    words = Ask("remark", "Remark", needed=False)
    place = Ask("designator", "Designator, such as R12", needed=False)
    find = Deed(
        record_fault,
        "A fault was found",
        (Ask("fault_code", "Fault", "choose", choices=_codes(FaultCode)), place, words),
        "Record the fault",
        note="Until it is answered by a repair, or no fault is found, the unit goes on at no step.",
    )
    diagnose = Deed(
        diagnose_fault,
        "What caused it",
        (
            Ask("fault", "Fault", "choose", choices=every),
            Ask("cause", "Cause", "choose", choices=_codes(CauseCode)),
            Ask("step", "Step that caused it", "choose", needed=False, choices=steps),
            words,
        ),
        "Record the cause",
    )
    mend = Deed(
        record_repair,
        "What was done about it",
        (
            Ask("faults", "It answers", "several", choices=unanswered or every),
            Ask("action", "What was done", "choose", choices=Repair.Action.choices),
            place,
            Ask("container", "Container of the new part, scanned", "scan", needed=False),
            Ask("child", "New unit that is in its place, scanned", "scan", needed=False),
            Ask("keep", "Label of the bag in which the old part is kept", "scan", needed=False),
            Ask("minutes", "Minutes", "number", needed=False),
            Ask("returns", "Step it goes back to, if not where it was due", "choose", needed=False, choices=steps),
            words,
        ),
        "Record the repair",
        caution="disconnect mains and let capacitors discharge before you touch a board; solder and irons are hot.",
    )
    return [find, *([diagnose, mend] if every else [])]


def _codes(kind: type[FaultCode] | type[CauseCode]) -> list[tuple[str, str]]:
    return [(code.key, code.name) for code in kind.objects.filter(retired=False).order_by("name")]


def repair(request: HttpRequest, station: str, key: str) -> HttpResponseBase:
    """A unit at a repair station: its faults, what was read of it, what is done about it."""
    at, unit = get_station(station), get_unit(clean_key(key))
    deeds = list_deeds(unit)

    def do() -> str:
        # a fault is of the last visit, at whose station it was found; where there was none, it was found here
        here = request.POST.get("do") != "record_fault" or not find_visit(unit, to_ticks(now()))
        carry_out(request, deeds, unit=unit, **({"station": at} if here else {}))
        return f"{reverse('repair', args=[at.key, unit.key])}?done={request.POST['do']}"

    def show() -> tuple[dict[str, object], list]:
        due = find_due_step(unit)
        last = find_visit(unit, to_ticks(now()))
        context = {
            "at": at,
            "unit": unit,
            "deeds": [] if unit.scrapped else list_permitted(request, deeds),
            "who": in_words(OPERATIONS["record_repair"]),
            "elsewhere": _say_elsewhere(unit),
            "holds": list_open_holds([("unit", unit.key)], Asof()),
            "done": title_of(request, deeds),
            "open": list_open_faults([unit]).get(unit.pk, []),
            "due": due,
            "last": last,
            "keeps_scans": True,
            "links": _leads_on(request, unit),
        }
        tables = [unit_faults_table(unit), repairs_table(unit), readings_table([unit.key], Asof())]
        return context, tables

    return do_or_show(request, "repair.html", do, show, name=f"repair-{unit.key}")


def _say_elsewhere(unit: Unit) -> Refusal | None:
    """Why it is not at hand to be mended, if it is not."""
    try:
        check_at_hand(unit)
    except FaultRefused as refusal:
        return refusal
    return None


def _leads_on(request: HttpRequest, unit: Unit) -> list[Link]:
    roles = roles_of(request.user)
    links = [Link("Its whole life", reverse("unit", args=[unit.key]))]
    if may(roles, PAGES["decide"]) and "unit" in DISPOSED:
        links.append(Link("Decide what becomes of it", reverse("decide", args=["unit", unit.key])))
    if may(roles, PAGES["scrap-unit"]) and not unit.scrapped:
        links.append(Link("Scrap it", reverse("scrap-unit", args=[unit.key])))
    return links


def scrap(request: HttpRequest, key: str) -> HttpResponseBase:
    """Scrap a unit, and say what of it is kept."""
    unit = get_unit(clean_key(key))
    inside = Fitting.objects.filter(unit=unit, child__isnull=False, until=None, superseded=None)
    children = list(inside.select_related("child__part").order_by("designator"))

    def do() -> str:
        kept = dict.fromkeys(request.POST.getlist("children"), "")
        for line in filter(None, map(str.strip, request.POST.get("parts", "").splitlines())):
            designator, _, label = line.partition(" ")
            if not label.strip():
                raise OrderRefused(
                    f"“{line[:60]}” names no container.", action="Write such as T1 BAG-0007, one a line."
                )
            kept[designator] = label.strip()
        scrap_unit(unit=unit, reason=request.POST.get("reason", ""), salvage=kept, **asking(request))
        return reverse("unit", args=[unit.key])

    context = {
        "unit": unit,
        "children": [
            (one.designator, Ref("unit", one.child.key, one.child.part.name)) for one in children if one.child
        ],
        "chosen": request.POST.getlist("children"),
    }
    return fill_in(request, "scrap.html", context, do)


# The running log ------------------------------------------------------------------------------------------------------


NAMED: Mapping[str, Any] = {"fault": FaultCode, "cause": CauseCode, "station": Station, "product": Part}


def _say_limit(name: str, key: str) -> str:
    if key == NONE:
        return f"no {BY[name]}"
    known = NAMED[name].objects.filter(key=key).first() if name in NAMED else None
    return f"{BY[name]} {known.name if known else key}"


def log(request: HttpRequest) -> HttpResponseBase:
    """What was found wrong in a period: counted by what is asked for, and each fault."""
    sent = request.GET
    asked = {name: sent.get(name, "") for name in ("by", "period", "from", "to", *BY)}
    found = ask_log(now(), asked)
    context = {
        "found": found,
        "bars": draw_pareto(found),
        "by": BY,
        "by_words": BY[found.by],
        "limits": ", ".join(_say_limit(name, key) for name, key in found.chosen.items()),
        "whole": address(found, **dict.fromkeys(found.chosen, "")),
        "choices": CHOICES,
        "asked": asked,
        "stations": Station.objects.order_by("key"),
        "codes": FaultCode.objects.order_by("name"),
        "causes": CauseCode.objects.order_by("name"),
        "products": found.products,
    }
    return respond(
        request, "faults.html", context, [pareto_table(found), log_table(found), lots_table(found)], name="faults"
    )
