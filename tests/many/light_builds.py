"""Builds that take no time, and ones that end badly on demand. They load nothing heavy, since each
runs in a process of its own.
"""

import json
import os
import signal
import time
import tomllib

from blockout.errors import CheckError
from blockout.writing import replacing_folder

OURS = ("summary.json", "model.stl")
DIARY = "diary.txt"
"""Beside the case files: one line for each build that was begun."""


def light(case_file, out):
    """A build whose model has as many cubic millimetres as the case's tilt has degrees.

    What happens on the way is said by files beside the case file, named after it.
    """
    with (case_file.parent / DIARY).open("a") as diary:
        diary.write(f"{case_file.stem} {os.getpid()}\n")
    tilt_deg = tomllib.loads(case_file.read_text())["path"]["anterior_tilt_deg"]
    with replacing_folder(out, ours=OURS, signed_by="summary.json") as folder:
        (folder / "model.stl").write_text("solid\n")
        if case_file.with_suffix(".kill").exists():
            os.kill(os.getpid(), signal.SIGKILL)
        if case_file.with_suffix(".check").exists():
            raise CheckError("the volumes differ", measured="2 mm3, at most 1 mm3")
        if case_file.with_suffix(".fault").exists():
            raise FaultOfOurOwn("x", 7)
        if case_file.with_suffix(".wait").exists():
            time.sleep(120.0)
        summary = {
            "parts": [],
            "path": {},
            "cast": {"source_sha256": ""},
            "model": {"volume_mm3": tilt_deg},
            "warnings": [{}] * 3,
        }
        (folder / "summary.json").write_text(json.dumps(summary))


class FaultOfOurOwn(Exception):  # noqa: N818 - a name for this test
    """An error that cannot be made again from what pickle keeps of it."""

    def __init__(self, one, two):
        super().__init__(f"{one}{two}")


def real_with_small_pictures(case_file, out):
    """The real build; full pictures take nine tenths of it, and are another test's business."""
    from blockout.job.many import build_from_file
    from blockout.report.pictures import model_pictures

    model_pictures.__kwdefaults__["size_px"] = (300, 225)
    build_from_file(case_file, out)


def process_number(_):
    return os.getpid()
