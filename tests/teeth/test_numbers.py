"""ISO 3950: first digit the quadrant (1-4 clockwise from the patient's upper right), second the
place from the midline (1-8).
"""

from __future__ import annotations

import pytest

from blockout.errors import InputError
from blockout.teeth.numbers import (
    arch_of,
    arch_order,
    check_teeth,
    check_tooth,
    in_arch_order,
    is_anterior,
    is_right,
    place,
    quadrant,
    tooth_name,
)

# written out by hand from the standard's tooth chart
UPPER = (18, 17, 16, 15, 14, 13, 12, 11, 21, 22, 23, 24, 25, 26, 27, 28)
LOWER = (48, 47, 46, 45, 44, 43, 42, 41, 31, 32, 33, 34, 35, 36, 37, 38)


def test_the_order_runs_from_the_patients_right_to_the_left():
    assert arch_order("upper") == UPPER
    assert arch_order("lower") == LOWER


def test_quadrant_place_and_side():
    assert [(quadrant(n), place(n)) for n in (18, 21, 36, 44)] == [(1, 8), (2, 1), (3, 6), (4, 4)]
    assert [n for n in UPPER + LOWER if is_right(n)] == [*UPPER[:8], *LOWER[:8]]
    anterior = [13, 12, 11, 21, 22, 23, 43, 42, 41, 31, 32, 33]
    assert [n for n in UPPER + LOWER if is_anterior(n)] == anterior


@pytest.mark.parametrize(
    ("number", "name"),
    [
        (11, "upper right central incisor"),
        (22, "upper left lateral incisor"),
        (33, "lower left canine"),
        (44, "lower right first premolar"),
        (15, "upper right second premolar"),
        (26, "upper left first molar"),
        (37, "lower left second molar"),
        (48, "lower right third molar"),
    ],
)
def test_names(number, name):
    assert tooth_name(number) == name


@pytest.mark.parametrize("number", [0, 10, 19, 20, 49, 51, 85, 111, -11])
def test_what_is_no_permanent_tooth_is_refused(number):
    with pytest.raises(InputError, match=f"{number} is not the number of a permanent tooth"):
        arch_of(number)


def test_a_tooth_of_the_other_arch_is_refused_and_one_named_twice():
    check_tooth(46, "lower")
    with pytest.raises(InputError, match=r"tooth 16 .* lower arch; it has 41 to 48 and 31 to 38"):
        check_tooth(16, "lower")
    with pytest.raises(InputError, match="tooth 36 is named twice"):
        check_teeth([36, 35, 36], "lower")


def test_sorting_follows_the_arch_not_the_number():
    assert in_arch_order([31, 37, 41, 47], "lower") == (47, 41, 31, 37)
