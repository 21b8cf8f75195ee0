"""Parallel blockout: wax under everything undercut, its walls parallel to the path."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from blockout.case.settings import ParallelSettings
from blockout.errors import CheckError, KernelError
from blockout.kernel.solids import Solid
from blockout.mesh import Mesh
from blockout.progress import Progress, silent
from blockout.surveying.survey import Survey
from blockout.tolerances import TOLERANCES, Tolerances
from blockout.wax.columns import Columns
from blockout.wax.space import Space, free_space
from blockout.wax.taper import taper_error_mm, tapered_skirt
from blockout.wax.wax import Wax
from blockout.wax.zones import zone_column


@dataclass(frozen=True, eq=False)
class ParallelBlockout:
    """The wax, the undercut region it was made for, and what it left of the space.

    Parameters
    ----------
    wax : Wax
    undercut_volume_mm3 : float
        The whole undercut region down to the floor, exact to the facets, whatever the zones and
        the taper.
    taper_error_mm : float
    columns : Columns
    left : Space
        Free space once this wax is in it.
    """

    wax: Wax
    undercut_volume_mm3: float
    taper_error_mm: float
    columns: Columns
    left: Space


def parallel_blockout(
    survey: Survey,
    space: Space | None = None,
    *,
    settings: ParallelSettings | None = None,
    keep_free: Sequence[Solid] = (),
    keep_upright: Sequence[Solid] = (),
    carved: Sequence[Solid] = (),
    progress: Progress = silent,
    tolerances: Tolerances = TOLERANCES,
) -> ParallelBlockout:
    """Fill what is undercut along the survey's path.

    The wax is the part of U minus the cast that lies under scanned surface deeper than the
    noise depth, down to the floor; with a taper also what lies within that angle under the edge of
    the undercut; cut to the zones asked for. It never rises above the survey line.

    Parameters
    ----------
    survey : Survey
    space : Space
        Around the same cast, upright along the same path; all the space when left out.
    settings : ParallelSettings
    keep_free : sequence of Solid
        Where there is to be no wax, upright: the windows of arms.
    keep_upright : sequence of Solid
        Where a wall stands along the path even if it is tapered elsewhere, upright: beside the
        terminals of arms, whose undercut a gauge reads from that wall.
    carved : sequence of Solid
        Beads taken out of the cast since it was surveyed, upright: wax goes into what of them is
        roofed, but they are no part of the undercut that was surveyed.

    Raises
    ------
    InputError
        An outline that is none, or lies off the cast.
    CheckError
        The wax is not a closed solid, or its volume is not that of the ceilings' columns.
    KernelError
        The solid kernel lost volume.
    """
    settings = settings or ParallelSettings()
    cast = survey.cast
    space = free_space(cast, survey.path) if space is None else space
    wanted = _Wanted.asked(space, settings, keep_free)
    floor_mm = 0.0 if settings.floor_mm is None else settings.floor_mm - cast.floor_mm
    columns = Columns(space.upright, survey.ceilings, floor_mm, tolerances)
    tapered = settings.taper_deg > tolerances.upright_deg
    plain = wanted.everywhere and not tapered
    notes: list[str] = []
    error_mm = 0.0
    progress("pulling ceilings down")
    whole = None
    if settings.floor_mm is None:
        whole = space.under(survey.ceilings.face, tolerances=tolerances)
    if whole is not None and plain:
        mesh, left = whole.wax, whole.left
    else:
        body = columns.solid
        if tapered and not body.is_empty:
            progress("tapering walls")
            skirt = tapered_skirt(space, survey.ceilings, settings.taper_deg, floor_mm=floor_mm)
            body = body + (skirt - Solid.union(keep_upright) if keep_upright else skirt)
            height_mm = cast.mesh.vertices @ survey.path.direction
            error_mm = taper_error_mm(float(np.ptp(height_mm)), settings.taper_deg)
            notes.append(
                f"the tapered wall lies at most {error_mm * 1000.0:.1f} um outside the round one"
            )
        progress("cutting the cast off the wax")
        mesh, left = space.take(wanted.of(body), tolerances=tolerances)
        by_curtains = None if whole is None else _taken_whole(whole.upright, tolerances)
        if by_curtains is not None:
            if tapered:
                found_mm3 = space.shared_mm3(columns.solid)
            else:
                found_mm3, by_curtains = space.free_mm3 - left.free_mm3, wanted.of(by_curtains)
            _check_found(found_mm3, space.volume_mm3(by_curtains), tolerances)
    if plain or whole is not None:
        undercut_mm3 = space.free_mm3 - (left if whole is None else whole.left).free_mm3
    else:
        undercut_mm3 = space.shared_mm3(columns.solid)
    undercut_mm3 -= sum(space.shared_mm3(columns.solid ^ groove) for groove in carved)
    if settings.floor_mm is None:
        _check_against_columns(survey, undercut_mm3)
    if survey.left_alone.patch_count:
        notes.append(
            f"undercuts shallower than {survey.noise_depth_mm * 1000.0:.0f} um were left alone: "
            f"{survey.left_alone.patch_count} patches, {survey.left_alone.volume_mm3:.3f} mm3"
        )
    if mesh.triangle_count:
        wax = Wax("parallel", "parallel", mesh, mesh.volume_mm3, tuple(notes))
    else:
        notes.append("nothing to fill: no undercut along this path where wax was asked for")
        wax = Wax("parallel", "parallel", None, 0.0, tuple(notes))
    return ParallelBlockout(wax, undercut_mm3, error_mm, columns, left)


@dataclass(frozen=True, eq=False)
class _Wanted:
    """Where wax is wanted: within one body and out of another, upright; None is no limit."""

    within: Solid | None
    out_of: Solid | None

    @classmethod
    def asked(cls, space: Space, settings: ParallelSettings, keep_free: Sequence[Solid]) -> _Wanted:
        inside, outside = (
            [
                zone_column(space, outline, name=f"{key}[{k}]")
                for k, outline in enumerate(getattr(settings, key))
            ]
            for key in ("keep_in", "keep_out")
        )
        outside = [*outside, *keep_free]
        return cls(
            Solid.union(inside) if inside else None, Solid.union(outside) if outside else None
        )

    @property
    def everywhere(self) -> bool:
        return self.within is None and self.out_of is None

    def of(self, body: Solid) -> Solid:
        """What is wanted of a body."""
        if self.within is not None:
            body = body ^ self.within
        return body if self.out_of is None else body - self.out_of


def _taken_whole(wax: Mesh, tolerances: Tolerances) -> Solid | None:
    """Wax by curtains as a solid of the kernel; None where the kernel does not take it as it is,
    so that it proves nothing.
    """
    try:
        solid = Solid.from_mesh(wax)
    except KernelError:
        return None
    lost_mm3 = abs(solid.volume_mm3 - wax.volume_mm3)
    return solid if lost_mm3 <= 0.1 * tolerances.kernel_loss_mm3 else None


def _check_found(found_mm3: float, wanted_mm3: float, tolerances: Tolerances) -> None:
    """What the kernel found under ceilings, against the same found without it."""
    if abs(found_mm3 - wanted_mm3) > tolerances.kernel_loss_mm3:
        raise KernelError(
            "the solid kernel did not find all the blockout, or too much of it",
            measured=f"{found_mm3:.4f} mm3 where {wanted_mm3:.4f} mm3 lie under the undercut, "
            f"allowed difference {tolerances.kernel_loss_mm3:.3g}",
            fix="This is a fault of blockout; the scan and the path would help to mend it.",
        )


def _check_against_columns(survey: Survey, volume_mm3: float) -> None:
    """The solid's volume against rays that never saw the boolean kernel."""
    by_rays_mm3 = survey.volume_mm3
    ceiling_mm2 = float(survey.cast.mesh.face_areas_mm2[survey.ceilings.face].sum())
    # rays keep a micron's distance from the surface, which is all there is of the least undercut
    slack_mm3 = max(0.02 * by_rays_mm3, 0.002 * max(survey.area_mm2, ceiling_mm2), 1e-3)
    if abs(volume_mm3 - by_rays_mm3) > slack_mm3:
        raise CheckError(
            "the blockout does not have the volume of the space under the undercut",
            measured=f"solid {volume_mm3:.3f} mm3, rays {by_rays_mm3:.3f} mm3, "
            f"allowed difference {slack_mm3:.3f}",
            fix="This is a fault of blockout; the scan and the path would help to mend it.",
        )
