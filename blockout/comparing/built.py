"""The plan of a built folder, read back from its files."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

import numpy as np

from blockout.case.comparing_settings import CompareSettings
from blockout.case.settings import PathSettings
from blockout.case.tooth_settings import TeethSettings
from blockout.cast.cast import Cast
from blockout.cast.record import read_cast
from blockout.cast.scan import read_scan
from blockout.comparing.plan import Part, Plan, Terminal, plan_from_parts
from blockout.comparing.regions import Regions, regions_of_arch, regions_of_teeth
from blockout.errors import InputError
from blockout.progress import Progress, silent
from blockout.surveying.path import InsertionPath, insertion_path
from blockout.teeth.named import teeth_of
from blockout.writing import stays_in_its_folder

SUMMARY: Final = "summary.json"
_STEEPEST_DEG: Final = 60.0
_BACK_POINTS: Final = 6


def read_summary(folder: Path) -> dict[str, Any]:
    """The document of a built folder.

    Raises
    ------
    InputError
        It is no folder that a build wrote.
    """
    try:
        summary = json.loads((folder / SUMMARY).read_text(encoding="utf-8"))
        _ = summary["parts"], summary["path"]["direction"], summary["cast"]["source_sha256"]
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise InputError(
            "this is not a folder that a build wrote",
            measured=f"{SUMMARY}: {type(error).__name__}",
            where=str(folder),
            fix="Name the folder given to `blockout build --out`.",
        ) from error
    return dict(summary)


def plan_of_folder(
    folder: Path, *, summary: Mapping[str, Any], progress: Progress = silent
) -> Plan:
    """Cast, model, wax, path, teeth and terminals of a build.

    Regions are the teeth that the case named, or else parts of the arch.

    Raises
    ------
    ReadError, InputError
    """
    progress("reading the build")
    cast = read_cast(folder / "cast.ply")
    if cast is None:
        raise InputError(
            "the build's cast carries no record of how it was prepared",
            where=str(folder / "cast.ply"),
            fix="Run `blockout build` again.",
        )
    path = path_along(cast, tuple(summary["path"]["direction"]))
    parts = []
    for part in summary["parts"]:
        if not stays_in_its_folder(part["name"]):
            raise InputError(
                "a part of the build is called by what is not the name of a part",
                measured=repr(part["name"])[:80],
                where=str(folder / SUMMARY),
                fix="Run `blockout build` again.",
            )
        if part["triangles"]:
            mesh = read_scan(folder / "wax" / f"{part['name']}.stl", unit="mm").mesh
            parts.append(Part(part["name"], part["kind"], mesh, mesh.volume_mm3))
    return plan_from_parts(
        cast,
        path,
        model=read_scan(folder / "model.stl", unit="mm").mesh,
        parts=parts,
        regions=_regions(cast, path, summary, progress),
        terminals=[_terminal(arm) for arm in summary.get("arms", ())],
    )


def path_along(cast: Cast, direction: tuple[float, ...]) -> InsertionPath:
    """The path of a build; it was checked against its limit when it was built."""
    x, y, z = direction
    settings = PathSettings(direction=(x, y, z), max_tilt_deg=_STEEPEST_DEG)
    return insertion_path(cast.frame, arch=cast.arch, settings=settings)


def stated(facts: Any) -> Any:
    """The values that a case stated, from what a summary tells of them.

    >>> stated({"a": {"value": 2, "stated": True}, "b": {"value": 3, "stated": False}})
    {'a': 2}
    """
    if isinstance(facts, list):
        return [stated(one) for one in facts]
    return {
        key: value["value"] if isinstance(value, Mapping) and "stated" in value else stated(value)
        for key, value in facts.items()
        if not (isinstance(value, Mapping) and "stated" in value and not value["stated"])
    }


def settings_in(summary: Mapping[str, Any]) -> CompareSettings:
    """The tolerances that the case of a build stated; the defaults for the rest."""
    facts = summary.get("case", {}).get("compare", {})
    return CompareSettings.model_validate(stated(facts))


def _regions(
    cast: Cast, path: InsertionPath, summary: Mapping[str, Any], progress: Progress
) -> Regions:
    facts = summary.get("case", {}).get("teeth", {})
    settings = TeethSettings.model_validate(_as_tuples(stated(facts)))
    teeth = teeth_of(cast, settings, progress=progress)
    return regions_of_arch(cast, path) if teeth is None else regions_of_teeth(path, teeth)


def _as_tuples(value: Any) -> Any:
    if isinstance(value, list):
        return tuple(_as_tuples(one) for one in value)
    if isinstance(value, Mapping):
        return {key: _as_tuples(one) for key, one in value.items()}
    return value


def _terminal(arm: Mapping[str, Any]) -> Terminal:
    centre = np.array(arm["centre_mm"], dtype=np.float64)
    back = centre[max(len(centre) - _BACK_POINTS, 0)] - centre[-1]
    back /= max(float(np.linalg.norm(back)), 1e-12)
    x, y, z = arm["terminal_at_mm"]
    return Terminal(
        name=arm["name"],
        tooth=arm["tooth"],
        at_mm=(x, y, z),
        depth_mm=arm["terminal_depth_mm"],
        back=(float(back[0]), float(back[1]), float(back[2])),
    )
