"""The command line starts light, and every command explains itself."""

import json
import re
import subprocess
import sys

import pytest
from typer.testing import CliRunner

from blockout import __version__
from blockout.case import parameters as p
from blockout.cli.main import app

COMMANDS = (
    "demo", "inspect", "prepare", "survey", "choose-path", "tripod", "reposition", "sureness",
    "build", "export", "compare", "try-in", "report", "history", "schema",
)  # fmt: skip
HEAVY = (
    "numpy", "scipy", "pydantic", "shapely", "trimesh", "manifold3d", "igl", "embreex", "PIL",
    "lxml", "networkx", "plyfile", "tomlkit", "rich", "blockout.job", "blockout.mesh",
)  # fmt: skip


def _output(*arguments: str) -> str:
    result = CliRunner().invoke(app, list(arguments), env={"COLUMNS": "200"})
    assert result.exit_code == 0, result.output
    return result.stdout


@pytest.mark.parametrize("arguments", [["--help"], ["build", "--help"], ["--version"]])
def test_nothing_heavy_is_loaded_for_help(arguments):
    script = (
        "import sys; from blockout.cli.main import app\n"
        "try: app(sys.argv[1:])\n"
        "except SystemExit as end: assert not end.code, end.code\n"
        "print('LOADED', *sorted(sys.modules))"
    )
    done = subprocess.run(
        [sys.executable, "-c", script, *arguments], capture_output=True, text=True, check=True
    )
    loaded = set(done.stdout.split("LOADED", 1)[1].split())
    assert "blockout.cli.build" in loaded
    # newer typer checks a command's own values with pydantic; the first page needs none
    allowed = {"pydantic"} if arguments[0] == "build" else set()
    assert loaded.intersection(HEAVY) <= allowed


def test_the_first_page_names_every_command():
    page = _output("--help")
    assert [name for name in COMMANDS if not re.search(rf"^  {name} +\S", page, re.M)] == []


@pytest.mark.parametrize("command", COMMANDS)
def test_each_command_has_help_without_cut_off_lines(command):
    page = _output(command, "--help")
    assert f"blockout {command}" in page or f"{command} [OPTIONS]" in page
    first = next(line for line in page.splitlines()[1:] if line.strip()).strip()
    assert first[0].isupper()
    # the line on the first page is the command's own first sentence, whole
    (short,) = re.findall(rf"^  {command} +(.*)$", _output("--help"), re.M)
    assert short.endswith(".")
    assert not short.endswith("...")
    assert first.startswith(short)


@pytest.mark.parametrize(
    ("command", "option", "parameter"),
    [
        ("prepare", "--stray-share", p.STRAY_SHARE),
        ("prepare", "--hole-length", p.HOLE_LENGTH),
        ("prepare", "--border-trim", p.BORDER_TRIM),
        ("prepare", "--land", p.LAND),
        ("prepare", "--base-thickness", p.BASE_THICKNESS),
        ("prepare", "--base-height", p.BASE_HEIGHT),
        ("survey", "--base-height", p.BASE_HEIGHT),
        ("build", "--base-height", p.BASE_HEIGHT),
        ("survey", "--max-tilt", p.TILT_LIMIT),
        ("survey", "--warn-tilt", p.TILT_WARNING),
        ("survey", "--noise-depth", p.NOISE_DEPTH),
        ("build", "--taper", p.TAPER),
        ("build", "--floor", p.FLOOR),
    ],
)
def test_an_options_help_is_its_parameters_sentence(command, option, parameter):
    page = " ".join(_output(command, "--help").split())
    assert option in page
    assert " ".join(parameter.sentence.split()) in page


def test_version():
    assert _output("--version") == f"blockout {__version__}\n"


def test_schema_prints_a_json_schema():
    from jsonschema import Draft202012Validator

    printed = json.loads(_output("schema"))
    Draft202012Validator.check_schema(printed)
    assert {"cast", "path", "survey", "parallel"} <= printed["properties"].keys()


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["inspct", "a.stl"], "Did you mean 'inspect'"),
        (["inspect"], "Missing argument"),
        (["inspect", "a.stl", "--unti", "mm"], "--unit"),
        (["prepare", "a.stl"], "--out"),
    ],
)
def test_a_wrong_call_is_told_and_ends_with_2(arguments, words):
    result = CliRunner().invoke(app, arguments)
    assert result.exit_code == 2
    assert words in result.stderr
    assert result.stdout == ""


def test_a_closed_pipe_is_no_error_to_complain_of():
    script = (
        "import sys; from blockout.cli.main import run; sys.argv = ['blockout', 'schema']; run()"
    )
    running = subprocess.Popen(
        [sys.executable, "-c", script], stdout=subprocess.PIPE, stderr=subprocess.PIPE
    )
    running.stdout.close()
    said = running.stderr.read()
    running.stderr.close()
    assert running.wait(timeout=60) == 1
    assert said == b""
