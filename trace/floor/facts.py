"""What the interlock looks at, as plain data. Gathered in `admission.py`, `evidence.py` and `readings.py`."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from trace.floor.route import RouteStep


@dataclass(frozen=True)
class Doing:
    """What a step is done with: the equipment's id and key, or why it is not known; what is wrong with its
    calibration, the check pieces that it owes, what is wrong with its program; the id of the program on it."""

    pk: int | None = None
    key: str = ""
    unknown: str = ""
    calibration: str = ""
    owed: tuple[str, ...] = ()
    program: str = ""
    loaded: int | None = None


@dataclass(frozen=True)
class Facts:
    """What the interlock looks at for one unit at one station: `due` is the step that is next for it there, `choices`
    are all of which one is next, `order_closed` the order of a unit that is not begun, `given_up` a tape that is no
    good, `unfinished` one that was still being built, `unreleased` lots as (key, part, status), `not_seen` the feeds
    that keep the set-up from being verified (by another person), `first_piece` the unit that goes first and is not
    approved, `set_up_owed` whether the step asks for either and no set-up is in force, `faults` what was found wrong
    with it and is open, in words, `sample_owed` the sample tests that it owes or is in.

    Of a unit that is to pass `unread` are the characteristics without a reading in this visit, `outside` says of each
    last reading that is what it was and must be, `unfit` with which unfit equipment one was made, and what is wrong."""

    unit: str
    station: str
    due: RouteStep | None = None
    choices: tuple[RouteStep, ...] = ()
    inside_at: str | None = None
    fitted_in: str | None = None
    in_panel: str | None = None
    scrapped: bool = False
    order_closed: str = ""
    packed_in: str | None = None
    shipped_to: str | None = None
    sample_owed: str = ""
    missing_children: tuple[str, ...] = ()
    scrapped_children: tuple[str, ...] = ()
    unknown_children: tuple[str, ...] = ()
    made_later: bool = False
    without_setup: tuple[str, ...] = ()
    given_up: str = ""
    unfinished: str = ""
    expired: tuple[str, ...] = ()
    past_floor_life: tuple[str, ...] = ()
    unreleased: tuple[tuple[str, str, str], ...] = ()
    exhausted: tuple[str, ...] = ()
    who: str = ""
    asking: str = ""
    lacks: str = ""
    ran_out: datetime | None = None
    doing: Doing = Doing()
    failures: int = 0
    unread: tuple[str, ...] = ()
    outside: tuple[str, ...] = ()
    unfit: tuple[tuple[str, str], ...] = ()
    not_seen: tuple[str, ...] = ()
    by_another: bool = False
    first_piece: str = ""
    set_up_owed: bool = False
    faults: tuple[str, ...] = ()
    held: tuple[str, ...] = ()
