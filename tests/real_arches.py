"""The two real arches, and results that take long, made once in a test run.

The tooth shapes are those of an open data set; the folder is no part of this project, and where it
is absent the tests that need it are left out.
"""

from __future__ import annotations

import pickle
import time
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any, Final, TypeVar

import numpy as np
import plyfile
import pytest

from blockout.case.settings import Arch, PrepareSettings
from blockout.cast.prepare import Prepared, prepare
from blockout.cast.scan import read_scan
from blockout.mesh import Floats, Ints

CASTS: Final = Path(__file__).parents[1] / "../shared/casts"
ARCHES: Final[tuple[Arch, ...]] = ("lower", "upper")
MISSING: Final[dict[Arch, tuple[int, ...]]] = {
    "lower": (33, 36, 37, 45),
    "upper": (12, 13, 15, 26, 27),
}
needs_casts = pytest.mark.skipif(
    not CASTS.is_dir(), reason="the folder of real arches, ../shared/casts, is not here"
)

_T = TypeVar("_T")
_LEFT_BEHIND_S: Final = 600.0
"""A claim this old is that of a process that was killed."""


class MadeOnce:
    """Results made by the first test that asks, and handed to all others of the same run, in
    whichever process: they are kept in a folder that the processes share. Arrays that cannot be
    written to stay so (pickle, protocol 5).
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._held: dict[str, Any] = {}

    def __call__(self, name: str, make: Callable[[], _T]) -> _T:
        if name not in self._held:
            self._held[name] = self._shared(name, make)
        held: _T = self._held[name]
        return held

    def _shared(self, name: str, make: Callable[[], _T]) -> _T:
        kept, claim = self.folder / f"{name}.pickle", self.folder / f"{name}.claimed"
        while not kept.exists():
            try:
                claim.mkdir()
            except FileExistsError:
                if _age_s(claim) > _LEFT_BEHIND_S:
                    return make()
                time.sleep(0.1)
                continue
            try:
                if kept.exists():
                    break
                made = make()
                half = kept.with_suffix(".half")
                half.write_bytes(pickle.dumps(made, protocol=5))
                half.replace(kept)
                return made
            finally:
                claim.rmdir()
        held: _T = pickle.loads(kept.read_bytes())
        return held


def _age_s(path: Path) -> float:
    try:
        return time.time() - path.stat().st_mtime
    except FileNotFoundError:
        return 0.0


def file_of(arch: Arch) -> Path:
    return CASTS / f"{arch}_partial_open.ply"


def prepared(arch: Arch) -> Prepared:
    """The cast of an arch, made afresh; the fixture ``real_arch`` has the one of this run."""
    return prepare(read_scan(file_of(arch)), settings=PrepareSettings(arch=arch))


def labelled_points(arch: Arch) -> tuple[Floats, Ints]:
    """(n, 3) vertices of the file, read by plyfile alone, and the tooth each lies on, 0 for gum."""
    vertex = plyfile.PlyData.read(str(file_of(arch)))["vertex"]
    points = np.column_stack([vertex[axis] for axis in "xyz"]).astype(np.float64)
    return points, np.load(CASTS / f"{arch}_partial_open_labels.npz")["tooth"]


def margin_of(arch: Arch, tooth: int, angles_deg: Iterable[float]) -> list[tuple[float, ...]]:
    """Points on the true margin of a tooth, at angles about its middle as seen from above."""
    points, labels = labelled_points(arch)
    faces = np.stack(plyfile.PlyData.read(str(file_of(arch)))["face"]["vertex_indices"])
    of_face = labels[faces]
    rim = points[np.unique(faces[(of_face == tooth).any(axis=1) & (of_face == 0).any(axis=1)])]
    middle = points[labels == tooth].mean(axis=0)
    angle = np.degrees(np.arctan2(rim[:, 1] - middle[1], rim[:, 0] - middle[0])) % 360.0
    return [tuple(rim[np.abs(angle - a).argmin()].tolist()) for a in angles_deg]
