"""Several scans of one cast: trueness and precision (ISO 5725-1)."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from blockout.comparing.deviations import Deviation


@dataclass(frozen=True)
class Repeated:
    """Trueness and precision over several scans (ISO 5725-1).

    *Trueness* is how closely the mean of many results agrees with the accepted reference value,
    here the plan: it is told as the bias, the mean of the results less the plan. *Precision* is how
    closely the results agree among themselves: it is told as the repeatability standard deviation,
    that of the results about their own mean, with n - 1 under the root.

    Parameters
    ----------
    scans : int
    volume_bias_mm3 : float
    volume_sd_mm3 : float or None
        None for one scan.
    trueness_mm : float
        Root mean square, over all places that every scan shows, of the mean deviation at a place.
    bias_mm : float
        Mean over those places and all scans.
    precision_mm : float or None
        Root mean square over those places of the standard deviation at a place; None for one scan.
    """

    scans: int
    volume_bias_mm3: float
    volume_sd_mm3: float | None
    trueness_mm: float
    bias_mm: float
    precision_mm: float | None


def repeated(
    deviations: Sequence[Deviation], *, volumes_off_mm3: Sequence[float]
) -> Repeated | None:
    """Over scans that were measured at the same probes; None where no place is shown by all."""
    shown = np.logical_and.reduce([one.shown for one in deviations])
    if not shown.any():
        return None
    off = np.stack([one.off_mm[shown] for one in deviations])
    count = len(deviations)
    means = off.mean(axis=0)
    several = count > 1
    return Repeated(
        scans=count,
        volume_bias_mm3=float(np.mean(volumes_off_mm3)),
        volume_sd_mm3=float(np.std(volumes_off_mm3, ddof=1)) if several else None,
        trueness_mm=float(np.sqrt((means**2).mean())),
        bias_mm=float(means.mean()),
        precision_mm=math.sqrt(float(off.var(axis=0, ddof=1).mean())) if several else None,
    )
