"""Every operation as the trade says it, for refusals, the record, pages and the API. Documented in DEVELOPERS.md."""

from __future__ import annotations

from collections.abc import Mapping

WORDS: Mapping[str, str] = {
    # who is who
    "add_person": "add a person or a machine",
    "set_roles": "give roles",
    "retire_person": "retire a person",
    "open_account": "open an account",
    "close_account": "close an account",
    "issue_token": "issue a token for the API",
    "issue_badge": "issue a badge",
    "end_badge": "end a badge",
    "issue_device": "issue a device’s secret",
    "bind_device": "bind a browser to its stations",
    "end_device": "end a device",
    # what is built, of what, how and where
    "define_site": "define the plant",
    "define_station": "define a station",
    "define_part": "define a part",
    "set_bom": "set a bill of material",
    "enter_bom": "import a bill of material",
    "enter_placements": "enter placements",
    "approve_substitute": "approve a substitute",
    "set_route": "set a route",
    "set_costs": "set standard costs and hourly rates",
    "set_panel": "set a panel",
    "set_characteristics": "set what is measured or judged",
    "revise_part": "make a new revision",
    "release_revision": "release a revision",
    "retire_part": "retire a part",
    "amend_record": "correct master data",
    "define_equipment": "define equipment",
    "move_equipment": "move equipment",
    "retire_equipment": "retire equipment",
    "define_check_piece": "define a check piece",
    "retire_check_piece": "retire a check piece",
    "define_program": "define a program",
    "load_program": "load a program",
    "record_calibration": "record a calibration",
    "record_check": "record a check",
    "set_shifts": "set the shifts",
    "set_days_off": "set the days off",
    "define_supplier": "define a supplier",
    "approve_source": "approve a source",
    "withdraw_source": "withdraw a source",
    "define_customer": "define a customer",
    "release_order": "release an order",
    # who may do a step that asks for more than a role
    "define_qualification": "define a qualification",
    "qualify_person": "record that somebody is qualified",
    "end_qualification": "end a qualification",
    # material
    "receive_package": "receive a package",
    "receive_into_quarantine": "receive a package into quarantine",
    "receive_lot": "receive a lot",
    "expect_delivery": "announce a delivery",
    "close_delivery": "close a delivery",
    "set_inspection": "set an inspection plan",
    "record_inspection": "record an inspection",
    "sort_lot": "sort a lot",
    "release_lot": "release a lot",
    "reject_lot": "reject a lot",
    "return_lot": "return a lot to its supplier",
    "rule_sampling": "rule how strictly a supplier is sampled",
    "store_container": "move a container to a store",
    "split_container": "split a container",
    "merge_containers": "merge containers",
    "make_batch": "make a batch",
    "discard_container": "discard a container",
    "open_bag": "open a dry pack",
    "seal_bag": "seal a dry pack",
    "bake_container": "bake a container",
    "rereel_container": "put a container’s parts on another reel",
    "count_container": "count a container",
    "scrap_parts": "scrap parts of a container",
    "return_container": "bring a container back to a store",
    "call_material": "call for material",
    "issue_container": "issue a container for a call",
    "deliver_call": "deliver what was called for",
    "withdraw_call": "withdraw a call",
    # set-ups, tapes and feeds
    "define_feed": "define a feed",
    "start_setup": "start a set-up",
    "start_tape": "start a tape",
    "finish_tape": "finish a tape",
    "abort_tape": "abort a tape",
    "load_head": "load a head of a tape",
    "splice_head": "splice onto a head of a tape",
    "stop_tape": "stop a tape",
    "resume_tape": "resume a tape",
    "record_empty": "record an empty place of a tape",
    "record_reading": "record what the component verifier read",
    "record_pitch": "record the pitch of a tape",
    "mount_tape": "mount a tape",
    "take_off_tape": "take a tape off a machine",
    "load_feed": "load a feed",
    "splice_feed": "splice onto a feed",
    "top_up_feed": "top up a feed",
    "charge_bath": "charge a bath",
    "dump_bath": "dump a bath",
    "set_bath_limit": "set a limit of a bath",
    "record_bath_reading": "record a reading of a bath",
    "fill_by_hand": "fill a place of a tape by hand",
    "find_on_feed": "record what was found on a feed",
    "clear_feed": "clear a feed",
    "take_off_feed": "take a container off a feed",
    # units
    "start_pass": "scan a unit in",
    "finish_pass": "scan a unit out",
    "record_passes": "record passes",
    "fit_child": "fit a unit into another",
    "fit_children": "fit units into others",
    "fit_part": "fit a part",
    "remove_part": "remove what is fitted",
    "find_child": "record a unit found in another",
    "find_empty": "record a place found empty",
    "find_loose": "record a unit found loose",
    "scrap_unit": "scrap a unit",
    # what was recorded wrongly
    "void_pass": "void a pass",
    "void_feed_record": "void a record of a feed",
    "void_bag_record": "void a record of a dry pack",
    "correct_board_sets": "correct the count of board sets",
    # what leaves
    "pack_units": "pack units",
    "unpack_unit": "unpack a unit",
    "load_shipment": "load a shipment",
    "send_shipment": "send a shipment",
    # what was decided, and the evidence
    "open_deviation": "open a deviation",
    "revoke_deviation": "revoke a deviation",
    "sign": "sign a record",
    "attach_file": "attach a file",
    # what must not move
    "place_holds": "place holds",
    "release_hold": "release a hold",
}
"""Every operation of the table of permissions, as something that somebody may or may not do."""


def in_trade_words(verb: str) -> str:
    """An operation as the trade says it. The record may know some that are no more: those by their names."""
    return WORDS.get(verb) or verb.replace("_", " ")


def sentence(verb: str) -> str:
    """The same, as it begins a line."""
    words = in_trade_words(verb)
    return words[0].upper() + words[1:]
