"""Lengths against standards and against exact decimal arithmetic."""

from __future__ import annotations

import doctest
import math
import re
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from blockout import units
from blockout.errors import InputError
from blockout.units import LENGTH_PATTERN, MM_PER_UNIT, length_mm, sheet_gauge_mm


def test_gauge_36_is_five_mils_exactly() -> None:
    # ASTM B258: No. 36 is defined as 0.0050 in, No. 0000 as 0.4600 in, 39 steps between
    assert sheet_gauge_mm(36) == 0.127
    assert sheet_gauge_mm(-3) == pytest.approx(0.46 * 25.4, rel=1e-15)


def test_gauge_steps_are_the_39th_root_of_92() -> None:
    # closed form of ASTM B258: the ratio of neighbouring gauges
    for gauge in range(40):
        ratio = sheet_gauge_mm(gauge) / sheet_gauge_mm(gauge + 1)
        assert ratio == pytest.approx(92.0 ** (1.0 / 39.0), rel=1e-14)


@pytest.mark.parametrize(
    ("gauge", "table_mm"),
    # American Wire Gauge tables (ASTM B258 nominal diameters), mm to four places
    [(10, 2.5882), (20, 0.8118), (24, 0.5106), (28, 0.3211), (30, 0.2546), (32, 0.2019),
     (36, 0.1270), (40, 0.0799)],
)  # fmt: skip
def test_gauge_table(gauge: int, table_mm: float) -> None:
    assert round(sheet_gauge_mm(gauge), 4) == table_mm
    assert length_mm(f"{gauge} ga") == sheet_gauge_mm(gauge)


@pytest.mark.parametrize(
    ("gauge", "table_in"),
    # the same tables in inches, to four places
    [(20, 0.0320), (24, 0.0201), (30, 0.0100), (36, 0.0050)],
)
def test_gauge_table_in_inches(gauge: int, table_in: float) -> None:
    assert round(sheet_gauge_mm(gauge) / 25.4, 4) == table_in


def test_an_inch_is_25_4_mm_exactly() -> None:
    # the international inch, 1959
    assert length_mm("1 in") == 25.4
    assert length_mm('1"') == 25.4
    assert MM_PER_UNIT == {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4}


@pytest.mark.parametrize(
    ("text", "exact_mm"),
    # the undercut gauges in inches, whose mm are exact
    [("0.010 in", 0.254), ("0.020 in", 0.508), (".030in", 0.762), ("+0.01 in", 0.254)],
)
def test_inch_gauges_have_no_rounding_left(text: str, exact_mm: float) -> None:
    assert length_mm(text) == exact_mm


@pytest.mark.parametrize(
    ("text", "mm"),
    [("0.25", 0.25), ("0.25 mm", 0.25), ("25 um", 0.025), ("25 \N{MICRO SIGN}m", 0.025),
     ("1 cm", 10.0), ("-3", -3.0), (" 2.5e-1\tmm ", 0.25), ("5.", 5.0), ("0 ga", 8.2515),
     ("1e-15 mm", 1e-15), ("1e-400 mm", 0.0)],
)  # fmt: skip
def test_every_way_to_write_a_length(text: str, mm: float) -> None:
    assert length_mm(text) == pytest.approx(mm, rel=1e-5, abs=0.0)


@pytest.mark.parametrize("number", [0, 3, 0.25, -1.5])
def test_numbers_are_millimetres(number: float) -> None:
    assert length_mm(number) == number
    assert type(length_mm(number)) is float


@settings(deadline=None)
@given(
    st.decimals(allow_nan=False, allow_infinity=False, places=6, min_value=-1e6, max_value=1e6),
    st.sampled_from([("mm", "1"), ("", "1"), ("cm", "10"), ("um", "0.001"), ("in", "25.4")]),
    st.sampled_from(["", " ", "  ", "\t"]),
)
def test_the_double_nearest_to_the_exact_product(
    number: object, unit: tuple[str, str], gap: str
) -> None:
    # exact rational arithmetic is the judge; float(Fraction) rounds correctly
    word, factor = unit
    assert length_mm(f"{number:f}{gap}{word}") == float(Fraction(str(number)) * Fraction(factor))


@settings(deadline=None)
@given(st.floats(allow_nan=False, allow_infinity=False))
def test_a_number_written_out_reads_back_to_the_bit(number: float) -> None:
    assert length_mm(f"{number!r} mm") == number
    assert length_mm(repr(number)) == number


@settings(deadline=None)
@given(st.integers(0, 40), st.sampled_from(["", " ", "\t"]))
def test_gauge_text_is_the_formula(gauge: int, gap: str) -> None:
    assert length_mm(f"{gauge}{gap}ga") == 0.127 * 92.0 ** ((36 - gauge) / 39)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "the length is empty"),
        ("   ", "the length is empty"),
        ("mm", "'mm' is not a length"),
        ("thin", "'thin' is not a length"),
        ("nan", "'nan' is not a length"),
        ("inf mm", "'inf mm' is not a length"),
        ("0,25 mm", "it has a comma"),
        ("1/4 in", "unit '/4 in'"),
        ("0.25 MM", "unit 'MM', allowed mm, cm, um, in, ga"),
        ("0.25 m", "unit 'm'"),
        ("0.25 ft", "unit 'ft'"),
        ("0.25 mm 0.3", "unit 'mm 0.3'"),
        ("1e999 mm", "too large"),
        ("1e99999999999999999999 mm", "too large"),
        ("41 ga", "41, allowed whole numbers 0 to 40"),
        ("-1 ga", "-1, allowed whole numbers 0 to 40"),
        ("30.5 ga", "30.5, allowed whole numbers 0 to 40"),
        ("030 ga", "030, allowed whole numbers 0 to 40"),
        ("30 gauge", "30, allowed whole numbers 0 to 40 with ga"),
        ("0.25\n", "'0.25\\n' is not a length"),
        ("\N{ARABIC-INDIC DIGIT THREE} mm", "is not a length"),
        ("0." + "2" * 70, "72 characters, at most 60"),
        ("0x10", "unit 'x10'"),
        ("1_000", "unit '_000'"),
    ],
)
def test_text_that_is_no_length_is_refused_by_words(text: str, said: str) -> None:
    with pytest.raises(InputError, match=re.escape(said)):
        length_mm(text)


@pytest.mark.parametrize("value", [True, False, math.nan, math.inf, -math.inf, 10**400, None, [1]])
def test_values_that_are_no_length_are_refused(value: object) -> None:
    with pytest.raises(InputError, match="is not a length"):
        length_mm(value)  # type: ignore[arg-type]


@settings(deadline=None)
@given(st.one_of(st.text(max_size=12), st.text('0123456789.+-eE mincuga"\t,\n', max_size=12)))
def test_any_text_gives_a_finite_length_or_an_input_error(text: str) -> None:
    matches = re.fullmatch(LENGTH_PATTERN, text) is not None
    outcome: float | InputError
    try:
        outcome = length_mm(text)
    except InputError as error:
        outcome = error
    if isinstance(outcome, float):
        assert math.isfinite(outcome)
        assert matches
    else:
        assert "length" in outcome.what or "gauge" in outcome.what
        # the pattern that the JSON Schema shows refuses the same, but for sizes beyond a double
        assert not matches or outcome.measured == "it is too large for a number"


def test_examples_in_the_docs() -> None:
    result = doctest.testmod(units)
    assert result.attempted > 0
    assert result.failed == 0
