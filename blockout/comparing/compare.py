"""A plan against one scan or several: laid on, measured, judged."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from blockout.case.comparing_settings import CompareSettings
from blockout.cast.scan import Scan, read_scan
from blockout.comparing.align import Fit, align, in_place
from blockout.comparing.deviations import (
    Deviation,
    LedgeAt,
    Spread,
    Thickness,
    Wall,
    deviation_of,
    ledges_of,
    probes_on,
    reliefs_of,
    walls_of,
)
from blockout.comparing.laid import Laid, lay
from blockout.comparing.plan import Plan
from blockout.comparing.repeated import Repeated, repeated
from blockout.comparing.verdict import Verdict, spreads, verdict_of
from blockout.comparing.volumes import Volumes, volumes_of
from blockout.errors import InputError, UnitError
from blockout.kernel.files import read_mesh_file
from blockout.kernel.solids import Solid
from blockout.mesh import Mesh
from blockout.progress import Progress, silent
from blockout.units import MM_PER_UNIT, LengthUnit

_SIZE_RANGE: Final = (0.15, 4.0)
"""Longest side of a scan over that of the model: from three teeth to a cast on a plate."""


@dataclass(frozen=True, eq=False)
class Given:
    """A scan to compare, in millimetres.

    ``in_place`` says that it lies in the cast's coordinates already; ``wax_alone`` that it holds
    nothing but wax, which is then put on the cast.
    """

    name: str
    sha256: str
    ways: tuple[tuple[Mesh, str], ...]
    in_place: bool = False
    wax_alone: bool = False


@dataclass(frozen=True, eq=False)
class Compared:
    """All that was found on one scan."""

    name: str
    sha256: str
    unit: str
    laid: Laid
    volumes: Volumes
    deviation: Deviation
    spreads: dict[str, Spread | None]
    free: Spread | None
    walls: tuple[Wall, ...]
    ledges: tuple[LedgeAt, ...]
    reliefs: tuple[Thickness, ...]
    verdict: Verdict

    @property
    def fit(self) -> Fit:
        """How it lies on the cast."""
        return self.laid.fit


@dataclass(frozen=True, eq=False)
class Comparison:
    """A plan and its scans. It passes when every scan does."""

    plan: Plan
    settings: CompareSettings
    scans: tuple[Compared, ...]
    repeated: Repeated | None

    @property
    def passed(self) -> bool:
        """Whether every scan passes."""
        return all(scan.verdict.passed for scan in self.scans)


def given_scan(
    path: Path | str,
    plan: Plan,
    *,
    unit: LengthUnit | None = None,
    is_in_place: bool = False,
    is_wax_alone: bool = False,
) -> Given:
    """Read a scan that is to be compared, in every unit that its size allows.

    The unit is the one stated, or that of the file; else each in which the scan is 0.15 to 4 times
    as long as the model, the likeliest first: the fit decides.

    Raises
    ------
    ReadError, UnitError
        UnitError where no unit makes it as large as the model.
    """
    path = Path(path)
    file = read_mesh_file(path)
    if unit is not None or file.unit is not None or is_in_place or is_wax_alone:
        one = read_scan(path, unit=unit or (None if file.unit else "mm"))
        return Given(
            path.name, one.source.sha256, ((one.mesh, one.unit),), is_in_place, is_wax_alone
        )
    used = file.vertices[file.faces.reshape(-1)]
    size = float((used.max(axis=0) - used.min(axis=0)).max())
    due = float(np.ptp(plan.model.bounds_mm, axis=0).max())
    low, high = _SIZE_RANGE
    fitting = [
        (abs(np.log(size * factor / due)), name)
        for name, factor in MM_PER_UNIT.items()
        if low <= size * factor / due <= high
    ]
    if not fitting:
        each = ", ".join(
            f"{size * factor:.4g} mm if {name}" for name, factor in MM_PER_UNIT.items()
        )
        raise UnitError(
            "the unit of the scan cannot be told from its size",
            measured=f"its longest side is {size:.4g}: {each}; the model's is {due:.1f} mm",
            where=path.name,
            fix="Say the unit with --unit mm|cm|m|in.",
        )
    scans: list[Scan] = [read_scan(path, unit=name) for _, name in sorted(fitting)]
    return Given(path.name, scans[0].source.sha256, tuple((one.mesh, one.unit) for one in scans))


def compare(
    plan: Plan,
    scans: Sequence[Given],
    *,
    settings: CompareSettings | None = None,
    progress: Progress = silent,
) -> Comparison:
    """Lay each scan on the cast, measure it, and judge it.

    Raises
    ------
    InputError
        A scan cannot be laid on the cast, or nothing of the plan shows on it.
    """
    settings = settings or CompareSettings()
    if not scans:
        raise InputError("there is no scan to compare", fix="Name one or more scans.")
    if not plan.parts:
        raise InputError("the plan holds no wax to compare", fix="Build a case with wax first.")
    progress("reading the plan")
    probes = probes_on(plan)
    found = []
    for given in scans:
        progress(f"laying {given.name} on the cast")
        mesh, unit, fit = _laid_on(plan, given, settings)
        laid = lay(mesh, plan, fit, name=given.name)
        progress(f"measuring {given.name}")
        deviation = deviation_of(laid, probes)
        volumes = volumes_of(plan, laid, deviation, settings=settings)
        walls = walls_of(plan, laid, deviation)
        ledges, reliefs = ledges_of(plan, laid), reliefs_of(plan, laid, deviation)
        found.append(
            Compared(
                name=given.name,
                sha256=given.sha256,
                unit=unit,
                laid=laid,
                volumes=volumes,
                deviation=deviation,
                spreads=spreads(plan, deviation, settings),
                free=deviation.on(~deviation.on_wax, within_mm=settings.across_arch_mm),
                walls=tuple(walls),
                ledges=tuple(ledges),
                reliefs=tuple(reliefs),
                verdict=verdict_of(
                    plan,
                    deviation,
                    volumes,
                    walls=walls,
                    ledges=ledges,
                    reliefs=reliefs,
                    settings=settings,
                ),
            )
        )
    return Comparison(
        plan,
        settings,
        tuple(found),
        repeated(
            [one.deviation for one in found],
            volumes_off_mm3=[one.volumes.whole.off_mm3 for one in found],
        ),
    )


def _laid_on(plan: Plan, given: Given, settings: CompareSettings) -> tuple[Mesh, str, Fit]:
    first: InputError | None = None
    for mesh, unit in given.ways:
        whole = mesh
        if given.wax_alone:
            whole = (Solid.from_mesh(plan.cast.mesh) + Solid.from_mesh(mesh)).mesh()
        try:
            if given.in_place or given.wax_alone:
                return whole, unit, in_place(whole, plan.target, limits=settings, name=given.name)
            return whole, unit, align(whole, plan.target, limits=settings, name=given.name)
        except InputError as error:
            first = first or error
    assert first is not None
    raise first
