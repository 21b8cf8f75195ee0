"""What a technician would prescribe for the two real arches. Places are read off the casts by rays,
from plans in the cast frame (mm, +x the lower cast's right, +y anterior).
"""

from __future__ import annotations

from typing import Any

import numpy as np
from real_arches import MISSING, file_of, labelled_points, margin_of

from blockout.case.case import Case, CastSettings
from blockout.case.settings import Arch, PathSettings
from blockout.cast.cast import Cast
from blockout.kernel.rays import RayScene
from blockout.mesh import Floats

TILT_DEG: dict[Arch, tuple[float, float]] = {"lower": (2.0, 0.0), "upper": (0.0, 0.0)}
COUNTED_FROM: dict[Arch, int] = {"lower": 44, "upper": 24}


class Places:
    """Points on a cast, told in its frame, given in file coordinates."""

    def __init__(self, cast: Cast) -> None:
        self._frame = cast.frame
        self._scene = RayScene(cast.mesh)

    def under(self, *plan: tuple[float, float]) -> list[list[float]]:
        """Seen from above at (x, y)."""
        start = np.column_stack([np.array(plan), np.full(len(plan), 30.0)])
        return self._hit(start, np.broadcast_to([0.0, 0.0, -1.0], start.shape))

    def around(
        self, middle: tuple[float, float], height_mm: float, azimuths_deg: Any
    ) -> list[list[float]]:
        """Seen from within the arch at one height, looking outward."""
        turn = np.radians(np.asarray(azimuths_deg, dtype=np.float64))
        out = np.column_stack([np.cos(turn), np.sin(turn), np.zeros(len(turn))])
        return self._hit(np.broadcast_to([*middle, height_mm], out.shape), out)

    def _hit(self, start: Floats, way: Floats) -> list[list[float]]:
        turn = self._frame.matrix[:3, :3]
        origin, out = self._frame.points_to_file(np.array(start)), np.array(way) @ turn.T
        reach_mm = self._scene.first_hit(origin, out).distance_mm
        assert np.isfinite(reach_mm).all()
        points: list[list[float]] = (origin + reach_mm[:, None] * out).tolist()
        return points


def prescription(cast: Cast) -> Case:
    """The whole of what is asked for on one of the arches."""
    arch = cast.arch
    counted, standing = COUNTED_FROM[arch], MISSING[arch]
    anterior, lateral = TILT_DEG[arch]
    return Case(
        name=f"{arch} arch",
        cast=CastSettings(file=file_of(arch).name, arch=arch),
        path=PathSettings(anterior_tilt_deg=anterior, lateral_tilt_deg=lateral),
        teeth={
            "tooth": [{"number": counted, "point_mm": _middle_of(cast, counted)}],
            "missing": standing,
            "count_along_arch": True,
        },
        **(_lower if arch == "lower" else _upper)(Places(cast)),
    )


def _middle_of(cast: Cast, number: int) -> list[float]:
    """On the crown, in its middle as seen from above."""
    points, tooth = labelled_points(cast.arch)
    mine = points[tooth == number]
    seen = cast.frame.points_to_cast(mine)
    high = seen[:, 2] > np.median(seen[:, 2])
    aside = np.linalg.norm(seen[:, :2] - seen[high, :2].mean(axis=0), axis=1)
    middle: list[float] = mine[np.where(high, aside, np.inf).argmin()].tolist()
    return middle


def _lower(at: Places) -> dict[str, Any]:
    """Two molars clasped from the cheek and braced from the tongue, and a premolar the other way
    round; a lingual bar, a mesh over the free end, and undercut in front that no metal crosses.
    """
    labial_front = at.under(
        (11.8, 18.3), (8.6, 24.0), (3.4, 24.6), (-1.8, 24.3), (-7.5, 23.5), (-13.0, 20.0),
        (-16.0, 25.0), (-10.0, 29.5), (0.0, 32.0), (8.0, 31.0), (16.0, 24.0),
    )  # fmt: skip
    round_the_front = np.linspace(25.0, 150.0, 10)
    return {
        "parallel": {"keep_out": [labial_front]},
        "arm": [
            _arm(47, "buccal", "mesial", "retentive"),
            _arm(47, "lingual", "mesial", "reciprocal"),
            _arm(46, "buccal", "mesial", "retentive"),
            _arm(46, "lingual", "mesial", "reciprocal"),
            _arm(35, "lingual", "distal", "retentive"),
            _arm(35, "buccal", "distal", "reciprocal"),
        ],
        "relief": [
            {
                "over": "lingual bar",
                "upper_border": at.around((0.0, 8.0), -8.0, round_the_front),
                "lower_border": at.around((0.0, 8.0), -10.6, round_the_front),
                "thickness_mm": "30 ga",
            },
            {
                "over": "base mesh",
                "crest": at.under(
                    (-22.6, 1.5), (-24.0, -2.0), (-25.0, -7.0), (-25.2, -12.0), (-25.6, -17.0)
                ),
                "width_mm": 3.0,
                "thickness_mm": "22 ga",
            },
        ],
    }


def _upper(at: Places) -> dict[str, Any]:
    """Three teeth clasped and braced, a mesh over the free end, relief where metal crosses a
    margin, and two beads.
    """
    labial_front = at.under(
        (-20.0, 13.0), (-15.5, 19.0), (-9.0, 24.0), (-4.0, 26.3), (4.7, 25.8), (12.2, 24.0),
        (17.0, 27.0), (8.0, 32.0), (0.0, 33.0), (-9.0, 31.0), (-18.0, 25.0), (-25.0, 16.0),
    )  # fmt: skip
    front = at.under((-17.0, 16.0), (-15.0, 18.0), (-13.0, 20.0), (-11.2, 21.8), (-9.3, 23.4))
    back = at.under((-21.9, 8.6), (-21.8, 6.5), (-21.6, 4.4), (-22.0, 2.4))
    return {
        "parallel": {"keep_out": [labial_front]},
        "arm": [
            _arm(17, "buccal", "distal", "retentive"),
            _arm(17, "palatal", "distal", "reciprocal"),
            _arm(14, "buccal", "distal", "retentive"),
            _arm(14, "palatal", "distal", "reciprocal"),
            _arm(25, "buccal", "distal", "retentive"),
            _arm(25, "palatal", "distal", "reciprocal"),
        ],
        "relief": [
            {
                "over": "base mesh",
                "crest": at.under(
                    (22.5, -0.5), (23.6, -5.0), (25.6, -10.0), (27.4, -15.0), (29.4, -19.0)
                ),
                "width_mm": 3.0,
            },
            {"over": "gingival margin", "margin": margin_of("upper", 14, (240, 255, 270, 285))},
        ],
        "bead": [
            {"name": "front bead", "line": front, "spared": [{"place": front[2]}], "fade_mm": 2.0},
            {"name": "back bead", "line": back, "fade_mm": 1.5},
        ],
    }


def _arm(tooth: int, aspect: str, origin: str, role: str) -> dict[str, Any]:
    return {"tooth": tooth, "aspect": aspect, "origin": origin, "role": role}
