"""Judges of how a case file is read, changed and written; see ``cases.py`` for the files.

The judges from outside are ``tomllib``, which says what a text holds, and ``jsonschema``, which
says whether the schema allows it.
"""

from __future__ import annotations

import re
import tomllib
from collections import Counter
from pathlib import Path
from typing import Any

import jsonschema
from cases import SCHEMA, WORDS, values
from hypothesis import strategies as st

from blockout.case import editing
from blockout.case.case import Case, parse_case, read_case
from blockout.case.edit import text_of_case, write_case
from blockout.case.toml_lines import toml_lines
from blockout.errors import CaseError, InputError, OutputError

SCHEMA_JUDGE = jsonschema.Draft202012Validator(SCHEMA)


def judge_refusal(error: InputError, *, somewhere: bool = True, lines: int | None = None) -> None:
    """Words of a sensible length, the file's name, and lines that the file has."""
    assert error.what, "a refusal that does not say what is wrong"
    assert error.where or not somewhere, f"a refusal that does not say where: {error}"
    assert len(str(error)) < 20_000, "a refusal of more words than anybody reads"
    assert not re.search("pydantic|Input should|Value error", str(error)), error
    assert not re.search(r"[\x00-\x08\x0b-\x1f\x7f]", str(error)), "control characters in words"
    if lines is not None:
        named = re.search(r"lines? ([\d, ]+)", error.where or "")
        for number in re.findall(r"\d+", named[1]) if named else []:
            assert 1 <= int(number) <= lines, f"{error.where}: the file has {lines} lines"


def judge_reading(data: bytes, desk: Path) -> str:
    """``read`` or ``refused``; a case that was read is written and read back the same."""
    file = desk / "case.toml"
    file.write_bytes(data)
    try:
        case = read_case(file)
    except CaseError as error:
        judge_refusal(error, lines=data.count(b"\n") + 1)
        return "refused"
    held = tomllib.loads(data.decode("utf-8-sig"))
    wrong = next(iter(SCHEMA_JUDGE.iter_errors(held)), None)
    assert wrong is None, f"read against the schema: {wrong.message if wrong else ''}"
    judge_written(case, file, data)
    return "read"


def judge_written(case: Case, file: Path, data: bytes) -> None:
    """Written over itself no byte changes; written anew it says the same."""
    write_case(file, case)
    assert file.read_bytes() == data, "a case written over itself changed its file"
    new = file.with_name("new.toml")
    new.unlink(missing_ok=True)
    write_case(new, case)
    again = read_case(new)
    assert again == case, "a case written anew is another one"
    assert stated(again) == stated(case), "a case written anew states other keys"


def stated(case: Case) -> dict[str, Any]:
    """What a case says; an empty table says nothing."""
    said = case.model_dump(mode="json", by_alias=True, exclude_unset=True)
    return {key: value for key, value in said.items() if value not in ({}, [])}


def judge_command(data: bytes, desk: Path, which: int) -> str:
    """The program on a case file whose scan is not there: exit code 2, words, nothing left."""
    from typer.testing import CliRunner

    from blockout.cli.main import app

    file, out = desk / "case.toml", desk / "out"
    file.write_bytes(data)
    calls = (
        ["inspect", str(file)],
        ["build", str(file), "--out", str(out), "--no-log"],
        ["build", str(file), "--out", str(out), "--no-log", "--tilt=4,-2", "--json"],
    )
    done = CliRunner().invoke(app, calls[which])
    assert done.exit_code == 2, f"exit code {done.exit_code}: {done.output[-2000:]}"
    assert done.stderr.strip(), "nothing was said"
    assert "Traceback" not in done.output, done.output[-2000:]
    assert "fault of blockout" not in done.output, done.output[-2000:]
    assert not out.exists(), "something was written"
    assert file.read_bytes() == data, "the case file was changed"
    return f"{calls[which][0]} refused"


# --- changes -------------------------------------------------------------------------------------
_TABLES = {
    name: part["$ref"].rpartition("/")[2]
    for name, part in SCHEMA["properties"].items()
    if "$ref" in part
}
_LISTS = {
    "arm": "ArmSettings", "relief": "ReliefSettings", "bead": "BeadSettings",
    "teeth.tooth": "ToothSettings", "try_in.rest": "RestSettings",
    "choosing.guiding_plane": "GuidingSurface",
}  # fmt: skip
_POINT = st.tuples(*[st.floats(-100.0, 100.0)] * 3).map(list)


@st.composite
def changed(draw: st.DrawFn, case: Case) -> tuple[Case, set[str]]:
    """The case after one change, and the tables that it may have touched."""
    way = draw(st.integers(0, 9))
    if way <= 1:
        name = draw(st.sampled_from(sorted(_TABLES)))
        part = SCHEMA["$defs"][_TABLES[name]]
        key = draw(st.sampled_from(sorted(part["properties"])))
        value = draw(st.one_of(st.none(), values(part["properties"][key])))
        return editing.with_values(case, name, {key: value}), {name}
    if way == 2:
        name = draw(st.sampled_from(sorted(_LISTS)))
        item = draw(values({"$ref": f"/{_LISTS[name]}"}))
        return editing.with_item(case, name, item), {name.partition(".")[0]}
    if way == 3:
        name = draw(st.sampled_from([*sorted(_LISTS), "parallel.keep_in", "parallel.keep_out"]))
        index = draw(st.integers(0, 2))
        return editing.without_item(case, name, index), {name.partition(".")[0]}
    if way == 4:
        drawn = editing.drawn(case)
        if drawn:
            one = draw(st.sampled_from(drawn))
            few = 1 if len(one.points_mm) == 1 else 2
            points = draw(st.lists(_POINT, min_size=few, max_size=4 * few - 3))
            return editing.with_points(case, one.address, points), {one.address.partition(".")[0]}
    if way == 5 and case.arm:
        index = draw(st.integers(0, len(case.arm) - 1))
        part = SCHEMA["$defs"]["ArmSettings"]
        key = draw(st.sampled_from(sorted(part["properties"])))
        value = draw(st.one_of(st.none(), values(part["properties"][key])))
        return editing.with_values(case, f"arm.{index}", {key: value}), {"arm"}
    if way == 6:
        return editing.with_values(case, "", {"name": draw(st.one_of(st.none(), WORDS))}), {"name"}
    numbers = st.integers(9, 50)
    if way == 7:
        return editing.with_missing(case, draw(st.lists(numbers, max_size=4))), {"teeth"}
    if way == 8:
        return editing.with_tooth(case, draw(numbers), draw(_POINT)), {"teeth"}
    tilt = st.floats(-60.0, 60.0)
    tilts = {"anterior_tilt_deg": draw(tilt), "lateral_tilt_deg": draw(tilt)}
    return editing.with_path(case, **tilts), {"path"}


def judge_change(text: str, after: Case, touched: set[str], desk: Path) -> str | None:
    """The user's text with the change in it: what is not concerned stays, remarks and line ends
    too. None where the layout does not allow it.
    """
    path = desk / "case.toml"
    try:
        new = text_of_case(after, old=text, path=path)
    except OutputError as error:
        judge_refusal(error)
        return None
    again = parse_case(new)
    assert again.model_dump() == after.model_dump(), "the change reads back as another case"
    before_data, after_data = (tomllib.loads(one.removeprefix("\ufeff")) for one in (text, new))
    for name in before_data.keys() | after_data.keys():
        if name not in touched:
            assert after_data.get(name) == before_data.get(name), f"[{name}] was touched"
    lost = remarks(text) - remarks(new)
    assert not lost, f"remarks were lost: {lost}"
    assert new.startswith("\ufeff") == text.startswith("\ufeff"), "the byte order mark"
    if "\r\n" in text:
        assert "\n" not in new.replace("\r\n", ""), "line ends of another kind"
    assert text_of_case(again, old=new, path=path) == new, "writing it again changes it"
    return new


def remarks(text: str) -> Counter[str]:
    """Every remark of a text."""
    found = Counter(comment for _, comment in toml_lines(text.removeprefix("\ufeff")).comments)
    assert sum(found.values()) >= len(re.findall(r"(?m)^\s*# \d+ ", text)), "a remark not seen"
    return found
