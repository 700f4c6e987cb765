"""Sample tests: owed, running, done, and what they say of the MTBF; one test and what is done with it."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta
from typing import Any

from django.http import HttpRequest
from django.http.response import HttpResponseBase
from django.urls import reverse
from django.utils import timezone

from trace.core.clock import now, to_ticks
from trace.core.errors import NotFound
from trace.engineering.queries import get_calendar
from trace.floor.models import Counted, Sample, SampleRule
from trace.floor.operations.samples import finish_sample, pass_on_sample, record_sample, start_sample, waive_sample
from trace.floor.samples import list_samples
from trace.quality.periods import read_period
from trace.quality.reliability import CONFIDENCES, SIDES, list_runs, say_mtbf
from trace.web.cells import Link, text_of
from trace.web.deeds import Ask, Deed, carry_out, list_permitted, title_of
from trace.web.forms import do_or_show
from trace.web.moments import Asof
from trace.web.samples import (
    drops_table,
    entries_table,
    facts_of,
    is_overdue,
    list_open,
    rules_table,
    samples_table,
    say_demand,
    state_of,
)
from trace.web.tables import Table, respond
from trace.web.timeline import record_table

A_YEAR = timedelta(days=365)

DROPPING = "a package falls. Keep hands and feet away from where it lands, and others out of the area."
RUNNING = "the unit runs for weeks, nobody beside it, on mains voltage. Keep covers closed and what burns away from it."
WHEN = Ask("at", "When, if not now", "moment", needed=False)
EQUIPMENT = Ask("equipment", "Equipment", "scan", needed=False)
START_RUN = Deed(start_sample, "It begins to run", (EQUIPMENT, WHEN), "Start it", caution=RUNNING)
START_DROPS = Deed(
    start_sample,
    "It is weighed, and dropped",
    (Ask("mass", "Mass of the package in kg", "number"), EQUIPMENT, WHEN),
    "Start it",
    caution=DROPPING,
    note="From what height it is dropped follows from its mass, by ISTA 1A.",
)
PASS_ON = Deed(
    pass_on_sample,
    "Another unit takes the test",
    (Ask("unit", "Serial of a unit of the same order", "scan"), Ask("reason", "Why")),
    "Pass it on",
)
WAIVE = Deed(
    waive_sample,
    "The unit goes without",
    (Ask("reason", "Why"),),
    "Waive it",
    note="A deviation from sample-owed that is approved by signature must cover the unit. A use of it is counted.",
)
FINISH = Deed(
    finish_sample,
    "The test is over",
    (
        Ask("passed", "It has", "choose", choices=[("yes", "passed"), ("no", "failed")]),
        Ask("remark", "Remark", needed=False),
        WHEN,
    ),
    "End it",
)


def _enter(kind: str) -> Deed:
    return Deed(
        record_sample,
        f"{kind.capitalize()} done, and what failed",
        (
            Ask("done", f"{kind.capitalize()} done, all in all", "number"),
            Ask("failure", "What failed then, and how", needed=False),
            WHEN,
        ),
        "Enter it",
    )


ENTER = {kind: _enter(kind) for kind in Counted.values}


def samples(request: HttpRequest) -> HttpResponseBase:
    """What samples owe, what runs, what was done in a time, and what the hours say."""
    sent, today = request.GET, timezone.localdate(now())
    first, last = sent.get("from") or f"{today - A_YEAR}", sent.get("to") or f"{today}"
    period = read_period("days", first, last, get_calendar(), now(), lambda: None)
    number = sent.get("product", "").strip()
    confidence = next((one for one in CONFIDENCES if f"{one}" == sent.get("confidence")), 90)
    sides = next((one for one in SIDES if one == sent.get("sides")), "one")
    owed, running = list_open()
    if number:
        owed, running = ([one for one in some if one.unit.part.number == number] for some in (owed, running))
    done = list_samples().filter(ended__gte=to_ticks(period.since), ended__lt=to_ticks(period.until))
    done = done.filter(unit__part__number=number) if number else done
    rules = list(SampleRule.objects.filter(**{"number": number} if number else {}))
    numbers = {rule.number for rule in SampleRule.objects.all()}
    context = {
        "owed": len(owed),
        "running": len(running),
        "overdue": sum(map(is_overdue, [*owed, *running])),
        "done": done.count(),
        "runs": [say_mtbf(run, confidence, sides) for run in list_runs(period.since, period.until, number)],
        "period": period,
        "products": sorted(numbers | set(Sample.objects.values_list("unit__part__number", flat=True).distinct())),
        "product": number,
        "confidences": CONFIDENCES,
        "confidence": confidence,
        "sides": SIDES,
        "sided": sides,
    }
    tables = [
        samples_table("owed", "Owed", owed, "No unit owes a test."),
        samples_table("running", "Running", running, "No test is running."),
        samples_table("done", f"Done {period.words}", done.order_by("-ended", "-pk"), "No test ended in this time."),
        rules_table(rules),
    ]
    return respond(request, "samples.html", context, tables, name="samples")


def sample(request: HttpRequest, number: int) -> HttpResponseBase:
    """One sample test, and what is done with it."""
    it = list_samples().select_related("started_by", "ended_by", "deviation").filter(pk=number).first()
    it = it or Sample.objects.select_related("unit__part", "step", "ended_by").filter(pk=number).first()
    if it is None:
        raise NotFound(f"No sample test has the number {number}.")
    deeds = _list_deeds(it)

    def do() -> str:
        made = carry_out(request, deeds, sample=it)
        page = made.pk if isinstance(made, Sample) else number
        return f"{reverse('sample', args=[page])}?done={request.POST['do']}"

    def show() -> tuple[dict[str, Any], list[Table]]:
        context = {
            "it": it,
            "state": state_of(it),
            "overdue": is_overdue(it),
            "done_by_now": text_of(getattr(it, "done", None) or 0),
            "demand": say_demand(it),
            "facts": facts_of(it),
            "deeds": list_permitted(request, deeds),
            "done": title_of(request, (*deeds, START_RUN, FINISH, ENTER[it.kind], PASS_ON, WAIVE)),
            "links": [Link("All sample tests", reverse("samples"))],
        }
        drops = [drops_table(it)] if it.kind == Counted.DROPS else []
        return context, [*drops, entries_table(it), record_table("sample", f"{it.pk}", Asof())]

    return do_or_show(request, "sample.html", do, show, f"sample-{number}")


def _list_deeds(it: Sample) -> Sequence[Deed]:
    """What can be done next."""
    if it.ended is not None:
        return ()
    if it.started is None:
        return (START_DROPS if it.kind == Counted.DROPS else START_RUN, PASS_ON, WAIVE)
    return (ENTER[it.kind], FINISH)
