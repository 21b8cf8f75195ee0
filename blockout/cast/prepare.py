"""From scan to cast: mended, levelled, trimmed, based, checked; every change told."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Final

import numpy as np

from blockout.case.settings import Arch, PrepareSettings
from blockout.cast.base import Poured, pour_base
from blockout.cast.border import Trimmed, trim_again, trim_border
from blockout.cast.cast import Cast
from blockout.cast.change import Change, gathered, places
from blockout.cast.closed import recognise_base
from blockout.cast.frame import CastFrame
from blockout.cast.level import find_frame
from blockout.cast.noise import estimate_noise_mm
from blockout.cast.pieces import border_loops, piece_areas_mm2
from blockout.cast.repair import Repaired, repair
from blockout.cast.scan import Scan
from blockout.errors import CheckError, DefectError, InputError
from blockout.kernel.surfaces import self_intersections
from blockout.mesh import Bools, Floats, Mesh, solidity
from blockout.progress import Progress, silent

__all__ = ["Change", "Prepared", "prepare"]

FEWEST_TRIANGLES: Final = 100
"""An open surface of fewer triangles holds no arch; ours."""
FLATTEST_MM: Final = 1.0
"""A surface that stays within this of a plane has nothing to survey; ours."""
COARSEST_STEP_MM: Final = 0.01
"""The next number of single precision, which STL and most viewers hold, may be this far off at
most: coarser than any scanner, files would hold another surface; ours. Up to 131 m from zero."""
_POURS: Final = 8


@dataclass(frozen=True, eq=False)
class Prepared:
    """A cast and all that was done to get it.

    Parameters
    ----------
    cast : Cast
    changes : tuple of Change
        In the order they were made; empty for a cast that passed through as it was.
    notes : tuple of str
        What was found or assumed, in plain words.
    """

    cast: Cast
    changes: tuple[Change, ...]
    notes: tuple[str, ...]


def prepare(
    scan: Scan, *, settings: PrepareSettings | None = None, progress: Progress = silent
) -> Prepared:
    """Make a closed cast of a scan.

    An open scan is mended, levelled, its border trimmed, and a base poured under it; a closed
    cast passes through as it is. Vertices of the scan are never moved; the scan itself is left
    as it was.

    Raises
    ------
    DefectError
        What cannot be made a solid, with the file, the places and the option that may help.
    InputError
        The frame cannot be told, which says what direction to state; or no scanned surface is
        left above the base.
    """
    with _naming(scan):
        return _prepared(scan, settings or PrepareSettings(), progress)


@contextmanager
def _naming(scan: Scan) -> Iterator[None]:
    """What refuses a scan says which file it is, where it says no other place."""
    try:
        yield
    except InputError as error:
        if error.where or not scan.source.name:
            raise
        raise type(error)(
            error.what,
            measured=error.measured,
            where=scan.source.name,
            places_mm=error.places_mm,
            fix=error.fix,
        ) from error


def _prepared(scan: Scan, chosen: PrepareSettings, progress: Progress) -> Prepared:
    mesh = scan.mesh
    _refuse_nothing(mesh)
    _refuse_far(mesh)
    if _is_clean_solid(mesh):
        return _pass_through(scan, mesh, (), chosen, progress)
    progress("mending the scan")
    repaired = repair(mesh, stray_share=chosen.stray_share, hole_length_mm=chosen.hole_length_mm)
    if solidity(repaired.mesh).closed:
        kept = _kept_change(mesh, repaired.mesh, repaired.original)
        return _pass_through(scan, repaired.mesh, (*repaired.changes, kept), chosen, progress)
    return _poured(scan, repaired, chosen, progress)


def _arch(settings: PrepareSettings) -> tuple[Arch, tuple[str, ...]]:
    if settings.arch is not None:
        return settings.arch, ()
    return "lower", ("nobody said which arch this is: taken for a lower one (--arch)",)


def _poured(
    scan: Scan, repaired: Repaired, settings: PrepareSettings, progress: Progress
) -> Prepared:
    arch, notes = _arch(settings)
    if settings.base_height_mm is not None:
        notes += ("--base-height was not used: the scan is open, and its base is poured",)
    progress("finding the occlusal plane")
    _refuse_few(repaired.mesh)
    _refuse_flat(repaired.mesh)
    mesh, changes = repaired.mesh, repaired.changes
    found = find_frame(mesh, up=settings.up, front=settings.front, arch=arch)
    if _looks_down(mesh, found.frame):
        mesh = mesh.reversed()
        turned = tuple(change for change in changes if change.step != "outside")
        # turned twice is not turned
        changes = turned if len(turned) < len(changes) else (*changes, _turned(mesh))
    notes += _upside_down_note(mesh, found.frame)
    progress("trimming the border")
    trimmed = trim_border(mesh, frame=found.frame, trim_mm=settings.border_trim_mm)
    progress("pouring the base")
    trimmed, poured = fit_base(
        trimmed,
        frame=found.frame,
        land_mm=settings.land_mm,
        base_thickness_mm=settings.base_thickness_mm,
    )
    progress("checking the cast")
    whole = (trimmed.came_from >= 0) & repaired.original[trimmed.came_from]
    kept = _kept_change(
        scan.mesh, poured.mesh, np.r_[whole, np.zeros(int(poured.base.sum()), dtype=bool)]
    )
    cast = Cast(
        mesh=poured.mesh,
        scanned=~poured.base,
        frame=found.frame,
        arch=arch,
        arch_stated=settings.arch is not None,
        noise_mm=estimate_noise_mm(poured.mesh, scanned=~poured.base),
        floor_mm=poured.floor_mm,
        source=scan.source,
    )
    base = Change(
        step="base",
        touched=int(poured.base.sum()),
        unit="faces",
        message=f"poured a base of {int(poured.base.sum())} faces: land {settings.land_mm:g} mm, "
        f"bottom {settings.base_thickness_mm:g} mm under the lowest scanned point",
        extent_mm=settings.base_thickness_mm,
    )
    return Prepared(
        cast=cast,
        changes=(*changes, _trim_change(trimmed, settings), base, kept),
        notes=(*scan.notes, *notes, *found.notes),
    )


def _looks_down(mesh: Mesh, frame: CastFrame) -> bool:
    """True where more of what is seen from above shows its back: of the faces over each square
    millimetre the highest counts.
    """
    centres = frame.points_to_cast(mesh.face_centres)
    cell = np.floor(centres[:, :2] - centres[:, :2].min(axis=0) + 0.37).astype(np.int64)
    key = cell[:, 0] * (cell[:, 1].max() + 1) + cell[:, 1]
    order = np.lexsort((centres[:, 2], key))
    highest = order[np.r_[key[order][1:] != key[order][:-1], True]]
    return float((mesh.face_crosses[highest] @ frame.up).sum()) < 0.0


def _upside_down_note(mesh: Mesh, frame: CastFrame) -> tuple[str, ...]:
    border = mesh.vertices[border_loops(mesh)[0]]
    height = frame.points_to_cast(mesh.face_centres)[:, 2]
    middle_mm = float(np.average(height, weights=mesh.face_areas_mm2))
    over_mm = float(frame.points_to_cast(border)[:, 2].mean()) - middle_mm
    if over_mm <= 0.0:
        return ()
    return (
        f"the border lies {over_mm:.1f} mm over the middle of the surface: "
        "if the teeth look the other way, say so with --up",
    )


def fit_base(
    trimmed: Trimmed, *, frame: CastFrame, land_mm: float, base_thickness_mm: float
) -> tuple[Trimmed, Poured]:
    """A base that cuts nothing, by exact predicates, and the border it hangs from. Where the
    skirt's wider rows would cut, they keep to the border; where even that is too tight, the
    border goes back a little more.

    Raises
    ------
    DefectError
        No base was found to fit; carries the places.
    """
    exact = np.zeros(len(trimmed.loop), dtype=bool)
    for _ in range(_POURS):
        poured = pour_base(
            trimmed.mesh,
            trimmed.loop,
            frame=frame,
            land_mm=land_mm,
            base_thickness_mm=base_thickness_mm,
            exact=exact,
        )
        pairs = self_intersections(poured.mesh)
        if not len(pairs):
            return trimmed, poured
        at = poured.mesh.face_centres[np.unique(pairs)]
        near = _near(trimmed.mesh.vertices[trimmed.loop], at, frame, within_mm=2.0)
        if exact[near].all():
            trimmed = trim_again(trimmed, at, frame=frame)
            exact = np.zeros(len(trimmed.loop), dtype=bool)
        else:
            exact = exact | near
    raise DefectError(
        "the base would cut into the scan",
        measured=f"{len(pairs)} pairs of faces cut through each other",
        places_mm=places(gathered(at)),
        fix="Crop the scan there, or set a larger --border-trim.",
    )


def _near(border_mm: Floats, at_mm: Floats, frame: CastFrame, *, within_mm: float) -> Bools:
    """(k,) border points within a distance, seen along the cast frame's z, of some place."""
    border, at = (frame.points_to_cast(points)[:, :2] for points in (border_mm, at_mm))
    near = np.zeros(len(border), dtype=bool)
    for place in at:
        near |= np.linalg.norm(border - place, axis=1) <= within_mm
    return near


def _pass_through(
    scan: Scan,
    mesh: Mesh,
    changes: tuple[Change, ...],
    settings: PrepareSettings,
    progress: Progress,
) -> Prepared:
    """A closed cast as it is, but for the side its faces look to."""
    _refuse_flat(mesh)
    arch, notes = _arch(settings)
    used = np.zeros(len(mesh.vertices), dtype=bool)
    used[mesh.faces.reshape(-1)] = True
    low, high = mesh.bounds_mm
    if not used.all() and ((mesh.vertices < low) | (mesh.vertices > high)).any():
        # they lie anywhere, and would be taken for the cast's size
        mesh = mesh.part(np.ones(mesh.triangle_count, dtype=bool))
        changes += (_without_unused(int((~used).sum())),)
    if mesh.volume_mm3 < 0.0:
        mesh = mesh.reversed()
        changes += (_turned(mesh),)
    progress("finding the occlusal plane")
    found = find_frame(mesh, up=settings.up, front=settings.front, arch=arch)
    recognised = recognise_base(mesh, found.frame, base_height_mm=settings.base_height_mm)
    cast = Cast(
        mesh=mesh,
        scanned=recognised.scanned,
        frame=found.frame,
        arch=arch,
        arch_stated=settings.arch is not None,
        noise_mm=estimate_noise_mm(mesh, scanned=recognised.scanned),
        floor_mm=recognised.floor_mm,
        source=scan.source,
    )
    passed = "the cast is closed already and passes through"
    return Prepared(cast, changes, (*scan.notes, passed, *notes, *found.notes, *recognised.notes))


def _without_unused(count: int) -> Change:
    return Change(
        step="unused",
        touched=count,
        unit="vertices",
        message=f"left out {count} vertices that no face uses",
    )


def _is_clean_solid(mesh: Mesh) -> bool:
    """Closed, in one piece but for hollows inside it, and nowhere cutting through itself."""
    found = solidity(mesh)
    if not found.closed or found.pinched_vertex_count or found.collapsed_face_count:
        return False
    labels, areas = piece_areas_mm2(mesh)
    if len(areas) > 50:
        return False
    outer = mesh.part(labels == 0)
    for k in range(1, len(areas)):
        shell = mesh.part(labels == k)
        within = (shell.bounds_mm[0] > outer.bounds_mm[0]) & (
            shell.bounds_mm[1] < outer.bounds_mm[1]
        )
        if not (within.all() and shell.volume_mm3 * outer.volume_mm3 < 0.0):
            return False
    return not len(self_intersections(mesh))


def _refuse_nothing(mesh: Mesh) -> None:
    if not mesh.triangle_count or not float(mesh.face_areas_mm2.sum()) > 0.0:
        raise DefectError(
            "the mesh has no surface",
            measured=f"{mesh.triangle_count} triangles without area",
            fix="Export the scan again.",
        )


def _refuse_far(mesh: Mesh) -> None:
    furthest_mm = float(np.abs(mesh.corners).max())
    # 29 bits less than double precision has; asked there, for it overflows nowhere
    step_mm = float(np.spacing(furthest_mm)) * 2.0**29
    if step_mm > COARSEST_STEP_MM:
        raise DefectError(
            "the scan lies too far from its file's zero for files to hold it",
            measured=f"up to {furthest_mm / 1000.0:.4g} m, where single precision has steps of "
            f"{step_mm:.2g} mm, allowed {COARSEST_STEP_MM:g} mm",
            fix="Move the scan near the zero of its coordinates and export it again.",
        )


def _refuse_few(mesh: Mesh) -> None:
    if mesh.triangle_count < FEWEST_TRIANGLES:
        raise DefectError(
            "the scan is too small to be an arch",
            measured=f"{mesh.triangle_count} triangles, at least {FEWEST_TRIANGLES} needed",
            fix="Export the whole arch as one surface mesh.",
        )


def _refuse_flat(mesh: Mesh) -> None:
    used = mesh.vertices[np.unique(mesh.faces)]
    centred = used - used.mean(axis=0)
    axes = np.linalg.eigh(centred.T @ centred)[1]
    thickness = float(np.ptp(centred @ axes, axis=0).min())
    if thickness < FLATTEST_MM:
        raise DefectError(
            "the scan is flat: there is nothing to survey",
            measured=f"it stays within {thickness:.3g} mm of a plane, at least {FLATTEST_MM:g} mm "
            "needed",
            fix="If the file is not in millimetres, state its unit with --unit.",
        )


def _turned(mesh: Mesh) -> Change:
    return Change(
        step="outside",
        touched=mesh.triangle_count,
        unit="faces",
        message="turned every face: they looked inward",
    )


def _trim_change(trimmed: Trimmed, settings: PrepareSettings) -> Change:
    deeper = len(trimmed.deeper_at_mm)
    more = f", deeper than {settings.border_trim_mm:g} mm at {deeper} places" if deeper else ""
    return Change(
        step="border",
        touched=trimmed.removed_count,
        unit="faces",
        message=f"trimmed the border: {trimmed.removed_count} faces, "
        f"{trimmed.removed_area_mm2:.1f} mm2, up to {trimmed.deepest_mm:.2f} mm in{more}",
        places_mm=places(trimmed.deeper_at_mm),
        extent_mm=trimmed.deepest_mm,
    )


def _kept_change(scan: Mesh, mesh: Mesh, kept: Bools) -> Change:
    """Count the scan's faces that are in the cast, and check them against the scan's own rows.

    Raises
    ------
    CheckError
        A kept face has a corner that the scan does not have, to the bit.
    """
    rows = np.ascontiguousarray(scan.vertices).view(np.dtype((np.void, 24))).reshape(-1)
    corners = np.ascontiguousarray(mesh.vertices[np.unique(mesh.faces[kept])])
    strange = ~np.isin(corners.view(np.dtype((np.void, 24))).reshape(-1), rows)
    if strange.any():
        raise CheckError(
            "the scanned surface was not kept",
            measured=f"{int(strange.sum())} vertices moved, allowed 0",
            places_mm=places(corners[strange]),
        )
    count = int(kept.sum())
    return Change(
        step="kept",
        touched=count,
        unit="faces",
        message=f"scanned surface kept to the bit: {count} of {scan.triangle_count} faces",
    )
