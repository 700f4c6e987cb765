"""What a containment's report says of what was done: held, looked for, decided, told to customers, spent, left."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from decimal import Decimal

from trace.containment.holding import leave_out_used, say_used
from trace.containment.models import CleanPoint, Containment
from trace.containment.open_points import list_open
from trace.containment.progress import GroupProgress, summarise_progress
from trace.containment.rates import rates_of
from trace.containment.shipped import find_notice_approval, find_state
from trace.core.clock import OPEN, now_ticks, to_ticks
from trace.costing.claims import Claim, count_good, make_claim
from trace.costing.containments import Ways, summarise_ways
from trace.costing.rules import Cost, round_money
from trace.costing.spent import summarise_actuals
from trace.genealogy.forward import Population
from trace.genealogy.rules import CARRYING
from trace.holds.queries import find_disposition_approval, list_dispositions
from trace.holds.queries import find_state as find_disposition_state
from trace.labels.history import PrintedTable
from trace.labels.moments import show

ROUNDED = "Amounts are rounded only where they are shown."
MOST_POINTS = 200
"""So many things that are open alike are named on paper."""


def progress_table(it: Containment, population: Population) -> PrintedTable:
    """How far it is with what is held, group by group."""
    progress = summarise_progress(it, population)
    return PrintedTable(
        "How far it is",
        ["Of what was held", "Held", "Looked for, and found so", "Decided", "Waits for a signature", "Done", "To do",
         "The oldest of these"],
        [
            [
                *(name, str(group.held)),
                ", ".join(f"{number} {outcome}" for outcome, number in sorted(group.outcomes.items())),
                *map(str, (group.decided, group.waiting, group.done, group.to_do)),
                _oldest(group),
            ]
            for name, group in progress.groups.items()
            if group.held
        ],
        "Nothing is held by this containment yet.",
    )  # fmt: skip


def _oldest(group: GroupProgress) -> str:
    if group.oldest is None or group.oldest_since is None:
        return ""
    kind, key = group.oldest
    return f"{kind} {key}, {group.oldest_place}, since {show(to_ticks(group.oldest_since))}"


def decisions_table(it: Containment) -> PrintedTable:
    """The dispositions of what it holds, each with its approval."""
    rows = []
    for one in list_dispositions("containment", it.key).select_related("decided_by"):
        approval = find_disposition_approval(one)
        signed = f"{approval.signature.name}, {show(to_ticks(approval.signature.signed))}" if approval else ""
        rows.append(
            [
                *(one.key, one.get_decision_display(), str(one.members.count()), one.reason, one.evidence),
                *(f"{one.decided_by.name}, {show(to_ticks(one.decided))}", signed, find_disposition_state(one)),
            ]
        )
    heads = ["Number", "Decision", "Things", "Reason", "Evidence", "Decided by", "Approved by", "State"]
    return PrintedTable("What was decided", heads, rows, "Nothing was decided yet.")


def clean_points_table(it: Containment) -> PrintedTable:
    """From which serials on units are free of it."""
    points = CleanPoint.objects.filter(containment=it, superseded=None).select_related("unit__part", "by")
    return PrintedTable(
        "Clean points",
        ["Product", "First clean serial", "Reason", "Declared", "By"],
        [[one.unit.part.key, one.unit.key, one.reason, show(one.declared), one.by.name] for one in points],
        "No clean point is declared.",
    )


def notices_table(it: Containment) -> PrintedTable:
    """What customers were told."""
    rows = []
    for one in it.notices.select_related("customer", "snapshot", "drafted_by", "sent_by"):
        approval = find_notice_approval(one)
        rows.append(
            [
                *(one.key, one.customer.name, str(one.snapshot.number), one.drafted_by.name),
                approval.signature.name if approval else "",
                f"{show(one.sent)}, {one.sent_how}" if one.sent is not None else "",
                find_state(one),
            ]
        )
    heads = ["Notice", "Customer", "By snapshot", "Written by", "Approved by", "Sent", "State"]
    return PrintedTable("What they are told", heads, rows, "No notice was written.")


def list_open_points(it: Containment, population: Population) -> list[str]:
    """What is not done, in sentences: what is said of several things alike is said once, with their keys."""
    alike: dict[tuple[str, str], list[str]] = defaultdict(list)
    for point in list_open(it, population, now_ticks()):
        before, _, after = point.words.partition(point.key)
        alike[before, after].append(point.key)
    return [_say_open(before, keys, after) for (before, after), keys in alike.items()] or ["Nothing is open."]


def _say_open(before: str, keys: Sequence[str], after: str) -> str:
    """Such as: Unit U-1 is held still. Or: 2 units are held still: U-1, U-2."""
    if len(keys) == 1:
        return f"{before}{keys[0]}{after}"
    said = f"{len(keys)} {before.strip().lower()}s{after.replace(' is ', ' are ', 1).rstrip('.')}"
    more = len(keys) - MOST_POINTS
    return f"{said}: {', '.join(keys[:MOST_POINTS])}{f' and {more} more' if more > 0 else ''}."


def cost_tables(it: Containment, population: Population) -> tuple[list[str], list[PrintedTable]]:
    """What each way out would cost, what was spent, what is claimed of the supplier."""
    rates = rates_of(it)
    left = leave_out_used(it, population)
    ways = summarise_ways(left, rates)
    spent = summarise_actuals(population, it.opened, it.closed or OPEN, rates, it.clearings.all())
    claim = make_claim(left, spent, ways.costs[ways.cheapest], rates, count_good(population, rates))
    said = [
        ways.sentence,
        *ways.break_even_sentences,
        *ways.unpriced,
        say_used(population, left),
        ways.unset_sentence,
        f"Of what was spent so far and of “{ways.cheapest.words}”, {_money(claim.total, claim.currency)} "
        f"{claim.currency} is claimed of the supplier. {claim.sentence}",
        ROUNDED,
    ]
    return list(filter(None, said)), [
        _ways_table(ways),
        _lines_table("What was spent so far", spent),
        _claim_table(claim),
    ]


def _ways_table(ways: Ways) -> PrintedTable:
    currency = next(iter(ways.costs.values())).currency
    return PrintedTable(
        f"What each way out would cost, {currency}",
        ["Way out", "Certain", "Possible", "Together"],
        [
            [
                way.words,
                *(_money(cost.of(sureness=one), currency) for one in CARRYING),
                _money(cost.total, currency),
            ]
            for way, cost in ways.costs.items()
        ],
    )


def _lines_table(title: str, cost: Cost) -> PrintedTable:
    return PrintedTable(
        f"{title}, {cost.currency}",
        ["For", "What", "Where", "How many", "Amount"],
        list(_lines(cost)),
        "Nothing was spent by what is on record.",
    )


def _claim_table(claim: Claim) -> PrintedTable:
    """What is claimed, by what it is for."""
    rows = [[heading, _money(amount, claim.currency)] for heading, amount in claim.by_heading.items() if amount]
    return PrintedTable(
        f"What is claimed of the supplier, {claim.currency}",
        ["For", "Amount"],
        [*rows, ["Together", _money(claim.total, claim.currency)]] if rows else [],
        "Nothing is claimed.",
    )


def _lines(cost: Cost) -> Iterator[Sequence[str]]:
    for line in cost.lines:
        yield line.outlay.value, str(line), line.group.place.value, str(line.count), _money(line.amount, cost.currency)
    if cost.lines:
        yield "", "Together", "", "", _money(cost.total, cost.currency)


def _money(amount: Decimal, currency: str) -> str:
    return f"{round_money(amount, currency):,f}"
