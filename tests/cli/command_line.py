"""Calls of the commands in this process, and the small files that they are tried on."""

import json
from pathlib import Path

from typer.testing import CliRunner

from blockout.cli.main import app

SAMPLES = Path(__file__).parents[2] / "sample_meshes"
SPHERE = SAMPLES / "sphere_on_plate.stl"
SCAN = SAMPLES / "lower_scan.stl"
FIXED = ("--unit", "mm", "--up", "+z", "--front", "+y")
CALLS = {
    "inspect": (),
    "prepare": ("--out", "{out}/cast.ply"),
    "survey": ("--out", "{out}/s"),
    "build": ("--out", "{out}/b"),
}
"""What each command needs besides its scan."""


def run(*arguments):
    return CliRunner().invoke(app, [str(a) for a in arguments], env={"BLOCKOUT_DEBUG": None})


def told(*arguments):
    """The lines for people of a call that must go well."""
    result = run(*arguments)
    assert result.exit_code == 0, result.stderr
    return result.stdout


def document(*arguments):
    """The JSON document of a call that must go well."""
    return json.loads(told(*arguments, "--json"))


def refused(out, *arguments, code=2):
    """Run a call that must fail: words on stderr, no traceback, nothing written."""
    result = run(*arguments)
    assert result.exit_code == code, result.output
    assert result.stdout == ""
    assert result.stderr.strip()
    assert "Traceback" not in result.stderr
    assert "fault of blockout" not in result.stderr
    assert not out.exists() or not any(out.iterdir())
    return result.stderr
