"""The whole corpus: every kind with many seeds, counts by kind and outcome.

    python tests/corpus/whole.py --seeds 10             # seeds 0 to 9 of every kind
    python tests/corpus/whole.py --seeds 5 --from 100 --kind holes --kind "t junctions"
    python tests/corpus/whole.py --seeds 3 --commands   # by the program itself; slower

Ends with exit code 1 where anything failed; ``--report FILE`` keeps each outcome as a JSON line.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections import Counter
from pathlib import Path

from apart import Apart, reach_all

reach_all()

import bad_bytes  # noqa: E402, F401
import bad_meshes  # noqa: E402, F401
from specimen import KINDS  # noqa: E402


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--seeds", type=int, default=5, help="How many of each kind.")
    parser.add_argument("--from", type=int, default=0, dest="first", help="The first seed.")
    parser.add_argument("--kind", action="append", choices=sorted(KINDS), help="Only these kinds.")
    parser.add_argument("--commands", action="store_true", help="By the program itself.")
    parser.add_argument("--limit", type=float, default=120.0, help="Seconds for one specimen.")
    parser.add_argument("--seconds", type=float, help="Begin no other specimen after these.")
    parser.add_argument("--report", type=Path, help="Where each outcome goes, a JSON line each.")
    asked = parser.parse_args()
    begun = time.monotonic()
    counts: dict[str, Counter[str]] = {}
    failures, taken, slowest = 0, 0, (0.0, "", 0)
    report = asked.report.open("a", encoding="utf-8") if asked.report else None
    with Apart(limit_s=asked.limit) as apart:
        for seed in range(asked.first, asked.first + asked.seeds):
            for kind in asked.kind or KINDS:
                if asked.seconds and time.monotonic() - begun > asked.seconds:
                    continue
                found = apart.take(kind, seed, by_command=asked.commands)
                taken += 1
                counts.setdefault(kind, Counter())[_word(found)] += 1
                slowest = max(slowest, (found["seconds"], kind, seed))
                if report:
                    report.write(json.dumps(found) + "\n")
                    report.flush()
                for failure in found["failed"]:
                    failures += 1
                    print(f"FAILED {kind} seed {seed}: {failure}", flush=True)
    for kind, each in counts.items():
        print(f"{kind:42s}", ", ".join(f"{word} {number}" for word, number in each.most_common()))
    total = sum(counts.values(), Counter())
    print(f"\n{taken} specimens in {time.monotonic() - begun:.0f} s, {failures} failures:", end=" ")
    print(", ".join(f"{word} {number}" for word, number in total.most_common()))
    print(f"slowest: {slowest[1]} seed {slowest[2]}, {slowest[0]:.1f} s")
    return 1 if failures else 0


def _word(found: dict[str, dict[str, str]]) -> str:
    """The build's outcome in one word."""
    return "failed" if found["failed"] else found["came"].get("build", "failed")


if __name__ == "__main__":
    sys.exit(main())
