"""What recording found, as plain values with units in their names."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from blockout.recording.certainty import Interval, Sureness
from blockout.recording.groove import Carved, Groove
from blockout.recording.guiding import GuidingSurface
from blockout.recording.one_path import PathCone
from blockout.recording.reposition import Repositioned
from blockout.recording.triangle import TiltError
from blockout.recording.tripod import Tripod
from blockout.surveying.path import InsertionPath

Facts = dict[str, Any]

TRIPOD_SCHEMA = "blockout-tripod/1"
REPOSITION_SCHEMA = "blockout-reposition/1"
SURENESS_SCHEMA = "blockout-sureness/1"


def _points(rows: Any) -> list[list[float]]:
    return [[float(x) for x in row] for row in rows]


def _path(path: InsertionPath) -> Facts:
    return {
        "anterior_tilt_deg": path.anterior_tilt_deg,
        "lateral_tilt_deg": path.lateral_tilt_deg,
        "tilt_deg": path.tilt_deg,
        "direction": [float(x) for x in path.direction],
        "direction_cast": [float(x) for x in path.direction_cast],
    }


def error_facts(error: TiltError) -> Facts:
    """An error of tilt, in degrees."""
    return {
        "reading_error_mm": error.reading_error_mm,
        "one_mark_deg": error.one_mark_deg,
        "all_marks_deg": error.all_marks_deg,
        "usual_deg": error.usual_deg,
    }


def tripod_facts(tripod: Tripod) -> Facts:
    """Three marks; coordinates are those of the cast's file."""
    return {
        "marks": [
            {"number": number, "point_mm": point, "triangle_height_mm": float(height)}
            for number, (point, height) in enumerate(
                zip(_points(tripod.marks_mm), tripod.heights_mm, strict=True), start=1
            )
        ],
        "height_mm": tripod.height_mm,
        "spans_mm": [float(x) for x in tripod.spans_mm],
        "least_height_mm": float(tripod.heights_mm.min()),
        "on_tissue": tripod.on_tissue,
        "tilt_error": error_facts(tripod.error),
        "notes": list(tripod.notes),
    }


def carved_facts(carved: Sequence[Carved], grooves: Sequence[Groove]) -> list[Facts]:
    """Marks and lines that were cut, beside what they take away of an even surface."""
    return [
        {
            "name": cut.name,
            "kind": cut.kind,
            "volume_mm3": cut.volume_mm3,
            "even_volume_mm3": groove.level_volume_mm3,
            "deepest_mm": groove.deepest_mm,
            "ends_mm": None if groove.ends_mm is None else _points(groove.ends_mm),
            "notes": list(cut.notes),
        }
        for cut, groove in zip(carved, grooves, strict=True)
    ]


def repositioned_facts(told: Repositioned, *, recorded: InsertionPath | None = None) -> Facts:
    """What three marks say, and how far that is from a recorded path."""
    facts: Facts = {
        "path": _path(told.path),
        "marks_mm": _points(told.marks_mm),
        "triangle_heights_mm": [float(x) for x in told.heights_mm],
        "tilt_error": error_facts(told.error),
        "recorded": None,
    }
    if recorded is not None:
        facts["recorded"] = _path(recorded) | {
            "off_deg": told.off_deg(recorded),
            "anterior_off_deg": told.path.anterior_tilt_deg - recorded.anterior_tilt_deg,
            "lateral_off_deg": told.path.lateral_tilt_deg - recorded.lateral_tilt_deg,
        }
    return facts


def _interval(one: Interval, unit: str) -> Facts:
    return {
        f"meant_{unit}": one.meant,
        f"low_{unit}": one.low,
        f"high_{unit}": one.high,
        f"middle_{unit}": one.middle,
    }


def sureness_facts(sure: Sureness) -> Facts:
    """Intervals of arms, guiding planes and volume, and how they were found."""
    return {
        "repositioning_error_deg": sure.repositioning_error_deg,
        "scan_noise_mm": sure.scan_noise_mm,
        "samples": sure.samples,
        "seed": sure.seed,
        "rank": sure.rank,
        "coverage_share": sure.coverage,
        "confidence_share": sure.confidence,
        "furthest_off_deg": float(sure.off_deg.max(initial=0.0)),
        "arms": [
            {
                "name": arm.name,
                "tooth": arm.tooth,
                "role": arm.role,
                "depth": _interval(arm.depth_mm, "mm"),
                "force": None if arm.force_n is None else _interval(arm.force_n, "n"),
                "out_of_undercut_share": arm.out_of_undercut_share,
            }
            for arm in sure.arms
        ],
        "guiding_planes": [
            {
                "name": plane.name,
                "tooth": plane.tooth,
                "aspect": plane.aspect,
                "lean": _interval(plane.lean_deg, "deg"),
            }
            for plane in sure.planes
        ],
        "undercut_volume": _interval(sure.volume_mm3, "mm3"),
        "assumptions": list(sure.assumptions),
    }


def guiding_facts(surfaces: Sequence[GuidingSurface]) -> list[Facts]:
    """Guiding surfaces as they stand."""
    return [
        {
            "name": one.name,
            "tooth": one.tooth,
            "aspect": one.aspect,
            "area_mm2": one.area_mm2,
            "height_mm": one.height_mm,
            "lean_deg": one.lean_deg,
            "normal": None if one.normal is None else [float(x) for x in one.normal],
            "wall_length_mm": one.wall_length_mm,
        }
        for one in surfaces
    ]


def cone_facts(cone: PathCone) -> Facts:
    """The directions that are left, and what bounds them."""
    return {
        "kind": cone.kind,
        "one_path_only": cone.one_path_only,
        "widest_deg": cone.widest_deg,
        "narrowest_deg": cone.narrowest_deg,
        "solid_angle_sr": cone.solid_angle_sr,
        "axis": None if cone.axis is None else [float(x) for x in cone.axis],
        "corners": _points(cone.corners),
        "open_to_horizon": cone.open_to_horizon,
        "clearance_deg": cone.clearance_deg,
        "bounded_by": [
            {
                "name": bound.name,
                "tooth": bound.tooth,
                "aspect": bound.aspect,
                "edge_deg": bound.edge_deg,
            }
            for bound in cone.bounded_by
        ],
    }
