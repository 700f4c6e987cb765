"""Keys and their check characters. Values: doctests of python-stdnum's iso7064 modules, and computed with it
(ISO/IEC 7064, MOD 37,36); see the table's comments."""

import itertools
import string

import pytest
from stdnum.iso7064 import mod_11_2, mod_11_10, mod_37_2, mod_37_36, mod_97_10

from tests.factories import Plant
from trace.core.keys import KEY_LENGTH, BadKey, check_character, clean_key, find_free_key, label_text, read_label
from trace.material.models import Container, Lot

ALPHABET = string.digits + string.ascii_uppercase

MOD_37_36 = {
    "A12425GABC1234002": "M",  # the doctest of stdnum.iso7064.mod_37_36
    # Computed with python-stdnum 2.2, ISO/IEC 7064 MOD 37,36.
    "U0001": "Z",
    "B0001": "G",
    "T0001": "W",
    "R240304001": "G",
    "PSU000123": "L",
    "TRAY12": "J",
    "WO10000000001": "2",
    "000000": "R",
    "ZZZZZZ": "5",
    "0": "2",
    "U240304007": "3",
}


@pytest.mark.parametrize(("payload", "check"), MOD_37_36.items())
def test_check_characters_are_those_of_iso_7064(payload: str, check: str) -> None:
    assert check_character(payload) == check


def test_the_other_systems_agree_with_their_published_values() -> None:
    """The same library reads other people's labels: its doctests' values, ISO/IEC 7064."""
    assert [mod_11_10.calc_check_digit(text) for text in ("79462", "00200667308", "0794")] == ["3", "5", "5"]
    assert [mod_11_10.calc_check_digit(f"00200667{n}") for n in (309, 310, 311, 312)] == ["3", "8", "6", "4"]
    assert [mod_11_10.is_valid(text) for text in ("002006673084", "12323", "546794")] == [False, True, True]
    assert [mod_11_2.calc_check_digit(text) for text in ("0794", "079")] == ["0", "X"]
    assert [mod_37_2.calc_check_digit(text) for text in ("G123489654321", "G123498654321")] == ["Y", "H"]
    payloads = {
        "99991234567890121414": "90",
        "4354111611551114": "31",
        "22181321402534321446701611": "35",
        "5367": "02",
        "5303": "97",
        "5335": "98",
    }
    assert {text: mod_97_10.calc_check_digits(text) for text in payloads} == payloads


def test_every_single_wrong_character_is_noticed() -> None:
    label = label_text("U240304007").replace(".", "")
    wrong = {label[:n] + other + label[n + 1 :] for n in range(len(label)) for other in ALPHABET if other != label[n]}
    assert len(wrong) == 385
    assert not any(mod_37_36.is_valid(text) for text in wrong)


def test_four_swaps_of_neighbours_are_not_noticed() -> None:
    """MOD 37,36 misses four adjacent swaps over all two-character payloads with their check character
    (computed with python-stdnum 2.2): so nothing may promise that swaps are noticed."""
    missed, swaps = [], 0
    for first, second in itertools.product(ALPHABET, repeat=2):
        word = first + second + check_character(first + second)
        for swapped in {word[1] + word[0] + word[2], word[0] + word[2] + word[1]} - {word}:
            swaps += 1
            if mod_37_36.is_valid(swapped):
                missed.append((word, swapped))
    assert (len(missed), swaps) == (4, 2520)
    assert ("901", "910") in missed


def test_a_label_reads_back() -> None:
    assert label_text("T0001") == "T0001.W"
    assert [read_label(text) for text in ("T0001.W", " t0001.w\n", "T0001")] == ["T0001"] * 3
    assert label_text("CB-0001") == f"CB-0001.{check_character('CB0001')}"


@pytest.mark.parametrize("text", ["T0001.X", "T0001.", "T0002.W", "T0001.WW"])
def test_a_misread_label_is_refused(text: str) -> None:
    with pytest.raises(BadKey) as refusal:
        read_label(text)
    assert refusal.value.code == "bad-key"
    assert refusal.value.action


@pytest.mark.parametrize("text", ["", " ", "-A", "A-", "A B", "Ä1", "A_1", "A.B.C", "A" * 41, "١", "A\n1"])
def test_what_can_be_no_key_is_refused(text: str) -> None:
    with pytest.raises(BadKey):
        clean_key(text)


@pytest.mark.parametrize(("text", "key"), [("a-1", "A-1"), (" X ", "X"), ("A" * 40, "A" * 40)])
def test_a_key_is_trimmed_and_in_capitals(text: str, key: str) -> None:
    assert clean_key(text) == key


@pytest.mark.django_db
def test_a_free_key_is_as_like_its_name_as_a_key_can_be() -> None:
    plant = Plant()
    names = ["bf/11 03", "acme-bf/11 03"]
    assert find_free_key(names, Lot, Container) == "BF-11-03"
    plant.reel("ACME-BF-11-03", lot="BF-11-03")
    assert find_free_key(names, Lot) == "ACME-BF-11-03"
    assert find_free_key(names, Lot, Container) == "ACME-BF-11-03-X2"
    assert find_free_key(["№ ü"], Lot) == "X"
    assert len(find_free_key(["L" * 99], Lot)) == KEY_LENGTH
    plant.lot("L" * KEY_LENGTH)
    assert find_free_key(["L" * 99], Lot) == "L" * (KEY_LENGTH - 5) + "-X2"
