"""One call in a process of its own: whatever befalls it there, the caller goes on.

The process is a fresh Python that has nothing of the caller but its ``sys.path``, so that all its
memory goes back with it, and the caller's main script is not run again. The same file is both
ends: imported, it starts the process; run by its path, it is the process. Run so, it must load
nothing at its top but the standard library.
"""

from __future__ import annotations

import os
import pickle
import signal
import subprocess
import sys
import tempfile
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final, TypeVar

_ORDER: Final = "order.pickle"
_REPLY: Final = "reply.pickle"
_SAID: Final = "said.txt"
_LOOK_EVERY_S: Final = 0.2
_SAID_SHOWN: Final = 200  # characters of the last line that a crashed process left

_ResultT = TypeVar("_ResultT")


class Stopped(Exception):  # noqa: N818 - nothing went wrong: the caller asked for it
    """The process was ended because the caller said so."""


def in_own_process(
    call: Callable[..., _ResultT], *arguments: Any, stopped: threading.Event | None = None
) -> _ResultT:
    """What ``call(*arguments)`` returns or raises, worked out in a fresh process.

    Call, arguments and result travel by pickle, so that ``call`` must be a function of a module
    that ``sys.path`` leads to. The process gets no keyboard signals; it ends with its caller,
    even with one that is killed.

    Parameters
    ----------
    stopped : threading.Event, optional
        Once set, the process is killed.

    Raises
    ------
    Stopped
    CheckError
        The process ended without an answer: it crashed or was killed.
    Exception
        Whatever the call raised.

    >>> import math
    >>> in_own_process(math.hypot, 3.0, 4.0)
    5.0
    """
    with tempfile.TemporaryDirectory(prefix="blockout-", ignore_cleanup_errors=True) as place:
        desk = Path(place)
        with (desk / _ORDER).open("wb") as order:
            pickle.dump(sys.path, order)
            pickle.dump((call, arguments), order)
        with (
            (desk / _SAID).open("wb") as said,
            subprocess.Popen(
                # -P: the folder of this file holds our modules, not those to import by bare name
                [sys.executable, "-P", __file__, place],
                stdin=subprocess.PIPE,
                stdout=said,
                stderr=said,
                start_new_session=True,
            ) as process,
        ):
            while process.poll() is None:
                if stopped is not None and stopped.is_set():
                    process.kill()
                    process.wait()
                    raise Stopped
                try:
                    process.wait(_LOOK_EVERY_S)
                except subprocess.TimeoutExpired:
                    continue
        if not (desk / _REPLY).exists():
            raise _ended(process.returncode, (desk / _SAID).read_text("utf-8", "replace"))
        is_result, value = pickle.loads((desk / _REPLY).read_bytes())
    if is_result:
        return value  # type: ignore[no-any-return]
    raise value


def _ended(code: int, said: str) -> Exception:
    from blockout.errors import CheckError

    try:
        how = f"killed by {signal.Signals(-code).name}" if code < 0 else f"exit code {code}"
    except ValueError:
        how = f"killed by signal {-code}"
    lines = said.split("\n")
    last = next((line.strip() for line in reversed(lines) if line.strip()), "")
    return CheckError(
        "the process ended before its work was done",
        measured=how + (f", its last words: {last[:_SAID_SHOWN]}" if last else ""),
        fix="Run it again; if it was ended for want of memory, run fewer at once with --jobs.",
    )


# --- the other end -------------------------------------------------------------------------------
def _serve(desk: Path) -> None:
    threading.Thread(target=_end_with_caller, daemon=True).start()
    reply: tuple[bool, Any]
    try:
        with (desk / _ORDER).open("rb") as order:
            sys.path[:] = pickle.load(order)
            call, arguments = pickle.load(order)
        reply = True, call(*arguments)
        data = pickle.dumps(reply)
    except Exception as error:
        data = _pickled_error(error)
    unfinished = desk / f"{_REPLY}.unfinished"
    unfinished.write_bytes(data)
    unfinished.replace(desk / _REPLY)


def _pickled_error(error: Exception) -> bytes:
    try:
        data = pickle.dumps((False, error))
        pickle.loads(data)
    except Exception:
        # some errors cannot be made again from what they carry: their words go instead
        return pickle.dumps((False, RuntimeError(f"{type(error).__name__}: {error}")))
    return data


def _end_with_caller() -> None:
    """The caller holds the other end of stdin open as long as it lives and never writes."""
    # not by sys.stdin: a thread that waits in it would hold up the end of the interpreter
    while os.read(0, 1):
        continue
    os.kill(os.getpid(), signal.SIGTERM)


if __name__ == "__main__":
    _serve(Path(sys.argv[1]))
