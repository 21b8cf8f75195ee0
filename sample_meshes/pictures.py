"""Draw the README's pictures anew: ``python sample_meshes/pictures.py``."""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path

import blockout
from blockout.job import choose_path_of, record_on_cast

HERE = Path(__file__).parent / "pictures"
TAKEN = {
    "survey_occlusal.png": "lower/survey/occlusal.png",
    "survey_right.png": "lower/survey/right.png",
    "model_right.png": "lower/build/pictures/right.png",
    "prescription_lower.png": "lower/build/pictures/occlusal.png",
    "prescription_upper.png": "upper/build/pictures/occlusal.png",
    "tilts_total.png": "choices/total.png",
    "tripod.png": "tripod/tripod.png",
}


def main() -> None:
    """Run both demo cases and keep some of their pictures."""
    HERE.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as folder:
        blockout.demo(Path(folder) / "lower", arch="lower")
        blockout.demo(Path(folder) / "upper", arch="upper")
        case = blockout.read_case(Path(folder) / "lower/case.toml")
        cast = case.cast.model_copy(update={"file": str(Path(folder) / "lower/scan.stl")})
        case = case.model_copy(update={"cast": cast})
        choose_path_of(case, out=Path(folder) / "choices")
        record_on_cast(case, out=Path(folder) / "tripod")
        for name, source in TAKEN.items():
            shutil.copyfile(Path(folder) / source, HERE / name)


if __name__ == "__main__":
    main()
