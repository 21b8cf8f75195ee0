"""What the options ask for, as settings. Nothing heavy is imported before a command runs."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, TypeVar

from blockout.cli.groups import CastOptions, PathOptions
from blockout.cli.options import OPTION_OF
from blockout.errors import InputError, OutputError, PathError, UnitError
from blockout.units import MM_PER_UNIT, LengthUnit

if TYPE_CHECKING:
    from blockout.case.case import Case
    from blockout.case.settings import PathSettings, Settings

Values = dict[str, Any]
Outline = tuple[tuple[float, float, float], ...]

_NO_PATH = PathOptions()
_NOTHING: Mapping[str, Any] = MappingProxyType({})
_TILTS = ("anterior_tilt_deg", "lateral_tilt_deg")
_ParsedT = TypeVar("_ParsedT", bound="Settings")


def given(**values: Any) -> Values:
    """The options that were given, without those left out."""
    return {key: value for key, value in values.items() if value not in (None, [], ())}


def unit_asked(text: str | None) -> LengthUnit | None:
    """The unit of the file.

    Raises
    ------
    UnitError
    """
    if text is None or text in MM_PER_UNIT:
        return text
    raise UnitError(
        f"{text!r} is not a unit",
        measured=f"known are {', '.join(MM_PER_UNIT)}",
        fix="Say what the file's numbers count with --unit mm|cm|m|in.",
    )


def number_asked(option: str, text: str | None) -> float | None:
    """A number without a unit, as given to ``option``.

    Raises
    ------
    InputError
    """
    if text is None:
        return None
    try:
        return float(text)
    except ValueError as error:
        raise InputError(
            f"{text!r} is not a number", fix=f"Write a number such as 2.5 after {option}."
        ) from error


def numbers_asked(option: str, text: str, names: Sequence[str]) -> tuple[float, ...]:
    """Numbers separated by commas, one for each of ``names``.

    Raises
    ------
    PathError

    >>> numbers_asked("--tilt", "4,-2", ("A", "L"))
    (4.0, -2.0)
    """
    pattern = ",".join(names)
    try:
        numbers = tuple(float(part) for part in text.split(","))
    except ValueError:
        numbers = ()
    if len(numbers) != len(names):
        raise PathError(
            f"{text!r} is not {len(names)} numbers",
            measured=f"{len(text.split(','))} parts, due {len(names)}",
            fix=f"Write {option} {pattern} with decimal points and no spaces, "
            f"such as {option} {','.join(('4', '-2', '30')[: len(names)])}.",
        )
    return numbers


def cast_asked(asked: CastOptions) -> Values:
    """The keys of :class:`~blockout.case.case.CastSettings` that the options give.

    Raises
    ------
    UnitError
    """
    return given(
        unit=unit_asked(asked.unit),
        up=asked.up,
        front=asked.front,
        arch=asked.arch,
        base_height_mm=asked.base_height,
    )


def path_asked(asked: PathOptions) -> Values:
    """The keys of :class:`~blockout.case.settings.PathSettings` that the options give.

    Raises
    ------
    PathError, InputError
    """
    if asked.tilt is not None and asked.direction is not None:
        raise PathError(
            "the path is said twice, by --tilt and by --direction", fix="Keep one of the two."
        )
    values = given(
        warn_tilt_deg=number_asked("--warn-tilt", asked.warn_tilt),
        max_tilt_deg=number_asked("--max-tilt", asked.max_tilt),
    )
    if asked.tilt is not None:
        anterior, lateral = numbers_asked("--tilt", asked.tilt, ("A", "L"))
        values |= {"anterior_tilt_deg": anterior, "lateral_tilt_deg": lateral}
    if asked.direction is not None:
        values["direction"] = numbers_asked("--direction", asked.direction, ("X", "Y", "Z"))
    return values


def outlines_asked(file: Path | None) -> tuple[Outline, ...] | None:
    """Outlines read from a text file: one point ``x,y,z`` a line, an empty line between outlines.

    Commas, semicolons, tabs or spaces part the numbers; ``#`` begins a remark.

    Raises
    ------
    InputError
        The file cannot be read, or a line is not three numbers; the line is named.
    """
    if file is None:
        return None
    try:
        text = file.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputError("the file of outlines is not text", where=str(file)) from error
    except OSError as error:
        reason = error.strerror or str(error)
        raise InputError(
            "the file of outlines cannot be read", measured=reason, where=str(file)
        ) from error
    outlines: list[Outline] = []
    points: list[tuple[float, float, float]] = []
    for number, raw in enumerate(text.splitlines(), start=1):
        line = raw.split("#", 1)[0].strip()
        if line:
            points.append(_point(line, f"{file.name} line {number}"))
        elif not raw.strip() and points:
            outlines.append(tuple(points))
            points = []
    if points:
        outlines.append(tuple(points))
    if not outlines:
        raise InputError(
            "the file of outlines holds no points",
            where=str(file),
            fix="Write one point x,y,z on each line.",
        )
    return tuple(outlines)


def _point(line: str, where: str) -> tuple[float, float, float]:
    parts = [part for part in re.split(r"[,;\s]+", line) if part]
    try:
        x, y, z = (float(part) for part in parts)
    except ValueError as error:
        raise InputError(
            f"{line[:60]!r} is not a point",
            measured=f"{len(parts)} parts, due three numbers",
            where=where,
            fix="Write x,y,z in the file's coordinates, mm.",
        ) from error
    return x, y, z


def settings_asked(model: type[_ParsedT], values: Mapping[str, Any]) -> _ParsedT:
    """Settings from what the options give; a value that cannot be used is told with its option.

    Raises
    ------
    InputError, PathError
        PathError when the settings are those of the path.
    """
    from blockout.case.problems import settings_from

    try:
        return settings_from(model, values)
    except InputError as error:
        kind = PathError if model.__name__ == "PathSettings" else InputError
        blamed = [key for key in values if re.search(rf"\b{key}\b", str(error))]
        options = list(dict.fromkeys(OPTION_OF[key] for key in blamed if key in OPTION_OF))
        named = f"Mend {' and '.join(options)}." if options else None
        raise kind(
            error.what,
            measured=error.measured,
            where=error.where,
            places_mm=error.places_mm,
            fix=" ".join(part for part in (error.fix, named) if part) or None,
        ) from error


def refuse_overwriting(file: Path, out: Path) -> None:
    """An input is never changed, not even when it is named as the output.

    Raises
    ------
    OutputError
    """
    if out.exists() and file.exists() and out.samefile(file):
        raise OutputError(
            f"{out.name} is the file that is read; it is never changed",
            where=str(out),
            fix="Name another file with --out.",
        )


def path_settings(values: Mapping[str, Any]) -> PathSettings:
    """The path of insertion, from the options that were given.

    Raises
    ------
    PathError
        A value that cannot be used, or a tilt beyond the limit that the values or the defaults
        set.
    """
    from blockout.case.settings import PathSettings
    from blockout.surveying.path import check_tilts

    # the limit before the tilts: it is the smaller range, and the one that can be raised
    rest = {key: value for key, value in values.items() if key not in _TILTS}
    limit_deg = settings_asked(PathSettings, rest).max_tilt_deg
    check_tilts(*(values.get(key, 0.0) for key in _TILTS), max_tilt_deg=limit_deg)
    return settings_asked(PathSettings, values)


def case_asked(
    file: Path,
    *,
    cast: CastOptions,
    path: PathOptions = _NO_PATH,
    survey: Mapping[str, Any] = _NOTHING,
    parallel: Mapping[str, Any] = _NOTHING,
) -> Case:
    """The case to build: a case file with the options over it, or a scan with the options alone.

    The scan's path comes back as seen from the working folder, not from the case file's.

    Raises
    ------
    CaseError, InputError, PathError
    """
    from blockout.case.case import Case, CastSettings, read_case
    from blockout.case.settings import ParallelSettings, SurveySettings

    said_of_cast, said_of_path = cast_asked(cast), path_asked(path)
    if file.suffix.lower() == ".toml":
        case = read_case(file)
        scan = case.cast_file(file)
    else:
        case, scan = None, file
    told = {} if case is None else case.model_dump(exclude_unset=True)
    # the path is said once: what the options say of it replaces the file's other way of saying it
    replaced: tuple[str, ...] = ()
    if "direction" in said_of_path:
        replaced = _TILTS
    elif said_of_path.keys() & set(_TILTS):
        replaced = ("direction",)
    told_path = {key: value for key, value in told.get("path", {}).items() if key not in replaced}
    # tables that no option touches stay as the file has them
    kept = {} if case is None else {key: getattr(case, key) for key in case.model_fields_set}
    asked: Values = {
        "name": file.stem if case is None else case.name,
        "cast": settings_asked(
            CastSettings, {**told.get("cast", {}), **said_of_cast, "file": str(scan)}
        ),
        "path": path_settings({**told_path, **said_of_path}),
        "survey": settings_asked(SurveySettings, {**told.get("survey", {}), **survey}),
        "parallel": settings_asked(ParallelSettings, {**told.get("parallel", {}), **parallel}),
    }
    return Case(**(kept | asked))
