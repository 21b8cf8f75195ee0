"""Draw the README's pictures anew: ``python sample_meshes/pictures.py``."""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path

import blockout

HERE = Path(__file__).parent / "pictures"
TAKEN = {
    "survey_occlusal.png": "lower/survey/occlusal.png",
    "survey_right.png": "lower/survey/right.png",
    "model_right.png": "lower/build/pictures/right.png",
    "prescription_lower.png": "lower/build/pictures/occlusal.png",
    "prescription_upper.png": "upper/build/pictures/occlusal.png",
}


def main() -> None:
    """Run both demo cases and keep some of their pictures."""
    HERE.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as folder:
        blockout.demo(Path(folder) / "lower", arch="lower")
        blockout.demo(Path(folder) / "upper", arch="upper")
        for name, source in TAKEN.items():
            shutil.copyfile(Path(folder) / source, HERE / name)


if __name__ == "__main__":
    main()
