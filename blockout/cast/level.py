"""Which way up a scan lies, and where its front is.

The first guess of the occlusal direction comes from what lies opposite the teeth: the border of
an open scan, the flat bottom of a closed one. The cusp tips then set the plane
(:mod:`blockout.cast.cusps`) and the arch seen from above its front
(:mod:`blockout.cast.archform`). Nothing depends on the file's axes or on which side of the faces
is out, so a turned or flipped file gives the same frame, turned with it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from blockout.case.settings import Arch
from blockout.cast.archform import ArchForm, find_arch_form, middle_of_outline
from blockout.cast.axes import direction_from_text
from blockout.cast.bottom import find_flat_bottom
from blockout.cast.cusps import CuspPlane, find_cusp_plane, plane_axes, used_vertices
from blockout.cast.frame import CastFrame
from blockout.errors import InputError
from blockout.mesh import Bools, Floats, Mesh

_OPEN_SHARE: Final = 0.03
"""An opening smaller than this share of the surface is a hole, not the border of a scan."""
_BORDER_BELOW_MM: Final = 1.0
"""The surface lies at least this far over its border, on the average."""
_BORDER_CLEAR_MM: Final = 3.0
"""No tips this near to the ragged border."""
_HINT_DEG: Final = 45.0
_TIPS_LEAST: Final = 5
_REACH_LEAST_MM: Final = (7.0, 2.0)
"""Tips spread less than this along and across hold no plane: one tooth, or a straight row."""
_MIRROR_MOST_MM: Final = 2.5
_PAIRED_LEAST: Final = 0.5
_PARALLEL_DEG: Final = 1.0
_BOTH: Final = "Say which way it lies with both --up and --front, such as --up +z --front +y."


@dataclass(frozen=True, eq=False)
class FoundFrame:
    """The cast frame, and what it was read from.

    Parameters
    ----------
    frame : CastFrame
        Cast frame to file coordinates: +z occlusal, +y anterior, origin on the occlusal plane
        where the midline passes nearest the middle of the cast's outline.
    flipped : bool
        The faces look inward: the winding has to be turned.
    notes : tuple of str
        What was found and how, in plain words.
    cusp_count : int
        Cusp tips the plane was laid through; 0 where the axes were given.
    cusp_spread_mm : float
        Root mean square distance of those tips from the plane.
    tilt_deg : float
        Angle between the plane found and the first guess from border, bottom or ``up``.
    gap_deg : float
        Width of the open end of the arch, seen from its middle; 0 where the front was given.
    mirror_mm : float
        How far the arch and its mirror image are apart, root mean square.
    """

    frame: CastFrame
    flipped: bool
    notes: tuple[str, ...]
    cusp_count: int = 0
    cusp_spread_mm: float = 0.0
    tilt_deg: float = 0.0
    gap_deg: float = 0.0
    mirror_mm: float = 0.0


def find_frame(
    mesh: Mesh, *, up: str | None = None, front: str | None = None, arch: Arch = "lower"
) -> FoundFrame:
    """The cast frame of an open scan or a closed cast that may lie any way.

    Parameters
    ----------
    mesh : Mesh
        One piece, consistently wound; its outside may be turned in.
    up, front : str, optional
        Directions in the file: an axis such as ``+z``, or three numbers such as ``0,1,1``.
        ``up`` alone says which half of space the occlusal side looks into, ``front`` alone
        which way the front lies within 45 degrees. Both together are taken exactly, ``front``
        made square to ``up``, and z = 0 is then the highest point of the surface.
    arch : "lower" or "upper"
        Only decides what the notes call right and left.

    Raises
    ------
    InputError
        A direction is not one, the two are parallel, or no dental arch can be recognised; the
        message says what was measured.
    """
    up_hint = None if up is None else direction_from_text(up, option="--up")
    front_hint = None if front is None else direction_from_text(front, option="--front")
    if not mesh.triangle_count or not float(mesh.face_areas_mm2.sum()) > 0.0:
        raise InputError("the mesh has no surface to level", measured="0 mm2", fix=None)
    opening = _opening(mesh)
    if up_hint is not None and front_hint is not None:
        return _stated(mesh, opening, up_hint, front_hint, arch)

    start, notes = _first_up(mesh, opening, up_hint)
    plane = _plane(mesh, start)
    measured = _plane_shortfall(plane)
    if plane is None or measured is not None:
        raise InputError("the occlusal plane cannot be told", measured=measured, fix=_BOTH)
    form, front_way, on_midline_mm, front_note = _front(mesh, plane, front_hint)

    frame = CastFrame.from_axes(origin_mm=on_midline_mm, up=plane.up, front=front_way)
    flipped = _faces_look_in(mesh, opening, plane.up)
    tilt_deg = float(np.degrees(np.arccos(np.clip(plane.up @ start, -1.0, 1.0))))
    notes += (
        f"the occlusal plane lies through {len(plane.tips)} cusp tips, {plane.spread_mm:.2f} mm "
        f"off it (rms), {tilt_deg:.1f} degrees from the first guess",
        front_note,
        *_side_notes(flipped, arch),
    )
    return FoundFrame(
        frame=frame,
        flipped=flipped,
        notes=notes,
        cusp_count=len(plane.tips),
        cusp_spread_mm=plane.spread_mm,
        tilt_deg=tilt_deg,
        gap_deg=0.0 if form is None else form.gap_deg,
        mirror_mm=0.0 if form is None else form.mirror_mm,
    )


def _stated(
    mesh: Mesh, opening: Floats | None, up: Floats, front: Floats, arch: Arch
) -> FoundFrame:
    """Exactly the axes given; z = 0 at the highest point, x = y = 0 at the outline's middle."""
    apart_deg = float(np.degrees(np.arccos(np.clip(abs(up @ front), 0.0, 1.0))))
    if apart_deg < _PARALLEL_DEG:
        raise InputError(
            "--up and --front point along the same line",
            measured=f"{apart_deg:.2f} degrees apart, at least {_PARALLEL_DEG:g} needed",
            fix="Give two directions that stand square to each other, such as --up +z --front +y.",
        )
    axes = plane_axes(up, front)
    placed = mesh.vertices[used_vertices(mesh)] @ axes.T
    origin = np.array([*middle_of_outline(placed[:, :2]), placed[:, 2].max()]) @ axes
    flipped = _faces_look_in(mesh, opening, up)
    return FoundFrame(
        frame=CastFrame.from_axes(origin_mm=origin, up=up, front=front),
        flipped=flipped,
        notes=(
            "up and front are as stated; z = 0 is the highest point of the surface",
            *_side_notes(flipped, arch),
        ),
    )


def _side_notes(flipped: bool, arch: Arch) -> tuple[str, ...]:
    side = "+x" if arch == "lower" else "-x"
    notes = (f"{arch} arch: the patient's right is at {side}",)
    return (*notes, "the faces looked inward and were turned") if flipped else notes


def _opening(mesh: Mesh) -> Floats | None:
    """(3,) area vector of the opening of an open scan, by the winding as it is; None for a mesh
    that is closed but for small holes.
    """
    area_vector: Floats = mesh.face_crosses.sum(axis=0) / 2.0  # zero for a closed surface
    size = float(np.linalg.norm(area_vector))
    return area_vector if size >= _OPEN_SHARE * float(mesh.face_areas_mm2.sum()) else None


def _faces_look_in(mesh: Mesh, opening: Floats | None, up: Floats) -> bool:
    return mesh.volume_mm3 < 0.0 if opening is None else bool(opening @ up < 0.0)


def _border_edges(mesh: Mesh) -> tuple[Floats, Floats]:
    """(k, 3) both ends of the edges of the longest border, mm."""
    start, end = mesh.halfedges[mesh.twin_halfedges < 0].T
    size = len(mesh.vertices)
    graph = coo_matrix((np.ones(len(start), dtype=np.int8), (start, end)), shape=(size, size))
    loop = connected_components(graph, directed=False)[1][start]
    lengths = np.linalg.norm(mesh.vertices[end] - mesh.vertices[start], axis=1)
    longest = loop == int(np.argmax(np.bincount(loop, lengths)))
    return mesh.vertices[start[longest]], mesh.vertices[end[longest]]


def _first_up(
    mesh: Mesh, opening: Floats | None, hint: Floats | None
) -> tuple[Floats, tuple[str, ...]]:
    """First guess of the occlusal direction, and where it comes from."""
    try:
        seen, note = (
            _up_from_border(mesh, opening) if opening is not None else _up_from_bottom(mesh)
        )
    except InputError:
        if hint is None:
            raise
        return hint, ("up starts from the direction stated",)
    if hint is None:
        return seen, (note,)
    if seen @ hint < 0.0:
        seen, note = -seen, "up is on the side stated, against what the border or bottom says"
    if seen @ hint < np.cos(np.radians(_HINT_DEG)):
        return hint, ("up starts from the direction stated",)
    return seen, (note,)


def _up_from_border(mesh: Mesh, opening: Floats) -> tuple[Floats, str]:
    """Square to the opening, away from the border: that lies on the gingival side."""
    square = opening / np.linalg.norm(opening)
    start, end = _border_edges(mesh)
    lengths = np.linalg.norm(end - start, axis=1)
    border = lengths @ (start + end) / 2.0 / lengths.sum()
    middle = mesh.face_areas_mm2 @ mesh.face_centres / mesh.face_areas_mm2.sum()
    over_mm = float((middle - border) @ square)
    if abs(over_mm) < _BORDER_BELOW_MM:
        raise InputError(
            "the occlusal side cannot be told from the border",
            measured=f"the surface lies {abs(over_mm):.2f} mm to one side of its border on the "
            f"average, {_BORDER_BELOW_MM:g} mm needed",
            fix=_BOTH,
        )
    return np.copysign(1.0, over_mm) * square, "up was read from the border of the open scan"


def _up_from_bottom(mesh: Mesh) -> tuple[Floats, str]:
    bottom = find_flat_bottom(mesh)
    if bottom is None:
        raise InputError(
            "the occlusal side cannot be told: the mesh is closed and has no flat bottom",
            measured="no plane holds a fifth of its outline within 0.1 mm",
            fix="Say where the teeth look with --up, such as --up +z, or give --up and --front.",
        )
    return -bottom.outward, f"up was read from the flat bottom of {bottom.area_mm2:.0f} mm2"


def _plane(mesh: Mesh, start: Floats) -> CuspPlane | None:
    points = mesh.vertices[used_vertices(mesh)]
    spread = np.linalg.eigh(np.cov((points - points.mean(axis=0)).T))[1]
    # the longest axis of the body that is not along the first guess
    toward = spread[:, 2] if abs(spread[:, 2] @ start) < 0.9 else spread[:, 1]
    return find_cusp_plane(mesh, _may_be_tips(mesh), up=start, toward=toward)


def _may_be_tips(mesh: Mesh) -> Bools:
    eligible = np.zeros(len(mesh.vertices), dtype=bool)
    eligible[mesh.faces.reshape(-1)] = True
    open_edges = mesh.halfedges[mesh.twin_halfedges < 0]
    if len(open_edges):
        border = cKDTree(mesh.vertices[np.unique(open_edges)])
        apart = border.query(mesh.vertices, distance_upper_bound=_BORDER_CLEAR_MM)[0]
        eligible &= ~np.isfinite(apart)
    return eligible


def _plane_shortfall(plane: CuspPlane | None) -> str | None:
    """What keeps the tips from holding a plane, measured; None when they do."""
    count = 0 if plane is None else len(plane.tips)
    if plane is None or count < _TIPS_LEAST:
        return f"{count} cusp tips on one plane, {_TIPS_LEAST} needed"
    along, across = plane.reach_mm
    if along < _REACH_LEAST_MM[0] or across < _REACH_LEAST_MM[1]:
        return (
            f"{count} cusp tips spread {along:.1f} mm along and {across:.1f} mm across (standard "
            f"deviation), {_REACH_LEAST_MM[0]:g} and {_REACH_LEAST_MM[1]:g} mm needed"
        )
    return None


def _front(
    mesh: Mesh, plane: CuspPlane, hint: Floats | None
) -> tuple[ArchForm | None, Floats, Floats, str]:
    """The arch form, the anterior direction, the origin, and a note."""
    points = mesh.vertices[used_vertices(mesh)]
    flat_hint = None if hint is None else hint - plane.up * float(hint @ plane.up)
    if flat_hint is not None and np.linalg.norm(flat_hint) < np.sin(np.radians(_PARALLEL_DEG)):
        raise InputError(
            "--front stands square on the occlusal plane found",
            measured=f"less than {_PARALLEL_DEG:g} degree from its normal",
            fix=_BOTH,
        )
    # longest axis of the surface in the plane: fixed to the body, whatever the file's axes
    spare = np.linalg.eigh(np.cov((points - points.mean(axis=0)).T))[1]
    toward = spare[:, 2] if abs(spare[:, 2] @ plane.up) < 0.9 else spare[:, 1]
    axes = plane_axes(plane.up, toward)
    placed = points @ axes.T - np.array([0.0, 0.0, plane.height_mm])
    lead = None
    if flat_hint is not None:
        lead = (axes @ flat_hint)[:2] / np.linalg.norm(flat_hint)
    form = find_arch_form(placed, toward=lead)
    unclear = form if isinstance(form, str) else _front_shortfall(form)
    if isinstance(form, ArchForm) and unclear is None:
        front = np.array([*form.front, 0.0]) @ axes
        origin = np.array([*form.on_midline_mm, plane.height_mm]) @ axes
        note = (
            f"front is opposite the open end of the arch ({form.gap_deg:.0f} degrees wide); its "
            f"two sides mirror each other to {form.mirror_mm:.2f} mm (rms)"
        )
        return form, front, origin, note
    if flat_hint is None:
        raise InputError("the front of the arch cannot be told", measured=unclear, fix=_BOTH)
    origin = np.array([*middle_of_outline(placed[:, :2]), plane.height_mm]) @ axes
    return None, flat_hint, origin, f"front is as stated, no midline was found: {unclear}"


def _front_shortfall(form: ArchForm) -> str | None:
    if form.paired_share < _PAIRED_LEAST:
        return (
            f"{form.paired_share:.0%} of the crest has a partner across the best midline, "
            f"{_PAIRED_LEAST:.0%} needed"
        )
    if form.mirror_mm > _MIRROR_MOST_MM:
        return (
            f"the two sides mirror each other to {form.mirror_mm:.1f} mm, "
            f"{_MIRROR_MOST_MM:g} mm or better needed"
        )
    return None
