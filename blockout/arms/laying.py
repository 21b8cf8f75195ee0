"""Laying an arm on a tooth by prescription.

A *retentive* arm starts at the near line angle with its lower border above the survey line. Its
middle line sweeps round the crown and passes below the survey line where the last third to quarter
begins. Its lower border ends at the terminal, near the far line angle, where the undercut is as
deep as asked; nowhere does it reach deeper. A *reciprocal* arm runs from line angle to line angle
with its lower border on the height of contour or a little above, never below.

Neither comes nearer to the gingival margin than asked, where the tooth allows it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy.interpolate import PchipInterpolator
from scipy.optimize import brentq

from blockout.arms.alloys import ALLOYS
from blockout.arms.arm import Arm
from blockout.arms.band import (
    Band,
    banded,
    crossing_share,
    finished_arm,
    resampled,
    tapered_width_mm,
    tip_share,
)
from blockout.arms.by_hand import arm_by_hand
from blockout.arms.course import Wanted, smooth_course
from blockout.arms.wall import LocalDepth, Wall, wall_of_crown
from blockout.case.arm_settings import ArmSettings
from blockout.cast.change import places
from blockout.errors import InputError
from blockout.mesh import Bools, Floats, Mesh
from blockout.surveying.reading import Reading

if TYPE_CHECKING:
    from blockout.teeth.crowns import Crown, Teeth

CROSSING_SHARE: Final = 0.71
"""Where the middle line passes below the survey line: within the last third to quarter."""
SHORTEST_MM: Final = 5.0
"""A shorter retentive arm does not bend by an undercut and come back: 14 N and 1200 MPa at 5.8 mm
were estimated for the usual width and depth. Ours."""
_TERMINAL_RAD: Final = np.radians((-32.0, 12.0))
_LIKED_RAD: Final = np.radians(-4.0)
_STATIONS: Final = 120
_DEPTH_LIMIT_MM: Final = 0.002
_MARGIN_SLACK_MM: Final = 0.01
_TRIES: Final = 8
_APART_RAD: Final = np.radians(4.5)
_ROUNDS: Final = 4
_CROSSING_SLACK: Final = 0.01
_LEVEL_SHARE: Final = 0.45
_CROSSES_MM: Final = 0.02
_CLIMB_OVER_MM: Final = 0.6
_STEEPEST: Final = 1.2
_SHARP: Final = 0.8
_MOVES_MM: Final = (0.1, 0.3, 0.8)
_DEEPER_LIMIT_MM: Final = 0.01


def lay_arm(survey: Reading, teeth: Teeth, settings: ArmSettings) -> Arm:
    """Lay one arm as prescribed, or along the user's points where the settings hold some.

    Parameters
    ----------
    survey : Reading
    teeth : Teeth
        Of the same cast.
    settings : ArmSettings

    Raises
    ------
    InputError
        The tooth does not offer the depth asked for where the terminal would lie (with the deepest
        found and where), has no room for the arm, or is not there.
    """
    crown = teeth.crown(settings.tooth)
    wall = crown_wall(survey, crown, settings)
    if settings.points:
        return arm_by_hand(survey, wall, settings)
    mesh = survey.cast.mesh
    depth = LocalDepth(survey, mesh.corners[wall.face].reshape(-1, 3))
    own = np.zeros(mesh.triangle_count, dtype=bool)
    own[wall.face] = True
    surface = mesh.part(own)
    if settings.role == "reciprocal":
        return _reciprocal(survey, wall, depth, surface, settings)
    return _retentive(survey, wall, depth, surface, settings)


def asked_undercut_mm(settings: ArmSettings) -> float:
    """The undercut asked for, or the alloy's usual one; 0 for a reciprocal arm."""
    if settings.role == "reciprocal":
        return 0.0
    if settings.undercut_mm is not None:
        return settings.undercut_mm
    return ALLOYS[settings.alloy].usual_undercut.value


def crown_wall(survey: Reading, crown: Crown, settings: ArmSettings) -> Wall:
    """The crown's wall as seen from the aspect and end that the settings name."""
    buccal = 1.0 if settings.aspect in ("buccal", "labial") else -1.0
    mesial = -1.0 if settings.origin == "mesial" else 1.0
    return wall_of_crown(
        survey,
        crown.face,
        towards=buccal * crown.axes[1],
        far=mesial * crown.axes[0],
        margin_mm=crown.margin_mm if len(crown.margin_mm) else None,
    )


@dataclass(frozen=True, eq=False)
class _Run:
    """How far round the crown an arm can run: azimuths of both line angles, and of the ends of
    the stretch between them over which its way does not climb too steeply, as beside a neighbour
    in contact.
    """

    near: float
    far: float
    start: float
    stop: float
    girdle_mm: Floats

    def notes(self, settings: ArmSettings) -> list[str]:
        """Said where the arm has less room than from line angle to line angle."""
        said = []
        for end, gap in ((settings.origin, self.start - self.near), ("far", self.far - self.stop)):
            if gap > _APART_RAD:
                said.append(
                    f"at the {end} end the margin or the survey line climbs too steeply for an "
                    f"arm: {np.degrees(gap):.0f} degrees about the tooth were left out"
                )
        return said


def _run_of(wall: Wall, settings: ArmSettings) -> _Run:
    clear = wall.lowest_clear_mm(settings.above_margin_mm)
    low = np.where(np.isfinite(clear), clear, wall.height_mm[0])
    low = np.fmax(low, wall.contour_mm)
    girdle = wall.girdle_mm(low + 0.5 * settings.width_mm)
    near, far = wall.corner(girdle, far=False), wall.corner(girdle, far=True)
    known = np.where(np.isfinite(girdle), girdle, float(np.nanmedian(girdle)))
    flat = np.column_stack([known * np.cos(wall.azimuth), known * np.sin(wall.azimuth)])
    along = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(flat, axis=0), axis=1))]
    middle = int(np.abs(wall.azimuth).argmin())
    stop = _unclimbed(along[middle:] - along[middle], low[middle:])
    start = _unclimbed(along[middle] - along[middle::-1], low[middle::-1])
    return _Run(
        near=near,
        far=far,
        start=max(near, float(wall.azimuth[middle - start])),
        stop=min(far + _TERMINAL_RAD[1], float(wall.azimuth[middle + stop])),
        girdle_mm=girdle,
    )


def _unclimbed(along_mm: Floats, low_mm: Floats) -> int:
    """How many places on, from the first, the way stays under the steepest climb."""
    ahead_mm = np.interp(along_mm + _CLIMB_OVER_MM, along_mm, low_mm)
    steep = ahead_mm - low_mm > _STEEPEST * _CLIMB_OVER_MM
    steep &= along_mm > _CLIMB_OVER_MM
    return int(steep.argmax()) if steep.any() else len(along_mm) - 1


@dataclass(frozen=True, eq=False)
class _Stations:
    """Places round a crown, evenly apart along its outline, each (k,)."""

    azimuth: Floats
    share: Floats
    contour_mm: Floats
    clear_mm: Floats
    shoulder_mm: Floats


def _stations(wall: Wall, run: _Run, stop: float, clear_mm: float) -> _Stations:
    fine = np.linspace(run.start, stop, 8 * _STATIONS)
    out = wall.at(run.girdle_mm, fine)
    flat = np.column_stack([out * np.cos(fine), out * np.sin(fine)])
    along = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(flat, axis=0), axis=1))]
    share = np.linspace(0.0, 1.0, _STATIONS)
    azimuth = np.interp(share * along[-1], along, fine)
    clear = wall.lowest_clear_mm(clear_mm)
    return _Stations(
        azimuth=azimuth,
        share=share,
        contour_mm=wall.at(wall.contour_mm, azimuth),
        clear_mm=np.interp(azimuth, wall.azimuth, clear) if np.isfinite(clear).all() else
        np.full(_STATIONS, -np.inf),
        shoulder_mm=wall.at(wall.shoulder_mm, azimuth),
    )  # fmt: skip


# --- retentive -----------------------------------------------------------------------------------
def _retentive(
    survey: Reading, wall: Wall, depth: LocalDepth, surface: Mesh, settings: ArmSettings
) -> Arm:
    """The arm whose tip lies best: places for it are tried in turn, the liked one first."""
    asked_mm = asked_undercut_mm(settings)
    run = _run_of(wall, settings)
    second_best: Arm | None = None
    refusal: InputError | None = None
    for azimuth in _terminal_azimuths(wall, run, asked_mm, settings):
        try:
            arm = _swept_to(survey, wall, depth, surface, settings, run, azimuth)
        except InputError as error:
            refusal = refusal or error
            continue
        if abs(arm.terminal_depth_mm - asked_mm) > _DEPTH_LIMIT_MM:
            continue
        kept = arm.margin_mm is None or arm.margin_mm >= settings.above_margin_mm - _MARGIN_SLACK_MM
        if kept and float(arm.depth_mm.max()) <= asked_mm + _DEEPER_LIMIT_MM:
            return arm
        second_best = second_best or arm
    if second_best is None:
        raise refusal or _out_of_reach(asked_mm, settings)
    return second_best


def _terminal_azimuths(
    wall: Wall, run: _Run, asked_mm: float, settings: ArmSettings
) -> list[float]:
    """Directions in which the tip can lie, the nearest to the liked one first.

    Raises
    ------
    InputError
        There is none.
    """
    clear = wall.lowest_clear_mm(settings.above_margin_mm)
    reach = wall.reaching_mm(asked_mm)
    liked = run.far + _LIKED_RAD
    offers = (
        _near_far_corner(wall, run)
        & np.isfinite(reach)
        & (np.nan_to_num(reach, nan=-np.inf) >= clear)
    )
    waiting = wall.azimuth[offers]
    if not len(waiting):
        raise _not_offered(wall, run, asked_mm, settings)
    chosen: list[float] = []
    while len(waiting) and len(chosen) < _TRIES:
        chosen.append(float(waiting[np.abs(waiting - liked).argmin()]))
        waiting = waiting[np.abs(waiting - chosen[-1]) > _APART_RAD]
    return chosen


def _near_far_corner(wall: Wall, run: _Run) -> Bools:
    off = wall.azimuth - run.far
    near: Bools = (off >= _TERMINAL_RAD[0]) & (off <= _TERMINAL_RAD[1]) & (wall.azimuth <= run.stop)
    return near


def _swept_to(
    survey: Reading,
    wall: Wall,
    depth: LocalDepth,
    surface: Mesh,
    settings: ArmSettings,
    run: _Run,
    tip_azimuth: float,
) -> Arm:
    """The retentive arm whose tip lies in one direction."""
    asked_mm = asked_undercut_mm(settings)
    at = _stations(wall, run, tip_azimuth, settings.above_margin_mm)
    share = tip_share(settings)
    half = 0.5 * settings.width_mm * (1.0 - (1.0 - share) * at.share)
    reach = wall.reaching_mm(asked_mm)
    reach_mm = np.interp(at.azimuth, wall.azimuth, np.where(np.isfinite(reach), reach, -1e3))
    low = np.maximum(at.clear_mm, reach_mm) + half
    end_mm = float(wall.at(reach, np.array([tip_azimuth]))[0]) + half[-1] - at.contour_mm[-1]
    notes = run.notes(settings)
    wish = _Sweep(settings.origin_rise_mm, half, low, end_mm)
    if end_mm >= -_CROSSES_MM:
        notes.append(
            "the undercut lies so close under the survey line that only the lower part of the tip "
            "is below it"
        )

    def band_of(height_mm: Floats) -> Band:
        return _band_at(survey, wall, surface, at.azimuth, height_mm, settings.width_mm, share)

    # the sloping end is longer than it looks from above: its share is measured and set again
    cross = CROSSING_SHARE
    for _ in range(_ROUNDS):
        heights = _swept(at, wish, cross)
        found = crossing_share(wall, band_of(heights).centre)
        if found is None or abs(found - CROSSING_SHARE) < _CROSSING_SLACK:
            break
        cross = float(np.clip(cross + CROSSING_SHARE - found, 0.5, 0.85))
    bow = np.clip((at.share - cross) / (1.0 - cross), 0.0, 1.0) ** 2

    def band_with(drop_mm: float) -> Band:
        return band_of(heights - drop_mm * bow)

    def too_deep_mm(drop_mm: float) -> float:
        return float(depth(band_with(drop_mm).lower[-1:])[0]) - asked_mm

    band = band_with(_balanced(too_deep_mm))
    _check_folds(band, settings)
    arm = finished_arm(
        survey,
        band,
        settings,
        wall=wall,
        depth=depth,
        undercut_mm=asked_mm,
        by_hand=False,
        notes=tuple(notes),
    )
    if arm.length_mm < SHORTEST_MM:
        raise InputError(
            f"there is no room for a retentive arm on tooth {settings.tooth}: it would be too "
            "short to bend",
            measured=f"{arm.length_mm:.1f} mm, at least {SHORTEST_MM:g}",
            where=f"arm {settings.title!r}",
            fix="Start from the other end, take another aspect, tilt the path, or give the arm by "
            "points.",
        )
    return _with_notes(arm, wall)


@dataclass(frozen=True, eq=False)
class _Sweep:
    """What a retentive arm's middle line is to do: start so high over the survey line, keep over
    ``low_mm`` (k,), end ``end_mm`` over (or under) it; ``half_mm`` (k,) is half its width.
    """

    rise_mm: float
    half_mm: Floats
    low_mm: Floats
    end_mm: float


def _swept(at: _Stations, wish: _Sweep, cross: float) -> Floats:
    """(k,) heights of a retentive arm's middle line that passes the survey line at ``cross``."""
    weight = np.ones(_STATIONS)
    weight[-1] = 1e4
    start_mm = wish.rise_mm + wish.half_mm[0]
    if wish.end_mm < -_CROSSES_MM:
        level = int(_LEVEL_SHARE * _STATIONS)
        over = PchipInterpolator(
            [0.0, at.share[level], cross, 1.0],
            [start_mm, 0.3 * wish.rise_mm + wish.half_mm[level], 0.0, wish.end_mm],
        )
        before, after = at.share < cross - 0.02, at.share > cross + 0.02
        weight[np.abs(at.share - cross).argmin()] = 1e3
    else:
        over = PchipInterpolator([0.0, 1.0], [start_mm, wish.end_mm])
        before, after = at.share < 1.0, np.zeros(_STATIONS, dtype=bool)
    low = np.where(before, np.maximum(wish.low_mm, at.contour_mm + 0.02), wish.low_mm)
    roof = np.maximum(at.shoulder_mm - wish.half_mm, at.contour_mm + 0.05)
    high = np.where(after, at.contour_mm - 0.02, np.where(before, roof, np.inf))
    return smooth_course(
        at.share, Wanted(at.contour_mm + over(at.share), weight, low, np.maximum(high, low))
    )


def _balanced(too_deep_mm: Callable[[float], float]) -> float:
    """How far the tip is moved down so that its lower border ends just as deep as asked; 0 where
    no small move does that. Everything before the crossing stays.
    """
    low_mm = high_mm = 0.0
    off_mm = too_deep_mm(0.0)
    for reach_mm in _MOVES_MM:
        if off_mm > 0.0:
            low_mm = -reach_mm
            found = too_deep_mm(low_mm) <= 0.0
        else:
            high_mm = reach_mm
            found = too_deep_mm(high_mm) >= 0.0
        if found:
            return float(brentq(too_deep_mm, low_mm, high_mm, xtol=1e-4, maxiter=30))
    return 0.0


def _out_of_reach(asked_mm: float, settings: ArmSettings) -> InputError:
    return InputError(
        f"tooth {settings.tooth} has the undercut asked for near the far line angle, but no arm of "
        "this width ends in it with its lower border",
        measured=f"{asked_mm:g} mm asked for, width {settings.width_mm:g} mm at the origin",
        where=f"arm {settings.title!r}",
        fix="Make the arm narrower, ask for less undercut_mm, start from the other end, or give "
        "the arm by points.",
    )


def _not_offered(wall: Wall, run: _Run, asked_mm: float, settings: ArmSettings) -> InputError:
    near, clear = _near_far_corner(wall, run), wall.lowest_clear_mm(settings.above_margin_mm)
    allowed = np.isfinite(wall.depth_mm) & (wall.height_mm[None, :] >= clear[:, None])

    def deepest(columns: Bools) -> tuple[float, Floats]:
        depth = np.where(allowed & columns[:, None], wall.depth_mm, -1.0)
        i, j = np.unravel_index(int(depth.argmax()), depth.shape)
        place = wall.placed(wall.azimuth[[i]], wall.height_mm[[j]], wall.radius_mm[i, j][None])
        return max(float(depth[i, j]), 0.0), place

    there_mm, there = deepest(near)
    between = (wall.azimuth >= run.near) & (wall.azimuth <= run.far)
    side_mm, side = deepest(between)
    where = f"tooth {settings.tooth}, {settings.aspect}, end opposite {settings.origin}"
    elsewhere = (
        f"; the whole {settings.aspect} side has at most {side_mm:.2f} mm"
        if side_mm > there_mm
        else ""
    )
    return InputError(
        f"tooth {settings.tooth} does not offer the undercut asked for where the arm's tip would "
        "lie",
        measured=f"deepest there {there_mm:.2f} mm, {asked_mm:g} asked for, "
        f"{settings.above_margin_mm:g} mm or more from the margin{elsewhere}",
        where=where,
        places_mm=[*places(there), *(places(side) if side_mm > there_mm else [])],
        fix="Ask for less undercut_mm, start from the other end, take another aspect, tilt the "
        "path, or give the arm by points.",
    )


# --- reciprocal ----------------------------------------------------------------------------------
def _reciprocal(
    survey: Reading, wall: Wall, depth: LocalDepth, surface: Mesh, settings: ArmSettings
) -> Arm:
    run = _run_of(wall, settings)
    at = _stations(wall, run, min(run.far, run.stop), settings.above_margin_mm)
    share = tip_share(settings)
    half = 0.5 * settings.width_mm * (1.0 - (1.0 - share) * at.share)
    notes = run.notes(settings)
    contour = at.contour_mm
    if not np.isfinite(contour).all():
        contour = at.clear_mm
        notes.append(
            "nothing is undercut on this side: the arm keeps to its distance from the margin"
        )
    if not np.isfinite(contour).all():
        raise InputError(
            f"tooth {settings.tooth} has neither an undercut nor a known margin on its "
            f"{settings.aspect} side",
            where=f"arm {settings.title!r}",
            fix="Give the arm by points.",
        )
    low = np.maximum(contour, at.clear_mm) + half
    free = np.full(_STATIONS, np.inf)
    heights = smooth_course(at.share, Wanted(low + 0.02, np.ones(_STATIONS), low, free))
    tolerance_mm = max(survey.noise_depth_mm, 0.002)
    lift_mm, band = 0.0, None
    for _ in range(8):
        band = _band_at(
            survey, wall, surface, at.azimuth, heights + lift_mm, settings.width_mm, share
        )
        azimuth, height, _ = wall.unrolled(band.lower)
        under_mm = float(np.nanmax(np.r_[wall.at(wall.contour_mm, azimuth) - height, -1.0]))
        if under_mm <= 0.0 and float(depth(band.lower).max()) <= tolerance_mm:
            break
        lift_mm += max(under_mm, 0.02)
    assert band is not None
    _check_folds(band, settings)
    arm = finished_arm(
        survey, band, settings, wall=wall, depth=depth, undercut_mm=0.0, by_hand=False,
        notes=tuple(notes),
    )  # fmt: skip
    return _with_notes(arm, wall)


# --- both ----------------------------------------------------------------------------------------
def _band_at(
    survey: Reading,
    wall: Wall,
    surface: Mesh,
    azimuth: Floats,
    height_mm: Floats,
    origin_mm: float,
    share: float,
) -> Band:
    """The band whose middle line runs through these places of the wall."""
    points, face = wall.on_surface(azimuth, height_mm)
    on = face >= 0
    if on.mean() < 0.9 or not (on[0] and on[-1]):
        raise InputError(
            "there is no room for the arm on this tooth",
            measured=f"{100.0 * (1.0 - on.mean()):.0f} % of its middle line lies off the crown",
            fix="Make the arm narrower, take another aspect, tilt the path, or give the arm by "
            "points.",
        )
    centre = resampled(points[on])
    width = tapered_width_mm(centre, origin_mm=origin_mm, tip_share=share)
    return banded(surface, centre, width, survey.path.direction)


def _check_folds(band: Band, settings: ArmSettings) -> None:
    """Refuse an arm one of whose borders runs backward somewhere."""
    step = np.diff(band.centre, axis=0)
    for border in (band.lower, band.upper):
        ahead = np.einsum("ij,ij->i", np.diff(border, axis=0), step)
        if (ahead < 0.0).any():
            raise InputError(
                f"there is no room for the arm on tooth {settings.tooth}: it would have to turn "
                "within its own width",
                measured=f"width {settings.width_mm:g} mm at the origin",
                where=f"arm {settings.title!r}",
                places_mm=places(band.centre[[int(ahead.argmin())]]),
                fix="Make the arm narrower, take another aspect, tilt the path, or give the arm "
                "by points.",
            )


def _with_notes(arm: Arm, wall: Wall) -> Arm:
    notes = list(arm.notes)
    deepest = int(arm.depth_mm.argmax())
    if arm.role == "retentive" and arm.depth_mm[deepest] > arm.undercut_mm + _DEEPER_LIMIT_MM:
        x, y, z = arm.lower[deepest]
        notes.append(
            f"before the tip the lower border is deeper than asked: {arm.depth_mm[deepest]:.3f} mm "
            f"near ({x:.2f}, {y:.2f}, {z:.2f})"
        )
    azimuth, height, _ = wall.unrolled(arm.upper)
    over_mm = height - wall.at(wall.shoulder_mm, azimuth)
    if float(over_mm.max()) > 0.2:
        x, y, z = arm.upper[int(over_mm.argmax())]
        notes.append(
            f"the survey line is high here: the upper border reaches {float(over_mm.max()):.1f} mm "
            f"over the edge of the occlusal side near ({x:.2f}, {y:.2f}, {z:.2f})"
        )
    turn, at = _sharpest_turn(arm, wall)
    if turn > _SHARP:
        x, y, z = arm.centre[at]
        notes.append(
            f"the survey line turns sharply near ({x:.2f}, {y:.2f}, {z:.2f}) and the arm with it: "
            "look at it, and give it by points where it is not wanted so"
        )
    return replace(arm, notes=tuple(notes))


def _sharpest_turn(arm: Arm, wall: Wall) -> tuple[float, int]:
    """Greatest change of the middle line's slope over a millimetre, and the place of it."""
    height = wall.unrolled(arm.centre)[1]
    along = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(arm.centre, axis=0), axis=1))]
    slope = np.gradient(height, along)
    turn = np.abs(np.interp(along + 0.5, along, slope) - np.interp(along - 0.5, along, slope))
    return float(turn.max()), int(turn.argmax())
