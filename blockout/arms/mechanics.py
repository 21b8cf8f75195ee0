"""How hard an arm holds, and how near it comes to staying bent: an estimate by beam theory.

The arm is taken as a straight cantilever of its own length, built in at its origin, whose section
shrinks evenly from origin to tip and keeps its shape; the tip is bent square to the tooth by the
undercut. With ``s`` the share of the length from the tip and ``q(s) = t + (1 - t) s`` the size of
the section there over that at the origin, the moment is ``F L s`` and

- deflection ``u = (F L^3 / E I0) * integral of s^2 / q^4 ds = F L^3 / (3 E I0 t)``;
- stress ``F L s / (Z0 q^3)``, greatest where ``q = 1.5 t``, or at the origin where that is over 1.

Sources: beam theory, own derivation; half-round section about its own centroid,
``I = (pi / 8 - 8 / (9 pi)) r^4``.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from blockout.arms.alloys import ALLOYS
from blockout.arms.arm import Arm
from blockout.errors import InputError

ASSUMPTIONS: Final = (
    "the arm is a straight cantilever of its own length, fixed at its origin",
    "its section shrinks evenly from origin to tip and keeps its shape; the width is twice the "
    "radius of a half-round arm, and the diameter of a round one",
    "the whole arm bends, by the undercut at its terminal, square to the tooth",
    "the alloy is elastic, with the modulus and proof stress given",
    "for withdrawal the full force meets the wall's slope at the terminal, with dry friction: an "
    "upper bound, since the slope falls to nothing at the survey line",
)


@dataclass(frozen=True)
class Section:
    """A cross-section bent so that its flat side, or any diameter, stays parallel to the tooth.

    Parameters
    ----------
    inertia_mm4 : float
        Second moment of area about its centroid.
    far_fibre_mm3 : float
        Section modulus to the fibre furthest from the centroid.
    """

    inertia_mm4: float
    far_fibre_mm3: float


def half_round(radius_mm: float) -> Section:
    """Half of a circle, its flat side to the tooth.

    >>> section = half_round(1.0)
    >>> round(section.inertia_mm4, 6), round(section.far_fibre_mm3, 6)
    (0.109757, 0.190687)
    """
    inertia = math.pi / 8.0 - 8.0 / (9.0 * math.pi)
    far = 1.0 - 4.0 / (3.0 * math.pi)
    return Section(inertia * radius_mm**4, inertia / far * radius_mm**3)


def round_wire(diameter_mm: float) -> Section:
    """A circle: ``I = pi d^4 / 64``.

    >>> round(round_wire(1.0).inertia_mm4, 6)
    0.049087
    """
    inertia_mm4 = math.pi * diameter_mm**4 / 64.0
    return Section(inertia_mm4, inertia_mm4 / (diameter_mm / 2.0))


def tip_force_n(
    section: Section,
    *,
    modulus_gpa: float,
    tip_share: float,
    deflection_mm: float,
    length_mm: float,
) -> float:
    """Force at the tip that bends the arm by ``deflection_mm``, N: ``3 E I0 t u / L^3``.

    Parameters
    ----------
    section : Section
        At the origin.
    tip_share : float
        Size of the tip over that of the origin, over 0 and up to 1.

    >>> force = tip_force_n(
    ...     half_round(0.9), modulus_gpa=220.0, tip_share=0.5, deflection_mm=0.25, length_mm=10.0
    ... )
    >>> round(force, 3)
    5.941
    """
    _check_beam(tip_share=tip_share, length_mm=length_mm)
    stiffness = 3.0 * 1000.0 * modulus_gpa * section.inertia_mm4 * tip_share / length_mm**3
    return stiffness * deflection_mm


def peak_stress_mpa(
    section: Section, *, force_n: float, tip_share: float, length_mm: float
) -> tuple[float, float]:
    """Greatest bending stress, MPa, and the share of the length from the origin where it is.

    It lies where the section is 1.5 times the tip's; at the origin where none is.
    """
    _check_beam(tip_share=tip_share, length_mm=length_mm)
    size = min(1.5 * tip_share, 1.0)
    from_tip = 1.0 if size == 1.0 else (size - tip_share) / (1.0 - tip_share)
    stress_mpa = force_n * length_mm * from_tip / (section.far_fibre_mm3 * size**3)
    return stress_mpa, 1.0 - from_tip


def withdrawal_n(force_n: float, *, wall_deg: float, friction: float) -> float:
    """Pull along the path, N, that moves an arm pressed with ``force_n`` up a wall that leans
    ``wall_deg`` from the path: ``F (tan a + m) / (1 - m tan a)``. Infinite where it would jam.

    >>> round(withdrawal_n(1.0, wall_deg=20.0, friction=0.2), 4)
    0.6082
    """
    slope = math.tan(math.radians(wall_deg))
    clear = 1.0 - friction * slope
    return force_n * (slope + friction) / clear if clear > 0.0 else math.inf


def _check_beam(*, tip_share: float, length_mm: float) -> None:
    if not 0.0 < tip_share <= 1.0:
        raise InputError(
            "the tip of an arm is not between nothing and its origin in size",
            measured=f"share {tip_share:g}, allowed over 0 and up to 1",
            fix="Give the arm's tip_share between 0.2 and 1.",
        )
    if not length_mm > 0.0:
        raise InputError("an arm has no length", measured=f"{length_mm:g} mm")


@dataclass(frozen=True)
class ArmForce:
    """What one retentive arm is estimated to do.

    Parameters
    ----------
    name : str
    tooth : int
    alloy : str
    length_mm, origin_width_mm, tip_share : float
    deflection_mm : float
        The undercut at the terminal.
    force_n : float
        Against the tooth at the tip, when bent by the whole undercut.
    peak_stress_mpa : float
    peak_from_origin_share : float
        Where along the arm that is.
    proof_stress_mpa, modulus_gpa : float
        Of the alloy.
    wall_deg : float
        Slope of the tooth's wall at the terminal against the path.
    friction : float
    withdrawal_n : float
        Along the path; an upper bound.
    """

    name: str
    tooth: int
    alloy: str
    length_mm: float
    origin_width_mm: float
    tip_share: float
    deflection_mm: float
    modulus_gpa: float
    force_n: float
    peak_stress_mpa: float
    peak_from_origin_share: float
    proof_stress_mpa: float
    wall_deg: float
    friction: float
    withdrawal_n: float

    @property
    def stays_bent(self) -> bool:
        """Whether the peak stress is over the proof stress."""
        return self.peak_stress_mpa > self.proof_stress_mpa

    @property
    def warning(self) -> str | None:
        """One sentence where the arm would stay bent."""
        if not self.stays_bent:
            return None
        return (
            f"the arm {self.name!r} would be stressed to about {self.peak_stress_mpa:.0f} MPa, "
            f"over the proof stress of {self.alloy}, {self.proof_stress_mpa:.0f} MPa: it may stay "
            "bent. A longer or thinner arm, or less undercut, stresses it less."
        )


@dataclass(frozen=True)
class Retention:
    """The retentive arms of one case side by side: an estimate, for balance rather than for truth.

    Parameters
    ----------
    arms : tuple of ArmForce
    spread_n : float
        Strongest less weakest force; 0 with fewer than two arms.
    assumptions : tuple of str
    """

    arms: tuple[ArmForce, ...]
    spread_n: float
    assumptions: tuple[str, ...] = ASSUMPTIONS

    @property
    def warnings(self) -> tuple[str, ...]:
        return tuple(arm.warning for arm in self.arms if arm.warning is not None)


def arm_force(arm: Arm) -> ArmForce:
    """The estimate for one retentive arm.

    Raises
    ------
    InputError
        The arm is reciprocal, or its terminal lies in no undercut.
    """
    if arm.role != "retentive":
        raise InputError(
            "a reciprocal arm is rigid and holds by no force of its own", where=f"arm {arm.name!r}"
        )
    if not arm.terminal_depth_mm > 0.0:
        raise InputError(
            "a retentive arm whose terminal lies in no undercut does not hold",
            measured=f"depth {arm.terminal_depth_mm:.3f} mm at its terminal",
            where=f"arm {arm.name!r}",
            fix="Move its terminal below the survey line.",
        )
    alloy = ALLOYS[arm.alloy]
    origin_mm, tip_mm = float(arm.width_mm[0]), float(arm.width_mm[-1])
    section = half_round(origin_mm / 2.0) if arm.section == "half-round" else round_wire(origin_mm)
    tip_share = tip_mm / origin_mm
    force_n = tip_force_n(
        section,
        modulus_gpa=alloy.modulus.value,
        tip_share=tip_share,
        deflection_mm=arm.terminal_depth_mm,
        length_mm=arm.length_mm,
    )
    stress_mpa, share = peak_stress_mpa(
        section, force_n=force_n, tip_share=tip_share, length_mm=arm.length_mm
    )
    return ArmForce(
        name=arm.name,
        tooth=arm.tooth,
        alloy=alloy.name,
        length_mm=arm.length_mm,
        origin_width_mm=origin_mm,
        tip_share=tip_share,
        deflection_mm=arm.terminal_depth_mm,
        modulus_gpa=alloy.modulus.value,
        force_n=force_n,
        peak_stress_mpa=stress_mpa,
        peak_from_origin_share=share,
        proof_stress_mpa=alloy.proof_stress.value,
        wall_deg=arm.terminal_wall_deg,
        friction=arm.friction,
        withdrawal_n=withdrawal_n(force_n, wall_deg=arm.terminal_wall_deg, friction=arm.friction),
    )


def retention(arms: Sequence[Arm]) -> Retention:
    """The retentive arms among ``arms``, and how far apart their forces are."""
    forces = tuple(arm_force(arm) for arm in arms if arm.role == "retentive")
    sizes = [force.force_n for force in forces]
    return Retention(arms=forces, spread_n=max(sizes) - min(sizes) if sizes else 0.0)
