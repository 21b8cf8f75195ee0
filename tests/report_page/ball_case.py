"""A small build with all that a report tells of, made by the rooms themselves: a ball for a tooth.

Ball of radius 5 mm on a plate, tooth 46, path straight up or tilted. Only the further teeth of the
table are made up, so that it is longer than a page.
"""

from __future__ import annotations

import json
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "arms"))

from ball_tooth import ball_tooth
from PIL import Image

from blockout.arms.laying import lay_arm
from blockout.case.arm_settings import ArmSettings
from blockout.case.case import Case, CastSettings
from blockout.case.facts import case_facts
from blockout.case.settings import ParallelSettings
from blockout.case.tooth_settings import TeethSettings
from blockout.cast.cast import Cast, Source
from blockout.cast.change import Change
from blockout.cast.record import write_cast
from blockout.check.mould_warnings import remaining_undercut
from blockout.check.warnings import TradeWarning
from blockout.kernel.files import write_stl
from blockout.model.build import build_model
from blockout.model.export import fit_for_files
from blockout.report.facts import build_summary, json_ready
from blockout.report.prescription_facts import prescription_facts
from blockout.surveying.by_tooth import AspectSurvey, ToothSurvey
from blockout.teeth.aspects import ASPECTS, aspect_word
from blockout.teeth.kennedy import kennedy
from blockout.wax.parallel import parallel_blockout

NAME = "Ball case, Füllung Łódź 7"
SHA256 = "0123456789abcdef" * 4
MISSING = (36, 37, 45)
TEETH = (48, 47, 46, 44, 43, 42, 41, 31, 32, 33, 34, 35, 38)
WARNINGS = (
    TradeWarning(
        "steep_path", "The path is tilted by 11.2 degrees, over 10, at (1.00, 2.00, 3.00)"
    ),
    TradeWarning("thin_wall", "A wall is 0.71 mm thick, under 1 mm, near (-4.25, 0.50, 6.75)."),
)


def ball_case() -> Case:
    arm = {"tooth": 46, "aspect": "buccal", "origin": "mesial", "role": "retentive"}
    return Case(
        name=NAME,
        cast=CastSettings(file="ball.stl", arch="lower"),
        teeth=TeethSettings(missing=MISSING),
        arm=(
            ArmSettings(**arm, undercut_mm=0.3),
            ArmSettings(**(arm | {"aspect": "lingual", "role": "reciprocal"})),
        ),
    )


def write_build(folder: Path) -> dict[str, Any]:
    """A folder as ``build`` writes it; the summary is returned."""
    case = ball_case()
    read, teeth = ball_tooth(around=96)
    cast: Cast = replace(read.cast, source=Source("ball.stl", SHA256))
    arms = [lay_arm(read, teeth, one) for one in case.arm]
    blockout = parallel_blockout(read, settings=ParallelSettings())
    model = build_model(blockout.left, [blockout.wax])
    model, waxes = fit_for_files(model, (blockout.wax,))
    summary = build_summary(
        replace(read, cast=cast),
        waxes=waxes,
        model=model,
        case=case_facts(case),
        warnings=WARNINGS,
        notes=("the occlusal plane is level by making",),
        changes=(Change("holes", 2, "holes", "filled 2 holes", ((1.0, 2.0, 3.0),), 4.0),),
        timings_s={"survey": 0.25, "total": 1.5},
    )
    summary |= {"mould": json_ready(
        remaining_undercut(model.mesh, cast, read.path, arms=arms).facts(mould_wall_mm=5.0)
    )}  # fmt: skip
    summary |= prescription_facts(
        arms=arms,
        teeth=[_tooth(number, place) for place, number in enumerate(TEETH)],
        kennedy=kennedy("lower", MISSING),
    )
    folder.mkdir(parents=True)
    write_cast(folder / "cast.ply", cast)
    for wax in waxes:
        assert wax.mesh is not None
        write_stl(folder / "wax" / f"{wax.name}.stl", wax.mesh)
    write_stl(folder / "model.stl", model.mesh)
    (folder / "pictures").mkdir()
    for shade, name in enumerate(("occlusal", "front", "back", "left", "right")):
        pixels = np.full((60, 80, 3), 100 + 20 * shade, dtype=np.uint8)
        Image.fromarray(pixels, "RGB").save(folder / "pictures" / f"{name}.png")
    (folder / "summary.json").write_text(json.dumps(summary), encoding="utf-8")
    return summary


def _tooth(number: int, place: int) -> ToothSurvey:
    """Figures that no other tooth and no other side has."""
    sides = []
    for step, aspect in enumerate(ASPECTS):
        size = 10.0 + place + step / 8.0 + 0.0123
        height_mm = None if step == len(ASPECTS) - 1 else 0.3 * size - 4.0
        sides.append(
            AspectSurvey(
                aspect=aspect,
                word=aspect_word(aspect, number),
                area_mm2=2.0 * size,
                undercut_area_mm2=size,
                max_depth_mm=0.07 * size,
                max_depth_at_mm=(1.0, 2.0, 3.0),
                line_length_mm=0.7 * size,
                line_height_min_mm=height_mm,
                line_height_mean_mm=height_mm,
                length_at_gauge_mm={0.25: 0.31 * size, 0.5: 0.29 * size, 0.75: 0.0},
            )
        )
    return ToothSurvey(number, tuple(sides), margin_doubtful_share=0.125, margin_by_hand=False)
