"""Mutation testing of the wax and surveying rooms: which faults put into the code do tests see?

    python benchmarks/mutants.py --count 200 --seed 1 --out mutants.json
    python benchmarks/mutants.py --count 100 --room blockout/wax/curtains --tests tests/wax

One fault at a time goes into a copy of the project, and the tests that run its line, quickest
first, are run until one fails. A mutant under which they take far too long is killed as well. Which
tests run which line is found out first, by tracing them once; ``--lines`` keeps that in a file for
another run, ``--longest`` leaves out slower tests. A sample hangs on the seed and the code alone:
faults are drawn from each file by its lines. ``--only`` takes numbers of the sample.
"""

from __future__ import annotations

import argparse
import ast
import compileall
import importlib.util
import json
import os
import random
import shutil
import signal
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import pytest
from faults import mutants_of
from traced_lines import ROOMS

PROJECT = Path(__file__).parents[1]
FILES = [p for room in ROOMS for p in sorted((PROJECT / room).rglob("*.py")) if p.read_text()]
TESTS = [
    "tests/wax",
    "tests/survey",
    "tests/drawn",
    "tests/arms",
    "tests/sitting/test_cast_looks.py",
]
HEAVY = ("igl", "manifold3d", "scipy.ndimage", "scipy.sparse.linalg", "shapely", "trimesh",
         "pydantic", "embreex.mesh_construction", "hypothesis.strategies")  # fmt: skip
"""Libraries that are loaded once for all mutants."""


def name_of(path: Path) -> str:
    return path.relative_to(PROJECT).as_posix()


def sample(count: int, seed: int, room: str = "") -> list[dict[str, Any]]:
    """Mutants drawn from each file of a room by its lines, at least two from each."""
    files = [path for path in FILES if name_of(path).startswith(room)]
    lines = {path: len(path.read_text().splitlines()) for path in files}
    drawn = []
    for path in files:
        every = mutants_of(path.read_text())
        wanted = min(len(every), max(2, round(count * lines[path] / sum(lines.values()))))
        some = random.Random(f"{seed} {name_of(path)}").sample(every, wanted)
        for line, fault, text in sorted(some):
            compile(text, path.name, "exec")
            drawn.append({"file": name_of(path), "line": line, "fault": fault, "text": text})
    return drawn


def asked_lines(file: str, line: int) -> set[tuple[str, int]]:
    """Lines of which one must run for a mutant to show: its statement's; of a statement with a
    body its head's, of a default the function's; for a constant of the module those that name it.
    """
    inside = [
        node
        for node in ast.walk(ast.parse((PROJECT / file).read_text()))
        if isinstance(node, ast.stmt) and node.lineno <= line <= (node.end_lineno or 0)
    ]
    least = min(inside, key=lambda node: (node.end_lineno or 0) - node.lineno)
    whole = isinstance(least, ast.FunctionDef | ast.ClassDef) or not hasattr(least, "body")
    end = (least.end_lineno or 0) + 1 if whole else least.body[0].lineno
    lines = {(file, number) for number in range(least.lineno, end)}
    if any(isinstance(node, ast.FunctionDef) for node in inside):
        return lines
    kept = (n for n in ast.walk(least) if isinstance(n, ast.Name))
    named = {n.id for n in kept if isinstance(n.ctx, ast.Store)}
    for path in FILES:
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.Name) and node.id in named:
                lines.add((name_of(path), node.lineno))
    return lines


def exit_code(tree: Path, tests: list[str], seconds: float, **more: str) -> int | None:
    """Of pytest on a copy of the project, in a fork that has the libraries ready; None where it
    took too long.
    """
    child = os.fork()
    if not child:
        code = 3
        try:
            assert "blockout" not in sys.modules
            os.setpgid(0, 0)
            os.chdir(tree)
            paths = [str(tree), str(tree / "benchmarks")]
            sys.path[:0], sys.dont_write_bytecode = paths, True
            sys.modules.pop("traced_lines")
            found = importlib.util.find_spec("blockout")
            assert found is not None, "no package in the copy"
            assert Path(str(found.origin)).is_relative_to(tree), "not the copy"
            os.environ |= {"PYTHONPATH": os.pathsep.join(paths), **more}
            for stream in (1, 2):
                os.dup2(os.open(os.devnull, os.O_WRONLY), stream)
            ready = ["-W", "ignore::pytest.PytestAssertRewriteWarning", "-p", "no:cacheprovider"]
            stop = [] if "TRACED_LINES" in more else ["-x"]
            code = int(pytest.main([*stop, "-p", "traced_lines", *ready, *tests]))
        finally:
            os._exit(code)
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            return os.waitstatus_to_exitcode(status)
        time.sleep(0.05)
    os.killpg(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return None


def ended(tree: Path, mutant: dict[str, Any], traced: list[Any]) -> dict[str, Any]:
    """What became of a mutant."""
    file, at = mutant["file"], asked_lines(mutant["file"], mutant["line"])
    tests = sorted((s, test) for test, s, run in traced if run & at)
    if not tests:  # run while the module is read, or by no test
        tests = sorted((s, test) for test, s, run in traced if any(f == file for f, _ in run))
    path, begun = tree / file, time.perf_counter()
    sound = path.read_text()
    path.write_text(mutant["text"])
    for old in path.parent.glob(f"__pycache__/{path.stem}.*"):
        old.unlink()
    limit_s = 60.0 + 5.0 * sum(s for s, _ in tests)
    code = exit_code(tree, [test for _, test in tests], limit_s) if tests else 0
    path.write_text(sound)
    assert code not in (3, 4, 5), "pytest itself failed"
    end = "survived" if code == 0 else "hung" if code is None else "killed"
    seconds = round(time.perf_counter() - begun, 1)
    return {k: mutant[k] for k in ("file", "line", "fault")} | {
        "end": end, "tests": len(tests), "seconds": seconds
    }  # fmt: skip


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("--count", type=int, default=200)
    asked.add_argument("--seed", type=int, default=1)
    asked.add_argument("--room", default="", help="only files under it, as blockout/wax/curtains")
    asked.add_argument("--only", type=int, nargs="*")
    asked.add_argument("--tests", nargs="*", default=TESTS)
    asked.add_argument("--longest", type=float, default=600.0, help="seconds of a traced test")
    asked.add_argument("--lines", type=Path)
    asked.add_argument("--out", type=Path, default=Path("mutants.json"))
    wanted = asked.parse_args()
    for name in HEAVY:
        importlib.import_module(name)
    done = []
    with tempfile.TemporaryDirectory() as folder:
        tree = Path(folder) / "project"
        shutil.copytree(PROJECT, tree, ignore=shutil.ignore_patterns(".*", "__pycache__", "out"))
        lines = (wanted.lines or Path(folder) / "lines.json").resolve()
        if not lines.exists():
            exit_code(tree, wanted.tests, 7200.0, TRACED_LINES=str(lines))
        rows = [row for row in json.loads(lines.read_text()) if row[1] <= wanted.longest]
        traced = [(test, s, {(f, n) for f, n in run}) for test, s, run in rows]
        compileall.compile_dir(tree, quiet=2)
        sound = exit_code(tree, [test for test, s, _ in traced if s < 0.1], 600.0)
        assert sound == 0, "the tests fail before any fault is put in"
        for number, mutant in enumerate(sample(wanted.count, wanted.seed, wanted.room)):
            if wanted.only is None or number in wanted.only:
                done.append({"number": number} | ended(tree, mutant, traced))
                wanted.out.write_text(json.dumps(done, indent=1))
                print(*done[-1].values(), flush=True)
    for path in FILES:
        ends = [mutant["end"] for mutant in done if mutant["file"] == name_of(path)]
        print(f"{name_of(path)}: {len(ends)}, killed {len(ends) - ends.count('survived')}")


if __name__ == "__main__":
    main()
