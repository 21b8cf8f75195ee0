"""Relief: a sheet of even thickness over tissue that metal must not press on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from blockout.case.relief_settings import ReliefSettings
from blockout.cast.cast import Cast
from blockout.drawn.curve import SurfaceCurve, on_surface
from blockout.drawn.outline import SurfaceRegion, surface_region
from blockout.errors import InputError, KernelError
from blockout.kernel.rays import RayScene
from blockout.kernel.solids import Solid
from blockout.kernel.surfaces import nearest_places
from blockout.mesh import Mesh
from blockout.tolerances import TOLERANCES, Tolerances
from blockout.wax.recipes import Stop, Zone, relief_zone
from blockout.wax.sheet import Feather, Sheet, sheet_over

_RING_MM = 0.2
_ABOVE_MM = 3.0
_THICKNESS_OFF_MM = 0.01
"""The thickness is promised within this."""


@dataclass(frozen=True, eq=False)
class ReliefBulk:
    """A relief before the cast is cut off it.

    Parameters
    ----------
    name : str
    solid : Solid
        Closed, file coordinates; reaches ``sheet.SINK_MM`` into the cast.
    region : SurfaceRegion
        The tissue under it, windows not taken out.
    zone : Zone
        Its outline, edges and stops.
    sheet : Sheet
        Body, outer surface, rings of the windows, largest error of its thickness.
    thickness_mm : float
    feather_mm : float
        0 where every edge is butt.
    notes : tuple of str
        What a reader must know.
    """

    name: str
    solid: Solid
    region: SurfaceRegion
    zone: Zone
    sheet: Sheet
    thickness_mm: float
    feather_mm: float
    notes: tuple[str, ...]


def relief_bulk(
    cast: Cast, settings: ReliefSettings, *, tolerances: Tolerances = TOLERANCES
) -> ReliefBulk:
    """The relief that settings ask for: everything outside the cast that is no further from the
    zone's surface than the thickness, within the zone's outline taken out along the surface
    normal; thinner toward feathered edges; nothing in tissue stops.

    Parameters
    ----------
    cast : Cast
    settings : ReliefSettings

    Raises
    ------
    InputError
        Points off the cast, an outline that crosses itself or runs onto the base, a stop that does
        not lie within, or tissue that folds too sharply.
    KernelError
        The kernel changed the sheet's volume.
    """
    name = settings.name or f"relief over {settings.over}"
    zone = relief_zone(cast, settings, name=name)
    region = surface_region(cast.mesh, zone.outline, name=name)
    _check_scanned(cast, region, name)
    thickness_mm = settings.thickness_mm
    if thickness_mm is None:
        thickness_mm = float(zone.thickness.default or 0.0)
    feather = Feather(zone.feathered, settings.feather_mm) if zone.feathered else None
    windows = [
        stop_window(region.sheet, stop, name=f"tissue stop {k + 1} of the {name}")
        for k, stop in enumerate(zone.stops)
    ]
    sheet = sheet_over(
        cast.mesh,
        zone.outline,
        region,
        thickness_mm=thickness_mm,
        feather=feather,
        windows=windows,
        name=name,
    )
    _check_taken(sheet, tolerances)
    return ReliefBulk(
        name=name,
        solid=sheet.solid,
        region=region,
        zone=zone,
        sheet=sheet,
        thickness_mm=thickness_mm,
        feather_mm=settings.feather_mm if feather else 0.0,
        notes=_notes(zone, sheet, thickness_mm),
    )


def stop_window(zone: Mesh, stop: Stop, *, name: str) -> SurfaceCurve:
    """The ring of a tissue stop on the zone's surface: a rectangle about its middle, one side
    along the crest, taken straight down along the mean normal there.

    Raises
    ------
    InputError
        The middle is off the zone, or the rectangle reaches beyond it.
    """
    found = nearest_places(zone, stop.centre_mm[None])
    limit_mm = 1.5
    if found.distance_mm[0] > limit_mm:
        x, y, z = (float(c) for c in stop.centre_mm)
        raise InputError(
            f"the {name} is not on the zone",
            measured=f"{found.distance_mm[0]:.2f} mm from it, limit {limit_mm:g}",
            places_mm=[(x, y, z)],
            fix="Give its middle on the crest, inside the relief.",
        )
    centre = found.points_mm[0]
    near = np.linalg.norm(zone.face_centres - centre, axis=1) < max(stop.length_mm, stop.width_mm)
    near[found.face[0]] = True
    normal = zone.face_crosses[near].sum(axis=0)
    normal /= np.linalg.norm(normal)
    along = stop.along - (stop.along @ normal) * normal
    if np.linalg.norm(along) < 0.1:
        raise InputError(
            f"the {name} lies along no direction of the surface",
            measured="its direction stands on the tissue",
            fix="Give along, the direction of the crest.",
        )
    along /= np.linalg.norm(along)
    side = np.cross(normal, along)
    corner = np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]]) / 2.0
    corner *= [stop.length_mm, stop.width_mm]
    ring = []
    for one, other in zip(corner, np.roll(corner, -1, axis=0), strict=True):
        count = max(2, round(float(np.linalg.norm(other - one)) / _RING_MM))
        share = np.arange(count)[:, None] / count
        ring.append(one + share * (other - one))
    flat = np.concatenate(ring)
    above = centre + flat @ np.stack([along, side]) + _ABOVE_MM * normal
    hits = RayScene(zone).first_hit(above, -normal)
    if not np.isfinite(hits.distance_mm).all():
        x, y, z = (float(c) for c in centre)
        raise InputError(
            f"the {name} reaches beyond the zone",
            measured=f"{stop.length_mm:g} x {stop.width_mm:g} mm",
            places_mm=[(x, y, z)],
            fix="Move it inside, or make it smaller.",
        )
    return on_surface(zone, above - hits.distance_mm[:, None] * normal, closed=True)


def _check_scanned(cast: Cast, region: SurfaceRegion, name: str) -> None:
    off = ~cast.scanned[region.source_face]
    if off.any():
        place = region.sheet.face_centres[int(np.flatnonzero(off)[0])]
        raise InputError(
            f"the {name} runs off the scanned surface onto the base",
            measured=f"{region.sheet.face_areas_mm2[off].sum():.2f} mm2 of it",
            places_mm=[(float(place[0]), float(place[1]), float(place[2]))],
            fix="Draw it smaller, or give a smaller width_mm.",
        )


def _check_taken(sheet: Sheet, tolerances: Tolerances) -> None:
    off_mm3 = abs(sheet.solid.volume_mm3 - sheet.body.volume_mm3)
    allowed_mm3 = tolerances.kernel_relative * (sheet.body.volume_mm3 + 1.0)
    if off_mm3 > allowed_mm3:
        raise KernelError(
            "the solid kernel changed a relief while taking it",
            measured=f"volume off by {off_mm3:.3g} mm3, allowed {allowed_mm3:.3g}",
            fix="This is a fault of blockout; the scan and the outline would help to mend it.",
        )


def _notes(zone: Zone, sheet: Sheet, thickness_mm: float) -> tuple[str, ...]:
    notes = []
    low, high = zone.thickness.low, zone.thickness.high
    if not low - 1e-9 <= thickness_mm <= high + 1e-9:
        notes.append(
            f"{thickness_mm:.3f} mm thick, usually {low:.3f} to {high:.3f} mm "
            f"({zone.thickness.mark}: {zone.thickness.source})"
        )
    if sheet.off_mm > _THICKNESS_OFF_MM:
        notes.append(
            f"thickness off by up to {1000.0 * sheet.off_mm:.0f} um, more than the 10 um promised"
        )
    if sheet.smoothed_mm > 0.0:
        notes.append(
            "the tissue is hollow with a radius under the thickness: there the edge of the sheet "
            f"stands along normals evened out over {sheet.smoothed_mm:.2f} mm"
        )
    return tuple(notes)
