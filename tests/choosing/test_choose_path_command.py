"""``blockout choose-path`` on a small made-up case: the list, the folder, the case file."""

from __future__ import annotations

import csv
import io
import json
import tomllib
from pathlib import Path

import numpy as np
import pytest
from known_teeth import BallTooth, balls_cast
from typer.testing import CliRunner

from blockout.case.choosing_parameters import ALL
from blockout.cast.record import write_cast
from blockout.cli.choose_path import table_lines
from blockout.cli.main import app
from blockout.job import choices
from blockout.report.tilt_disk import tilt_pictures

TEETH = [
    BallTooth(44, (12.0, -2.0, 0.0), (0.0, 1.0), (1.0, 0.0)),
    BallTooth(34, (-12.0, -2.0, 0.0), (0.0, 1.0), (-1.0, 0.0)),
]
CASE = """\
schema = "blockout-case/1"   # keep me

[cast]
file = "cast.ply"
arch = "lower"

[path]
anterior_tilt_deg = 1  # by eye
"""


@pytest.fixture(autouse=True)
def _quick(monkeypatch):
    """A narrow disk and small pictures: how the search does on a wide one is tested elsewhere."""
    monkeypatch.setitem(tilt_pictures.__kwdefaults__, "size_px", (300, 225))


@pytest.fixture
def case(tmp_path) -> Path:
    cast, _ = balls_cast(TEETH, subdivisions=2)
    write_cast(tmp_path / "cast.ply", cast)
    (tmp_path / "case.toml").write_text(CASE, encoding="utf-8")
    return tmp_path / "case.toml"


def run(*arguments):
    return CliRunner().invoke(app, ["choose-path", *map(str, arguments)])


def test_the_list_is_printed_written_and_the_same_everywhere(case, tmp_path):
    out = tmp_path / "choice"
    done = run(case, "--within", "1", "--out", out, "--json")
    assert done.exit_code == 0, done.stderr
    facts = json.loads(done.stdout)
    assert facts == json.loads((out / "choices.json").read_text("utf-8"))
    rows = list(csv.DictReader(io.StringIO((out / "choices.csv").read_text("utf-8"))))
    assert [int(row["number"]) for row in rows] == [path["number"] for path in facts["paths"]]
    assert facts["settings"]["within_deg"] == 1.0
    assert {file.name for file in out.iterdir()} == {
        "choices.json", "choices.csv", "total.png", "interferences.png",
    }  # fmt: skip
    assert case.read_text("utf-8") == CASE
    for path in facts["paths"]:
        assert np.linalg.norm(path["direction"]) == pytest.approx(1.0)


def test_people_get_a_table_a_reason_and_what_to_do_next(case):
    done = run(case, "--within", "1")
    assert done.exit_code == 0, done.stderr
    lines = done.stdout.splitlines()
    assert lines[0].split() == [
        "Path", "Tilt", "of", "the", "cast,", "degrees", "Total", "Interferences", "Listed", "for",
    ]  # fmt: skip
    assert any(line.startswith("Best: ") for line in lines)
    assert any(line.startswith(("Level is good enough", "Level is not")) for line in lines)
    assert "no teeth are named" in done.stdout.lower()
    assert (
        lines[-1] == f"Next: blockout choose-path {case} --pick 1 writes path 1 into the case file"
    )


def test_a_pick_is_written_into_the_case_and_nothing_else_changes(case):
    done = run(case, "--within", "1", "--pick", "1", "--json")
    assert done.exit_code == 0, done.stderr
    facts = json.loads(done.stdout)
    path = facts["paths"][0]
    text = case.read_text("utf-8")
    assert tomllib.loads(text)["path"] == {
        "anterior_tilt_deg": path["anterior_tilt_deg"],
        "lateral_tilt_deg": path["lateral_tilt_deg"],
    }
    assert "# keep me" in text
    assert "# by eye" in text
    assert facts["picked"]["number"] == 1


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--pick", "99", "--within", "1"), "There is no path 99"),
        (("--within", "45"), "--within"),
        (("--within", "far"), "is not a number"),
        (("--retention-weight", "-1"), "--retention-weight"),
        (
            ("--retention-weight", "0", "--interferences-weight", "0", "--guiding-planes-weight",
             "0", "--appearance-weight", "0"),
            "all four weights are 0",
        ),
    ],
)  # fmt: skip
def test_what_cannot_be_done_is_refused_and_nothing_is_written(case, tmp_path, arguments, said):
    done = run(case, *arguments, "--out", tmp_path / "choice")
    assert done.exit_code == 2, done.output
    assert said in done.stderr
    assert "Traceback" not in done.stderr
    assert not (tmp_path / "choice").exists()
    assert case.read_text("utf-8") == CASE


def test_a_pick_needs_a_case_file(case):
    done = run(case.parent / "cast.ply", "--pick", "1")
    assert done.exit_code == 2
    assert "There is no case file" in done.stderr


def test_stopped_from_the_keyboard_it_leaves_nothing(case, tmp_path, monkeypatch):
    def stopped(choice, **more):
        raise KeyboardInterrupt

    monkeypatch.setattr(choices, "tilt_pictures", stopped)
    done = run(case, "--within", "1", "--pick", "1", "--out", tmp_path / "choice")
    assert done.exit_code == 130
    assert case.read_text("utf-8") == CASE
    assert sorted(file.name for file in tmp_path.iterdir()) == ["case.toml", "cast.ply"]


def test_a_table_of_settings_in_the_case_is_taken(case):
    case.write_text(CASE + "\n[choosing]\nwithin_deg = 1.5\ntooth_weight = 3\n", encoding="utf-8")
    facts = json.loads(run(case, "--json").stdout)
    assert facts["settings"]["within_deg"] == 1.5
    assert facts["settings"]["tooth_weight"] == 3.0


def test_only_factors_that_are_scored_have_a_column():
    path = {
        "number": 1, "words": "level", "total": 50.0, "marks": {"interferences": 50.0},
        "why": ["best total", "level"], "as_good_as_best": True, "steep": False,
        "made_by_tilt_alone": [],
    }  # fmt: skip
    head, row = table_lines([path])
    assert "Guiding" not in head
    assert row.split() == ["1", "level", "50", "50", "best", "total,", "level"]
    steep = path | {"number": 2, "steep": True, "made_by_tilt_alone": ["44 buccal"]}
    assert list(table_lines([path, steep]))[2].endswith(
        "best total, level; as good as path 1; steep; undercut made by tilt"
    )


def test_every_number_says_its_range_default_and_where_it_comes_from():
    for parameter in ALL:
        assert parameter.default is not None
        assert parameter.low <= parameter.default <= parameter.high
        assert parameter.source
        assert len(parameter.sentence) > 40
