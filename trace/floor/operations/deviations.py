"""Opening a deviation: which rules of the interlock it permits to break, and within what."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime

from trace.approvals.content import find_record
from trace.approvals.models import Deviation
from trace.approvals.operations import DeviationRefused
from trace.approvals.rules import read_scope
from trace.core.clock import Planned, now
from trace.core.errors import NotFound
from trace.core.keys import BadKey, clean_key, clean_text, free_key
from trace.core.models import Person
from trace.engineering.models import Step
from trace.floor.rules import DEVIABLE, NOT_DUE, RULES
from trace.ledger.operation import note, operation

LARGEST = 1_000_000
"""Uses of one deviation."""

WHOSE = ("part", "unit")
"""What says of which route a step is."""


@operation()
def open_deviation(
    *,
    key: str,
    rules: Sequence[str],
    scope: Sequence[str],
    reason: str,
    expires: Planned,
    most: int,
    by: Person,
    at: datetime,
) -> Deviation:
    """Ask for a departure from rules of the interlock: `rules` by their codes, `scope` as `kind:key` each (part, step
    by its number, station, unit, lot, equipment), until `expires`, for at most `most` units.

    It permits nothing until a quality engineer other than its author has approved it by signature. To skip a step it
    names not-due and the step. Refuses with DeviationRefused: a rule from which none may depart, or none at all; a
    scope that is empty, of a kind that one of the rules does not take, or of what there is not, or that names a step
    and neither part nor unit; no reason; an end before the beginning; no use; with BadKey, KeyInUse, BadText.
    """
    key, reason = free_key(Deviation, key), clean_text(reason, 300, "The reason")
    rules, scope = list(dict.fromkeys(rules)), list(dict.fromkeys(map(_clean, scope)))
    if problems := list(_judge(rules, reason, expires, most, at)):
        raise DeviationRefused(" ".join(problems))
    if problems := list(_judge_scope(rules, scope)):
        raise DeviationRefused(" ".join(problems))
    note(*((kind, one) for kind, keys in read_scope(scope).items() for one in keys if kind != "step"))
    return Deviation.objects.create(
        key=key,
        rules=rules,
        scope=scope,
        reason=reason,
        expires=expires,
        most=most,
        opened=at,
        opened_by=by,
        recorded=now(),
    )


def _clean(text: str) -> str:
    """A `kind:key` as the interlock's facts write it: labels in capitals, steps without zeros before."""
    kind, _, key = map(str.strip, text.partition(":"))
    return f"{kind}:{key.lstrip('0') if kind == 'step' else key.upper()}"


def _judge(rules: Sequence[str], reason: str, expires: datetime, most: int, at: datetime) -> Iterator[str]:
    if not rules:
        yield "Name the rules that it permits to break."
    for code in rules:
        if code not in DEVIABLE:
            yield f"From “{code[:40]}” nobody may deviate: {', '.join(DEVIABLE)} can be."
    if not reason:
        yield "Give the reason in a sentence."
    if expires <= at:
        yield "It would expire before it begins."
    if not 0 < most <= LARGEST:
        yield f"Between 1 and {LARGEST:,} units may make use of it, not {most}."


def _judge_scope(rules: Sequence[str], scope: Sequence[str]) -> Iterator[str]:
    named = read_scope(scope)
    if not named:
        yield "Say to what it is limited: a part, a step, a station, units, a lot or equipment."
    for kind, keys in named.items():
        if wrong := [code for code in rules if kind not in DEVIABLE[code]]:
            when = next(rule.when for rule in RULES if rule.code == wrong[0])
            may = f"{', '.join(DEVIABLE[wrong[0]][:-1])} or {DEVIABLE[wrong[0]][-1]}"
            yield f"Where {when}, a deviation may be limited to a {may}, not to “{kind[:40]}”."
            continue
        for key in keys:
            if kind == "step":
                known = key.isascii() and key.isdecimal() and len(key) < 9
                if not known or not Step.objects.filter(number=int(key), **_of_parts(named)).exists():
                    yield f"No route has a step {key[:40]}, or not that of the part named."
            else:
                try:
                    find_record(kind, clean_key(key))
                except (NotFound, BadKey) as refusal:
                    yield refusal.message
    if NOT_DUE in rules and "step" not in named:
        yield "Name the step that may be skipped, such as step:20."
    if "step" in named and named.keys().isdisjoint(WHOSE):
        yield "Every product has steps of these numbers: say of which part, such as part:CB-180, or of which units."


def _of_parts(named: dict[str, set[str]]) -> dict[str, set[str]]:
    return {"part__key__in": named["part"]} if "part" in named else {}
