"""The path of insertion: one direction, said by two tilts of the cast under the spindle."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from blockout.case.parameters import TILT_LIMIT
from blockout.case.settings import Arch, PathSettings
from blockout.cast.frame import CastFrame
from blockout.errors import PathError
from blockout.mesh import Floats


@dataclass(frozen=True, eq=False)
class InsertionPath:
    """The path of insertion of one cast.

    ``direction`` points the way of removal. Each tilt is the angle between the path and the
    occlusal plane's normal as seen square to it: the anterior tilt from the side, the lateral tilt
    from the front. So the order of tilting does not matter, and in the cast frame the direction
    runs along ``(-s tan(lateral), -tan(anterior), 1)`` with s = 1 for a lower cast and -1 for an
    upper one. A positive anterior tilt lowers the front of the cast, a positive lateral tilt the
    patient's right side.

    Parameters
    ----------
    direction : (3,) float
        Unit, file coordinates.
    direction_cast : (3,) float
        Unit, cast frame.
    anterior_tilt_deg, lateral_tilt_deg : float
    to_path : (3, 3) float
        Turns file coordinates so that the path is +z; the x axis is the cast's as nearly as can be.
    """

    direction: Floats
    direction_cast: Floats
    anterior_tilt_deg: float
    lateral_tilt_deg: float
    to_path: Floats

    @property
    def tilt_deg(self) -> float:
        """Angle between the path and the occlusal plane's normal."""
        x, y, z = self.direction_cast
        return math.degrees(math.atan2(math.hypot(x, y), z))


def insertion_path(frame: CastFrame, *, arch: Arch, settings: PathSettings) -> InsertionPath:
    """The path that ``settings`` ask for on a cast with this frame.

    Raises
    ------
    PathError
        The tilt is beyond ``settings.max_tilt_deg``, or the direction has no length or points
        under the cast.
    """
    side = 1.0 if arch == "lower" else -1.0
    if settings.direction is not None:
        given = np.array(settings.direction, dtype=np.float64)
        length = float(np.linalg.norm(given))
        if not (math.isfinite(length) and length > 0.0):
            raise PathError(
                "the direction of the path has no length",
                measured=f"({given[0]:g}, {given[1]:g}, {given[2]:g})",
                fix="Give three numbers that are not all zero with --direction x,y,z.",
            )
        cast_direction = frame.directions_to_cast(given / length)
    else:
        check_tilts(
            settings.anterior_tilt_deg,
            settings.lateral_tilt_deg,
            max_tilt_deg=settings.max_tilt_deg,
        )
        cast_direction = np.array(
            [
                -side * math.tan(math.radians(settings.lateral_tilt_deg)),
                -math.tan(math.radians(settings.anterior_tilt_deg)),
                1.0,
            ]
        )
    cast_direction = cast_direction / np.linalg.norm(cast_direction)
    x, y, z = (float(value) for value in cast_direction)
    _check_tilt(math.degrees(math.atan2(math.hypot(x, y), z)), settings.max_tilt_deg)
    direction = frame.directions_to_file(cast_direction)
    direction = direction / np.linalg.norm(direction)
    return InsertionPath(
        direction=direction,
        direction_cast=cast_direction,
        # no tilt is said as 0, never as -0
        anterior_tilt_deg=math.degrees(math.atan2(-y, z)) + 0.0,
        lateral_tilt_deg=math.degrees(math.atan2(-side * x, z)) + 0.0,
        to_path=_upright(direction, frame),
    )


def check_tilts(anterior_tilt_deg: float, lateral_tilt_deg: float, *, max_tilt_deg: float) -> None:
    """Refuse tilts of which one alone is beyond the limit, any finite number of degrees.

    Raises
    ------
    PathError
        Names the limit that applies.

    >>> check_tilts(-8.0, 6.0, max_tilt_deg=30.0)
    """
    for name, tilt_deg in (("anterior", anterior_tilt_deg), ("lateral", lateral_tilt_deg)):
        if math.isfinite(tilt_deg) and abs(tilt_deg) > max_tilt_deg:
            raise PathError(
                f"by its {name} tilt the path is tilted too far from the occlusal plane's normal",
                measured=f"{tilt_deg:.2f} degrees, limit {max_tilt_deg:g}: allowed "
                f"{-max_tilt_deg:g} to {max_tilt_deg:g}",
                fix=_fix(abs(tilt_deg)),
            )


def _check_tilt(tilt_deg: float, limit_deg: float) -> None:
    if tilt_deg > limit_deg:
        raise PathError(
            "the path is tilted too far from the occlusal plane's normal",
            measured=f"{tilt_deg:.2f} degrees, limit {limit_deg:g}",
            fix=_fix(tilt_deg),
        )


def _fix(tilt_deg: float) -> str:
    if tilt_deg > TILT_LIMIT.high:
        return f"Choose a smaller tilt; --max-tilt raises the limit to {TILT_LIMIT.high:g} at most."
    return "Choose a smaller tilt, or raise the limit with --max-tilt."


def _upright(direction: Floats, frame: CastFrame) -> Floats:
    x = frame.matrix[:3, 0] - direction * float(direction @ frame.matrix[:3, 0])
    x /= np.linalg.norm(x)
    return np.stack([x, np.cross(direction, x), direction])
