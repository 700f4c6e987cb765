"""What is done about a containment: stopped, looked for, decided, released, told to customers, closed; what changed."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection
from typing import Any
from urllib.parse import urlencode

from django.db.models import Model
from django.http import HttpRequest
from django.http.response import HttpResponseBase
from django.urls import reverse
from django.views.decorators.http import require_GET

from trace.containment.holding import list_to_hold
from trace.containment.models import Containment, Outcome, Snapshot
from trace.containment.narrowing import list_looks
from trace.containment.open_points import list_open
from trace.containment.operations.alarms import ContainmentRefused
from trace.containment.operations.progress import reconcile
from trace.containment.operations.stop import stop_containment
from trace.containment.population import find_latest, get_containment, reckon
from trace.containment.progress import summarise_progress
from trace.core.clock import now_ticks
from trace.core.errors import NotFound
from trace.core.keys import clean_key
from trace.core.models import Person
from trace.core.permissions import check_permitted
from trace.engineering.models import Characteristic, Step
from trace.holds.queries import list_dispositions
from trace.holds.rules import Move
from trace.web.alarms import answer_of
from trace.web.cells import kind_words
from trace.web.containing import DECISIONS, NOTICE_DEEDS, RECONCILE, list_decisions, list_notice_deeds
from trace.web.deeds import carry_out, list_permitted, title_of
from trace.web.dispositions import dispositions_table
from trace.web.forms import asking, do_or_show
from trace.web.moments import Asof
from trace.web.progress import (
    changes_table,
    clean_points_table,
    found_table,
    groups_table,
    held_table,
    list_label_links,
    list_rows,
    list_rows_now,
    looks_table,
    notices_table,
    open_points_table,
    shipped_table,
    to_hold_table,
    where_to_do_table,
)
from trace.web.scan import KINDS, read_package, read_scan
from trace.web.tables import Table, respond

MOST_LINES = 500
"""So many things are named at once."""


def stop(request: HttpRequest, key: str) -> HttpResponseBase:
    """Hold everything of a population that is in the plant, once somebody says that they decide it."""
    it = get_containment(clean_key(key))

    def do() -> str:
        sent = request.POST
        if not sent.get("decides"):
            raise ContainmentRefused("Nobody has said that they decide it.", action="Tick that you decide it.")
        permits = [Move(move) for move in sent.getlist("permits") if move in Move.values]
        stop_containment(containment=it, permits=permits, **asking(request))
        return f"{reverse('containment-progress', args=[it.key])}?done=stop_containment"

    def show() -> tuple[dict[str, Any], list[Table]]:
        subjects = sorted(list_to_hold(it, reckon(it), now_ticks()))
        counts = Counter(kind_words(kind) for kind, _ in subjects)
        context = {
            "it": it,
            "number": len(subjects),
            "counts": sorted(counts.items()),
            "moves": [(move.value, move.label) for move in (Move.FINISH, Move.TAKE_OFF, Move.STORE, Move.UNPACK)],
            "permitted": request.POST.getlist("permits"),
        }
        return context, [to_hold_table(subjects)]

    return do_or_show(request, "stop.html", do, show, f"containment-{it.key}-stop")


def progress(request: HttpRequest, key: str) -> HttpResponseBase:
    """How far a containment is: what is held, found, decided and done; and the forms by which that goes on."""
    it = get_containment(clean_key(key))
    here = reverse("containment-progress", args=[it.key])

    def do() -> str:
        if request.POST.get("do") == RECONCILE.verb:
            found = _reconcile(request, it)
            kept = {"done": RECONCILE.verb, "outcome": found.outcome, "place": found.place, "found": found.target_key}
            return f"{here}?{urlencode(kept)}"  # no fragment: where there is one, browsers do not set the focus
        carry_out(request, DECISIONS, containment=it, **_read_chosen(request))
        return f"{here}?done={request.POST['do']}"

    def show() -> tuple[dict[str, Any], list[Table]]:
        fresh = get_containment(it.key)
        population = reckon(fresh)
        far = summarise_progress(fresh, population)
        points = list_open(fresh, population, now_ticks())
        stopped = request.method == "GET" and request.GET.get("done") == "stop_containment"
        context = {
            "it": fresh,
            "far": far,
            "held": sum(group.held for group in far.groups.values()),
            "open": len(points),
            "scanning": list_permitted(request, [RECONCILE]) if fresh.closed is None else [],
            "outcomes": Outcome.choices,
            "outcome": request.GET.get("outcome", ""),
            "place": request.GET.get("place", ""),
            "found": request.GET.get("found", ""),
            "deeds": list_permitted(request, list_decisions(fresh)),
            "keeps_scans": True,
            "labels": list_label_links(fresh),
            "done": "Stopped" if stopped else title_of(request, [RECONCILE, *DECISIONS]),
        }
        dispositions = list(list_dispositions("containment", fresh.key).select_related("decided_by"))
        return context, [
            groups_table(far),
            where_to_do_table(far),
            held_table(fresh, population),
            found_table(fresh),
            dispositions_table(dispositions, "Decided of groups"),
            clean_points_table(fresh),
            open_points_table(points),
        ]

    return do_or_show(request, "progress.html", do, show, f"containment-{it.key}-progress")


def _reconcile(request: HttpRequest, it: Containment) -> Any:
    sent, done = request.POST, asking(request)
    by: Person = done["by"]
    check_permitted(str(by), by.roles, RECONCILE.verb)
    thing = _read_thing(sent.get("thing", ""))
    if sent.get("outcome") not in Outcome.values:
        raise ContainmentRefused("It was not said what came of it.", action="Choose one of the outcomes.")
    outcome = Outcome(sent["outcome"])
    return reconcile(containment=it, thing=thing, outcome=outcome, place=sent.get("place", ""), **done)


def _read_thing(text: str, kinds: Collection[str] = KINDS) -> Model:
    """The one thing of these kinds that a text names. Refuses with NotFound."""
    reading = read_package(text) if "[)>" in text else read_scan(text)
    found = [one for one in reading.found if one.kind in kinds]
    if len(found) != 1:
        words = reading.problem or f"“{text[:60]}” names {'several things' if found else 'nothing that is meant'}."
        raise NotFound(words, action=reading.action or "Scan its own label.")
    return KINDS[found[0].kind]._default_manager.get(key=found[0].key)


def _read_chosen(request: HttpRequest) -> dict[str, Any]:
    """What a form names line by line, and the test that it chose, as the operation takes them."""
    sent = request.POST
    kinds = {"units": ["unit"], "things": KINDS}
    lines = {name: [line for line in sent[name].splitlines() if line.strip()] for name in kinds if name in sent}
    if (number := sum(map(len, lines.values()))) > MOST_LINES:
        raise ContainmentRefused(
            f"{number} things are named, more than {MOST_LINES}.", action="Name fewer at once, or a group."
        )
    given: dict[str, Any] = {
        name: list(dict.fromkeys(_read_thing(line, kinds[name]) for line in named)) for name, named in lines.items()
    }
    kind, _, chosen = sent.get("test", "").partition("-")
    if kind:
        model = {"step": Step, "characteristic": Characteristic}.get(kind)
        test = (
            model._default_manager.filter(pk=chosen).first()
            if model and chosen.isdecimal() and len(chosen) < 18
            else None
        )
        if test is None:
            raise NotFound("There is no such test.", action="Choose one of the list.")
        given[kind] = test
    return {**given, "test": None}


def notices(request: HttpRequest, key: str) -> HttpResponseBase:
    """What customers are told, and the lists of what was shipped to each."""
    it = get_containment(clean_key(key))

    def do() -> str:
        carry_out(request, list_notice_deeds(it, find_latest(it)), containment=it)
        return f"{reverse('containment-notices', args=[it.key])}?done={request.POST['do']}"

    def show() -> tuple[dict[str, Any], list[Table]]:
        snapshot = find_latest(it)
        deeds = list_permitted(request, list_notice_deeds(it, snapshot)) if it.closed is None else []
        context = {"it": it, "snapshot": snapshot, "deeds": deeds, "done": title_of(request, NOTICE_DEEDS)}
        written = it.notices.select_related("customer", "snapshot", "drafted_by").order_by("-drafted")
        return context, [notices_table(list(written)), *([shipped_table(snapshot)] if snapshot else [])]

    return do_or_show(request, "notices.html", do, show, f"containment-{it.key}-notices")


@require_GET
def narrow(request: HttpRequest, key: str) -> HttpResponseBase:
    """Which single look, count or inspection would decide most of what is only possible."""
    it = get_containment(clean_key(key))
    answer = answer_of(it, Asof())
    looks = list_looks(answer.population)
    context = {"it": it, "answer": answer, "possible": answer.summary.possible, "looks": looks}
    return respond(request, "narrow.html", context, [looks_table(it, looks)], name=f"containment-{it.key}-looks")


@require_GET
def compare(request: HttpRequest, key: str) -> HttpResponseBase:
    """What changed from one snapshot to another; by default from the latest to how it is now."""
    it = get_containment(clean_key(key))
    snapshots = list(it.snapshots.order_by("number"))
    one, other = _pick(snapshots, request.GET.get("one", "")), _pick(snapshots, request.GET.get("other", ""))
    if one and other:
        rows = list(list_rows(one, other))
    else:
        one, rows = snapshots[-1] if snapshots else None, list(list_rows_now(it)) if snapshots else []
    context = {
        "it": it,
        "answer": answer_of(it, Asof()),
        "snapshots": snapshots,
        "one": one,
        "other": other,
        "counts": sorted(Counter(row.what for row in rows).items()),
    }
    return respond(request, "compare.html", context, [changes_table(rows)], name=f"containment-{it.key}-changes")


def _pick(snapshots: list[Snapshot], number: str) -> Snapshot | None:
    return next((one for one in snapshots if str(one.number) == number), None)
