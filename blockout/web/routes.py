"""What the view and the download buttons fetch of one sitting, over plain HTTP.

No address holds a path of the server's machine: a sitting is named by its key, meshes and files by
fixed words and by the names of the build's parts.
"""

from __future__ import annotations

import shutil
import tempfile
import zipfile
from collections.abc import Callable, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Annotated, Any, Final, TypeVar
from urllib.parse import quote

from fastapi import APIRouter, Body, HTTPException, Response
from starlette.concurrency import run_in_threadpool
from starlette.responses import FileResponse, JSONResponse

from blockout import job
from blockout.case.edit import write_case
from blockout.case.settings import PathSettings
from blockout.errors import BlockoutError
from blockout.job import looks
from blockout.web.showing import Showing

BYTES: Final = "application/octet-stream"
_KEPT: Final = {"cache-control": "private, max-age=31536000, immutable"}
_NOT_KEPT: Final = {"cache-control": "no-store"}
_FRAME_LIMIT_DEG: Final = 60.0

_T = TypeVar("_T")
Find = Callable[[str], Showing | None]
"""What is shown of a sitting, by its key."""

EXPORTED: Final = ("glb", "ply")
"""Formats that a build does not write by itself."""


def sitting_routes(find: Find) -> APIRouter:
    """All addresses under ``/at/{key}``."""
    router = APIRouter(prefix="/at/{key}")

    def shown(key: str) -> Showing:
        found = find(key)
        if found is None:
            raise HTTPException(404, "This sitting has ended. Open the case again.")
        return found

    @router.get("/cast")
    async def cast(key: str) -> Response:
        return await _bytes(shown(key).cast_bytes)

    @router.get("/part/{name}")
    async def part(key: str, name: str) -> Response:
        return await _bytes(lambda: shown(key).part_bytes(name))

    @router.get("/left/{name}")
    async def left(key: str, name: str) -> Response:
        return await _bytes(lambda: shown(key).left_bytes(name))

    @router.get("/left/{name}/levels")
    async def left_levels(key: str, name: str, full_mm: float) -> Response:
        return await _bytes(lambda: shown(key).left_levels(name, full_mm=full_mm))

    @router.get("/survey-lines")
    async def survey_lines(key: str) -> Response:
        return await _bytes(shown(key).survey_line_bytes, _NOT_KEPT)

    @router.post("/depth")
    async def depth(key: str, asked: Annotated[dict[str, Any], Body()]) -> Response:
        showing = shown(key)

        def read() -> bytes:
            path = PathSettings(
                anterior_tilt_deg=float(asked["anterior_tilt_deg"]),
                lateral_tilt_deg=float(asked["lateral_tilt_deg"]),
                max_tilt_deg=_FRAME_LIMIT_DEG,
            )
            return looks.depth_bytes(showing.cast, path)

        sequence = int(asked.get("sequence", 0))
        return await _bytes(read, {**_NOT_KEPT, "x-sequence": str(sequence)})

    @router.post("/probe")
    async def probe(key: str, asked: Annotated[dict[str, Any], Body()]) -> Response:
        showing = shown(key)
        found = await _answered(lambda: showing.probe(asked["origin_mm"], asked["direction"]))
        return JSONResponse({**found, "sequence": asked.get("sequence", 0)}, headers=_NOT_KEPT)

    @router.get("/picture/{name}")
    async def picture(key: str, name: str) -> Response:
        folder = shown(key).folder("build") / "pictures"
        names = {path.stem: path for path in folder.glob("*.png")}
        return _file(names.get(name), "image/png")

    @router.get("/report")
    async def report(key: str) -> Response:
        showing = shown(key)
        answer = await _made("report.html", lambda out: report_of(showing, out))
        answer.headers["content-type"] = "text/html; charset=utf-8"
        del answer.headers["content-disposition"]
        return answer

    @router.get("/get/{what}")
    async def get(key: str, what: str) -> Response:
        return await _download(shown(key), what)

    return router


async def _download(showing: Showing, what: str) -> Response:
    """A file for the user to keep."""
    stem = showing.folder("build").name.removesuffix("-build")
    build = showing.folder("build")
    if what == "case":
        return await _made(f"{stem}.case.toml", lambda out: _case_as_it_is(showing, out))
    fixed = {
        "summary": (build / job.SUMMARY, f"{stem}-summary.json"),
        "model-stl": (build / "model.stl", f"{stem}-model.stl"),
        "model-3mf": (build / "model.3mf", f"{stem}-model.3mf"),
    }
    if what in fixed:
        return _file(fixed[what][0], BYTES, name=fixed[what][1])
    made: Mapping[str, tuple[str, Callable[[Path], object]]] = {
        **{f"model-{kind}": (f"{stem}-model.{kind}", _exported(build, kind)) for kind in EXPORTED},
        "wax": (f"{stem}-wax.zip", lambda out: _zipped(build / "wax", out)),
        "report": (f"{stem}-report.html", lambda out: report_of(showing, out)),
    }
    if what not in made:
        raise HTTPException(404, "There is no such file.")
    return await _made(*made[what])


async def _made(name: str, make: Callable[[Path], object]) -> Response:
    """A file made for this download alone."""

    def content() -> bytes:
        with tempfile.TemporaryDirectory(prefix="blockout-") as place:
            out = Path(place) / f"file{Path(name).suffix}"
            make(out)
            return out.read_bytes()

    plain = "".join(letter if letter.isalnum() or letter in "-_." else "_" for letter in name)
    kept = f"attachment; filename*=UTF-8''{quote(plain)}"
    return await _bytes(content, {**_NOT_KEPT, "content-disposition": kept})


def _case_as_it_is(showing: Showing, out: Path) -> None:
    """The case file with what is not saved yet; comments of the saved one are kept."""
    with suppress(OSError):
        shutil.copyfile(showing.sitting.file, out)
    write_case(out, showing.sitting.case)


def report_of(showing: Showing, out: Path) -> object:
    """The report of the build, with what try-in, comparison and choice found beside it."""
    beside = [
        showing.folder(work)
        for work in ("paths", "try-in", "compare")
        if showing.document(work) is not None
    ]
    return job.report_folder(showing.folder("build"), out=out, companions=beside)


def _exported(build: Path, kind: str) -> Callable[[Path], object]:
    return lambda out: job.export_model(build, file_format=kind, out=out)


def _zipped(folder: Path, out: Path) -> None:
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as packed:
        for path in sorted(folder.glob("*.stl")):
            packed.write(path, path.name)


def _file(path: Path | None, kind: str, *, name: str | None = None) -> Response:
    if path is None or not path.is_file():
        raise HTTPException(404, "There is no such file yet.")
    return FileResponse(path, media_type=kind, filename=name, headers=_NOT_KEPT)


async def _bytes(make: Callable[[], bytes], headers: Mapping[str, str] = _KEPT) -> Response:
    return Response(await _answered(make), media_type=BYTES, headers=dict(headers))


async def _answered(make: Callable[[], _T]) -> _T:
    """What ``make`` gives, worked out beside the server's loop; an error in words."""
    try:
        return await run_in_threadpool(make)
    except BlockoutError as error:
        raise HTTPException(422, str(error)) from error
    except (KeyError, TypeError, ValueError) as error:
        raise HTTPException(400, "The request does not say what it must.") from error
