"""All the wax of one prescription, in the order in which it is poured.

Beads are carved first, since they are part of the cast that wax goes on. Parallel blockout comes
next, kept out of the windows of all arms; then each arm's ledge, kept out of the windows of the
others; then what parallel blockout leaves; relief last, on what is then bare, with blockout under
its own edges. What an earlier part has, a later one does not get.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np

from blockout.arms.arm import Arm
from blockout.arms.laying import lay_arm
from blockout.case.prescription import Prescription
from blockout.case.settings import ParallelSettings
from blockout.errors import InputError
from blockout.kernel.solids import Solid
from blockout.progress import Progress, silent
from blockout.surveying.ceilings import find_ceilings
from blockout.surveying.survey import Survey
from blockout.surveying.undercut import pulled_down
from blockout.teeth.crowns import Teeth
from blockout.tolerances import TOLERANCES, Tolerances
from blockout.wax.arbitrary import arbitrary_blockout
from blockout.wax.bead import bead_bulk
from blockout.wax.ledge import LedgeBulk, ledge_bulk
from blockout.wax.parallel import parallel_blockout
from blockout.wax.relief import ReliefBulk, relief_bulk
from blockout.wax.space import Space, free_space
from blockout.wax.wax import Kind, Wax

_UP = np.array([0.0, 0.0, 1.0])
_BESIDE_MM = 0.5
_BESIDE_SIDES = 24


@dataclass(frozen=True, eq=False)
class Poured:
    """What a prescription came to.

    Parameters
    ----------
    waxes : tuple of Wax
        Parallel blockout first; none overlaps the cast or another.
    grooves : tuple of Wax
        Beads, which are taken away from the cast.
    arms : tuple of Arm
    ledges : tuple of LedgeBulk
        Of the arms, in the same order.
    left : Space
    undercut_volume_mm3 : float
        The whole undercut region, exact to the facets.
    """

    waxes: tuple[Wax, ...]
    grooves: tuple[Wax, ...]
    arms: tuple[Arm, ...]
    ledges: tuple[LedgeBulk, ...]
    left: Space
    undercut_volume_mm3: float


def pour(
    survey: Survey,
    prescription: Prescription,
    teeth: Teeth | None,
    *,
    progress: Progress = silent,
    tolerances: Tolerances = TOLERANCES,
) -> Poured:
    """Lay the arms and pour all wax.

    Raises
    ------
    InputError
        Arms without teeth, an arm its tooth does not offer, lines or outlines that cannot be used.
    CheckError, KernelError
        A part did not come out as it must.
    """
    with ThreadPoolExecutor(max_workers=1) as beside:
        # reliefs lie on the bare cast: they are shaped while the kernel is busy with other wax
        sheets = [
            beside.submit(relief_bulk, survey.cast, relief, tolerances=tolerances)
            for relief in prescription.relief
        ]
        try:
            return _poured_in_order(survey, prescription, teeth, sheets, progress, tolerances)
        finally:
            beside.shutdown(wait=False, cancel_futures=True)


def _poured_in_order(
    survey: Survey,
    prescription: Prescription,
    teeth: Teeth | None,
    sheets: Sequence[Future[ReliefBulk]],
    progress: Progress,
    tolerances: Tolerances,
) -> Poured:
    arms, ledges = _arms(survey, prescription, teeth, progress)
    space = free_space(survey.cast, survey.path, tolerances=tolerances)
    names = _Names()
    grooves: list[Wax] = []
    for bead in prescription.bead:
        progress("carving beads")
        groove = bead_bulk(survey.cast, bead, tolerances=tolerances)
        mesh, space = space.carve(space.stand(groove.solid), tolerances=tolerances)
        name = names.own(groove.name)
        grooves.append(Wax(name, "bead", mesh, mesh.volume_mm3, groove.notes))

    windows = [space.stand(ledge.window) for ledge in ledges]
    beside = [_beside_terminal(space, arm) for arm in arms if arm.role == "retentive"]
    parallel = parallel_blockout(
        survey,
        space,
        settings=prescription.parallel,
        keep_free=windows,
        keep_upright=beside,
        carved=[space.stand(Solid.from_mesh(groove.mesh)) for groove in grooves if groove.mesh],
        progress=progress,
        tolerances=tolerances,
    )
    waxes, space = [parallel.wax], parallel.left
    names.own(parallel.wax.name)
    for k, ledge in enumerate(ledges):
        if ledge.solid.is_empty:
            continue
        progress("shaping ledges")
        body = _kept_free(space.stand(ledge.solid), windows[:k] + windows[k + 1 :])
        wax, space = _poured(space, body, names.own(f"ledge {ledge.name}"), "ledge", ledge.notes)
        waxes.append(wax)
    progress("filling what is left")
    arbitrary, space = arbitrary_blockout(
        survey,
        space,
        parallel.columns,
        parallel=prescription.parallel,
        settings=prescription.arbitrary,
        keep_free=windows,
        keep_upright=beside,
        tolerances=tolerances,
    )
    if arbitrary.triangle_count:
        waxes.append(arbitrary)
        names.own(arbitrary.name)
    for waiting in sheets:
        progress("laying relief")
        sheet = waiting.result()
        body = _kept_free(space.stand(sheet.solid), windows)
        name = names.own(sheet.name)
        wax, space = _poured(space, body, name, "relief", sheet.notes)
        waxes.append(wax)
        below = _kept_free(_below(body, space, prescription.parallel, tolerances), windows)
        fill, space = _poured(space, below, f"under-{name}", "parallel", ())
        if fill.mesh is not None:
            names.own(fill.name)
            waxes.append(fill)
    return Poured(
        waxes=tuple(waxes),
        grooves=tuple(grooves),
        arms=arms,
        ledges=ledges,
        left=space,
        undercut_volume_mm3=parallel.undercut_volume_mm3,
    )


def _arms(
    survey: Survey, prescription: Prescription, teeth: Teeth | None, progress: Progress
) -> tuple[tuple[Arm, ...], tuple[LedgeBulk, ...]]:
    if not prescription.arm:
        return (), ()
    if teeth is None:
        raise InputError(
            "arms are prescribed, but the case names no teeth",
            measured=f"{len(prescription.arm)} arms, 0 teeth",
            fix="Name the teeth in [[teeth.tooth]] tables, each with a number and a point_mm.",
        )
    progress("laying arms")
    arms = tuple(lay_arm(survey, teeth, one) for one in prescription.arm)
    return arms, tuple(ledge_bulk(survey, arm, prescription.ledge) for arm in arms)


def _beside_terminal(space: Space, arm: Arm) -> Solid:
    """All that is as near to the arm's border below the survey line as its undercut is deep, and a
    little more, seen along the path; upright.
    """
    reach_mm = max(arm.terminal_depth_mm, 0.0) + _BESIDE_MM
    below = arm.lower[arm.depth_mm > 0.0][::-1] @ space.to_upright[:2, :3].T
    turns = np.linspace(0.0, 2.0 * np.pi, _BESIDE_SIDES, endpoint=False)
    ring = reach_mm * np.column_stack([np.cos(turns), np.sin(turns)])
    walked_mm = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(below, axis=0), axis=1))]
    at = np.searchsorted(walked_mm, np.arange(0.0, walked_mm[-1], _BESIDE_MM))
    every = np.unique(np.r_[0, at])
    low_mm, high_mm = (float(height) for height in space.block_mm[:, 2])
    return Solid.union(
        Solid.column(point + ring, low_mm=low_mm, high_mm=high_mm) for point in below[every]
    )


def _kept_free(body: Solid, windows: Sequence[Solid]) -> Solid:
    return body - Solid.union(windows) if windows and not body.is_empty else body


def _poured(
    space: Space, body: Solid, name: str, kind: Kind, notes: Sequence[str]
) -> tuple[Wax, Space]:
    mesh, left = space.take(body)
    if not mesh.triangle_count:
        return Wax(name, kind, None, 0.0, (*notes, "nothing to fill")), left
    return Wax(name, kind, mesh, mesh.volume_mm3, tuple(notes)), left


def _below(sheet: Solid, space: Space, parallel: ParallelSettings, tolerances: Tolerances) -> Solid:
    """What is under a relief's own edges, which overhang where they stand square to tissue that
    falls away.

    The whole body counts, which reaches into the cast, not the wax cut from it: nothing then lies
    on the cast's own surface, and no film of air stays between.
    """
    if sheet.is_empty:
        return sheet
    upright = sheet.mesh()
    everywhere = np.ones(upright.triangle_count, dtype=bool)
    ceilings = find_ceilings(upright, everywhere, _UP, tolerances=tolerances)
    floor_mm = 0.0 if parallel.floor_mm is None else parallel.floor_mm - space.cast.floor_mm
    return pulled_down(upright, ceilings, floor_mm=floor_mm, tolerances=tolerances)


class _Names:
    """Names of parts: plain words, fit for file names, each once."""

    def __init__(self) -> None:
        self._given: set[str] = {"pockets"}

    def own(self, asked: str) -> str:
        plain = re.sub(r"[^a-z0-9]+", "-", asked.lower()).strip("-") or "part"
        name, number = plain, 1
        while name in self._given:
            number += 1
            name = f"{plain}-{number}"
        self._given.add(name)
        return name
