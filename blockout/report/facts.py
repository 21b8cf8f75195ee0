"""Facts as plain JSON values: the same words for the same things in every document.

``summary.json``, ``inspect --json``, ``prepare --json`` and ``survey --json`` are put together from
the functions here. Numbers are finite and carry their unit in their key; coordinates and
directions are those of the files beside the document unless a key ends in ``_cast``.
"""

from __future__ import annotations

import math
import platform
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import fields, is_dataclass
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Final, Protocol, TypedDict, Unpack

import numpy as np

from blockout.cast.cast import Cast
from blockout.cast.change import Change
from blockout.errors import CheckError
from blockout.mesh import Mesh, solidity
from blockout.report.cautions import CAUTIONS

if TYPE_CHECKING:
    from blockout.cast.inspect import Inspection
    from blockout.cast.scan import Scan
    from blockout.model.build import Model
    from blockout.surveying.path import InsertionPath
    from blockout.surveying.survey import Survey
    from blockout.wax.wax import Wax

Facts = dict[str, Any]
"""JSON-ready: text, finite numbers, booleans, None, lists and dicts with text keys."""

SUMMARY_SCHEMA: Final = "blockout-summary/1"
SURVEY_SCHEMA: Final = "blockout-survey/1"
PREPARE_SCHEMA: Final = "blockout-prepare/1"
INSPECT_SCHEMA: Final = "blockout-inspect/1"

PART_KINDS: Final = ("parallel", "ledge", "arbitrary", "relief", "bead")

SUMMARY_KEYS: Final[Mapping[str, tuple[str, ...]]] = {
    "schema": (),
    "cast": ("triangles", "volume_mm3", "closed", "source_sha256"),
    "frame": (),
    "path": ("anterior_tilt_deg", "lateral_tilt_deg", "direction"),
    "undercut": ("volume_mm3", "area_mm2", "max_depth_mm"),
    "parts": ("name", "kind", "volume_mm3", "triangles", "closed"),
    "model": ("triangles", "volume_mm3", "closed"),
    "warnings": ("code", "message"),
    "versions": (),
    "timings_s": (),
}
"""The keys that ``summary.json`` always holds, and those of each object or list item in it."""

_LIBRARIES: Final = (
    "embreex", "libigl", "manifold3d", "numpy", "pillow", "plyfile", "pydantic",
    "scipy", "shapely", "trimesh",
)  # fmt: skip


class Coded(Protocol):
    """A warning: a code for machines, a sentence for people, places in file coordinates."""

    @property
    def code(self) -> str: ...

    @property
    def message(self) -> str: ...

    @property
    def places_mm(self) -> Sequence[tuple[float, float, float]]: ...


def json_ready(value: Any, *, where: str = "the document") -> Any:
    """Plain JSON values of anything the house makes.

    Arrays become lists, tuples lists, dataclasses objects, paths text, keys text.

    Raises
    ------
    CheckError
        A number is not finite; the message names its place.
    TypeError
        Something that has no plain form.

    >>> json_ready({"direction": np.array([0.0, 0.0, 1.0]), "gauges_mm": (0.25,)})
    {'direction': [0.0, 0.0, 1.0], 'gauges_mm': [0.25]}
    """
    if value is None or isinstance(value, bool | str):
        return value
    if isinstance(value, np.ndarray | np.generic):
        return json_ready(value.tolist(), where=where)
    if isinstance(value, int):
        return int(value)
    if isinstance(value, float):
        if not math.isfinite(value):
            raise CheckError(
                "a fact is not a finite number",
                measured=str(value),
                where=where,
                fix="This is a fault of blockout, not of your file; please report it.",
            )
        return float(value) + 0.0  # no minus zero
    if isinstance(value, Mapping):
        return {str(key): json_ready(item, where=f"{where}.{key}") for key, item in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        items = sorted(value) if isinstance(value, set | frozenset) else value
        return [json_ready(item, where=f"{where}[{i}]") for i, item in enumerate(items)]
    if isinstance(value, Path):
        return str(value)
    if is_dataclass(value) and not isinstance(value, type):
        plain = {one.name: getattr(value, one.name) for one in fields(value)}
        return json_ready(plain, where=where)
    raise TypeError(f"{type(value).__name__} at {where} has no plain form")


# --- things ---
def versions() -> dict[str, str]:
    """This package, Python, and the libraries that were used, each with its version."""
    found = {"blockout": _version("blockout"), "python": platform.python_version()}
    return found | {name: _version(name) for name in _LIBRARIES}


def _version(name: str) -> str:
    try:
        return version(name)
    except PackageNotFoundError:
        return "unknown"


def mesh_facts(mesh: Mesh) -> Facts:
    """Triangles, volume, and whether it is closed, of any mesh that should be a solid."""
    answer = solidity(mesh)
    return {
        "triangles": mesh.triangle_count,
        "vertices": len(mesh.vertices),
        "volume_mm3": mesh.volume_mm3,
        "closed": answer.closed,
        "is_solid": answer.is_solid,
        "size_mm": json_ready(mesh.bounds_mm[1] - mesh.bounds_mm[0]),
    }


def cast_facts(cast: Cast) -> Facts:
    """The cast: its solid, what of it was scanned, and where it came from."""
    scanned_area_mm2 = float(cast.mesh.face_areas_mm2[cast.scanned].sum())
    return mesh_facts(cast.mesh) | {
        "source": cast.source.name,
        "source_sha256": cast.source.sha256,
        "arch": cast.arch,
        "arch_stated": cast.arch_stated,
        "scanned_triangles": int(cast.scanned.sum()),
        "scanned_area_mm2": scanned_area_mm2,
        "noise_mm": float(cast.noise_mm),
        "floor_mm": float(cast.floor_mm),
    }


def frame_facts(cast: Cast) -> list[list[float]]:
    """4 x 4, cast frame to file coordinates, mm."""
    matrix: list[list[float]] = json_ready(cast.frame.matrix, where="frame")
    return matrix


def path_facts(path: InsertionPath) -> Facts:
    """The path of insertion; ``direction`` is the way of removal in file coordinates."""
    return {
        "anterior_tilt_deg": json_ready(path.anterior_tilt_deg, where="path.anterior_tilt_deg"),
        "lateral_tilt_deg": json_ready(path.lateral_tilt_deg, where="path.lateral_tilt_deg"),
        "tilt_deg": json_ready(path.tilt_deg, where="path.tilt_deg"),
        "direction": json_ready(path.direction, where="path.direction"),
        "direction_cast": json_ready(path.direction_cast, where="path.direction_cast"),
    }


def undercut_facts(survey: Survey) -> Facts:
    """What is undercut under the scanned surface, in all and by region of the arch."""
    facts: Facts = json_ready(
        {
            "volume_mm3": survey.volume_mm3,
            "area_mm2": survey.area_mm2,
            "max_depth_mm": survey.max_depth_mm,
            "max_depth_at_mm": survey.max_depth_at_mm,
            "noise_depth_mm": survey.noise_depth_mm,
            "gauges_mm": sorted(survey.iso_lines),
            "survey_line_count": len(survey.survey_lines),
            "survey_line_mm": _length_mm(survey.survey_lines),
            "regions": survey.regions,
            "left_alone": survey.left_alone,
        },
        where="undercut",
    )
    return facts


def _length_mm(lines: Iterable[Any]) -> float:
    total = 0.0
    for line in lines:
        points = line.points_mm
        if line.closed and len(points):
            points = np.concatenate([points, points[:1]])
        total += float(np.linalg.norm(np.diff(points, axis=0), axis=1).sum())
    return total


def parts_facts(waxes: Sequence[Wax]) -> list[Facts]:
    """Each wax part. A part with nothing to fill is said as empty: closed, no triangles, 0 mm3."""
    return [_part(wax) for wax in waxes]


def _part(wax: Wax) -> Facts:
    mesh = wax.mesh
    return {
        "name": wax.name,
        "kind": wax.kind,
        "volume_mm3": json_ready(wax.volume_mm3, where=f"parts.{wax.name}.volume_mm3"),
        "triangles": 0 if mesh is None else mesh.triangle_count,
        "closed": True if mesh is None else solidity(mesh).closed,
        "empty": mesh is None,
        "notes": list(wax.notes),
    }


def model_facts(model: Model) -> Facts:
    """The blocked-out model."""
    return mesh_facts(model.mesh)


def changes_facts(changes: Iterable[Change]) -> list[Facts]:
    """What preparing changed, step by step."""
    facts: list[Facts] = json_ready(list(changes), where="changes")
    return facts


def warnings_facts(warnings: Iterable[Coded]) -> list[Facts]:
    """Code, message and places of each warning."""
    return [
        {
            "code": one.code,
            "message": one.message,
            "places_mm": [list(place) for place in one.places_mm],
        }
        for one in warnings
    ]


# --- documents ---
def inspect_facts(scan: Scan, inspection: Inspection) -> Facts:
    """The document of ``inspect --json``: the mesh of a scan as it is, nothing mended."""
    welded = scan.weld
    return {
        "schema": INSPECT_SCHEMA,
        "source": scan.source.name,
        "source_sha256": scan.source.sha256,
        "format": scan.file.format,
        "unit": scan.unit,
        "unit_from": scan.unit_from,
        "welded": None
        if welded is None
        else json_ready(
            {
                "merged_count": welded.merged_count,
                "moved_count": welded.moved_count,
                "largest_move_mm": welded.largest_move_mm,
            },
            where="welded",
        ),
        "mesh": json_ready(inspection.facts(), where="mesh"),
        "notes": list(scan.notes),
        "versions": versions(),
    }


class Told(TypedDict, total=False):
    """What the steps had to say, in the order it came up; empty where left out."""

    changes: Sequence[Change]
    notes: Sequence[str]
    warnings: Sequence[Coded]
    timings_s: Mapping[str, float]
    """Seconds of each stage."""


def _told_facts(
    *,
    changes: Sequence[Change] = (),
    notes: Sequence[str] = (),
    warnings: Sequence[Coded] = (),
    timings_s: Mapping[str, float] = MappingProxyType({}),
) -> Facts:
    """The end of every document: what was changed, noted and warned of, with what, how long."""
    return {
        "changes": changes_facts(changes),
        "notes": list(notes),
        "warnings": warnings_facts(warnings),
        "versions": versions(),
        "timings_s": json_ready(dict(timings_s), where="timings_s"),
    }


def prepare_facts(cast: Cast, **told: Unpack[Told]) -> Facts:
    """The document of ``prepare --json``."""
    return {
        "schema": PREPARE_SCHEMA,
        "cast": cast_facts(cast),
        "frame": frame_facts(cast),
        **_told_facts(**told),
    }


def survey_facts(survey: Survey, **told: Unpack[Told]) -> Facts:
    """The document of ``survey --json``, written as ``survey.json`` too."""
    return {
        "schema": SURVEY_SCHEMA,
        "cast": cast_facts(survey.cast),
        "frame": frame_facts(survey.cast),
        "path": path_facts(survey.path),
        "undercut": undercut_facts(survey),
        **_told_facts(**told),
    }


def build_summary(
    survey: Survey,
    *,
    waxes: Sequence[Wax],
    model: Model,
    case: Mapping[str, Any] | None = None,
    undercut_volume_mm3: float | None = None,
    **told: Unpack[Told],
) -> Facts:
    """The document ``summary.json``; :data:`SUMMARY_KEYS` lists what it always holds.

    Parameters
    ----------
    survey, waxes, model
        What was built.
    case : mapping, optional
        Every value used with where it comes from, as :func:`blockout.case.facts.case_facts` says.
    undercut_volume_mm3 : float, optional
        Exact volume of the undercut region, where the build knows it better than the survey.
    told
        From preparing, surveying and building; see :class:`Told`.
    """
    summary = survey_facts(survey, **told)
    ordered: Facts = {"schema": SUMMARY_SCHEMA}
    for key in ("cast", "frame", "path", "undercut"):
        ordered[key] = summary[key]
    if undercut_volume_mm3 is not None:
        exact_mm3 = json_ready(undercut_volume_mm3, where="undercut.volume_mm3")
        ordered["undercut"] = ordered["undercut"] | {"volume_mm3": exact_mm3}
    ordered["parts"] = parts_facts(waxes)
    ordered["model"] = model_facts(model)
    for key in ("changes", "notes", "warnings"):
        ordered[key] = summary[key]
    ordered["cautions"] = list(CAUTIONS)
    if case is not None:
        ordered["case"] = json_ready(dict(case), where="case")
    return ordered | {"versions": summary["versions"], "timings_s": summary["timings_s"]}


def missing_keys(summary: Mapping[str, Any]) -> tuple[str, ...]:
    """Keys of :data:`SUMMARY_KEYS` that a summary lacks, such as ``"cast.volume_mm3"``.

    >>> missing_keys({"schema": "x"})[:2]
    ('cast', 'frame')
    """
    missing: list[str] = []
    for key, inner in SUMMARY_KEYS.items():
        if key not in summary:
            missing.append(key)
            continue
        value = summary[key]
        items = value if isinstance(value, list) else [value]
        missing += [
            f"{key}.{name}"
            for item in items
            if isinstance(item, Mapping)
            for name in inner
            if name not in item
        ]
    return tuple(dict.fromkeys(missing))
