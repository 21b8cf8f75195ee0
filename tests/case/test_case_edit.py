"""Writing a case file, and changing a user's own without touching the rest of it."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest
from case_texts import FULL, HEAD, SMALL
from hypothesis import given, settings
from hypothesis import strategies as st

from blockout.case.case import Case, CastSettings, parse_case, read_case
from blockout.case.edit import set_path, write_case
from blockout.case.facts import case_facts
from blockout.case.problems import settings_from
from blockout.case.settings import (
    SurveySettings,
)
from blockout.case.toml_lines import toml_lines
from blockout.errors import CaseError, InputError, OutputError


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
@given(st.floats(-60, 60), st.floats(-60, 60), st.sampled_from(sorted(LAYOUTS)))
def test_any_tilt_reads_back_to_the_bit(
    tmp_path_factory: pytest.TempPathFactory, anterior: float, lateral: float, layout: str
) -> None:
    file = tmp_path_factory.mktemp("case") / "a.toml"
    file.write_text(LAYOUTS[layout])
    path = set_path(file, anterior_tilt_deg=anterior, lateral_tilt_deg=lateral).path
    assert (path.anterior_tilt_deg, path.lateral_tilt_deg) == (anterior, lateral)
