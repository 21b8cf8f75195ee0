"""One small build, read back as the plan that all tests of this folder compare with."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from uneven import uneven_body

from blockout import job
from blockout.case.case import Case, CastSettings
from blockout.case.settings import PathSettings
from blockout.comparing.built import plan_of_folder, read_summary
from blockout.comparing.plan import Plan
from blockout.kernel.files import write_stl
from blockout.report.pictures import model_pictures

TILT_DEG = (4.0, -3.0)


@pytest.fixture(scope="session")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """What a build wrote."""
    place = tmp_path_factory.mktemp("compared")
    write_stl(place / "body.stl", uneven_body())
    case = Case(
        cast=CastSettings(
            file=str(place / "body.stl"), unit="mm", up="+z", front="+y", arch="lower"
        ),
        path=PathSettings(anterior_tilt_deg=TILT_DEG[0], lateral_tilt_deg=TILT_DEG[1]),
    )
    with pytest.MonkeyPatch.context() as patch:
        patch.setitem(model_pictures.__kwdefaults__, "size_px", (300, 225))
        job.build_case(case, out=place / "b")
    return place / "b"


@pytest.fixture(scope="session")
def plan(folder: Path) -> Plan:
    """Read back from its files."""
    return plan_of_folder(folder, summary=read_summary(folder))
