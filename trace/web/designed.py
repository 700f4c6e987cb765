"""A unit as built against as designed, for reading: a sentence, and a table with what differs first."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Any

from trace.core.clock import OPEN
from trace.floor.models import Conformity, Unit
from trace.genealogy.compared import Compared, Match
from trace.web.cells import Link, Mark, Moment, Ref, Several
from trace.web.moments import Asof
from trace.web.tables import Column, Table

WORDS = {
    Match.DESIGNED: ("is as designed", "are as designed"),
    Match.SUBSTITUTE: ("has an approved substitute", "have an approved substitute"),
    Match.DEVIATION: ("was used under a deviation", "were used under a deviation"),
    Match.OTHER: ("has another part", "have another part"),
    Match.EXTRA: ("is extra", "are extra"),
    Match.MISSING: ("is empty", "are empty"),
    Match.PERHAPS: ("is perhaps empty", "are perhaps empty"),
    Match.NOTHING: ("has nothing on record", "have nothing on record"),
    Match.UNKNOWN: ("has what is not known", "have what is not known"),
}
"""What is said of one place, and of several."""

ORDER = [
    Match.OTHER, Match.EXTRA, Match.MISSING, Match.PERHAPS, Match.UNKNOWN, Match.NOTHING, Match.DEVIATION,
    Match.SUBSTITUTE, Match.DESIGNED,
]  # fmt: skip
"""What an auditor asks about comes first."""


def say_design(compared: Sequence[Compared], asof: Asof) -> list[Any]:
    """Of how many places what is said: each number leads to its rows. Nothing of a kind of which there is none."""
    counts = Counter(one.match for one in compared)
    head = f"{asof.query}&" if asof.query else "?"
    return [
        Several(
            (
                Link(number, f"{head}design-differs=&design-match={match.replace(' ', '+')}#design"),
                WORDS[match][number > 1],
            ),
            " ",
        )
        for match in reversed(ORDER)
        if (number := counts[match])
    ]


def list_conformities(unit: Unit, asof: Asof) -> list[Conformity]:
    """The revisions to which rework brought a unit up to a moment, in their order."""
    standing = unit.conformities.filter(superseded=None, at__lte=min(asof.ticks, OPEN))
    return list(standing.select_related("part", "by"))


def design_table(compared: Sequence[Compared]) -> Table:
    """Every place, what differs first; at first only that."""
    return Table(
        "design",
        "As designed, and as built",
        [
            Column("unit", "In", lambda one: Ref("unit", one.unit), choose=True),
            Column("place", "Place", lambda one: one.designator),
            Column(
                "designed", "As designed", lambda one: Ref("part", one.designed) if one.designed else "no such place"
            ),
            Column("built", "As built", _built),
            Column("things", "Which one", lambda one: Several(tuple(Ref(*thing) for thing in one.things), " or ")),
            Column("match", "How it agrees", lambda one: Mark(one.match.value), choose=True),
            Column("why", "By what", _why),
            Column("differs", "Differs", lambda one: one.match != Match.DESIGNED, choose=True, hidden=True),
        ],
        sorted(compared, key=lambda one: ORDER.index(one.match)),
        "Its revision has no places, and nothing is in it.",
        preset={"differs": "yes"},
    )


def _built(one: Compared) -> Any:
    if not one.parts:
        return "" if one.match == Match.UNKNOWN else "nothing"
    return Several(tuple(Ref("part", key) for key in one.parts), " or ")


def _why(one: Compared) -> Any:
    if one.deviation:
        return Several(("deviation", Ref("deviation", one.deviation)), " ")
    if one.approved and one.approved.at:
        who = Ref("person", one.approved.person, one.approved.name)
        return Several(("approved by", who, "on", Moment.of(one.approved.at)), " ")
    if one.approved:
        return "in the bill of material as it was released"
    return one.reason
