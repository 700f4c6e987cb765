"""Rows of a containment that are right, and what breaks each named constraint on them (`tests/test_constraints.py`)."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal
from typing import Any

from django.db import models

from tests.factories import Plant, moment
from trace.containment.models import (
    CleanPoint,
    Clearing,
    Containment,
    ContainmentRate,
    Notice,
    Reconciliation,
    Remark,
    Snapshot,
    SnapshotStock,
    SnapshotUnit,
    Term,
    Watch,
)
from trace.floor.models import Customer
from trace.holds.models import Disposition, DispositionMember, Hold

Make = Callable[[Plant], models.Model]


def alarm(p: Plant) -> Containment:
    return Containment(key="CM-1", problem="drifts", opened=5, opened_by=p.ann, recorded=6)


def over(p: Plant) -> Containment:
    it = alarm(p)
    it.closed, it.closed_by, it.close_reason, it.close_recorded = 7, p.ann, "all found", 8
    return it


def _kept(p: Plant) -> Containment:
    it = Containment.objects.filter(key="CM-1").first() or alarm(p)
    it.save()
    return it


def term(p: Plant) -> Term:
    window = {"since": 1, "until": 2, "first": 3, "last": 4}
    return Term(containment=_kept(p), number=1, kind="lot", subject="L", added=5, by=p.ann, recorded=6, **window)


def removed_term(p: Plant) -> Term:
    it = term(p)
    it.removed, it.removed_by, it.remove_reason = 9, p.ann, "another lot"
    return it


def snapshot(p: Plant) -> Snapshot:
    counts = {"certain": 1, "possible": 0, "cleared": 0, "shipped": 0, "customers": 0}
    return Snapshot(containment=_kept(p), number=1, taken=7, by=p.ann, event=0, why="asked", **counts)


def _kept_snapshot(p: Plant) -> Snapshot:
    it = snapshot(p)
    it.save()
    return it


def snapshot_unit(p: Plant) -> SnapshotUnit:
    (board,) = p.boards()
    told = {"sureness": "certain", "direct": True, "place": "waiting"}
    return SnapshotUnit(snapshot=_kept_snapshot(p), unit=board, part="BOARD", top=board.key, outermost=True, **told)


def snapshot_stock(p: Plant) -> SnapshotStock:
    told = {"part": "RES", "place": "in the store", "wholly": True}
    return SnapshotStock(snapshot=_kept_snapshot(p), kind="reel", key="R1", **told)


def reconciliation(p: Plant) -> Reconciliation:
    told = {"target_kind": "unit", "target_key": "U", "outcome": "segregated", "place": "cage"}
    return Reconciliation(containment=_kept(p), found=7, by=p.ann, **told)


def clearing(p: Plant) -> Clearing:
    (board,) = p.boards()
    return Clearing(containment=_kept(p), unit=board, evidence="passed", cleared=7, by=p.ann)


def voided_clearing(p: Plant) -> Clearing:
    it = clearing(p)
    it.superseded, it.superseded_by, it.reason = 9, p.ann, "wrong unit"
    return it


def clean_point(p: Plant) -> CleanPoint:
    (board,) = p.boards()
    return CleanPoint(containment=_kept(p), unit=board, reason="new lot", declared=7, by=p.ann)


def notice(p: Plant) -> Notice:
    customer = Customer.objects.create(key="CUST-N", name="A customer")
    told = {"customer": customer, "text": "please hold", "drafted": 7, "drafted_by": p.ann, "list_digest": "0" * 64}
    return Notice(key="N-1", containment=_kept(p), snapshot=_kept_snapshot(p), **told)


def sent_notice(p: Plant) -> Notice:
    it = notice(p)
    it.sent, it.sent_by, it.sent_how = 9, p.ann, "by post"
    return it


def voided_notice(p: Plant) -> Notice:
    it = notice(p)
    it.superseded, it.reason = 9, "another list"
    return it


def held_under(p: Plant) -> Hold:
    told = {"target_kind": "unit", "target_key": "U", "reason": "suspect", "under": "CM-1"}
    return Hold(placed=moment(), placed_by=p.ann, recorded=moment(), **told)


def rate(p: Plant) -> ContainmentRate:
    return ContainmentRate(containment=_kept(p), name="sorting", value=Decimal(1), given=7, by=p.ann)


def remark(p: Plant) -> Remark:
    return Remark(containment=_kept(p), heading="cause", text="wet flux", written=7, by=p.ann)


def watch(p: Plant) -> Watch:
    return Watch(containment=_kept(p))


def member(p: Plant) -> DispositionMember:
    told = {"target_kind": "containment", "target_key": "CM-1", "decision": "rework", "reason": "x"}
    one = Disposition.objects.create(key="D-9", decided=moment(), recorded=moment(), decided_by=p.ann, **told)
    return DispositionMember(disposition=one, kind="unit", key="U")


def again(make: Make) -> Make:
    """Another row like one that is saved."""

    def second(p: Plant) -> models.Model:
        row = make(p)
        row.save(force_insert=True)
        row.pk, row._state.adding = None, True
        return row

    return second


BREAKS: dict[str, list[tuple[Make, dict[str, Any]]]] = {
    "containment_names_its_problem": [(alarm, {"problem": ""})],
    "containment_closed_with_a_reason": [
        (over, {"close_reason": ""}),
        (over, {"closed_by": None}),
        (over, {"close_recorded": None}),
        (over, {"closed": None}),
        (alarm, {"open_points": "not found"}),
    ],
    "containment_runs_forward": [(over, {"closed": 4})],
    "terms_are_numbered": [(again(term), {})],
    "term_window_runs_forward": [(term, {"until": 1})],
    "term_positions_run_forward": [(term, {"last": 2})],
    "term_removed_with_a_reason": [
        (removed_term, {"remove_reason": ""}),
        (removed_term, {"removed_by": None}),
        (removed_term, {"removed": None}),
    ],
    "snapshots_are_numbered": [(again(snapshot), {})],
    "unit_once_in_a_snapshot": [(again(snapshot_unit), {})],
    "stock_once_in_a_snapshot": [(again(snapshot_stock), {})],
    "reconciled_once": [(again(reconciliation), {})],
    "what_is_segregated_is_somewhere": [(reconciliation, {"place": ""})],
    "unit_cleared_once": [(again(clearing), {})],
    "clearing_has_evidence": [(clearing, {"evidence": ""})],
    "clearing_voided_with_a_reason": [
        (voided_clearing, {"reason": ""}),
        (voided_clearing, {"superseded_by": None}),
        (voided_clearing, {"superseded": None}),
    ],
    "clean_point_has_a_reason": [(clean_point, {"reason": ""})],
    "notice_says_something": [(notice, {"text": ""})],
    "notice_sent_by_somebody": [
        (sent_notice, {"sent": None}),
        (sent_notice, {"sent_by": None}),
        (sent_notice, {"sent_how": ""}),
    ],
    "one_notice_to_send": [(again(notice), {"key": "N-2"})],
    "sent_notice_stays": [(sent_notice, {"superseded": 10, "reason": "x"})],
    "notice_given_up_for_a_reason": [(voided_notice, {"reason": ""}), (voided_notice, {"superseded": None})],
    "held_once_under_a_containment": [(again(held_under), {})],
    "one_rate_of_a_name": [(again(rate), {})],
    "rate_of_a_containment_not_negative": [(rate, {"value": Decimal(-1)})],
    "one_remark_under_a_heading": [(again(remark), {})],
    "remark_says_something": [(remark, {"text": ""})],
    "watch_share_is_per_cent": [(watch, {"share": 101})],
    "member_once_in_a_disposition": [(again(member), {})],
}
