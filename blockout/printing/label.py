"""A text label in the underside of the base: engraved, or raised in a sunk field.

Letters that stood out under the base would lift it; so raised letters end level with it, and the
field around them is sunk.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from scipy.ndimage import distance_transform_edt

from blockout.cast.change import place_of
from blockout.errors import CheckError, InputError, Place
from blockout.kernel.rays import RayScene
from blockout.kernel.solids import Solid
from blockout.mesh import Bools, Floats, Ints, Mesh
from blockout.printing.letters import drawable, letters, plain_text, text_size_mm

_RASTER_MM: Final = 0.25
_EDGE_MM: Final = 1.0
"""Kept free around the label: from the border of the underside, vents and lines scored there."""
_FIELD_MM: Final = 0.6
"""How far a sunk field reaches around raised letters."""
_TURNS_DEG: Final = (0.0, 90.0, *range(15, 90, 15), *range(105, 180, 15))
_LINE_LETTERS: Final = 12
_UNDER_MM: Final = 1.0
_OFF_MM: Final = 1e-4
_VOLUME_SHARE: Final = 1e-6


@dataclass(frozen=True, eq=False)
class Labelled:
    """A model with a label.

    Parameters
    ----------
    mesh : Mesh
    lines : tuple of str
        As drawn.
    at_mm : (x, y, z)
        Middle of the label, on the underside.
    turned_deg : float
        By how much the text is turned about z, anticlockwise seen from above.
    depth_mm : float
    cut_mm3 : float
        Volume that was taken away.
    """

    mesh: Mesh
    lines: tuple[str, ...]
    at_mm: Place
    turned_deg: float
    depth_mm: float
    cut_mm3: float


def label_lines(text: str) -> list[str]:
    """Lines of a label, parted by ``|``, as letters are drawn for.

    Raises
    ------
    InputError

    >>> label_lines("Case 7 | a 4, l -2")
    ['CASE 7', 'A 4, L -2']
    """
    lines = [plain_text(" ".join(line.split())) for line in text.split("|")]
    lines = [line for line in lines if line]
    if not lines:
        raise InputError("the label is empty", fix="Write some text with --label, or leave it out.")
    return lines


def case_label(name: str, *, anterior_tilt_deg: float, lateral_tilt_deg: float) -> str:
    """A label's text from what a build knows: the case's name, in lines of about twelve letters,
    and both tilts in one line.

    >>> case_label("Lower arch of 7 May", anterior_tilt_deg=-4.0, lateral_tilt_deg=2.5)
    'LOWER ARCH|OF 7 MAY|A -4 L 2.5'
    """
    lines = [""]
    for word in drawable(name).split():
        if lines[-1] and len(lines[-1]) + 1 + len(word) > _LINE_LETTERS:
            lines.append("")
        lines[-1] = f"{lines[-1]} {word}".strip()
    tilts = (round(tilt, 2) + 0.0 for tilt in (anterior_tilt_deg, lateral_tilt_deg))
    said = "A {:g} L {:g}".format(*tilts)
    return "|".join([*filter(None, lines), said])


def labelled(
    model: Mesh,
    lines: list[str],
    *,
    height_mm: float,
    depth_mm: float,
    style: Literal["engraved", "raised"] = "engraved",
    over_mm: float = 1.0,
) -> Labelled:
    """Put a label into the level underside of a model that stands at z = 0.

    Parameters
    ----------
    model : Mesh
        Closed; hollow or solid, mm.
    lines : list of str
        See :func:`label_lines`.
    height_mm, depth_mm : float
        Of a capital; of the label.
    style : "engraved" or "raised"
    over_mm : float
        What must be left above the label, at the least.

    Raises
    ------
    InputError
        The underside has no room for it, or what is above it is too thin.
    CheckError
        What was cut is not as deep as asked.
    KernelError
    """
    width, tall = text_size_mm(lines, height_mm=height_mm)
    if style == "raised":
        width, tall = width + 2.0 * _FIELD_MM, tall + 2.0 * _FIELD_MM
    place, turn_deg = _room_for(model, (width, tall), depth_mm + over_mm, height_mm=height_mm)
    text = letters(lines, height_mm=height_mm, low_mm=-_UNDER_MM, high_mm=depth_mm)
    section = letters(lines, height_mm=height_mm, low_mm=0.0, high_mm=1.0)
    area_mm2 = section.volume_mm3
    if style == "raised":
        field = _field(width, tall, low_mm=-_UNDER_MM, high_mm=depth_mm)
        text, area_mm2 = field - text, width * tall - area_mm2
    tool = text.turned(_from_below(place, turn_deg))
    mesh = (Solid.from_mesh(model) - tool).mesh()
    cut_mm3 = model.volume_mm3 - mesh.volume_mm3
    due_mm3 = area_mm2 * depth_mm
    if abs(cut_mm3 - due_mm3) > _VOLUME_SHARE * model.volume_mm3:
        raise CheckError(
            "the label is not as deep as asked",
            measured=f"{cut_mm3:.4f} mm3 taken away, {due_mm3:.4f} due",
            fix="This is a fault of blockout; leave --label out meanwhile.",
        )
    return Labelled(
        mesh, tuple(lines), (float(place[0]), float(place[1]), 0.0), turn_deg, depth_mm, cut_mm3
    )


def _field(width: float, tall: float, *, low_mm: float, high_mm: float) -> Solid:
    x, y = width / 2.0, tall / 2.0
    outline = np.array([[-x, -y], [x, -y], [x, y], [-x, y]])
    return Solid.column(outline, low_mm=low_mm, high_mm=high_mm)


def _from_below(place: Floats, turn_deg: float) -> Floats:
    """Text read from above, made to be read from below: mirrored in x, then turned and shifted."""
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    matrix = np.eye(4)
    matrix[:2, :2] = np.array([[c, -s], [s, c]]) @ np.diag([-1.0, 1.0])
    matrix[:2, 3] = place
    return matrix


def _room_for(
    model: Mesh, size_mm: tuple[float, float], above_mm: float, *, height_mm: float
) -> tuple[Floats, float]:
    """Middle and turn of a place for a rectangle in the underside: the first turn that fits, there
    the place with most room around.

    Raises
    ------
    InputError
    """
    places, room_mm, plan = _underside(model, above_mm)
    half = np.array(size_mm) / 2.0
    outline = _rectangle(half)
    for turn_deg in _TURNS_DEG:
        c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
        around = outline @ np.array([[c, s], [-s, c]])
        cells = np.unique(np.rint(around / _RASTER_MM).astype(np.int64), axis=0)
        free = _least_over(room_mm, cells)
        at = np.unravel_index(int(free.argmax()), free.shape)
        if free[at] >= _EDGE_MM:
            return places[at], float(turn_deg)
    area_mm2 = float(plan.sum()) * _RASTER_MM**2
    widest = np.unravel_index(int(room_mm.argmax()), room_mm.shape)
    raise InputError(
        "the underside of the base has no room for the label",
        measured=f"{size_mm[0]:.1f} x {size_mm[1]:.1f} mm, {height_mm:g} mm high; "
        f"{area_mm2:.0f} mm2 are at least {above_mm:g} mm thick, nowhere more than "
        f"{2.0 * room_mm[widest]:.1f} mm across",
        places_mm=[place_of(np.array([*places[widest], 0.0]))],
        fix="Part the text into shorter lines with | , or write smaller ones with --label-height.",
    )


def _rectangle(half: Floats) -> Floats:
    """Points that fill a rectangle, no more than the free edge apart: where all of them have that
    much room, every place between them is free.
    """
    xs, ys = (np.linspace(-h, h, int(np.ceil(2.0 * h / _EDGE_MM)) + 1) for h in half)
    return np.stack(np.meshgrid(xs, ys, indexing="ij"), axis=-1).reshape(-1, 2)


def _least_over(room_mm: Floats, cells: Ints) -> Floats:
    """For each place, the least room at the cells (k, 2) about it; outside there is none."""
    rim = int(np.abs(cells).max())
    padded = np.pad(room_mm, rim)
    least = np.full(room_mm.shape, np.inf)
    for i, j in cells + rim:
        window = padded[i : i + room_mm.shape[0], j : j + room_mm.shape[1]]
        np.minimum(least, window, out=least)
    return least


def _underside(model: Mesh, above_mm: float) -> tuple[Floats, Floats, Bools]:
    """Cells of the level underside with ``above_mm`` of material over them: their places (i, j, 2),
    the way from each to the next cell without, and which they are.
    """
    low, high = model.bounds_mm
    xs = np.arange(low[0] + _RASTER_MM / 2.0, high[0], _RASTER_MM)
    ys = np.arange(low[1] + _RASTER_MM / 2.0, high[1], _RASTER_MM)
    places = np.stack(np.meshgrid(xs, ys, indexing="ij"), axis=-1)
    points = np.column_stack([places.reshape(-1, 2), np.full(places[..., 0].size, -1.0)])
    scene = RayScene(model)
    up = np.array([0.0, 0.0, 1.0])
    first = scene.first_hit(points, up)
    level = np.abs(first.distance_mm - 1.0) <= _OFF_MM
    within = points + np.array([0.0, 0.0, 1.01])
    thick = scene.first_hit(within, up).distance_mm >= above_mm - 0.011
    plan = (level & thick).reshape(places.shape[:2])
    room_mm = distance_transform_edt(np.pad(plan, 1))[1:-1, 1:-1] * _RASTER_MM
    return places, room_mm, plan
