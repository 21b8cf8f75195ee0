"""The line on which a ledge stands: an arm's lower border, carried on past both of its ends, and
the wall of the undercut beside it. All in a frame of the tooth's own, in which the arm turns about
a line along the path.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from blockout.arms.arm import Arm
from blockout.arms.band import SPACING_MM
from blockout.case.arm_settings import LedgeSettings
from blockout.errors import InputError
from blockout.kernel.rays import RayScene
from blockout.mesh import Bools, Floats, Ints, Mesh
from blockout.surveying.depth import Overhead
from blockout.surveying.lines import chained, level_segments
from blockout.surveying.survey import Survey
from blockout.tolerances import TOLERANCES

_ON_LINE_MM = 0.3
_FURTHEST_OUT_MM: Final = 3.0
_REACH_MM: Final = 4.5
_FINE_MM: Final = 0.03
_BACKWARD_SHARE: Final = 0.02
_WIDEST_TURN_DEG: Final = 45.0
_UP: Final = np.array([0.0, 0.0, 1.0])


@dataclass(frozen=True, eq=False)
class Round:
    """The tooth's own frame: the path is +z, the arm turns about the z axis with growing azimuth
    unless ``turn`` is -1.
    """

    axes: Floats
    about_mm: Floats
    to_path: Floats
    turn: float
    surface: Mesh
    overhead: Overhead
    scene: RayScene

    @classmethod
    def about(cls, survey: Survey, arm: Arm) -> Round:
        path = survey.path.direction
        mesh = survey.cast.mesh
        upright = mesh.vertices @ survey.path.to_path[:2].T
        own = arm.lower @ survey.path.to_path[:2].T
        box = own.min(axis=0) - _REACH_MM, own.max(axis=0) + _REACH_MM
        inside = ((upright > box[0]) & (upright < box[1])).all(axis=1)
        near: Bools = np.asarray(inside[mesh.faces].any(axis=1))
        whole = mesh.part(near)
        scanned = mesh.part(near & survey.cast.scanned)
        overhead = Overhead(scanned, survey.path)
        about_mm = _line_within(overhead, arm, path)
        middle = arm.lower.mean(axis=0) - about_mm
        x = middle - path * float(middle @ path)
        x /= max(float(np.linalg.norm(x)), 1e-9)
        axes = np.stack([x, np.cross(path, x), path])
        start, stop = ((arm.lower[k] - about_mm) @ axes[1] for k in (0, -1))
        return cls(
            axes=axes,
            about_mm=about_mm,
            to_path=survey.path.to_path,
            turn=1.0 if stop >= start else -1.0,
            surface=Mesh((scanned.vertices - about_mm) @ axes.T, scanned.faces),
            overhead=overhead,
            scene=RayScene(Mesh((whole.vertices - about_mm) @ axes.T, whole.faces)),
        )

    def local(self, points_mm: Floats) -> Floats:
        local: Floats = (points_mm - self.about_mm) @ self.axes.T
        return local

    def to_file(self, local_mm: Floats) -> Floats:
        points: Floats = local_mm @ self.axes + self.about_mm
        return points

    def turned_up(self, direction: Floats) -> Floats:
        turned: Floats = self.axes @ direction
        return turned

    def to_file_matrix(self) -> Floats:
        """(4, 4)"""
        to_file = np.eye(4)
        to_file[:3, :3], to_file[:3, 3] = self.axes.T, self.about_mm
        return to_file

    def azimuth(self, local_mm: Floats) -> Floats:
        angle: Floats = np.arctan2(self.turn * local_mm[:, 1], local_mm[:, 0])
        return angle

    def out(self, azimuth: Floats) -> Floats:
        """(k, 3) level unit directions."""
        return np.column_stack(
            [np.cos(azimuth), self.turn * np.sin(azimuth), np.zeros(len(azimuth))]
        )

    def covered(self, local_mm: Floats) -> Bools:
        upright = self.to_file(local_mm) @ self.to_path.T
        return self.overhead.covered(upright, margin_mm=TOLERANCES.ray_margin_mm)

    # --- the border --------------------------------------------------------------------------
    def border(self, settings: LedgeSettings, arm: Arm) -> Border:
        """The arm's lower border, carried on past both of its ends along the level of each."""
        own = self.local(arm.lower)
        azimuth = self.azimuth(own)
        back_rad = float(np.clip(-np.diff(azimuth), 0.0, None).sum())
        if back_rad > _BACKWARD_SHARE * max(float(np.ptp(azimuth)), 1e-9):
            at = int(np.diff(azimuth).argmin())
            x, y, z = (float(value) for value in arm.lower[at])
            raise InputError(
                f"the arm {arm.name!r} doubles back as seen along the path, so no ledge can follow "
                "its lower border",
                measured=f"{np.degrees(back_rad):.1f} degrees backward about the tooth",
                places_mm=[(x, y, z)],
                fix="Give it as two arms, or move its points.",
            )
        keep = np.r_[True, azimuth[1:] > np.maximum.accumulate(azimuth)[:-1] + 1e-6]
        own, azimuth = own[keep], azimuth[keep]
        more_mm = settings.run_out_mm + settings.shelf_mm + 0.5
        before = self._level_on(own[0], -1.0, more_mm)
        after = self._level_on(own[-1], 1.0, more_mm)
        points = np.concatenate([before[::-1], own, after])
        azimuth = self.azimuth(points)
        part = np.concatenate(
            [np.full(len(before), -1), np.zeros(len(own)), np.full(len(after), 1)]
        ).astype(np.int64)
        # what does not turn onward is left out; the tooth ends there for the ledge
        first = len(before)
        good = np.ones(len(points), dtype=bool)
        good[first:] = np.r_[
            True, azimuth[first + 1 :] > np.maximum.accumulate(azimuth[first:])[:-1]
        ]
        if first:
            turned = azimuth[: first + 1][::-1]
            good[:first] = (turned[1:] < np.minimum.accumulate(turned)[:-1])[::-1]
        points, azimuth, part = points[good], azimuth[good], part[good]
        radius = np.hypot(points[:, 0], points[:, 1])
        return Border(
            self.turn,
            azimuth,
            radius,
            points[:, 2],
            part,
            self._wall(azimuth, radius, points[:, 2]),
        )

    def with_tip(self, border: Border, arm: Arm) -> Border:
        """The border with the arm's tip, from its lower end up, where the tip lies ahead of that
        end: an arm that runs steeply down reaches further about the tooth with its upper border.
        """
        ends = self.local(np.stack([arm.lower[-1], arm.upper[-1]]))
        count = max(2, int(np.ceil(np.linalg.norm(ends[1] - ends[0]) / _FINE_MM)) + 1)
        tip = ends[0] + np.linspace(0.0, 1.0, count)[1:, None] * (ends[1] - ends[0])
        own = border.part == 0
        ahead = np.maximum.accumulate(np.r_[border.azimuth[own][-1], self.azimuth(tip)])
        tip = tip[self.azimuth(tip) > ahead[:-1] + 1e-6]
        if not len(tip):
            return border
        azimuth, radius = self.azimuth(tip), np.hypot(tip[:, 0], tip[:, 1])
        added = Border(
            self.turn, azimuth, radius, tip[:, 2], np.zeros(len(tip), dtype=np.int64),
            self._wall(azimuth, radius, tip[:, 2]),
        )  # fmt: skip
        rest = (border.part == 1) & (border.azimuth > azimuth[-1] + 1e-6)
        return border.where(border.part <= 0).followed_by(added).followed_by(border.where(rest))

    def _level_on(self, start: Floats, sign: float, length_mm: float) -> Floats:
        """Points of the surface at the start's height, walked on from it for ``length_mm`` with
        growing (sign 1) or falling azimuth.
        """
        near = np.abs(self.surface.corners - start).max(axis=(1, 2)) < length_mm + 2.0
        surface = self.surface.part(near)
        lines = chained(level_segments(surface, surface.vertices[surface.faces][:, :, 2], start[2]))
        best: Floats = np.zeros((0, 3))
        for line in lines:
            points = line.points_mm[:-1] if line.closed else line.points_mm
            off_mm = np.linalg.norm(points - start, axis=1)
            at = int(off_mm.argmin())
            if len(points) < 3 or off_mm[at] > _ON_LINE_MM:
                continue
            if line.closed:
                points, at = np.roll(points, len(points) // 2 - at, axis=0), len(points) // 2
            ways = points[at:], points[at::-1]
            gain = [sign * self._turned(start, way, length_mm) for way in ways]
            best = ways[int(np.argmax(gain))]
            break
        line_mm = np.vstack([start, best])
        along = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(line_mm, axis=0), axis=1))]
        at_mm = np.arange(SPACING_MM, min(length_mm, float(along[-1])), SPACING_MM)
        return np.stack([np.interp(at_mm, along, line_mm[:, k]) for k in range(3)], axis=1)

    def _turned(self, start: Floats, way: Floats, length_mm: float) -> float:
        along = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(way, axis=0), axis=1))]
        some = way[along <= max(0.5 * length_mm, 0.5)]
        return float(self.azimuth(some[-1:])[0] - self.azimuth(start[None])[0])

    def _wall(self, azimuth: Floats, radius_mm: Floats, height_mm: Floats) -> Floats:
        """(k,) where, going straight out from each point of the border, nothing is overhead."""
        out = self.out(azimuth)
        start = radius_mm[:, None] * out + height_mm[:, None] * _UP
        steps = np.arange(_FINE_MM, _FURTHEST_OUT_MM, _FINE_MM)
        moved = start[:, None, :] + steps[None, :, None] * out[:, None, :]
        covered = self.covered(moved.reshape(-1, 3)).reshape(len(start), len(steps))
        free = ~covered
        first = np.where(free.any(axis=1), free.argmax(axis=1), len(steps) - 1)
        low, high = steps[first] - _FINE_MM, steps[first]
        for _ in range(12):
            middle = 0.5 * (low + high)
            over = self.covered(start + middle[:, None] * out)
            low, high = np.where(over, middle, low), np.where(over, high, middle)
        visible = high < 2.0 * TOLERANCES.depth_step_mm
        return radius_mm + np.where(visible, 0.0, high)


def _line_within(overhead: Overhead, arm: Arm, path: Floats) -> Floats:
    """(3,) a point of the line about which a ledge's ends and directions are taken.

    For a retentive arm it lies straight behind the terminal, as seen on the nearest way out of the
    undercut: then the window ends along that way. Were it askew, the ledge's higher part beside
    the terminal would lie over it, and the terminal would read deeper than it was laid.
    """
    if arm.role != "retentive" or not arm.terminal_depth_mm > 0.0:
        return arm.about_mm
    back = arm.terminal_mm - arm.about_mm
    back = back - path * float(back @ path)
    radius_mm = float(np.linalg.norm(back))
    x = back / radius_mm
    turn = np.radians(np.arange(-_WIDEST_TURN_DEG, _WIDEST_TURN_DEG + 0.25, 0.5))
    ways = np.outer(np.cos(turn), x) + np.outer(np.sin(turn), np.cross(path, x))
    reach_mm = arm.terminal_depth_mm * 1.002 + 0.001
    asked = (arm.terminal_mm + reach_mm * ways) @ overhead.to_path.T
    free = ~overhead.covered(asked, margin_mm=TOLERANCES.ray_margin_mm)
    if not free.any():
        return arm.about_mm
    out = ways[free].mean(axis=0)
    moved: Floats = arm.about_mm + back - out / np.linalg.norm(out) * radius_mm
    return moved


@dataclass(frozen=True, eq=False)
class Border:
    """The line on which the shelf stands, each (k,); ``part`` is 0 along the arm, -1 before its
    origin and 1 past its tip.
    """

    turn: float
    azimuth: Floats
    radius_mm: Floats
    height_mm: Floats
    part: Ints
    wall_mm: Floats

    def where(self, keep: Bools) -> Border:
        return Border(
            self.turn, self.azimuth[keep], self.radius_mm[keep], self.height_mm[keep],
            self.part[keep], self.wall_mm[keep],
        )  # fmt: skip

    def followed_by(self, other: Border) -> Border:
        return Border(
            self.turn,
            np.r_[self.azimuth, other.azimuth],
            np.r_[self.radius_mm, other.radius_mm],
            np.r_[self.height_mm, other.height_mm],
            np.r_[self.part, other.part],
            np.r_[self.wall_mm, other.wall_mm],
        )

    def points(self) -> Floats:
        return placed(self.turn, self.azimuth, self.radius_mm, self.height_mm)

    def along_mm(self) -> Floats:
        """(k,) length from the arm's origin, seen along the path; negative before it."""
        flat = self.points()[:, :2]
        along = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(flat, axis=0), axis=1))]
        shifted: Floats = along - along[np.flatnonzero(self.part == 0)[0]]
        return shifted

    def widened_mm(self, width_mm: float) -> Floats:
        """(k,) radius of the line ``width_mm`` outside the wall, square to it: the outermost place
        that a disc moved along the wall reaches in each direction.
        """
        flat = placed(self.turn, self.azimuth, self.wall_mm, np.zeros(len(self.azimuth)))[:, :2]
        along = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(flat, axis=0), axis=1))]
        fine = np.linspace(0.0, along[-1], int(np.ceil(along[-1] / _FINE_MM)) + 1)
        centre = np.column_stack([np.interp(fine, along, flat[:, k]) for k in range(2)])
        out = np.column_stack([np.cos(self.azimuth), self.turn * np.sin(self.azimuth)])
        ahead = out @ centre.T
        aside = out[:, :1] * centre[:, 1] - out[:, 1:] * centre[:, 0]
        room = width_mm**2 - aside**2
        reach = np.where(room >= 0.0, ahead + np.sqrt(np.maximum(room, 0.0)), -np.inf)
        widened: Floats = np.maximum(reach.max(axis=1), self.wall_mm)
        return widened


def placed(turn: float, azimuth: Floats, radius_mm: Floats, height_mm: Floats) -> Floats:
    """Points (..., 3) of the tooth's own frame."""
    return np.stack(
        [radius_mm * np.cos(azimuth), radius_mm * turn * np.sin(azimuth), height_mm], axis=-1
    )
