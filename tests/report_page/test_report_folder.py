"""``blockout report``: what it writes, what it refuses, and with which words."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from ball_case import SHA256
from reading_html import parsed, words_of
from typer.testing import CliRunner, Result

from blockout import job
from blockout.cli.main import app
from blockout.report.cautions import CAUTIONS

_RUN = (
    "from blockout.report.page.inner_side import inner_pictures as drawn\n"
    "drawn.__kwdefaults__['size_px'] = (300, 225)\n"
    "from blockout.cli.main import run; run()"
)
"""The program in a process of its own, its pictures small."""


def run(*arguments: Any) -> Result:
    return CliRunner().invoke(app, ["report", *map(str, arguments)])


@pytest.fixture
def folder(built: Path, tmp_path: Path) -> Path:
    """A copy that a test may spoil."""
    return Path(shutil.copytree(built, tmp_path / "b"))


def change(folder: Path, edit: Callable[[dict[str, Any]], object]) -> None:
    file = folder / "summary.json"
    facts = json.loads(file.read_text(encoding="utf-8"))
    edit(facts)
    file.write_text(json.dumps(facts), encoding="utf-8")


def refused(folder: Path, *words: str, more: tuple[Any, ...] = ()) -> None:
    """Exit code 2, words, nothing written."""
    out = folder.parent / "r" / "report.html"
    result = run(folder, "--out", out, *more)
    assert result.exit_code == 2, result.output
    said = result.stderr
    for word in words:
        assert word in said, said
    assert "Traceback" not in said
    assert "fault of blockout" not in said
    assert result.stdout == ""
    assert not out.parent.exists()


def test_it_writes_one_file_and_touches_nothing(built: Path, tmp_path: Path) -> None:
    before = {file: file.read_bytes() for file in built.rglob("*") if file.is_file()}
    out = tmp_path / "new" / "report.html"
    result = run(built, "--out", out)
    assert result.exit_code == 0, result.output
    assert result.stdout.startswith("Report: 7 pictures, 2 arms in section, ")
    assert f"Written to {out}" in result.stdout
    assert [file.name for file in out.parent.iterdir()] == ["report.html"]
    assert {file: file.read_bytes() for file in built.rglob("*") if file.is_file()} == before


def test_with_json_the_answer_is_a_document(built: Path, tmp_path: Path) -> None:
    out = tmp_path / "report.html"
    facts = json.loads(run(built, "--out", out, "--json").stdout)
    assert facts["schema"] == "blockout-report/1"
    assert (facts["pictures"], facts["sections"], facts["companions"]) == (7, 2, 0)
    assert facts["size_bytes"] == out.stat().st_size


def test_it_does_not_hang_on_the_language_of_the_machine(built: Path, tmp_path: Path) -> None:
    out = tmp_path / "report.html"
    done = subprocess.run(
        [sys.executable, "-c", _RUN, "report", str(built), "--out", str(out)],
        env=os.environ
        | {"LC_ALL": "C", "LANG": "de_DE", "PYTHONUTF8": "0", "PYTHONIOENCODING": ""},
        capture_output=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    text = words_of(parsed(out.read_bytes().decode("utf-8")))
    assert "Füllung Łódź 7" in text
    assert "2,0" not in text.partition("Case and cast")[0]


def test_an_older_report_is_replaced_whole(built: Path, tmp_path: Path) -> None:
    out = tmp_path / "report.html"
    out.write_text("older", encoding="utf-8")
    assert run(built, "--out", out).exit_code == 0
    assert out.read_text(encoding="utf-8").startswith("<!DOCTYPE html>")


# --- without a prescription ----------------------------------------------------------------------
def test_a_build_without_arms_makes_a_report(folder: Path, tmp_path: Path) -> None:
    def bare(facts: dict[str, Any]) -> None:
        for key in ("arms", "retention", "teeth", "kennedy"):
            del facts[key]
        for key in ("arm", "teeth", "relief"):
            facts["case"].pop(key, None)

    change(folder, bare)
    out = tmp_path / "report.html"
    assert run(folder, "--out", out).exit_code == 0
    text = words_of(parsed(out.read_text(encoding="utf-8")))
    assert "None: the case names no teeth, arms or reliefs." in text
    assert "The build has no arms." in text
    assert all(caution in text for caution in CAUTIONS)


def test_a_folder_without_pictures_says_so(folder: Path, tmp_path: Path) -> None:
    shutil.rmtree(folder / "pictures")
    out = tmp_path / "report.html"
    assert run(folder, "--out", out).exit_code == 0
    # the inner sides are drawn anew
    assert words_of(parsed(out.read_text(encoding="utf-8"))).count("no picture") == 5


# --- refusals ------------------------------------------------------------------------------------
def test_a_folder_that_is_no_build_is_refused(tmp_path: Path) -> None:
    (tmp_path / "x").mkdir()
    refused(tmp_path / "x", "not a folder that a build wrote", "summary.json", "blockout build")
    refused(tmp_path / "y", "not a folder that a build wrote")


@pytest.mark.parametrize(
    ("edit", "word"),
    [
        (lambda facts: facts.pop("path"), "lacks path"),
        (lambda facts: facts["cast"].pop("volume_mm3"), "cast.volume_mm3"),
        (lambda facts: facts.pop("schema"), "names no schema"),
        (lambda facts: facts.update(schema="blockout-summary/0"), "blockout-summary/0"),
        (lambda facts: facts.update(schema=7), "another version"),
        (lambda facts: facts["path"].update(direction=[0.0, 1.0]), "/path/direction"),
        (lambda facts: facts["arms"][0].pop("terminal_at_mm"), "/arms/0/terminal_at_mm"),
        (lambda facts: facts["arms"][0].pop("length_mm"), "/arms/0/length_mm is absent"),
        (lambda facts: facts["arms"][1].update(length_mm="long"), "/arms/1/length_mm is str"),
        (lambda facts: facts["teeth"][2].update(aspects={}), "/teeth/2/aspects is dict"),
        (lambda facts: facts["parts"][0].update(triangles=5), "tells of 5"),
        (lambda facts: facts["parts"][0].update(name="../cast"), "not what the build wrote"),
        (lambda facts: facts["cast"].update(source_sha256="0" * 64), "made from another scan"),
        (lambda facts: facts["cast"].update(triangles=5), "tells of 5"),
        (lambda facts: facts.update(parts=7), "summary.json"),
        (lambda facts: facts.update(case=[1]), "summary.json"),
        (lambda facts: facts["undercut"].update(regions=3), "summary.json"),
    ],
)  # fmt: skip
def test_an_old_or_half_summary_is_refused_with_words(
    folder: Path, edit: Callable[[dict[str, Any]], object], word: str
) -> None:
    change(folder, edit)
    refused(folder, word)


@pytest.mark.parametrize("text", ["", "{", "[]", "7", '{"a": NaN}', "\ufeff{", "[" * 100_000])
def test_a_summary_that_is_no_document_is_refused(folder: Path, text: str) -> None:
    (folder / "summary.json").write_text(text, encoding="utf-8")
    refused(folder, "summary.json")


@pytest.mark.parametrize("name", ["cast.ply", "model.stl", "wax/parallel.stl"])
def test_a_file_that_is_gone_is_named(folder: Path, name: str) -> None:
    (folder / name).unlink()
    refused(folder, Path(name).name)


def test_a_picture_that_is_none_is_refused(folder: Path) -> None:
    (folder / "pictures" / "left.png").write_text("<svg onload=alert(1)>", encoding="utf-8")
    refused(folder, "left.png", "no PNG")


def test_a_file_of_the_build_is_never_written_over(folder: Path) -> None:
    before = (folder / "summary.json").read_bytes()
    result = run(folder, "--out", folder / "summary.json")
    assert result.exit_code == 2
    assert "take the place of the input" in result.stderr
    assert (folder / "summary.json").read_bytes() == before


# --- companions ----------------------------------------------------------------------------------
def sureness() -> dict[str, Any]:
    interval = {"meant_mm": 0.25, "low_mm": 0.2271, "high_mm": 0.2789, "middle_mm": 0.25}
    arm = {"name": "46 buccal", "tooth": 46, "role": "retentive", "depth": interval, "force": None}
    return {
        "schema": "blockout-sureness/1",
        "cast": {"source_sha256": SHA256},
        "sureness": {
            "samples": 93, "repositioning_error_deg": 0.5, "coverage_share": 0.95,
            "confidence_share": 0.95, "arms": [arm], "assumptions": ["tilts are normal"],
        },
    }  # fmt: skip


def test_a_document_beside_the_build_is_shown(built: Path, tmp_path: Path) -> None:
    (tmp_path / "sureness.json").write_text(json.dumps(sureness()), encoding="utf-8")
    out = tmp_path / "report.html"
    done = job.report_folder(built, out=out, companions=[tmp_path / "sureness.json"])
    assert done.companions == 1
    root = parsed(out.read_text(encoding="utf-8"))
    rows = [[words_of(cell) for cell in row] for row in root.iter("tr")]
    assert ["46 buccal", "0.25 mm", "0.23 mm", "0.28 mm"] in [row[:4] for row in rows]
    assert "Tilts are normal." in words_of(root)


def test_a_companion_that_is_none_is_refused(built: Path, tmp_path: Path) -> None:
    folder = Path(shutil.copytree(built, tmp_path / "b"))
    (tmp_path / "empty").mkdir()
    refused(folder, "holds nothing that a report could show", more=("--with", tmp_path / "empty"))
    refused(folder, "holds nothing", more=("--with", tmp_path / "nowhere"))
    other = tmp_path / "other.json"
    other.write_text(json.dumps(sureness() | {"schema": "blockout-sureness/9"}), encoding="utf-8")
    refused(folder, "blockout-sureness/9", more=("--with", other))
    other.write_text(json.dumps(sureness() | {"cast": {"sha256": "f" * 64}}), encoding="utf-8")
    refused(folder, "about another cast", "f" * 12, more=("--with", other))
    other.write_text(json.dumps(sureness() | {"cast": {}}), encoding="utf-8")
    refused(folder, "about another cast", "absent", more=("--with", other))
    other.write_text(json.dumps(sureness()), encoding="utf-8")
    refused(folder, "more than one document", more=("--with", other, "--with", other))
    other.write_text(json.dumps(sureness() | {"sureness": 3}), encoding="utf-8")
    refused(folder, "/sureness/", more=("--with", other))
