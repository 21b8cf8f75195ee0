"""What does not depend on the tilt, prepared once for the thousands of tilts that are tried."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from blockout.case.arm_settings import End
from blockout.case.choosing_settings import ChoosingSettings
from blockout.case.prescription import Prescription
from blockout.cast.cast import Cast
from blockout.choosing.appearance import FrontTooth, front_teeth_of
from blockout.choosing.guiding import Guide, guides_of
from blockout.choosing.interferences import Places, places_of
from blockout.choosing.retention import Site, sites_of
from blockout.kernel.rays import RayScene
from blockout.progress import Progress, silent
from blockout.teeth.crowns import Teeth
from blockout.teeth.named import kennedy_of
from blockout.teeth.numbers import arch_order, is_right

SAMPLED: Final = 40_000
"""Places on the surface that are asked while searching; the paths that are told are asked at every
facet."""

_GAUGED: Final = 1500
_GAUGED_SEARCHING: Final = 150
_ROUNDS_SEARCHING: Final = 2


@dataclass(frozen=True, eq=False)
class Ground:
    """A case made ready for scoring.

    Parameters
    ----------
    cast : Cast
    settings : ChoosingSettings
    whole, surface : RayScene
        The closed cast, and its scanned surface.
    places : Places
    sites : tuple of Site
    guides : tuple of Guide
    fronts : tuple of FrontTooth
    gauged : int
        Places on teeth, and as many on tissue, that are gauged for depth.
    rounds : int or None
        How often the deepest few of them are gauged closely; as often as needed where None.
    notes : tuple of str
        What is not scored, and why.
    """

    cast: Cast
    settings: ChoosingSettings
    whole: RayScene
    surface: RayScene
    places: Places
    sites: tuple[Site, ...]
    guides: tuple[Guide, ...]
    fronts: tuple[FrontTooth, ...]
    gauged: int
    rounds: int | None
    notes: tuple[str, ...]

    def sampled(self, count: int = SAMPLED) -> Ground:
        """The same, asked at fewer places."""
        return replace(
            self,
            places=self.places.thinned(count),
            gauged=_GAUGED_SEARCHING,
            rounds=_ROUNDS_SEARCHING,
        )


def choosing_ground(
    cast: Cast,
    *,
    prescription: Prescription | None = None,
    teeth: Teeth | None = None,
    settings: ChoosingSettings | None = None,
    progress: Progress = silent,
) -> Ground:
    """Prepare a case.

    Parameters
    ----------
    cast : Cast
    prescription : Prescription
        Arms, reliefs, beads and missing teeth; none of them when left out.
    teeth : Teeth
        Of the cast; without them only interferences are scored.
    settings : ChoosingSettings

    Raises
    ------
    InputError
        A tooth that is named is not on the cast, or a relief's or bead's points are off it.
    """
    prescription = prescription or Prescription()
    settings = settings or ChoosingSettings()
    progress("reading teeth and zones")
    facing = facing_gaps(cast, prescription, teeth)
    mesh = cast.mesh
    sites = sites_of(mesh, prescription, teeth, settings, abutments=facing)
    guides = guides_of(mesh, teeth, settings, facing_gaps=facing)
    fronts = front_teeth_of(mesh, teeth, settings, facing_gaps=facing)
    wanted = [site.faces for site in sites if prescription.arm]
    return Ground(
        cast=cast,
        settings=settings,
        whole=RayScene(mesh),
        surface=RayScene(mesh.part(cast.scanned)),
        places=places_of(
            cast,
            prescription,
            teeth,
            settings,
            wanted=np.concatenate(wanted) if wanted else np.zeros(0, dtype=np.int64),
        ),
        sites=sites,
        guides=guides,
        fronts=fronts,
        gauged=_GAUGED,
        rounds=None,
        notes=_notes(teeth, facing, sites, guides, fronts, prescription),
    )


def facing_gaps(
    cast: Cast, prescription: Prescription, teeth: Teeth | None
) -> tuple[tuple[int, End], ...]:
    """The sides of standing teeth that face a missing one, from the patient's right to the left."""
    kennedy = kennedy_of(cast.arch, prescription.teeth)
    if teeth is None or kennedy is None:
        return ()
    row = arch_order(cast.arch)
    standing = [number for number in row if number in teeth.numbers]
    found: list[tuple[int, End]] = []
    for span in kennedy.spans:
        first, last = row.index(span[0]), row.index(span[-1])
        before = [number for number in standing if row.index(number) < first]
        after = [number for number in standing if row.index(number) > last]
        # seen from the right: on the right side of the arch what comes next lies to the front
        if before:
            found.append((before[-1], "mesial" if is_right(before[-1]) else "distal"))
        if after:
            found.append((after[0], "distal" if is_right(after[0]) else "mesial"))
    return tuple(found)


def _notes(
    teeth: Teeth | None,
    facing: Sequence[tuple[int, End]],
    sites: Sequence[Site],
    guides: Sequence[Guide],
    fronts: Sequence[FrontTooth],
    prescription: Prescription,
) -> tuple[str, ...]:
    if teeth is None:
        return (
            "no teeth are named, so only interferences are scored: name the teeth that stand and "
            "those missing in a case file for retention, guiding planes and appearance",
        )
    notes = []
    if not sites:
        notes.append(
            "retention is not scored: the case has no retentive arm and no missing teeth that "
            "would make abutments"
        )
    elif not any(arm.role == "retentive" for arm in prescription.arm):
        notes.append(
            "no retentive arms are named, so each tooth beside a gap is taken as an abutment, with "
            "the better of its two sides"
        )
    if not guides:
        notes.append("guiding planes are not scored: no missing teeth and no surfaces are named")
    if not fronts:
        notes.append("appearance is not scored: no front tooth stands or is marked")
    if not facing and not prescription.arm:
        notes.append("name the missing teeth, so that abutments are known")
    return tuple(notes)
