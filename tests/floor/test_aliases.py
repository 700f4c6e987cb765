"""By what else a unit is known: labels that took the place of others, serials of customers and suppliers."""

from __future__ import annotations

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from tests.factories import Plant, make_person, moment, ticks
from tests.refusals import refused
from trace.core.errors import NotFound
from trace.core.keys import BadKey, code_of, label_text
from trace.exchange.arguments import Unreadable, read_arguments
from trace.floor.models import Alias, Unit
from trace.floor.naming import UnitUnclear, find_built, get_named_unit, list_label_codes, list_named_units
from trace.floor.operations.aliases import record_serial, replace_label, void_alias
from trace.floor.operations.passes import start_pass

pytestmark = pytest.mark.django_db


@pytest.fixture
def plant(settings) -> Plant:
    settings.LABEL_URL = "HTTPS://TRACE.PLANT.EXAMPLE/"
    return Plant()


def link(code: str) -> str:
    return code_of("unit", code)


def test_a_replaced_label_still_names_the_unit_and_says_so(plant: Plant) -> None:
    (board,) = plant.boards()
    key = board.key
    assert get_named_unit(link(key)).replaced == ""
    second = plant.do(replace_label, 60, unit=board, reason="scratched")
    assert (second.text, second.at) == (f"{key}-L2", ticks(60))
    third = plant.do(replace_label, 24 * 60, unit=board, label="pre-0007", reason="burnt at touch-up")
    board.refresh_from_db()
    assert (board.key, third.text) == (key, "PRE-0007")
    assert list_label_codes([board]) == {board.pk: "PRE-0007"}
    first_says = (
        f"This label of {key} was replaced on 2 March 2026 (scratched); "
        f"use the new one, {label_text('PRE-0007')}, and destroy this."
    )
    second_says = first_says.replace("2 March", "3 March").replace("scratched", "burnt at touch-up")
    for text, says in (
        (key, ""),  # typed: no label
        (label_text(key), first_says),
        (f" ]Q1{link(key).lower()}\r", first_says),
        (second.text, second_says),
        (link(second.text), second_says),
        (link("PRE-0007"), ""),
        (label_text("PRE-0007"), ""),
    ):
        named = get_named_unit(text)
        assert (named.unit, named.replaced) == (board, says), text


def test_what_is_built_is_named_by_itself_an_order_or_any_label_of_a_unit(plant: Plant) -> None:
    (board,) = plant.boards()
    label = plant.do(replace_label, 60, unit=board, reason="scratched").text
    for text in (plant.board.key, board.order.key, board.key, link(board.key), label, link(label)):
        assert find_built(text) == plant.board.key, text
    assert find_built(plant.resistor.key) == "" == find_built("NOTHING")


def test_a_serial_that_two_units_share_asks_which(plant: Plant) -> None:
    one, two = plant.boards(2)
    plant.do(record_serial, 5, unit=one, kind=Alias.Kind.CUSTOMER, serial="air/47.11 a")
    assert get_named_unit("AIR/47.11 A").unit == one
    plant.do(record_serial, 6, unit=two, kind=Alias.Kind.SUPPLIER, serial="AIR/47.11 A")
    with pytest.raises(UnitUnclear) as unclear:
        get_named_unit("air/47.11 a")
    assert unclear.value.message == f"“air/47.11 a” is a serial of 2 units: {one.key}, {two.key}."
    plant.do(record_serial, 7, unit=two, kind=Alias.Kind.CUSTOMER, serial=one.key)
    assert {named.unit for named in list_named_units(one.key)} == {one, two}
    assert [named.unit for named in list_named_units(link(one.key))] == [one], "a label is no serial of a customer’s"
    plant.do(void_alias, 8, alias=two.aliases.last(), reason="that of the unit beside it")
    assert get_named_unit(one.key).unit == one


def test_what_names_no_unit_is_said(plant: Plant) -> None:
    with pytest.raises(NotFound):
        get_named_unit("SN-NONE")
    with pytest.raises(BadKey):
        get_named_unit("SN-1.")
    reel = plant.reel("CB-1")
    assert list_named_units(code_of("container", reel.key)) == []


def test_a_name_costs_two_queries(plant: Plant) -> None:
    (board,) = plant.boards()
    with CaptureQueriesContext(connection) as queries:
        get_named_unit(link(board.key))
    assert len(queries) == 2


def test_whoever_asks_for_a_unit_may_give_any_of_its_names(plant: Plant) -> None:
    one, two = plant.boards(2)
    plant.do(replace_label, 5, unit=one, reason="torn")
    for unit in (one, two):
        plant.do(record_serial, 5, unit=unit, kind=Alias.Kind.CUSTOMER, serial="SHARED")
    plant.do(record_serial, 5, unit=one, kind=Alias.Kind.CUSTOMER, serial="OWN")
    told = {"station": "INSERT"}
    for name in (one.key, f"{one.key}-L2", label_text(one.key), link(f"{one.key}-L2"), "own"):
        arguments = read_arguments(start_pass, {**told, "unit": name}, leave_out=("by", "at"))
        assert arguments["unit"] == one, name
    for name, says in (("SHARED", "Scan the label of the one"), ("NOBODY", "No unit has the key NOBODY")):
        with pytest.raises(Unreadable) as unread:
            read_arguments(start_pass, {**told, "unit": name}, leave_out=("by", "at"))
        assert says in unread.value.message


def test_a_label_voided_gives_the_unit_back_the_one_before(plant: Plant) -> None:
    (board,) = plant.boards()
    label = plant.do(replace_label, 5, unit=board, reason="torn")
    plant.do(void_alias, 6, alias=label, reason="it was found again")
    assert list_label_codes([board]) == {board.pk: board.key}
    assert get_named_unit(link(board.key)).replaced == ""
    assert list_named_units(label.text) == []
    assert plant.do(replace_label, 7, unit=board, reason="torn again").text == f"{board.key}-L3"


def test_what_is_refused(plant: Plant) -> None:
    one, two = plant.boards(2)
    label = plant.do(replace_label, 10, unit=one, reason="torn", label="L-7")
    serial = plant.do(record_serial, 10, unit=one, kind=Alias.Kind.CUSTOMER, serial="47")
    for wrong in ({"reason": " "}, {"label": two.key}, {"label": "L-7"}, {"at": moment(9)}):
        refused(plant, "alias-refused", replace_label, 20, **{"unit": one, "reason": "torn", **wrong})
    refused(plant, "bad-key", replace_label, 20, unit=one, reason="torn", label="L 8")
    refused(plant, "bad-text", replace_label, 20, unit=one, reason="x" * 301)
    good = {"unit": one, "kind": Alias.Kind.CUSTOMER, "serial": "48"}
    for wrong in ({"serial": " "}, {"serial": "4\t8"}, {"serial": "47"}, {"kind": Alias.Kind.LABEL}):
        refused(plant, "alias-refused", record_serial, 20, **{**good, **wrong})
    refused(plant, "bad-text", record_serial, 20, **{**good, "serial": "4" * 61})
    refused(plant, "alias-refused", void_alias, 20, alias=label, reason="")
    plant.do(void_alias, 20, alias=serial, reason="read wrongly")
    refused(plant, "alias-refused", void_alias, 21, alias=serial, reason="again")
    plant.do(record_serial, 22, unit=one, kind=Alias.Kind.CUSTOMER, serial="47")
    for operation, told in (
        (replace_label, {"unit": one, "reason": "torn"}),
        (record_serial, {**good, "serial": "49"}),
        (void_alias, {"alias": label, "reason": "x"}),
    ):
        refused(plant, "not-permitted", operation, 30, **told, by=make_person(roles=["auditor"]))
    assert Unit.objects.count() == 2
