"""Beads: a shallow groove carved into a maxillary cast along the border of a major connector."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from blockout.case.relief_settings import BeadSettings
from blockout.cast.cast import Cast
from blockout.drawn.curve import SurfaceCurve, on_surface, points_along, surface_curve
from blockout.errors import InputError, KernelError
from blockout.kernel.rays import RayScene
from blockout.kernel.solids import Solid, filled_triangles
from blockout.mesh import Bools, Floats, Ints, Mesh, joined
from blockout.tolerances import TOLERANCES, Tolerances

STEP_MM: Final = 0.2
ROUND_SIDES: Final = 24
"""Sides of half an ellipse; the polygon is made as large as the ellipse, 0.1 % wider."""
_V_SIDES: Final = 8
_LID_SIDES: Final = 4
_LEAST_SHARE: Final = 0.02
"""The bead ends where it has faded to this share: 10 um of 0.5 mm, less is no groove."""
_CLEAR_MM: Final = 0.05
_KINK_MM: Final = 0.05
_SPARED_LIMIT_MM: Final = 3.0


@dataclass(frozen=True, eq=False)
class BeadBulk:
    """What a bead takes away.

    Parameters
    ----------
    name : str
    solid : Solid
        Closed, file coordinates; its part inside the cast is the groove.
    line : SurfaceCurve
        The bead's line on the surface.
    share : (k,) float
        At each point of the line how much of width and depth is there, 0 to 1.
    width_mm, depth_mm : float
    level_volume_mm3 : float
        What it would take away of a level surface: the area of the section, times the square of
        the share, along the line.
    notes : tuple of str
    """

    name: str
    solid: Solid
    line: SurfaceCurve
    share: Floats
    width_mm: float
    depth_mm: float
    level_volume_mm3: float
    notes: tuple[str, ...]


def bead_bulk(
    cast: Cast, settings: BeadSettings, *, tolerances: Tolerances = TOLERANCES
) -> BeadBulk:
    """The groove along a line: half-round, or a V, its axis on the surface and its depth along the
    surface normal. Toward its ends and toward spared places width and depth shrink together,
    evenly over the fading length.

    Parameters
    ----------
    cast : Cast
    settings : BeadSettings

    Raises
    ------
    InputError
        The cast is a lower one and ``on_lower`` is not set; the line lies off the scanned surface
        or bends too sharply for the width; a spared place lies off the line; nothing is left.
    KernelError
        The kernel changed the body's volume.
    """
    name = settings.name or "bead"
    if cast.arch == "lower" and not settings.on_lower:
        raise InputError(
            f"the {name} is on a lower cast: beads belong on upper casts only",
            measured="arch lower" if cast.arch_stated else "arch not stated, lower assumed",
            fix="Set on_lower = true for this bead, or say that the arch is upper.",
        )
    drawn = surface_curve(cast.mesh, settings.line, spacing_mm=STEP_MM, name=name)
    spared = [_length_at(drawn, place.place, name) for place in settings.spared]
    reach = [place.reach_mm for place in settings.spared]
    at_mm = _stations(drawn.length_mm, settings.fade_mm, spared, reach)
    line = on_surface(cast.mesh, points_along(drawn, at_mm), closed=False)
    _check_scanned(cast, line, name)
    share = _shares(at_mm, drawn.length_mm, settings.fade_mm, spared, reach)
    kept = share >= _LEAST_SHARE
    section = _section(settings)
    frames = _frames(line, settings.width_mm)
    lid_mm = _lid(cast.mesh, line, frames, settings.width_mm)
    meshes = []
    for run in _runs(kept):
        _check_bend(line.points_mm[run], frames[:, run], share[run], settings.width_mm, name)
        meshes.append(_swept(line.points_mm[run], frames[:, run], share[run], section, lid_mm[run]))
    if not meshes:
        raise InputError(
            f"nothing is left of the {name}",
            measured=f"{drawn.length_mm:.2f} mm long, fading over {settings.fade_mm:g} mm",
            fix="Make it longer, or fade_mm shorter.",
        )
    body = joined(meshes)
    solid = Solid.from_mesh(body)
    off_mm3 = abs(solid.volume_mm3 - body.volume_mm3)
    if off_mm3 > tolerances.kernel_relative * (body.volume_mm3 + 1.0):
        raise KernelError(
            "the solid kernel changed a bead while taking it",
            measured=f"volume off by {off_mm3:.3g} mm3",
            fix="This is a fault of blockout; the scan and the line would help to mend it.",
        )
    return BeadBulk(
        name=name,
        solid=solid,
        line=line,
        share=np.where(kept, share, 0.0),
        width_mm=settings.width_mm,
        depth_mm=settings.depth_mm,
        level_volume_mm3=_level_volume_mm3(settings, at_mm, share, kept),
        notes=_notes(settings, drawn),
    )


def _section(settings: BeadSettings) -> Floats:
    """(k, 2) points of the full groove from edge to edge: sideways, and up from the surface."""
    half, depth = settings.width_mm / 2.0, settings.depth_mm
    if settings.section == "v":
        side = np.linspace(-1.0, 1.0, _V_SIDES + 1)
        pointed: Floats = np.stack([half * side, depth * (np.abs(side) - 1.0)], axis=1)
        return pointed
    angle = np.linspace(0.0, np.pi, ROUND_SIDES + 1)
    around = 2 * ROUND_SIDES
    grown = np.sqrt(2.0 * np.pi / (around * np.sin(2.0 * np.pi / around)))
    rounded: Floats = grown * np.stack([-half * np.cos(angle), -depth * np.sin(angle)], axis=1)
    return rounded


def _section_area_mm2(settings: BeadSettings) -> float:
    box = settings.width_mm * settings.depth_mm
    return box / 2.0 if settings.section == "v" else box * np.pi / 4.0


def _level_volume_mm3(settings: BeadSettings, at_mm: Floats, share: Floats, kept: Bools) -> float:
    """Frusta between stations: the share runs evenly from each to the next."""
    one, other = share[:-1], share[1:]
    both = kept[:-1] & kept[1:]
    mean = (one * one + one * other + other * other) / 3.0
    return _section_area_mm2(settings) * float((mean * np.diff(at_mm))[both].sum())


def _length_at(line: SurfaceCurve, place: tuple[float, float, float], name: str) -> float:
    """Length along the line of the point nearest to a place."""
    start, ahead = line.points_mm[:-1], np.diff(line.points_mm, axis=0)
    length2 = np.maximum(np.einsum("ij,ij->i", ahead, ahead), 1e-18)
    away = np.array(place) - start
    share = np.clip(np.einsum("ij,ij->i", away, ahead) / length2, 0.0, 1.0)
    off_mm = np.linalg.norm(away - share[:, None] * ahead, axis=1)
    nearest = int(off_mm.argmin())
    if off_mm[nearest] > _SPARED_LIMIT_MM:
        raise InputError(
            f"a spared place is not on the {name}",
            measured=f"{off_mm[nearest]:.2f} mm from its line, limit {_SPARED_LIMIT_MM:g}",
            places_mm=[place],
            fix="Give a place where the line crosses the raphe or torus.",
        )
    return float(line.along_mm[nearest] + share[nearest] * np.sqrt(length2[nearest]))


def _stations(length_mm: float, fade_mm: float, spared: list[float], reach: list[float]) -> Floats:
    """Lengths along the line where sections stand, with one wherever the fading begins or ends."""
    kinks = [fade_mm, length_mm - fade_mm]
    least = _LEAST_SHARE * fade_mm
    kinks += [least, length_mm - least]
    for place, near in zip(spared, reach, strict=True):
        kinks += [place - near - fade_mm, place - near, place + near, place + near + fade_mm]
        kinks += [place - near - least, place + near + least]
    inner = np.array([kink for kink in kinks if 0.0 < kink < length_mm])
    count = max(2, round(length_mm / STEP_MM) + 1)
    even = np.linspace(0.0, length_mm, count)
    if len(inner):
        clear = np.abs(even[:, None] - inner[None]).min(axis=1) > _KINK_MM
        clear[[0, -1]] = True
        even = np.r_[even[clear], inner]
    stations: Floats = np.unique(np.round(even, 9))
    return stations


def _shares(
    at_mm: Floats, length_mm: float, fade_mm: float, spared: list[float], reach: list[float]
) -> Floats:
    """(k,) the share of width and depth at lengths along the line."""
    off = [at_mm, length_mm - at_mm]
    off += [np.abs(at_mm - place) - near for place, near in zip(spared, reach, strict=True)]
    room_mm = np.min(off, axis=0)
    if fade_mm == 0.0:
        whole: Floats = (room_mm >= -1e-9).astype(np.float64)
        return whole
    shares: Floats = np.clip((room_mm + 1e-9) / fade_mm, 0.0, 1.0)
    return shares


def _runs(kept: Bools) -> list[slice]:
    """Stretches of stations with a groove, two at least in each."""
    edges = np.diff(np.r_[0, kept.astype(np.int8), 0])
    starts, ends = np.flatnonzero(edges > 0), np.flatnonzero(edges < 0)
    return [slice(int(a), int(b)) for a, b in zip(starts, ends, strict=True) if b - a > 1]


def _frames(line: SurfaceCurve, width_mm: float) -> Floats:
    """(3, k, 3) directions at each point: along, to the right, and up, evened out over about the
    bead's width so that noise does not rock it.
    """
    turns = max(1, round((width_mm / STEP_MM) ** 2))
    up, along = _evened(line.normals, turns), _evened(line.tangents, turns)
    up = up - np.einsum("ij,ij->i", up, along)[:, None] * along
    up /= np.linalg.norm(up, axis=1, keepdims=True)
    frames: Floats = np.stack([along, np.cross(along, up), up])
    return frames


def _evened(directions: Floats, turns: int) -> Floats:
    for _ in range(turns):
        padded = np.vstack([directions[:1], directions, directions[-1:]])
        directions = padded[:-2] + 2.0 * padded[1:-1] + padded[2:]
        directions = directions / np.linalg.norm(directions, axis=1, keepdims=True)
    return directions


def _lid(mesh: Mesh, line: SurfaceCurve, frames: Floats, width_mm: float) -> Floats:
    """(k,) how high above the line the body must reach to be over the surface all across."""
    _, right, up = frames
    scene = RayScene(mesh)
    high = np.zeros(len(line.face))
    for side in (-0.5, -0.25, 0.25, 0.5):
        start = line.points_mm + side * width_mm * right + width_mm * up
        hits = scene.first_hit(start, -up)
        high = np.maximum(high, np.clip(width_mm - hits.distance_mm, 0.0, width_mm))
    padded = np.r_[high[:1], high, high[-1:]]
    wide: Floats = np.maximum(np.maximum(padded[:-2], padded[1:-1]), padded[2:])
    return wide + _CLEAR_MM


def _check_bend(points: Floats, frames: Floats, share: Floats, width_mm: float, name: str) -> None:
    along, right, _ = frames
    for side in (-0.5, 0.5):
        edge = points + side * width_mm * share[:, None] * right
        ahead = np.einsum("ij,ij->i", np.diff(edge, axis=0), along[:-1] + along[1:])
        back = np.flatnonzero(ahead <= 0.0)
        if len(back):
            x, y, z = (float(c) for c in points[back[0]])
            raise InputError(
                f"the {name} bends too sharply for its width",
                measured=f"radius of its line under half the width of {width_mm:g} mm",
                places_mm=[(x, y, z)],
                fix="Draw a smoother line, or make the bead narrower.",
            )


def _swept(points: Floats, frames: Floats, share: Floats, section: Floats, lid_mm: Floats) -> Mesh:
    """The closed body between the groove's bottom and a lid over the surface."""
    _, right, up = frames
    groove = share[:, None, None] * section
    lid_side = np.linspace(section[-1, 0], section[0, 0], _LID_SIDES + 1)
    lid = np.stack(
        [
            share[:, None] * lid_side,
            np.broadcast_to(lid_mm[:, None], (len(points), _LID_SIDES + 1)),
        ],
        axis=2,
    )
    ring = np.concatenate([groove, lid], axis=1)
    placed = points[:, None] + ring[..., :1] * right[:, None] + ring[..., 1:] * up[:, None]
    count, around = ring.shape[:2]
    number = np.arange(count * around).reshape(count, around)
    here, after = number[:-1], number[1:]
    next_here, next_after = np.roll(here, -1, axis=1), np.roll(after, -1, axis=1)
    sides = [
        np.stack([here, next_here, next_after], axis=-1).reshape(-1, 3),
        np.stack([here, next_after, after], axis=-1).reshape(-1, 3),
    ]
    caps: list[Ints] = [
        filled_triangles([ring[0]])[:, ::-1],
        filled_triangles([ring[-1]]) + number[-1, 0],
    ]
    body = Mesh(placed.reshape(-1, 3), np.concatenate([*sides, *caps]))
    return body if body.volume_mm3 > 0.0 else body.reversed()


def _check_scanned(cast: Cast, line: SurfaceCurve, name: str) -> None:
    off = np.flatnonzero(~cast.scanned[line.face])
    if len(off):
        x, y, z = (float(c) for c in line.points_mm[off[0]])
        raise InputError(
            f"the {name} runs off the scanned surface onto the base",
            places_mm=[(x, y, z)],
            fix="Move its points onto the tissue.",
        )


def _notes(settings: BeadSettings, line: SurfaceCurve) -> tuple[str, ...]:
    notes = []
    for what, size_mm in (("wide", settings.width_mm), ("deep", settings.depth_mm)):
        if not 0.5 - 1e-9 <= size_mm <= 1.0 + 1e-9:
            notes.append(f"{size_mm:g} mm {what}, usually 0.5 to 1.0 mm (published)")
    if settings.on_lower:
        notes.append("a bead on a lower cast, as asked")
    if line.length_mm < 2.0 * settings.fade_mm:
        notes.append("so short that it fades from both ends before it is full")
    return tuple(notes)
