"""Shaped blockout: the ledge under an arm, and the window above it that stays free of wax.

Seen along the path an arm's lower border runs round its tooth. At each of its points the ledge's
top is a level shelf, or one that falls outward: from the tooth to the wall of the undercut region
at that height, and further out by the shelf's width. Its edge is sharp, its outer wall runs down
along the path, and all below it is filled down to the gingiva, or to the floor where none is met.
The window is all that lies above that shelf, and above the tip where that lies ahead of the lower
border's end: other wax is cut by it, so the surface that the arm touches stays bare, and its
terminal as deep as it was laid.

The ledge runs out past the arm's tip, where its edge draws back to the wall of the undercut, and
within the arm's origin, where nothing is to stand in the way of what joins it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from blockout.arms.arm import Arm
from blockout.arms.band import surface_near
from blockout.case.arm_settings import LedgeSettings
from blockout.errors import CheckError
from blockout.kernel.solids import Solid
from blockout.mesh import Floats, Ints, Mesh
from blockout.surveying.survey import Survey
from blockout.tolerances import TOLERANCES, Tolerances
from blockout.wax.ledge_border import Border, Round, placed

INTO_CAST_MM: Final = 0.6
"""How deep a ledge reaches into tooth and gingiva, so that it overlaps the cast everywhere."""
_UNDER_TOP_MM: Final = 0.002
_DRAWN_BACK_MM: Final = 0.02
_ACROSS_MM: Final = 0.4
_RISE_MM: Final = 0.5
_LEVELS: Final = 12
_WINDOW_PART: Final = 1.0 / 3.0
_DOWN: Final = np.array([0.0, 0.0, -1.0])
_UP: Final = np.array([0.0, 0.0, 1.0])


@dataclass(frozen=True, eq=False)
class LedgeBulk:
    """The ledge of one arm before the cast is cut off it, and its window.

    Parameters
    ----------
    name : str
        Of the arm.
    solid : Solid
        The ledge, reaching into the cast; file coordinates. Empty for a bar clasp's approach arm.
    window : Solid
        What is kept free of all other wax; file coordinates.
    shelf_area_mm2 : float
        Area of the ledge's top, from the tooth to its edge.
    border_mm, edge_mm : (k, 3) float
        The arm's lower border, on which the shelf stands, and the shelf's outer edge; file
        coordinates.
    notes : tuple of str
    """

    name: str
    solid: Solid
    window: Solid
    shelf_area_mm2: float
    border_mm: Floats
    edge_mm: Floats
    notes: tuple[str, ...] = ()


def ledge_bulk(
    survey: Survey,
    arm: Arm,
    settings: LedgeSettings | None = None,
    *,
    tolerances: Tolerances = TOLERANCES,
) -> LedgeBulk:
    """The ledge of an arm along the survey's path, and the arm's window.

    Parameters
    ----------
    survey : Survey
        Of the cast on which the arm was laid.
    arm : Arm
    settings : LedgeSettings

    Raises
    ------
    InputError
        The arm doubles back as seen along the path.
    CheckError
        The kernel did not take the body as it was made.
    """
    settings = settings or LedgeSettings()
    if arm.form == "bar":
        return _bar_window(survey, arm)
    round_ = Round.about(survey, arm)
    border = round_.border(settings, arm)
    ledge, shelf_mm2, edge = _ledge_block(survey, round_, border, settings)
    window = _window_block(round_, round_.with_tip(border, arm), settings)
    floor_up = round_.turned_up(survey.cast.frame.up)
    origin = survey.cast.frame.matrix[:3, 3] + survey.cast.frame.up * survey.cast.floor_mm
    floor_mm = float((round_.local(origin[None])[0]) @ floor_up)
    solid = _taken(ledge, tolerances)
    if float((ledge.vertices @ floor_up).min()) < floor_mm:
        solid = solid.above_plane(floor_up, floor_mm)
    free = _taken(window, tolerances)
    to_file = round_.to_file_matrix()
    return LedgeBulk(
        name=arm.name,
        solid=solid.turned(to_file),
        window=free.turned(to_file),
        shelf_area_mm2=shelf_mm2,
        border_mm=round_.to_file(border.points()),
        edge_mm=round_.to_file(edge),
        notes=_notes(arm, border, settings),
    )


# --- blocks --------------------------------------------------------------------------------------
def _ledge_block(
    survey: Survey, round_: Round, border: Border, settings: LedgeSettings
) -> tuple[Mesh, float, Floats]:
    """The ledge as a block of its own frame; the area of its shelf; its edge."""
    along = border.along_mm()
    tip_mm = float(along[border.part == 0][-1])
    run_mm = settings.run_out_mm
    outer = border.widened_mm(settings.shelf_mm)
    inside = (border.part == 0) | ((border.part == 1) & (along <= tip_mm + run_mm))
    here, outer, along = border.where(inside), outer[inside], along[inside]
    if run_mm > 0.0:
        stays = np.clip(np.minimum(along, tip_mm + run_mm - along) / run_mm, 0.0, 1.0)
        back = here.wall_mm - _DRAWN_BACK_MM
        outer = back + (outer - back) * stays
    inner_mm, bottom_mm = _depths_of_fill(survey, round_, here, outer)
    stand = np.minimum(here.radius_mm, outer - 0.01)
    inner_mm = np.minimum(inner_mm, stand - 0.05)
    across = _across(inner_mm, stand, outer)
    top = here.height_mm[:, None] - _fallen_mm(here, across, settings)
    levels = max(2, int(np.ceil(float((here.height_mm - bottom_mm).max()) / _RISE_MM)))
    share = np.linspace(0.0, 1.0, levels + 1)
    height = bottom_mm[:, None, None] + share * (top - bottom_mm[:, None])[:, :, None]
    block = _block(here, across, height)
    stood = across.shape[1] // 2  # the column of nodes on the border
    shelf_mm2 = _strip_area_mm2(here, across[:, stood:], top[:, stood:])
    edge = placed(here.turn, here.azimuth, outer, top[:, -1])
    return block, shelf_mm2, edge


def _window_block(round_: Round, border: Border, settings: LedgeSettings) -> Mesh:
    """All above the arm's shelf, from just inside the tooth to above its edge."""
    outer = border.widened_mm(settings.shelf_mm)
    own = border.part == 0
    here, outer = border.where(own), outer[own]
    inner = np.maximum(here.radius_mm - INTO_CAST_MM, 0.3 * here.radius_mm)
    across = _across(inner, here.radius_mm, outer)
    low = here.height_mm[:, None] - _fallen_mm(here, across, settings) - _UNDER_TOP_MM
    flat = np.hypot(round_.surface.vertices[:, 0], round_.surface.vertices[:, 1])
    crown = flat < float(outer.max())
    top_mm = float(round_.surface.vertices[crown, 2].max()) + 1.0
    levels = max(2, int(np.ceil((top_mm - float(low.min())) / _RISE_MM)))
    share = np.linspace(0.0, 1.0, levels + 1)
    return _block(here, across, low[:, :, None] + share * (top_mm - low)[:, :, None])


def _fallen_mm(here: Border, across: Floats, settings: LedgeSettings) -> Floats:
    """(k, n) how far the top lies under the border: it falls outward, and is level within."""
    out_mm = np.maximum(across - here.radius_mm[:, None], 0.0)
    fallen_mm: Floats = out_mm * np.tan(np.radians(settings.fall_deg))
    return fallen_mm


def _depths_of_fill(
    survey: Survey, round_: Round, here: Border, outer: Floats
) -> tuple[Floats, Floats]:
    """(k,) radius and height to which the ledge reaches at each place, inside tooth and gingiva.

    From the shelf's outer wall level rays look back to the tooth, and rays down from there and from
    under the shelf find the gingiva. Where none is met the ledge goes down to the floor.
    """
    out = round_.out(here.azimuth)
    count = len(out)
    lowest_mm = float(round_.local(survey.cast.mesh.vertices)[:, 2].min()) - 1.0
    start_mm = np.maximum(outer, here.wall_mm + 0.03)
    edge = start_mm[:, None] * out + (here.height_mm - 0.01)[:, None] * _UP
    fallen = round_.scene.first_hit(edge, _DOWN)
    met = fallen.face >= 0
    ground = np.where(met, here.height_mm - 0.01 - fallen.distance_mm, lowest_mm)
    share = np.linspace(0.02, 0.98, _LEVELS)
    level = ground[:, None] + share * (here.height_mm - ground)[:, None]
    origins = np.repeat(start_mm[:, None] * out, _LEVELS, axis=0)
    origins[:, 2] = level.reshape(-1)
    back = round_.scene.first_hit(origins, -np.repeat(out, _LEVELS, axis=0))
    seen = (back.face >= 0) & (back.distance_mm < np.repeat(start_mm, _LEVELS))
    tooth_mm = np.where(
        seen, np.repeat(start_mm, _LEVELS) - back.distance_mm, np.repeat(here.radius_mm, _LEVELS)
    ).reshape(count, _LEVELS)
    under = np.repeat(out, _LEVELS, axis=0) * (tooth_mm.reshape(-1) + 0.05)[:, None]
    under[:, 2] = level.reshape(-1)
    down = round_.scene.first_hit(under, _DOWN)
    fell = np.where(down.face >= 0, level.reshape(-1) - down.distance_mm, ground.repeat(_LEVELS))
    foot = np.minimum(ground, fell.reshape(count, _LEVELS).min(axis=1))
    # neighbours count too: between two places the gingiva may dip
    bottom = _least_of_neighbours(foot) - INTO_CAST_MM
    bottom = np.minimum(np.maximum(bottom, lowest_mm), here.height_mm - 2.0 * INTO_CAST_MM)
    inner = _least_of_neighbours(np.minimum(tooth_mm.min(axis=1), here.radius_mm)) - INTO_CAST_MM
    return np.maximum(inner, 0.15 * here.radius_mm), bottom


def _least_of_neighbours(values: Floats) -> Floats:
    padded = np.r_[values[:1], values, values[-1:]]
    least: Floats = np.minimum(np.minimum(padded[:-2], padded[1:-1]), padded[2:])
    return least


def _across(inner: Floats, stand: Floats, outer: Floats) -> Floats:
    """(k, n) radii from the inner wall over the border, in the middle column, to the outer wall."""
    widest_mm = max(float((stand - inner).max()), float((outer - stand).max()))
    parts = max(2, int(np.ceil(widest_mm / _ACROSS_MM)))
    share = np.linspace(0.0, 1.0, parts + 1)
    inward = inner[:, None] + share * (stand - inner)[:, None]
    outward = stand[:, None] + share * (outer - stand)[:, None]
    return np.concatenate([inward, outward[:, 1:]], axis=1)


def _block(here: Border, across: Floats, height: Floats) -> Mesh:
    """The closed surface of a block of nodes: places along the border by radii by heights.

    Parameters
    ----------
    across : (k, n)
    height : (k, n, h)
    """
    k, n, h = height.shape
    nodes = placed(
        here.turn,
        np.broadcast_to(here.azimuth[:, None, None], height.shape),
        np.broadcast_to(across[:, :, None], height.shape),
        height,
    ).reshape(-1, 3)
    number = np.arange(k * n * h).reshape(k, n, h)
    sheets = (
        (number[0], False), (number[-1], True),
        (number[:, 0], True), (number[:, -1], False),
        (number[:, :, 0], False), (number[:, :, -1], True),
    )  # fmt: skip
    faces = [_sheet(nodes, grid, reverse=flip) for grid, flip in sheets]
    joined = np.concatenate(faces)
    used, own = np.unique(joined, return_inverse=True)
    mesh = Mesh(nodes[used], own.reshape(-1, 3))
    return mesh if mesh.volume_mm3 > 0.0 else mesh.reversed()


def _sheet(nodes: Floats, grid: Ints, *, reverse: bool) -> Ints:
    """Two triangles for each quad of a grid of nodes, split along the shorter diagonal."""
    a, b, c, d = (
        part.reshape(-1) for part in (grid[:-1, :-1], grid[1:, :-1], grid[1:, 1:], grid[:-1, 1:])
    )
    one = np.linalg.norm(nodes[a] - nodes[c], axis=1) <= np.linalg.norm(nodes[b] - nodes[d], axis=1)
    first = np.where(one[:, None], np.stack([a, b, c], 1), np.stack([a, b, d], 1))
    second = np.where(one[:, None], np.stack([a, c, d], 1), np.stack([b, c, d], 1))
    faces = np.concatenate([first, second])
    return faces[:, ::-1] if reverse else faces


def _strip_area_mm2(here: Border, across: Floats, height: Floats) -> float:
    nodes = placed(here.turn, np.broadcast_to(here.azimuth[:, None], across.shape), across, height)
    number = np.arange(across.size).reshape(across.shape)
    flat = nodes.reshape(-1, 3)
    return float(Mesh(flat, _sheet(flat, number, reverse=False)).face_areas_mm2.sum())


def _taken(mesh: Mesh, tolerances: Tolerances) -> Solid:
    """The block as a solid that the kernel took as it was made."""
    solid = Solid.from_mesh(mesh)
    off_mm3 = abs(solid.volume_mm3 - mesh.volume_mm3)
    allowed_mm3 = tolerances.volume_relative * mesh.volume_mm3
    if off_mm3 > allowed_mm3:
        raise CheckError(
            "the solid kernel changed a ledge while taking it",
            measured=f"volume off by {off_mm3:.3g} mm3, allowed {allowed_mm3:.3g}",
            fix="This is a fault of blockout; scan, arm and path would help to mend it.",
        )
    return solid


# --- bar clasps ----------------------------------------------------------------------------------
def _bar_window(survey: Survey, arm: Arm) -> LedgeBulk:
    """No ledge: the arm comes from below. The last third of its band is kept free, straight out."""
    path = survey.path.direction
    first = int(np.ceil(len(arm.centre) * (1.0 - _WINDOW_PART)))
    lower, upper = arm.lower[first:], arm.upper[first:]
    band = np.concatenate([lower, upper[::-1]])
    middle = band.mean(axis=0)
    out = middle - arm.about_mm
    out = out - path * float(out @ path)
    out /= np.linalg.norm(out)
    # looking back along ``out``: right, up, and toward the eye
    axes = np.stack([np.cross(path, out), path, out])
    flat = (band - middle) @ axes.T
    depth = (surface_near(survey, arm.centre[first:], near_mm=1.5).vertices - middle) @ out
    column = Solid.column(
        flat[:, :2], low_mm=float(flat[:, 2].min()) - INTO_CAST_MM, high_mm=float(depth.max()) + 1.0
    )
    to_file = np.eye(4)
    to_file[:3, :3], to_file[:3, 3] = axes.T, middle
    return LedgeBulk(
        name=arm.name,
        solid=Solid.empty(),
        window=column.turned(to_file),
        shelf_area_mm2=0.0,
        border_mm=np.zeros((0, 3)),
        edge_mm=np.zeros((0, 3)),
        notes=("an approach arm has no ledge: only the last third of its band is kept free",),
    )


def _notes(arm: Arm, border: Border, settings: LedgeSettings) -> tuple[str, ...]:
    notes = []
    past_mm = float(border.along_mm()[-1] - border.along_mm()[border.part == 0][-1])
    if past_mm < settings.run_out_mm:
        notes.append(
            f"the ledge of {arm.name!r} runs out over {past_mm:.1f} mm only: the tooth ends there"
        )
    return tuple(notes)
