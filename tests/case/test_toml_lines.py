"""Lines of keys and values, on texts whose lines are known because every word in them is unique."""

from __future__ import annotations

import itertools
import random
import tomllib
from typing import Any

import pytest

from blockout.case.toml_lines import KeyPath, toml_lines

STRANGE = '''# first comment
title = "has # no comment" # second
"quoted key" = 1
'lit.eral' = 2
a . "b c" .d = 3

[one]
x = """
not = a key
[neither]
a \\""" quote, and two more""" # third
y = \'\'\'
z = "no"
it''s\'\'\'\'\'
list = [ # fourth
  1, 2,
  # fifth ]
  [3,
   "]#", \'#\'],
  {p = 4, q.r = [5,
  6]},
]

  [one.two] # sixth
  k = 1979-05-27T07:32:00Z
[[many]]
n = 1
[[many]]
n = 2
[many.sub]
m = 3
[[many.deep]]
o = +inf
[ three . "f\\u0031ve" ]
last = { }'''
EXPECTED: dict[KeyPath, int] = {
    ("title",): 2,
    ("quoted key",): 3,
    ("lit.eral",): 4,
    ("a", "b c"): 5,
    ("a", "b c", "d"): 5,
    ("one",): 7,
    ("one", "x"): 8,
    ("one", "y"): 12,
    ("one", "list"): 15,
    ("one", "list", 0): 16,
    ("one", "list", 1): 16,
    ("one", "list", 2): 18,
    ("one", "list", 2, 0): 18,
    ("one", "list", 2, 2): 19,
    ("one", "list", 3): 20,
    ("one", "list", 3, "q", "r", 0): 20,
    ("one", "list", 3, "q", "r", 1): 21,
    ("one", "two"): 24,
    ("one", "two", "k"): 25,
    ("many", 0, "n"): 27,
    ("many", 1, "n"): 29,
    ("many", 1, "sub", "m"): 31,
    ("many", 1, "deep", 0, "o"): 33,
    ("three", "f1ve"): 34,
    ("three", "f1ve", "last"): 35,
}


@pytest.mark.parametrize("line_end", ["\n", "\r\n"])
def test_a_text_with_every_kind_of_thing(line_end: str) -> None:
    found = toml_lines(STRANGE.replace("\n", line_end))
    assert {path: found.lines.get(path) for path in EXPECTED} == EXPECTED
    assert [line for line, _ in found.comments] == [1, 2, 11, 15, 17, 24]
    assert found.comments[1] == (2, "# second")
    assert found.comments[4] == (17, "# fifth ]")


def test_the_paths_are_exactly_those_of_the_standard_reader() -> None:
    assert set(toml_lines(STRANGE).lines) == _paths(tomllib.loads(STRANGE))


def test_a_missing_path_is_placed_at_what_is_around_it() -> None:
    found = toml_lines(STRANGE)
    assert found.of(("one", "two", "absent", 3)) == 24
    assert found.of(("one", "list", 2, 9)) == 18
    assert found.of(("absent",)) is None
    assert found.of(()) is None


@pytest.mark.parametrize(
    ("text", "path", "line"),
    [
        ("a = 1", ("a",), 1),
        ("\n\n\na = 1", ("a",), 4),
        ("[t.u]\nk = 1\n[t]\nj = 2", ("t",), 3),
        ("[t.u]\nk = 1\n[t]\nj = 2", ("t", "u", "k"), 2),
        ("a.b = 1\na.c = 2", ("a",), 1),
        ("a = [\n\n\n]\nb = 1", ("b",), 5),
        ("a = [\n[\n1,\n],\n]", ("a", 0, 0), 3),
        ("a = [{x = 1},\n{x = 2}]", ("a", 1, "x"), 2),
        ('a = """\\\n  \n"""\nb = 1', ("b",), 4),
        ('a = """"""\nb = 1', ("b",), 2),
        ('a = """""""" # c\nb = 1', ("b",), 2),
        ("a = ''\nb = 1", ("b",), 2),
        ("a = 1 # [t]\nb = 1", ("b",), 2),
    ],
)
def test_one_line(text: str, path: KeyPath, line: int) -> None:
    tomllib.loads(text)
    assert toml_lines(text).lines[path] == line


def _paths(value: Any, path: KeyPath = ()) -> set[KeyPath]:
    paths = {path} if path else set()
    items: Any = ()
    if isinstance(value, dict):
        items = value.items()
    elif isinstance(value, list):
        items = enumerate(value)
    for key, item in items:
        paths |= _paths(item, (*path, key))
    return paths


class _Writer:
    """Writes a nest of values as TOML in a random layout; no key and no number occurs twice."""

    def __init__(self, seed: int) -> None:
        self.random = random.Random(seed)
        self.number = itertools.count(1000)

    def one_of(self, *choices: str) -> str:
        return self.random.choice(choices)

    def key(self) -> str:
        return self.one_of("k{}", '"q {}"', "'l.{}'", '"e\\u0041{}"').format(next(self.number))

    def dotted(self) -> str:
        return self.one_of(".", " . ").join(self.key() for _ in range(self.random.randint(1, 3)))

    def gap(self) -> str:
        return self.one_of("", " ", "\n", "\n  \n", " # a ] } = \" ''' comment\n")

    def scalar(self) -> str:
        number = next(self.number)
        return self.one_of(
            "{}", "{}.5", "-{}", '"t{} # ] }} [x]"', "'t{} \\'", '"""\nt{}\n a = 1 \\"""\n"""',
            "'''\n[t{}]\n'''", '"esc \\" {} \\\\"', '"""a{}"""""',
        ).format(number)  # fmt: skip

    def value(self, depth: int) -> str:
        kind = self.one_of("scalar", "scalar", "list", "table") if depth else "scalar"
        if kind == "scalar":
            return self.scalar()
        count = self.random.randint(0, 3)
        if kind == "list":
            items = [self.gap() + self.value(depth - 1) + self.gap() for _ in range(count)]
            comma = self.one_of(",", "") if items else ""
            return "[" + ",".join(items) + comma + self.gap() + "]"
        return (
            "{"
            + ", ".join(f"{self.dotted()} = {self.value(depth - 1)}" for _ in range(count))
            + "}"
        )

    def pair(self) -> str:
        return f"{self.one_of('', '  ')}{self.dotted()}{self.one_of('=', ' = ')}{self.value(2)}"

    def document(self) -> str:
        lines = [self.pair() for _ in range(self.random.randint(0, 3))]
        for _ in range(self.random.randint(0, 3)):
            name, end = self.dotted(), self.one_of("", " # [no] = 1", "\n")
            for _ in range(self.random.choice([0, 0, 2])):
                lines += [f"[[{name}]]{end}", *(self.pair() for _ in range(2))]
            lines += [f"[{self.dotted()}]{end}", self.pair(), self.one_of("", "# comment")]
        return "\n".join(lines) + self.one_of("", "\n")


@pytest.mark.parametrize("start", range(0, 400, 100))
def test_any_layout(start: int) -> None:
    for seed in range(start, start + 100):
        _check_layout(_Writer(seed).document())


def _check_layout(text: str) -> None:
    values = tomllib.loads(text)
    lines = toml_lines(text).lines
    assert set(lines) == _paths(values)
    rows = text.split("\n")
    for path, line in lines.items():
        if isinstance(path[-1], str):
            # the digits of a key occur once in the text, so its line is known without a parser
            digits = "".join(mark for mark in path[-1] if mark.isdigit())
            if rows[line - 1].count(digits) != 1:  # only an array of tables repeats its name
                raise AssertionError(f"{path} is not on line {line} of\n{text}")
        else:
            item = _at(values, path)
            if isinstance(item, int | float):
                assert str(abs(int(item))) in rows[line - 1]


def _at(value: Any, path: KeyPath) -> Any:
    for part in path:
        value = value[part]
    return value
