"""Pictures of the inner side of each half of a blocked-out arch: the other half is taken away."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from blockout.cast.cast import Cast
from blockout.mesh import Bools, Floats, Mesh
from blockout.report.colours import BASE, OTHER_WAX, PLASTER, WAX
from blockout.report.page.section import CutBody
from blockout.report.pictures import Picture, draw_bodies
from blockout.report.scene import Body, face_paint, plain_paint
from blockout.report.sheet import Swatch
from blockout.report.view import bench_view

INNER_WORD: Final = {"lower": "lingual", "upper": "palatal"}
_HATCHES_DEG: Final = {
    "parallel": 45.0, "ledge": -45.0, "arbitrary": 0.0, "relief": 90.0, "bead": 22.5,
}  # fmt: skip
_BESIDE: Final = {"right": "left", "left": "right"}


def inner_pictures(
    cast: Cast,
    waxes: Sequence[CutBody],
    direction: Floats,
    *,
    size_px: tuple[int, int] = (1200, 900),
) -> Iterator[tuple[str, Picture]]:
    """Name and picture of the lingual or palatal side of either half, path upright.

    The names are ``inner-right`` and ``inner-left``, after the side of the picture from above.
    """
    word = INNER_WORD[cast.arch]
    kinds = {body.kind: None for body in waxes}
    for side, sign in (("right", 1.0), ("left", -1.0)):
        eye = bench_view(
            _BESIDE[side],
            frame=cast.frame,
            direction=direction,
            arch=cast.arch,
            arch_stated=cast.arch_stated,
        )
        # the view from above is edged by the patient's sides; this one looks at the far half
        far = bench_view(
            side,
            frame=cast.frame,
            direction=direction,
            arch=cast.arch,
            arch_stated=cast.arch_stated,
        ).title.partition(": ")[2]
        tones = np.where(cast.scanned[:, None], PLASTER, BASE)
        kept = _half(cast.mesh, cast, sign)
        bodies = [Body(_with_faces(cast.mesh, kept), face_paint(tones[kept]))]
        for wax in waxes:
            kept = _half(wax.mesh, cast, sign)
            if kept.any():
                paint = plain_paint(WAX.get(wax.kind, OTHER_WAX))
                hatch_deg = _HATCHES_DEG.get(wax.kind, 45.0)
                part = _with_faces(wax.mesh, kept)
                bodies.append(Body(part, paint, opacity=0.86, hatch_deg=hatch_deg))
        legend = [Swatch("cast", PLASTER), Swatch("poured base", BASE)]
        legend += [
            Swatch(kind, WAX.get(kind, OTHER_WAX), _HATCHES_DEG.get(kind, 45.0)) for kind in kinds
        ]
        yield (
            f"inner-{side}",
            draw_bodies(
                bodies,
                view=replace(eye, title=f"{word.capitalize()} side, {far}"),
                heading=f"Blocked-out model. {word.capitalize()} side: {far}",
                words=(f"the half before it is taken away, {cast.arch} cast, path upright",),
                legend=legend,
                size_px=size_px,
            ),
        )


def _half(mesh: Mesh, cast: Cast, sign: float) -> Bools:
    beside: Floats = cast.frame.points_to_cast(mesh.face_centres)[:, 0]
    return sign * beside > 0.0


def _with_faces(mesh: Mesh, kept: Bools) -> Mesh:
    return Mesh(mesh.vertices, mesh.faces[kept])
