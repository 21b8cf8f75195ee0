"""The profile of a section as a drawing: a plane along the path, and an SVG of what it cuts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from html import escape
from typing import Final

import numpy as np
from numpy.typing import ArrayLike
from scipy.spatial.transform import Rotation

from blockout.mesh import Floats

HALF_WIDE_MM: Final = 8.0
_HALF_HIGH_MM: Final = 7.0
_PX_PER_MM: Final = 22.0
_WAX_DASHES: Final = ("", "6 2", "2 2", "8 2 2 2")


@dataclass(frozen=True, eq=False)
class Plane:
    """A plane that holds the path.

    Parameters
    ----------
    point_mm : (3,) float
    normal : (3,) float
        Unit, square to the path.
    up : (3,) float
        The path's direction of removal, up in the drawing.
    """

    point_mm: Floats
    normal: Floats
    up: Floats

    @classmethod
    def through(cls, point_mm: ArrayLike, *, normal: ArrayLike, path: ArrayLike) -> Plane:
        """The plane through a place of the surface along the path and square to the surface there;
        on a level place it runs any way.
        """
        up = np.asarray(path, dtype=np.float64)
        out = np.asarray(normal, dtype=np.float64)
        across = np.cross(up, out)
        if float(np.linalg.norm(across)) < 1e-6:
            across = np.cross(up, np.eye(3)[int(np.argmin(np.abs(up)))])
        return cls(np.asarray(point_mm, dtype=np.float64), across / np.linalg.norm(across), up)

    @property
    def right(self) -> Floats:
        """To the right in the drawing."""
        found: Floats = np.cross(self.up, self.normal)
        return found

    def moved(self, by_mm: float) -> Plane:
        """The plane further along its normal."""
        return replace(self, point_mm=self.point_mm + by_mm * self.normal)

    def turned(self, by_rad: float) -> Plane:
        """The plane turned about the path through its point."""
        turned: Floats = Rotation.from_rotvec(by_rad * self.up).apply(self.normal)
        return replace(self, normal=turned)

    def flat(self, points_mm: Floats) -> Floats:
        """(n, 2) millimetres to the right and up from the point."""
        away = np.asarray(points_mm) - self.point_mm
        return np.stack([away @ self.right, away @ self.up], axis=1)


def profile_svg(
    plane: Plane, lines: Mapping[str, Sequence[Floats]], *, depth_mm: float | None = None
) -> str:
    """The drawing: outlines of cast and wax, a grid of 1 mm, the path, and where it was read on
    this plane the gauge's depth with its place.

    Each kind of wax has its own dashes, so that colour is not the only sign.
    """
    wide, high = 2.0 * HALF_WIDE_MM * _PX_PER_MM, 2.0 * _HALF_HIGH_MM * _PX_PER_MM
    parts = [
        f'<svg class="profile-drawing" viewBox="0 0 {wide:.0f} {high:.0f}" role="img" '
        'aria-label="Section of cast and wax; the path is upward, the grid is 1 mm">'
    ]
    parts += [_grid(wide, high)]
    names = [name for name in lines if name != "cast"]
    for name in ("cast", *names):
        shapes = " ".join(_drawn(plane.flat(line)) for line in lines.get(name, ()) if len(line) > 1)
        if not shapes:
            continue
        dash = "" if name == "cast" else _WAX_DASHES[names.index(name) % len(_WAX_DASHES)]
        kind = "cast-cut" if name == "cast" else "wax-cut"
        parts.append(
            f'<path class="{kind}" d="{shapes}" stroke-dasharray="{dash}" fill-rule="evenodd">'
            f"<title>{escape(name)}</title></path>"
        )
    x, y = _px(np.zeros((1, 2)))[0]
    if depth_mm is not None:
        parts.append(f'<circle class="place" cx="{x:.1f}" cy="{y:.1f}" r="4"/>')
    if depth_mm:
        parts.append(f'<text x="{x + 8:.1f}" y="{y - 6:.1f}">{depth_mm:.2f} mm undercut</text>')
    parts.append(
        f'<path class="way" d="M {wide - 24:.0f} 70 V 22 m -6 10 l 6 -10 l 6 10"/>'
        f'<text x="{wide - 34:.0f}" y="86" text-anchor="end">path</text>'
        f'<path class="way" d="M 16 {high - 16:.0f} h {5 * _PX_PER_MM:.0f}"/>'
        f'<text x="16" y="{high - 22:.0f}">5 mm</text></svg>'
    )
    return "".join(parts)


def _grid(wide: float, high: float) -> str:
    across = np.arange(0.0, wide + 1.0, _PX_PER_MM)
    up = np.arange(0.0, high + 1.0, _PX_PER_MM)
    lines = " ".join(
        [f"M {x:.1f} 0 V {high:.1f}" for x in across] + [f"M 0 {y:.1f} H {wide:.1f}" for y in up]
    )
    return f'<path class="grid" d="{lines}"/>'


def _drawn(flat_mm: Floats) -> str:
    points = " ".join(f"{x:.1f},{y:.1f}" for x, y in _px(flat_mm))
    end = " Z" if np.allclose(flat_mm[0], flat_mm[-1]) else ""
    return f"M {points}{end}"


def _px(flat_mm: Floats) -> Floats:
    return np.stack(
        [
            (flat_mm[:, 0] + HALF_WIDE_MM) * _PX_PER_MM,
            (_HALF_HIGH_MM - flat_mm[:, 1]) * _PX_PER_MM,
        ],
        axis=1,
    )
