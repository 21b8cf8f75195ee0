"""Let hypothesis loose on the case file for a stated time: made from the schema, changed, spoiled.

    python tests/corpus/fuzz_cases.py --seconds 300 [--seed 7] [--only bytes]

``good``: good cases in any layout are read, written and read back the same. ``change``: one change
after another through ``case/editing.py`` and ``case/edit.py``. ``bytes``: spoiled files are read or
refused in words. ``command``: the program itself, in this process, ends with 2 and words.
Each round has a seed of its own; a failure is shown, and the rounds go on.
Make a test of it in ``test_found_cases.py``.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Callable
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[2])]

from cases import bad_bytes, good_data, texts  # noqa: E402
from hypothesis import HealthCheck, Phase, given, seed, settings  # noqa: E402
from hypothesis import strategies as st  # noqa: E402
from judged_cases import (  # noqa: E402
    changed,
    judge_change,
    judge_command,
    judge_reading,
    judge_refusal,
)

from blockout.case.case import parse_case  # noqa: E402
from blockout.errors import InputError  # noqa: E402

LIMIT_S = 2.0


def good(data: st.DataObject, desk: Path) -> str:
    return judge_reading(data.draw(texts(good_data())).encode("utf-8"), desk)


def change(data: st.DataObject, desk: Path) -> str:
    """Up to three changes, each put into the text that the one before left."""
    text = data.draw(texts(good_data()))
    try:
        case = parse_case(text)
    except InputError:
        return "refused"
    came = "refused change"
    for _ in range(data.draw(st.integers(1, 3))):
        try:
            after, touched = data.draw(changed(case))
        except InputError as error:
            judge_refusal(error, somewhere=False)
            continue
        new = judge_change(text, after, touched, desk)
        if new is None:
            return "declined"
        came, text, case = "changed", new, parse_case(new)
    return came


def spoiled(data: st.DataObject, desk: Path) -> str:
    return judge_reading(data.draw(bad_bytes()), desk)


def command(data: st.DataObject, desk: Path) -> str:
    return judge_command(data.draw(bad_bytes()), desk, data.draw(st.integers(0, 2)))


WAYS: dict[str, Callable[[st.DataObject, Path], str]] = {
    "good": good, "change": change, "bytes": spoiled, "command": command,
}  # fmt: skip


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--seconds", type=float, default=300.0)
    parser.add_argument("--seed", type=int, default=7, help="Of the first round.")
    parser.add_argument("--small", action="store_true", help="Make failures small; takes minutes.")
    parser.add_argument("--only", choices=sorted(WAYS), action="append")
    asked = parser.parse_args()
    begun, number, failures = time.monotonic(), asked.seed, 0
    came: Counter[str] = Counter()
    seen: set[str] = set()
    with tempfile.TemporaryDirectory(dir="/dev/shm" if Path("/dev/shm").is_dir() else None) as desk:
        while time.monotonic() - begun < asked.seconds:
            for name in asked.only or WAYS:
                try:
                    _round(name, number, Path(desk), came, small=asked.small)
                except Exception as error:
                    where = traceback.extract_tb(error.__traceback__)[-1]
                    said = f"{type(error).__name__} {where.filename}:{where.lineno}"
                    if said not in seen:
                        seen.add(said)
                        failures += 1
                        print(f"FAILED {name} seed {number}: {said}")
                        traceback.print_exception(error, limit=-3, file=sys.stdout)
                        print(*getattr(error, "__notes__", []), sep="\n", flush=True)
            number += 1
    print(
        f"{came.total()} examples in {time.monotonic() - begun:.0f} s, seeds {asked.seed} to",
        end=" ",
    )
    print(f"{number - 1}, {failures} kinds of failure: {dict(sorted(came.items()))}")
    return 1 if failures else 0


def _round(name: str, number: int, desk: Path, came: Counter[str], *, small: bool) -> None:
    @seed(number)
    @settings(
        max_examples=100,
        deadline=None,
        database=None,
        derandomize=False,
        phases=[Phase.generate, Phase.shrink] if small else [Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @given(data=st.data())
    def one(data: st.DataObject) -> None:
        begun = time.process_time()
        came[f"{name} {WAYS[name](data, desk)}"] += 1
        assert time.process_time() - begun < LIMIT_S, "too slow"

    one()


if __name__ == "__main__":
    sys.exit(main())
