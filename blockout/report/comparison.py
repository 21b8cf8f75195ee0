"""A comparison of plan and scans as facts, coloured meshes and pictures."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import ArrayLike

from blockout.kernel.files import write_ply, write_stl
from blockout.mesh import Bools, Floats, Ints
from blockout.report.colours import BASE, INK, PLASTER, bytes_of
from blockout.report.facts import Facts, cast_facts, json_ready, path_facts, versions
from blockout.report.pictures import Picture, draw_bodies, write_picture
from blockout.report.scene import Body, Line, Paint
from blockout.report.sheet import Bar, Entry, Stroke, Swatch, Text
from blockout.report.view import VIEWS, bench_view

if TYPE_CHECKING:
    from blockout.comparing.compare import Compared, Comparison
    from blockout.comparing.volumes import Amount, WaxPlace

COMPARE_SCHEMA: Final = "blockout-compare/1"
DOCUMENT: Final = "compare.json"
COMPARE_FILES: Final = (
    DOCUMENT, "*/deviation.ply", "*/excess-*.stl", "*/missing-*.stl", "*/*.png",
)  # fmt: skip
"""All that a folder of a comparison holds."""

UNSHOWN: Final = (0.62, 0.62, 0.60)
_MARKED: Final = 12
_MARK_MM: Final = 1.6
_LARGE_FACE_MM: Final = 0.6
_WHITE: Final = np.array([95.047, 100.0, 108.883])  # D65, 2 degrees
_TO_RGB: Final = np.array(
    [[3.2406, -1.5372, -0.4986], [-0.9689, 1.8758, 0.0415], [0.0557, -0.2040, 1.0570]]
)
_MIDDLE_LAB: Final = np.array([93.0, 0.0, 4.0])
_MISSING_LAB: Final = np.array([38.0, 4.0, -46.0])
_EXCESS_LAB: Final = np.array([38.0, 50.0, 42.0])


# --- colours -------------------------------------------------------------------------------------
def deviation_colours(off_mm: ArrayLike, *, most_mm: float) -> Floats:
    """Colours of signed deviations: pale where there is none, blue where wax is missing, red-brown
    where there is too much, even steps to the eye either way.

    Two straight lines in the CIELAB space from one pale grey, so that equal deviations differ from
    it equally, and that lightness alone tells the size; blue and red-brown are told apart with the
    common colour blindnesses.

    Parameters
    ----------
    off_mm : (...,)
    most_mm : float
        Deviation of the last colour either way, more than 0.

    Returns
    -------
    (..., 3) float, sRGB, 0 to 1

    >>> a, b = deviation_colours([-0.5, 0.5], most_mm=0.5)
    >>> bool(a[2] > a[0] and b[0] > b[2])
    True
    """
    share = np.clip(np.asarray(off_mm, dtype=np.float64) / most_mm, -1.0, 1.0)[..., None]
    end = np.where(share < 0.0, _MISSING_LAB, _EXCESS_LAB)
    return _srgb(_MIDDLE_LAB + np.abs(share) * (end - _MIDDLE_LAB))


def _srgb(lab: Floats) -> Floats:
    """CIELAB (D65) to sRGB, IEC 61966-2-1."""
    f = (lab[..., 0] + 16.0) / 116.0
    parts = np.stack([f + lab[..., 1] / 500.0, f, f - lab[..., 2] / 200.0], axis=-1)
    xyz = np.where(parts > 6.0 / 29.0, parts**3, (parts - 4.0 / 29.0) * 3.0 * (6.0 / 29.0) ** 2)
    linear = np.clip((xyz * _WHITE / 100.0) @ _TO_RGB.T, 0.0, 1.0)
    curved = np.where(
        linear <= 0.0031308, 12.92 * linear, 1.055 * np.power(linear, 1.0 / 2.4) - 0.055
    )
    colours: Floats = np.clip(curved, 0.0, 1.0)
    return colours


# --- facts ---------------------------------------------------------------------------------------
def comparison_facts(
    comparison: Comparison, *, timings_s: Mapping[str, float] | None = None
) -> Facts:
    """The document of ``compare --json``, written as ``compare.json`` too.

    Places are in the coordinates of the cast's file; ``pose`` of a scan takes its own coordinates,
    in mm, to those.
    """
    plan, settings = comparison.plan, comparison.settings
    facts: Facts = {
        "schema": COMPARE_SCHEMA,
        "passed": comparison.passed,
        "cast": cast_facts(plan.cast),
        "path": path_facts(plan.path),
        "planned": {
            "volume_mm3": plan.volume_mm3,
            "parts": [
                {"name": part.name, "kind": part.kind, "volume_mm3": part.volume_mm3}
                for part in plan.parts
            ],
            "regions_are_teeth": plan.regions.by_tooth,
        },
        "tolerances": {
            name: {
                "value": getattr(settings, name),
                "stated": name in settings.model_fields_set,
            }
            for name in type(settings).model_fields
        },
        "scans": [scan_facts(scan, comparison) for scan in comparison.scans],
        "repeated": comparison.repeated,
        "definitions": DEFINITIONS,
        "versions": versions(),
        "timings_s": dict(timings_s or {}),
    }
    ready: Facts = json_ready(facts, where="comparison")
    return ready


DEFINITIONS: Final[Mapping[str, str]] = {
    "deviation": "exact distance from a place of the planned surface to the scan, positive where "
    "the scan stands out",
    "actual volume": "planned volume and what the material on lines along the path differs by",
    "trueness": "agreement of the mean of the scans with the plan (ISO 5725-1): told as the mean "
    "less the plan",
    "precision": "agreement of the scans among themselves (ISO 5725-1): told as the standard "
    "deviation about their own mean",
}


def scan_facts(scan: Compared, comparison: Comparison) -> Facts:
    """One scan: how it was laid on, what was measured, and its verdict."""
    fit, volumes = scan.fit, scan.volumes
    density = comparison.settings.wax_density_g_per_cm3
    planned_g, actual_g = volumes.mass_g(density)
    facts: Facts = json_ready(
        {
            "name": scan.name,
            "sha256": scan.sha256,
            "unit": scan.unit,
            "passed": scan.verdict.passed,
            "failed": scan.verdict.failed,
            "checks": scan.verdict.checks,
            "unknown": scan.verdict.unknown,
            "notes": scan.laid.notes,
            "fit": {
                "pose": fit.pose.matrix,
                "rms_mm": fit.rms_mm,
                "p95_mm": fit.p95_mm,
                "bias_mm": fit.bias_mm,
                "all_rms_mm": fit.all_rms_mm,
                "kept_share": fit.kept_share,
                "covered_share": fit.covered_share,
                "turn_sigma_deg": fit.turn_sigma_deg,
                "shift_sigma_mm": fit.shift_sigma_mm,
                "points": fit.points,
            },
            "volume": amount_facts(volumes.whole)
            | {
                "missing_mm3": volumes.missing_mm3,
                "excess_mm3": volumes.excess_mm3,
                "uncertain_mm3": volumes.uncertain_mm3,
                "planned_g": planned_g,
                "actual_g": actual_g,
                "density_g_per_cm3": density,
                "checked": volumes.checked,
                "not_a_solid": volumes.unsolid,
                "left_out_lines_share": volumes.unsound_share,
                "parts": [amount_facts(one) for one in volumes.parts],
                "regions": [amount_facts(one) for one in volumes.regions],
            },
            "places": [place_facts(one) for one in volumes.places],
            "small_places": volumes.small_places,
            "place_depth_mm": volumes.place_depth_mm,
            "deviation": {"wax": scan.spreads, "free of wax": scan.free},
            "walls": scan.walls,
            "ledges": [{**vars(one), "depth_off_mm": one.depth_off_mm} for one in scan.ledges],
            "reliefs": scan.reliefs,
        },
        where=scan.name,
    )
    return facts


def amount_facts(amount: Amount) -> Facts:
    """Wax of one part or region."""
    return {
        "name": amount.name,
        "planned_mm3": amount.planned_mm3,
        "shown_mm3": amount.shown_mm3,
        "actual_mm3": amount.actual_mm3,
        "off_mm3": amount.off_mm3,
    }


def place_facts(place: WaxPlace) -> Facts:
    """One place of missing or excess wax."""
    return {
        "kind": place.kind,
        "volume_mm3": place.volume_mm3,
        "depth_mm": place.depth_mm,
        "at_mm": list(place.at_mm),
        "low_mm": list(place.low_mm),
        "high_mm": list(place.high_mm),
        "region": place.region,
        "part": place.part,
        "solid_mm3": None if place.mesh is None else place.mesh.volume_mm3,
    }


# --- files ---------------------------------------------------------------------------------------
def scan_folder(number: int, name: str) -> str:
    """What the folder of one scan is called: its number and the name of its file.

    >>> scan_folder(2, "Scan of Monday (b).stl")
    '2-Scan-of-Monday-b'
    """
    plain = re.sub(r"[^A-Za-z0-9]+", "-", Path(name).stem).strip("-") or "scan"
    return f"{number}-{plain[:60]}"


def write_scan(
    folder: Path,
    scan: Compared,
    comparison: Comparison,
    *,
    pictures: bool = True,
    size_px: tuple[int, int] = (1200, 900),
) -> None:
    """The coloured mesh, the pieces of wax and the pictures of one scan.

    Raises
    ------
    OutputError
    """
    folder.mkdir(parents=True, exist_ok=True)
    off_mm, shown = _at_vertices(scan, comparison)
    colours = bytes_of(_vertex_colours(off_mm, shown, comparison))
    write_ply(
        folder / "deviation.ply",
        comparison.plan.model,
        comments=[
            "blockout unit mm",
            "deviation_mm is positive where the scan stands out of the plan",
            "shown is 0 where the scan says nothing",
        ],
        vertex_fields={
            "deviation_mm": np.where(shown, off_mm, 0.0).astype(np.float32),
            "shown": shown.astype(np.uint8),
            "red": colours[:, 0],
            "green": colours[:, 1],
            "blue": colours[:, 2],
        },
    )
    for number, place in enumerate(scan.volumes.places, start=1):
        if place.mesh is not None:
            write_stl(folder / f"{place.kind}-{number:02d}.stl", place.mesh)
    if pictures:
        for name, picture in comparison_pictures(scan, comparison, size_px=size_px):
            write_picture(folder / f"{name}.png", picture)


def _at_vertices(scan: Compared, comparison: Comparison) -> tuple[Floats, Bools]:
    plan = comparison.plan
    off_mm, shown = scan.laid.off_mm(plan.model.vertices, plan.model.vertex_normals)
    held = np.zeros(len(plan.model.vertices), dtype=bool)
    held[plan.model.faces[plan.surveyed].reshape(-1)] = True
    return off_mm, shown & held


def _vertex_colours(off_mm: Floats, shown: Bools, comparison: Comparison) -> Floats:
    tones = deviation_colours(off_mm, most_mm=comparison.settings.across_arch_mm)
    return np.where(shown[:, None], tones, UNSHOWN)


# --- pictures ------------------------------------------------------------------------------------
def comparison_pictures(
    scan: Compared, comparison: Comparison, *, size_px: tuple[int, int] = (1200, 900)
) -> Iterator[tuple[str, Picture]]:
    """Name and picture of each view: the planned surface in the colours of its deviation, the
    named places of missing and excess wax ringed and numbered in the legend.
    """
    plan, most_mm = comparison.plan, comparison.settings.across_arch_mm
    off_mm, shown = _at_vertices(scan, comparison)
    body = Body(plan.model, _paint(scan, comparison, off_mm, shown))
    words = (_fit_words(scan), _verdict_words(scan))
    for name in VIEWS:
        view = bench_view(
            name,
            frame=plan.cast.frame,
            direction=plan.path.direction,
            arch=plan.cast.arch,
            arch_stated=plan.cast.arch_stated,
        )
        rings = [
            Line(_ring(np.array(place.at_mm), view.axes), True, INK, 2.2, _dash(place))
            for place in scan.volumes.places[:_MARKED]
        ]
        lifted = [
            Line(
                ring.points_mm + 40.0 * view.toward, True, ring.colour, ring.width_px, ring.dash_px
            )
            for ring in rings
        ]
        yield (
            name,
            draw_bodies(
                (body,),
                view=view,
                heading=f"Scan against plan: {scan.name}. {view.title}",
                lines=lifted,
                words=words,
                legend=_legend(scan, most_mm),
                size_px=size_px,
            ),
        )


def _dash(place: WaxPlace) -> tuple[float, ...]:
    return () if place.kind == "excess" else (5.0, 3.0)


def _ring(middle: Floats, axes: Floats) -> Floats:
    turn = np.linspace(0.0, 2.0 * np.pi, 49)[:-1]
    ring: Floats = middle + _MARK_MM * (
        np.cos(turn)[:, None] * axes[0] + np.sin(turn)[:, None] * axes[1]
    )
    return ring


def _paint(scan: Compared, comparison: Comparison, off_mm: Floats, shown: Bools) -> Paint:
    """Between corners on small faces; on large ones each place is measured for itself."""
    plan, most_mm = comparison.plan, comparison.settings.across_arch_mm
    mesh, held = plan.model, plan.surveyed
    edges = np.linalg.norm(mesh.corners - np.roll(mesh.corners, 1, axis=1), axis=2)
    large = edges.max(axis=1) > _LARGE_FACE_MM

    def paint(faces: Ints, weights: Floats) -> Floats:
        corner = mesh.faces[faces]
        at = np.einsum("ij,ij->i", weights, off_mm[corner])
        seen = np.asarray(shown[corner].all(axis=1))
        own = np.flatnonzero(large[faces] & held[faces])
        if len(own):
            places = np.einsum("ij,ijk->ik", weights[own], mesh.corners[faces[own]])
            at[own], seen[own] = scan.laid.off_mm(places, mesh.face_normals[faces[own]])
        colours = deviation_colours(at, most_mm=most_mm)
        colours[~seen] = UNSHOWN
        colours[~held[faces]] = BASE
        return colours

    return paint


def _legend(scan: Compared, most_mm: float) -> list[Entry]:
    ramp = deviation_colours(np.linspace(most_mm, -most_mm, 256), most_mm=most_mm)
    ticks = tuple(
        (0.5 - 0.5 * share, f"{share * most_mm:+.2f} mm" if share else "0 mm")
        for share in (1.0, 0.5, 0.0, -0.5, -1.0)
    )
    legend: list[Entry] = [
        Bar("scan less plan", ramp, ticks),
        Swatch("not on the scan", UNSHOWN),
        Swatch("base, not compared", BASE),
    ]
    places = scan.volumes.places
    if any(place.kind == "excess" for place in places):
        legend.append(Stroke("excess wax", INK, 2.2, (), PLASTER))
    if any(place.kind == "missing" for place in places):
        legend.append(Stroke("missing wax", INK, 2.2, (5.0, 3.0), PLASTER))
    for place in places[:6]:
        sign = "+" if place.kind == "excess" else "-"
        legend.append(Text(f"{sign}{place.volume_mm3:.2f} mm3, {place.region}", faint=True))
    if len(places) > 6:
        legend.append(Text(f"and {len(places) - 6} more places", faint=True))
    return legend


def _fit_words(scan: Compared) -> str:
    fit = scan.fit
    return (
        f"fit on surface free of wax: {1000.0 * fit.rms_mm:.1f} um RMS, "
        f"{1000.0 * fit.p95_mm:.1f} um 95th percentile"
    )


def _verdict_words(scan: Compared) -> str:
    whole = scan.volumes.whole
    said = "passes" if scan.verdict.passed else f"fails {len(scan.verdict.failed)} checks"
    return (
        f"wax {whole.actual_mm3:.1f} mm3, planned {whole.shown_mm3:.1f} mm3; missing "
        f"{scan.volumes.missing_mm3:.2f}, excess {scan.volumes.excess_mm3:.2f} mm3; {said}"
    )


__all__ = [
    "COMPARE_FILES",
    "COMPARE_SCHEMA",
    "DOCUMENT",
    "comparison_facts",
    "comparison_pictures",
    "deviation_colours",
    "scan_facts",
    "scan_folder",
    "write_scan",
]
