"""The JSON Schema of a case file; its judge is the jsonschema package."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from case_texts import FULL, HEAD, ONE_WRONG, SMALL
from hypothesis import given, settings
from hypothesis import strategies as st

from blockout.case import parameters as p
from blockout.case.case import Case, parse_case, read_case
from blockout.case.problems import settings_from
from blockout.case.schema import case_schema
from blockout.errors import CaseError, InputError

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
    HEAD + "cast = {file = 'a', arch = 'lower'}\npath.lateral_tilt_deg = -60",
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


def test_every_case_among_the_samples_is_a_case_and_names_a_file_that_is_there() -> None:
    samples = sorted((Path(__file__).parents[2] / "sample_meshes").glob("*.toml"))
    assert samples
    for sample in samples:
        assert read_case(sample).cast_file(sample).is_file()
        assert _schema_accepts(sample.read_text("utf-8"))
