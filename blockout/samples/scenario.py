"""The demo's case: a lower arch of our own making, and why its path is chosen as it is."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from blockout.mesh import Mesh
from blockout.samples.plan import CastPlan, Drift
from blockout.samples.scan_like import scan_like


@dataclass(frozen=True)
class Scenario:
    """A case to work through, made up.

    Parameters
    ----------
    name : str
    plan : CastPlan
        The cast and how its scan lies.
    kennedy : str
        The class of the partially edentulous arch, in words.
    anterior_tilt_deg, lateral_tilt_deg : float
        The chosen path of insertion.
    reason : str
        One sentence.
    """

    name: str
    plan: CastPlan
    kennedy: str
    anterior_tilt_deg: float
    lateral_tilt_deg: float
    reason: str

    @property
    def missing(self) -> tuple[int, ...]:
        """ISO 3950 numbers of the missing teeth."""
        return self.plan.missing


LOWER: Final = Scenario(
    name="Demo case A, lower arch",
    plan=CastPlan(
        arch="lower",
        missing=(36, 37, 45, 46),
        drifts=(
            Drift(47, mesial_mm=0.8, mesial_tip_deg=7.0, lingual_tip_deg=2.0),
            Drift(44, mesial_tip_deg=-3.0, turn_deg=4.0),
            Drift(35, mesial_tip_deg=-2.0, lingual_tip_deg=3.0),
            Drift(42, buccal_mm=0.3, turn_deg=-6.0),
            Drift(31, turn_deg=4.0),
        ),
        molar_lingual_tilt_deg=3.0,
        up="-y",
        front="+z",
        off_level_deg=(3.0, -2.0),
        shift_mm=(12.5, -31.0, 47.25),
        seed=20,
    ),
    kennedy="class II, modification 1",
    anterior_tilt_deg=-4.0,
    lateral_tilt_deg=2.0,
    reason=(
        "Raising the front by 4 degrees and lowering the right side by 2 brings the path closer to "
        "the axis of the tipped second molar 47, so that less of its mesial side is undercut."
    ),
)
"""Lower right: 45 and 46 missing, bounded by a molar that tipped into the gap. Lower left: 36 and
37 missing, a free end."""

UPPER: Final = Scenario(
    name="Demo case B, upper arch",
    plan=CastPlan(
        arch="upper",
        missing=(15, 16, 22, 25),
        drifts=(
            Drift(17, mesial_tip_deg=6.0),
            Drift(14, mesial_tip_deg=-3.0, turn_deg=-5.0),
            Drift(26, lingual_tip_deg=-3.0),
        ),
        up="+z",
        front="-x",
        off_level_deg=(-2.0, 1.5),
        shift_mm=(-4.0, 18.0, 9.5),
        seed=21,
    ),
    kennedy="class III, modification 2",
    anterior_tilt_deg=0.0,
    lateral_tilt_deg=0.0,
    reason="The spans are bounded and the abutments nearly parallel, so the cast is left level.",
)


def demo_scan(scenario: Scenario) -> Mesh:
    """A scenario's scan: open, ragged, noisy and turned, in mm."""
    return scan_like(scenario.plan).mesh
