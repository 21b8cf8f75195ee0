"""The case file: one prescription's scan, path, survey and blockout, written in TOML.

::

    schema = "blockout-case/1"
    name = "First lower case"

    [cast]
    file = "scan.stl"            # beside the case file
    arch = "lower"
    land_mm = 3

    [path]
    anterior_tilt_deg = 4
    lateral_tilt_deg = -2

    [survey]
    gauges_mm = [0.25, "0.020 in"]

    [parallel]
    taper_deg = 2

    [teeth]
    missing = [36, 37]

    [[teeth.tooth]]
    number = 35
    point_mm = [21.5, 4.0, 12.1]

    [[arm]]
    tooth = 35
    aspect = "buccal"
    origin = "distal"
    role = "retentive"
    undercut_mm = "0.010 in"

    [[relief]]
    over = "base mesh"
    crest = [[22.0, -1.0, 4.0], [24.0, -9.0, 3.5], [26.0, -18.0, 3.0]]

Every key but ``schema`` and ``file`` may be left out. Lengths are numbers in mm or text such as
``"0.010 in"`` and ``"30 ga"``.
"""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any, Final, Literal

from pydantic import ConfigDict, Field, ValidationError

from blockout.case.choosing_settings import ChoosingSettings
from blockout.case.comparing_settings import CompareSettings
from blockout.case.prescription import Prescription
from blockout.case.problems import Problem, case_error, nearest, problems_of, shown_value
from blockout.case.recording_settings import RecordingSettings, SurenessSettings
from blockout.case.settings import (
    PathSettings,
    PrepareSettings,
    Settings,
    SurveySettings,
)
from blockout.case.toml_lines import TomlLines, toml_lines
from blockout.case.trying_settings import TryInSettings
from blockout.errors import CaseError
from blockout.units import LengthUnit

SCHEMA_VERSION: Final = "blockout-case/1"

_LARGEST_BYTES: Final = 4_000_000
"""A case with thousands of outline points is far under this; a scan named by mistake is over."""


class CastSettings(PrepareSettings):
    """Which scan or prepared cast, and how a scan is made a closed cast."""

    file: str = Field(
        min_length=1,
        max_length=4096,
        pattern=r"^[^\x00-\x1f\x7f]*$",
        description="Scan, or prepared cast, as a path from the case file's folder.",
    )
    unit: LengthUnit | None = Field(
        default=None,
        description="Unit of the file's coordinates; told by the file or its size when left out.",
    )


class CaseHead(Settings):
    """What a case is about, before what is made of it."""

    model_config = ConfigDict(populate_by_name=True)

    schema_version: Literal["blockout-case/1"] = Field(
        default=SCHEMA_VERSION,
        alias="schema",
        description="Which edition of the case file this is.",
    )
    name: str = Field(default="", max_length=200, description="What the case is called.")
    cast: CastSettings
    path: PathSettings = Field(default_factory=PathSettings)
    survey: SurveySettings = Field(default_factory=SurveySettings)
    choosing: ChoosingSettings = Field(default_factory=ChoosingSettings)
    recording: RecordingSettings = Field(default_factory=RecordingSettings)
    sureness: SurenessSettings = Field(default_factory=SurenessSettings)
    compare: CompareSettings = Field(
        default_factory=CompareSettings, description="Tolerances of the comparison with scans."
    )
    try_in: TryInSettings = Field(
        default_factory=TryInSettings, description="How a framework is tried in."
    )


class Case(Prescription, CaseHead):
    """One case, as a case file says it; see the module for an example.

    ``schema`` is the key in the file; in Python it is ``schema_version`` and need not be given.
    """

    def cast_file(self, case_file: Path) -> Path:
        """Where the scan lies, given where the case file lies. Absolute paths stay, and ``..`` is
        followed; nothing is checked.

        >>> case = Case(cast=CastSettings(file="../scans/a.stl"))
        >>> case.cast_file(Path("cases/a.toml")).as_posix()
        'cases/../scans/a.stl'
        """
        return case_file.parent / self.cast.file


def read_case(path: Path) -> Case:
    """Read and check a case file.

    Raises
    ------
    CaseError
        The file is missing, not text in UTF-8, not TOML, too large, or holds keys or values that
        cannot be used; all of them are told at once, each with its line.
    """
    path = Path(path)
    return parse_case(case_text(path), file=path.name)


def parse_case(text: str, *, file: str = "the case") -> Case:
    """Check the text of a case file; ``file`` is its name in messages.

    Raises
    ------
    CaseError
        As :func:`read_case`.
    """
    data, lines = _parsed(text, file)
    schema = data.get("schema")
    if schema is not None and schema != SCHEMA_VERSION:
        # an edition not known to us would only produce a list of misleading errors
        raise case_error([_wrong_schema(schema, lines)], file=file)
    problems = [] if schema else [_missing_schema(data)]
    try:
        case = Case.model_validate(data)
    except ValidationError as error:
        problems += problems_of(error, Case, data, lines=lines)
    if problems:
        raise case_error(problems, file=file)
    return case


def _wrong_schema(schema: Any, lines: TomlLines) -> Problem:
    return Problem(
        lines.of(("schema",)),
        f"schema = {shown_value(schema)} is not a case file that this version reads",
        f'It reads schema = "{SCHEMA_VERSION}".',
    )


def _missing_schema(data: dict[str, Any]) -> Problem:
    near = nearest("schema", data)
    instead = f" (there is {near})" if near else ""
    return Problem(
        None, f"schema is missing{instead}", f'Write schema = "{SCHEMA_VERSION}" as the first line.'
    )


def case_text(path: Path) -> str:
    """The text of a case file as it stands, a byte order mark included.

    Raises
    ------
    CaseError
        The file is missing, too large, not a regular file or not UTF-8.
    """
    where = str(path)
    try:
        if path.is_dir():
            raise CaseError("this is a folder, not a case file", where=where)
        if path.exists() and not path.is_file():
            raise CaseError("this is not a regular file", where=where)
        size = path.stat().st_size
        if size > _LARGEST_BYTES:
            raise CaseError(
                "this file is too large for a case file",
                measured=f"{size / 1e6:.1f} MB, at most {_LARGEST_BYTES / 1e6:g} MB",
                where=where,
                fix="Name the case file; the scan is named inside it, as file in [cast].",
            )
        return path.read_bytes().decode("utf-8")
    except FileNotFoundError as error:
        raise CaseError("there is no such case file", where=where) from error
    except UnicodeDecodeError as error:
        line = error.object.count(b"\n", 0, error.start) + 1
        raise CaseError(
            "this is not text in UTF-8",
            measured=f"byte {error.object[error.start]:#04x}",
            where=f"{path.name} line {line}",
            fix="Save the case file as UTF-8 text.",
        ) from error
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise CaseError("the case file cannot be read", measured=reason, where=where) from error


def _parsed(text: str, file: str) -> tuple[dict[str, Any], TomlLines]:
    try:
        text = text.removeprefix("\ufeff")
        return tomllib.loads(text), toml_lines(text)
    except RecursionError as error:
        raise CaseError("lists or tables are nested too deep", where=file) from error
    except ValueError as error:
        raise _not_toml(str(error), text, file) from error


def _not_toml(message: str, text: str, file: str) -> CaseError:
    found = re.fullmatch(r"(.*) \(at (?:line (\d+), column (\d+)|end of document)\)", message)
    fix = None
    if found is None:
        what, where = "a number has too many digits", file
    elif found[2]:
        what, where = found[1], f"{file} line {found[2]}, column {found[3]}"
    else:
        lines = text.rstrip("\r\n").split("\n")
        what = found[1]
        where = f"{file} line {len(lines)}, column {len(lines[-1]) + 1}, the end of the text"
    if "\\" in what:
        fix = "Write folders with / instead, or put the text in single quotes."
    return CaseError(f"this is not TOML: {what[:1].lower() + what[1:]}", where=where, fix=fix)
