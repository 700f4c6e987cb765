"""Supplier labels against worked strings, damaged ones, scanners that change separators, and random labels."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from trace.exchange.supplier_label import (
    EOT,
    GS,
    MEANINGS,
    RS,
    LabelRefused,
    looks_like_label,
    read_label_text,
    read_week,
    write_label,
)

# Strings printed in public sources. The first is the example of EIGP 114.2018, Appendix, as public unit tests carry it;
# the others are labels as public readers of distributors' codes carry them in their tests.
WORKED = {
    f"[)>{RS}06{GS}P596-777A1-ND{GS}1PXAF4444{GS}Q3{GS}10D1452{GS}1TBF1103{GS}4LUS{RS}{EOT}": {
        "P": "596-777A1-ND", "1P": "XAF4444", "Q": "3", "10D": "1452", "1T": "BF1103", "4L": "US",
    },
    f"[)>{RS}06{GS}PLTC4125EUFD#TRPBF{GS}1PLTC4125EUFD#TRPBF{GS}30PLTC4125EUFD#TRPBF{GS}K{GS}1K89528309{GS}10K108225976"
    f"{GS}9D2332{GS}1TAY10429.10{GS}11K1{GS}4LTH{GS}Q5{GS}11ZPICK{GS}12Z14562581{GS}13Z999999{GS}20Z000000{RS}{EOT}": {
        "P": "LTC4125EUFD#TRPBF", "30P": "LTC4125EUFD#TRPBF", "9D": "2332", "1T": "AY10429.10", "4L": "TH", "Q": "5",
    },
    f"[)>{RS}06{GS}30P296-LM358BIDDFRCT-ND{GS}K{GS}1K72991337{GS}10K85781337{GS}11K1{GS}4LPH{GS}Q10{GS}11ZPICK": {
        "30P": "296-LM358BIDDFRCT-ND", "Q": "10", "4L": "PH", "P": "",
    },
    f"[)>{RS}06{GS}PCUST-01{GS}1PSTM32F302C8T6{GS}1TGQ23J{GS}4LCN{GS}Q100{RS}{EOT}": {
        "P": "CUST-01", "1P": "STM32F302C8T6", "1T": "GQ23J", "4L": "CN", "Q": "100",
    },
    # The field sets of EIGP's sample labels (public label generator samples): a logistic label.
    write_label([("K", "1234567891234"), ("4K", "2"), ("1P", "DEF3R3H2055"), ("Q", "50"), ("4S", "81664789011239840"),
                 ("10D", "1452"), ("4L", "US"), ("1T", "ABC123456789")]): {
        "K": "1234567891234", "4K": "2", "4S": "81664789011239840", "1T": "ABC123456789",
    },
}  # fmt: skip


@pytest.mark.parametrize(("text", "fields"), WORKED.items())
def test_worked_labels_say_what_is_printed(text: str, fields: Mapping[str, str]) -> None:
    label = read_label_text(text)
    assert {name: label.first(name) for name in fields} == fields
    assert label.quantity == Decimal(fields.get("Q") or label.first("Q"))


def test_the_example_of_the_guideline_in_full() -> None:
    label = read_label_text(next(iter(WORKED)))
    (lot,) = label.lots
    assert (lot.number, lot.quantity, lot.date_code, lot.week, lot.expiry) == (
        "BF1103", Decimal(3), "1452", (2014, 52), None,
    )  # fmt: skip
    assert (label.own_number, label.numbers, label.origin, label.package) == ("596-777A1-ND", ["XAF4444"], "US", "")
    assert not label.remarks and label.text.startswith("[)>␞06␝P596") and label.text.endswith("␞␄")
    logistic = read_label_text(list(WORKED)[-1])
    assert (logistic.package, logistic.order, logistic.order_line) == ("81664789011239840", "1234567891234", "2")


def test_a_label_whose_end_is_missing_says_so() -> None:
    assert "end was not read" in read_label_text(list(WORKED)[2]).remarks[0]


@pytest.mark.parametrize(
    ("text", "why"),
    [
        (f"[)>06{GS}P123", "RS"),
        (f"[)>{RS}05{GS}P123{RS}{EOT}", "GS1 application identifiers"),
        (f"[)>{RS}06P123{RS}{EOT}", "GS"),
        ("[)>06P123Q5", "separators between"),
        (f"){RS}06{GS}P123{RS}{EOT}", "does not begin"),
        (f"x[)>{RS}06{GS}P123{RS}{EOT}", "stands before"),
        (f"[)>{RS}06{GS}P123{RS}{EOT}[)>{RS}06{GS}P123", "scanned twice"),
        (f"[)>{RS}06{GS}P123{EOT}", "before the label’s end"),
        (f"[)>{RS}06{GS}{RS}{EOT}", "no fields"),
        (f"[)>{RS}06{GS}P1{GS}#5{RS}{EOT}", "no data identifier"),
        (f"[)>{RS}06{GS}P1{GS}K\x00{RS}{EOT}", "character"),
        (f"[)>{RS}06{GS}P1{GS}P2{RS}{EOT}", "twice"),
        (f"[)>{RS}06{GS}Q1{GS}Q2{RS}{EOT}", "twice"),
        (f"[)>{RS}06{GS}1TA{GS}10D2601{GS}10D2602{RS}{EOT}", "date code twice"),
        (f"[)>{RS}06{GS}Qfive{RS}{EOT}", "no quantity"),
        (f"[)>{RS}06{GS}Q0{RS}{EOT}", "no quantity"),
        (f"[)>{RS}06{GS}14D20260231{RS}{EOT}", "no day"),
        (f"[)>{RS}06{GS}14D260101{RS}{EOT}", "no day"),
        (f"[)>{RS}06{GS}1TA/B{GS}14Q1000/500{GS}Q1400{RS}{EOT}", "1500 together, but its total is 1400"),
        (f"[)>{RS}06{GS}1TA/B{GS}14Q1000/400/100{GS}Q1500{RS}{EOT}", "quantities of 3"),
        (f"[)>{RS}06{GS}P{'1' * 1000}{RS}{EOT}", "more than"),
    ],
)
def test_a_damaged_label_is_refused_with_what_is_wrong(text: str, why: str) -> None:
    assert looks_like_label(text)
    with pytest.raises(LabelRefused) as refused:
        read_label_text(text)
    assert why in refused.value.message and refused.value.action


def test_a_stray_sign_before_the_beginning_is_told_of() -> None:
    label = read_label_text(f">[)>{RS}06{GS}1PDR331-513AE{GS}Q4{RS}{EOT}")
    assert label.numbers == ["DR331-513AE"] and "stray" in label.remarks[0]


# Lots ----------------------------------------------------------------------------------------------------------------


def test_several_lots_on_a_label_are_several() -> None:
    # A maker's label guide, “Label fields and definitions”: codes parted by “/”, 14Q in the same order, Q the sum.
    lots = read_label_text(
        write_label([("1T", "2401AA/2402AB"), ("14Q", "1000/500"), ("Q", "1500"), ("10D", "2401/2402")])
    ).lots
    assert [(lot.number, lot.quantity, lot.date_code) for lot in lots] == [
        ("2401AA", 1000, "2401"), ("2402AB", 500, "2402"),
    ]  # fmt: skip
    twice = read_label_text(write_label([("1T", "A"), ("1T", "B"), ("Q", "10"), ("9D", "2332")]))
    assert [(lot.number, lot.quantity, lot.date_code) for lot in twice.lots] == [
        ("A", None, "2332"), ("B", None, "2332"),
    ]  # fmt: skip
    assert twice.quantity == 10
    open_end = read_label_text(f"[)>{RS}06{GS}1PX{GS}Q10{GS}1TLOTA{GS}1TLOTB{RS}{EOT}")
    assert [lot.number for lot in open_end.lots] == ["LOTA", "LOTB"]
    told = read_label_text(write_label([("1T", "A"), ("Q", "4"), ("2T", "B"), ("Q", "4")]))
    assert [(lot.number, lot.quantity) for lot in told.lots] == [("A", 4), ("B", 4)] and told.quantity == 8


def test_whether_a_slash_parts_lots_must_be_said() -> None:
    text = write_label([("1T", "2406/A"), ("Q", "10")])
    assert read_label_text(text).unclear == ("2406", "A")
    one, two = (read_label_text(text, parted) for parted in (False, True))
    assert not one.unclear and [(lot.number, lot.quantity) for lot in one.lots] == [("2406/A", 10)]
    assert not two.unclear and [(lot.number, lot.quantity) for lot in two.lots] == [("2406", None), ("A", None)]


@pytest.mark.parametrize(
    ("code", "week"),
    [("1452", (2014, 52)), ("2332", (2023, 32)), ("202332", (2023, 32)), ("2053", (2020, 53)), ("2153", None),
     ("2600", None), ("26", None), ("AB12", None), ("192332", None), ("٢٦٠١", None)],
)  # fmt: skip
def test_date_codes(code: str, week: tuple[int, int] | None) -> None:
    # ISO 8601: of 2020 and 2021 only 2020 has a week 53.
    assert read_week(code) == week


def test_an_expiry_is_read_and_an_odd_date_code_told_of() -> None:
    label = read_label_text(write_label([("1T", "A"), ("14D", "20270131"), ("9D", "2699")]))
    assert label.lots[0].expiry == date(2027, 1, 31)
    assert label.lots[0].date_code == "2699" and "2699 is no year and week" in label.remarks[0]


# Scanners ------------------------------------------------------------------------------------------------------------

SUBSTITUTES = [("␞", "␝", "␄"), ("{RS}", "{GS}", "{EOT}"), ("<RS>", "<GS>", "<EOT>"), ("^^", "^]", "^D"),
               ("[F9]", "[F8]", ""), ("{F9}", "{F8}", ""), ("Ctrl+^", "Ctrl+]", "Ctrl+D")]  # fmt: skip

values = st.text(st.sampled_from("ABCXYZ0123456789-. #+/_"), min_size=1, max_size=20).map(str.strip).filter(bool)
plain = st.sampled_from(sorted(set(MEANINGS) - {"1T", "2T", "9D", "10D", "14D", "14Q", "15Q", "Q"}))
labels = st.builds(
    lambda fields, lot, amount: [*fields.items(), ("1T", lot.replace("/", "")), ("Q", str(amount))],
    st.dictionaries(plain, values, max_size=8),
    values.filter(lambda text: text.replace("/", "").strip()).map(lambda text: text.replace("/", "").strip()),
    st.integers(1, 10**9 - 1),
)


@given(labels, st.sampled_from([(RS, GS, EOT), *SUBSTITUTES]), st.sampled_from(["", "]d1", "]Q3", " "]))
def test_a_label_comes_back_whatever_the_scanner_makes_of_its_separators(
    fields: list[tuple[str, str]], signs: tuple[str, str, str], before: str
) -> None:
    true = write_label(fields)
    text = true
    for sign, instead in zip((RS, GS, EOT), signs, strict=True):
        text = text.replace(sign, instead)
    assert looks_like_label(before + text)
    label = read_label_text(f"{before}{text}\r\n")
    assert list(label.fields) == fields
    assert label.text == read_label_text(true).text == read_label_text(label.text).text


@given(st.text(max_size=80))
def test_no_text_is_more_than_refused(text: str) -> None:
    _read(text)
    _read(f"[)>{RS}06{GS}{text}")


@given(st.lists(st.sampled_from([RS, GS, EOT, "[)>", "06", "05", "P", "1T", "Q", "14Q", "10D", "14D", "/", "1", "^]"])))
def test_no_pieces_of_labels_are_more_than_refused(pieces: list[str]) -> None:
    _read("".join(pieces))
    _read(f"[)>{RS}06{GS}" + "".join(pieces))


def _read(text: str) -> None:
    looks_like_label(text)
    try:
        label = read_label_text(text)
    except LabelRefused as refused:
        assert refused.message and refused.action
    else:
        assert label.lots and label.text
