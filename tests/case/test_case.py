"""The case file: what is read, what is refused and in which words, the schema, and changes to a
user's file. The judge of the schema is the jsonschema package, of TOML the standard reader.
"""

from __future__ import annotations

import doctest
import importlib
import json
import math
import os
import re
import tomllib
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from blockout.case import parameters as p
from blockout.case.case import Case, CastSettings, parse_case, read_case
from blockout.case.edit import set_path, write_case
from blockout.case.facts import case_facts, settings_facts
from blockout.case.problems import nearest, settings_from
from blockout.case.schema import case_schema
from blockout.case.settings import (
    ParallelSettings,
    PathSettings,
    PrepareSettings,
    SurveySettings,
)
from blockout.case.toml_lines import toml_lines
from blockout.case.values import axis_direction
from blockout.cast.axes import direction_from_text
from blockout.errors import CaseError, InputError, OutputError
from blockout.units import sheet_gauge_mm

HEAD = 'schema = "blockout-case/1"\n'
SMALL = HEAD + '[cast]\nfile = "scan.stl"\n'
FULL = """\
schema = "blockout-case/1"      # edition
name = "Demo case A"

[cast]
file = "../scans/scan.stl"
unit = "mm"
arch = "upper"
up = "+z"
front = "0, 1, 0.5"
stray_share = 0.2
hole_length_mm = 8
border_trim_mm = "0.04 in"
land_mm = 3.5
base_thickness_mm = "1.2 cm"

[path]                          # how the cast lies
anterior_tilt_deg = 4
lateral_tilt_deg = -2.5
warn_tilt_deg = 12
max_tilt_deg = 25

[survey]
gauges_mm = [
    0.25,
    "0.020 in",
    "30 ga",
]
noise_depth_mm = "10 um"

[parallel]
taper_deg = 2
floor_mm = -12
keep_in = [[[0, 0, 0], [10, 0, 0], [0, 10, 0]]]
keep_out = [
    [[1, 1, 0], [2, 1, 0], [2, 2, 0], [1, 2, 0]],
    [[5, 5, 0], [6, 5, 0], [6, 6, 0]],
]
"""


# --- reading -------------------------------------------------------------------------------------
def test_a_full_case_is_read_to_the_number(tmp_path: Path) -> None:
    file = tmp_path / "a.toml"
    file.write_text(FULL)
    case = read_case(file)
    assert case.name == "Demo case A"
    assert case.cast == CastSettings(
        file="../scans/scan.stl", unit="mm", arch="upper", up="+z", front="0, 1, 0.5",
        stray_share=0.2, hole_length_mm=8, border_trim_mm=1.016, land_mm=3.5, base_thickness_mm=12,
    )  # fmt: skip
    assert case.path == PathSettings(
        anterior_tilt_deg=4, lateral_tilt_deg=-2.5, warn_tilt_deg=12, max_tilt_deg=25
    )
    # inch = 25.4 mm exactly; ASTM B258
    assert case.survey.gauges_mm == (0.25, 0.508, sheet_gauge_mm(30))
    assert case.survey.noise_depth_mm == 0.01
    assert case.parallel.taper_deg == 2.0
    assert case.parallel.floor_mm == -12.0
    assert case.parallel.keep_in == (((0.0, 0.0, 0.0), (10.0, 0.0, 0.0), (0.0, 10.0, 0.0)),)
    assert [len(outline) for outline in case.parallel.keep_out] == [4, 3]


def test_what_is_left_out_is_the_default() -> None:
    case = parse_case(SMALL)
    assert case == Case(cast=CastSettings(file="scan.stl"))
    assert case.path == PathSettings()
    assert case.survey == SurveySettings()
    assert case.parallel == ParallelSettings()
    assert {name: getattr(case.cast, name) for name in PrepareSettings.model_fields} == dict(
        PrepareSettings()
    )
    assert isinstance(case.cast, PrepareSettings)


def test_the_defaults_of_the_settings_are_those_of_the_parameters() -> None:
    named = {parameter.name: parameter for parameter in p.ALL}
    assert len(named) == len(p.ALL)
    seen = set()
    for model in (PrepareSettings, PathSettings, SurveySettings, ParallelSettings):
        for name, field in model.model_fields.items():
            if name in named:
                seen.add(name)
                default = p.GAUGES_MM if name == "gauges_mm" else named[name].default
                assert field.default == default
                assert field.description == named[name].help
    assert seen == set(named)
    for parameter in p.ALL:
        assert parameter.default is None or parameter.low <= parameter.default <= parameter.high
        assert parameter.help in parameter.sentence
        assert f"{parameter.low:g} to {parameter.high:g}" in parameter.sentence
        assert parameter.source in parameter.sentence


@pytest.mark.parametrize(
    ("written", "resolved"),
    [
        ("scan.stl", "/work bench/cases/scan.stl"),
        ("../scans/scan.stl", "/work bench/cases/../scans/scan.stl"),
        ("/elsewhere/scan.stl", "/elsewhere/scan.stl"),
        ("deep/er/scan.stl", "/work bench/cases/deep/er/scan.stl"),
    ],
)
def test_the_scan_is_looked_for_beside_the_case_and_kept_as_written(
    written: str, resolved: str
) -> None:
    case = parse_case(f'{HEAD}[cast]\nfile = "{written}"\n')
    assert case.cast.file == written
    assert case.cast_file(Path("/work bench/cases/a.toml")) == Path(resolved)


def test_the_scan_beside_a_case_named_without_a_folder() -> None:
    assert parse_case(SMALL).cast_file(Path("a.toml")) == Path("scan.stl")


@pytest.mark.parametrize("start", ["", "\ufeff"])
@pytest.mark.parametrize("line_end", ["\n", "\r\n"])
def test_byte_order_mark_and_line_ends_do_not_matter(
    tmp_path: Path, start: str, line_end: str
) -> None:
    file = tmp_path / "a.toml"
    file.write_bytes((start + FULL.replace("\n", line_end)).encode())
    assert read_case(file) == parse_case(FULL)
    file.write_bytes((start + FULL.replace("taper_deg", "taper").replace("\n", line_end)).encode())
    with pytest.raises(CaseError, match=r"at a\.toml line 31\."):
        read_case(file)


def test_a_case_is_frozen() -> None:
    case = parse_case(FULL)
    with pytest.raises(ValidationError, match="frozen"):
        case.name = "other"
    with pytest.raises(ValidationError, match="frozen"):
        case.path.anterior_tilt_deg = 0.0


# --- refusing: one thing wrong -------------------------------------------------------------------
ONE_WRONG = [
    # text after HEAD, line, words
    ('[cast]\nfile = "a"\ntaper = 2', 4, '"taper" is not a key of [cast]'),
    ('[cast]\nfile = "a"\n[parallel]\ntaper = 2', 5, "The nearest is taper_deg."),
    ('[cast]\nfile = "a"\n[parallel]\nTaper_Deg = 2', 5, "The nearest is taper_deg."),
    ('[cast]\nfile = "a"\n[parallel]\ntaper-deg = 2', 5, "The nearest is taper_deg."),
    ('[cast]\nfile = "a"\n[path]\nlatteral_tilt = 2', 5, "The nearest is lateral_tilt_deg."),
    ('[cast]\nfile = "a"\n[path]\nanterior = 2', 5, "The nearest is anterior_tilt_deg."),
    ('[cast]\nfile = "a"\ntaper_deg = 2', 4, "taper_deg belongs in [parallel]."),
    ('[cast]\nfile = "a"\n[survey]\nland_mm = 2', 5, "land_mm belongs in [cast]."),
    ('land_mm = 2\n[cast]\nfile = "a"', 2, "land_mm belongs in [cast]."),
    ('colour = "red"\n[cast]\nfile = "a"', 2,
     'not a key of the top level; at a.toml line 2. Known are schema, name, [cast], [path], '
     "[survey], [parallel]."),
    ('[cast]\nfile = "a"\n[paralel]\ntaper_deg = 2', 4, "The nearest is [parallel]."),
    ('[cast]\nfile = "a"\n[path.deep]\nx = 1', 4, '"deep" is not a key of [path]'),
    ('[cast]\narch = "lower"', 2, "[cast] file is missing"),
    ('[cast]\nfile = ""', 3, "[cast] file is empty"),
    ('[cast]\nfile = 3', 3, "[cast] file = 3 cannot be used; text in quotes is due"),
    ('[cast]\nfile = "a\\u0000b"', 3, '[cast] file = "a\\x00b"'),
    (f'[cast]\nfile = "{"a" * 5000}"', 3, "too long; at most 4096 characters"),
    ('name = 2020-02-02\n[cast]\nfile = "a"', 2, "name = 2020-02-02 cannot be used; text"),
    ('cast = 3', 2, "[cast] = 3 cannot be used; a table of keys is due"),
    ('[[cast]]\nfile = "a"', 2, "a table of keys is due"),
    ('[cast]\nfile = "a"\narch = "Lowr"', 4, 'allowed "lower", "upper"; at a.toml line 4. '
     'The nearest is "lower".'),
    ('[cast]\nfile = "a"\nunit = "ft"', 4, '[cast] unit = "ft" is not known; allowed "mm", "cm"'),
    ('[cast]\nfile = "a"\nup = "above"', 4, "'above' is not a direction"),
    ('[cast]\nfile = "a"\nup = [0, 0, 1]', 4, "up = [0, 0, 1] cannot be used; text in quotes"),
    ('[cast]\nfile = "a"\nup = "0,0,0"', 4, "its length is 0"),
    ('[cast]\nfile = "a"\nup = "z"\nfront = "0,0,-2"', 5, "lie along one line"),
    ('[cast]\nfile = "a"\nland_mm = "3 ft"', 4, "unit 'ft', allowed mm, cm, um, in, ga"),
    ('[cast]\nfile = "a"\nland_mm = "40 in"', 4,
     '[cast] land_mm = "40 in" (1016 mm) is too large; allowed 0.5 to 10 mm'),
    ('[cast]\nfile = "a"\nland_mm = 0.4', 4, "land_mm = 0.4 is too small; allowed 0.5 to 10 mm"),
    ('[cast]\nfile = "a"\nstray_share = "0.1"', 4, 'stray_share = "0.1" cannot be used; a number'),
    ('[cast]\nfile = "a"\nstray_share = true', 4, "stray_share = true cannot be used; a number"),
    ('[cast]\nfile = "a"\nland_mm = false', 4, "land_mm = false cannot be used; a number is due"),
    ('[cast]\nfile = "a"\nland_mm = nan', 4, "land_mm = nan cannot be used; a finite number"),
    (f'[cast]\nfile = "a"\nland_mm = {"9" * 400}', 4, "a number of very many digits"),
    ('[cast]\nfile = "a"\n[path]\nanterior_tilt_deg = 95', 5,
     "[path] anterior_tilt_deg = 95 is too large; allowed -90 to 90 deg"),
    ('[cast]\nfile = "a"\n[path]\nmax_tilt_deg = 61', 5, "allowed 0 to 60 deg"),
    ('[cast]\nfile = "a"\n[path]\ndirection = [0, 0, 0]', 5, "(0, 0, 0) is not a direction"),
    ('[cast]\nfile = "a"\n[path]\ndirection = [0, 0, 1e-7]', 5, "its length is 1e-07"),
    ('[cast]\nfile = "a"\n[path]\ndirection = [0, 0, 1e300]', 5, "its length is 1e+300"),
    ('[cast]\nfile = "a"\n[path]\ndirection = [0, 1]', 5, "direction = [0, 1] has 2 numbers"),
    ('[cast]\nfile = "a"\n[path]\ndirection = [0, 1, 2, 3]', 5, "has 4 numbers; three are due"),
    ('[cast]\nfile = "a"\n[path]\ndirection = [\n0,\n0,\n"1"]', 8,
     'direction coordinate 3 = "1" cannot be used; a number is due'),
    ('[cast]\nfile = "a"\n[path]\ndirection = [0, 0, inf]', 5, "coordinate 3 = inf"),
    ('[cast]\nfile = "a"\n[path]\ndirection = "z"', 5, "a list in square brackets is due"),
    ('[cast]\nfile = "a"\n[path]\nlateral_tilt_deg = 0\n\ndirection = [0, 0, 1]', 7,
     "the path is said twice, by direction and by lateral_tilt_deg; keep one"),
    ('[cast]\nfile = "a"\n[path]\ndirection = [0, 0, 1]\nlateral_tilt_deg = 0\n'
     "anterior_tilt_deg = 1", 5, "by direction and by anterior_tilt_deg and lateral_tilt_deg"),
    ('[cast]\nfile = "a"\n[survey]\ngauges_mm = 0.25', 5, "a list in square brackets is due"),
    ('[cast]\nfile = "a"\n[survey]\ngauges_mm = [0.25,\n"0.1 in",\n"6 mm"]', 7,
     'gauges_mm gauge 3 = "6 mm" (6 mm) is too large; allowed 0.01 to 5 mm'),
    ('[cast]\nfile = "a"\n[survey]\ngauges_mm = [0]', 5, "gauge 1 = 0 is too small"),
    ('[cast]\nfile = "a"\n[survey]\nnoise_depth_mm = "a bit"', 5, "'a bit' is not a length"),
    ('[cast]\nfile = "a"\n[parallel]\ntaper_deg = 10.5', 5, "allowed 0 to 10 deg"),
    ('[cast]\nfile = "a"\n[parallel]\nkeep_in = [[0, 0, 0]]', 5,
     "keep_in outline 1 point 1 = 0 cannot be used; a list in square brackets is due"),
    ('[cast]\nfile = "a"\n[parallel]\nkeep_in = [\n[[0, 0, 0], [1, 0, 0]]]', 6,
     "keep_in outline 1 has 2 points; an outline needs three at least"),
    ('[cast]\nfile = "a"\n[parallel]\nkeep_out = [[], [[0, 0, 0], [1, 0, 0], [1, 1, 1]]]', 5,
     "keep_out outline 1 has 0 points"),
    ('[cast]\nfile = "a"\n[parallel]\nkeep_out = [[[0, 0, 0], [1, 0, 0], [0, 0, 0.0]]]', 5,
     "three different points at least, this one has 2"),
    ('[cast]\nfile = "a"\n[parallel]\nkeep_in = [[[0, 0, 0],\n[1, 0, 0],\n[1, 0]]]', 7,
     "keep_in outline 1 point 3 = [1, 0] has 2 numbers; three are due"),
]  # fmt: skip


@pytest.mark.parametrize(("body", "line", "words"), ONE_WRONG)
def test_one_wrong_thing_is_named_with_its_line(body: str, line: int, words: str) -> None:
    with pytest.raises(CaseError) as caught:
        parse_case(HEAD + body, file="a.toml")
    message = str(caught.value)
    # an outline of wrong points is told point by point, all on the same line
    assert caught.value.where == f"a.toml line {line}", message
    assert words in message
    assert "pydantic" not in message
    assert "Input should" not in message
    assert caught.value.exit_code == 2


@pytest.mark.parametrize(
    ("first", "words"),
    [
        ('schema = "blockout-case/2"', 'schema = "blockout-case/2" is not a case file that this'),
        ("schema = 1", "schema = 1 is not a case file that this version reads"),
        ('schema = ""', 'schema = "" is not'),
        ("[schema]", "schema = {} is not"),
    ],
)
def test_another_edition_is_refused_alone(first: str, words: str) -> None:
    # what follows may be right in that edition: nothing else is told
    with pytest.raises(CaseError, match=re.escape(words)) as caught:
        parse_case(first + '\n[cast]\nfle = "a"\n', file="a.toml")
    assert caught.value.where == "a.toml line 1"
    assert 'It reads schema = "blockout-case/1".' in str(caught.value)
    assert "fle" not in str(caught.value)


def test_a_missing_edition_is_told_with_what_is_there_instead() -> None:
    with pytest.raises(CaseError) as caught:
        parse_case('scheme = "blockout-case/1"\n[cast]\nfile = "a"\n', file="a.toml")
    assert "schema is missing (there is scheme)" in str(caught.value)
    assert 'line 1: "scheme" is not a key of the top level. The nearest is schema.' in str(
        caught.value
    )
    with pytest.raises(CaseError, match="schema is missing"):
        parse_case('[cast]\nfile = "a"\n')
    with pytest.raises(CaseError, match=r"schema is missing[\s\S]*\[cast\] is missing"):
        parse_case("")


# --- refusing: several things wrong --------------------------------------------------------------
def test_everything_wrong_is_told_at_once_in_the_order_of_the_lines() -> None:
    text = (
        HEAD + 'nme = "x"\n[cast]\nfile = 5\nland_mm = "9 ft"\n\n[path]\ndirection = [0, 0, 0]\n'
        "anterior_tilt = 4\n[parallel]\ntaper_deg = 11\nkeep_in = [\n"
        "[[1, 2], [1, 2, 3], [0, 0, 0]],\n]\n"
    )
    with pytest.raises(CaseError) as caught:
        parse_case(text, file="a.toml")
    message = str(caught.value)
    assert caught.value.where == "a.toml lines 2, 4, 5, 8, 9, 11, 13"
    assert caught.value.what == "7 keys or values cannot be used"
    told = [int(number) for number in re.findall(r"^  line (\d+): ", message, re.MULTILINE)]
    assert told == [2, 4, 5, 8, 9, 11, 13]
    for words in (
        'line 2: "nme" is not a key of the top level. The nearest is name.',
        'line 9: "anterior_tilt" is not a key of [path]. The nearest is anterior_tilt_deg.',
        "line 13: [parallel] keep_in outline 1 point 1 = [1, 2] has 2 numbers; three are due.",
    ):
        assert words in message


def test_a_flood_of_errors_is_cut_with_a_count() -> None:
    keys = "\n".join(f"k{number} = 0" for number in range(500))
    with pytest.raises(CaseError) as caught:
        parse_case(f'{HEAD}{keys}\n[cast]\nfile = "a"\n')
    assert str(caught.value).count("is not a key") == 20
    assert str(caught.value).endswith("and 480 more.")
    assert len(str(caught.value)) < 4000


# --- refusing: not a case file at all ------------------------------------------------------------
@pytest.mark.parametrize(
    ("text", "where", "words"),
    [
        ("a = ", "a.toml line 1, column 5", "this is not TOML: invalid value"),
        ("\n\na = 1 b = 2\n", "a.toml line 3, column 7", "expected newline"),
        ("a = 1\na = 2\n", "a.toml line 2, column 6", "cannot overwrite a value"),
        ("[t]\n[t]\n", "a.toml line 2, column 3", "cannot declare"),
        ('a = """x\ny\n', "a.toml line 2, column 2, the end of the text", "unterminated string"),
        ('file = "c:\\scans"\n', "a.toml line 1, column 13", "Write folders with /"),
        ("solid scan\nfacet normal 0 0 1\n", "a.toml line 1, column 7", "after a key"),
        ("a = " + "9" * 5000, "a.toml", "a number has too many digits"),
        ("a = " + "[" * 100_000, "a.toml", "nested too deep"),
        ("a = 1979-02-30\n", "a.toml line 1, column 5", "invalid date"),
    ],
)
def test_what_is_not_toml_is_told_with_line_and_column(text: str, where: str, words: str) -> None:
    with pytest.raises(CaseError) as caught:
        parse_case(text, file="a.toml")
    assert (caught.value.where or "").startswith(where)
    assert words in str(caught.value)


def test_files_that_are_no_case_file(tmp_path: Path) -> None:
    binary = tmp_path / "scan.stl"
    binary.write_bytes(b"ok = 1\nx = '\xff\xfe'\n")
    huge = tmp_path / "huge.toml"
    with huge.open("wb") as out:
        out.truncate(5_000_000_000)
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    for path, words in [
        (tmp_path / "absent.toml", "there is no such case file; at "),
        (tmp_path / "no" / "folder.toml", "there is no such case file; at "),
        (tmp_path, "this is a folder, not a case file; at "),
        (binary, "this is not text in UTF-8; byte 0xff; at scan.stl line 2. Save the case file"),
        (huge, "this file is too large for a case file; 5000.0 MB, at most 4 MB"),
        (pipe, "this is not a regular file; at "),
        (binary / "below", "the case file cannot be read; Not a directory"),
        (tmp_path / ("x" * 3000), "the case file cannot be read; File name too long"),
        (Path("nul\0byte"), "the case file cannot be read; embedded null byte"),
    ]:
        with pytest.raises(CaseError, match=re.escape(words)):
            read_case(path)


@settings(deadline=None, max_examples=200)
@given(
    st.one_of(
        st.text(max_size=40),
        st.lists(
            st.sampled_from(
                ["schema", "=", '"blockout-case/1"', "[", "]", "cast", "path", "\n", "file", "3",
                 "direction", "gauges_mm", ",", "{", "}", '"a"', ".", "true", "nan", "-", "#",
                 "keep_in", "1e999", "2020-01-01", "'", '"""', "parallel", "survey", "\\"]
            ),
            max_size=30,
        ).map(" ".join),
    )
)  # fmt: skip
def test_any_text_is_a_case_or_a_case_error(text: str) -> None:
    outcome: Case | CaseError
    try:
        outcome = parse_case(text)
    except CaseError as error:
        outcome = error
    assert isinstance(outcome, Case) or (outcome.what and outcome.where)


# --- the settings themselves ---------------------------------------------------------------------
def test_settings_given_in_python_are_refused_in_the_same_words() -> None:
    with pytest.raises(InputError) as caught:
        settings_from(PathSettings, {"anterior_tilt_deg": 95})
    assert str(caught.value) == "anterior_tilt_deg = 95 is too large; allowed -90 to 90 deg."
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


# --- the JSON Schema -----------------------------------------------------------------------------
JUDGE = jsonschema.Draft202012Validator(case_schema())


def _schema_accepts(text: str) -> bool:
    return bool(JUDGE.is_valid(tomllib.loads(text)))


def _case_accepts(text: str) -> bool:
    try:
        parse_case(text)
    except CaseError:
        return False
    return True


GOOD = [
    SMALL,
    FULL,
    HEAD + "[cast]\nfile = 'a'\n[path]\ndirection = [0, 0.1, -1]\nmax_tilt_deg = 60",
    HEAD + "[cast]\nfile = 'a'\nland_mm = '0.1 in'\nhole_length_mm = '30 ga'\nup = '-y'",
    HEAD + "[cast]\nfile = 'a'\nland_mm = ' 3.5 mm '\nborder_trim_mm = '500 um'\nup = '0, 1, 1e-1'",
    HEAD + "[cast]\nfile = 'a'\n[survey]\ngauges_mm = []",
    HEAD + "[cast]\nfile = 'a'\n[survey]\ngauges_mm = [5, 0.01, '30 ga', '0.25']",
    HEAD + "[cast]\nfile = 'a'\n[parallel]\nkeep_in = []\nkeep_out = [[[0,0,0],[1,0,0],[0,1,0]]]",
    HEAD + "[cast]\nfile = 'a'\nunit = 'in'\n[path]\n[survey]\n[parallel]",
    HEAD + "cast = {file = 'a', arch = 'lower'}\npath.lateral_tilt_deg = -90",
]
# a schema cannot say these; its description owns up to it, and JSON has no infinity at all
BEYOND_A_SCHEMA = (
    '"40 in"', '"6 mm"', "front = ", "1e-7", "1e300", "0,0,0", "[0, 0, 0.0]]]", "nan", "inf",
    '"a\\u0000b"',
)  # fmt: skip
BAD = [HEAD + body for body, _, _ in ONE_WRONG if not any(word in body for word in BEYOND_A_SCHEMA)]


def test_the_schema_is_a_schema_of_its_dialect() -> None:
    schema = case_schema()
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    jsonschema.Draft202012Validator.check_schema(schema)
    assert json.loads(json.dumps(schema)) == schema
    assert "null" not in json.dumps(schema)


@pytest.mark.parametrize("text", GOOD)
def test_a_good_case_passes_both(text: str) -> None:
    assert _case_accepts(text)
    assert _schema_accepts(text)


@pytest.mark.parametrize("text", BAD)
def test_a_bad_case_is_refused_by_both(text: str) -> None:
    assert not _case_accepts(text)
    assert not _schema_accepts(text)


def test_the_list_of_bad_cases_is_not_thinned_out() -> None:
    assert len(BAD) >= len(ONE_WRONG) - 12


@pytest.mark.parametrize(
    "first", ['schema = "blockout-case/2"', "schema = 1", "", 'Schema = "blockout-case/1"']
)
def test_the_schema_asks_for_the_edition(first: str) -> None:
    text = f'{first}\n[cast]\nfile = "a"\n'
    assert not _case_accepts(text)
    assert not _schema_accepts(text)


@settings(deadline=None, max_examples=150)
@given(
    st.sampled_from(["cast", "path", "survey", "parallel"]),
    st.sampled_from(["land_mm", "taper_deg", "gauges_mm", "direction", "floor_mm", "up", "arch",
                     "anterior_tilt_deg", "noise_depth_mm", "keep_in", "unit", "stray_share"]),
    st.recursive(
        st.one_of(
            st.integers(-100, 100), st.floats(-20, 20).filter(lambda x: not 0 < abs(x) < 1e-3),
            st.booleans(), st.sampled_from(["0.25", "10 um", "mm", "z", "-x", "lower", "30 ga",
                                            "41 ga", "1,2,3", "cm", "", "2 mm"]),
        ),
        lambda inner: st.lists(inner, max_size=4), max_leaves=9,
    ),
)  # fmt: skip
def test_schema_and_reader_agree_on_any_value(table: str, key: str, value: Any) -> None:
    data = {"schema": "blockout-case/1", "cast": {"file": "a"}}
    data[table] = {**data.get(table, {}), key: value}  # type: ignore[dict-item]
    try:
        settings_from(Case, data)
        accepted, words = True, ""
    except InputError as error:
        accepted, words = False, str(error)
    allowed = JUDGE.is_valid(data)
    if isinstance(value, list) and "three different points" in words:
        return
    if "mm) is too" in words:  # the range of a length written as text
        return
    assert allowed == accepted, words


def test_every_number_in_the_schema_carries_unit_range_mark_and_source() -> None:
    tables = case_schema()["$defs"]
    for parameter in p.ALL:
        (field,) = [
            table["properties"][parameter.name]
            for table in tables.values()
            if parameter.name in table["properties"]
        ]
        assert (field["unit"], field["mark"], field["source"]) == (
            parameter.unit, parameter.mark, parameter.source,
        )  # fmt: skip
        number = field.get("items", field)
        number = number["anyOf"][0] if "anyOf" in number else number
        assert (number["minimum"], number["maximum"]) == (parameter.low, parameter.high)
        default = list(p.GAUGES_MM) if parameter is p.GAUGE else parameter.default
        assert field.get("default") == default
        assert field["description"] == parameter.help


# --- facts ---------------------------------------------------------------------------------------
def test_facts_tell_value_origin_and_source() -> None:
    facts = case_facts(parse_case(FULL))
    assert json.loads(json.dumps(facts)) == facts
    assert facts["cast"]["border_trim_mm"] == {
        "value": 1.016, "unit": "mm", "stated": True, "is_default": False, "default": 0.6,
        "mark": p.BORDER_TRIM.mark, "source": p.BORDER_TRIM.source,
    }  # fmt: skip
    assert facts["survey"]["gauges_mm"]["value"] == [0.25, 0.508, sheet_gauge_mm(30)]
    assert facts["survey"]["gauges_mm"]["default"] == [0.25, 0.5, 0.75]
    assert facts["parallel"]["keep_in"]["value"][0][1] == [10.0, 0.0, 0.0]
    assert facts["name"] == "Demo case A"


def test_facts_of_a_small_case_are_all_defaults_but_the_file() -> None:
    facts = case_facts(parse_case(SMALL + "land_mm = 3\n"))
    tables = {name: table for name, table in facts.items() if isinstance(table, dict)}
    assert set(tables) == {"cast", "path", "survey", "parallel"}
    stated = {key for table in tables.values() for key, fact in table.items() if fact["stated"]}
    changed = {
        key for table in tables.values() for key, fact in table.items() if not fact["is_default"]
    }
    assert stated == {"file", "land_mm"}  # stated, though it is the default
    assert changed == {"file"}
    assert facts["survey"]["noise_depth_mm"]["value"] is None
    assert settings_facts(ParallelSettings()) == facts["parallel"]


# --- writing and changing ------------------------------------------------------------------------
def test_a_case_written_and_read_is_the_same_case(tmp_path: Path) -> None:
    file = tmp_path / "new" / "a.toml"
    case = parse_case(FULL)
    write_case(file, case)
    assert read_case(file) == case
    assert case_facts(read_case(file)) == case_facts(case)
    assert [entry.name for entry in file.parent.iterdir()] == ["a.toml"]


def test_only_what_is_stated_is_written(tmp_path: Path) -> None:
    file = tmp_path / "a.toml"
    write_case(file, Case(cast=CastSettings(file='sc"an\\é.stl', land_mm=4)))
    assert tomllib.loads(file.read_text("utf-8")) == {
        "schema": "blockout-case/1",
        "cast": {"file": 'sc"an\\é.stl', "land_mm": 4.0},
    }


def test_a_new_path_changes_two_numbers_and_nothing_else(tmp_path: Path) -> None:
    file = tmp_path / "a.toml"
    file.write_text(FULL)
    case = set_path(file, anterior_tilt_deg=-8, lateral_tilt_deg=6.25)
    expected = FULL.replace("tilt_deg = 4", "tilt_deg = -8.0").replace("= -2.5", "= 6.25")
    assert file.read_text() == expected
    assert case == read_case(file)
    assert case.path.warn_tilt_deg == 12.0


def test_the_same_path_again_changes_no_byte(tmp_path: Path) -> None:
    file = tmp_path / "a.toml"
    file.write_text(FULL)
    set_path(file, anterior_tilt_deg=4.0, lateral_tilt_deg=-2.5)
    assert file.read_text() == FULL


LAYOUTS = {
    "direction": SMALL + "\n[path] # p\n# by hand\ndirection = [0, 0, # up\n 1] # from the "
    "dentist\n# end\n\n# about survey\n[survey]\ngauges_mm = ['0.020 in'] # g\n",
    "no path": SMALL + "# last",
    "no line end": SMALL.rstrip(),
    "empty path": SMALL + "[path] # c\n\n\n[survey]\n",
    "empty path at the end": SMALL + "[path]",
    "inline": HEAD + "cast = {file = 'a'} # c\npath = {anterior_tilt_deg = 3} # d\n",
    "inline with a comment": HEAD + "path={direction=[0,0,1, # in\n]} # c\n[cast]\nfile = 'a'\n",
    "dotted": HEAD
    + "cast.file = 'a'\npath.anterior_tilt_deg = 3 # x\npath.warn_tilt_deg = 9\n# e\n",
    "dotted direction": HEAD + "path.direction = [1, 0, 5] # x\ncast.file = 'a' # y\n",
    "quoted": HEAD + '["cast"]\n"file" = \'a\'\n["path"]\n"lateral_tilt_deg" = 1 # q\n',
    "indented": SMALL + "  [path]\n    # i\n    lateral_tilt_deg=1# tight\n    max_tilt_deg = 20\n",
    "first": HEAD + "[path]\nlateral_tilt_deg = 1\n\n# the scan\n[cast]\nfile = 'a' # s\n",
    "comment tail": SMALL + "[path]\nwarn_tilt_deg = 5 # w\n# why\n\n# parallel\n[parallel]\n",
}


@pytest.mark.parametrize("line_end", ["\n", "\r\n"])
@pytest.mark.parametrize("layout", LAYOUTS)
def test_a_path_put_into_any_layout(tmp_path: Path, layout: str, line_end: str) -> None:
    old = LAYOUTS[layout]
    file = tmp_path / "a.toml"
    file.write_bytes(old.replace("\n", line_end).encode())
    case = set_path(file, anterior_tilt_deg=1.5, lateral_tilt_deg=-7)
    new = file.read_bytes().decode().replace("\r\n", "\n")
    before, after = tomllib.loads(old), tomllib.loads(new)
    kept = {k: v for k, v in before.get("path", {}).items() if "tilt_deg" in k and k[0] in "wm"}
    assert after.pop("path") == {"anterior_tilt_deg": 1.5, "lateral_tilt_deg": -7.0} | kept
    before.pop("path", None)
    assert after == before
    assert case.path.direction is None
    # no comment is lost, and no line is gone but those of the path
    comments = sorted(comment for _, comment in toml_lines(new).comments)
    assert comments == sorted(comment for _, comment in toml_lines(old).comments)
    rows = new.split("\n")
    for row in old.split("\n"):
        assert row in rows or re.search(r"direction|_tilt_deg|^ 1\]|^\]\}", row), row
    assert ("\r\n" in file.read_bytes().decode()) == (line_end == "\r\n")


def test_new_keys_stand_with_their_table(tmp_path: Path) -> None:
    file = tmp_path / "a.toml"
    file.write_text(LAYOUTS["comment tail"])
    set_path(file, anterior_tilt_deg=1, lateral_tilt_deg=2)
    assert file.read_text().endswith(
        "[path]\nwarn_tilt_deg = 5 # w\nanterior_tilt_deg = 1.0\nlateral_tilt_deg = 2.0\n"
        "# why\n\n# parallel\n[parallel]\n"
    )


def test_a_byte_order_mark_stays(tmp_path: Path) -> None:
    file = tmp_path / "a.toml"
    file.write_text("\ufeff" + SMALL, encoding="utf-8")
    set_path(file, anterior_tilt_deg=1, lateral_tilt_deg=2)
    assert file.read_bytes().startswith(b"\xef\xbb\xbfschema")


def test_other_values_change_in_a_users_file_too(tmp_path: Path) -> None:
    file = tmp_path / "a.toml"
    file.write_text(FULL)
    case = read_case(file)
    survey = settings_from(SurveySettings, {"gauges_mm": ["0.020 in", 0.75]})
    cast = settings_from(CastSettings, {"file": "other.ply", "land_mm": 3.5})
    changed = case.model_copy(update={"name": "B", "survey": survey, "cast": cast})
    write_case(file, changed)
    assert read_case(file) == changed
    text = file.read_text()
    assert 'schema = "blockout-case/1"      # edition\nname = "B"\n' in text
    assert "land_mm = 3.5\n" in text
    assert "hole_length_mm" not in text
    assert "[path]                          # how the cast lies\n" in text


def test_nothing_is_written_when_the_old_file_or_the_new_path_is_wrong(tmp_path: Path) -> None:
    file = tmp_path / "a.toml"
    file.write_text(SMALL + "colour = 1\n")
    with pytest.raises(CaseError, match="colour"):
        set_path(file, anterior_tilt_deg=1, lateral_tilt_deg=2)
    with pytest.raises(CaseError, match="colour"):
        write_case(file, parse_case(SMALL))
    assert file.read_text() == SMALL + "colour = 1\n"
    file.write_text(SMALL)
    with pytest.raises(InputError, match="anterior_tilt_deg = 95 is too large"):
        set_path(file, anterior_tilt_deg=95, lateral_tilt_deg=0)
    with pytest.raises(CaseError, match="no such case file"):
        set_path(tmp_path / "absent.toml", anterior_tilt_deg=1, lateral_tilt_deg=0)
    assert file.read_text() == SMALL
    assert [entry.name for entry in tmp_path.iterdir()] == ["a.toml"]


def test_a_place_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    with pytest.raises(OutputError):
        write_case(tmp_path / "file" / "a.toml", parse_case(SMALL))


@settings(deadline=None, max_examples=60)
@given(st.floats(-90, 90), st.floats(-90, 90), st.sampled_from(sorted(LAYOUTS)))
def test_any_tilt_reads_back_to_the_bit(
    tmp_path_factory: pytest.TempPathFactory, anterior: float, lateral: float, layout: str
) -> None:
    file = tmp_path_factory.mktemp("case") / "a.toml"
    file.write_text(LAYOUTS[layout])
    path = set_path(file, anterior_tilt_deg=anterior, lateral_tilt_deg=lateral).path
    assert (path.anterior_tilt_deg, path.lateral_tilt_deg) == (anterior, lateral)


@pytest.mark.parametrize("name", ["case", "facts", "problems", "schema", "toml_lines", "values"])
def test_examples_in_the_docs(name: str) -> None:
    result = doctest.testmod(importlib.import_module(f"blockout.case.{name}"))
    assert result.attempted > 0
    assert result.failed == 0


def test_every_case_among_the_samples_is_a_case_and_names_a_file_that_is_there() -> None:
    samples = sorted((Path(__file__).parents[2] / "sample_meshes").glob("*.toml"))
    assert samples
    for sample in samples:
        assert read_case(sample).cast_file(sample).is_file()
        assert _schema_accepts(sample.read_text("utf-8"))


def test_the_example_at_the_top_of_the_case_module_is_a_case() -> None:
    text = importlib.import_module("blockout.case.case").__doc__ or ""
    indented = text.split("::\n", 1)[1].split("\nEvery key", 1)[0]
    case = parse_case("\n".join(line[4:] for line in indented.split("\n")))
    assert case.cast.land_mm == 3.0
    assert case.survey.gauges_mm == (0.25, 0.508)
