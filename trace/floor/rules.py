"""The interlock: may this unit make this move here? Pure decisions from facts, no database.

The rules are a table: code, what they look at, sentence, next action. Every rule is asked, so the
operator hears everything that is wrong at once.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass

from trace.core.errors import Refusal
from trace.floor.facts import Facts
from trace.holds.rules import Move


@dataclass(frozen=True)
class Rule:
    """One rule of the interlock: `when` it stops, in words; `says` gives the sentence when the facts break it,
    else None; `action` is what to do next. `moves`: what it stops. `draws_stand`: the scan itself is right, so where
    it comes after the work, what was drawn is recorded all the same; the unit has not passed. `deviable`: the
    kinds of things to which a deviation from the rule may be limited; without any there is none."""

    code: str
    when: str
    says: Callable[[Facts], str | None]
    action: str
    draws_stand: bool = False
    deviable: tuple[str, ...] = ()
    moves: tuple[Move, ...] = (Move.START,)


NOT_DUE = "not-due"
"""A deviation from it is the skip of a step, which it names."""

HERE = ("part", "step", "station", "unit")
"""To what every deviation may be limited: the part of the unit, its due step's number, the station, units by serial."""

FITNESS = (*HERE, "equipment")

NOT_RELEASED = "lot-not-released"
"""It stops loading and fitting, too. The part to which a deviation from it is limited is that of the lot."""


def _not_due(facts: Facts) -> str | None:
    if facts.due is None:
        again = "To be tested again it is first sent back to that step, by a repair of a fault found or supposed."
        return f"{facts.unit} has no step left on its route. {again}"
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


def _failed_too_often(facts: Facts) -> str | None:
    step = facts.due
    if step is None or step.attempts is None or facts.failures < step.attempts or facts.station not in step.stations:
        return None
    return f"{facts.unit} failed step {step.number}, {step.name}, {facts.failures} times; it allows {step.attempts}."


def _unfit(facts: Facts) -> str | None:
    return f"{facts.unit}: {'; '.join(what for _, what in facts.unfit)}." if facts.unfit else None


def say_not_seen(feeds: Sequence[str], by_another: bool) -> str:
    """Which feeds keep a set-up from being verified."""
    another = " by anybody but who put it there or started the set-up" if by_another else ""
    return f"What is on {', '.join(feeds)} was not seen{another} since it was put there."


def say_unreleased(lots: Iterable[tuple[str, str, str]]) -> str:
    """What is the matter with lots that are not released: (key, part, status) each."""
    return ", ".join(f"Lot {key} is {status}" for key, _, status in lots)


SCAN_CHILD = "Scan what is fitted there."

READING_OUTSIDE, READING_UNFIT = "reading-outside", "reading-unfit"

RULES: tuple[Rule, ...] = (
    Rule(
        "scrapped",
        "the unit was scrapped",
        lambda f: f"{f.unit} was scrapped." if f.scrapped else None,
        "Put it in the scrap cage.",
    ),
    Rule(
        "order-closed",
        "the unit was not begun before its order was closed",
        lambda f: f"{f.unit} was not begun, and its order {f.order_closed} is closed." if f.order_closed else None,
        "Put it aside, marked, and ask the planner.",
        draws_stand=True,
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
        "in-panel",
        "the unit is a board in a panel, which goes as one until it is parted, and was scanned alone",
        lambda f: f"{f.unit} is in panel {f.in_panel}, whose boards go together." if f.in_panel else None,
        "Scan the panel, or part it with a record first.",
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
        "sample-owed",
        "the unit was chosen for a sample test, which is not over",
        lambda f: f"{f.unit} owes the {f.sample_owed}." if f.sample_owed else None,
        "Take it to its test, or have the duty passed on to another unit, or waived.",
        draws_stand=True,
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
        "tape-not-finished",
        "the tape was not finished then: places of it may be empty, and nobody has counted its board sets",
        lambda f: f"Tape {f.unfinished} is not finished." if f.unfinished else None,
        "Take it back to the sequencer, and mount a tape that is finished.",
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
        "set-up-owed",
        "the step asks for a verified set-up or a first piece, and no set-up of its part is in force here",
        lambda f: (
            f"{f.unit}: {f.asking} asks for a verified set-up or a first piece, and none is set up here."
            if f.set_up_owed and not f.without_setup
            else None
        ),
        "Have the set-up of this station recorded, if with no feeds, and verified.",
        draws_stand=True,
    ),
    Rule(
        "set-up-not-verified",
        "the step asks for it, and what is on a feed of the set-up (baths and tapes apart) was not seen by a scan, "
        "since it last changed and the set-up began; where another person is asked for, by one who did neither",
        lambda f: say_not_seen(f.not_seen, f.by_another) if f.not_seen else None,
        "Scan each of these feeds, and what is on it.",
        draws_stand=True,
    ),
    Rule(
        "first-piece-owed",
        "the step asks for it, and the first unit since the set-up began, or since the last first piece was rejected, "
        "is not approved",
        lambda f: f"{f.first_piece} went first after the changeover and is not approved." if f.first_piece else None,
        "Wait until the first piece is approved.",
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
        "fault-open",
        "a fault of the unit is open: it was neither repaired, nor was no fault found",
        lambda f: f"{f.unit} has an open fault: {', '.join(f.faults)}." if f.faults else None,
        "Take it to repair: have it mended, or looked at until no fault is found.",
        draws_stand=True,
        deviable=HERE,
    ),
    Rule(
        "repair-limit",
        "the unit failed this step as often as the step allows, and no signed disposition lets it be tried again",
        _failed_too_often,
        "Put it aside, marked, and have it reviewed.",
        draws_stand=True,
        deviable=HERE,
    ),
    Rule(
        "reading-missing",
        "a characteristic of the step has no reading in this visit (a step at which only samples are tested asks none)",
        lambda f: f"Nothing on record in this visit for {', '.join(f.unread)} of {f.unit}." if f.unread else None,
        "Measure it, or have it judged, and record that; then scan it out.",
        draws_stand=True,
        deviable=HERE,
        moves=(Move.FINISH,),
    ),
    Rule(
        READING_OUTSIDE,
        "the last reading of a characteristic in this visit is outside its limits, or it was judged not good",
        lambda f: f"{f.unit}: {'; '.join(f.outside)}." if f.outside else None,
        "Scan it out as failed, or measure it again.",
        draws_stand=True,
        deviable=HERE,
        moves=(Move.FINISH,),
    ),
    Rule(
        READING_UNFIT,
        "the last reading of a characteristic in this visit was made with equipment that was not fit then",
        _unfit,
        "Measure it again with equipment that is fit.",
        draws_stand=True,
        deviable=FITNESS,
        moves=(Move.FINISH,),
    ),
    Rule(
        "held",
        "an open hold does not permit the move: on the unit, what is in it, the station, its set-up, tape or feeds, "
        "or the containers and lots they give",
        lambda f: ". ".join([*(one.rstrip(".") for one in f.held[:-1]), f.held[-1]]) if f.held else None,
        "Put it aside, marked, and call the quality engineer.",
        draws_stand=True,
        moves=(Move.START, Move.FINISH),
    ),
)


class Stopped(Refusal):
    """The interlock stops a move; `extra["refusals"]` lists every rule broken."""

    code = "stopped"


DRAWS_STAND = {rule.code for rule in RULES if rule.draws_stand}
"""Rules that stop a unit and leave what it drew on record, where its scan comes after the work."""

DEVIABLE = {rule.code: rule.deviable for rule in RULES if rule.deviable}
"""Rules from which an approved deviation may permit to depart: the kinds of things to which it may be limited."""


STARTING = {rule.code for rule in RULES if Move.START in rule.moves}
"""Rules that stop a unit before its work is done."""


def judge(facts: Facts, moves: Collection[Move] = (Move.START,)) -> list[Stopped]:
    """Every refusal of these moves that the facts call for, in the table's order; empty means go."""
    return [
        Stopped(f"Stop. {sentence}", action=rule.action, rule=rule.code)
        for rule in RULES
        if not {*rule.moves}.isdisjoint(moves) and (sentence := rule.says(facts))
    ]


def stop(refusals: Sequence[Stopped]) -> Stopped:
    """One refusal that says the first of these, and lists all."""
    first = refusals[0]
    listed = [(one.extra["rule"], one.message, one.action) for one in refusals]
    return Stopped(first.message, action=first.action, rule=first.extra["rule"], refusals=listed)
