"""A case changed: one value, one arm, one point at a time; the case given stays as it is.

Every change goes through the checks of the case file, and what the case leaves to the defaults
stays left to them. A place in a case has an *address*, the keys that lead to it joined by points,
counted from 0 where there are several: ``parallel``, ``arm.0``, ``relief.1.crest``,
``parallel.keep_out.0``, ``teeth.tooth.2.point_mm``.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from blockout.case.case import Case
from blockout.case.problems import settings_from
from blockout.case.relief_settings import Over
from blockout.errors import InputError, Place

Values = Mapping[str, Any]
Points = Iterable[Sequence[float]]

LINE_OF: Final[dict[Over, str]] = {
    "outline": "outline",
    "torus": "outline",
    "lingual bar": "upper_border",
    "base mesh": "crest",
    "gingival margin": "margin",
}
"""The key of the line that is drawn first for a relief over each thing."""

_CLOSED: Final = {"outline", "outline_mm", "keep_in", "keep_out", "keep_off"}
_MEANS_NONE: Final = {"stops", "gauges_mm"}
"""Lists whose being empty says something else than their being left out."""


@dataclass(frozen=True)
class Drawn:
    """One line, outline or point of a case that lies on the cast.

    Parameters
    ----------
    address : str
        Where it stands in the case; :func:`with_points` moves it.
    title : str
        What it is, in words.
    points_mm : tuple of (x, y, z)
        File coordinates.
    closed : bool
        The last point joins the first.
    """

    address: str
    title: str
    points_mm: tuple[Place, ...]
    closed: bool


# --- any place -----------------------------------------------------------------------------------
def with_values(case: Case, table: str, values: Values) -> Case:
    """The case with these keys of a table; a value of None leaves the key to its default.

    ``table`` is an address such as ``parallel``, ``survey`` or ``arm.0``; an empty one is the top
    level.

    Raises
    ------
    InputError
        There is no such table, key or item, or a value cannot be used.

    >>> from blockout.case.case import CastSettings
    >>> case = Case(cast=CastSettings(file="a.stl"))
    >>> with_values(case, "parallel", {"taper_deg": 2}).parallel.taper_deg
    2.0
    """

    def change(stated: dict[str, Any]) -> None:
        place = _table_at(stated, table)
        for key, value in values.items():
            if value is None:
                place.pop(key, None)
            else:
                place[key] = _plain(value)

    return _changed(case, change)


def with_item(case: Case, items: str, value: Any, *, index: int | None = None) -> Case:
    """The case with one more item at the end of a list, or another in the place of item ``index``.

    Parameters
    ----------
    items : str
        Address of the list: ``arm``, ``relief``, ``bead``, ``teeth.tooth``, ``parallel.keep_in``,
        ``parallel.keep_out``, ``relief.0.stops``, ``bead.0.spared``.
    value : mapping or points
        What stands in the case file: a table's keys, or an outline's points.

    Raises
    ------
    InputError
        There is no such list or item, or the value cannot be used.
    """

    def change(stated: dict[str, Any]) -> None:
        place = _list_at(stated, items)
        if index is None:
            place.append(_plain(value))
        else:
            place[_checked(place, index, items)] = _plain(value)

    return _changed(case, change)


def without_item(case: Case, items: str, index: int) -> Case:
    """The case without item ``index`` of a list.

    Raises
    ------
    InputError
        There is no such list or item.
    """

    def change(stated: dict[str, Any]) -> None:
        place = _list_at(stated, items)
        del place[_checked(place, index, items)]

    return _changed(case, change)


def with_points(case: Case, address: str, points_mm: Points) -> Case:
    """The case with other points in a line, outline or place: whatever :func:`drawn` lists.

    Raises
    ------
    InputError
        Nothing is drawn there, or the points cannot be used.
    """
    found = next((one for one in drawn(case) if one.address == address), None)
    if found is None:
        raise InputError(f"nothing is drawn at {address!r}", fix="Draw it first.")
    points = _points(points_mm)
    before, _, key = address.rpartition(".")
    if key.isdigit():
        return with_item(case, before, points, index=int(key))
    is_place = key in ("point_mm", "centre", "place")
    if is_place and len(points) != 1:
        raise InputError(f"{found.title} is one point", measured=f"{len(points)} points, 1 is due")
    return with_values(case, before, {key: points[0] if is_place else points})


def drawn(case: Case) -> tuple[Drawn, ...]:
    """Everything of a case that lies on the cast, in the order of the case file."""
    found: list[Drawn] = []

    def add(address: str, title: str, points: Any) -> None:
        if points:
            last = next(part for part in reversed(address.split(".")) if not part.isdigit())
            found.append(Drawn(address, title, tuple(points), last in _CLOSED))

    for i, tooth in enumerate(case.teeth.tooth):
        place = None if tooth.point_mm is None else [tooth.point_mm]
        add(f"teeth.tooth.{i}.point_mm", f"tooth {tooth.number}", place)
        add(f"teeth.tooth.{i}.outline_mm", f"margin of tooth {tooth.number}", tooth.outline_mm)
    for key, words in (("keep_in", "wax only inside"), ("keep_out", "no wax inside")):
        for i, outline in enumerate(getattr(case.parallel, key)):
            add(f"parallel.{key}.{i}", f"{words}, {i + 1}", outline)
    for i, outline in enumerate(case.recording.keep_off):
        add(f"recording.keep_off.{i}", f"no mark inside, {i + 1}", outline)
    for i, arm in enumerate(case.arm):
        add(f"arm.{i}.points", arm.title, arm.points)
    for i, relief in enumerate(case.relief):
        name = relief.name or f"relief over {relief.over}"
        for key in ("outline", "upper_border", "lower_border", "crest", "margin", "finish_line"):
            words = name if key == LINE_OF[relief.over] else f"{name}: {key.replace('_', ' ')}"
            add(f"relief.{i}.{key}", words, getattr(relief, key))
        for j, stop in enumerate(relief.stops or ()):
            add(f"relief.{i}.stops.{j}.centre", f"{name}: tissue stop {j + 1}", [stop.centre])
    for i, bead in enumerate(case.bead):
        name = bead.name or f"bead {i + 1}"
        add(f"bead.{i}.line", name, bead.line)
        for j, spared in enumerate(bead.spared):
            add(f"bead.{i}.spared.{j}.place", f"{name}: left out {j + 1}", [spared.place])
    for i, rest in enumerate(case.try_in.rest):
        add(f"try_in.rest.{i}.point_mm", rest.name or f"rest {i + 1}", [rest.point_mm])
    return tuple(found)


# --- path and teeth ------------------------------------------------------------------------------
def with_path(case: Case, *, anterior_tilt_deg: float, lateral_tilt_deg: float) -> Case:
    """The case with these tilts, instead of the tilts or the direction it had.

    Raises
    ------
    InputError
        A tilt out of range.
    """
    tilts = {"anterior_tilt_deg": anterior_tilt_deg, "lateral_tilt_deg": lateral_tilt_deg}
    return with_values(case, "path", {"direction": None} | tilts)


def with_tooth(case: Case, number: int, point_mm: Sequence[float]) -> Case:
    """The case with a tooth that stands, or its point moved; a margin drawn by hand stays.

    Raises
    ------
    InputError
        No such number, or the tooth is said to be missing.
    """
    point = _points([point_mm])[0]
    found = [i for i, tooth in enumerate(case.teeth.tooth) if tooth.number == number]
    if found:
        return with_values(case, f"teeth.tooth.{found[0]}", {"point_mm": point})
    return with_item(case, "teeth.tooth", {"number": number, "point_mm": point})


def with_tooth_margin(case: Case, number: int, outline_mm: Points | None) -> Case:
    """The case with a tooth's margin drawn by hand; None leaves it to be found again.

    Raises
    ------
    InputError
        Too few points; or none, and the tooth has no point on its crown.
    """
    outline = None if outline_mm is None else _points(outline_mm)
    found = [i for i, tooth in enumerate(case.teeth.tooth) if tooth.number == number]
    if not found and outline is not None:
        return with_item(case, "teeth.tooth", {"number": number, "outline_mm": outline})
    index = _tooth_index(case, number)
    return with_values(case, f"teeth.tooth.{index}", {"outline_mm": outline})


def without_tooth(case: Case, number: int) -> Case:
    """The case without a tooth; arms on it stay, and need another tooth.

    Raises
    ------
    InputError
        The tooth is not named in the case.
    """
    return without_item(case, "teeth.tooth", _tooth_index(case, number))


def with_missing(case: Case, numbers: Iterable[int]) -> Case:
    """The case with these teeth missing and no others; those not to be replaced are kept as far as
    they are among them.

    Raises
    ------
    InputError
        No such number, or a tooth that stands.
    """
    missing = sorted(set(numbers))
    not_replaced = [number for number in case.teeth.not_replaced if number in missing]
    return with_values(
        case, "teeth", {"missing": missing or None, "not_replaced": not_replaced or None}
    )


# --- arms ----------------------------------------------------------------------------------------
def with_arm(
    case: Case,
    *,
    tooth: int,
    aspect: str,
    origin: str,
    role: str,
    alloy: str | None = None,
    undercut_mm: float | str | None = None,
    points: Points | None = None,
    replace_index: int | None = None,
    **values: Any,
) -> Case:
    """The case with one more arm, or another in the place of arm ``replace_index``.

    What is left out is left to the defaults; ``values`` are other keys of ``[[arm]]``, such as
    ``name``, ``form``, ``section`` and ``width_mm``.

    Raises
    ------
    InputError
        A value that cannot be used, or values that do not fit together.
    """
    keys = {"tooth": tooth, "aspect": aspect, "origin": origin, "role": role, "alloy": alloy}
    keys |= {"undercut_mm": undercut_mm, "points": None if points is None else _points(points)}
    return with_item(case, "arm", _given(keys | values), index=replace_index)


def without_arm(case: Case, index: int) -> Case:
    """The case without arm ``index``, counted from 0. Raises InputError where there is none."""
    return without_item(case, "arm", index)


def with_arm_points(case: Case, index: int, points: Points | None) -> Case:
    """The case with an arm along these points; None or no points leaves it to be laid again.

    Raises
    ------
    InputError
        There is no such arm, it has one point only, or it is a bar and has none.
    """
    given = _points(points or ())
    _checked(case.arm, index, "arm")
    return with_values(case, f"arm.{index}", {"points": given or None})


# --- relief, stops, beads, zones -----------------------------------------------------------------
def with_relief(
    case: Case,
    *,
    over: str,
    points: Points,
    lower_border: Points | None = None,
    index: int | None = None,
    **values: Any,
) -> Case:
    """The case with one more relief, or another in the place of relief ``index``.

    Parameters
    ----------
    over : str
        ``outline``, ``torus``, ``lingual bar``, ``base mesh`` or ``gingival margin``.
    points
        Its outline, upper border, crest or margin; see :data:`LINE_OF`.
    lower_border
        Of a lingual bar.
    values
        Other keys of ``[[relief]]``, such as ``name``, ``thickness_mm``, ``edge`` and ``stops``.

    Raises
    ------
    InputError
    """
    line = next((key for name, key in LINE_OF.items() if name == over), "outline")
    keys: dict[str, Any] = {"over": over, line: _points(points)}
    keys |= {"lower_border": None if lower_border is None else _points(lower_border)}
    return with_item(case, "relief", _given(keys | values), index=index)


def without_relief(case: Case, index: int) -> Case:
    """The case without relief ``index``, counted from 0. Raises InputError where there is none."""
    return without_item(case, "relief", index)


def with_stop(
    case: Case,
    relief: int,
    centre: Sequence[float],
    *,
    index: int | None = None,
    **values: Any,
) -> Case:
    """The case with a tissue stop in a relief; the first one said replaces the one that is placed
    by itself.

    Raises
    ------
    InputError
    """
    keys = {"centre": _points([centre])[0]} | values
    return with_item(case, f"relief.{relief}.stops", _given(keys), index=index)


def without_stop(case: Case, relief: int, index: int) -> Case:
    """The case without a tissue stop; without its last one the relief has none."""
    return without_item(case, f"relief.{relief}.stops", index)


def with_bead(case: Case, *, line: Points, index: int | None = None, **values: Any) -> Case:
    """The case with one more bead along a connector's border, or another in the place of bead
    ``index``; ``values`` are other keys of ``[[bead]]``.

    Raises
    ------
    InputError
    """
    return with_item(case, "bead", _given({"line": _points(line)} | values), index=index)


def without_bead(case: Case, index: int) -> Case:
    """The case without bead ``index``, counted from 0. Raises InputError where there is none."""
    return without_item(case, "bead", index)


def with_keep_in(case: Case, outline: Points, *, index: int | None = None) -> Case:
    """The case with parallel blockout inside this outline too, or instead of outline ``index``."""
    return with_item(case, "parallel.keep_in", _points(outline), index=index)


def without_keep_in(case: Case, index: int) -> Case:
    """The case without one of these outlines; without the last, wax goes everywhere again."""
    return without_item(case, "parallel.keep_in", index)


def with_keep_out(case: Case, outline: Points, *, index: int | None = None) -> Case:
    """The case with no parallel blockout inside this outline, or instead of outline ``index``."""
    return with_item(case, "parallel.keep_out", _points(outline), index=index)


def without_keep_out(case: Case, index: int) -> Case:
    """The case without one of these outlines."""
    return without_item(case, "parallel.keep_out", index)


# --- how -----------------------------------------------------------------------------------------
def _changed(case: Case, change: Callable[[dict[str, Any]], None]) -> Case:
    stated = case.model_dump(mode="json", by_alias=True, exclude_unset=True)
    change(stated)
    _drop_empty(stated)
    return settings_from(Case, stated)


def _drop_empty(values: dict[str, Any]) -> None:
    """An empty list of tables has no place in a case file but where it says something."""
    for key in [key for key, value in values.items() if value == [] and key not in _MEANS_NONE]:
        del values[key]
    for value in values.values():
        for table in value if isinstance(value, list) else [value]:
            if isinstance(table, dict):
                _drop_empty(table)


def _table_at(stated: dict[str, Any], address: str) -> dict[str, Any]:
    place = _at(stated, address, dict)
    if not isinstance(place, dict):
        raise InputError(f"{address} is not a table of a case")
    return place


def _list_at(stated: dict[str, Any], address: str) -> list[Any]:
    place = _at(stated, address, list)
    if not isinstance(place, list):
        raise InputError(f"{address} is not a list of a case")
    return place


def _at(stated: dict[str, Any], address: str, kind: type[dict[str, Any]] | type[list[Any]]) -> Any:
    """The table or list at an address; made where the case leaves it out."""
    place: Any = stated
    parts = address.split(".") if address else []
    for depth, part in enumerate(parts):
        if isinstance(place, list):
            index = int(part) if part.isdigit() else -1
            place = place[_checked(place, index, ".".join(parts[:depth]))]
            continue
        if not isinstance(place, dict):
            raise InputError(f"there is no {address} in a case")
        if place.get(part) is None:
            following = parts[depth + 1] if depth + 1 < len(parts) else None
            if following is None:
                place[part] = kind()
            else:
                place[part] = [] if following.isdigit() else {}
        place = place[part]
    return place


def _checked(items: Sequence[Any], index: int, name: str) -> int:
    if not 0 <= index < len(items):
        count = len(items)
        raise InputError(
            f"{name} has no item {index + 1}",
            measured=f"{count} {'item' if count == 1 else 'items'}",
            fix="It may have been taken away already; look again.",
        )
    return index


def _given(keys: Values) -> dict[str, Any]:
    return {key: value for key, value in keys.items() if value is not None}


def _points(points_mm: Points) -> list[list[float]]:
    try:
        return [[float(value) for value in point] for point in points_mm]
    except (TypeError, ValueError) as error:
        raise InputError("a point is three numbers, mm in the file's coordinates") from error


def _plain(value: Any) -> Any:
    """Lists and tables afresh, so that nothing of the caller's is held."""
    if isinstance(value, Mapping):
        return {key: _plain(part) for key, part in value.items() if part is not None}
    if isinstance(value, list | tuple):
        return [_plain(part) for part in value]
    if hasattr(value, "tolist"):
        return value.tolist()
    return value


def _tooth_index(case: Case, number: int) -> int:
    for index, tooth in enumerate(case.teeth.tooth):
        if tooth.number == number:
            return index
    raise InputError(f"tooth {number} is not named in the case", fix="Name it by a point first.")
