"""Other names of a unit: a new label in place of a damaged one, the serials that customers and suppliers gave it."""

from __future__ import annotations

from datetime import datetime
from itertools import count

from trace.core.clock import now_ticks, to_ticks
from trace.core.errors import Refusal
from trace.core.keys import clean_key, clean_text
from trace.core.models import Person
from trace.engineering.operations.common import changing
from trace.floor.models import Alias, Unit
from trace.floor.naming import find_taken
from trace.ledger.operation import note


class AliasRefused(Refusal):
    """A unit can't be called so."""

    code = "alias-refused"
    action = "Check the unit and its labels."


@changing
def replace_label(*, unit: Unit, reason: str, label: str = "", by: Person, at: datetime) -> Alias:
    """A unit gets a new label in place of one that is damaged or lost: with the code of `label`, one that was printed
    in advance, else with one made of its key. The key stays; the old label still names the unit, and says so.

    Refuses with AliasRefused without a reason, a code that is in use, and a moment before the label that it has now;
    with BadKey.
    """
    reason = clean_text(reason, 300, "The reason")
    if not reason:
        raise AliasRefused("Say why it is replaced.", action="Such as: scratched, come off, burnt.")
    before = unit.aliases.filter(kind=Alias.Kind.LABEL, superseded=None).last()
    if to_ticks(at) < (before.at if before else unit.created):
        raise AliasRefused(f"{unit.key} got the label that it has now after that.", action="Check the time.")
    if label and find_taken([clean_key(label)]):
        raise AliasRefused(f"{clean_key(label)} is the label of a unit.", action="Take a label that is not used yet.")
    return Alias.objects.create(
        unit=unit,
        kind=Alias.Kind.LABEL,
        text=clean_key(label) if label else _make_code(unit),
        reason=reason,
        at=to_ticks(at),
        by=by,
    )


def _make_code(unit: Unit) -> str:
    """Which label of the unit it is, behind its key."""
    used = Alias.objects.filter(unit=unit, kind=Alias.Kind.LABEL)  # those voided by mistake may still be on something
    codes = (f"{unit.key[:34]}-L{number}" for number in count(used.count() + 2))
    return next(code for code in codes if not find_taken([code]))


@changing
def record_serial(*, unit: Unit, kind: Alias.Kind, serial: str, by: Person, at: datetime) -> Alias:
    """A customer or a supplier calls the unit by a `serial` of theirs. Others may have one alike: whoever asks by it is
    asked which unit is meant.

    Refuses with AliasRefused none, one that the unit has already, and a label, which is replaced; with BadText.
    """
    text = clean_text(serial.upper(), 60, "The serial")
    if kind == Alias.Kind.LABEL:
        raise AliasRefused("A label is no serial of somebody’s.", action="Replace the label.")
    if not text or not text.isprintable():
        raise AliasRefused("No serial is given that can be read.", action="Scan or type it from the unit.")
    if unit.aliases.filter(kind=kind, text=text, superseded=None).exists():
        raise AliasRefused(f"{unit.key} has {text} as its {Alias.Kind(kind).label}.", action="Nothing needs doing.")
    return Alias.objects.create(unit=unit, kind=kind, text=text, at=to_ticks(at), by=by)


@changing
def void_alias(*, alias: Alias, reason: str, by: Person, at: datetime) -> Alias:
    """A label or a serial was recorded wrongly: the unit never had it. It stays in the ledger.

    Refuses with AliasRefused without a reason, and twice.
    """
    if not clean_text(reason, 300, "The reason"):
        raise AliasRefused("Say what was wrong.", action="Such as: the serial of the unit beside it.")
    alias = Alias.objects.select_related("unit").get(pk=alias.pk)
    if alias.superseded is not None:
        raise AliasRefused(f"{alias.text} was voided before.", action="Nothing needs doing.")
    alias.superseded = now_ticks()
    alias.save(update_fields=["superseded"])
    note(alias.unit)
    return alias
