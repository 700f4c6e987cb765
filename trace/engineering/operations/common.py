"""What all engineering operations share."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import Any

from django.core.exceptions import ValidationError
from django.db.models import CharField, Model

from trace.core.errors import Refusal
from trace.engineering.cells import LineProblem
from trace.engineering.models import Part, Site, Station
from trace.engineering.rules import shorten
from trace.ledger.operation import operation


def take_turn() -> None:
    """Engineering data changes seldom, one operation at a time: what was checked still holds when it is written.

    The lock is on the site; it does not hinder others from pointing at the site.
    """
    list(Site.objects.select_for_update(no_key=True))


changing: Callable[..., Any] = operation(gate=take_turn)
"""Decorator of the operations that change engineering data, and of those that issue serials and codes of labels."""


def save_checked(record: Model, refusal: type[Refusal]) -> None:
    """Save a record, or refuse with every field that its model does not accept."""
    problems = [
        f"{field.verbose_name.capitalize()} “{shorten(text)}” has a character that can't be shown."
        for field in record._meta.concrete_fields
        if isinstance(field, CharField) and not (text := getattr(record, field.attname) or "").isprintable()
    ]
    try:
        record.full_clean(exclude=[field.name for field in record._meta.concrete_fields if field.is_relation])
    except ValidationError as error:
        for name, messages in error.message_dict.items():
            label = "" if name == "__all__" else f"{record._meta.get_field(name).verbose_name.capitalize()}: "  # type: ignore[union-attr]
            problems += [f"{label}{message}" for message in messages]
    if problems:
        raise refusal(" ".join(problems))
    record.save()


class Released(Refusal):
    """A released revision stays as it is."""

    code = "revision-released"
    action = "Make a new revision of it, and change that."


def check_draft(part: Part) -> None:
    """Refuse with Released what may have been built by it. What is bought has nothing to release."""
    if released := Part.objects.filter(pk=part.pk).values_list("released", flat=True).first():
        raise Released(f"{part} is released since {released:%-d %B %Y}, and units may have been built by it.")


def keys_of(stations: Iterable[Station], refusal: type[Refusal]) -> list[str]:
    """The stations' keys in order, each once; those that are retired are refused."""
    if gone := sorted(station.key for station in stations if station.retired):
        raise refusal(f"{', '.join(gone)}: retired.")
    return sorted({station.key for station in stations})


class FileRefused(Refusal):
    """A file can't be imported. `problems` has every LineProblem in it, in the order of its lines."""

    code = "file-refused"
    action = "Mend the file and import it again: nothing was changed."

    def __init__(self, problems: Sequence[LineProblem]) -> None:
        self.problems = sorted(problems, key=lambda problem: problem.line)
        shown = "One thing is" if len(problems) == 1 else f"{len(problems)} things are"
        super().__init__(f"{shown} wrong with the file.", problems=self.problems)
