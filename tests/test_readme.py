"""What the README says can be done can be done."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest
from typer.testing import CliRunner

from blockout.case.case import parse_case
from blockout.cli.main import app

PROJECT = Path(__file__).parent.parent
README = (PROJECT / "README.md").read_text(encoding="utf-8")
BLOCKS = re.findall(r"^```(\w*)\n(.*?)^```", README, flags=re.MULTILINE | re.DOTALL)


def _block(after: str, kind: str) -> str:
    place = README.index(f"## {after}\n")
    found = re.search(rf"^```{kind}\n(.*?)^```", README[place:], re.MULTILINE | re.DOTALL)
    assert found is not None, f"no {kind or 'plain'} block under {after}"
    return found[1]


def test_two_commands_set_up_and_test() -> None:
    lines = _block("Set up", "").splitlines()
    assert len(lines) == 2
    assert "blockout demo" in lines[0]
    assert "pytest" in lines[1]


@pytest.mark.parametrize(
    "line", [line for line in _block("Use", "").splitlines() if line.startswith("blockout")]
)
def test_commands_and_options_exist(line: str) -> None:
    words = line.split("#")[0].split()
    told = CliRunner().invoke(app, [words[1], "--help"], env={"COLUMNS": "200"})
    assert told.exit_code == 0
    options = [word for word in words if word.startswith("--")]
    assert [option for option in options if option not in told.output] == []


def test_the_case_file_is_one() -> None:
    case = parse_case(_block("A case file", "toml"), file="README.md")
    assert case.path.anterior_tilt_deg == 4.0
    assert case.survey.gauges_mm == (0.25, 0.508)
    assert case.parallel.taper_deg == 2.0


def test_the_python_runs(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    shutil.copyfile(PROJECT / "sample_meshes" / "lower_scan.stl", tmp_path / "scan.stl")
    monkeypatch.chdir(tmp_path)
    code = _block("Python", "python")
    exec(compile(code, "README.md", "exec"), {})
    told = capsys.readouterr().out.splitlines()
    depth_mm, area_mm2, lines = (float(word) for word in told[-2].split())
    model_mm3, wax_mm3 = (float(word) for word in told[-1].split())
    assert 1.0 < depth_mm < 5.0
    assert area_mm2 > 500.0
    assert lines >= 5
    assert model_mm3 > 20.0 * wax_mm3 > 0.0
    assert (tmp_path / "b" / "model.stl").stat().st_size > 84


def test_files_that_it_links_to_are_there() -> None:
    links = re.findall(r"\]\(([^)#]+)\)", README)
    assert len(links) >= 5
    assert [link for link in links if not (PROJECT / link).exists()] == []
