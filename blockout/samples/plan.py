"""What a sample cast is made from: one frozen value, checked when it is made."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from blockout.case.settings import Arch
from blockout.errors import InputError
from blockout.samples.teeth import teeth_of

AXES: Final[tuple[str, ...]] = ("+x", "-x", "+y", "-y", "+z", "-z")


@dataclass(frozen=True)
class Drift:
    """How one tooth stands off its regular place; turns are about the middle of its neck.

    Parameters
    ----------
    tooth : int
        ISO 3950 number.
    mesial_mm, buccal_mm, occlusal_mm : float
        Shift along the arch toward the midline, square to the arch outward, and out of the
        gum; buccal stands for labial on front teeth.
    mesial_tip_deg, lingual_tip_deg : float
        The axis leans toward the midline, or toward the tongue (on an upper cast the palate).
    turn_deg : float
        Turn about the tooth's own axis, its mesial side toward the cheek.
    """

    tooth: int
    mesial_mm: float = 0.0
    buccal_mm: float = 0.0
    occlusal_mm: float = 0.0
    mesial_tip_deg: float = 0.0
    lingual_tip_deg: float = 0.0
    turn_deg: float = 0.0


@dataclass(frozen=True)
class CastPlan:
    """Parameters of a sample cast.

    Parameters
    ----------
    arch : "lower" or "upper"
    missing : tuple of int
        ISO 3950 numbers of the teeth left out; the ridge there is healed and lower.
    drifts : tuple of Drift
        Teeth off their regular place.
    molar_lingual_tilt_deg : float
        Extra lean of every molar toward the tongue (palate), on top of its regular stance.
    tissue_undercut_mm : float
        How far the flanges fall back under their own bulge, about.
    recession_mm : float
        How far the gingival margins stand below their regular place.
    spacing_mm : float
        Edge length of the mesh on teeth and tissue; the base is coarser.
    base_thickness_mm : float
        From the deepest of the sulcus (or palate) down to the flat bottom of a closed cast.
    noise_mm : float
        Standard deviation of scanner noise along the normal; scan-like casts only.
    ragged_mm : float
        How far the border of a scan-like cast wanders in and out.
    island, hole : bool
        A loose scrap of surface beside the arch, and a small hole; scan-like casts only.
    up, front : str
        Axes of the file along which the occlusal and the anterior direction lie.
    off_level_deg : (float, float)
        The occlusal plane's turn off that axis: front down, patient's right side down.
    shift_mm : (float, float, float)
        Where the cast's own origin lies in the file.
    seed : int
        Of the random numbers behind noise, border and fine irregularities of the tissue.

    Raises
    ------
    InputError
        A tooth that the arch does not have, an axis that is none, a number out of range.
    """

    arch: Arch = "lower"
    missing: tuple[int, ...] = ()
    drifts: tuple[Drift, ...] = ()
    molar_lingual_tilt_deg: float = 0.0
    tissue_undercut_mm: float = 0.7
    recession_mm: float = 0.0
    spacing_mm: float = 0.35
    base_thickness_mm: float = 10.0
    noise_mm: float = 0.007
    ragged_mm: float = 0.5
    island: bool = True
    hole: bool = True
    up: str = "+z"
    front: str = "+y"
    off_level_deg: tuple[float, float] = (0.0, 0.0)
    shift_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)
    seed: int = 1

    def __post_init__(self) -> None:
        there = teeth_of(self.arch)
        for number in (*self.missing, *(drift.tooth for drift in self.drifts)):
            if number not in there:
                raise InputError(
                    f"tooth {number} does not belong to the {self.arch} sample cast",
                    measured=f"it has {min(there)} to {max(there)}, third molars left out",
                    fix="Name teeth by their ISO 3950 numbers.",
                )
        drifted = [drift.tooth for drift in self.drifts]
        if len(set(drifted)) < len(drifted) or set(drifted) & set(self.missing):
            raise InputError(
                "a tooth has two drifts, or drifts although it is missing",
                where=f"drifts of {sorted(drifted)}, missing {sorted(self.missing)}",
                fix="Name each tooth once.",
            )
        if self.up not in AXES or self.front not in AXES or self.up[1] == self.front[1]:
            raise InputError(
                "up and front are not two different axes",
                measured=f"up {self.up!r}, front {self.front!r}",
                fix=f"Choose from {', '.join(AXES)}.",
            )
        for name, low, high in (
            ("spacing_mm", 0.1, 1.2),
            ("tissue_undercut_mm", 0.0, 2.0),
            ("recession_mm", -0.5, 2.0),
            ("molar_lingual_tilt_deg", -30.0, 30.0),
            ("base_thickness_mm", 2.0, 40.0),
            ("noise_mm", 0.0, 0.05),
            ("ragged_mm", 0.0, 2.0),
        ):
            value = getattr(self, name)
            if not low <= value <= high:
                raise InputError(
                    f"{name} of a sample cast is out of range",
                    measured=f"{value:g}, allowed {low:g} to {high:g}",
                    fix=f"Choose another {name}.",
                )

    def drift_of(self, tooth: int) -> Drift:
        """The drift of a tooth; a regular one has none."""
        return next((drift for drift in self.drifts if drift.tooth == tooth), Drift(tooth))
