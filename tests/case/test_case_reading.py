"""The case file: what is read, with which defaults, and where the facts say each value is from."""

from __future__ import annotations

import doctest
import importlib
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from case_texts import FULL, HEAD, SMALL
from pydantic import ValidationError

from blockout.case import parameters as p
from blockout.case.case import Case, CastSettings, parse_case, read_case
from blockout.case.facts import case_facts, settings_facts
from blockout.case.settings import (
    ParallelSettings,
    PathSettings,
    PrepareSettings,
    SurveySettings,
)
from blockout.errors import CaseError
from blockout.units import sheet_gauge_mm


def test_a_full_case_is_read_to_the_number(tmp_path: Path) -> None:
    file = tmp_path / "a.toml"
    file.write_text(FULL)
    case = read_case(file)
    assert case.name == "Demo case A"
    assert case.cast == CastSettings(
        file="../scans/scan.stl", unit="mm", arch="upper", up="+z", front="0, 1, 0.5",
        stray_share=0.2, hole_length_mm=8, border_trim_mm=1.016, land_mm=3.5, base_thickness_mm=12,
        base_height_mm=12.7,
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
    with pytest.raises(CaseError, match=r"at a\.toml line 32\."):
        read_case(file)


def test_a_case_is_frozen() -> None:
    case = parse_case(FULL)
    with pytest.raises(ValidationError, match="frozen"):
        case.name = "other"
    with pytest.raises(ValidationError, match="frozen"):
        case.path.anterior_tilt_deg = 0.0


# --- facts ---
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


def _values(table: dict[str, Any]) -> Iterator[tuple[str, dict[str, Any]]]:
    """Every key of a table and of the tables in it."""
    for key, fact in table.items():
        if "stated" in fact:
            yield key, fact
        else:
            yield from _values(fact)


def test_facts_of_a_small_case_are_all_defaults_but_the_file() -> None:
    facts = case_facts(parse_case(SMALL + "land_mm = 3\n"))
    tables = {name: table for name, table in facts.items() if isinstance(table, dict)}
    assert set(tables) >= {
        "cast", "path", "survey", "choosing", "recording", "sureness", "teeth", "parallel", "ledge",
        "arbitrary", "border",
    }  # fmt: skip
    assert facts["arm"] == facts["relief"] == facts["bead"] == []
    values = [one for table in tables.values() for one in _values(table)]
    assert "crown_reach_mm" in dict(values)
    stated = {key for key, fact in values if fact["stated"]}
    changed = {key for key, fact in values if not fact["is_default"]}
    assert stated == {"file", "land_mm"}  # stated, though it is the default
    assert changed == {"file"}
    assert facts["survey"]["noise_depth_mm"]["value"] is None
    assert settings_facts(ParallelSettings()) == facts["parallel"]


# --- examples ---
@pytest.mark.parametrize("name", ["case", "facts", "problems", "schema", "toml_lines", "values"])
def test_examples_in_the_docs(name: str) -> None:
    result = doctest.testmod(importlib.import_module(f"blockout.case.{name}"))
    assert result.attempted > 0
    assert result.failed == 0


def test_the_example_at_the_top_of_the_case_module_is_a_case() -> None:
    text = importlib.import_module("blockout.case.case").__doc__ or ""
    indented = text.split("::\n", 1)[1].split("\nEvery key", 1)[0]
    case = parse_case("\n".join(line[4:] for line in indented.split("\n")))
    assert case.cast.land_mm == 3.0
    assert case.survey.gauges_mm == (0.25, 0.508)
