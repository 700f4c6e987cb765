"""The populations of open alarms followed with the ledger: reckoned again once anything was recorded, and kept where
they changed. It runs beside the server (`manage.py follow`), so that nobody at a station waits for it."""

from __future__ import annotations

from django.db.models import Max

from trace.containment.compared import list_news
from trace.containment.models import Containment, Snapshot, Watch
from trace.containment.operations.snapshots import take_snapshot
from trace.core.clock import from_ticks, now, now_ticks
from trace.core.models import Person
from trace.ledger.models import Event

LATE = 60_000_000
"""Microseconds. So long may an operation take from when it was recorded until others see it."""


def follow(by: Person) -> list[Snapshot]:
    """One round: the snapshots that were taken, of those open alarms in which something is suspect."""
    alarms = Containment.objects.filter(closed=None, terms__removed=None, terms__isnull=False).distinct().order_by("pk")
    return [made for containment in alarms if (made := look_after(containment, by))]


def look_after(containment: Containment, by: Person) -> Snapshot | None:
    """Reckon a population where anything was recorded since that was done, or somebody asked for it; a snapshot, where
    units came, went, moved or are judged otherwise."""
    watch, _ = Watch.objects.get_or_create(containment=containment)
    if watch.asked is None and watch.looked is not None and not _is_recorded_since(watch.looked):
        return None
    looked, event = now_ticks(), Event.objects.aggregate(last=Max("pk"))["last"] or 0
    _tell(watch, "reckoning the population", 10)
    news = list_news(containment)
    made = None
    if news.snapshot is None or news.new or news.judged or news.moved or news.gone:
        _tell(watch, f"keeping what changed, {len(news.new)} new units among it", 60)
        made = take_snapshot(containment=containment, why="followed with the ledger", by=by, at=now())
    _tell(watch, "", 0)
    Watch.objects.filter(pk=watch.pk).update(event=event, looked=looked)
    Watch.objects.filter(pk=watch.pk, asked=watch.asked).update(asked=None)  # not what was asked meanwhile
    return made


def ask_reckoning(containment: Containment) -> Watch:
    """Somebody waits for the population to be reckoned anew: the next round does so, whatever was recorded."""
    watch, _ = Watch.objects.get_or_create(containment=containment)
    Watch.objects.filter(pk=watch.pk, asked=None).update(asked=now_ticks())
    watch.refresh_from_db()
    return watch


def _is_recorded_since(looked: int) -> bool:
    """Whether anything but the keeping of populations was recorded since a moment, or so shortly before that it may not
    have been seen then."""
    return Event.objects.filter(recorded__gt=from_ticks(looked - LATE)).exclude(verb="take_snapshot").exists()


def _tell(watch: Watch, doing: str, share: int) -> None:
    Watch.objects.filter(pk=watch.pk).update(doing=doing, share=share)
