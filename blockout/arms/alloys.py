"""What arms are made of: stiffness, strength and the undercut they are usually given."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from blockout.case.arm_settings import AlloyName
from blockout.case.parameters import Mark


@dataclass(frozen=True)
class Stated:
    """A value and where it comes from."""

    value: float
    unit: str
    mark: Mark
    source: str


@dataclass(frozen=True)
class Alloy:
    """One alloy.

    Parameters
    ----------
    name : str
    modulus : Stated
        Elastic modulus, GPa.
    proof_stress : Stated
        0.2 % proof stress, MPa: above it an arm stays bent.
    usual_undercut : Stated
        Undercut its retentive arms are usually given, mm.
    """

    name: AlloyName
    modulus: Stated
    proof_stress: Stated
    usual_undercut: Stated


_INPUTS = "finite-element inputs for clasps, PMC7830426"

ALLOYS: Final[dict[AlloyName, Alloy]] = {
    alloy.name: alloy
    for alloy in (
        Alloy(
            "cobalt-chromium",
            Stated(220.0, "GPa", "published", f"{_INPUTS}; 200 to 220 are given"),
            Stated(500.0, "MPa", "standard", "ISO 22674, least of type 5"),
            Stated(0.25, "mm", "published", "usual for cast circumferential arms"),
        ),
        Alloy(
            "gold type IV",
            Stated(91.0, "GPa", "published", _INPUTS),
            Stated(360.0, "MPa", "standard", "ISO 22674, least of type 4"),
            Stated(0.50, "mm", "from memory", "0.25 to 0.50 mm; sources differ"),
        ),
        Alloy(
            "titanium",
            Stated(110.0, "GPa", "published", _INPUTS),
            Stated(483.0, "MPa", "from memory", "ASTM F67, least of unalloyed grade 4"),
            Stated(0.50, "mm", "from memory", "about half the force of cobalt-chromium"),
        ),
        Alloy(
            "steel wire",
            Stated(193.0, "GPa", "from memory", "18-8 stainless steel"),
            Stated(1100.0, "MPa", "from memory", "hard-drawn 18-8 wire; annealing lowers it"),
            Stated(0.50, "mm", "published", "0.50 to 0.75 mm for wrought wire; sources differ"),
        ),
    )
}
"""Every value can differ by maker and treatment: an estimate made with these says so."""
