"""Does it pass? Each measured figure against its tolerance, and all of them together."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from blockout.case.comparing_settings import CompareSettings
from blockout.comparing.deviations import Deviation, LedgeAt, Spread, Thickness, Wall
from blockout.comparing.plan import Plan
from blockout.comparing.volumes import Amount, Volumes

Unit = Literal["mm", "mm3", "deg", "share"]

_SHOWN_LEAST_SHARE: Final = 0.9
_FEW_MM2: Final = 2.0


@dataclass(frozen=True)
class Check:
    """One figure against its tolerance.

    Parameters
    ----------
    what : str
        What was measured, in words.
    where : str
        Part, tooth or "all".
    value, limit : float
    unit : str
    passed : bool
    at_least : bool
        The limit is the least that passes; else the most, either way.
    """

    what: str
    where: str
    value: float
    limit: float
    unit: Unit
    passed: bool
    at_least: bool = False


@dataclass(frozen=True)
class Verdict:
    """All checks of one scan, and what could not be checked.

    ``passed`` is True only where at least one figure was measured on wax and none broke its
    tolerance.
    """

    checks: tuple[Check, ...]
    unknown: tuple[str, ...]

    @property
    def failed(self) -> tuple[Check, ...]:
        """Those that break their tolerance."""
        return tuple(check for check in self.checks if not check.passed)

    @property
    def passed(self) -> bool:
        """Whether the scan passes."""
        return bool(self.checks) and not self.failed


def verdict_of(
    plan: Plan,
    deviation: Deviation,
    volumes: Volumes,
    *,
    walls: list[Wall],
    ledges: list[LedgeAt],
    reliefs: list[Thickness],
    settings: CompareSettings,
) -> Verdict:
    """Hold all figures of one scan against the tolerances."""
    checks = [
        *_deviations(plan, deviation, settings),
        *_volumes(volumes, settings),
        *_walls(walls, settings),
        *_ledges(ledges, settings),
        *(_most("mean thickness off", one.name, one.actual_mm - one.planned_mm, settings.relief_mm,
                "mm") for one in reliefs),
    ]  # fmt: skip
    return Verdict(tuple(checks), tuple(_unknown(plan, deviation, volumes, ledges, reliefs)))


def spreads(
    plan: Plan, deviation: Deviation, settings: CompareSettings
) -> dict[str, Spread | None]:
    """Deviations in numbers: on all wax across the arch, and on the wax of each region."""
    wax = deviation.on_wax
    found = {"all": deviation.on(wax, within_mm=settings.across_arch_mm)}
    for number, name in enumerate(plan.regions.names):
        mine = wax & (deviation.probes.region == number)
        found[name] = deviation.on(mine, within_mm=settings.within_tooth_mm)
    return found


def _deviations(plan: Plan, deviation: Deviation, settings: CompareSettings) -> Iterator[Check]:
    for name, spread in spreads(plan, deviation, settings).items():
        if spread is None or spread.area_mm2 < _FEW_MM2:
            continue
        yield Check(
            f"share of the wax surface within {spread.within_mm:g} mm",
            name,
            spread.share_within,
            settings.share_within,
            "share",
            spread.share_within >= settings.share_within,
            at_least=True,
        )


def _volumes(volumes: Volumes, settings: CompareSettings) -> Iterator[Check]:
    for amount, share in (
        (volumes.whole, settings.volume_share),
        *((part, settings.part_volume_share) for part in volumes.parts),
        *((region, settings.part_volume_share) for region in volumes.regions),
    ):
        if amount.shown_mm3 <= 0.0 and amount.name != "elsewhere":
            continue
        yield _volume(amount, share, settings)


def _volume(amount: Amount, share: float, settings: CompareSettings) -> Check:
    limit = max(share * amount.shown_mm3, settings.volume_least_mm3)
    return _most("volume of wax off", amount.name, amount.off_mm3, limit, "mm3")


def _walls(walls: list[Wall], settings: CompareSettings) -> Iterator[Check]:
    for wall in walls:
        yield _most(
            "angle of the wall to the path off",
            wall.name,
            wall.actual_deg - wall.planned_deg,
            settings.wall_deg,
            "deg",
        )


def _ledges(ledges: list[LedgeAt], settings: CompareSettings) -> Iterator[Check]:
    for ledge in ledges:
        if ledge.height_off_mm is not None:
            yield _most(
                "height of the ledge off",
                ledge.name,
                ledge.height_off_mm,
                settings.ledge_height_mm,
                "mm",
            )
        if ledge.depth_off_mm is not None:
            yield _most(
                "undercut over the ledge off",
                ledge.name,
                ledge.depth_off_mm,
                settings.ledge_depth_mm,
                "mm",
            )


def _most(what: str, where: str, value: float, limit: float, unit: Unit) -> Check:
    return Check(what, where, value, limit, unit, abs(value) <= limit)


def _unknown(
    plan: Plan,
    deviation: Deviation,
    volumes: Volumes,
    ledges: list[LedgeAt],
    reliefs: list[Thickness],
) -> Iterator[str]:
    """What the scan does not show, in words."""
    for amount in volumes.parts:
        if amount.planned_mm3 > 0.0 and amount.shown_mm3 < _SHOWN_LEAST_SHARE * amount.planned_mm3:
            hidden = 1.0 - amount.shown_mm3 / amount.planned_mm3
            yield f"{100.0 * hidden:.0f} % of {amount.name} is not on the scan"
    for ledge in ledges:
        if ledge.planned_depth_mm is None:
            yield f"the plan has no ledge at the terminal of {ledge.name}"
        elif ledge.height_off_mm is None:
            yield f"the ledge at the terminal of {ledge.name} is not on the scan"
    measured = {one.name for one in reliefs}
    for number, part in enumerate(plan.parts):
        shows = bool(np.any(deviation.probes.part == number))
        if part.kind == "relief" and part.name not in measured and shows:
            yield f"the thickness of {part.name} cannot be read from the scan"
