"""Which unit is meant: by its serial, the label on it now or one before, or the serial that others gave it. What is
built, by any of those."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass

from django.db.models import Exists, OuterRef

from trace.core.clock import from_ticks
from trace.core.errors import NotFound, Refusal
from trace.core.keys import UNSTORABLE, BadKey, label_text, read_code, read_label
from trace.core.secrecy import SYMBOLOGY
from trace.engineering.models import Part
from trace.engineering.queries import get_zone
from trace.floor.models import Alias, Unit, WorkOrder

LABEL = Alias.Kind.LABEL


class UnitUnclear(Refusal):
    """Several units go by a name, and which one is meant was not said."""

    code = "unit-unclear"
    action = "Scan the label of the one you mean, or type its own serial."


@dataclass(frozen=True)
class NamedUnit:
    """A unit that was meant; where its label has been replaced since, what to say."""

    unit: Unit
    replaced: str = ""


def get_named_unit(text: str) -> NamedUnit:
    """The unit that a scanned or typed text names. Refuses with NotFound, UnitUnclear, and with BadKey what is misread
    and no serial of anybody's."""
    found = list_named_units(text)
    if len(found) > 1:
        keys = ", ".join(one.unit.key for one in found)
        raise UnitUnclear(f"“{text.strip()[:60]}” is a serial of {len(found)} units: {keys}.")
    if not found:
        raise NotFound(f"No unit has the serial {read_label(text)}.")
    return found[0]


def list_named_units(text: str) -> list[NamedUnit]:
    """The units (with part and order) that a scanned or typed text may name, none or several; two queries."""
    text = SYMBOLOGY.sub("", text.strip()).upper()
    link = read_code(text)
    if UNSTORABLE.search(text) or link and link[0] != "unit":
        return []
    try:
        key = read_label(text)
    except BadKey:
        key = ""
    coded = bool(link) or "." in text  # typed by hand the serial is no label
    replaced = Exists(Alias.objects.filter(unit=OuterRef("pk"), kind=LABEL, superseded=None))
    units = Unit.objects.select_related("part", "order").annotate(relabelled=replaced)
    found = {
        one.pk: NamedUnit(one, _say_replaced(one) if coded and one.relabelled else "") for one in units.filter(key=key)
    }
    aliases = Alias.objects.filter(text__in={key, text} - {""}, superseded=None)
    for alias in aliases.select_related("unit__part", "unit__order"):
        if alias.kind == LABEL and alias.text != key or alias.kind != LABEL and alias.text != text:
            continue
        said = _say_replaced(alias.unit, alias) if alias.kind == LABEL else ""
        found.setdefault(alias.unit_id, NamedUnit(alias.unit, said))
    return list(found.values())


def _say_replaced(unit: Unit, label: Alias | None = None) -> str:
    """That a label (none: the first) is not the one on the unit any more, if so."""
    labels = list(unit.aliases.filter(kind=LABEL, superseded=None))
    after = labels[labels.index(label) + 1 :] if label else labels
    if not after:
        return ""
    day = from_ticks(after[0].at).astimezone(get_zone())
    return (
        f"This label of {unit.key} was replaced on {day:%-d %B %Y} ({after[0].reason}); "
        f"use the new one, {label_text(labels[-1].text)}, and destroy this."
    )


def list_label_codes(units: Collection[Unit]) -> dict[int, str]:
    """Per unit, the key that the label on it now codes: its own, or that of the label that took its place."""
    labels = Alias.objects.filter(unit__in=units, kind=LABEL, superseded=None)
    return {unit.pk: unit.key for unit in units} | dict(labels.values_list("unit", "text"))


def list_labelled(keys: Collection[str]) -> dict[str, Unit]:
    """The units (with part and order) that have, or whose labels code, these keys, by them; two queries."""
    units = Unit.objects.filter(key__in=keys).select_related("part", "order")
    labels = Alias.objects.filter(text__in=keys, kind=LABEL, superseded=None).select_related(
        "unit__part", "unit__order"
    )
    return {alias.text: alias.unit for alias in labels} | {unit.key: unit for unit in units}


def find_built(text: str) -> str:
    """The key of what is built, by its own label, an order, or a unit of it; empty where it is none, or not clear.
    Refuses with BadKey."""
    parts = {named.unit.part.key for named in list_named_units(text)}
    if parts:
        return parts.pop() if len(parts) == 1 else ""
    key = read_label(text)
    ordered = WorkOrder.objects.filter(key=key).values_list("part__key", flat=True).first()
    return ordered or (key if Part.objects.filter(key=key, level__gt=0).exists() else "")


def find_taken(keys: Iterable[str]) -> set[str]:
    """Those of these keys that a unit has, or that the label of one codes."""
    keys = set(keys)
    labels = Alias.objects.filter(text__in=keys, kind=LABEL, superseded=None)
    return {
        *Unit.objects.filter(key__in=keys).values_list("key", flat=True),
        *labels.values_list("text", flat=True),
    }
