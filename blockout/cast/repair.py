"""Mending a scan: one clean, consistently wound sheet out of what a scanner left.

Vertices are never moved. What is wrong is dropped or, where that leaves a small hole, replaced by
a film; each kind of mending is told as a :class:`Change`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from blockout.cast.change import Change, gathered, places
from blockout.cast.holes import fill_hole
from blockout.cast.pieces import border_loops, loop_length_mm, one_sheet, piece_areas_mm2
from blockout.errors import DefectError, KernelError
from blockout.kernel.surfaces import self_intersections
from blockout.mesh import Bools, Floats, Ints, Mesh

FLAT_MM: Final = 1e-7
"""A face less high than this has no area to speak of; its edge is turned, no vertex moves."""
SPIKE_EDGE: Final = 2.5
SPIKE_HEIGHT: Final = 3.0
"""A spike: a vertex whose every edge is longer than ``SPIKE_EDGE`` usual ones, and which stands
``SPIKE_HEIGHT`` times higher over its neighbours than they lie around their middle; ours: twice
as sharp as the sharpest cusp."""
CROSSING_SHARE: Final = 0.02
"""More faces than this share cutting through each other is no scan; ours."""
_MANY_PIECES: Final = 40  # more than teeth in an arch
_ROUNDS: Final = 5


@dataclass(frozen=True, eq=False)
class Repaired:
    """A single sheet: manifold, consistently wound, free of self-intersections, closed or with
    one border.

    Parameters
    ----------
    mesh : Mesh
        Vertices that came from the scan come first, in their old order and to the bit.
    original : (m,) bool
        Faces of the scan; the others fill holes.
    changes : tuple of Change
    """

    mesh: Mesh
    original: Bools
    changes: tuple[Change, ...]


def repair(mesh: Mesh, *, stray_share: float, hole_length_mm: float) -> Repaired:
    """Mend ``mesh``.

    Raises
    ------
    DefectError
        A second piece larger than ``stray_share`` of the largest; a hole longer than
        ``hole_length_mm`` around; a surface that turns back on itself like a Moebius band; faces
        that cut through each other in too many places.
    """
    changes: list[Change] = []
    for step in (
        _without_collapsed,
        _with_seams_joined,
        _without_duplicates,
        _without_fins,
        _wound_alike,
        _with_flat_faces_turned,
    ):
        mesh, change = step(mesh)
        changes += change
    mesh, change = _without_strays(mesh, stray_share)
    changes += change
    before = mesh
    mesh, change = _without_spikes(mesh)
    changes += change
    ours = _rim_of_dropped(before, mesh)
    mesh, change = _as_one_sheet(mesh)
    changes += change
    mesh, change = _wound_outward(mesh)
    changes += change
    _refuse_tangle(mesh)
    count = mesh.triangle_count
    mesh, change = _with_holes_filled(mesh, hole_length_mm, ours)
    changes += change
    original = np.arange(mesh.triangle_count) < count
    mesh, original, change = _without_crossings(mesh, original, hole_length_mm)
    changes += change
    return Repaired(mesh.part(np.ones(mesh.triangle_count, dtype=bool)), original, tuple(changes))


def _dropped(mesh: Mesh, drop: Bools, step: str, words: str) -> tuple[Mesh, list[Change]]:
    """Without the faces; ``words`` follow "dropped N ..."."""
    if not drop.any():
        return mesh, []
    points = mesh.face_centres[drop]
    count = int(drop.sum())
    change = Change(
        step=step,
        touched=count,
        unit="faces",
        message=f"dropped {count} {words}",
        places_mm=places(gathered(points)),
        extent_mm=float(np.ptp(mesh.corners[drop], axis=1).max()),
    )
    return Mesh(mesh.vertices, mesh.faces[~drop]), [change]


def _without_collapsed(mesh: Mesh) -> tuple[Mesh, list[Change]]:
    drop = (mesh.faces == np.roll(mesh.faces, 1, axis=1)).any(axis=1)
    return _dropped(mesh, drop, "collapsed", "faces without three different corners")


def _edge_uses(mesh: Mesh) -> Ints:
    """(3 m,) how many faces the edge of each halfedge has."""
    order, _, count = mesh.edge_runs
    uses = np.empty(len(order), dtype=np.int64)
    uses[order] = np.repeat(count, count)
    return uses


def _with_seams_joined(mesh: Mesh) -> tuple[Mesh, list[Change]]:
    """Join vertices where two open edges, or the two ends of one edge, fall together exactly."""
    uses = _edge_uses(mesh)
    start, end = mesh.halfedges.T
    nil = (mesh.vertices[start] == mesh.vertices[end]).all(axis=1)
    open_edges = np.flatnonzero(uses == 1)
    concerned = np.flatnonzero(_at(mesh, start[open_edges], end[open_edges], start[nil], end[nil]))
    spot = _same_points(mesh.vertices[concerned])
    spot_of = np.full(len(mesh.vertices), -1, dtype=np.int64)
    spot_of[concerned] = spot
    a, b = spot_of[start[open_edges]], spot_of[end[open_edges]]
    key = np.minimum(a, b) * np.int64(len(concerned) + 1) + np.maximum(a, b)
    order = np.argsort(key, kind="stable")
    again = np.flatnonzero(key[order][1:] == key[order][:-1])
    seam = open_edges[order[np.r_[again, again + 1]]]
    joined = np.flatnonzero(_at(mesh, start[seam], end[seam], start[nil], end[nil]))
    if not len(joined):
        return mesh, []
    first_at = np.full(len(concerned), len(mesh.vertices), dtype=np.int64)
    np.minimum.at(first_at, spot_of[joined], joined)
    target = np.arange(len(mesh.vertices))
    target[joined] = first_at[spot_of[joined]]
    moved = np.flatnonzero(target != np.arange(len(target)))
    if not len(moved):
        return mesh, []
    faces = target[mesh.faces]
    collapsed = (faces == np.roll(faces, 1, axis=1)).any(axis=1)
    change = Change(
        step="seams",
        touched=len(moved),
        unit="vertices",
        message=f"joined {len(moved)} vertices to others at exactly the same point"
        + (f", which left {int(collapsed.sum())} faces without area" if collapsed.any() else ""),
        places_mm=places(gathered(mesh.vertices[moved])),
    )
    return Mesh(mesh.vertices, faces[~collapsed]), [change]


def _same_points(points: Floats) -> Ints:
    """(k,) a number for each point, the same for points with the same three coordinates."""
    columns = (points + 0.0).T  # + 0.0 makes one zero of two
    order = np.lexsort(columns)
    ordered = columns[:, order]
    new = np.ones(len(order), dtype=bool)
    new[1:] = (ordered[:, 1:] != ordered[:, :-1]).any(axis=0)
    numbers = np.empty(len(order), dtype=np.int64)
    numbers[order] = np.cumsum(new) - 1
    return numbers


def _without_duplicates(mesh: Mesh) -> tuple[Mesh, list[Change]]:
    low, middle, high = np.sort(mesh.faces, axis=1).T
    key = low * np.int64(len(mesh.vertices)) + middle
    order = np.lexsort((high, key))  # stable: the first of equals stays
    again = (key[order][1:] == key[order][:-1]) & (high[order][1:] == high[order][:-1])
    drop = np.zeros(mesh.triangle_count, dtype=bool)
    drop[order[1:][again]] = True
    return _dropped(mesh, drop, "duplicates", "faces that were there twice")


def _with_flat_faces_turned(mesh: Mesh) -> tuple[Mesh, list[Change]]:
    """Where a corner lies on the opposite edge, give that edge to its two neighbours instead."""
    turned: list[Floats] = []
    for _ in range(_ROUNDS):
        sides = np.stack(
            [
                np.linalg.norm(mesh.corners[:, (k + 1) % 3] - mesh.corners[:, k], axis=1)
                for k in range(3)
            ],
            axis=1,
        )
        longest = sides.argmax(axis=1)
        height = 2.0 * mesh.face_areas_mm2 / np.maximum(sides.max(axis=1), 1e-300)
        flat = np.flatnonzero(height < FLAT_MM)
        twins = mesh.twin_halfedges[longest[flat] * mesh.triangle_count + flat]
        flat, twins = flat[twins >= 0], twins[twins >= 0]
        if not len(flat):
            break
        faces = mesh.faces.copy()
        busy = np.zeros(mesh.triangle_count, dtype=bool)
        for face, twin in zip(flat.tolist(), twins.tolist(), strict=True):
            other, edge = twin % mesh.triangle_count, int(longest[face])
            if busy[face] or busy[other]:
                continue
            busy[[face, other]] = True
            a, b, apex = (int(mesh.faces[face, (edge + k) % 3]) for k in range(3))
            far = int(mesh.faces[other, (twin // mesh.triangle_count + 2) % 3])
            if far == apex:
                continue
            faces[face], faces[other] = (a, far, apex), (far, b, apex)
            turned.append(mesh.vertices[apex])
        mesh = Mesh(mesh.vertices, faces)
    if not turned:
        return mesh, []
    return mesh, [
        Change(
            step="flat faces",
            touched=len(turned),
            unit="faces",
            message=f"turned an edge at {len(turned)} faces that had no area",
            places_mm=places(gathered(np.array(turned))),
        )
    ]


def _without_fins(mesh: Mesh) -> tuple[Mesh, list[Change]]:
    """Drop what makes an edge have more than two faces: first faces that hang there by that edge
    alone, then small sheets, then whatever is left around such an edge.
    """
    drop = np.zeros(mesh.triangle_count, dtype=bool)
    for _ in range(50):
        index = np.flatnonzero(~drop)
        part = Mesh(mesh.vertices, mesh.faces[index])
        uses = _edge_uses(part).reshape(3, -1)
        crowded = (uses > 2).any(axis=0)
        if not crowded.any():
            break
        if crowded.sum() > 0.05 * mesh.triangle_count:
            raise DefectError(
                "this is not a surface",
                measured=f"{int(crowded.sum())} of {mesh.triangle_count} faces share an edge with "
                "more than one other",
                places_mm=places(gathered(part.face_centres[crowded])),
                fix="Export the scan as one surface mesh.",
            )
        hanging = crowded & ((uses == 1).sum(axis=0) == 2)
        if not hanging.any():
            hanging = crowded & (uses == 1).any(axis=0)
        if not hanging.any():
            labels, areas = piece_areas_mm2(part)
            hanging = crowded & (labels > 0) & (np.array(areas)[labels] < 0.01 * areas[0])
            hanging = np.isin(labels, labels[hanging])
        if not hanging.any():
            hanging = crowded
        drop[index[hanging]] = True
    return _dropped(mesh, drop, "fins", "faces on edges that had more than two")


def _wound_alike(mesh: Mesh) -> tuple[Mesh, list[Change]]:
    """Turn faces so that neighbours agree; in each piece the smaller part by area is turned."""
    size = mesh.triangle_count
    order, first, count = mesh.edge_runs
    one, other = order[first[count == 2]], order[first[count == 2] + 1]
    agree = mesh.halfedges[one, 0] == mesh.halfedges[other, 1]
    if agree.all():
        return mesh, []
    f, g = one % size, other % size
    # every face stands twice, as it is and turned; agreeing neighbours link like with like
    to = np.where(agree, 0, size)
    graph = coo_matrix(
        (
            np.ones(2 * len(f), dtype=np.int8),
            (np.r_[f, f + size], np.r_[g + to, g + size - to]),
        ),
        shape=(2 * size, 2 * size),
    )
    labels = connected_components(graph, directed=False)[1]
    as_is, turned = labels[:size], labels[size:]
    twisted = as_is == turned
    if twisted.any():
        raise DefectError(
            "the surface has no outside: it turns back on itself like a twisted band",
            measured=f"a piece of {int(twisted.sum())} faces",
            places_mm=places(gathered(mesh.face_centres[one % size][~agree])),
            fix="Cut the scan there and export it again.",
        )
    area = np.bincount(labels, np.tile(mesh.face_areas_mm2, 2))
    # the two labels of a piece are the two ways to wind it; area counts what stays as it is
    kept_area = np.bincount(as_is, mesh.face_areas_mm2, minlength=len(area))
    flip = (kept_area[as_is] < kept_area[turned]) | (
        (kept_area[as_is] == kept_area[turned]) & (as_is > turned)
    )
    faces = mesh.faces.copy()
    faces[flip] = faces[flip][:, ::-1]
    turns = int(flip.sum())
    change = Change(
        step="winding",
        touched=turns,
        unit="faces",
        message=f"turned {turns} faces that faced the other way than their neighbours",
        places_mm=places(gathered(mesh.face_centres[flip])),
    )
    return Mesh(mesh.vertices, faces), [change] if turns else []


def _without_strays(mesh: Mesh, stray_share: float) -> tuple[Mesh, list[Change]]:
    labels, areas = piece_areas_mm2(mesh)
    total = sum(areas)
    if areas[0] < 0.5 * total and len(areas) > _MANY_PIECES:
        raise DefectError(
            "this is not a surface",
            measured=f"{len(areas)} pieces; the largest is {areas[0] / total:.1%} of the area",
            fix="Export the scan as one surface mesh.",
        )
    large = [k for k, area in enumerate(areas) if k and area > stray_share * areas[0]]
    middles = np.array([mesh.face_centres[labels == k].mean(axis=0) for k in [0, *large[:20]]])
    if large:
        closed = np.bincount(labels, (mesh.face_neighbours < 0).sum(axis=1)) == 0
        if closed[[0, *large]].all():
            raise DefectError(
                "these are several solids side by side, with no tissue that joins them",
                measured=f"{len(large) + 1} closed bodies",
                places_mm=places(middles),
                fix="Export the arch with its gums as one surface, or one body to a file.",
            )
        raise DefectError(
            "the scan falls into several pieces",
            measured=f"{len(areas)} pieces; the second has {areas[1] / areas[0]:.0%} of the area "
            f"of the largest, allowed {stray_share:.0%}",
            places_mm=places(middles[1:]),
            fix="Crop the scan to one arch, or let larger pieces go with --stray-share.",
        )
    mesh, changes = _dropped(mesh, labels > 0, "strays", f"faces of {len(areas) - 1} loose pieces")
    return mesh, changes


def _without_spikes(mesh: Mesh) -> tuple[Mesh, list[Change]]:
    """Drop the faces around single vertices that stand out like needles."""
    start, end = mesh.halfedges.T
    length = np.linalg.norm(mesh.vertices[start] - mesh.vertices[end], axis=1)
    usual = float(np.median(length))
    nearest = np.full(len(mesh.vertices), np.inf)
    np.minimum.at(nearest, start, length)
    np.minimum.at(nearest, end, length)
    candidate = np.isfinite(nearest) & (nearest > SPIKE_EDGE * usual)
    if not candidate.any():
        return mesh, []
    pairs = np.vstack([mesh.halfedges, mesh.halfedges[:, ::-1]])
    pairs = np.unique(pairs[candidate[pairs[:, 0]]], axis=0)
    fellow = candidate[pairs[:, 1]]
    fellows = np.bincount(pairs[fellow, 0], minlength=len(mesh.vertices))
    tip, ring = pairs[~fellow].T
    number = np.bincount(tip, minlength=len(mesh.vertices))
    safe = np.maximum(number, 1)
    middle = np.stack(
        [
            np.bincount(tip, mesh.vertices[ring, k], minlength=len(mesh.vertices)) / safe
            for k in range(3)
        ],
        axis=1,
    )
    off = ((mesh.vertices[ring] - middle[tip]) ** 2).sum(axis=1)
    radius = np.sqrt(np.bincount(tip, off, minlength=len(mesh.vertices)) / safe)
    height = np.linalg.norm(mesh.vertices - middle, axis=1)
    # among many of its like a vertex is no needle but part of a coarser stretch of the mesh
    alone = (number >= 3) & (number >= 2 * fellows)
    spike = candidate & alone & (height > SPIKE_HEIGHT * radius)
    if not spike.any():
        return mesh, []
    drop = spike[mesh.faces].any(axis=1)
    tips = np.flatnonzero(spike)
    change = Change(
        step="spikes",
        touched=len(tips),
        unit="vertices",
        message=f"dropped {len(tips)} spikes, up to {height[tips].max():.2f} mm high, with the "
        f"{int(drop.sum())} faces around them",
        places_mm=places(mesh.vertices[tips]),
        extent_mm=float(height[tips].max()),
    )
    return Mesh(mesh.vertices, mesh.faces[~drop]), [change]


def _as_one_sheet(mesh: Mesh) -> tuple[Mesh, list[Change]]:
    return _dropped(
        mesh, ~one_sheet(mesh), "touching", "faces that touched the rest at a point only"
    )


def _wound_outward(mesh: Mesh) -> tuple[Mesh, list[Change]]:
    """Outside is where the room between surface and border's middle is not."""
    loops = border_loops(mesh)
    middle = mesh.vertices[loops[0]].mean(axis=0) if loops else mesh.centre
    a, b, c = (mesh.corners[:, k] - middle for k in range(3))
    if float(np.einsum("ij,ij->", a, np.cross(b, c))) >= 0.0:
        return mesh, []
    return mesh.reversed(), [
        Change(
            step="outside",
            touched=mesh.triangle_count,
            unit="faces",
            message="turned every face: they looked inward",
        )
    ]


def _rim_of_dropped(before: Mesh, after: Mesh) -> Bools:
    """(n,) vertices on an open edge now that were on none before: the rims of holes made here."""
    was, now = (_at(mesh, mesh.halfedges[mesh.twin_halfedges < 0]) for mesh in (before, after))
    return now & ~was


def _with_holes_filled(mesh: Mesh, hole_length_mm: float, ours: Bools) -> tuple[Mesh, list[Change]]:
    """Fill every loop but the border, which is the longest, where it is longer than a hole.
    Loops of vertices that are all ``ours`` (n,) are rims of what was dropped here: they are
    filled however long, and are never the border.
    """
    every = [(loop, loop_length_mm(mesh, loop)) for loop in border_loops(mesh)]
    made = [(loop, mm) for loop, mm in every if ours[loop].all()]
    found = [(loop, mm) for loop, mm in every if not ours[loop].all()]
    if found and found[0][1] > hole_length_mm:
        found = found[1:]
    holes, measures = [loop for loop, _ in found], [mm for _, mm in found]
    long = [mesh.vertices[loop].mean(axis=0) for loop, mm in zip(holes, measures, strict=True)
            if mm > hole_length_mm]  # fmt: skip
    if long:
        raise DefectError(
            "the scan has a hole too large to fill",
            measured=f"{len(long)} holes, up to {measures[0]:.1f} mm around, allowed "
            f"{hole_length_mm:g} mm",
            places_mm=places(np.array(long)),
            fix="Scan that place again, or allow larger holes with --hole-length.",
        )
    holes += [loop for loop, _ in made]
    measures += [mm for _, mm in made]
    if not holes:
        return mesh, []
    before = mesh.triangle_count
    for loop in holes:
        try:
            mesh = fill_hole(mesh, loop)
        except KernelError as error:
            raise DefectError(
                "a hole of the scan could not be filled",
                measured=error.measured,
                places_mm=places(mesh.vertices[loop].mean(axis=0)),
                fix="Scan that place again.",
            ) from error
    change = Change(
        step="holes",
        touched=len(holes),
        unit="holes",
        message=f"filled {len(holes)} holes, up to {max(measures):.2f} mm around, with "
        f"{mesh.triangle_count - before} faces",
        places_mm=places(np.array([mesh.vertices[loop].mean(axis=0) for loop in holes])),
        extent_mm=max(float(np.ptp(mesh.vertices[loop], axis=0).max()) for loop in holes),
    )
    return mesh, [change]


def _without_crossings(
    mesh: Mesh, original: Bools, hole_length_mm: float
) -> tuple[Mesh, Bools, list[Change]]:
    """Drop faces that cut through each other, a little more each time, and fill what is left."""
    touched, where = 0, np.zeros((0, 3))
    reach = 0.0
    for widen in range(_ROUNDS):
        pairs = self_intersections(mesh)
        if not len(pairs):
            break
        bad = np.zeros(mesh.triangle_count, dtype=bool)
        bad[pairs.reshape(-1)] = True
        if bad.sum() > CROSSING_SHARE * mesh.triangle_count:
            raise _tangled(mesh, bad)
        where = np.vstack([where, mesh.face_centres[bad]])
        for _ in range(widen + 1):
            bad = _with_neighbours(mesh, bad)
        touched += int(bad.sum())
        reach = max(reach, float(np.ptp(mesh.corners[bad], axis=1).max()) * (widen + 2))
        kept = np.flatnonzero(~bad)
        part = Mesh(mesh.vertices, mesh.faces[kept])
        sheet = one_sheet(part)
        kept = kept[sheet]
        part = Mesh(mesh.vertices, mesh.faces[kept])
        mesh, _ = _with_holes_filled(part, hole_length_mm, _rim_of_dropped(mesh, part))
        original = np.r_[original[kept], np.zeros(mesh.triangle_count - len(kept), dtype=bool)]
    else:
        pairs = self_intersections(mesh)
        if len(pairs):
            bad = np.zeros(mesh.triangle_count, dtype=bool)
            bad[pairs.reshape(-1)] = True
            raise _tangled(mesh, bad)
    if not touched:
        return mesh, original, []
    change = Change(
        step="crossings",
        touched=touched,
        unit="faces",
        message=f"replaced {touched} faces around places where the scan cut through itself",
        places_mm=places(gathered(where)),
        extent_mm=reach,
    )
    return mesh, original, [change]


def _with_neighbours(mesh: Mesh, chosen: Bools) -> Bools:
    """(m,) the chosen faces and all that share a corner with one."""
    grown: Bools = np.logical_or.reduce(_at(mesh, mesh.faces[chosen])[mesh.faces], axis=1)
    return grown


def _at(mesh: Mesh, *vertices: Ints) -> Bools:
    """(n,) true at the vertices named anywhere."""
    at = np.zeros(len(mesh.vertices), dtype=bool)
    for some in vertices:
        at[some.reshape(-1)] = True
    return at


def _refuse_tangle(mesh: Mesh) -> None:
    """A scattering of faces that cross in many places means that all would: looking for every
    pair of them could take hours.
    """
    few = 4000
    step = max(1, mesh.triangle_count // few)
    if step == 1:
        return
    chosen = np.arange(0, mesh.triangle_count, step)
    pairs = self_intersections(Mesh(mesh.vertices, mesh.faces[chosen]))
    if len(np.unique(pairs)) > CROSSING_SHARE * len(chosen):
        bad = np.zeros(mesh.triangle_count, dtype=bool)
        bad[chosen[pairs.reshape(-1)]] = True
        raise _tangled(mesh, bad)


def _tangled(mesh: Mesh, bad: Bools) -> DefectError:
    return DefectError(
        "the scan cuts through itself",
        measured=f"at least {int(bad.sum())} of {mesh.triangle_count} faces",
        places_mm=places(gathered(mesh.face_centres[bad])),
        fix="Export the scan again without overlapping surfaces, or crop those places.",
    )
