"""The teeth a case names: their crowns on the cast, and the class its missing teeth make."""

from __future__ import annotations

from collections.abc import Mapping

from blockout.case.settings import Arch
from blockout.case.tooth_settings import TeethSettings
from blockout.cast.cast import Cast
from blockout.mesh import Floats
from blockout.progress import Progress, silent
from blockout.teeth.crowns import Teeth, find_crowns
from blockout.teeth.kennedy import KennedyClass, kennedy
from blockout.teeth.row import number_along_arch


def teeth_of(cast: Cast, settings: TeethSettings, *, progress: Progress = silent) -> Teeth | None:
    """The crowns of the teeth that are named, or counted along the arch; None where none is.

    Raises
    ------
    InputError
        Numbers of another arch, points that are on no crown or two on one, outlines that are none.
    """
    if not settings.tooth:
        return None
    points: Mapping[int, Floats | tuple[float, float, float]] = settings.points_mm
    if settings.count_along_arch:
        progress("counting crowns along the arch")
        first = settings.tooth[0]
        assert first.point_mm is not None, "counting starts from a point; the settings see to it"
        points = number_along_arch(
            cast, first.number, first.point_mm, missing=settings.missing, settings=settings.crown
        ).points_mm
    progress("finding crowns")
    return find_crowns(
        cast,
        points,
        outlines_mm=settings.outlines_mm,
        settings=settings.crown,
        progress=progress,
    )


def kennedy_of(arch: Arch, settings: TeethSettings) -> KennedyClass | None:
    """The class of the missing teeth that are named; third molars that stand are abutments.

    None where no tooth is said to be missing.
    """
    if not settings.missing:
        return None
    third = [tooth.number for tooth in settings.tooth if tooth.number % 10 == 8]
    return kennedy(
        arch, settings.missing, third_molar_abutments=third, not_replaced=settings.not_replaced
    )
