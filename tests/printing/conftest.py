"""One small case built once: a ball sunk into a block, with wax under its equator."""

import numpy as np
import pytest
from bodies import ball, box, united

from blockout import job
from blockout.case.case import Case, CastSettings
from blockout.case.settings import PathSettings
from blockout.kernel.files import write_stl
from blockout.report.pictures import model_pictures, survey_pictures


@pytest.fixture(scope="session")
def built(tmp_path_factory):
    folder = tmp_path_factory.mktemp("printing")
    block = box([-16.0, -12.0, -12.0], [16.0, 12.0, -4.0])
    body = united([block, ball(6.0, subdivisions=3, centre=(3.0, 2.0, 0.0))])
    # the scan lies as it likes
    turn = np.eye(4)
    turn[:3, :3], turn[:3, 3] = (
        [[0.0, 0.0, 1.0], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0]],
        [7.0, -3.0, 90.0],
    )
    write_stl(folder / "scan.stl", body.moved(turn))
    case = Case(
        name="Füll 7",
        cast=CastSettings(
            file=str(folder / "scan.stl"), unit="mm", up="+x", front="+z", arch="lower"
        ),
        path=PathSettings(anterior_tilt_deg=3.0, lateral_tilt_deg=-2.0),
    )
    with pytest.MonkeyPatch.context() as patch:
        for draw in (survey_pictures, model_pictures):
            patch.setitem(draw.__kwdefaults__, "size_px", (200, 150))
        job.build_case(case, out=folder / "b")
    return folder / "b"
