"""What the page shows of one sitting: read along the path, teeth, meshes as bytes, and the folders
that its work was written to. Nothing here is drawn or decided; all of it can be made again from
the case file.
"""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any, Final, Literal, TypeVar

import numpy as np
from numpy.typing import ArrayLike

from blockout import job
from blockout.arms.arm import Arm
from blockout.case.arm_settings import ArmSettings
from blockout.case.facts import case_facts
from blockout.cast.cast import Cast
from blockout.errors import BlockoutError, InputError
from blockout.job import looks
from blockout.kernel.files import read_mesh_file
from blockout.kernel.mesh_file import MeshFile
from blockout.mesh import Floats, Mesh
from blockout.surveying.path import InsertionPath
from blockout.teeth.crowns import Teeth
from blockout.web.sitting import Sitting
from blockout.web.view.buffers import depth_bytes, deviation_bytes, lines_bytes, mesh_bytes

Work = Literal["build", "paths", "try-in", "compare"]
WORKS: Final[tuple[Work, ...]] = ("build", "paths", "try-in", "compare")
_DOCUMENT: Final[Mapping[Work, str]] = {
    "build": job.SUMMARY,
    "paths": job.CHOICES,
    "try-in": "try_in.json",
    "compare": "compare.json",
}
_T = TypeVar("_T")


@dataclass
class Showing:
    """What is shown of one sitting; every answer is made when first asked for and then kept."""

    sitting: Sitting
    _kept: dict[str, tuple[Any, Any]] = field(default_factory=dict)
    _locks: dict[str, threading.RLock] = field(default_factory=dict)

    # --- read along the path --------------------------------------------------------------------
    @property
    def cast(self) -> Cast:
        return self.sitting.prepared.cast

    def path(self) -> InsertionPath:
        """The case's path; nothing is read along it.

        Raises
        ------
        PathError
        """
        return looks.path_along(self.cast, self.sitting.case.path)

    def look(self) -> looks.Look:
        """The cast read along the case's path.

        Raises
        ------
        PathError
        """
        case = self.sitting.case
        key = (case.path.model_dump_json(), case.survey.model_dump_json())
        return self._once(
            "look",
            key,
            lambda: looks.look_along(
                self.cast,
                case.path,
                case.survey.gauges_mm,
                noise_depth_mm=case.survey.noise_depth_mm,
            ),
        )

    def teeth(self) -> Teeth | None:
        """The crowns that the case names.

        Raises
        ------
        InputError
        """
        case = self.sitting.case
        key = case.teeth.model_dump_json()
        return self._once("teeth", key, lambda: looks.teeth_of_case(self.cast, case))

    def teeth_or_trouble(self) -> tuple[Teeth | None, str]:
        """The crowns, or why they cannot be told."""
        try:
            return self.teeth(), ""
        except BlockoutError as error:
            return None, str(error)

    def seen_from(self, place_mm: ArrayLike) -> Floats:
        """From where a place of the cast is seen best. Unit, cast to eye."""
        return looks.seen_from(self.cast, self.path(), place_mm)

    def arms(self) -> tuple[tuple[ArmSettings, Arm | str], ...]:
        """Each arm of the case as it lies on its tooth along the path, or why it cannot."""
        case = self.sitting.case
        look, (teeth, why) = self.look(), self.teeth_or_trouble()
        return tuple(
            (
                one,
                why
                or self._once(
                    f"arm.{index}", (look, teeth, one), partial(looks.arm_laid, look, teeth, one)
                ),
            )
            for index, one in enumerate(case.arm)
        )

    def survey_line_bytes(self) -> bytes:
        """Height of contour along the case's path, for the view."""
        look = self.look()
        return self._once(
            "survey lines", look.path.direction.tobytes(), lambda: lines_bytes(look.survey_lines)
        )

    def probe(self, origin_mm: Any, direction: Any) -> dict[str, Any]:
        """What a ray meets, as the view wants to hear it."""
        found = looks.probe(
            self.cast, self.look(), self.teeth_or_trouble()[0], origin_mm, direction
        )
        if found is None:
            return {"point_mm": None, "said": "beside the cast"}
        return {
            "point_mm": list(found.point_mm),
            "normal": list(found.normal),
            "depth_mm": found.depth_mm,
            "region": found.region,
            "tooth": found.tooth,
            "aspect": found.aspect,
            "scanned": found.scanned,
            "said": probe_words(found),
        }

    # --- folders --------------------------------------------------------------------------------
    def folder(self, work: Work) -> Path:
        """Where one kind of work is written: beside the case file, named after it."""
        file = self.sitting.file
        return file.with_name(f"{file.name.removesuffix('.toml').removesuffix('.case')}-{work}")

    def document(self, work: Work) -> dict[str, Any] | None:
        """What a work's document holds; None where there is none that can be read."""
        path = self.folder(work) / _DOCUMENT[work]
        try:
            stamp = (path.stat().st_mtime_ns, path.stat().st_size)
        except OSError:
            return None

        def read() -> dict[str, Any] | None:
            try:
                found = json.loads(path.read_text(encoding="utf-8"))
            except (OSError, ValueError):
                return None
            return found if isinstance(found, dict) else None

        return self._once(work, stamp, read)

    def is_stale(self) -> bool:
        """The build was made from another state of the case than the one on the table."""
        summary = self.document("build")
        if summary is None:
            return False
        built = _without_place(summary.get("case", {}))
        return built != _without_place(json.loads(json.dumps(case_facts(self.sitting.case))))

    def stamp(self, work: Work) -> int:
        """Another number for each time the work's document was written; 0 without one."""
        try:
            return (self.folder(work) / _DOCUMENT[work]).stat().st_mtime_ns
        except OSError:
            return 0

    # --- meshes as bytes ------------------------------------------------------------------------
    def cast_bytes(self) -> bytes:
        """The cast, for the view."""
        return self._once(
            "cast bytes",
            id(self.cast),
            lambda: mesh_bytes(self.cast.mesh, scanned=self.cast.scanned),
        )

    def part(self, name: str) -> Mesh:
        """A mesh of the build: a part of wax by its name, or ``model``.

        Raises
        ------
        InputError
        """
        summary = self.document("build")
        known = {part["name"] for part in (summary or {}).get("parts", ()) if part["triangles"]}
        folder = self.folder("build")
        if summary is not None and name == "model":
            path = folder / "model.stl"
        elif name in known:
            path = folder / "wax" / f"{name}.stl"
        else:
            raise InputError(f"the build has no part {name!r}")
        return self._mesh(path)

    def part_bytes(self, name: str) -> bytes:
        """A part of the build, for the view. Raises InputError."""
        return mesh_bytes(self.part(name))

    def _mesh(self, path: Path) -> Mesh:
        stamp = (path.stat().st_mtime_ns, path.stat().st_size)
        return self._once(str(path), stamp, lambda: job.inspect_file(path, unit="mm").scan.mesh)

    # --- what try-in and comparison left --------------------------------------------------------
    def left_files(self) -> dict[str, Path]:
        """Meshes that try-in and comparison wrote, by the name of their layer."""
        found = {}
        if self.document("try-in") is not None:
            folder = self.folder("try-in")
            found["framework"] = folder / "framework.ply"
            for path in sorted(folder.glob("interference-*.stl")):
                found[path.stem] = path
        if self.document("compare") is not None:
            folder = self.folder("compare")
            for number, path in enumerate(sorted(folder.glob("*/deviation.ply")), start=1):
                found[f"scan-{number}"] = path
        return {name: path for name, path in found.items() if path.is_file()}

    def left_bytes(self, name: str) -> bytes:
        """One of these meshes, for the view. Raises InputError."""
        file = self._left(name)
        return mesh_bytes(Mesh(file.vertices, file.faces))

    def left_levels(self, name: str, *, full_mm: float) -> bytes:
        """One byte a vertex: how far a comparison's surface is off, or the framework too deep.

        Raises
        ------
        InputError
        """
        fields = self._left(name).vertex_fields
        if "deviation_mm" in fields:
            known = fields.get("shown", np.ones(1)) > 0
            return deviation_bytes(fields["deviation_mm"], full_mm=full_mm, known=known)
        if "depth_mm" in fields:
            return depth_bytes(fields["depth_mm"], full_mm=full_mm)
        raise InputError(f"the surface {name!r} carries no figures")

    def _left(self, name: str) -> MeshFile:
        path = self.left_files().get(name)
        if path is None:
            raise InputError(f"there is no surface {name!r}")
        stamp = (path.stat().st_mtime_ns, path.stat().st_size)
        return self._once(str(path), stamp, lambda: read_mesh_file(path))

    # --- section --------------------------------------------------------------------------------
    def section(self, point_mm: Floats, normal: Floats) -> dict[str, list[Floats]]:
        """Cast and wax cut by a plane."""
        meshes = {"cast": self.cast.mesh}
        summary = self.document("build")
        for part in (summary or {}).get("parts", ()):
            if part["triangles"]:
                meshes[part["name"]] = self.part(part["name"])
        return looks.section(meshes, point_mm, normal)

    def _once(self, name: str, key: Any, make: Callable[[], _T]) -> _T:
        with self._locks.setdefault(name, threading.RLock()):
            if name in self._kept and self._kept[name][0] == key:
                kept: _T = self._kept[name][1]
                return kept
            made = make()
            self._kept[name] = (key, made)
            return made


def probe_words(found: looks.Probed) -> str:
    """What a gauge reads at a place, in one line."""
    if not found.scanned:
        return "base of the cast"
    where = found.region
    if found.tooth is not None:
        where = f"tooth {found.tooth}" + (f" {found.aspect}" if found.aspect else "")
    if found.depth_mm <= 0.0:
        return f"{where}: no undercut"
    return f"{where}: {found.depth_mm:.2f} mm undercut"


def _without_place(facts: Mapping[str, Any]) -> dict[str, Any]:
    """Case facts but for where the scan lies on this machine."""
    cast = {name: value for name, value in facts.get("cast", {}).items() if name != "file"}
    return {**facts, "cast": cast}
