"""Many cases: what becomes of each, however the others end."""

import csv
import json
import os
import shutil
import signal
import subprocess
import sys
import time
from collections import Counter
from pathlib import Path

import light_builds
import pytest

from blockout.errors import CheckError, InputError
from blockout.job import build_case
from blockout.job.many import (
    LEDGER,
    OUTCOMES_CSV,
    OUTCOMES_JSON,
    build_many,
    folder_names,
)
from blockout.job.own_process import in_own_process
from blockout.kernel.files import read_mesh_file

SPHERE = Path(__file__).parents[2] / "sample_meshes" / "sphere_on_plate.stl"
HEAD = 'schema = "blockout-case/1"\n[cast]\nfile = "scan.stl"\nunit = "mm"\nup = "+z"\n'


def case_in(folder, name, *, tilt_deg=0.0):
    file = folder / f"{name}.toml"
    file.write_text(f'{HEAD}front = "+y"\n[path]\nanterior_tilt_deg = {tilt_deg}\n')
    return file


@pytest.fixture
def day(tmp_path):
    """A folder with a scan, for cases beside it."""
    folder = tmp_path / "day"
    folder.mkdir()
    shutil.copy(SPHERE, folder / "scan.stl")
    return folder


def begun(day):
    """How often each case was begun, as the builds themselves wrote it down."""
    diary = day / light_builds.DIARY
    lines = diary.read_text().splitlines() if diary.exists() else []
    return Counter(line.split()[0] for line in lines)


def processes(day):
    return [int(line.split()[1]) for line in (day / light_builds.DIARY).read_text().splitlines()]


def outcomes(many):
    return {row.folder: row.outcome for row in many.rows}


def held(out):
    return {entry.name for entry in out.iterdir()}


def table(out):
    with (out / OUTCOMES_CSV).open(newline="", encoding="utf-8") as opened:
        return list(csv.DictReader(opened))


def test_a_hundred_cases_one_broken_one_killed_then_restarted(day, tmp_path):
    out = tmp_path / "out"
    names = [f"c{k:03d}" for k in range(100)]
    files = [case_in(day, name, tilt_deg=k / 10.0) for k, name in enumerate(names)]
    files[31].write_text("this is = not [ a case")
    (day / "c057.kill").touch()

    told = []
    first = build_many(files, out=out, jobs=2, build=light_builds.light, progress=told.append)
    expected = dict.fromkeys(names, "built") | {"c031": "refused", "c057": "failed"}
    assert outcomes(first) == expected
    assert first.counts == {"built": 98, "skipped": 0, "refused": 1, "failed": 1}
    assert first.exit_code == 1
    assert "c031.toml" in first.rows[31].message
    assert "not TOML" in first.rows[31].message
    assert "killed by SIGKILL" in first.rows[57].message
    assert len(told) == 100
    assert told[-1].startswith("100 of 100: ")
    # every case that is no nonsense was begun once, in a process of its own
    assert begun(day) == dict.fromkeys(set(names) - {"c031"}, 1)
    assert len(set(processes(day))) == 99
    assert os.getpid() not in processes(day)
    # whole folders only: nothing of the killed one is left
    assert held(out) == set(names) - {"c031", "c057"} | {OUTCOMES_CSV, OUTCOMES_JSON, LEDGER}

    (day / "c057.kill").unlink()
    times = {name: (out / name / "summary.json").stat().st_mtime_ns for name in names[:31]}
    second = build_many(files, out=out, jobs=2, build=light_builds.light)
    assert outcomes(second) == dict.fromkeys(names, "skipped") | {
        "c031": "refused",
        "c057": "built",
    }
    assert second.exit_code == 2
    done = [row for row in second.rows if row.outcome in ("built", "skipped")]
    assert len(done) == 99
    # nothing was done twice: only the killed one was begun again
    assert begun(day) == dict.fromkeys(set(names) - {"c031"}, 1) | {"c057": 2}
    assert times == {name: (out / name / "summary.json").stat().st_mtime_ns for name in names[:31]}

    # the table, as it stands on the disk: the volume of case k is k / 10, by its construction
    document = json.loads((out / OUTCOMES_JSON).read_text())
    assert document == second.facts()
    assert document["counts"] == {"built": 1, "skipped": 98, "refused": 1, "failed": 0}
    rows = table(out)
    assert [row["folder"] for row in rows] == names
    assert [row["case"] for row in rows] == [str(file) for file in files]
    for k, row in enumerate(rows):
        if k == 31:
            assert (row["outcome"], row["model_volume_mm3"], row["warnings"]) == ("refused", "", "")
            assert row["message"] == first.rows[31].message
        else:
            assert row["outcome"] == ("built" if k == 57 else "skipped")
            assert float(row["model_volume_mm3"]) == k / 10.0
            assert (row["warnings"], row["message"]) == ("3", "")


@pytest.mark.long
def test_three_real_cases_are_what_each_is_alone(day, tmp_path, monkeypatch):
    # case files are named from the working folder, scans from the case file's folder
    monkeypatch.chdir(tmp_path)
    files = [case_in(Path("day"), f"t{k}", tilt_deg=2.0 * k) for k in range(2)]
    files.append(case_in(Path("day"), "lost"))
    files[2].write_text(files[2].read_text().replace("scan.stl", "nowhere.stl"))
    many = build_many(files, out=Path("out"), jobs=2, build=light_builds.real_with_small_pictures)
    assert outcomes(many) == {"t0": "built", "t1": "built", "lost": "refused"}
    assert many.exit_code == 2
    assert "nowhere.stl" in many.rows[2].message
    volumes_mm3 = [row.model_volume_mm3 for row in many.rows[:2]]
    assert volumes_mm3[1] > volumes_mm3[0]  # law: a sphere's undercut is least straight down
    for row in many.rows[:2]:
        summary = json.loads(Path("out", row.folder, "summary.json").read_text())
        assert row.warnings == len(summary["warnings"])
        assert row.model_volume_mm3 == summary["model"]["volume_mm3"]
        # divergence theorem, over the file's own triangles
        mesh = read_mesh_file(Path("out", row.folder, "model.stl"))
        a, b, c = (mesh.vertices[mesh.faces[:, k]] for k in range(3))
        volume_mm3 = float((a * _cross(b, c)).sum() / 6.0)
        assert volume_mm3 == pytest.approx(row.model_volume_mm3, rel=1e-5)
    again = build_many(files, out=Path("out"), jobs=2, build=light_builds.real_with_small_pictures)
    assert outcomes(again) == {"t0": "skipped", "t1": "skipped", "lost": "refused"}


def _cross(b, c):
    import numpy as np

    return np.cross(b, c)


def test_the_real_build_sees_the_scan_from_the_case_file(day, monkeypatch, tmp_path):
    from blockout.job import many

    asked = []
    monkeypatch.setattr(many, "build_case", lambda case, *, out: asked.append((case, out)))
    many.build_from_file(case_in(day, "a"), tmp_path / "b")
    ((case, out),) = asked
    assert Path(case.cast.file) == day / "scan.stl"
    assert out == tmp_path / "b"
    # what the case left out stays left out, or a prepared cast would refuse it
    assert case.cast.model_fields_set == {"file", "unit", "up", "front"}
    assert build_case is not many.build_case


def test_how_a_case_can_end(day, tmp_path):
    files = [case_in(day, name) for name in ("check", "fault", "fine")]
    (day / "check.check").touch()
    (day / "fault.fault").touch()
    many = build_many(files, out=tmp_path / "out", build=light_builds.light)
    assert outcomes(many) == {"check": "failed", "fault": "failed", "fine": "built"}
    assert many.rows[0].message == "the volumes differ; 2 mm3, at most 1 mm3."
    assert "FaultOfOurOwn" in many.rows[1].message
    assert held(tmp_path / "out") == {"fine", OUTCOMES_CSV, OUTCOMES_JSON, LEDGER}


@pytest.mark.parametrize(
    "change", ["case", "scan", "version", "summary", "no folder", "no ledger", "bad ledger"]
)
def test_what_is_built_again(day, tmp_path, change, monkeypatch):
    out = tmp_path / "out"
    file = case_in(day, "a")
    for _ in range(2):
        many = build_many([file], out=out, build=light_builds.light)
    assert outcomes(many) == {"a": "skipped"}
    assert begun(day) == {"a": 1}
    if change == "case":
        file.write_text(file.read_text() + "# a remark\n")
    elif change == "scan":
        with (day / "scan.stl").open("ab") as scan:
            scan.write(b"\0")
    elif change == "version":
        monkeypatch.setattr("blockout.job.many.__version__", "0.0.0")
    elif change == "summary":
        summary = out / "a" / "summary.json"
        summary.write_text(summary.read_text() + "\n")
    elif change == "no folder":
        shutil.rmtree(out / "a")
    elif change == "no ledger":
        (out / LEDGER).unlink()
    else:
        (out / LEDGER).write_text('{"cases": [1]}')
    many = build_many([file], out=out, build=light_builds.light)
    assert outcomes(many) == {"a": "built"}
    assert begun(day) == {"a": 2}
    many = build_many([file], out=out, build=light_builds.light)
    assert outcomes(many) == {"a": "skipped"}


def test_what_a_killed_run_left_is_cleared_and_a_moved_folder_put_back(day, tmp_path):
    out = tmp_path / "out"
    file = case_in(day, "a")
    assert build_many([file], out=out, build=light_builds.light).exit_code == 0
    # as a run leaves it that is killed between the two renames of a swap
    (out / "a").rename(out / "a.replaced-0123abcd")
    (out / "a.unfinished-89abcdef").mkdir()
    (out / "ab.unfinished-89abcdef").mkdir()  # another case's
    (day / "a.check").touch()
    assert build_many([file], out=out, build=light_builds.light).exit_code == 1
    assert held(out) == {"a", "ab.unfinished-89abcdef", OUTCOMES_CSV, OUTCOMES_JSON, LEDGER}
    assert (out / "a" / "summary.json").exists()


STOPPED = """
import sys
from pathlib import Path
import light_builds
from blockout.job.many import build_many
files = [Path(name) for name in sys.argv[2:]]
build_many(files, out=Path(sys.argv[1]), jobs=2, build=light_builds.light)
"""


@pytest.mark.parametrize("sent", [signal.SIGINT, signal.SIGKILL])
def test_a_stopped_run_ends_its_processes(day, tmp_path, sent):
    out = tmp_path / "out"
    files = [case_in(day, name) for name in ("done", "w1", "w2", "later")]
    for name in ("w1", "w2"):
        (day / f"{name}.wait").touch()
    with subprocess.Popen(
        [sys.executable, "-c", STOPPED, str(out), *map(str, files)],
        env={**os.environ, "PYTHONPATH": str(Path(__file__).parent)},
        stderr=subprocess.PIPE, text=True,
    ) as running:  # fmt: skip
        try:
            _until(lambda: len(begun(day)) == 3 and len(list(out.glob("w?.unfinished-*"))) == 2)
        except AssertionError:
            running.kill()
            raise
        running.send_signal(sent)
        _, complaint = running.communicate(timeout=20)
    assert running.returncode == -sent
    _until(lambda: not any(_is_alive(number) for number in processes(day)[1:]))
    assert begun(day) == {"done": 1, "w1": 1, "w2": 1}
    if sent == signal.SIGINT:
        assert complaint.rstrip().endswith("KeyboardInterrupt")
        assert held(out) == {"done", LEDGER}
    for name in ("w1", "w2"):
        (day / f"{name}.wait").unlink()
    many = build_many(files, out=out, jobs=2, build=light_builds.light)
    built = dict.fromkeys(("w1", "w2", "later"), "built")
    assert outcomes(many) == {"done": "skipped"} | built
    assert held(out) == {"done", *built, OUTCOMES_CSV, OUTCOMES_JSON, LEDGER}


def _until(is_so):
    for _ in range(1200):  # a machine with much else to do starts processes slowly
        if is_so():
            return
        time.sleep(0.05)
    raise AssertionError("not so within a minute")


def _is_alive(number):
    stat = Path(f"/proc/{number}/stat")
    try:
        return stat.read_text().rsplit(")", 1)[1].split()[0] != "Z"
    except OSError:
        return False


def test_a_folder_for_each_case():
    same = [Path("/a/x.toml"), Path("/b/X.toml"), Path("/b/y.toml")]
    names = folder_names(same)
    assert names[same[2]] == "y"
    assert names == folder_names(same[::-1])  # whatever the order
    assert len({name.casefold() for name in names.values()}) == 3
    odd = [
        Path("/a/outcomes.csv.toml"),
        Path("/a/outcomes.ledger.json.toml"),
        Path("/a/y.unfinished-0123abcd.toml"),
        Path(f"/a/{'l' * 200}.toml"),
        Path(f"/a/{'l' * 201}.toml"),
    ]
    named = folder_names(odd)
    assert len(set(named.values())) == 5
    assert not set(named.values()) & {OUTCOMES_CSV, LEDGER}
    assert all(len(name) < 100 for name in named.values())
    assert ".unfinished-" not in named[odd[2]]


def test_a_case_named_twice_is_built_once_and_a_scan_is_refused(day, tmp_path):
    file = case_in(day, "a")
    files = [file, day / "scan.stl", file]
    many = build_many(files, out=tmp_path / "out", build=light_builds.light)
    assert outcomes(many) == {"a": "built", "scan": "refused"}
    assert "not a case file" in many.rows[1].message
    assert begun(day) == {"a": 1}


@pytest.mark.parametrize(
    ("options", "words"),
    [({"jobs": 0}, "0 jobs, at least 1"), ({"files": []}, "no cases")],
)
def test_what_cannot_be_asked(day, tmp_path, options, words):
    files = options.pop("files", [case_in(day, "a")])
    with pytest.raises(InputError, match=words):
        build_many(files, out=tmp_path / "out", build=light_builds.light, **options)
    assert not (tmp_path / "out").exists()


def test_one_call_in_a_process_of_its_own():
    assert in_own_process(light_builds.process_number, None) != os.getpid()
    with pytest.raises(ZeroDivisionError):
        in_own_process(divmod, 1, 0)
    with pytest.raises(CheckError, match="killed by SIGKILL"):
        in_own_process(signal.raise_signal, signal.SIGKILL)
    with pytest.raises(CheckError, match="exit code 3"):
        in_own_process(os._exit, 3)
