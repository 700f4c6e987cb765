"""Labels for what a containment holds, to be stuck on it where it is put aside."""

from __future__ import annotations

from collections.abc import Mapping

from django.db.models import QuerySet
from django.utils import timezone

from trace.containment.holding import list_holds
from trace.containment.models import Containment
from trace.core.keys import code_of, label_text
from trace.floor.models import Unit
from trace.holds.models import Hold
from trace.labels.label import Label
from trace.material.models import Container

LABELLED = ("container", "tape", "unit", "carton", "pallet")
"""Kinds of things that can be put aside, with a label on each."""

HAS_PART: Mapping[str, type[Container | Unit]] = {"container": Container, "unit": Unit}


def list_labelled_holds(containment: Containment) -> QuerySet[Hold]:
    """What it holds still that can be labelled, in the order in which its labels are printed."""
    return list_holds(containment).filter(released=None, target_kind__in=LABELLED).order_by("target_kind", "target_key")


def make_held_labels(containment: Containment, first: int, most: int) -> list[Label]:
    """A label for each of `most` of these, from the `first` on (counted from 0). The code is that of the thing itself,
    so that it is scanned as the thing is."""
    holds = list(list_labelled_holds(containment)[first : first + most])
    parts: dict[tuple[str, str], str] = {}
    for kind, model in HAS_PART.items():
        keys = [hold.target_key for hold in holds if hold.target_kind == kind]
        named = model._default_manager.filter(key__in=keys).values_list("key", "part__number", "part__name")
        parts |= {(kind, key): f"{number} {name}" for key, number, name in named}
    return [
        Label(
            code_of(hold.target_kind, hold.target_key),
            f"HELD: {containment.key}",
            (
                f"{hold.target_kind.capitalize()} {label_text(hold.target_key)}",
                "Do not use, fit, pack or ship",
                *filter(None, [parts.get((hold.target_kind, hold.target_key))]),
                f"Held since {timezone.localtime(hold.placed):%Y-%m-%d %H:%M}",
                containment.problem,
            ),
        )
        for hold in holds
    ]
