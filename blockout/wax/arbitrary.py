"""Arbitrary blockout: undercut that no framework crosses, filled so that a mould comes off.

Where parallel blockout is kept to zones, what is undercut elsewhere is filled here, with a wall
that leans outward by a draft angle. Where parallel blockout goes everywhere, nothing is left to do.
"""

from __future__ import annotations

from collections.abc import Sequence

from blockout.case.arbitrary_settings import ArbitrarySettings
from blockout.case.settings import ParallelSettings
from blockout.kernel.solids import Solid
from blockout.surveying.survey import Survey
from blockout.tolerances import TOLERANCES, Tolerances
from blockout.wax.columns import Columns
from blockout.wax.space import Space
from blockout.wax.taper import tapered_skirt
from blockout.wax.wax import Wax
from blockout.wax.zones import seen, zone_column

_OVERLAP_MM = 0.01
"""How far draft reaches into a zone of parallel blockout: cut on one plane with it, a film of air
without thickness would stay between them."""
_SIDES = 24
"""Planes of a whole fan around a corner: up to 1 % of draft more than asked."""


def arbitrary_blockout(
    survey: Survey,
    space: Space,
    columns: Columns,
    *,
    parallel: ParallelSettings,
    settings: ArbitrarySettings | None = None,
    keep_free: Sequence[Solid] = (),
    keep_upright: Sequence[Solid] = (),
    tolerances: Tolerances = TOLERANCES,
) -> tuple[Wax, Space]:
    """Fill what is undercut outside the zones of parallel blockout; and the space left.

    Parameters
    ----------
    survey : Survey
    space : Space
        With parallel blockout and ledges already taken out.
    columns : Columns
        What stands under scanned ceilings, as parallel blockout found it.
    parallel : ParallelSettings
        Whose zones were filled.
    keep_free : sequence of Solid
        Windows of arms, upright.
    keep_upright : sequence of Solid
        Where the wall has no draft, upright: beside the terminals of arms, whose undercut a gauge
        reads from that wall.

    Raises
    ------
    InputError
        An outline that is none, or lies off the cast.
    """
    settings = settings or ArbitrarySettings()
    empty = Wax(
        "arbitrary", "arbitrary", None, 0.0, ("nothing to fill: parallel blockout covers it all",)
    )
    zones = [
        [
            zone_column(space, outline, name=f"{key}[{k}]", grown_mm=by_mm)
            for k, outline in enumerate(outlines)
        ]
        for key, outlines, by_mm in (
            ("keep_in", parallel.keep_in, -_OVERLAP_MM),
            ("keep_out", parallel.keep_out, _OVERLAP_MM),
        )
    ]
    keep_in, keep_out = (Solid.union(columns) for columns in zones)
    if not (parallel.keep_in or parallel.keep_out) or columns.solid.is_empty:
        return empty, space
    floor_mm = 0.0 if parallel.floor_mm is None else parallel.floor_mm - survey.cast.floor_mm
    # what is under ceilings in the zones of parallel blockout has been taken already: asking for
    # it again leaves no film of air where the two meet
    body = columns.solid
    if settings.draft_deg > tolerances.upright_deg:
        near = None if parallel.keep_in else [seen(space, one) for one in parallel.keep_out]
        skirt = tapered_skirt(
            space,
            survey.ceilings,
            settings.draft_deg,
            floor_mm=floor_mm,
            near=near,
            sides=_SIDES,
        )
        if keep_upright:
            skirt = skirt - Solid.union(keep_upright)
        body = body + (skirt - (keep_in - keep_out) if parallel.keep_in else skirt ^ keep_out)
    if keep_free:
        body = body - Solid.union(keep_free)
    mesh, left = space.take(body, tolerances=tolerances)
    if not mesh.triangle_count:
        return empty, left
    return Wax("arbitrary", "arbitrary", mesh, mesh.volume_mm3), left
