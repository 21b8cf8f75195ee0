"""Read a mesh file and tell every other file, address and program that was touched meanwhile.

Run by its path with the file as its only argument; an audit hook cannot be taken off again.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

from blockout.errors import ReadError
from blockout.kernel import files, ply_files, scene_files, threemf_files

WATCHED = ("open", "os.listdir", "os.scandir", "socket.", "urllib.", "subprocess.", "os.exec",
           "os.system", "shutil.", "os.remove", "os.rename", "os.mkdir", "tempfile.")  # fmt: skip


def main() -> None:
    assert ply_files
    assert scene_files
    assert threemf_files
    told = []
    for name in sys.argv[1:]:
        touched: list[str] = []
        _watched.clear()
        _watched.append(touched)
        try:
            read: Any = len(files.read_mesh_file(Path(name)).faces)
        except ReadError as error:
            read = str(error)
        _watched.clear()
        told.append({"read": read, "touched": [each for each in touched if each != name]})
    print(json.dumps(told))


_watched: list[list[str]] = []


def _hook(event: str, arguments: tuple[Any, ...]) -> None:
    if not _watched or not event.startswith(WATCHED):
        return
    what = str(arguments[0]) if event == "open" else f"{event} {arguments!r}"
    own_code = what.endswith((".py", ".pyc", ".so")) or "site-packages" in what
    if not own_code and not what.isdigit():
        _watched[0].append(what)


sys.addaudithook(_hook)

if __name__ == "__main__":
    main()
