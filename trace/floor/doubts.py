"""Children that were found elsewhere than recorded: which units are in doubt, and what to scan to settle it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from trace.core.clock import OPEN
from trace.floor.models import Fitting, LooseSighting, Unit


@dataclass(frozen=True)
class Doubt:
    """Nobody knows which unit is at a designator of `parent` since `since` (microseconds). `was` is the unit on record
    there before, `found_in` the one that was found to have it (None: it was loose). `lost` are those that may be there:
    what that other parent had on record, and is nowhere since."""

    parent: Unit
    designator: str
    since: int
    was: Unit | None
    found_in: Unit | None
    lost: tuple[Unit, ...]


def list_doubts(unit: Unit) -> list[Doubt]:
    """The doubts in which a unit is: at its own places, or since it was lost from one."""
    own = Fitting.objects.filter(unit=unit, holds=Fitting.Holds.UNKNOWN, until=None, superseded=None)
    doubts = [_read(fitting) for fitting in own.select_related("unit").order_by("designator")]
    return doubts or [doubt for doubt in _read_lost(unit) if unit in doubt.lost]


def is_lost(unit: Unit) -> bool:
    """Whether it was found gone from where it was on record, and was seen nowhere since."""
    gone = Fitting.objects.filter(child=unit, superseded=None).order_by("-since", "-pk").first()
    if gone is None or gone.until is None or gone.doubted is None:
        return False
    later = [
        *LooseSighting.objects.filter(unit=unit, at__gte=gone.until).values_list("pk", flat=True)[:1],
        *unit.passes.filter(superseded=None, began__gte=gone.until, began__lt=OPEN).values_list("pk", flat=True)[:1],
    ]
    return not later


def _read(fitting: Fitting) -> Doubt:
    before = _before(fitting)
    was = before.child if before else None
    home = was and _home(was)
    lost = tuple(child for child in _gone_from(home)) if home else ()
    return Doubt(fitting.unit, fitting.designator, fitting.since, was, home.unit if home else None, lost)


def _read_lost(unit: Unit) -> Iterator[Doubt]:
    """The doubts at the places whose child was found where this unit was on record."""
    if not is_lost(unit):
        return
    gone = Fitting.objects.filter(child=unit, superseded=None).order_by("-since", "-pk").first()
    there = (
        gone
        and Fitting.objects.filter(
            unit=gone.unit, designator=gone.designator, child__isnull=False, until=None, superseded=None
        ).first()
    )
    if there:
        earlier = Fitting.objects.filter(child=there.child, superseded=None).exclude(pk=there.pk)
        for home in earlier.order_by("-since", "-pk")[:1]:
            unknown = Fitting.objects.filter(
                unit=home.unit, designator=home.designator, holds=Fitting.Holds.UNKNOWN, until=None, superseded=None
            )
            yield from (_read(one) for one in unknown.select_related("unit"))


def _before(fitting: Fitting) -> Fitting | None:
    there = Fitting.objects.filter(unit=fitting.unit, designator=fitting.designator, superseded=None)
    earlier = there.filter(child__isnull=False, until__lte=fitting.since).select_related("child")
    return earlier.order_by("-since", "-pk").first()


def _home(child: Unit) -> Fitting | None:
    return Fitting.objects.filter(child=child, until=None, superseded=None).select_related("unit").first()


def _gone_from(home: Fitting) -> Iterator[Unit]:
    """What was on record at a place until something else was found there, and is lost since."""
    gone = Fitting.objects.filter(
        unit=home.unit, designator=home.designator, doubted__isnull=False, until=home.since, superseded=None
    )
    yield from (one.child for one in gone.select_related("child") if one.child and is_lost(one.child))
