"""A whole prescription against parallel blockout alone, on the demo's cast.

    python benchmarks/prescription.py [--arch upper]

Seconds of two whole builds, from the scan to the folder of results: the prescription's, and one
that asks for parallel blockout only. And of two steps of them on one survey: laying the arms and
pouring all wax, and parallel blockout alone, both with the model; and of finding the teeth. One
run, each the least of two.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from blockout.case.case import Case
from blockout.case.settings import PrepareSettings
from blockout.job import build_case, load_cast
from blockout.kernel.files import write_stl
from blockout.model.build import build_model
from blockout.samples.prescriptions import demo_case
from blockout.samples.scenario import LOWER, UPPER, demo_scan
from blockout.surveying.survey import survey
from blockout.teeth.named import teeth_of
from blockout.wax.parallel import parallel_blockout
from blockout.wax.pour import pour


def least_s(job: Callable[[], object]) -> float:
    """Seconds of the quicker of two runs."""
    times = []
    for _ in range(2):
        begun = time.perf_counter()
        job()
        times.append(time.perf_counter() - begun)
    return min(times)


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("--arch", choices=("lower", "upper"), default="lower")
    arch = asked.parse_args().arch
    scenario = LOWER if arch == "lower" else UPPER
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "scan.stl"
        write_stl(file, demo_scan(scenario))
        cast = load_cast(file, settings=PrepareSettings(arch=arch)).cast
        case = demo_case(scenario, file=str(file))
        plain = Case(name=case.name, cast=case.cast, path=case.path)
        plain_s, whole_s = (
            least_s(lambda asked=asked: build_case(asked, out=Path(folder) / "build"))
            for asked in (plain, case)
        )
    read = survey(cast, path=case.path, settings=case.survey)
    teeth = teeth_of(cast, case.teeth)

    def parallel_only() -> None:
        done = parallel_blockout(read)
        build_model(done.left, [done.wax])

    def all_wax() -> None:
        done = pour(read, case, teeth)
        build_model(done.left, done.waxes, grooves=done.grooves)

    alone_s, teeth_s = least_s(parallel_only), least_s(lambda: teeth_of(cast, case.teeth))
    wax_s = least_s(all_wax)
    print(f"{cast.mesh.triangle_count} triangles, {len(case.arm)} arms, {len(case.relief)} reliefs")
    print(f"build of parallel blockout only {plain_s:.2f} s")
    print(f"build of the whole prescription {whole_s:.2f} s, {whole_s / plain_s:.1f} times that")
    print(f"the step of parallel blockout alone {alone_s:.2f} s")
    print(f"arms and all wax {wax_s:.2f} s, {wax_s / alone_s:.1f} times that")
    print(f"finding the teeth {teeth_s:.2f} s, {teeth_s / alone_s:.1f} times that")


if __name__ == "__main__":
    main()
