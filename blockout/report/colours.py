"""The colours of pictures and of coloured meshes: one perceptually uniform ramp, a few tones.

The ramp is viridis turned round (public domain, CC0): pale yellow where something is shallow, dark
violet where it is deep, evenly spaced to the eye and readable with any common colour blindness.
It is kept here as 18 samples with a smooth curve through them, so that no plotting library is
needed to draw.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import CubicSpline

from blockout.mesh import Floats

_VIRIDIS: Final = np.array(
    [
        (68, 1, 84), (72, 23, 105), (71, 42, 122), (68, 60, 132), (61, 78, 138), (53, 94, 141),
        (47, 108, 142), (41, 123, 142), (35, 137, 142), (31, 151, 139), (33, 165, 133),
        (46, 179, 124), (69, 192, 112), (101, 203, 94), (137, 213, 72), (176, 221, 47),
        (216, 226, 25), (253, 231, 37),
    ],
    dtype=np.float64,
)  # fmt: skip
_CURVE: Final = CubicSpline(np.linspace(0.0, 1.0, len(_VIRIDIS)), _VIRIDIS[::-1] / 255.0)

Colour = tuple[float, float, float]
"""Red, green and blue as shown on a screen (sRGB), each 0 to 1."""

PAPER: Final[Colour] = (0.976, 0.974, 0.968)
INK: Final[Colour] = (0.13, 0.14, 0.17)
FAINT_INK: Final[Colour] = (0.42, 0.43, 0.46)
PLASTER: Final[Colour] = (0.90, 0.885, 0.855)
BASE: Final[Colour] = (0.905, 0.92, 0.94)
SURVEY_LINE: Final[Colour] = (0.09, 0.10, 0.14)
WAX: Final[dict[str, Colour]] = {
    "parallel": (0.16, 0.49, 0.66),
    "ledge": (0.78, 0.42, 0.16),
    "arbitrary": (0.45, 0.56, 0.22),
    "relief": (0.72, 0.36, 0.52),
    "bead": (0.47, 0.42, 0.68),
}
OTHER_WAX: Final[Colour] = (0.45, 0.45, 0.45)


def depth_colours(depth_mm: ArrayLike, *, deepest_mm: float) -> Floats:
    """Colours of undercut depths, from 0 to ``deepest_mm``; deeper ones keep the last colour.

    Parameters
    ----------
    depth_mm : (...,)
    deepest_mm : float
        Depth of the last colour, more than 0.

    Returns
    -------
    (..., 3) float, sRGB, 0 to 1

    >>> [round(255 * float(c)) for c in depth_colours(0.0, deepest_mm=0.75)]
    [253, 231, 37]
    """
    share = np.clip(np.asarray(depth_mm, dtype=np.float64) / deepest_mm, 0.0, 1.0)
    colours: Floats = np.clip(_CURVE(share), 0.0, 1.0)
    return colours


def brightness(colour: Colour | Floats) -> float:
    """Luma of an sRGB colour (ITU-R BT.709 weights), 0 black to 1 white."""
    return float(np.dot(np.asarray(colour), (0.2126, 0.7152, 0.0722)))


def bytes_of(colours: ArrayLike) -> NDArray[np.uint8]:
    """sRGB 0 to 1 as bytes."""
    shares = np.clip(np.asarray(colours, dtype=np.float64), 0.0, 1.0)
    return np.round(shares * 255.0).astype(np.uint8)
