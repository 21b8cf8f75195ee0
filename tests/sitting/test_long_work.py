"""Long work in a process of its own: its result, its words, and nothing left when it is ended."""

from __future__ import annotations

import json
import time
from pathlib import Path

import pytest
from sitting_bodies import ball_folder, names_in

from blockout.errors import InputError, PathError
from blockout.web.runs import Run
from blockout.web.sitting import Sitting, open_sitting

LONGEST_S = 120.0


@pytest.fixture(scope="module")
def table(tmp_path_factory: pytest.TempPathFactory) -> Sitting:
    return open_sitting(ball_folder(tmp_path_factory.mktemp("work") / "desk", around=24))


def until(run: Run, phrase: str) -> None:
    end = time.monotonic() + LONGEST_S
    while phrase not in run.phrases:
        assert run.state == "running", run.error
        assert time.monotonic() < end
        time.sleep(0.02)


def test_a_build_runs_beside_and_gives_its_summary(table: Sitting, tmp_path: Path) -> None:
    out = tmp_path / "built"
    run = table.start("build_case", {"case": table.case_for_job, "out": out})
    assert table.run is run
    with pytest.raises(InputError, match="other work is at hand"):
        table.start("build_case", {"case": table.case_for_job, "out": out})
    assert run.wait(LONGEST_S) == "done"
    assert run.error is None
    assert run.result == json.loads((out / "summary.json").read_text(encoding="utf-8"))
    assert run.phrases[0] == "reading the file"
    assert "joining cast and wax" in run.phrases
    assert run.progress == "drawing pictures"
    assert names_in(tmp_path) == ["built"]


@pytest.mark.parametrize("phrase", ["", "drawing pictures"])
def test_a_cancelled_run_leaves_nothing(table: Sitting, tmp_path: Path, phrase: str) -> None:
    out = tmp_path / "built"
    run = table.start("build_case", {"case": table.case_for_job, "out": out})
    if phrase:
        until(run, phrase)
        assert len(names_in(tmp_path)) == 1  # what it has in hand
    begun = time.monotonic()
    run.cancel()
    assert run.wait(LONGEST_S) == "cancelled"
    if phrase:  # a busy machine may take its time; on a quiet one it is under a second
        assert time.monotonic() - begun < 5.0
    assert names_in(tmp_path) == []
    assert run.result is None
    assert run.error is None


def test_a_cancelled_run_leaves_the_older_build(table: Sitting, tmp_path: Path) -> None:
    out = tmp_path / "built"
    out.mkdir()
    (out / "summary.json").write_text("{}", encoding="utf-8")
    run = table.start("build_case", {"case": table.case_for_job, "out": out})
    until(run, "reading undercut depths")
    run.cancel()
    run.cancel()
    assert run.wait(LONGEST_S) == "cancelled"
    assert names_in(tmp_path) == ["built"]
    assert (out / "summary.json").read_text(encoding="utf-8") == "{}"


def test_an_error_comes_with_all_its_parts(table: Sitting, tmp_path: Path) -> None:
    path = table.case.path.model_copy(update={"anterior_tilt_deg": 40.0})
    case = table.case_for_job.model_copy(update={"path": path})
    run = table.start("build_case", {"case": case, "out": tmp_path / "built"})
    assert run.wait(LONGEST_S) == "failed"
    assert isinstance(run.error, PathError)
    assert run.error.what.startswith("by its anterior tilt the path is tilted too far")
    assert run.error.measured == "40.00 degrees, limit 30: allowed -30 to 30"
    assert run.error.fix is not None
    assert str(run.error).count(run.error.fix) == 1
    assert names_in(tmp_path) == []


def test_only_known_work_is_done(table: Sitting) -> None:
    with pytest.raises(InputError, match="no work for a run"):
        table.start("demo", {})
