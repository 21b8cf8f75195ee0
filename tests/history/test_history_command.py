"""What the command prints and writes."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from made_up import SUMMARY, facts, off_by
from PIL import Image
from typer.testing import CliRunner

from blockout.cli.main import app
from blockout.history.log import append_build, append_comparison, append_entries


def run(*arguments: object, **environment: str) -> Any:
    return CliRunner().invoke(
        app,
        ["history", *(str(a) for a in arguments)],
        env={"BLOCKOUT_DEBUG": None, "BLOCKOUT_LOG": None, **environment},
    )


@pytest.fixture(scope="module")
def log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A build, its comparison, then 30 of case A, of which the last is far off."""
    place = tmp_path_factory.mktemp("history") / "log.sqlite"
    append_build(place, SUMMARY)
    append_comparison(place, facts(715.4, passed=False), case=SUMMARY["case"])
    append_entries(place, off_by(*(1.0, -1.0) * 14, 0.5, 7.0))
    return place


def test_the_table_says_what_a_person_asks(log: Path) -> None:
    result = run("--log", log)
    assert result.exit_code == 0, result.stderr
    lines = result.stdout.splitlines()
    assert lines[0] == f"Log: {log}"
    for heading in ("When (UTC)", "Case", "Planned mm3", "Found mm3", "Off %", "Verdict"):
        assert heading in lines[1]
    assert lines[2].split()[3:5] == ["build", "Ärztin's"]
    assert "733.8" in lines[2]
    assert lines[2].endswith("steep-tilt, thin-wall")
    # 715.4 of 730 mm3: 14.6 less, 2 %
    assert lines[3].split()[-5:] == ["730.0", "715.4", "-2.00", "0.031", "FAIL"]
    assert lines[33].split()[-6:] == ["200.0", "214.0", "+7.00", "0.030", "pass,", "drift"]
    assert "DRIFT: 1 of the last 8 comparisons are flagged." in lines
    assert "Western Electric" in lines[-1]


def test_one_case_and_the_last_rows_as_json(log: Path) -> None:
    result = run("--log", log, "--case", "A", "--last", "2", "--json")
    assert result.exit_code == 0, result.stderr
    document = json.loads(result.stdout)
    assert document["schema"] == "blockout-history/1"
    assert [one["number"] for one in document["entries"]] == [31, 32]
    assert document["entries"][1]["off_percent"] == pytest.approx(7.0)
    trend = document["trend"]
    assert trend["comparisons"] == 30  # all of the case, not only the two listed
    assert trend["mean_percent"] == pytest.approx(0.0, abs=1e-9)
    assert trend["sd_percent"] == pytest.approx((20.0 / 19.0) ** 0.5)
    assert trend["drifts"] is True
    assert [one["number"] for one in trend["flagged"]] == [32]
    assert trend["flagged"][0]["outside"] is True


def test_the_chart_is_a_png(log: Path, tmp_path: Path) -> None:
    result = run("--log", log, "--last", "1", "--out", tmp_path / "chart.png")
    assert result.exit_code == 0, result.stderr
    assert "and 31 earlier rows" in result.stdout
    with Image.open(tmp_path / "chart.png") as image:
        assert (image.format, image.size) == ("PNG", (1200, 900))


def test_the_variable_names_the_log_and_turns_it_off(log: Path, tmp_path: Path) -> None:
    assert run(BLOCKOUT_LOG=str(log)).stdout == run("--log", log).stdout
    off = run(BLOCKOUT_LOG="off")
    assert off.exit_code == 2
    assert "turned off" in off.stderr
    state = run(XDG_STATE_HOME=str(tmp_path))
    assert state.exit_code == 2
    assert "there is no log" in state.stderr.lower()
    assert list(tmp_path.iterdir()) == []  # asking makes nothing


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--out", "chart.jpg"), "the chart is a png"),
        (("--case", "nobody", "--out", "chart.png"), "there is nothing to chart"),
        (("--last", "0"), "--last"),
    ],
)
def test_what_is_asked_wrongly_is_told_in_words(
    log: Path, arguments: tuple[str, ...], words: str
) -> None:
    result = run("--log", log, *arguments)
    assert result.exit_code == 2
    assert words in result.stderr.lower()
    assert "Traceback" not in result.stderr


def test_a_log_without_such_rows_says_so(log: Path) -> None:
    result = run("--log", log, "--case", "nobody")
    assert result.exit_code == 0
    assert result.stdout.splitlines()[1] == "No rows."


def test_a_foreign_file_is_refused_in_words(tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("of the lab " * 30)
    result = run("--log", tmp_path / "notes.txt", "--json")
    assert result.exit_code == 2
    assert json.loads(result.stdout)["error"]["code"] == "read"
    assert (tmp_path / "notes.txt").read_text() == "of the lab " * 30
