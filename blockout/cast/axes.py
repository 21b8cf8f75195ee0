"""Directions as a user writes them: ``+z``, ``-y``, ``x``, or three numbers such as ``0,1,1``."""

from __future__ import annotations

import re
from typing import Final

import numpy as np

from blockout.errors import InputError
from blockout.mesh import Floats

_AXIS: Final = re.compile(r"^([+-]?)\s*([xyz])$", re.IGNORECASE)


def direction_from_text(text: str, *, option: str) -> Floats:
    """(3,) unit vector in file coordinates.

    Parameters
    ----------
    text : str
        An axis with or without sign, or three numbers with commas between; their length does
        not matter.
    option : str
        The option it was given with, such as ``--up``, for the message.

    Raises
    ------
    InputError
        The text is neither, or the three numbers are all zero or not finite.

    Examples
    --------
    >>> direction_from_text("-y", option="--up").tolist()
    [0.0, -1.0, 0.0]
    >>> direction_from_text("0, 3, 4", option="--up").round(3).tolist()
    [0.0, 0.6, 0.8]
    """
    axis = _AXIS.match(text.strip())
    if axis is not None:
        unit = np.zeros(3)
        unit["xyz".index(axis[2].lower())] = -1.0 if axis[1] == "-" else 1.0
        return unit
    fix = f"Write {option} as an axis such as +z or -y, or as three numbers such as 0,1,1."
    try:
        numbers = np.array([float(part) for part in text.split(",")], dtype=np.float64)
    except ValueError as error:
        raise InputError(f"{option} {text!r} is not a direction", fix=fix) from error
    if numbers.shape != (3,):
        raise InputError(
            f"{option} {text!r} is not a direction",
            measured=f"{len(numbers)} numbers, 3 wanted",
            fix=fix,
        )
    largest = np.abs(numbers).max()
    if not np.isfinite(largest) or largest == 0.0:
        raise InputError(
            f"{option} {text!r} is not a direction", measured="it has no length", fix=fix
        )
    numbers = numbers / largest  # so that squares neither overflow nor vanish
    direction: Floats = numbers / np.linalg.norm(numbers)
    return direction
