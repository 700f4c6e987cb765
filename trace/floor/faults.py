"""Reading faults: which are open, whether a unit failed too often, to which step one may go back."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence

from django.db.models import Exists, OuterRef, Q, QuerySet

from trace.core.clock import OPEN, to_ticks
from trace.engineering.models import Step
from trace.floor.evidence import Evidence, Visit, list_visits
from trace.floor.models import Fault, Pass, Repair, Unit
from trace.floor.readings import last_moment
from trace.floor.route import OnRoute
from trace.holds.queries import find_dispositions
from trace.holds.rules import GOES_ON


def keep_open(faults: QuerySet[Fault], at: int = OPEN) -> QuerySet[Fault]:
    """Those of them that nobody has answered, and of those found by a moment (microseconds) nobody had by then."""
    answered = Repair.objects.filter(Q(at__lte=at) | Q(faults__found__gt=at), faults=OuterRef("pk"), superseded=None)
    return faults.filter(~Exists(answered), superseded=None)


def list_open_faults(units: Iterable[Unit], at: int = OPEN) -> dict[int, list[Fault]]:
    """Per unit that has any, its faults as `keep_open` has them, the first found first."""
    found: dict[int, list[Fault]] = defaultdict(list)
    rows = keep_open(Fault.objects.filter(unit__in=list(units)), at)
    for fault in rows.select_related("code", "unit__part", "step", "station").order_by("found", "pk"):
        found[fault.unit_id].append(fault)
    return found


def count_failures(visits: Sequence[Visit], step: OnRoute | None, reviewed: int | None = None) -> int:
    """How often a unit failed a step; not at all, as far as its limit goes, where it was `reviewed` since the last
    time."""
    failed = [v for v in visits if step and v.step == step.pk and v.outcome == Pass.Outcome.FAILED]
    if reviewed is not None and all(last_moment(visit) <= reviewed for visit in failed):
        return 0
    return len(failed)


def find_reviews(units: Iterable[Unit], found: Evidence) -> dict[int, int]:
    """Per unit that failed some step as often as that allows, when a disposition that counts decided that it goes on.
    No query where no unit did."""
    failing = {
        ("unit", unit.key): unit.pk
        for unit in units
        if any(step.attempts and count_failures(found.visits[unit.pk], step) >= step.attempts
               for step in found.routes[unit.part_id])
    }  # fmt: skip
    decided = find_dispositions(failing.keys()) if failing else {}
    return {
        failing[of]: to_ticks(min(one.decided, one.recorded)) for of, one in decided.items() if one.decision in GOES_ON
    }


def wants_review(unit: Unit, step: Step) -> bool:
    """Whether a unit failed a step as often as that allows, and nobody has decided since that it goes on."""
    visits = list_visits(unit)
    if not step.attempts or count_failures(visits, step) < step.attempts:
        return False
    decided = find_dispositions({("unit", unit.key)}).get(("unit", unit.key))
    if decided is None or decided.decision not in GOES_ON:
        return True
    return count_failures(visits, step, to_ticks(min(decided.decided, decided.recorded))) > 0
