"""Recording a path on a cast, and telling how sure it is: the steps of this room in their order."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from blockout.arms.arm import Arm
from blockout.arms.laying import lay_arm
from blockout.case.prescription import Prescription
from blockout.case.recording_settings import RecordingSettings, SurenessSettings
from blockout.cast.cast import Cast
from blockout.errors import InputError
from blockout.progress import Progress, silent
from blockout.recording.certainty import Sureness, sureness
from blockout.recording.design_area import DesignArea, design_area
from blockout.recording.engraving import mark_grooves
from blockout.recording.groove import Groove
from blockout.recording.guiding import (
    Guide,
    GuidingSurface,
    contacts_of,
    guides_beside_gaps,
    guiding_surfaces,
    planes_of,
)
from blockout.recording.one_path import PathCone, path_cone
from blockout.recording.scoring import scored_lines
from blockout.recording.tripod import Tripod, place_tripod
from blockout.surveying.path import InsertionPath
from blockout.surveying.survey import Survey
from blockout.teeth.crowns import Teeth
from blockout.tolerances import TOLERANCES, Tolerances
from blockout.wax.wax import Wax


@dataclass(frozen=True, eq=False)
class Recorded:
    """A path recorded on a cast.

    Parameters
    ----------
    tripod : Tripod
    design : DesignArea
        What the marks keep away from.
    grooves : tuple of Groove
        Marks and lines to be carved, where they were asked for.
    """

    tripod: Tripod
    design: DesignArea
    grooves: tuple[Groove, ...]


def record_path(
    cast: Cast,
    path: InsertionPath,
    *,
    settings: RecordingSettings | None = None,
    prescription: Prescription | None = None,
    teeth: Teeth | None = None,
    arms: Sequence[Arm] = (),
    waxes: Sequence[Wax] = (),
    progress: Progress = silent,
    tolerances: Tolerances = TOLERANCES,
) -> Recorded:
    """Place the tripod marks clear of a design, and shape what is to be cut into the model.

    Parameters
    ----------
    cast : Cast
    path : InsertionPath
    settings : RecordingSettings
    prescription : Prescription, optional
        For its reliefs and beads.
    teeth : Teeth, optional
    arms : sequence of Arm
        As they were laid.
    waxes : sequence of Wax
        Ledges and the like that marks keep away from as well.

    Raises
    ------
    InputError
        No three places for marks, no three sides for lines, or outlines that cannot be used.
    """
    settings = settings or RecordingSettings()
    design = design_area(cast, prescription, arms=arms, waxes=waxes, keep_off=settings.keep_off)
    tripod = place_tripod(
        cast,
        path,
        settings=settings,
        teeth=teeth,
        design_mm=design.points_mm,
        design_faces=design.faces,
        progress=progress,
        tolerances=tolerances,
    )
    grooves: tuple[Groove, ...] = ()
    if settings.engrave:
        progress("shaping marks")
        grooves += mark_grooves(cast, tripod, settings)
    if settings.score:
        progress("finding sides for scored lines")
        grooves += scored_lines(cast, path, settings)
    return Recorded(tripod, design, grooves)


@dataclass(frozen=True, eq=False)
class HowSure:
    """How sure a surveyed case is.

    Parameters
    ----------
    guides : tuple of GuidingSurface
    sureness : Sureness
    by_planes : PathCone
        Directions that the guiding planes alone leave.
    by_blockout : PathCone
        Directions that guiding planes and the walls of blockout under them leave.
    notes : tuple of str
    """

    guides: tuple[GuidingSurface, ...]
    sureness: Sureness
    by_planes: PathCone
    by_blockout: PathCone
    notes: tuple[str, ...] = ()


def how_sure(
    survey: Survey,
    prescription: Prescription | None = None,
    *,
    teeth: Teeth | None = None,
    arms: Sequence[Arm] | None = None,
    guides: Sequence[Guide] = (),
    settings: SurenessSettings | None = None,
    progress: Progress = silent,
    tolerances: Tolerances = TOLERANCES,
) -> HowSure:
    """Intervals for what hangs on the path, and the cone of paths that is left.

    Parameters
    ----------
    survey : Survey
    prescription : Prescription, optional
        For its arms, where they are not given, and its missing teeth.
    teeth : Teeth, optional
        Needed for arms and guiding surfaces.
    arms : sequence of Arm, optional
        As they were laid.
    guides : sequence of (tooth, aspect)
        Guiding surfaces; the sides of teeth that face a gap where none is named.

    Raises
    ------
    InputError
        Arms or guiding surfaces without teeth, or a tooth that is not on the cast.
    """
    settings = settings or SurenessSettings()
    asked = () if prescription is None else prescription.arm
    if teeth is None and (guides or (arms is None and asked)):
        raise InputError(
            "arms or guiding surfaces are named, but the case names no teeth",
            fix="Name the teeth in [[teeth.tooth]] tables, each with a number and a point_mm.",
        )
    if arms is None:
        progress("laying arms")
        arms = [] if teeth is None else [lay_arm(survey, teeth, one) for one in asked]
    notes = []
    surfaces: tuple[GuidingSurface, ...] = ()
    if teeth is not None:
        if not guides:
            missing = () if prescription is None else prescription.teeth.missing
            guides = guides_beside_gaps(survey.cast.arch, teeth.numbers, missing)
            if guides:
                notes.append("no guiding surfaces are named; the sides that face a gap are taken")
        surfaces = guiding_surfaces(survey, teeth, guides)
    notes += [
        f"{one.name} has no part that is seen along the path and guides"
        for one in surfaces
        if one.normal is None
    ]
    clearance_deg = settings.clearance_deg
    direction = survey.path.direction
    return HowSure(
        guides=surfaces,
        sureness=sureness(
            survey,
            arms=arms,
            guides=surfaces,
            settings=settings,
            progress=progress,
            tolerances=tolerances,
        ),
        by_planes=path_cone(planes_of(surfaces), direction, clearance_deg=clearance_deg),
        by_blockout=path_cone(contacts_of(surfaces), direction, clearance_deg=clearance_deg),
        notes=tuple(notes),
    )
