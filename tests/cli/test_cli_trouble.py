"""Whatever goes wrong ends in words and an exit code, never in a traceback.

The work itself is played by a stand-in here, so that each kind of trouble can be made at will.
"""

import json
import sys
from types import ModuleType, SimpleNamespace

import pytest
from typer.testing import CliRunner

import blockout
from blockout import errors
from blockout.cli.main import app
from blockout.cli.terminal import error_code

TREE = [
    kind
    for kind in vars(errors).values()
    if isinstance(kind, type) and issubclass(kind, errors.BlockoutError)
]
CALLS = {
    "inspect_file": ["inspect", "a.stl"],
    "prepare_file": ["prepare", "a.stl", "--out", "a.ply"],
    "survey_file": ["survey", "a.ply", "--out", "s"],
    "build_case": ["build", "a.ply", "--out", "b"],
    "export_model": ["export", "b", "--out", "m.3mf"],
    "demo": ["demo", "--out", "d"],
    "choose_path_of": ["choose-path", "a.ply"],
    "record_on_cast": ["tripod", "a.ply"],
    "reposition_cast": ["reposition", "a.ply", *(["--mark", "1,2,3"] * 3)],
    "sureness_of": ["sureness", "a.ply"],
    "compare_files": ["compare", "b", "a.stl"],
    "try_framework": ["try-in", "a.ply", "f.stl"],
    "report_folder": ["report", "b", "--out", "r.html"],
}


@pytest.fixture
def job(monkeypatch):
    """A job in which each verb does what the test says."""
    stand_in = ModuleType("blockout.job")
    monkeypatch.setitem(sys.modules, "blockout.job", stand_in)
    monkeypatch.setattr(blockout, "job", stand_in, raising=False)
    return stand_in


def _failing(error):
    def verb(*arguments, **options):
        raise error

    return verb


def _invoke(*arguments):
    return CliRunner().invoke(app, list(arguments), env={"BLOCKOUT_DEBUG": None})


@pytest.mark.parametrize("verb", CALLS)
@pytest.mark.parametrize("kind", TREE)
def test_every_error_of_the_tree_is_told_in_its_four_parts(job, verb, kind):
    setattr(job, verb, _failing(kind(
        "the scan has a gap", measured="31 mm, limit 12 mm", where="a.stl",
        places_mm=[(1, 2, 3)], fix="Raise --hole-length.",
    )))  # fmt: skip
    result = _invoke(*CALLS[verb])
    assert result.exit_code == kind.exit_code
    assert result.stderr == (
        "The scan has a gap.\n  measured: 31 mm, limit 12 mm\n  where: a.stl\n"
        "  near: (1.00, 2.00, 3.00) mm\n  Raise --hole-length.\n"
    )
    assert result.stdout == ""


@pytest.mark.parametrize("verb", CALLS)
def test_with_json_the_error_is_the_document(job, verb):
    setattr(job, verb, _failing(errors.DefectError(
        "open", measured="2 open edges", places_mm=[(0, 0, 1)]
    )))  # fmt: skip
    result = _invoke(*CALLS[verb], "--json")
    assert result.exit_code == 2
    assert json.loads(result.stdout) == {
        "error": {
            "code": "defect", "what": "open", "measured": "2 open edges", "where": None,
            "places_mm": [[0.0, 0.0, 1.0]], "fix": None,
        }
    }  # fmt: skip
    assert "Open." in result.stderr


def test_codes_tell_the_kinds_apart():
    codes = [error_code(kind("x")) for kind in TREE]
    assert len(set(codes)) == len(TREE)
    assert {"read", "unit", "defect", "path", "case", "output", "check", "kernel"} < set(codes)


@pytest.mark.parametrize(
    "error", [ZeroDivisionError("division by zero"), KeyError("k"), ValueError("two\nlines"),
              AssertionError(), RecursionError("deep"), OSError("no name")],
)  # fmt: skip
def test_a_fault_of_ours_is_one_line_without_a_traceback(job, error):
    job.build_case = _failing(error)
    result = _invoke(*CALLS["build_case"])
    assert result.exit_code == 1
    assert result.stderr.startswith(
        f"This is a fault of blockout, not of your file: {type(error).__name__}"
    )
    assert "Traceback" not in result.stderr
    assert "--debug" in result.stderr
    assert len(result.stderr.splitlines()) == 2


@pytest.mark.parametrize("how", ["option", "environment"])
def test_debug_shows_where_a_fault_arose(job, how):
    job.build_case = _failing(ZeroDivisionError("division by zero"))
    extra, env = (["--debug"], {}) if how == "option" else ([], {"BLOCKOUT_DEBUG": "1"})
    result = CliRunner().invoke(app, [*CALLS["build_case"], *extra], env=env)
    assert result.exit_code == 1
    assert "Traceback (most recent call last)" in result.stderr
    assert "raise error" in result.stderr


def test_an_interruption_is_told_and_ends_with_130(job):
    job.build_case = _failing(KeyboardInterrupt())
    result = _invoke(*CALLS["build_case"], "--json")
    assert result.exit_code == 130
    assert "Stopped from the keyboard" in result.stderr
    assert json.loads(result.stdout)["error"]["code"] == "interrupted"


def test_too_little_memory_is_told(job):
    job.build_case = _failing(MemoryError())
    result = _invoke(*CALLS["build_case"])
    assert result.exit_code == 1
    assert "not enough memory" in result.stderr
    assert "fault" not in result.stderr


def test_a_file_that_the_machine_refuses_is_no_fault(job):
    job.build_case = _failing(PermissionError(13, "Permission denied", "cast.ply"))
    result = _invoke(*CALLS["build_case"])
    assert result.exit_code == 2
    assert "Permission denied" in result.stderr
    assert "cast.ply" in result.stderr


def test_quiet_says_nothing_of_success(job, monkeypatch):
    job.export_model = lambda folder, **options: SimpleNamespace(
        out=options["out"], triangles=12, volume_mm3=1.0
    )
    assert "12 triangles" in _invoke(*CALLS["export_model"]).stdout
    silent = _invoke(*CALLS["export_model"], "--quiet")
    assert (silent.exit_code, silent.output) == (0, "")
    document = json.loads(_invoke(*CALLS["export_model"], "--quiet", "--json").stdout)
    assert document["model"] == {"triangles": 12, "volume_mm3": 1.0}


@pytest.mark.parametrize(
    ("arguments", "passed"),
    [
        (["--out", "m.3mf"], ("3mf", "scan")),
        (["--out", "m.STL", "--frame", "cast"], ("stl", "cast")),
        (["--out", "m.bin", "--format", "glb"], ("glb", "scan")),
    ],
)
def test_export_takes_its_format_from_the_ending(job, arguments, passed):
    asked = {}

    def export_model(folder, **options):
        asked.update(options)
        return SimpleNamespace(out=options["out"], triangles=1, volume_mm3=1.0)

    job.export_model = export_model
    assert _invoke("export", "b", *arguments).exit_code == 0
    assert (asked["file_format"], asked["frame"]) == passed
    assert set(asked) == {"file_format", "frame", "out"}


@pytest.mark.parametrize(
    "arguments", [["--out", "m.obj"], ["--out", "m"], ["--out", "m.stl", "--frame", "world"]]
)
def test_export_refuses_what_it_does_not_know(job, arguments):
    result = _invoke("export", "b", *arguments)
    assert result.exit_code == 2
    assert "known are" in result.stderr


@pytest.mark.parametrize("form", [["--tilt", "-8,6"], ["--tilt=-8,6"]])
def test_a_tilt_may_begin_with_a_minus(job, form):
    asked = {}

    def build_case(case, **options):
        asked["case"] = case
        raise errors.CheckError("far enough")

    job.build_case = build_case
    assert _invoke("build", "a.ply", "--out", "b", *form).exit_code == 1
    assert asked["case"].path.anterior_tilt_deg == -8.0
    assert asked["case"].path.lateral_tilt_deg == 6.0


def test_options_reach_the_survey(job):
    asked = {}

    def survey_file(file, **options):
        asked.update(options, file=file)
        raise errors.CheckError("far enough")

    job.survey_file = survey_file
    _invoke(
        "survey", "a.ply", "--out", "s", "--direction", "0,0.1,1", "--gauge", "0.01 in", "--gauge",
        "0.5", "--noise-depth", "12 um", "--unit", "cm", "--up", "-y", "--front", "0,0,1",
        "--arch", "upper", "--max-tilt", "40", "--warn-tilt", "12",
        "--base-height", "0.2 in",
    )  # fmt: skip
    assert (str(asked["file"]), str(asked["out"])) == ("a.ply", "s")
    assert asked["unit"] == "cm"
    assert asked["path_of_insertion"].direction == (0.0, 0.1, 1.0)
    assert asked["path_of_insertion"].max_tilt_deg == 40.0
    assert asked["path_of_insertion"].warn_tilt_deg == 12.0
    assert asked["settings"].gauges_mm == (0.254, 0.5)
    assert asked["settings"].noise_depth_mm == 0.012
    prepare = asked["prepare"]
    assert (prepare.up, prepare.front, prepare.arch) == ("-y", "0,0,1", "upper")
    assert prepare.base_height_mm == pytest.approx(5.08, abs=1e-15)  # inch = 25.4 mm exactly


def test_options_reach_the_preparing(job):
    asked = {}

    def prepare_file(file, **options):
        asked.update(options)
        raise errors.CheckError("far enough")

    job.prepare_file = prepare_file
    _invoke(
        "prepare", "a.stl", "--out", "a.ply", "--stray-share", "0.2", "--hole-length", "8",
        "--border-trim", "1 mm", "--land", "2.5", "--base-thickness", "12",
        "--base-height", "6",
    )  # fmt: skip
    settings = asked["settings"]
    assert (settings.stray_share, settings.hole_length_mm, settings.border_trim_mm) == (
        0.2,
        8.0,
        1.0,
    )
    assert (settings.land_mm, settings.base_thickness_mm) == (2.5, 12.0)
    assert settings.base_height_mm == 6.0
