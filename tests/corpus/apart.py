"""Specimens one after the other in a process of its own, with a time limit for each: a crash or a
hang ends that process and is told, and the next specimen gets a new one.
"""

from __future__ import annotations

import json
import os
import selectors
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from types import TracebackType
from typing import IO, Any

MEMORY_LIMIT_BYTES = 6 << 30
HERE = Path(__file__).parent
FOLDERS = [HERE, HERE.parent, HERE.parent / "cast", HERE.parents[1]]
"""Where the corpus, the analytic bodies, the scans and the product are found."""


def reach_all() -> None:
    for folder in FOLDERS:
        if str(folder) not in sys.path:
            sys.path.insert(0, str(folder))


class Apart:
    """The process; use it in a ``with``."""

    def __init__(self, *, limit_s: float = 120.0) -> None:
        self.limit_s = limit_s
        self._process: subprocess.Popen[str] | None = None

    def __enter__(self) -> Apart:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._end()

    def take(self, kind: str, seed: int, *, by_command: bool = False) -> dict[str, Any]:
        """The outcome of one specimen, as :class:`taken_through.Outcome` has it."""
        process = self._process or self._begin()
        ask, answer = _both(process)
        ask.write(json.dumps([kind, seed, by_command]) + "\n")
        ask.flush()
        with selectors.DefaultSelector() as ready:
            ready.register(answer, selectors.EVENT_READ)
            line = answer.readline() if ready.select(self.limit_s) else None
        if line:
            result: dict[str, Any] = json.loads(line)
            return result
        how = f"no answer in {self.limit_s:g} s" if line is None else "the process crashed"
        code = self._end()
        return {
            "kind": kind,
            "seed": seed,
            "came": {},
            "said": {},
            "failed": [how if line is None else f"{how}: exit code {code}"],
            "seconds": self.limit_s,
        }

    def _begin(self) -> subprocess.Popen[str]:
        self._process = subprocess.Popen(
            [sys.executable, str(Path(__file__).resolve())],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            encoding="utf-8",
        )
        return self._process

    def _end(self) -> int | None:
        if self._process is None:
            return None
        process, self._process = self._process, None
        ask, answer = _both(process)
        try:
            ask.close()
            process.wait(1.0)
        except (subprocess.TimeoutExpired, OSError):
            process.kill()
        answer.close()
        return process.wait()


def _both(process: subprocess.Popen[str]) -> tuple[IO[str], IO[str]]:
    if process.stdin is None or process.stdout is None:
        raise RuntimeError("the process has no pipes")
    return process.stdin, process.stdout


def _serve() -> None:
    reach_all()
    answers = os.fdopen(os.dup(1), "w", encoding="utf-8")
    os.dup2(2, 1)  # whatever a library prints is no answer
    try:
        import resource

        resource.setrlimit(resource.RLIMIT_AS, (MEMORY_LIMIT_BYTES, MEMORY_LIMIT_BYTES))
    except ImportError:
        pass
    import warnings

    warnings.simplefilter("ignore")
    import bad_bytes  # noqa: F401
    import bad_meshes  # noqa: F401
    import taken_through

    taken_through.small_pictures()
    for line in sys.stdin:
        kind, seed, by_command = json.loads(line)
        desk = Path(tempfile.mkdtemp(prefix="corpus-"))
        try:
            outcome = taken_through.taken_through(kind, seed, desk, by_command=by_command)
        finally:
            shutil.rmtree(desk, ignore_errors=True)
        answers.write(json.dumps(outcome.plain()) + "\n")
        answers.flush()


if __name__ == "__main__":
    _serve()
