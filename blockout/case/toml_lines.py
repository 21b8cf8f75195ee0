"""On which line of a TOML text each key and value stands.

The standard reader gives values without their lines; this walks over a text that the standard
reader has already accepted and notes where things begin. It knows tables, arrays of tables, dotted
and quoted keys, inline tables, arrays over several lines and all four kinds of string.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

KeyPath = tuple[str | int, ...]
"""From the top of the document: key names, and numbers from 0 for elements of arrays."""

_BARE_KEY: Final = re.compile(r"[A-Za-z0-9_-]+")
_BLANK: Final = re.compile(r"[ \t]*")
_SPACE: Final = re.compile(r"[ \t\n]*")
_SCALAR: Final = re.compile(r"[^,\]}#\n]*")
_STRINGS: Final = (
    # the closing quotes may follow one or two quotes that belong to the text
    ('"""', re.compile(r'"""(?:[^\\"]|\\[\s\S]|"{1,2}(?!"))*"{3,5}')),
    ("'''", re.compile(r"'''(?:[^']|'{1,2}(?!'))*'{3,5}")),
    ('"', re.compile(r'"(?:[^\\"\n]|\\.)*"')),
    ("'", re.compile(r"'[^'\n]*'")),
)


@dataclass(frozen=True)
class TomlLines:
    """``lines`` gives the line, from 1, on which a key or an array's element begins;
    ``comments`` every comment with its line, ``#`` included.
    """

    lines: Mapping[KeyPath, int]
    comments: tuple[tuple[int, str], ...]

    def of(self, path: KeyPath) -> int | None:
        """The line of ``path``, or of the nearest thing around it that is written down."""
        for length in range(len(path), 0, -1):
            if path[:length] in self.lines:
                return self.lines[path[:length]]
        return None


def toml_lines(text: str) -> TomlLines:
    r"""Find the lines in a text that ``tomllib`` accepts.

    >>> found = toml_lines('name = "a"\n[path]  # tilt\nlateral_tilt_deg = 2\n')
    >>> found.of(("path", "lateral_tilt_deg")), found.of(("path", "unknown")), found.comments
    (3, 2, ((2, '# tilt'),))
    """
    scanner = _Scanner(text.replace("\r\n", "\n"))
    scanner.document()
    return TomlLines(scanner.lines, tuple(scanner.comments))


class _Scanner:
    """One walk over one text; ``at`` is the place reached, ``line`` its line."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.line = 1
        self.lines: dict[KeyPath, int] = {}
        self.comments: list[tuple[int, str]] = []
        self._last_of: dict[KeyPath, int] = {}
        """Number of the last table so far in each array of tables."""

    def document(self) -> None:
        table: KeyPath = ()
        while self._skip():
            if self.text[self.at] == "[":
                table = self._header()
            else:
                self._key_and_value(table)

    def _take(self, pattern: re.Pattern[str]) -> str:
        found = pattern.match(self.text, self.at)
        taken = found[0] if found else ""
        self.at += len(taken)
        self.line += taken.count("\n")
        return taken

    def _step(self, characters: int = 1) -> None:
        self.at += characters

    def _next(self) -> str:
        return self.text[self.at : self.at + 1]

    def _skip(self) -> bool:
        """Go past blanks, line ends and comments; False at the end of the text."""
        while True:
            self._take(_SPACE)
            if self._next() != "#":
                return self.at < len(self.text)
            end = self.text.find("\n", self.at)
            end = len(self.text) if end < 0 else end
            self.comments.append((self.line, self.text[self.at : end].rstrip()))
            self.at = end

    def _header(self) -> KeyPath:
        line = self.line
        many = self.text.startswith("[[", self.at)
        self._step(2 if many else 1)
        names = self._dotted_key()
        self._step(2 if many else 1)
        path: KeyPath = ()
        for position, name in enumerate(names):
            path = (*path, name)
            self.lines.setdefault(path, line)
            if many and position == len(names) - 1:
                self._last_of[path] = self._last_of.get(path, -1) + 1
            if path in self._last_of:
                path = (*path, self._last_of[path])
                self.lines.setdefault(path, line)
        # a table may be named after its own sub-tables: its header is the better line
        self.lines[path] = line
        return path

    def _dotted_key(self) -> list[str]:
        names = []
        while True:
            self._take(_BLANK)
            names.append(self._key())
            self._take(_BLANK)
            if self._next() != ".":
                return names
            self._step()

    def _key(self) -> str:
        if self._next() in ('"', "'"):
            quoted = self._string()
            return next(iter(tomllib.loads(f"{quoted} = 0")))
        return self._take(_BARE_KEY)

    def _string(self) -> str:
        for quotes, pattern in _STRINGS:
            if self.text.startswith(quotes, self.at):
                return self._take(pattern)
        return ""

    def _key_and_value(self, table: KeyPath) -> None:
        line = self.line
        path = table
        for name in self._dotted_key():
            path = (*path, name)
            self.lines.setdefault(path, line)
        self._step()  # the equals sign
        self._value(path)

    def _value(self, path: KeyPath) -> None:
        self._take(_BLANK)
        start = self._next()
        if start in ('"', "'"):
            self._string()
        elif start == "[":
            self._array(path)
        elif start == "{":
            self._inline_table(path)
        else:
            self._take(_SCALAR)

    def _array(self, path: KeyPath) -> None:
        self._step()
        count = 0
        while self._skip() and self._next() != "]":
            if self._next() == ",":
                self._step()
                continue
            self.lines[(*path, count)] = self.line
            self._value((*path, count))
            count += 1
        self._step()

    def _inline_table(self, path: KeyPath) -> None:
        self._step()
        while self._skip() and self._next() != "}":
            if self._next() == ",":
                self._step()
                continue
            self._key_and_value(path)
        self._step()
