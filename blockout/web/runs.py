"""Long work in a process of its own: it tells how far it is, and can be ended at any moment.

What a verb writes appears whole or not at all; what an ended process leaves beside its target is
taken away, and a folder that it had just moved aside is put back.
"""

from __future__ import annotations

import tempfile
import threading
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import asdict, is_dataclass
from importlib import import_module
from pathlib import Path
from typing import Any, Final, Literal

from blockout.errors import BlockoutError, CheckError, InputError
from blockout.job.own_process import Stopped, in_own_process
from blockout.writing import clear_unfinished, left_unfinished

State = Literal["running", "done", "failed", "cancelled"]

VERBS: Final = (
    "build_case",
    "choose_path_of",
    "compare_files",
    "try_framework",
    "report_folder",
    "record_on_cast",
    "export_model",
    "print_model",
)
"""Functions of :mod:`blockout.job` that a run may call."""


class Run:
    """One verb at work; safe to ask from several threads.

    Begin one with :meth:`start`. ``result`` is what the verb gives as plain values: the document
    that it writes (``summary`` of a build), or a mapping of its fields.
    """

    def __init__(self, verb: str, arguments: Mapping[str, Any]) -> None:
        self.verb = verb
        self._arguments = dict(arguments)
        self._stop = threading.Event()
        self._lock = threading.Lock()
        self._state: State = "running"
        self._result: dict[str, Any] | None = None
        self._error: BlockoutError | None = None
        self._phrases: tuple[str, ...] = ()
        self._desk: Path | None = None
        self._thread = threading.Thread(target=self._go, name=f"run {verb}", daemon=True)

    @classmethod
    def start(cls, verb: str, arguments: Mapping[str, Any]) -> Run:
        """Begin ``blockout.job.<verb>(**arguments)`` in a process of its own.

        Raises
        ------
        InputError
            The verb is not one of :data:`VERBS`.
        """
        if verb not in VERBS:
            raise InputError(f"{verb!r} is no work for a run", fix=f"Known are {', '.join(VERBS)}.")
        run = cls(verb, arguments)
        run._thread.start()
        return run

    # --- what is known of it -----------------------------------------------------------------
    @property
    def state(self) -> State:
        """Where it is; never ``running`` again once it was something else."""
        with self._lock:
            return self._state

    @property
    def phrases(self) -> tuple[str, ...]:
        """What it has told so far, one phrase a stage."""
        with self._lock:
            if self._desk is not None:
                self._phrases = _said(self._desk)
            return self._phrases

    @property
    def progress(self) -> str:
        """The stage it is in; empty before the first."""
        return self.phrases[-1] if self.phrases else ""

    @property
    def result(self) -> dict[str, Any] | None:
        """What came of it; None until it is done."""
        with self._lock:
            return self._result

    @property
    def error(self) -> BlockoutError | None:
        """Why it failed."""
        with self._lock:
            return self._error

    # --- what can be done with it ------------------------------------------------------------
    def cancel(self) -> None:
        """End it; nothing is left of it but what was there before. Does not wait."""
        self._stop.set()

    def wait(self, timeout_s: float | None = None) -> State:
        """Its state once it has ended, or once that many seconds are over."""
        self._thread.join(timeout_s)
        return self.state

    def _go(self) -> None:
        state: State = "failed"
        result: dict[str, Any] | None = None
        error: BlockoutError | None = None
        out = self._arguments.get("out")
        before = frozenset() if out is None else left_unfinished(out)
        with tempfile.TemporaryDirectory(prefix="blockout-run-") as place:
            desk = Path(place) / "said.txt"
            desk.touch()
            with self._lock:
                self._desk = desk
            try:
                result = in_own_process(
                    work, self.verb, self._arguments, str(desk), stopped=self._stop
                )
                state = "done"
            except Stopped:
                state = "cancelled"
            except BlockoutError as failure:
                error = failure
            except Exception as failure:
                error = CheckError(
                    "the work ended in a way that it should not",
                    measured=f"{type(failure).__name__}: {failure}",
                    fix="Run it again; if it happens again, report it with its case.",
                )
            with self._lock:
                self._phrases = _said(desk)
                self._desk = None
        if state != "done" and out is not None:
            clear_unfinished(out, keep=before)
        with self._lock:
            self._result, self._error, self._state = result, error, state


def work(verb: str, arguments: dict[str, Any], said: str) -> dict[str, Any]:
    """What the process does: call the verb, write down its phrases, and give plain values back."""
    with Path(said).open("a", encoding="utf-8") as told:

        def tell(phrase: str) -> None:
            told.write(" ".join(phrase.split()) + "\n")
            told.flush()

        done = getattr(import_module("blockout.job"), verb)(**arguments, progress=tell)
    return _plain_result(done)


def _plain_result(done: Any) -> dict[str, Any]:
    if isinstance(done, Mapping):
        return dict(done)
    for name in ("summary", "facts"):
        facts = getattr(done, name, None)
        if isinstance(facts, Mapping):
            return dict(facts)
    if is_dataclass(done) and not isinstance(done, type):
        return {key: str(v) if isinstance(v, Path) else v for key, v in asdict(done).items()}
    return {}


def _said(desk: Path) -> tuple[str, ...]:
    with suppress(OSError):
        lines = desk.read_text(encoding="utf-8", errors="replace").split("\n")
        return tuple(lines[:-1])  # a line without its end is still being written
    return ()
