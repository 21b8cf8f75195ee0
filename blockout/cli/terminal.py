"""What a command says, and where: answers on stdout, progress and trouble on stderr.

Every command runs inside :func:`terminal`. It turns whatever goes wrong into words and an exit
code: 2 for what the user gave, 1 for a failed check or a fault of ours, 130 for an interruption.
With ``--json`` stdout holds one JSON document whatever happens: the answer, or
``{"error": {"code", "what", "measured", "where", "places_mm", "fix"}}``.
"""

from __future__ import annotations

import errno
import json
import os
import re
import sys
import traceback
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import AbstractContextManager, contextmanager, nullcontext
from dataclasses import dataclass
from typing import Any, Final, NoReturn, TextIO

import typer

from blockout.cli.groups import Speaking
from blockout.errors import BlockoutError
from blockout.progress import Progress, silent

INTERRUPTED: Final = 130
"""What shells give for a program stopped from the keyboard."""

_LABELS: Final = (("measured", "measured"), ("where", "where"))
_PLACES_SHOWN: Final = 5
_NO_ROOM: Final = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)


@dataclass(frozen=True)
class Terminal:
    """Where one command speaks.

    Parameters
    ----------
    as_json : bool
        stdout holds one JSON document and nothing else.
    quiet : bool
        No progress, and no lines for people.
    debug : bool
        Show the traceback of a fault.
    """

    as_json: bool = False
    quiet: bool = False
    debug: bool = False

    def answer(self, facts: Mapping[str, Any], lines: Iterable[str]) -> None:
        """The result of the command: the document, or the lines for people."""
        if self.as_json:
            put(sys.stdout, json.dumps(facts, indent=2, allow_nan=False))
        elif not self.quiet:
            for line in lines:
                put(sys.stdout, line)
        sys.stdout.flush()

    def progress(self) -> AbstractContextManager[Progress]:
        """Told of each stage; shows it on stderr when that is a terminal."""
        if self.quiet or not sys.stderr.isatty():
            return nullcontext(silent)
        return _shown_progress()

    def fail(self, error: BlockoutError) -> NoReturn:
        """Say an error of the tree in its four parts and end with its exit code."""
        self._end(
            error_code(error),
            error.what,
            exit_code=error.exit_code,
            measured=error.measured,
            where=error.where,
            places_mm=[list(place) for place in error.places_mm],
            fix=error.fix,
        )

    def interrupted(self) -> NoReturn:
        self._end(
            "interrupted",
            "Stopped from the keyboard; nothing unfinished was left behind",
            exit_code=INTERRUPTED,
        )

    def out_of_memory(self) -> NoReturn:
        self._end(
            "memory",
            "This machine has not enough memory for this mesh; nothing was written",
            exit_code=1,
            fix="Use a scan with fewer triangles, or a machine with more memory.",
        )

    def unreachable(self, error: OSError) -> NoReturn:
        """A file or device that the machine refuses, met outside of reading and writing."""
        self._end(
            "file",
            f"The machine refused a file: {error.strerror or error}",
            exit_code=2,
            where=None if error.filename is None else str(error.filename),
        )

    def unheard(self, error: OSError) -> NoReturn:
        """stdout leads to a place without room; what the command made stands."""
        hang_up()
        put(sys.stderr, f"The answer cannot be written: {error.strerror}.")
        put(sys.stderr, "  Free some space where standard output goes.")
        raise typer.Exit(2)

    def fault(self, error: BaseException) -> NoReturn:
        """Anything unforeseen: one line, and the traceback only when asked for."""
        if self.debug:
            put(sys.stderr, "".join(traceback.format_exception(error)).rstrip())
        said = " ".join(str(error).split())
        self._end(
            "fault",
            f"This is a fault of blockout, not of your file: {type(error).__name__}"
            + (f": {said}" if said else ""),
            exit_code=1,
            fix=None if self.debug else "Run it again with --debug and report what it shows.",
        )

    def _end(
        self,
        code: str,
        what: str,
        *,
        exit_code: int,
        measured: str | None = None,
        where: str | None = None,
        places_mm: list[list[float]] | None = None,
        fix: str | None = None,
    ) -> NoReturn:
        parts = {"measured": measured, "where": where}
        put(sys.stderr, f"{what[:1].upper()}{what[1:].rstrip('.')}.")
        for key, label in _LABELS:
            if parts[key]:
                put(sys.stderr, f"  {label}: {parts[key]}")
        if places_mm:
            put(sys.stderr, f"  near: {_places(places_mm)}")
        if fix:
            put(sys.stderr, f"  {fix}")
        if self.as_json:
            error = {"code": code, "what": what, **parts, "places_mm": places_mm or [], "fix": fix}
            put(sys.stdout, json.dumps({"error": error}, indent=2, allow_nan=False))
        raise typer.Exit(exit_code)


@contextmanager
def terminal(speaking: Speaking) -> Iterator[Terminal]:
    """Run a command's body; whatever it raises becomes words and an exit code."""
    debug = speaking.debug
    here = Terminal(as_json=speaking.as_json, quiet=speaking.quiet, debug=debug)
    try:
        try:
            yield here
        except (typer.Exit, typer.Abort, typer.BadParameter, BrokenPipeError):
            raise
        except KeyboardInterrupt:
            here.interrupted()
        except BlockoutError as error:
            if debug:
                put(sys.stderr, "".join(traceback.format_exception(error)).rstrip())
            here.fail(error)
        except MemoryError:
            here.out_of_memory()
        except ImportError as error:
            if _for_want_of_memory(error):
                here.out_of_memory()
            here.fault(error)
        except OSError as error:
            if error.filename is None and error.errno in _NO_ROOM:
                here.unheard(error)
            if debug or error.filename is None:
                here.fault(error)
            here.unreachable(error)
        except Exception as error:
            here.fault(error)
    except BrokenPipeError:
        hang_up()
        raise typer.Exit(1) from None


def _for_want_of_memory(error: ImportError) -> bool:
    """The system's loader has no error of its own for it: only these words tell."""
    causes = [error, error.__cause__, error.__context__]
    said = " ".join(str(cause) for cause in causes if cause is not None).lower()
    return "failed to map segment" in said or "cannot allocate memory" in said


def error_code(error: BlockoutError) -> str:
    """Which kind of error, for machines: ``read``, ``unit``, ``defect``, ``path``, ...

    >>> from blockout.errors import DefectError
    >>> error_code(DefectError("open"))
    'defect'
    """
    name = re.sub(r"(?<!^)(?=[A-Z])", "_", type(error).__name__).lower()
    return name.removesuffix("_error")


def put(stream: TextIO, line: str) -> None:
    """Print a line, in the characters the stream can carry."""
    try:
        print(line, file=stream)
    except UnicodeEncodeError:
        encoding = getattr(stream, "encoding", None) or "ascii"
        print(line.encode(encoding, "backslashreplace").decode(encoding), file=stream)


def hang_up() -> None:
    """Nobody reads stdout any more: what is still buffered goes nowhere, without complaint."""
    try:
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, sys.stdout.fileno())
    except (OSError, ValueError):
        return


def _places(places_mm: list[list[float]]) -> str:
    shown = ", ".join(f"({x:.2f}, {y:.2f}, {z:.2f})" for x, y, z in places_mm[:_PLACES_SHOWN])
    left = len(places_mm) - _PLACES_SHOWN
    return f"{shown} mm" + (f" and {left} more places" if left > 0 else "")


@contextmanager
def _shown_progress() -> Iterator[Callable[[str], None]]:
    from rich.console import Console
    from rich.progress import Progress as Stages
    from rich.progress import SpinnerColumn, TaskID, TextColumn, TimeElapsedColumn

    columns = (
        SpinnerColumn(finished_text="+"),
        TextColumn("{task.description}", markup=False),
        TimeElapsedColumn(),
    )
    with Stages(*columns, console=Console(stderr=True)) as stages:
        running: list[TaskID] = []

        def tell(stage: str) -> None:
            finish()
            running.append(stages.add_task(stage, total=1))

        def finish() -> None:
            while running:
                stages.update(running.pop(), completed=1)

        yield tell
        finish()
