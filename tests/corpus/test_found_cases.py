"""What the fuzzing of case files found, each in its few lines."""

from __future__ import annotations

import tomllib
from pathlib import Path

import jsonschema
import pytest

from blockout.case.case import Case, parse_case
from blockout.case.edit import text_of_case
from blockout.case.editing import with_path, with_values
from blockout.case.schema import case_schema
from blockout.errors import CaseError

SMALL = 'schema = "blockout-case/1"\n[cast]\nfile = "a.stl"\n'
ARM = '[[arm]]\naspect = "buccal"\norigin = "mesial"\nrole = "retentive"\n'


def test_no_gauges_stay_no_gauges() -> None:
    """Any change at all brought the three usual gauges back."""
    case = parse_case(SMALL + "[survey]\ngauges_mm = []\n")
    changed = with_values(case, "parallel", {"taper_deg": 2})
    assert changed.survey.gauges_mm == ()
    text = text_of_case(changed, old=SMALL + "[survey]\ngauges_mm = []\n", path=Path("a.toml"))
    assert tomllib.loads(text)["survey"] == {"gauges_mm": []}


SAME = {
    "no line end": SMALL.rstrip(),
    "no line end after a header": SMALL + "[arbitrary]",
    "line ends of two kinds": "# by hand\n" + SMALL.replace("\n", "\r\n"),
    "a quoted table above a list": SMALL
    + '["teeth"]\n[[teeth.tooth]]\nnumber = 11\npoint_mm = [1.0, 2.0, 3.0]\n',
}


@pytest.mark.parametrize("name", SAME)
def test_a_case_written_over_itself_changes_no_byte(name: str) -> None:
    text = SAME[name]
    assert text_of_case(parse_case(text), old=text, path=Path("a.toml")) == text


@pytest.mark.parametrize("name", SAME)
def test_a_change_there_goes_well_too(name: str) -> None:
    text = SAME[name]
    changed = with_path(parse_case(text), anterior_tilt_deg=1.5, lateral_tilt_deg=-2.0)
    new = text_of_case(changed, old=text, path=Path("a.toml"))
    held = tomllib.loads(new)
    assert held.pop("path") == {"anterior_tilt_deg": 1.5, "lateral_tilt_deg": -2.0}
    before = tomllib.loads(text)
    assert {key: held[key] for key in before} == before
    assert not any(held[key] for key in held.keys() - before.keys())


OTHER_KINDS = [
    ('[recording]\nengrave = "yes"\n', 'engrave = "yes" cannot be used; true or false is due'),
    ("[recording]\nscore = 1\n", "score = 1 cannot be used; true or false is due"),
    ("[teeth]\ncount_along_arch = 0\n", "true or false is due"),
    ('[sureness]\nsamples = "93"\n', 'samples = "93" cannot be used; a number is due'),
    ("[sureness]\nseed = true\n", "seed = true cannot be used; a number is due"),
    ("[sureness]\nseed = 1.5\n", "seed = 1.5 cannot be used; a whole number is due"),
    (f'{ARM}tooth = "35"\n', 'tooth = "35" cannot be used; a number is due'),
    ("[teeth]\nmissing = [[36]]\n", "cannot be used; a whole number is due"),
]


@pytest.mark.parametrize(("text", "words"), OTHER_KINDS)
def test_values_of_another_kind_are_refused_by_program_and_schema(text: str, words: str) -> None:
    """Text was taken for a number and a number for yes, which the schema forbids; a fraction was
    allowed by the schema, and refused in another's words.
    """
    with pytest.raises(CaseError) as error:
        parse_case(SMALL + text)
    assert words in str(error.value)
    assert not jsonschema.Draft202012Validator(case_schema()).is_valid(tomllib.loads(SMALL + text))


def test_whole_numbers_may_have_a_point() -> None:
    text = SMALL + "[sureness]\nseed = 2.0\n"
    assert parse_case(text).sureness.seed == 2
    jsonschema.validate(tomllib.loads(text), case_schema())
    assert isinstance(parse_case(text), Case)


def test_a_length_of_very_many_digits_is_refused_at_once() -> None:
    """Ten times the digits took a hundred times as long: these would take the better part of an
    hour.
    """
    text = SMALL + f'[survey]\nnoise_depth_mm = "{"1" * 200_000}"\n'
    with pytest.raises(CaseError, match="200000 characters, at most 60") as error:
        parse_case(text)
    assert len(str(error.value)) < 400


@pytest.mark.parametrize("depth", range(20, 520, 20))
@pytest.mark.parametrize(
    "head",
    ["[survey]\nnoise_depth_mm = ", "[parallel]\nkeep_in = ", "[[arm]]\ntooth = ", "name2 = "],
)
def test_lists_in_lists_are_refused_however_deep(head: str, depth: int) -> None:
    """Some 350 deep they were read, but to name them ended in a RecursionError."""
    with pytest.raises(CaseError) as error:
        parse_case(SMALL + f"{head}{'[' * depth}1{']' * depth}\n")
    assert error.value.where is not None
    assert len(str(error.value)) < 2000


@pytest.mark.parametrize(
    "text", ["1_0,0,0", "\u0661,0,0", "0,0,1\\n", "1e9999,0,0", "+ + z", "z" * 5000]
)
def test_directions_that_are_none(text: str) -> None:
    """``1_0`` was 10 and digits of other scripts were digits, which the schema forbids."""
    case = SMALL + f'up = "{text}"\n'
    with pytest.raises(CaseError, match="is not a direction") as error:
        parse_case(case)
    assert len(str(error.value)) < 500
