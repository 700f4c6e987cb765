"""The interlock: may this unit make this move here? Pure decisions from facts, no database.

The rules are a table: code, what they look at, sentence, next action. Every rule is asked, so the
operator hears everything that is wrong at once.
"""

from __future__ import annotations

from collections.abc import Callable, Container, Iterable
from dataclasses import dataclass
from datetime import datetime
from itertools import groupby
from typing import Any, Protocol, TypeVar

from trace.core.clock import OPEN
from trace.core.errors import Refusal


@dataclass(frozen=True)
class RouteStep:
    """A step on a unit's route and where it may be done; `free_order` and `alternative` as at `Step`, the qualification
    (by its id), the kind of equipment and the program (by its key) that it needs, if any."""

    pk: int
    number: int
    name: str
    stations: tuple[str, ...]
    free_order: str = ""
    alternative: str = ""
    qualification: int | None = None
    equipment: str = ""
    program: str = ""


class OnRoute(Protocol):
    """A step, as far as its turn goes."""

    @property
    def pk(self) -> Any: ...
    @property
    def free_order(self) -> str: ...
    @property
    def alternative(self) -> str: ...


S = TypeVar("S", bound=OnRoute)


def list_due(route: Iterable[S], passed: Container[int]) -> list[S]:
    """The steps of which one is next, on a route in its order: usually one. Those that go in any order are all due
    that are left of them; alternatives are all due until one is passed."""
    for _, group in groupby(route, lambda step: (step.free_order, step.alternative) if _joined(step) else step.pk):
        steps = list(group)
        left = [step for step in steps if step.pk not in passed]
        if left and not (steps[0].alternative and len(left) < len(steps)):
            return left
    return []


def _joined(step: OnRoute) -> bool:
    return bool(step.free_order or step.alternative)


@dataclass(frozen=True)
class Doing:
    """What a step is done with: the equipment's id and key, or why it is not known; what is wrong with its
    calibration, the check pieces that it owes, what is wrong with its program."""

    pk: int | None = None
    key: str = ""
    unknown: str = ""
    calibration: str = ""
    owed: tuple[str, ...] = ()
    program: str = ""


@dataclass(frozen=True)
class Facts:
    """What the interlock looks at for one unit at one station: `due` is the step that is next for it there, `choices`
    are all of which one is next, `given_up` a tape that is no good, `unreleased` lots as (key, part, status)."""

    unit: str
    station: str
    due: RouteStep | None = None
    choices: tuple[RouteStep, ...] = ()
    inside_at: str | None = None
    fitted_in: str | None = None
    scrapped: bool = False
    packed_in: str | None = None
    shipped_to: str | None = None
    missing_children: tuple[str, ...] = ()
    scrapped_children: tuple[str, ...] = ()
    unknown_children: tuple[str, ...] = ()
    made_later: bool = False
    without_setup: tuple[str, ...] = ()
    given_up: str = ""
    expired: tuple[str, ...] = ()
    past_floor_life: tuple[str, ...] = ()
    unreleased: tuple[tuple[str, str, str], ...] = ()
    exhausted: tuple[str, ...] = ()
    who: str = ""
    asking: str = ""
    lacks: str = ""
    ran_out: datetime | None = None
    doing: Doing = Doing()
    held: tuple[str, ...] = ()


@dataclass(frozen=True)
class Rule:
    """One rule of the interlock: `when` it stops, in words; `says` gives the sentence when the facts
    break it, else None; `action` is what to do next. `draws_stand`: the scan itself is right, so where it
    comes after the work, what was drawn is recorded all the same; the unit has not passed. `deviable`: the kinds of
    things to which a deviation from the rule may be limited; without any there is none."""

    code: str
    when: str
    says: Callable[[Facts], str | None]
    action: str
    draws_stand: bool = False
    deviable: tuple[str, ...] = ()


NOT_DUE = "not-due"
"""A deviation from it is the skip of a step, which it names."""

HERE = ("part", "step", "station", "unit")
"""To what every deviation may be limited: the part of the unit, its due step's number, the station, units by serial."""

FITNESS = (*HERE, "equipment")

NOT_RELEASED = "lot-not-released"
"""It stops loading and fitting, too. The part to which a deviation from it is limited is that of the lot."""


def _not_due(facts: Facts) -> str | None:
    if facts.due is None:
        return f"{facts.unit} has no step left on its route."
    if facts.station in facts.due.stations:
        return None
    choices = facts.choices or (facts.due,)
    needs = (f"step {step.number}, {step.name}, at {' or '.join(step.stations)}" for step in choices)
    return f"{facts.unit} still needs {'; or '.join(needs)}."


def _not_qualified(facts: Facts) -> str | None:
    if not facts.lacks:
        return None
    if facts.ran_out:
        return f"{facts.who}’s qualification for {facts.lacks} ran out at {facts.ran_out:%Y-%m-%d %H:%M} UTC."
    return f"{facts.who} is not qualified for {facts.lacks}, which {facts.asking} asks for."


def say_unreleased(lots: Iterable[tuple[str, str, str]]) -> str:
    """What is the matter with lots that are not released: (key, part, status) each."""
    return ", ".join(f"Lot {key} is {status}" for key, _, status in lots)


SCAN_CHILD = "Scan what is fitted there."

RULES: tuple[Rule, ...] = (
    Rule(
        "scrapped",
        "the unit was scrapped",
        lambda f: f"{f.unit} was scrapped." if f.scrapped else None,
        "Put it in the scrap cage.",
    ),
    Rule(
        "shipped",
        "the unit is on record as shipped",
        lambda f: f"{f.unit} is on record as shipped to {f.shipped_to}." if f.shipped_to else None,
        "Call the quality engineer: it should not be here.",
    ),
    Rule(
        "packed",
        "the unit is packed in a carton",
        lambda f: f"{f.unit} is packed in carton {f.packed_in}." if f.packed_in and not f.shipped_to else None,
        "Take it out of the carton with a record first.",
    ),
    Rule(
        "fitted",
        "the unit is fitted in another",
        lambda f: f"{f.unit} is fitted in {f.fitted_in}." if f.fitted_in else None,
        "Scan the unit it is fitted in, or remove it with a record first.",
    ),
    Rule(
        "inside",
        "the unit is already inside a station",
        lambda f: f"{f.unit} is already inside {f.inside_at}." if f.inside_at else None,
        "Scan it out there first.",
    ),
    Rule(
        NOT_DUE,
        "the step due on the unit's route is not done at this station",
        _not_due,
        "Take it to where it is due.",
        deviable=HERE,
    ),
    Rule(
        "child-missing",
        "a serialised child that an earlier step should have fitted is missing",
        lambda f: f"{f.unit} still needs {', '.join(f.missing_children)}." if f.missing_children else None,
        "Fit what is missing first.",
        draws_stand=True,
    ),
    Rule(
        "child-scrapped",
        "a unit fitted in it was scrapped",
        lambda f: f"{', '.join(f.scrapped_children)} in {f.unit} was scrapped." if f.scrapped_children else None,
        "Remove it, and fit a good one.",
        draws_stand=True,
    ),
    Rule(
        "child-unknown",
        "a child was found elsewhere than recorded, and which unit is fitted in its place is not known",
        lambda f: f"Not known: {', '.join(f.unknown_children)}." if f.unknown_children else None,
        SCAN_CHILD,
        draws_stand=True,
    ),
    Rule(
        "made-later",
        "the scan lies before the unit was made",
        lambda f: f"{f.unit} was made after that moment." if f.made_later else None,
        "Give the right moment.",
    ),
    Rule(
        "no-setup",
        "the step fills places that a set-up or a tape serves, and none is in force here",
        lambda f: f"Nothing on record here gives {', '.join(f.without_setup[:5])}." if f.without_setup else None,
        "Scan the tape, or have the set-up of this station recorded.",
    ),
    Rule(
        "tape-given-up",
        "the building of the tape was given up: it goes on no machine",
        lambda f: f"Tape {f.given_up} was given up." if f.given_up else None,
        "Take it off, marked, and mount another tape.",
        draws_stand=True,
    ),
    Rule(
        "expired",
        "a lot on a feed here has passed its expiry (what is melted in a bath does not count)",
        lambda f: f"Lot {', '.join(f.expired)} on a feed here has expired." if f.expired else None,
        "Take it off the feed and load another.",
        draws_stand=True,
        deviable=(*HERE, "lot"),
    ),
    Rule(
        "floor-life-over",
        "what a feed here may give lay open for longer than its floor life",
        lambda f: (
            f"{', '.join(f.past_floor_life)} on a feed here is past its floor life." if f.past_floor_life else None
        ),
        "Take it off the feed, bake it or load another.",
        draws_stand=True,
        deviable=HERE,
    ),
    Rule(
        NOT_RELEASED,
        "a lot on a feed here is not released: quarantined until it is inspected, or rejected",
        lambda f: say_unreleased(f.unreleased) + " on a feed here." if f.unreleased else None,
        "Take it off the feed and load a lot that is released.",
        draws_stand=True,
        deviable=("station", "lot", "part"),
    ),
    Rule(
        "exhausted",
        "what was counted onto a feed here is surely used up, and nothing else is on record there",
        lambda f: f"What was loaded on {', '.join(f.exhausted)} is used up by its count." if f.exhausted else None,
        "Scan what is loaded there now.",
        draws_stand=True,
    ),
    Rule(
        "not-qualified",
        "the step asks for a qualification that whoever does it does not have then (a machine needs none)",
        _not_qualified,
        "Let somebody qualified do it, or ask the supervisor.",
        draws_stand=True,
    ),
    Rule(
        "equipment-unknown",
        "the step needs equipment of a kind, and none of it stands here, or which of several was not said",
        lambda f: f.doing.unknown or None,
        "Scan the equipment that does the work, or have it recorded where it stands.",
        draws_stand=True,
    ),
    Rule(
        "calibration-due",
        "the equipment was never calibrated, is past its due date, or failed its last calibration",
        lambda f: f"{f.doing.key} {f.doing.calibration}." if f.doing.calibration else None,
        "Take other equipment, or have it calibrated.",
        draws_stand=True,
        deviable=FITNESS,
    ),
    Rule(
        "check-piece-owed",
        "a check piece of the equipment was not run right in this shift",
        lambda f: (
            f"{f.doing.key} has not told {', '.join(f.doing.owed)} right in this shift." if f.doing.owed else None
        ),
        "Run the check pieces and record what it said.",
        draws_stand=True,
        deviable=FITNESS,
    ),
    Rule(
        "program-wrong",
        "the equipment has another program or revision on it than the step needs, or none on record",
        lambda f: f"{f.doing.key} {f.doing.program}." if f.doing.program else None,
        "Load the program that the step needs, and record it.",
        draws_stand=True,
        deviable=FITNESS,
    ),
    Rule(
        "held",
        "an open hold does not permit the move: on the unit, what is in it, the station, its set-up, tape or feeds, "
        "or the containers and lots they give",
        lambda f: " ".join(f.held) if f.held else None,
        "Put it aside, marked, and call the quality engineer.",
        draws_stand=True,
    ),
)


class Stopped(Refusal):
    """The interlock stops a move; `extra["refusals"]` lists every rule broken."""

    code = "stopped"


DRAWS_STAND = {rule.code for rule in RULES if rule.draws_stand}
"""Rules that stop a unit and leave what it drew on record, where its scan comes after the work."""

DEVIABLE = {rule.code: rule.deviable for rule in RULES if rule.deviable}
"""Rules from which an approved deviation may permit to depart: the kinds of things to which it may be limited."""


def judge(facts: Facts) -> list[Stopped]:
    """Every refusal that the facts call for, in the table's order; empty means go."""
    return [
        Stopped(f"Stop. {sentence}", action=rule.action, rule=rule.code)
        for rule in RULES
        if (sentence := rule.says(facts))
    ]


def draw_bounds(
    *,
    mode: str,
    scanned_in: int | None,
    scanned_out: int | None,
    unit_before: int,
    neighbour: int | None,
    in_batch: bool = False,
) -> tuple[int, int]:
    """(earliest, latest) moment at which a unit can have drawn, from what a station's scans prove.

    `unit_before` is the unit's last scan at another station (or when it was made); `neighbour`,
    at a one-at-a-time station, the scan there before this one, or the start of the batch that it is
    in (scans in and out faster than the work are a batch by themselves). The latest is OPEN where a
    later scan has yet to bound it.
    Gated: the two scans. One at a time: an unscanned side reaches to the neighbouring scan here.
    Loose: both sides reach to the unit's own neighbouring scans elsewhere.
    """
    if mode == "loose":
        return unit_before, OPEN
    began = unit_before if scanned_in is None else scanned_in
    if mode == "one at a time" and (scanned_in is None or in_batch):
        began = unit_before if neighbour is None else neighbour
    return began, OPEN if scanned_out is None else scanned_out
