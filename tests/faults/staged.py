"""A program that builds again and again, each time struck at another moment.

Run by its path with a JSON order as its only argument. It loads the product once and then forks a
child for each build, so that a stroke costs no start; what came of each is written to a file.

A moment is a phrase of the build's progress, or the n-th call of what writes: ``fsync 2``,
``rename 1``, ``unlink 3``. Strokes: ``kill`` (SIGKILL), ``interrupt`` (SIGINT), ``shut`` (the
folder above may not be written to any more), or a file to be put in the place of the scan.
"""

from __future__ import annotations

import hashlib
import json
import os
import signal
import sys
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any


def main() -> None:
    order = json.loads(sys.argv[1])
    from blockout.job import builds

    builds.model_pictures = lambda *_: ()  # they take nine tenths of a small build
    if order.get("user"):
        _load_all()
        os.setgid(order["user"])
        os.setuid(order["user"])
    told = []
    for number, run in enumerate(order["runs"]):
        said = Path(order["desk"]) / f"said-{number}"
        child = os.fork()
        if not child:
            _child(run, said)
        _, status = os.waitpid(child, 0)
        told.append(
            {
                "code": os.waitstatus_to_exitcode(status),
                "stderr": Path(f"{said}.err").read_text("utf-8"),
                "stdout": Path(f"{said}.out").read_text("utf-8"),
                "moments": Path(f"{said}.moments").read_text("utf-8").splitlines(),
                "held": held_in(Path(run["beside"])) if not order.get("user") else {},
            }
        )
    print(json.dumps(told))


def _load_all() -> None:
    """Another user may not be allowed to read where Python itself lies: nothing is loaded later."""
    import csv
    import email.parser
    import importlib
    import pkgutil
    import sqlite3

    import blockout

    assert csv
    assert email.parser
    assert sqlite3
    rooms = (
        "kernel",
        "case",
        "cast",
        "surveying",
        "wax",
        "model",
        "check",
        "history",
        "report",
        "cli",
    )
    for room in rooms:
        for module in pkgutil.walk_packages([str(Path(blockout.__path__[0]) / room)]):
            importlib.import_module(f"blockout.{room}.{module.name}")


def held_in(folder: Path) -> dict[str, str]:
    """Every file below a folder by its bytes' digest."""
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def _child(run: dict[str, Any], said: Path) -> None:
    for stream, ending in ((1, "out"), (2, "err")):
        os.dup2(os.open(f"{said}.{ending}", os.O_CREAT | os.O_WRONLY | os.O_TRUNC), stream)
    moments = os.open(f"{said}.moments", os.O_CREAT | os.O_WRONLY | os.O_TRUNC)
    strike = _stroke(run)

    def moment(name: str) -> None:
        os.write(moments, f"{name}\n".encode())
        if name == run.get("at"):
            strike()

    _tell_writing(moment)
    from blockout.cli import terminal
    from blockout.cli.main import run as program

    @contextmanager
    def telling(self: object) -> Iterator[Callable[[str], None]]:
        yield moment

    terminal.Terminal.progress = telling  # type: ignore[method-assign, assignment]
    sys.argv = ["blockout", *run["arguments"]]
    try:
        program()
        code: Any = 0
    except SystemExit as ended:
        code = ended.code
    except BaseException:
        import traceback

        traceback.print_exc()
        code = 99
    sys.stdout.flush()
    sys.stderr.flush()
    os._exit(code or 0)


def _tell_writing(moment: Callable[[str], None]) -> None:
    calls: Counter[str] = Counter()

    def told(owner: Any, name: str) -> None:
        real = getattr(owner, name)

        def call(*arguments: Any, **options: Any) -> Any:
            calls[name] += 1
            moment(f"{name} {calls[name]}")
            return real(*arguments, **options)

        setattr(owner, name, call)

    told(os, "fsync")
    told(Path, "rename")
    told(Path, "unlink")


def _stroke(run: dict[str, Any]) -> Callable[[], None]:
    what = run.get("stroke")
    if what == "kill":
        return lambda: os.kill(os.getpid(), signal.SIGKILL)
    if what == "interrupt":
        return lambda: os.kill(os.getpid(), signal.SIGINT)
    if what == "shut":
        return lambda: Path(run["beside"]).chmod(0o555)

    def put() -> None:
        # in place and shorter, as a program does that saves over its file
        with Path(run["scan"]).open("r+b") as scan:
            scan.truncate(0)
            scan.write(Path(str(what)).read_bytes())

    return put


if __name__ == "__main__":
    main()
