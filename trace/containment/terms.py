"""The terms of a suspicion: what each kind takes, what it suspects, and the sentence that names it."""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass
from typing import Any, NamedTuple

from django.db.models import Model

from trace.containment.models import Kind, Term
from trace.containment.supplied import Named, name_part, name_supplier
from trace.core.clock import OPEN, Ticks, from_ticks
from trace.core.errors import Kind as Refused
from trace.core.errors import Refusal
from trace.core.models import Person
from trace.engineering.equipment import Equipment, Program
from trace.engineering.models import Characteristic, FaultCode, Part, Station
from trace.engineering.queries import get_zone
from trace.floor.models import Unit
from trace.genealogy.process import WAYS
from trace.genealogy.suspicion import Failed, Faulty, Of, Run, Suspicion, Window
from trace.material.date_codes import read_date_code
from trace.material.models import Axis, Container, FeedRecord, Lot, SetUp, Supplier, Tape


class BadTerm(Refusal):
    """A term can't be as told: something is missing, not known, or the wrong way round."""

    code = "bad-term"
    kind = Refused.UNREADABLE
    action = "Correct what is named."


@dataclass(frozen=True)
class Told:
    """A term as somebody tells it."""

    kind: str
    subject: str
    since: Ticks | None = None
    until: Ticks | None = None
    first: int | None = None
    last: int | None = None
    codes_from: str = ""
    codes_to: str = ""
    detail: str = ""
    way: str = ""


Telling = Told | Term
"""A term as it is told, or as a containment keeps it."""


WINDOW = ("since", "until")
POSITIONS = ("first", "last")
CODES = ("codes_from", "codes_to")

WORDS = {
    "since": "a beginning",
    "until": "an end",
    "first": "a first position",
    "last": "a last position",
    "codes_from": "a first date code",
    "codes_to": "a last date code",
    "detail": "a detail",
    "way": "a way of failing",
}
"""The fields of a term, as a refusal names them."""


class Form(NamedTuple):
    """A kind of term: of what it names a key; the fields that it may take, and of which it needs one (with what is
    said otherwise); what it suspects, from the term and the thing named; its sentence."""

    model: type[Model]
    takes: Collection[str]
    resolve: Callable[[Telling, Any], Suspicion]
    describe: Callable[[Telling, Any], str]
    needs: tuple[Collection[str], str] = ((), "")


def check_term(told: Telling) -> None:
    """Refuse with BadTerm a term of which something is missing, not known, or the wrong way round."""
    form, thing = _read(told)
    for field, words in WORDS.items():
        if field not in form.takes and getattr(told, field) not in (None, ""):
            raise BadTerm(f"A {_label(told)} takes no {words.split(' ', 1)[1]}.", action="Leave it out.")
    needed, why = form.needs
    if needed and all(getattr(told, field) in (None, "") for field in needed):
        raise BadTerm(why, action=f"Give {' or '.join(WORDS[field] for field in needed)}.")
    if told.since is not None and told.until is not None and told.since >= told.until:
        raise BadTerm("It ends before it begins.", action="Give the earlier moment first.")
    if told.first is not None and told.last is not None and told.first > told.last:
        raise BadTerm("The last position lies before the first.", action="Give the lower position first.")
    codes = [_read_code(told, field) for field in CODES]
    if codes[0] and codes[1] and codes[0] > codes[1]:
        raise BadTerm(
            f"Date code {told.codes_to} is older than {told.codes_from}.", action="Give the older date code first."
        )
    if told.way not in WAYS:
        raise BadTerm(
            f"“{told.way}” is no way of failing.", action="Say below, above or outside, or nothing for any way."
        )
    form.resolve(told, thing)


def resolve_term(told: Telling) -> Suspicion:
    """What a term suspects. Refuses with BadTerm what is not known."""
    form, thing = _read(told)
    return form.resolve(told, thing)


def describe_term(told: Telling) -> str:
    """A term in a line of words, as a sentence takes it. Refuses with BadTerm what is not known."""
    form, thing = _read(told)
    return form.describe(told, thing)


def _read(told: Telling) -> tuple[Form, Any]:
    if told.kind not in FORMS:
        raise BadTerm(f"“{told.kind}” is nothing that is suspected.", action=f"Say one of {', '.join(FORMS)}.")
    form = FORMS[told.kind]
    thing = form.model._default_manager.filter(key=told.subject).first() if told.subject else None
    if thing is None:
        named = f"no {_label(told)} {told.subject}" if told.subject else f"no {_label(told)} named"
        raise BadTerm(f"There is {named}.", action="Scan it, or check its key.")
    return form, thing


def _label(told: Telling) -> str:
    return str(Kind(told.kind).label)


def _read_code(told: Telling, field: str) -> tuple[int, int] | None:
    text = getattr(told, field)
    code = read_date_code(text)
    if text and code is None:
        raise BadTerm(f"“{text}” is no date code.", action="Give year and week as four digits: 2409 is week 9 of 2024.")
    return code


# What each suspects --------------------------------------------------------------------------------------------------


def _window(told: Telling) -> tuple[int, int]:
    return told.since or 0, OPEN if told.until is None else told.until


def _of_lot(told: Telling, lot: Lot) -> Suspicion:
    return Suspicion(lots=frozenset([lot.pk]))


def _of_container(told: Telling, container: Container) -> Suspicion:
    return Suspicion(containers=frozenset([container.pk]))


def _of_charge(told: Telling, container: Container) -> Suspicion:
    if not FeedRecord.objects.filter(container=container, act=FeedRecord.Act.CHARGE, superseded=None).exists():
        raise BadTerm(
            f"{container.key} was charged into no bath.", action="Name the bar, bag or can that went into the bath."
        )
    return _of_container(told, container)


def _of_supplier(told: Telling, supplier: Supplier) -> Suspicion:
    codes = _read_code(told, "codes_from"), _read_code(told, "codes_to")
    return _suspect(name_supplier(supplier, *codes, *_window(told)))


def _of_part(told: Telling, part: Part) -> Suspicion:
    return _suspect(name_part(part, *_window(told)))


def _suspect(named: Named) -> Suspicion:
    return Suspicion(frozenset(named.lots), frozenset(named.containers))


def _of_tape(told: Telling, tape: Tape) -> Suspicion:
    return Suspicion(runs=frozenset([Run(Axis.objects.get(tape=tape).pk, *_positions(told))]))


def _of_setup(told: Telling, setup: SetUp) -> Suspicion:
    first, end = _positions(told)
    first, end = max(first, setup.first), min(end, setup.end)
    if first >= end:
        raise BadTerm(
            f"Set-up {setup.key} did not serve there.", action="Give positions between its beginning and its end."
        )
    return Suspicion(runs=frozenset([Run(setup.axis_id, first, end, setup.assembly_id)]))


def _positions(told: Telling) -> tuple[int, int]:
    return told.first or 0, OPEN if told.last is None else told.last + 1


def _of_work(of: Of) -> Callable[[Telling, Any], Suspicion]:
    return lambda told, thing: Suspicion(windows=frozenset([Window(thing.pk, *_window(told), of)]))


def _of_program(told: Telling, program: Program) -> Suspicion:
    return _of_work(Of.PROGRAM)(told, _revision(told, program))


def _revision(told: Telling, program: Program) -> Program:
    if not told.detail:
        return program
    found = Program.objects.filter(kind=program.kind, name=program.name, revision=told.detail).first()
    if found is None:
        raise BadTerm(f"Program {program.name} has no revision {told.detail}.")
    return found


def _of_characteristic(told: Telling, part: Part) -> Suspicion:
    it = _find_characteristic(told, part)
    limits = {"below": [it.lower], "above": [it.upper], "outside": [it.lower, it.upper]}
    if told.way in limits and not any(limit is not None for limit in limits[told.way]):
        raise BadTerm(
            f"{it.name} has no limit that it could be {told.way}.", action="Leave the way out: any failure counts then."
        )
    return Suspicion(failures=frozenset([Failed(it.pk, told.way, *_window(told))]))


def _find_characteristic(told: Telling, part: Part) -> Characteristic:
    number, _, name = told.detail.partition(":")
    number, name = number.strip(), name.strip()
    found = Characteristic.objects.filter(part=part, name=name)
    it = found.filter(step_number=int(number)).first() if number.isdecimal() else None
    if it is None:
        known = Characteristic.objects.filter(part=part).values_list("step_number", "name")
        raise BadTerm(
            f"“{told.detail}” is not read of {part.key}.",
            action=f"Read of it: {', '.join(f'{step}: {name}' for step, name in known)}."
            if known
            else "Nothing is read of this part: name another.",
        )
    return it


def _of_fault(told: Telling, code: FaultCode) -> Suspicion:
    return Suspicion(failures=frozenset([Faulty(code.pk, told.detail.strip(), *_window(told))]))


def _of_unit(told: Telling, unit: Unit) -> Suspicion:
    return Suspicion(units=frozenset([unit.pk]))


# Sentences -----------------------------------------------------------------------------------------------------------


def _when(told: Telling) -> str:
    """The window in words, with the blank before it."""
    since, until = ("" if moment is None or moment >= OPEN else _moment(moment) for moment in (told.since, told.until))
    if since and until:
        return f" from {since} to {until}"
    return f" since {since}" if since else f" until {until}" if until else ""


def _moment(ticks: int) -> str:
    return f"{from_ticks(ticks).astimezone(get_zone()):%Y-%m-%d %H:%M}"


def _where(told: Telling, axis: Axis) -> str:
    """The positions in words, with the comma before them."""
    if told.first is None and told.last is None:
        return ""
    name = {Axis.Kind.TAPE: "board set", Axis.Kind.COUNT: "cycle"}.get(Axis.Kind(axis.kind), "moment")
    first, last = (
        position
        if position is None or name != "moment"
        else f"{from_ticks(position).astimezone(get_zone()):%Y-%m-%d %H:%M}"
        for position in (told.first, told.last)
    )
    if first is not None and last is not None:
        return f", {name} {first}" if first == last else f", {name}s {first} to {last}"
    return f", from {name} {first} on" if first is not None else f", up to {name} {last}"


def _say_lot(told: Telling, lot: Lot) -> str:
    return f"lot {lot.key} of {lot.supplier.name}"


def _say_supplier(told: Telling, supplier: Supplier) -> str:
    codes = ""
    if told.codes_from or told.codes_to:
        span = f"from {told.codes_from} to {told.codes_to}"
        if not told.codes_to:
            span = f"from {told.codes_from} on"
        elif not told.codes_from:
            span = f"up to {told.codes_to}"
        codes = f" with a date code {span}, or with none that can be read"
    when = _when(told)
    return f"what {supplier.name} delivered{codes}{when and f', received{when}'}"


def _say_part(told: Telling, part: Part) -> str:
    return f"every container of {part.key} {part.name} in the plant{_when(told)}"


def _say_characteristic(told: Telling, part: Part) -> str:
    it = _find_characteristic(told, part)
    how = {"": "not good", "outside": "outside its limits"}.get(told.way, f"{told.way} its limit")
    return f"units of {part.key} with {it.name} {how} at step {it.step_number}{_when(told)}"


def _say_fault(told: Telling, code: FaultCode) -> str:
    at = f" at {told.detail.strip()}" if told.detail.strip() else ""
    return f"units with {code.name}{at}, found{_when(told) or ' at any time'}"


SINCE_WHEN = (WINDOW, "It does not say when: all that was ever done there would be suspect.")

FORMS: dict[str, Form] = {
    Kind.LOT: Form(Lot, (), _of_lot, _say_lot),
    Kind.CONTAINER: Form(Container, (), _of_container, lambda told, it: f"{it.kind} {it.key} of lot {it.lot.key}"),
    Kind.SUPPLIER: Form(
        Supplier,
        (*CODES, *WINDOW),
        _of_supplier,
        _say_supplier,
        ((*CODES, *WINDOW), "It names neither date codes nor when it was received: all that they ever delivered."),
    ),
    Kind.PART: Form(Part, WINDOW, _of_part, _say_part),
    Kind.CHARGE: Form(Container, (), _of_charge, lambda told, it: f"the charge {it.key} of lot {it.lot.key}"),
    Kind.TAPE: Form(
        Tape, POSITIONS, _of_tape, lambda told, it: f"tape {it.key}{_where(told, Axis.objects.get(tape=it))}"
    ),
    Kind.SETUP: Form(SetUp, POSITIONS, _of_setup, lambda told, it: f"set-up {it.key}{_where(told, it.axis)}"),
    Kind.STATION: Form(
        Station, WINDOW, _of_work(Of.STATION), lambda told, it: f"work at {it.key} {it.name}{_when(told)}", SINCE_WHEN
    ),
    Kind.PERSON: Form(
        Person, WINDOW, _of_work(Of.PERSON), lambda told, it: f"work of {it.key} {it.name}{_when(told)}", SINCE_WHEN
    ),
    Kind.EQUIPMENT: Form(
        Equipment,
        WINDOW,
        _of_work(Of.EQUIPMENT),
        lambda told, it: f"work done with {it.key} {it.name}{_when(told)}",
        SINCE_WHEN,
    ),
    Kind.PROGRAM: Form(
        Program,
        (*WINDOW, "detail"),
        _of_program,
        lambda told, it: f"work under program {_revision(told, it)}{_when(told)}",
    ),
    Kind.CHARACTERISTIC: Form(
        Part,
        (*WINDOW, "detail", "way"),
        _of_characteristic,
        _say_characteristic,
        (("detail",), "It does not say what was read: give the step's number and the name, such as 20: Ripple."),
    ),
    Kind.FAULT: Form(FaultCode, (*WINDOW, "detail"), _of_fault, _say_fault),
    Kind.UNIT: Form(Unit, (), _of_unit, lambda told, it: f"unit {it.key}"),
}
