"""What a case file is refused for, in which words and with which line."""

from __future__ import annotations

import os
import re
from pathlib import Path

import pytest
from case_texts import HEAD, ONE_WRONG
from hypothesis import given, settings
from hypothesis import strategies as st

from blockout.case.case import Case, parse_case, read_case
from blockout.errors import CaseError


@pytest.mark.parametrize(("body", "line", "words"), ONE_WRONG)
def test_one_wrong_thing_is_named_with_its_line(body: str, line: int, words: str) -> None:
    with pytest.raises(CaseError) as caught:
        parse_case(HEAD + body, file="a.toml")
    message = str(caught.value)
    # an outline of wrong points is told point by point, all on the same line
    assert caught.value.where == f"a.toml line {line}", message
    assert words in message
    assert "pydantic" not in message
    assert "Input should" not in message
    assert caught.value.exit_code == 2


@pytest.mark.parametrize(
    ("first", "words"),
    [
        ('schema = "blockout-case/2"', 'schema = "blockout-case/2" is not a case file that this'),
        ("schema = 1", "schema = 1 is not a case file that this version reads"),
        ('schema = ""', 'schema = "" is not'),
        ("[schema]", "schema = {} is not"),
    ],
)
def test_another_edition_is_refused_alone(first: str, words: str) -> None:
    # what follows may be right in that edition: nothing else is told
    with pytest.raises(CaseError, match=re.escape(words)) as caught:
        parse_case(first + '\n[cast]\nfle = "a"\n', file="a.toml")
    assert caught.value.where == "a.toml line 1"
    assert 'It reads schema = "blockout-case/1".' in str(caught.value)
    assert "fle" not in str(caught.value)


def test_a_missing_edition_is_told_with_what_is_there_instead() -> None:
    with pytest.raises(CaseError) as caught:
        parse_case('scheme = "blockout-case/1"\n[cast]\nfile = "a"\n', file="a.toml")
    assert "schema is missing (there is scheme)" in str(caught.value)
    assert 'line 1: "scheme" is not a key of the top level. The nearest is schema.' in str(
        caught.value
    )
    with pytest.raises(CaseError, match="schema is missing"):
        parse_case('[cast]\nfile = "a"\n')
    with pytest.raises(CaseError, match=r"schema is missing[\s\S]*\[cast\] is missing"):
        parse_case("")


# --- several things wrong ---
def test_everything_wrong_is_told_at_once_in_the_order_of_the_lines() -> None:
    text = (
        HEAD + 'nme = "x"\n[cast]\nfile = 5\nland_mm = "9 ft"\n\n[path]\ndirection = [0, 0, 0]\n'
        "anterior_tilt = 4\n[parallel]\ntaper_deg = 11\nkeep_in = [\n"
        "[[1, 2], [1, 2, 3], [0, 0, 0]],\n]\n"
    )
    with pytest.raises(CaseError) as caught:
        parse_case(text, file="a.toml")
    message = str(caught.value)
    assert caught.value.where == "a.toml lines 2, 4, 5, 8, 9, 11, 13"
    assert caught.value.what == "7 keys or values cannot be used"
    told = [int(number) for number in re.findall(r"^  line (\d+): ", message, re.MULTILINE)]
    assert told == [2, 4, 5, 8, 9, 11, 13]
    for words in (
        'line 2: "nme" is not a key of the top level. The nearest is name.',
        'line 9: "anterior_tilt" is not a key of [path]. The nearest is anterior_tilt_deg.',
        "line 13: [parallel] keep_in outline 1 point 1 = [1, 2] has 2 numbers; three are due.",
    ):
        assert words in message


def test_a_flood_of_errors_is_cut_with_a_count() -> None:
    keys = "\n".join(f"k{number} = 0" for number in range(500))
    with pytest.raises(CaseError) as caught:
        parse_case(f'{HEAD}{keys}\n[cast]\nfile = "a"\n')
    assert str(caught.value).count("is not a key") == 20
    assert str(caught.value).endswith("and 480 more.")
    assert len(str(caught.value)) < 5000


# --- not a case file at all ---
@pytest.mark.parametrize(
    ("text", "where", "words"),
    [
        ("a = ", "a.toml line 1, column 5", "this is not TOML: invalid value"),
        ("\n\na = 1 b = 2\n", "a.toml line 3, column 7", "expected newline"),
        ("a = 1\na = 2\n", "a.toml line 2, column 6", "cannot overwrite a value"),
        ("[t]\n[t]\n", "a.toml line 2, column 3", "cannot declare"),
        ('a = """x\ny\n', "a.toml line 2, column 2, the end of the text", "unterminated string"),
        ('file = "c:\\scans"\n', "a.toml line 1, column 13", "Write folders with /"),
        ("solid scan\nfacet normal 0 0 1\n", "a.toml line 1, column 7", "after a key"),
        ("a = " + "9" * 5000, "a.toml", "a number has too many digits"),
        ("a = " + "[" * 100_000, "a.toml", "nested too deep"),
        ("a = 1979-02-30\n", "a.toml line 1, column 5", "invalid date"),
    ],
)
def test_what_is_not_toml_is_told_with_line_and_column(text: str, where: str, words: str) -> None:
    with pytest.raises(CaseError) as caught:
        parse_case(text, file="a.toml")
    assert (caught.value.where or "").startswith(where)
    assert words in str(caught.value)


def test_files_that_are_no_case_file(tmp_path: Path) -> None:
    binary = tmp_path / "scan.stl"
    binary.write_bytes(b"ok = 1\nx = '\xff\xfe'\n")
    huge = tmp_path / "huge.toml"
    with huge.open("wb") as out:
        out.truncate(5_000_000_000)
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    for path, words in [
        (tmp_path / "absent.toml", "there is no such case file; at "),
        (tmp_path / "no" / "folder.toml", "there is no such case file; at "),
        (tmp_path, "this is a folder, not a case file; at "),
        (binary, "this is not text in UTF-8; byte 0xff; at scan.stl line 2. Save the case file"),
        (huge, "this file is too large for a case file; 5000.0 MB, at most 4 MB"),
        (pipe, "this is not a regular file; at "),
        (binary / "below", "the case file cannot be read; Not a directory"),
        (tmp_path / ("x" * 3000), "the case file cannot be read; File name too long"),
        (Path("nul\0byte"), "the case file cannot be read; embedded null byte"),
    ]:
        with pytest.raises(CaseError, match=re.escape(words)):
            read_case(path)


@settings(deadline=None, max_examples=200)
@given(
    st.one_of(
        st.text(max_size=40),
        st.lists(
            st.sampled_from(
                ["schema", "=", '"blockout-case/1"', "[", "]", "cast", "path", "\n", "file", "3",
                 "direction", "gauges_mm", ",", "{", "}", '"a"', ".", "true", "nan", "-", "#",
                 "keep_in", "1e999", "2020-01-01", "'", '"""', "parallel", "survey", "\\"]
            ),
            max_size=30,
        ).map(" ".join),
    )
)  # fmt: skip
def test_any_text_is_a_case_or_a_case_error(text: str) -> None:
    outcome: Case | CaseError
    try:
        outcome = parse_case(text)
    except CaseError as error:
        outcome = error
    assert isinstance(outcome, Case) or (outcome.what and outcome.where)
