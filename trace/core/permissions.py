"""Who may do what: the roles, and one table for everything that asks. Documented from here in DEVELOPERS.md."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from django.db.models import TextChoices

from trace.core.errors import Kind, Refusal
from trace.core.verbs import in_trade_words


class Role(TextChoices):
    """What somebody answers for in the plant; a person may have several."""

    OPERATOR = "operator", "operator"
    HANDLER = "handler", "material handler"
    SEQUENCER = "sequencer", "sequencer operator"
    TECHNICIAN = "technician", "technician"
    SUPERVISOR = "supervisor", "supervisor"
    QUALITY = "quality", "quality engineer"
    AUDITOR = "auditor", "auditor"
    PLANNER = "planner", "planner"
    ADMINISTRATOR = "administrator", "administrator"


Roles = frozenset[Role]

EVERYONE: Roles = frozenset(Role)
"""Whoever has a role at all. Reading is for all of them: a recall must not wait for a permission."""

ADMINISTRATOR: Roles = frozenset({Role.ADMINISTRATOR})
PLANNING: Roles = frozenset({Role.PLANNER})
QUALITY: Roles = frozenset({Role.QUALITY})
STOPPING: Roles = frozenset({Role.SUPERVISOR, Role.QUALITY})
STATIONS: Roles = frozenset({Role.OPERATOR, Role.TECHNICIAN, Role.SUPERVISOR})
FEEDING: Roles = frozenset({Role.OPERATOR, Role.HANDLER, Role.SEQUENCER, Role.TECHNICIAN, Role.SUPERVISOR})
STORES: Roles = frozenset({Role.HANDLER, Role.SUPERVISOR})
TAPES: Roles = frozenset({Role.SEQUENCER, Role.SUPERVISOR})
BENCH: Roles = STATIONS | QUALITY
DISPATCH: Roles = frozenset({Role.OPERATOR, Role.HANDLER, Role.SUPERVISOR})
UPKEEP: Roles = frozenset({Role.TECHNICIAN, Role.QUALITY, Role.PLANNER})
JUDGING: Roles = frozenset({Role.TECHNICIAN, Role.SUPERVISOR, Role.QUALITY})
INSPECTION: Roles = frozenset({Role.TECHNICIAN, Role.QUALITY})
SIGNING: Roles = frozenset({Role.TECHNICIAN, Role.SUPERVISOR, Role.QUALITY, Role.PLANNER})
EVERYDAY: Roles = EVERYONE - {Role.AUDITOR}
"""Whoever works here; an auditor only looks."""
OFFICE: Roles = frozenset({Role.SUPERVISOR, Role.QUALITY, Role.AUDITOR, Role.PLANNER, Role.ADMINISTRATOR})
COSTS: Roles = OFFICE
"""Who may see what things cost, and what an hour at a station does: on pages, in the record and through the API."""

OPERATIONS: Mapping[str, Roles] = {
    # who is who
    "add_person": ADMINISTRATOR,
    "set_roles": ADMINISTRATOR,
    "retire_person": ADMINISTRATOR,
    "open_account": ADMINISTRATOR,
    "close_account": ADMINISTRATOR,
    "issue_token": ADMINISTRATOR,
    "issue_badge": ADMINISTRATOR,
    "end_badge": ADMINISTRATOR,
    "issue_device": ADMINISTRATOR,
    "bind_device": ADMINISTRATOR,
    "end_device": ADMINISTRATOR,
    # what is built, of what, how and where
    "define_site": PLANNING | ADMINISTRATOR,
    "define_station": PLANNING,
    "define_part": PLANNING,
    "set_bom": PLANNING,
    "enter_bom": PLANNING,
    "enter_placements": PLANNING,
    "approve_substitute": PLANNING,
    "set_route": PLANNING,
    "set_serial_rule": PLANNING,
    "set_costs": PLANNING,
    "record_outlay": QUALITY,
    "void_outlay": QUALITY,
    "set_panel": PLANNING,
    "set_packing": PLANNING,
    "set_characteristics": PLANNING,
    "set_sample_rules": PLANNING | QUALITY,
    "revise_part": PLANNING,
    "release_revision": PLANNING,
    "retire_part": PLANNING,
    "amend_record": PLANNING,
    "define_equipment": UPKEEP,
    "move_equipment": UPKEEP,
    "retire_equipment": UPKEEP,
    "define_check_piece": UPKEEP,
    "retire_check_piece": UPKEEP,
    "define_program": UPKEEP,
    "load_program": UPKEEP | STOPPING,
    "record_calibration": UPKEEP,
    "record_check": STATIONS | UPKEEP,
    "set_shifts": PLANNING | ADMINISTRATOR,
    "set_days_off": PLANNING | ADMINISTRATOR,
    "define_supplier": PLANNING,
    "define_fault_code": PLANNING | QUALITY,
    "define_cause_code": PLANNING | QUALITY,
    "approve_source": PLANNING | QUALITY,
    "withdraw_source": PLANNING | QUALITY,
    "define_customer": PLANNING,
    "define_rack": PLANNING,
    "release_order": PLANNING,
    "close_order": PLANNING,
    "reopen_order": PLANNING,
    "reschedule_order": PLANNING,
    # who may do a step that asks for more than a role
    "define_qualification": PLANNING,
    "qualify_person": STOPPING | ADMINISTRATOR,
    "end_qualification": STOPPING | ADMINISTRATOR,
    # material
    "receive_package": STORES,
    "receive_into_quarantine": STOPPING,
    "receive_lot": STORES & STOPPING,  # it asks for no approved source
    "expect_delivery": STORES | PLANNING,
    "close_delivery": STORES | PLANNING,
    "set_inspection": PLANNING | QUALITY,
    "record_inspection": INSPECTION,
    "sort_lot": INSPECTION,
    "release_lot": QUALITY,
    "reject_lot": QUALITY,
    "return_lot": QUALITY,
    "rule_sampling": QUALITY,
    "store_container": FEEDING,
    "split_container": FEEDING,
    "merge_containers": FEEDING,
    "make_batch": FEEDING,
    "discard_container": FEEDING | QUALITY,
    "open_bag": FEEDING,
    "seal_bag": FEEDING,
    "bake_container": FEEDING,
    "rereel_container": FEEDING,
    "count_container": FEEDING | QUALITY,
    "scrap_parts": FEEDING | QUALITY,
    "return_container": FEEDING,
    "call_material": FEEDING,
    "issue_container": STORES,
    "deliver_call": FEEDING,
    "withdraw_call": FEEDING,
    # set-ups, tapes and feeds
    "define_feed": PLANNING | STOPPING,
    "start_setup": FEEDING,
    "end_setup": FEEDING,
    "approve_first_piece": JUDGING,
    "reject_first_piece": JUDGING,
    "start_tape": TAPES,
    "finish_tape": TAPES,
    "abort_tape": TAPES,
    "load_head": TAPES,
    "splice_head": TAPES,
    "stop_tape": TAPES,
    "resume_tape": TAPES,
    "record_empty": TAPES,
    "record_verifier_reading": TAPES | UPKEEP,
    "record_pitch": TAPES | UPKEEP,
    "mount_tape": FEEDING,
    "take_off_tape": FEEDING,
    "load_feed": FEEDING,
    "splice_feed": FEEDING,
    "top_up_feed": FEEDING,
    "charge_bath": FEEDING,
    "dump_bath": FEEDING,
    "set_bath_limit": UPKEEP,
    "record_bath_reading": FEEDING | QUALITY,
    "fill_by_hand": FEEDING,
    "find_on_feed": FEEDING,
    "clear_feed": FEEDING,
    "take_off_feed": FEEDING,
    # units
    "start_pass": STATIONS,
    "finish_pass": STATIONS,
    "record_passes": STATIONS,
    "record_readings": STATIONS,
    "record_test": STATIONS,
    "put_in_rack": STATIONS | STORES,
    "take_from_rack": STATIONS | STORES,
    "make_panel": STATIONS | PLANNING,
    "part_panel": STATIONS,
    "start_carrier": STATIONS,
    "finish_carrier": STATIONS,
    "pass_carrier": STATIONS,
    "record_batch": STATIONS,
    "fit_child": STATIONS,
    "fit_children": STATIONS,
    "fit_part": STATIONS,
    "remove_part": BENCH,
    "swap_child": BENCH,
    "find_child": BENCH,
    "find_empty": BENCH,
    "find_loose": BENCH,
    "scrap_unit": frozenset({Role.TECHNICIAN}) | STOPPING,
    "record_fault": BENCH,
    "diagnose_fault": BENCH,
    "record_repair": STATIONS,
    "replace_label": BENCH,
    "record_serial": BENCH,
    "start_sample": BENCH,
    "record_sample": BENCH,
    "finish_sample": BENCH,
    "pass_on_sample": STOPPING,
    "waive_sample": STOPPING,
    "conform_unit": QUALITY,
    # what was recorded wrongly
    "void_pass": STOPPING,
    "void_reading": STOPPING,
    "void_sample_entry": STOPPING,
    "void_fitting": STOPPING,
    "void_fault": STOPPING,
    "void_repair": STOPPING,
    "void_slot": STOPPING,
    "void_batch": STOPPING,
    "void_count": STOPPING,
    "void_scrapped_parts": STOPPING,
    "void_feed_record": STOPPING,
    "void_bag_record": STOPPING,
    "correct_board_sets": STOPPING,
    "recall_shipment": STOPPING,
    # what came late and was refused
    "keep_refused_scan": EVERYONE,  # whoever scanned it, whatever they may do since
    "settle_refused_scan": STOPPING,
    "void_alias": STOPPING,
    "void_conformity": QUALITY,
    # what leaves
    "start_carton": DISPATCH,
    "pack_units": DISPATCH,
    "unpack_unit": DISPATCH,
    "close_carton": DISPATCH,
    "open_carton": DISPATCH,
    "start_pallet": DISPATCH,
    "stack_pallet": DISPATCH,
    "unstack_carton": DISPATCH,
    "open_shipment": DISPATCH,
    "load_shipment": DISPATCH,
    "unload_shipment": DISPATCH,
    "send_shipment": DISPATCH,
    # what came back from customers
    "receive_return": DISPATCH | QUALITY,
    "close_return": STOPPING,
    "void_return": STOPPING,
    # what was decided, and the evidence
    "open_deviation": STOPPING,
    "revoke_deviation": STOPPING,
    "sign": SIGNING,
    "attach_file": EVERYDAY,
    # what must not move, and what becomes of it
    "place_holds": STOPPING,
    "release_hold": QUALITY,
    "decide_disposition": STOPPING,
    "withdraw_disposition": STOPPING,
    # alarms
    "open_containment": STOPPING,
    "add_term": STOPPING,
    "remove_term": QUALITY,
    "take_snapshot": STOPPING,
    "write_remark": STOPPING,
    "stop_containment": STOPPING,
    "reconcile": STORES | DISPATCH | STOPPING,
    "decide_contained": STOPPING,
    "clear_units": QUALITY,
    "void_clearing": QUALITY,
    "release_contained": QUALITY,
    "write_notice": QUALITY,
    "send_notice": QUALITY,
    "void_notice": QUALITY,
    "declare_clean_point": QUALITY,
    "set_rate": QUALITY,
    "close_containment": QUALITY,
}
"""Every operation: who may do it."""

APPROVERS: Mapping[str, Roles] = {
    "containment": QUALITY,
    "deviation": QUALITY,
    "disposition": QUALITY,
    "notice": QUALITY,
    "part": PLANNING | QUALITY,
}
"""Records that count only once approved by signature, by kind: whose approval it takes. Never that of who wrote it."""

PAGES: Mapping[str, Roles] = {
    **dict.fromkeys(
        ("home", "floor", "scan", "record", "entry", "lot", "lot-unit", "container", "container-unit", "unit"), EVERYONE
    ),
    **dict.fromkeys(("deviations", "deviation", "attachment"), EVERYONE),
    **dict.fromkeys(("open-deviation", "revoke-deviation"), STOPPING),
    **dict.fromkeys(("dispositions", "disposition", "repair", "faults"), EVERYONE),
    **dict.fromkeys(("decide", "withdraw-disposition"), STOPPING),
    "scrap-unit": OPERATIONS["scrap_unit"],
    "sign": SIGNING,
    "attach": EVERYDAY,
    **dict.fromkeys(("at-station", "result-codes", "line", "line-units", "line-passes", "samples", "sample"), EVERYONE),
    **dict.fromkeys(("stock", "counts", "calls", "feeding", "set-up"), EVERYONE),
    **dict.fromkeys(("material", "deliveries", "delivery"), EVERYONE),
    "receive": STORES | QUALITY,
    **dict.fromkeys(("inspections", "inspect", "early-use"), EVERYONE),
    **dict.fromkeys(("calendar", "equipment-list", "equipment"), EVERYONE),
    "use-equipment": STATIONS | UPKEEP,
    **dict.fromkeys(("clocks", "labels", "container-label", "tape-label", "short-link"), EVERYONE),
    "bag": FEEDING,
    **dict.fromkeys(("move-equipment", "retire-equipment"), UPKEEP),
    "plan-tape": TAPES | PLANNING,
    "build-tape": TAPES | UPKEEP,
    "mount-tape": FEEDING | STOPPING,
    "set-calendar": PLANNING | ADMINISTRATOR,
    "paper": STATIONS,
    **dict.fromkeys(("tapes", "refused-scans", "orders", "travellers", "unit-label"), EVERYONE),
    **dict.fromkeys(("unit-branch", "unit-history", "unit-inside", "revisions", "compared"), EVERYONE),
    "new-order": OPERATIONS["release_order"],
    **dict.fromkeys(("racks", "rack", "rack-label", "corrections", "correct"), EVERYONE),
    **dict.fromkeys(("part", "station", "feed", "setup", "tape", "order", "carton", "shipment"), EVERYONE),
    **dict.fromkeys(("pallet", "dispatch", "pack", "stack", "load", "carton-label", "pallet-label"), EVERYONE),
    **dict.fromkeys(("packing-list", "packing-list-csv"), EVERYONE),
    **dict.fromkeys(("returns", "return"), EVERYONE),
    "receive-return": OPERATIONS["receive_return"],
    **dict.fromkeys(("customer", "supplier", "person"), EVERYONE),
    **dict.fromkeys(("containments", "containment", "containment-unit", "containment-flow"), EVERYONE),
    **dict.fromkeys(("containment-compare", "containment-narrow", "containment-snapshot"), EVERYONE),
    **dict.fromkeys(("containment-progress", "containment-notices"), EVERYONE),
    **dict.fromkeys(("containment-report", "containment-report-pdf", "containment-labels", "notice-pdf"), EVERYONE),
    "open-containment": OPERATIONS["open_containment"],
    "containment-stop": OPERATIONS["stop_containment"],
    **dict.fromkeys(("lot-cost", "container-cost", "containment-cost", "quality-cost"), COSTS),
    **dict.fromkeys(("release", "retire"), PLANNING),
    **dict.fromkeys(("lists", "list", "list-csv"), OFFICE),
    "admin": PLANNING | ADMINISTRATOR,
    "device": ADMINISTRATOR,
    "api": EVERYONE,
}
"""Every page by its route's name (or its namespace): who may open it."""

READING: Mapping[str, Roles] = {
    "standardcost": COSTS,
    "hourlyrate": COSTS,
    "qualityoutlay": COSTS,
    "device": PAGES["admin"],
}
"""Records by the name of their kind that not everybody reads; the others do who may use the API."""

WITHHELD: Mapping[str, Roles] = {"standard_cost": COSTS, "rate_per_hour": COSTS, "amount": COSTS}
"""Fields of records that not everybody reads, of whatever kind these are."""

OPEN_TO_ALL = frozenset({"sign-in", "sign-out", "badge", "station-worker"})
"""Pages for whoever comes, and the script that opens one while the server is away."""

BY_BADGE: Roles = EVERYONE - PLANNING - ADMINISTRATOR
"""What somebody may be who came by badge and PIN: four digits open no master data, and give nobody a role."""


class NotPermitted(Refusal):
    """The person's roles do not include this."""

    code = "not-permitted"
    kind = Kind.FORBIDDEN


def may(roles: Iterable[str], permitted: Roles) -> bool:
    """Whether somebody with these roles is among those permitted."""
    return not permitted.isdisjoint(roles)


def roles_of(user: Any) -> list[str]:
    """The roles of who asks; none for an account without a person, and for somebody who left."""
    person = getattr(user, "person", None)
    return person.roles if person and not person.retired else []


def in_words(roles: Roles) -> str:
    """“a planner or an administrator”, in the order of the roles."""
    names = [str(role.label) for role in Role if role in roles]
    named = [f"{'an' if name[0] in 'aeiou' else 'a'} {name}" for name in names]
    return " or ".join(filter(None, [", ".join(named[:-1]), *named[-1:]]))


def withheld(roles: Iterable[str]) -> set[str]:
    """The fields that somebody with these roles does not see."""
    return {name for name, permitted in WITHHELD.items() if not may(roles, permitted)}


def check_reads(who: str, roles: Iterable[str], what: str, permitted: Roles) -> None:
    """Refuse with NotPermitted unless one of the roles may read it."""
    if not may(roles, permitted):
        raise NotPermitted(
            f"{who} may not read {what}.", action=f"Ask {in_words(permitted)} for it.", roles=sorted(permitted)
        )


def check_permitted(who: str, roles: Iterable[str], verb: str) -> None:
    """Refuse with NotPermitted unless one of the roles may carry out the operation; nobody may one that
    the table does not name."""
    permitted = OPERATIONS.get(verb, frozenset())
    if not may(roles, permitted):
        raise NotPermitted(
            f"{who} may not {in_trade_words(verb)}.",
            action=f"Ask {in_words(permitted)} to do it." if permitted else "Nobody may.",
            verb=verb,
            roles=sorted(permitted),
        )
