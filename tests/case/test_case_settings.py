"""The settings as Python and the command line give them: same words, same axes."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from blockout.case.problems import nearest, settings_from
from blockout.case.settings import PathSettings, PrepareSettings
from blockout.case.values import axis_direction
from blockout.cast.axes import direction_from_text
from blockout.errors import InputError


def test_settings_given_in_python_are_refused_in_the_same_words() -> None:
    with pytest.raises(InputError) as caught:
        settings_from(PathSettings, {"anterior_tilt_deg": 95})
    assert str(caught.value) == "anterior_tilt_deg = 95 is too large; allowed -60 to 60 deg."
    with pytest.raises(InputError) as caught:
        settings_from(PathSettings, {"tilt": 3, "direction": (0, 0)})
    assert '"tilt" is not a key of these settings' in str(caught.value)
    assert "direction = [0, 0] has 2 numbers; three are due." in str(caught.value)
    assert settings_from(PathSettings, {"direction": (0, 3, 4)}).direction == (0.0, 3.0, 4.0)


@given(st.tuples(*[st.floats(-1e3, 1e3).filter(lambda x: x == 0 or abs(x) > 1e-3)] * 3).filter(any))
def test_an_axis_written_as_three_numbers_is_read_the_same_everywhere(
    numbers: tuple[float, float, float],
) -> None:
    text = ", ".join(map(repr, numbers))
    assert axis_direction(text) == numbers
    assert PrepareSettings(up=text).up == text
    unit = direction_from_text(text, option="--up")
    length = math.hypot(*numbers)
    assert unit.tolist() == pytest.approx([x / length for x in numbers], abs=1e-12)


@pytest.mark.parametrize("text", ["x", "+y", "-z", "- x", "Z", " +Y "])
def test_an_axis_by_its_letter(text: str) -> None:
    expected = [0.0, 0.0, 0.0]
    expected["xyz".index(text.strip()[-1].lower())] = -1.0 if "-" in text else 1.0
    assert list(axis_direction(text)) == expected
    assert direction_from_text(text, option="--up").tolist() == expected
    assert PrepareSettings(up=text).up == text


@pytest.mark.parametrize("text", ["", "w", "++z", "zz", "xyz", "1,2", "1,2,3,4", "a,b,c", "nan,0,0",
                                  "inf,0,0", "0,0,0"])  # fmt: skip
def test_what_is_no_axis(text: str) -> None:
    with pytest.raises(InputError, match="is not a direction"):
        axis_direction(text)
    with pytest.raises(InputError, match="is not a direction"):
        settings_from(PrepareSettings, {"up": text})


@pytest.mark.parametrize(
    ("word", "choices", "found"),
    [
        ("Lower", ["lower", "upper"], "lower"),
        ("taper_degs", ["taper_deg", "floor_mm"], "taper_deg"),
        ("floor", ["taper_deg", "floor_mm"], "floor_mm"),
        ("land", ["land_mm", "hole_length_mm"], "land_mm"),
        ("", ["a"], None),
        ("qqq", ["land_mm"], None),
    ],
)
def test_the_nearest_word(word: str, choices: list[str], found: str | None) -> None:
    assert nearest(word, choices) == found
