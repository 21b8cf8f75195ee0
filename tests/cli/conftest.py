"""One small cast taken through the commands once, for all the tests that look at what came out.

``scan`` is the sphere on a plate of ``sample_meshes``; the prepared cast, the survey and the build
are made from it, the latter two from the scan itself, as a user in a hurry does.
"""

import shutil
from collections import namedtuple

import pytest
from command_line import FIXED, SCAN, SPHERE, document, told

from blockout.report.pictures import model_pictures, survey_pictures

FULL_PX = survey_pictures.__kwdefaults__["size_px"]
Made = namedtuple("Made", ("out", "lines"))
"""What a command wrote, and its lines for people."""


@pytest.fixture(scope="session", autouse=True)
def small_pictures():
    """Pictures a quarter as wide: at full size they take nine tenths of each run here. The demo
    draws them full, and what is on them is the business of the report's own tests.
    """
    with pytest.MonkeyPatch.context() as patch:
        for draw in (survey_pictures, model_pictures):
            patch.setitem(draw.__kwdefaults__, "size_px", (300, 225))
        yield


@pytest.fixture
def full_pictures():
    """Pictures as large as a user gets them."""
    with pytest.MonkeyPatch.context() as patch:
        for draw in (survey_pictures, model_pictures):
            patch.setitem(draw.__kwdefaults__, "size_px", FULL_PX)
        yield FULL_PX


@pytest.fixture(scope="session")
def scan(tmp_path_factory):
    """A copy of its own, so that the tests see whether anything touches it."""
    return shutil.copy(SPHERE, tmp_path_factory.mktemp("scan") / "scan.stl")


@pytest.fixture(scope="session")
def stamp(scan):
    """Content and time of ``scan`` before any command saw it."""
    return scan.read_bytes(), scan.stat().st_mtime_ns


@pytest.fixture(scope="session")
def prepared(tmp_path_factory, scan, stamp):
    out = tmp_path_factory.mktemp("prepared") / "cast.ply"
    return Made(out, told("prepare", scan, "--out", out, *FIXED))


@pytest.fixture(scope="session")
def cast_file(prepared):
    return prepared.out


@pytest.fixture(scope="session")
def surveyed(tmp_path_factory, scan, stamp):
    out = tmp_path_factory.mktemp("surveyed") / "s"
    return Made(out, told("survey", scan, *FIXED, "--tilt", "-8,6", "--out", out))


@pytest.fixture(scope="session")
def built(tmp_path_factory, scan, stamp):
    out = tmp_path_factory.mktemp("built") / "b"
    lines = told("build", scan, *FIXED, "--tilt", "4,-2", "--taper", "4", "--out", out)
    return Made(out, lines)


@pytest.fixture(scope="session")
def open_scan_facts():
    """What ``inspect --json`` says of the open sample scan."""
    return document("inspect", SCAN)
