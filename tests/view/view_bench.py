"""A page with nothing but the view, for its tests: run as a program with a port and a cast.

The server answers rays and depths with the package's own functions. ``/slow?depth_s=`` makes depth
answers late; ``/count`` tells how often each address was asked.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import threading
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from fastapi import Request, Response
from nicegui import app, ui

from blockout.case.settings import PathSettings
from blockout.cast.cast import Cast
from blockout.cast.record import read_cast
from blockout.cast.weld import weld
from blockout.kernel.files import read_mesh_file
from blockout.kernel.rays import RayScene
from blockout.mesh import Mesh
from blockout.report.colours import OTHER_WAX, WAX
from blockout.surveying.depth import Overhead, undercut_depth_mm
from blockout.surveying.path import insertion_path
from blockout.web.view.buffers import (
    depth_bytes,
    deviation_bytes,
    lines_bytes,
    mesh_bytes,
)
from blockout.web.view.element import CastView, Layer, LineStyle

FULL_MM = 1.0
FOREVER = {"Cache-Control": "private, max-age=31536000, immutable"}


@dataclass(frozen=True)
class Ring:
    points_mm: Any
    closed: bool


class Bench:
    """The cast on the bench, and what its server was asked."""

    def __init__(self, cast: Cast, waxes: dict[str, Mesh], pieces: int) -> None:
        self.cast = cast
        self.waxes = waxes
        self.count: Counter[str] = Counter()
        self.depth_s = 0.0
        self.views: list[CastView] = []
        self.events: list[dict[str, Any]] = []
        self.surface = cast.mesh.part(cast.scanned)
        self.vertex = np.flatnonzero(cast.scanned_vertices)
        self.rays = RayScene(cast.mesh)
        # the mesh drawn may be finer than the one that is surveyed: each face cut into four
        self.shown, self.shown_scanned, self.parents = cast.mesh, cast.scanned, None
        for _ in range(pieces):
            self.shown, self.shown_scanned = cut_in_four(self.shown, self.shown_scanned)
        self.packed = {"cast": mesh_bytes(self.shown, scanned=self.shown_scanned)}
        for name, mesh in waxes.items():
            self.packed[name] = mesh_bytes(mesh)
        self.lock = threading.Lock()

    def depths(self, anterior_tilt_deg: float, lateral_tilt_deg: float) -> bytes:
        path = insertion_path(
            self.cast.frame,
            arch=self.cast.arch,
            settings=PathSettings(
                anterior_tilt_deg=anterior_tilt_deg, lateral_tilt_deg=lateral_tilt_deg
            ),
        )
        depth_mm = np.zeros(len(self.shown.vertices))
        known = np.zeros(len(self.cast.mesh.vertices))
        known[self.vertex] = undercut_depth_mm(
            Overhead(self.surface, path), self.surface.vertices, spacing_mm=0.3
        )
        depth_mm[: len(known)] = known  # of the finer mesh, the vertices it began with
        return depth_bytes(depth_mm, full_mm=FULL_MM)

    def probe(self, asked: dict[str, Any]) -> dict[str, Any]:
        origin, along = np.array(asked["origin_mm"]), np.array(asked["direction"])
        hits = self.rays.first_hit(origin[None], along / np.linalg.norm(along))
        face = int(hits.face[0])
        if face < 0:
            return {"point_mm": None, "said": ""}
        point = origin + float(hits.distance_mm[0]) * along
        return {
            "point_mm": point.tolist(),
            "normal": self.cast.mesh.face_normals[face].tolist(),
            "face": face,
            "said": f"({point[0]:.2f}, {point[1]:.2f}, {point[2]:.2f}) mm\n{asked['purpose']}",
        }


def cut_in_four(mesh: Mesh, scanned: Any) -> tuple[Mesh, Any]:
    """Each face into four by the middles of its edges; the vertices of before come first."""
    low, high = np.sort(mesh.halfedges, axis=1).T
    key = low * len(mesh.vertices) + high
    unique, number = np.unique(key, return_inverse=True)
    middles = (
        mesh.vertices[unique // len(mesh.vertices)] + mesh.vertices[unique % len(mesh.vertices)]
    ) / 2.0
    ab, bc, ca = (number + len(mesh.vertices)).reshape(3, -1)
    a, b, c = mesh.faces.T
    faces = np.concatenate(
        [np.stack(row, axis=1) for row in ((a, ab, ca), (ab, b, bc), (ca, bc, c), (ab, bc, ca))]
    )
    return Mesh(np.concatenate([mesh.vertices, middles]), faces), np.tile(scanned, 4)


def serve(bench: Bench, port: int) -> None:
    @app.get("/mesh/{name}")
    def mesh(name: str) -> Response:
        bench.count[f"mesh {name}"] += 1
        return Response(bench.packed[name], media_type="application/octet-stream", headers=FOREVER)

    @app.get("/swap/{number}")
    def swap(number: int) -> Response:
        bench.count["swap"] += 1
        low, high = bench.cast.mesh.bounds_mm
        middle, side = (low + high) / 2.0, 4.0 + number % 7
        corners = middle + side * np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1.0]])
        tetra = Mesh(corners, [[0, 2, 1], [0, 1, 3], [0, 3, 2], [1, 2, 3]])
        return Response(mesh_bytes(tetra), media_type="application/octet-stream")

    @app.get("/lines/ring")
    def lines() -> Response:
        turn = np.linspace(0.0, 2.0 * np.pi, 60, endpoint=False)
        flat = np.stack([20 * np.cos(turn), 20 * np.sin(turn), np.full(60, 2.0)], axis=1)
        ring = Ring(bench.cast.frame.points_to_file(flat), True)
        return Response(lines_bytes([ring]), media_type="application/octet-stream")

    @app.get("/deviation/cast")
    def deviation() -> Response:
        height = bench.cast.frame.points_to_cast(bench.shown.vertices)[:, 2]
        off_mm = 0.4 * np.sin(height / 1.5)
        off_mm[height < -6.0] = np.nan
        return Response(deviation_bytes(off_mm, full_mm=0.5))

    @app.get("/picture/{name}")
    def picture(name: str) -> Response:
        return Response(
            '<svg xmlns="http://www.w3.org/2000/svg" width="40" height="30"/>',
            media_type="image/svg+xml",
        )

    @app.post("/depth")
    async def depth(request: Request) -> Response:
        asked = json.loads(await request.body())
        bench.count["depth"] += 1
        bench.events.append({"depth": asked})
        if bench.depth_s:
            await asyncio.sleep(bench.depth_s)
        levels = await asyncio.to_thread(
            bench.depths, asked["anterior_tilt_deg"], asked["lateral_tilt_deg"]
        )
        return Response(
            levels,
            media_type="application/octet-stream",
            headers={"X-Sequence": str(asked["sequence"])},
        )

    @app.post("/probe")
    async def probe(request: Request) -> dict[str, Any]:
        asked = json.loads(await request.body())
        bench.count[f"probe {asked['purpose']}"] += 1
        return bench.probe(asked)

    @app.get("/depths")
    def depths(anterior: float, lateral: float) -> Response:
        return Response(bench.depths(anterior, lateral))

    @app.get("/slow")
    def slow(depth_s: float) -> dict[str, float]:
        bench.depth_s = depth_s
        return {"depth_s": depth_s}

    @app.get("/say/{method}")
    async def say(method: str, given: str) -> dict[str, bool]:
        """Call a method of the newest view, as the page's Python would."""
        view = bench.views[-1]
        with view.client:
            getattr(view, method)(*json.loads(given))
        return {"said": True}

    @app.get("/count")
    def count() -> dict[str, int]:
        return dict(bench.count)

    @app.get("/events")
    def events() -> list[dict[str, Any]]:
        return bench.events

    @ui.page("/")
    def page(
        theme: str = "light", webgl: int = 1, wax: int = 1, anterior: float = 0.0, bars: int = 0
    ) -> None:
        ui.dark_mode(theme == "dark")
        ui.query(".nicegui-content").style("padding: 0; gap: 0; height: 100vh; width: 100vw")
        layers = [
            Layer(
                name="cast",
                url="/mesh/cast",
                label="Cast",
                map="depth",
                surveyed=True,
                full_mm=FULL_MM,
                gauges_mm=(0.25, 0.5, 0.75),
            )
        ]
        for name in bench.waxes if wax else ():
            kind = name.split("-")[0]
            colour = WAX.get(kind, OTHER_WAX)
            layers.append(
                Layer(name=name, url=f"/mesh/{name}", label=name, colour=colour, hatch_deg=45.0)
            )
        view = CastView(
            layers=layers,
            frame=bench.cast.frame,
            arch=bench.cast.arch,
            depth_url="/depth",
            probe_url="/probe",
            pictures=[("/picture/occlusal", "From above"), ("/picture/front", "From the front")],
            tilts_deg=(anterior, 0.0),
            without_webgl=not webgl,
        ).style("flex: 1; width: 100%; min-height: 0")
        if bars:
            slider = ui.slider(min=-30, max=30, step=0.5, value=0).props("label-always")
            slider.on(
                "update:model-value",
                js_handler="(v) => window.dispatchEvent(new CustomEvent('blockout-tilt', "
                "{detail: {anterior_tilt_deg: v}}))",
            )

        bench.views.append(view)

        def keep(name: str) -> Any:
            return lambda told: bench.events.append({name: told})

        view.on_clicked(keep("clicked")).on_tilting(keep("tilting")).on_tilted(keep("tilted"))
        view.on_turned(keep("turned"))
        view.on_drawn(keep("drawn")).on_ended(keep("ended")).on_selected(keep("selected"))
        view.on_loaded(keep("loaded")).on_trouble(keep("trouble"))
        view.set_lines_from("ring", "/lines/ring", LineStyle(width_px=2.0, shown=False))

    ui.run(
        host="127.0.0.1",
        port=port,
        show=False,
        reload=False,
        title="View",
        show_welcome_message=False,
        reconnect_timeout=60.0,
    )


def main() -> None:
    asked = argparse.ArgumentParser()
    asked.add_argument("port", type=int)
    asked.add_argument("cast", type=Path)
    asked.add_argument("--wax", type=Path, help="a folder of meshes")
    asked.add_argument("--cut", type=int, default=0, help="times each face is cut in four")
    given = asked.parse_args()
    cast = read_cast(given.cast)
    assert cast is not None, "not a prepared cast"
    folder = given.wax
    waxes = {}
    for path in sorted(folder.iterdir()) if folder else ():
        if path.suffix in (".stl", ".ply"):
            content = read_mesh_file(path)
            waxes[path.stem] = weld(content.vertices, content.faces).mesh
    serve(Bench(cast, waxes, given.cut), given.port)


if __name__ in {"__main__", "__mp_main__"}:
    main()
