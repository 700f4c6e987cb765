"""What is done about a containment, for pages: what it stops, how far it is, what customers are told, what changed."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from django.urls import reverse

from trace.containment.compared import Change, list_changes, list_news
from trace.containment.holding import Standing, judge_holds
from trace.containment.models import CleanPoint, Containment, Notice, Reconciliation, Snapshot
from trace.containment.narrowing import SETTLED, Look
from trace.containment.open_points import OpenPoint
from trace.containment.progress import GroupProgress, Progress
from trace.containment.shipped import find_state, list_shipped
from trace.core.clock import now_ticks
from trace.genealogy.forward import Carrier, Population
from trace.holds.queries import Subject
from trace.labels.held import list_labelled_holds
from trace.labels.paper import MOST as MOST_LABELS
from trace.web.approvals import signed_cell
from trace.web.cells import Link, Mark, Moment, Ref, Several, kind_words
from trace.web.tables import Column, Table


def list_label_links(containment: Containment) -> list[Link]:
    """Where the labels for what is held are printed, so many together."""
    number, address = list_labelled_holds(containment).count(), reverse("containment-labels", args=[containment.key])
    return [
        Link(
            f"Labels for what is held{f', {first} to {min(number, first + MOST_LABELS - 1)}' * (number > MOST_LABELS)}",
            f"{address}?from={first}",
        )
        for first in range(1, number + 1, MOST_LABELS)
    ]


# Tables --------------------------------------------------------------------------------------------------------------


def _thing(subject: Subject) -> Several:
    kind, key = subject
    return Several((kind_words(kind), Ref(kind, key)), " ")


def to_hold_table(subjects: Sequence[Subject]) -> Table:
    """What a stop holds."""
    return Table(
        "to-hold",
        "What it holds",
        [
            Column("kind", "Kind", lambda one: kind_words(one[0]), choose=True),
            Column("key", "Which", lambda one: Ref(*one)),
        ],
        subjects,
        "Nothing: all of it is held, or none of it is in the plant.",
    )


def groups_table(progress: Progress) -> Table:
    """How far it is, group by group."""

    def number(name: str, label: str) -> Column:
        return Column(name, label, lambda row: getattr(row[1], name), number=True)

    def oldest(row: tuple[str, GroupProgress]) -> Several | str:
        group = row[1]
        if group.oldest is None:
            return ""
        return Several((_thing(group.oldest), "since", Moment.of(group.oldest_since), group.oldest_place), " ")

    return Table(
        "progress",
        "How far it is",
        [
            Column("group", "Group", lambda row: row[0]),
            number("held", "Held"),
            number("not_found", "Not found yet"),
            number("decided", "Decided"),
            number("waiting", "Wait for approval"),
            number("worked", "Being worked on"),
            number("done", "Done"),
            number("to_do", "Still to do"),
            Column("oldest", "Oldest still to do", oldest),
        ],
        [(name, group) for name, group in progress.groups.items() if group.held],
        "Nothing was held for it yet.",
        note="Units inside others are held and counted as well: there may be more than there are outermost ones.",
    )


def where_to_do_table(progress: Progress) -> Table:
    """Where what is still to do is."""
    return Table(
        "to-do",
        "Where it is still to do",
        [
            Column("place", "Place", lambda row: row[0]),
            Column("number", "Things", lambda row: row[1], number=True),
        ],
        sorted(progress.places.items()),
        "Nothing is still to do.",
        sort="-number",
    )


def held_table(containment: Containment, population: Population) -> Table:
    """What is held, and what is missing before each may go."""

    def disposition(one: Standing) -> Several | str:
        it = one.disposition
        return Several((Ref("disposition", it.key), it.get_decision_display()), " ") if it else "none counts"

    return Table(
        "held",
        "Held, and what is missing before it may go",
        [
            Column("kind", "Kind", lambda one: kind_words(one.hold.target_kind), choose=True),
            Column("key", "Which", lambda one: Ref(*one.subject)),
            Column("since", "Held since", lambda one: Moment.of(one.hold.placed)),
            Column("disposition", "Disposition", disposition),
            Column("ready", "May go", lambda one: not one.missing, choose=True),
            Column("missing", "What is missing", lambda one: one.missing),
        ],
        judge_holds(containment, population, now_ticks()),
        "It holds nothing.",
    )


def found_table(containment: Containment) -> Table:
    """What came of looking for things."""
    rows = Reconciliation.objects.filter(containment=containment, superseded=None).select_related("by")
    return Table(
        "found",
        "What came of looking",
        [
            Column("thing", "Thing", lambda one: _thing((one.target_kind, one.target_key)), "target_key"),
            Column("outcome", "Outcome", lambda one: one.outcome, "outcome", choose=True),
            Column("place", "Where", lambda one: one.place, "place"),
            Column("found", "When", lambda one: Moment(one.found), "found"),
            Column("by", "By", lambda one: Ref("person", one.by.key, one.by.name), "by__key"),
        ],
        rows.order_by("-found"),
        "Nobody has looked for any of it yet. Scan each thing where it is put aside.",
        search=("target_key", "place"),
    )


def clean_points_table(containment: Containment) -> Table:
    """From which units on products are free of it."""
    points = CleanPoint.objects.filter(containment=containment, superseded=None).select_related("unit__part", "by")
    return Table(
        "clean",
        "Clean points",
        [
            Column("part", "Product", lambda one: Ref("part", one.unit.part.key, one.unit.part.name)),
            Column("unit", "Clean from", lambda one: Ref("unit", one.unit.key)),
            Column("reason", "Because", lambda one: one.reason),
            Column("declared", "Declared", lambda one: Moment(one.declared)),
            Column("by", "By", lambda one: Ref("person", one.by.key, one.by.name)),
        ],
        list(points.order_by("declared")),
        "No clean point was declared.",
    )


def open_points_table(points: Sequence[OpenPoint]) -> Table:
    """What is still open."""
    return Table(
        "open",
        "Open points",
        [Column("what", "What", lambda one: one.words), Column("key", "Its key", lambda one: one.key)],
        points,
        "Nothing is open.",
    )


def notices_table(notices: Sequence[Notice], title: str = "Notices") -> Table:
    """What customers are told."""
    signed = signed_cell("notice")

    def state(one: Notice) -> Several:
        return Several((Mark(find_state(one)), one.sent_how), " ")

    def paper(one: Notice) -> Link:
        return Link(one.key, reverse("notice-pdf", args=[one.key]), f"{one.key} as PDF")

    def snapshot(one: Notice) -> Link:
        it = one.snapshot
        href = reverse("containment-snapshot", args=[one.containment.key, it.number])
        return Link(f"{it.number} of {one.containment.key}", href, f"Snapshot {it.number} of {one.containment.key}")

    return Table(
        "notices",
        title,
        [
            Column("key", "Notice", paper),
            Column("customer", "To", lambda one: Ref("customer", one.customer.key, one.customer.name)),
            Column("state", "State", state),
            Column("signed", "Signed", lambda one: signed(one.key)),
            Column("text", "What they are told", lambda one: one.text),
            Column("snapshot", "By snapshot", snapshot),
            Column("drafted", "Written", lambda one: Moment(one.drafted)),
            Column("by", "By", lambda one: Ref("person", one.drafted_by.key, one.drafted_by.name)),
        ],
        notices,
        "No notice was written.",
    )


def shipped_table(snapshot: Snapshot) -> Table:
    """What was shipped, customer by customer: the lists of the notices."""
    return Table(
        "shipped",
        "Shipped, by the latest snapshot",
        [
            Column("customer", "Customer", lambda one: Ref("customer", one.customer), "customer", choose=True),
            Column("serial", "Serial", lambda one: Ref("unit", one.unit.key), "unit__key"),
            Column("part", "Part", lambda one: Ref("part", one.unit.part.key), "unit__part__key"),
            Column("theirs", "Their serial", lambda one: ", ".join(alias.text for alias in one.unit.theirs)),
            Column("sureness", "Sureness", lambda one: Mark(one.sureness), "sureness", choose=True),
            Column("carton", "Carton", lambda one: Ref("carton", one.carton), "carton"),
            Column("pallet", "Pallet", lambda one: Ref("pallet", one.pallet) if one.pallet else "", "pallet"),
            Column("shipment", "Shipment", lambda one: Ref("shipment", one.shipment), "shipment"),
            Column("departed", "Departed", lambda one: Moment(one.since), "since"),
        ],
        list_shipped(snapshot),
        "None of it has shipped.",
        search=("unit__key", "carton", "shipment"),
    )


# What changed --------------------------------------------------------------------------------------------------------


class Row(NamedTuple):
    """A unit that changed: how, and how it stood before and after, in words."""

    what: str
    key: str
    was: str
    now: str


WORDS = {Change.NEW: "new", Change.GONE: "gone", Change.MOVED: "moved", Change.SURENESS: "sureness changed"}

MOST = 100_000
"""So many units are listed of a change."""


def list_rows(one: Snapshot, other: Snapshot) -> Iterator[Row]:
    """What changed from a snapshot to another."""
    for change, words in WORDS.items():
        for it in list_changes(one, other, change, most=MOST):
            was, now = (it.sureness_was, it.place_was, it.key_was), (it.sureness_now, it.place_now, it.key_now)
            yield Row(words, it.key, *(" ".join(filter(None, side)) for side in (was, now)))


def list_rows_now(containment: Containment) -> Iterator[Row]:
    """What changed from the latest snapshot to the population as it is reckoned now."""
    news = list_news(containment)
    changed = {Change.NEW: news.new, Change.MOVED: news.moved, Change.SURENESS: news.judged}
    for change, carriers in changed.items():
        yield from (Row(WORDS[change], it.key, "", _stand(it)) for it in carriers)
    yield from (Row(WORDS[Change.GONE], key, "", "") for key in news.gone)


def _stand(it: Carrier) -> str:
    return f"{it.sureness.value} {it.where}"


def changes_table(rows: Sequence[Row]) -> Table:
    """The units that changed."""
    return Table(
        "changes",
        "What changed",
        [
            Column("what", "How", lambda row: row.what, choose=True),
            Column("serial", "Serial", lambda row: Ref("unit", row.key)),
            Column("was", "It was", lambda row: row.was),
            Column("now", "It is", lambda row: row.now),
        ],
        rows,
        "Nothing changed.",
    )


# What would narrow it ------------------------------------------------------------------------------------------------


def looks_table(containment: Containment, looks: Sequence[Look]) -> Table:
    """The looks that would decide most, the best first."""

    def answers(look: Look) -> str:
        return "; ".join(
            f"{one.words}: {one.outcome.certain} certain, {one.outcome.cleared} no more" for one in look.findings
        )

    def entered(look: Look) -> Link:
        of = containment.key if look.page == SETTLED else look.thing[1]
        href = reverse(look.page, args=[of]) + "#clear_units" * (look.page == SETTLED)
        return Link("enter it", href, f"Enter the result: {look.words}")

    return Table(
        "looks",
        "Looks, the best first",
        [
            Column("look", "Look", lambda look: look.words),
            Column("minutes", "Minutes, about", lambda look: look.minutes, number=True),
            Column("decides", "Units it decides, on average", lambda look: round(look.decides, 1), number=True),
            Column("answers", "What each answer would decide", answers),
            Column("page", "Its result", entered),
        ],
        looks,
        "No single look would decide any of it.",
        note="Minutes are rough, for ranking only. Once the result is on record, the population follows it. A record "
        "at a feed is put right there (“This is wrong”) and told again, with when it was; units are cleared by their "
        "test, once they are held and to be sorted.",
    )
