"""Kennedy classes by Applegate's rules, each case worked out by hand from the published rules."""

from __future__ import annotations

import pytest

from blockout.errors import InputError
from blockout.teeth.kennedy import kennedy
from blockout.teeth.numbers import arch_order

CASES = [
    # arch, missing, class and modifications; why
    ("lower", (35, 36, 37, 45, 46, 47), "I", 0),  # free ends on both sides
    ("lower", (37, 47), "I", 0),  # the same, however short
    ("upper", (16, 17, 26, 27, 11), "I", 1),  # and one span more
    ("upper", (16, 17, 14, 12, 22, 26, 27), "I", 3),
    ("lower", (36, 37), "II", 0),  # free end on one side
    ("lower", (33, 36, 37, 45), "II", 2),  # and two bounded spans
    ("upper", (12, 13, 15, 26, 27), "II", 2),  # 12 and 13 are one span
    ("upper", (17, 16, 11, 21), "II", 1),  # a span across the midline is a modification here
    ("lower", (46,), "III", 0),  # bounded
    ("lower", (46, 36), "III", 1),
    ("upper", (15, 16, 22, 25), "III", 2),
    ("upper", (11,), "III", 0),  # anterior, but it does not cross the midline
    ("upper", (21, 22, 23), "III", 0),
    ("lower", (31, 41, 36), "III", 1),  # crosses it, but the span behind decides
    ("upper", (11, 21), "IV", 0),  # one span across the midline
    ("lower", (32, 31, 41, 42), "IV", 0),
    ("upper", (14, 13, 12, 11, 21, 22, 23, 24), "IV", 0),  # long, still one span
    # one span from a free end across the midline: the free end decides
    ("upper", (17, 16, 15, 14, 13, 12, 11, 21), "II", 0),
    # all but one tooth: a free end on both sides of it
    ("lower", tuple(n for n in arch_order("lower") if n not in (33, 38, 48)), "I", 0),
]


@pytest.mark.parametrize(("arch", "missing", "number", "modifications"), CASES)
def test_class_and_modifications(arch, missing, number, modifications):
    found = kennedy(arch, missing)
    assert (found.number, found.modifications) == (number, modifications)
    # order and third molars that are merely missing do not matter
    thirds = (38, 48) if arch == "lower" else (18, 28)
    again = kennedy(arch, [*reversed(missing), *thirds])
    assert again == found
    # nor does which side is which
    turned = {1: 2, 2: 1, 3: 4, 4: 3}
    mirrored = kennedy(arch, [10 * turned[n // 10] + n % 10 for n in missing])
    assert (mirrored.number, mirrored.modifications) == (number, modifications)


def test_words():
    assert kennedy("lower", (33, 36, 37, 45)).text == "class II, modification 2"
    assert kennedy("upper", (11, 21)).text == "class IV"
    assert kennedy("lower", (33, 36, 37, 45)).spans == ((45,), (33,), (36, 37))


def test_a_third_molar_counts_only_as_an_abutment():
    assert kennedy("lower", (36, 37)).number == "II"
    assert kennedy("lower", (36, 37), third_molar_abutments=[38]).number == "III"
    # on the other side it changes nothing
    assert kennedy("lower", (36, 37), third_molar_abutments=[48]).number == "II"
    # missing alone: nothing in account is missing; to be replaced: a free end
    assert kennedy("lower", (38,)) is None
    assert kennedy("lower", (38,), third_molars_replaced=[38]).number == "II"


def test_a_second_molar_that_is_not_replaced_is_left_out():
    assert kennedy("lower", (37,)).number == "II"
    assert kennedy("lower", (37,), not_replaced=[37]) is None
    assert kennedy("lower", (37, 35), not_replaced=[37]).text == "class III"
    # the first molar before it is then the end of the row
    assert kennedy("lower", (36, 37), not_replaced=[37]).number == "II"
    assert kennedy("upper", (17, 27, 11, 21), not_replaced=[17, 27]).number == "IV"


def test_a_whole_arch_has_no_class_and_an_empty_one_is_refused():
    assert kennedy("upper", ()) is None
    with pytest.raises(InputError, match=r"no tooth remains.*14 teeth in account"):
        kennedy("upper", arch_order("upper"))


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ({"missing": [16]}, "tooth 16 does not belong to the lower arch"),
        ({"missing": [36, 36]}, "tooth 36 is named twice"),
        ({"missing": [38], "third_molar_abutments": [38]}, "38 cannot be a third molar used"),
        ({"missing": [36], "third_molar_abutments": [37]}, "37 cannot be a third molar used"),
        ({"missing": [36], "third_molars_replaced": [38]}, "it is not missing"),
        ({"missing": [36], "third_molars_replaced": [36]}, "it is no third molar"),
        ({"missing": [36], "not_replaced": [37]}, "37 cannot be left out"),
        ({"missing": [36], "not_replaced": [36]}, "36 cannot be left out"),
        (
            {"missing": [38], "not_replaced": [38], "third_molars_replaced": [38]},
            "said to be replaced and not to be",
        ),
    ],
)
def test_roles_that_contradict_each_other_are_refused(arguments, words):
    missing = arguments.pop("missing")
    with pytest.raises(InputError, match=words):
        kennedy("lower", missing, **arguments)
