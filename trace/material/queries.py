"""Reading material: lots, containers, feeds."""

from __future__ import annotations

from collections.abc import Iterable

from django.db.models import F, QuerySet

from trace.core.clock import OPEN
from trace.core.errors import NotFound
from trace.engineering.models import Station
from trace.material.models import Axis, Container, Feed, Lot, SetUp, Span


def get_container(key: str) -> Container:
    """The container of a label, or NotFound."""
    container = Container.objects.select_related("part", "lot__supplier").filter(key=key).first()
    if container is None:
        raise NotFound(f"No container is labelled {key}.")
    return container


def list_lots(text: str) -> QuerySet[Lot]:
    """Lots by our key or by the supplier's lot number: a number may be used by several suppliers."""
    lots = Lot.objects.select_related("part", "supplier")
    return lots.filter(key=text.upper()) or lots.filter(number__iexact=text)


def get_axis(station: Station) -> Axis:
    """The axis on which a station's feeds give: its clock, or its machine's cycle count."""
    kind = Axis.Kind.COUNT if station.counts_cycles else Axis.Kind.CLOCK
    axis, _ = Axis.objects.get_or_create(station=station, defaults={"kind": kind})
    return axis


def find_setup_at(station: Station, assembly_id: int, position: int) -> SetUp | None:
    """The set-up that served an assembly at a position of a station's axis; None where it draws nothing there."""
    setups = SetUp.objects.filter(axis__station=station, assembly_id=assembly_id, first__lte=position, end__gt=position)
    return setups.select_related("axis__tape").first()


def list_setups_between(
    axes: Iterable[int | None], assemblies: Iterable[int], first: int, last: int
) -> QuerySet[SetUp]:
    """The set-ups of these assemblies that served somewhere in `first..last` of these axes."""
    met = SetUp.objects.filter(axis__in=axes, assembly__in=assemblies, first__lte=last, end__gt=first)
    return met.exclude(end=F("first"))


def list_on_feeds(feeds: Iterable[Feed]) -> QuerySet[Span]:
    """The spans that are still open on these feeds: what may be there now."""
    return Span.objects.filter(feed__in=feeds, end=OPEN, superseded=None).select_related("container__lot")


def list_giving(feeds: Iterable[Feed], first: int, last: int) -> QuerySet[Span]:
    """The spans of what these feeds may give somewhere in `first..last`."""
    spans = Span.objects.filter(feed__in=feeds, superseded=None, first__lte=last, end__gt=first)
    return spans.select_related("container__lot")
