"""Where a unit goes on whose work here has just ended, or that was stopped."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import groupby

from django.urls import reverse

from trace.engineering.models import Station, Step
from trace.floor.carrying import list_going
from trace.floor.faults import wants_review
from trace.floor.models import Pass, Sample, Unit
from trace.floor.queries import find_due_choices
from trace.floor.samples import list_owing
from trace.holds.models import Hold
from trace.web.station.desk import find_carrier, find_unit


@dataclass(frozen=True)
class Onward:
    """Where a unit goes, or what is in a rack or panel, whose work has just ended: its next step, None where its route
    is done; the sample tests that come first; the stations where it is mended, if it failed; whether it failed as often
    as it may; why it is held, if it is."""

    kind: str
    key: str
    step: Step | None
    owed: Sequence[Sample] = ()
    mended_at: Sequence[Station] = ()
    to_review: bool = False
    held: str = ""


def list_held(units: Iterable[Unit]) -> dict[str, str]:
    """{serial: why} of these units that are held."""
    holds = Hold.objects.filter(released=None, target_kind="unit", target_key__in=[unit.key for unit in units])
    return dict(holds.order_by("-pk").values_list("target_key", "reason"))


def find_onward(label: str) -> list[Onward]:
    """Where that goes whose work has just ended, by its label. Of those that go together one of each way is named."""
    unit = find_unit(label) if label else None
    carrier = find_carrier(label) if label and unit is None else None
    units = [unit] if unit else list_going(carrier) if carrier else []
    due = find_due_choices(units)
    owed = {pk: tuple(samples) for pk, samples in groupby(list_owing(units), lambda one: one.unit_id)}
    visits = Pass.objects.filter(unit__in=units, superseded=None).exclude(outcome=Pass.Outcome.VOID)
    last = dict(visits.order_by("began", "pk").values_list("unit", "outcome"))
    repairs = Station.objects.filter(repairs=True, retired=None).order_by("key")
    mended_at = tuple(repairs) if Pass.Outcome.FAILED in last.values() else []
    held = list_held(units)
    ways = []
    for unit in units:
        step = due[unit.pk][0] if unit.pk in due else None
        failed = last.get(unit.pk) == Pass.Outcome.FAILED
        to_review = bool(failed and step and wants_review(unit, step))
        mends, why = mended_at if failed else (), held.get(unit.key, "")
        ways.append(Onward("unit", unit.key, step, owed.get(unit.pk, ()), mends, to_review, why))
    together = {replace(way, kind="carrier", key=carrier.key) for way in ways} if carrier else set()
    alike = len(together) == 1 and not (ways[0].owed or ways[0].mended_at)  # these are of each unit
    return [*together] if alike else ways


def lead_on(unit: Unit, stopped_by: Collection[str]) -> list[tuple[str, str]]:
    """Where somebody goes on with a unit that these rules stop, if that is not at a station of its route."""
    links = []
    if "fault-open" in stopped_by:
        for station in Station.objects.filter(repairs=True, retired=None).order_by("key"):
            links.append(
                (reverse("repair", args=[station.key, unit.key]), f"What is done about {unit.key}, at {station.key}")
            )
    if "repair-limit" in stopped_by:
        links.append(
            (reverse("unit", args=[unit.key]), f"The life of {unit.key}: from there it is decided what becomes of it")
        )
    if "sample-owed" in stopped_by:
        links += [(reverse("sample", args=[one.pk]), f"The {one.test} of {unit.key}") for one in list_owing([unit])]
    return links
