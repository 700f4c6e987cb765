"""What the page of a station says of a scan, and what it knows after it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from django.urls import reverse

from trace.core.clock import OPEN
from trace.core.errors import Refusal
from trace.core.keys import code_of
from trace.engineering.equipment import Equipment
from trace.engineering.models import Station
from trace.floor.models import Pass
from trace.floor.rules import Stopped
from trace.web.station.bench import Due, First, Fitted, Names, Together, Where, With
from trace.web.station.desk import Desk

GO, STOP, ASK = "go", "stop", "ask"


@dataclass(frozen=True)
class Say:
    """The answer to a scan: whether it is go, stop or a question, in a word, a sentence, and what to do next; every
    refusal with its action; where else to go; the designators to choose from; what to do with the label itself."""

    kind: str
    word: str
    sentence: str
    next: str = ""
    refusals: Sequence[tuple[str, str]] = ()
    links: Sequence[tuple[str, str]] = ()
    opens: str = ""
    designators: Sequence[str] = ()
    notice: str = ""


def says_of(say: Say) -> str:
    """The answer in one line, for a scan whose answer nobody waited for."""
    return " ".join([say.sentence, *(sentence for sentence, _ in say.refusals)])


def tell(result: Any, desk: Desk) -> tuple[Say, Desk]:
    """What is said of what came of a scan, and what the page knows from then on."""
    return TELLS[type(result)](result, desk)


OF_SET_UP = {"no-setup", "set-up-owed", "set-up-not-verified", "first-piece-owed", "exhausted"}
"""Rules that somebody puts right on the page of the station's set-up."""


def refuse(refusal: Refusal, station: Station) -> Say:
    """A refusal: where the interlock stops a unit, with all that is wrong with it. A hold first: what is held goes
    nowhere, whatever else there would be to do."""
    every = refusal.extra.get("refusals", ()) if isinstance(refusal, Stopped) else ()
    every = sorted(every, key=lambda one: one[0] != "held")
    refusals = [(sentence.removeprefix("Stop. "), action) for _, sentence, action in every]
    links = list(refusal.extra.get("suggestions", ()))
    if OF_SET_UP & {rule for rule, *_ in every}:
        links.append((reverse("set-up", args=[station.key]), f"How {station.key} is set up"))
    message = refusal.message.removeprefix("Stop. ")
    if len(refusals) < 2:
        return Say(STOP, "Stop", message, refusal.action, links=links)
    return Say(STOP, "Stop", f"{len(refusals)} things stop it.", refusals=refusals, links=links)


def _begun(entry: Pass, desk: Desk) -> tuple[Say, Desk]:
    say = Say(GO, "Go", f"{entry.unit.key}: step {entry.step}.", "When it is done, scan or press its result.")
    return say, replace(_next(entry, desk), unit=entry.unit.key)


WORDS: Mapping[str, tuple[str, str]] = {
    Pass.Outcome.PASSED: ("Passed", "Scan the next unit."),
    Pass.Outcome.FAILED: ("Failed", "Put it aside, marked. The step stays due."),
    Pass.Outcome.ABORTED: ("Aborted", "Put it aside, marked. The step stays due."),
    Pass.Outcome.VOID: ("Void", "Its pass was taken back since. Scan it anew."),
}


def _ended(entry: Pass, desk: Desk) -> tuple[Say, Desk]:
    each = desk.each if desk.each == Pass.Outcome.PASSED else ""
    after = replace(desk if entry.scanned_in else _next(entry, desk), unit="", each=each, fits="", since="")
    if entry.stopped:
        refusals = [(one.message.removeprefix("Stop. "), one.action) for one in entry.stopped]
        said = f"{entry.unit.key} has not passed step {entry.step}. What it drew is on record."
        return Say(STOP, "Stop", said, refusals=refusals), after
    word, following = WORDS[entry.outcome]
    return Say(GO, word, f"{entry.unit.key} {word.lower()} step {entry.step}.", following), after


def _passed(entry: Pass, desk: Desk) -> tuple[Say, Desk]:
    return _begun(entry, desk) if entry.inside else _ended(entry, desk)


def _fitted(fitted: Fitted, desk: Desk) -> tuple[Say, Desk]:
    fitting = fitted.fitting
    thing = fitting.child or fitting.container or fitting.feed
    said = f"{thing.key if thing else ''} is in {fitting.unit.key} at {fitting.designator}."
    more = f"Scan what is still to be fitted: {fitted.missing} more."
    following = more if fitted.missing else "All is in: when the work is done, scan or press its result."
    return Say(GO, "Fitted", said, following), replace(desk, unit=fitting.unit.key, fits="", since="")


def _due(due: Due, desk: Desk) -> tuple[Say, Desk]:
    said = f"{due.unit.key}: step {due.step}."
    after = replace(desk, unit=due.unit.key, fits="", since="")
    return Say(GO, "Go", said, "When it is done, scan or press its result."), after


DID = {"in": "went in", "out": "came out", "through": "went through"}


def _moved(told: Together, desk: Desk) -> tuple[Say, Desk]:
    gone = told.did in ("out", "through")
    each = desk.each if desk.each == Pass.Outcome.PASSED else ""
    after = replace(desk, unit="" if gone else code_of("carrier", told.carrier.key), fits="", since="", each=each)
    if told.following is not None:
        after = replace(after, position=str(told.following), proposed=str(told.following))
    following = "When they are done, scan or press the result of all of it."
    word, following = WORDS[told.outcome] if gone else ("Go", following)
    went = f"{told.went} unit{'s' if told.went != 1 else ''} {DID[told.did]}" if told.did else "all of it may go"
    failed = f", {told.failed} of them failed" if told.failed else ""
    said = f"{told.carrier.key}: {went}{failed}."
    if not told.behind:
        return Say(GO, word, said, following), after
    left = f"{len(told.behind)} {'stay' if len(told.behind) > 1 else 'stays'} behind."
    refusals = [
        (message if unit in message else f"{unit}: {message}", one.action)
        for unit, why in told.behind
        for one in why
        for message in [one.message.removeprefix("Stop. ")]
    ]
    aside = f"Take what stays behind out of it, marked. {following}"
    return Say(STOP, "Left behind", f"{said} {left}", aside, refusals=refusals), after


def _where(where: Where, desk: Desk) -> tuple[Say, Desk]:
    names = [place.designator for place in where.places]
    said = f"Where in {where.unit.key} does {where.thing.key} go: {' or '.join(names)}?"
    after = replace(desk, unit=where.unit.key, fits=where.thing.key, since="")
    return Say(ASK, "Where?", said, "Press its place, or type it.", designators=names), after


def _first(first: First, desk: Desk) -> tuple[Say, Desk]:
    after = replace(desk, unit="", each=first.outcome, since="")
    if not first.outcome:
        return Say(GO, "Each by itself", "Each unit is asked for its result."), after
    which = "Each unit" if first.outcome == Pass.Outcome.PASSED else "The next unit"
    return Say(ASK, first.outcome.capitalize(), f"{which} that is scanned is recorded as {first.outcome}."), after


def _with(told: With, desk: Desk) -> tuple[Say, Desk]:
    key = told.thing.key
    if isinstance(told.thing, Equipment):
        return Say(GO, "With it", f"The work is done with {key} from now on.", "Scan the unit."), replace(
            desk, equipment=key, since=""
        )
    number = str(told.position)
    said = f"The next unit draws from tape {key} at board set {number}."
    after = replace(desk, tape=key, position=number, proposed=number, since="")
    return Say(ASK, "Look", said, "If the tape shows another board set, type that. Then scan the unit."), after


def _named(names: Names, desk: Desk) -> tuple[Say, Desk]:
    return Say(ASK, "Nothing done", names.what, links=names.links, opens=names.links[0][0] if names.opens else ""), desk


def _next(entry: Pass, desk: Desk) -> Desk:
    """What is known once a unit drew at its position: the next one draws at the next."""
    number = str(entry.last + 1) if desk.proposed and entry.axis_id and entry.last < OPEN else desk.proposed
    return replace(desk, position=number, proposed=number, fits="", since="")


TELLS: Mapping[type, Callable[[Any, Desk], tuple[Say, Desk]]] = {
    Pass: _passed,
    list: lambda passes, desk: _passed(passes[0], desk),
    Fitted: _fitted,
    Due: _due,
    Together: _moved,
    Where: _where,
    First: _first,
    With: _with,
    Names: _named,
}
