"""From where a picture looks: parallel views of a cast as it stands on the bench."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from blockout.case.settings import Arch
from blockout.cast.frame import CastFrame
from blockout.mesh import Floats

VIEWS: Final[tuple[str, ...]] = ("occlusal", "front", "back", "left", "right")
"""Views of a cast that stands with the path upright; left and right are those of someone at the
bench who looks down on it with its front away from them, as in the picture from above."""


@dataclass(frozen=True, eq=False)
class View:
    """A parallel view.

    Parameters
    ----------
    name : str
    title : str
        What is seen from where, one phrase.
    toward : (3,) unit vector
        From the cast to the eye, file coordinates.
    up : (3,) unit vector
        Upward in the picture, square to ``toward``.
    edges : tuple of four str
        What lies at the left, right, top and bottom of the picture; empty where nothing is said.
    """

    name: str
    title: str
    toward: Floats
    up: Floats
    edges: tuple[str, str, str, str] = ("", "", "", "")

    @property
    def right(self) -> Floats:
        """(3,) rightward in the picture."""
        return np.cross(self.up, self.toward)

    @property
    def axes(self) -> Floats:
        """(3, 3) rows: right, up, toward the eye."""
        return np.stack([self.right, self.up, self.toward])


def bench_view(
    name: str, *, frame: CastFrame, direction: Floats, arch: Arch, arch_stated: bool = True
) -> View:
    """One of :data:`VIEWS`, with the path of insertion upright.

    Parameters
    ----------
    name : str
        One of :data:`VIEWS`.
    frame : CastFrame
    direction : (3,) unit vector
        Direction of removal, file coordinates; not along the cast's front.
    arch, arch_stated
        Decide on which side the patient's right is said to be.

    Raises
    ------
    ValueError
        No view has this name.

    >>> upright = CastFrame(np.eye(4))
    >>> view = bench_view("front", frame=upright, direction=np.array([0.0, 0, 1]), arch="lower")
    >>> view.edges[:2]
    ("patient's right", "patient's left")
    """
    if name not in VIEWS:
        raise ValueError(f"{name!r} is no view; there are {', '.join(VIEWS)}")
    up = np.asarray(direction, dtype=np.float64)
    up = up / np.linalg.norm(up)
    front = frame.front - up * float(frame.front @ up)
    front /= np.linalg.norm(front)
    side = np.cross(front, up)  # +x of the cast's frame, square to the path
    doubt = "" if arch_stated else f" (if {arch})"
    plus_x, minus_x = (
        f"patient's {word}{doubt}"
        for word in (("right", "left") if arch == "lower" else ("left", "right"))
    )
    if name == "occlusal":
        edges = (minus_x, plus_x, "front", "back")
        return View(name, "From above, along the path", up, front, edges)
    if name == "front":
        return View(name, "From the front", front, up, (plus_x, minus_x, "", ""))
    if name == "back":
        return View(name, "From the back", -front, up, (minus_x, plus_x, "", ""))
    if name == "left":
        title = f"From the left: {minus_x}"
        return View(name, title, -side, up, ("front", "back", "", ""))
    return View(name, f"From the right: {plus_x}", side, up, ("back", "front", "", ""))
