"""What the demo's two cases prescribe. All points are made up: picked on the sample scans."""

from __future__ import annotations

from typing import Any, Final

from blockout.case.case import Case, CastSettings
from blockout.case.settings import PathSettings
from blockout.samples.scenario import LOWER, UPPER, Scenario

_BAR_UPPER_BORDER: Final = (
    (24.28, -17.71, 56.76),
    (21.38, -16.93, 59.08),
    (18.79, -16.69, 61.57),
    (15.85, -16.73, 62.8),
    (12.66, -16.63, 63.18),
    (9.44, -16.42, 62.88),
    (6.71, -16.14, 61.11),
    (3.92, -16.06, 58.75),
    (1.14, -16.62, 56.16),
)
_BAR_LOWER_BORDER: Final = (
    (25.35, -13.94, 56.94),
    (22.0, -13.14, 59.34),
    (19.38, -13.04, 62.04),
    (16.32, -12.98, 63.41),
    (12.84, -13.17, 62.99),
    (9.35, -12.63, 63.45),
    (6.4, -12.36, 61.62),
    (3.51, -12.33, 59.03),
    (0.42, -12.8, 56.29),
)
_LEFT_CREST: Final = (
    (-8.47, -20.22, 46.55),
    (-10.44, -20.07, 41.98),
    (-11.54, -20.88, 36.98),
    (-12.18, -21.58, 32.0),
    (-12.65, -21.83, 26.99),
)
_LABIAL_FRONT: Final = (
    (21.99, -27.81, 68.63),
    (16.92, -27.51, 69.74),
    (11.97, -27.25, 70.06),
    (7.12, -27.07, 69.21),
    (2.41, -26.93, 67.49),
    (2.23, -13.36, 67.99),
    (7.48, -13.54, 69.36),
    (12.59, -13.74, 70.17),
    (17.8, -14.0, 69.91),
    (23.35, -14.31, 69.12),
)
_FRONT_BEAD: Final = (
    (-6.58, 7.33, -7.39),
    (-9.64, 10.33, -8.22),
    (-11.7, 14.33, -8.74),
    (-12.25, 18.33, -8.99),
    (-11.77, 22.33, -8.59),
    (-9.79, 26.32, -7.87),
    (-6.78, 29.32, -6.88),
)
_BACK_BEAD: Final = (
    (14.38, 4.58, -9.68),
    (16.3, 8.63, -10.7),
    (17.25, 13.64, -10.85),
    (17.22, 18.63, -10.4),
    (17.16, 23.64, -10.58),
    (16.13, 28.62, -10.13),
    (14.13, 32.56, -8.83),
)
_RAPHE: Final = (
    (-6.76, 16.4, -9.8),
    (-8.26, 18.38, -9.38),
    (-6.79, 20.4, -9.7),
    (1.2, 20.98, -10.07),
    (9.19, 20.56, -10.39),
    (10.72, 18.57, -10.17),
    (9.23, 16.56, -10.49),
    (1.24, 15.99, -10.2),
)
_TOOTH_33: Final = (0.12, -28.94, 64.04)
_TOOTH_13: Final = (-17.56, 2.4, 9.49)


def demo_case(scenario: Scenario, *, file: str) -> Case:
    """One of the two demo cases as a case file says it; ``file`` is its scan."""
    return Case(
        name=scenario.name,
        cast=CastSettings(file=file, arch=scenario.plan.arch),
        path=PathSettings(
            anterior_tilt_deg=scenario.anterior_tilt_deg,
            lateral_tilt_deg=scenario.lateral_tilt_deg,
        ),
        **(_lower() if scenario is LOWER else _upper()),
    )


def _lower() -> dict[str, Any]:
    """Arms on the three abutments, each with its reciprocal arm; a lingual bar; a mesh over the
    free end, with a stop and a finish line. No metal crosses the front of the ridge, so undercut
    there is blocked out arbitrarily.
    """
    return {
        "teeth": _counted_from(33, _TOOTH_33, LOWER),
        "parallel": {"keep_out": (_LABIAL_FRONT,)},
        "arm": (
            _holding(47, "mesial"),
            _arm(47, "lingual", "mesial", "reciprocal"),
            _holding(44, "mesial"),
            _arm(44, "lingual", "distal", "reciprocal"),
            _holding(35, "mesial"),
            _arm(35, "lingual", "distal", "reciprocal"),
        ),
        "relief": (
            {
                "over": "lingual bar",
                "upper_border": _BAR_UPPER_BORDER,
                "lower_border": _BAR_LOWER_BORDER,
                "thickness_mm": "30 ga",
            },
            {"over": "base mesh", "crest": _LEFT_CREST, "thickness_mm": "22 ga"},
        ),
    }


def _upper() -> dict[str, Any]:
    """A palatal strap between two beads, with relief over the raphe, held on four teeth."""
    raphe_front, raphe_back = _FRONT_BEAD[3], _BACK_BEAD[3]
    return {
        "teeth": _counted_from(13, _TOOTH_13, UPPER),
        "arm": (
            _holding(17, "mesial"),
            _arm(17, "palatal", "mesial", "reciprocal"),
            _holding(14, "distal"),
            _holding(24, "distal"),
            _holding(26, "distal"),
            _arm(26, "palatal", "distal", "reciprocal"),
        ),
        "relief": ({"over": "torus", "name": "raphe", "outline": _RAPHE, "thickness_mm": 0.25},),
        "bead": (
            {"name": "front bead", "line": _FRONT_BEAD, "spared": ({"place": raphe_front},)},
            {"name": "back bead", "line": _BACK_BEAD, "spared": ({"place": raphe_back},)},
        ),
    }


def _counted_from(
    number: int, point_mm: tuple[float, float, float], scenario: Scenario
) -> dict[str, Any]:
    return {
        "tooth": ({"number": number, "point_mm": point_mm},),
        "missing": scenario.missing,
        "count_along_arch": True,
    }


def _arm(tooth: int, aspect: str, origin: str, role: str, **more: Any) -> dict[str, Any]:
    return {"tooth": tooth, "aspect": aspect, "origin": origin, "role": role, **more}


def _holding(tooth: int, origin: str) -> dict[str, Any]:
    """A slender retentive arm of cast gold, which bends where an arm of cobalt-chromium as short as
    a premolar's would stay bent.
    """
    return _arm(
        tooth, "buccal", origin, "retentive",
        alloy="gold type IV", width_mm=1.2 if tooth % 10 > 5 else 1.0, undercut_mm=0.25,
    )  # fmt: skip
