"""Draw the README's pictures anew: ``python sample_meshes/pictures.py``."""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path

import blockout

HERE = Path(__file__).parent / "pictures"
TAKEN = {
    "survey_occlusal.png": "survey/occlusal.png",
    "survey_right.png": "survey/right.png",
    "model_right.png": "build/pictures/right.png",
}


def main() -> None:
    """Run the demo and keep three of its pictures."""
    HERE.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as folder:
        blockout.demo(Path(folder) / "demo")
        for name, source in TAKEN.items():
            shutil.copyfile(Path(folder) / "demo" / source, HERE / name)


if __name__ == "__main__":
    main()
