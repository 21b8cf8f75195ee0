"""Bad and odd surfaces, made of sound ones by damage that scanners, exports and hands do."""

from __future__ import annotations

import numpy as np
import sound
import written
from bodies import ball, box, frustum, ramp, standing, torus, turn_about, united
from open_scans import dome, open_arch, sheet
from plain_arch import plain_arch
from specimen import Specimen, Wanted, kind

from blockout.mesh import Floats, Ints, Mesh, joined

Rng = np.random.Generator


def saved(rng: Rng, mesh: Mesh, *, wanted: Wanted = "either", **asked: object) -> Specimen:
    """The mesh in a file of some format, asked for along some path."""
    tilts = [(0.0, 0.0), (0.0, 0.0), (4.0, -2.0), tuple(float(t) for t in rng.uniform(-12, 12, 2))]
    suffix = str(rng.choice(["stl", "ply", "ply", "obj", "off"]))
    data = {
        "stl": written.stl_binary,
        "ply": written.ply_binary,
        "obj": written.obj,
        "off": written.off,
    }[suffix](mesh)
    settings: dict[str, object] = {
        "tilt_deg": tilts[int(rng.integers(4))],
        "taper_deg": float(rng.choice([0.0, 0.0, 2.0])),
    }
    return Specimen(data, suffix, wanted=wanted, mesh=mesh, **(settings | asked))  # type: ignore[arg-type]


def patch(rng: Rng, mesh: Mesh, reach_mm: float) -> Ints:
    """Faces around a face taken at random."""
    centre = mesh.face_centres[int(rng.integers(mesh.triangle_count))]
    return np.flatnonzero(np.linalg.norm(mesh.face_centres - centre, axis=1) < reach_mm)


def without(mesh: Mesh, faces: Ints) -> Mesh:
    keep = np.ones(mesh.triangle_count, dtype=bool)
    keep[faces] = False
    return mesh.part(keep)


def with_faces(mesh: Mesh, faces: object, more_vertices: Floats | None = None) -> Mesh:
    points = mesh.vertices if more_vertices is None else np.vstack([mesh.vertices, more_vertices])
    return Mesh(points, np.vstack([mesh.faces, np.asarray(faces).reshape(-1, 3)]))


def shifted(mesh: Mesh, by_mm: object) -> Mesh:
    return Mesh(mesh.vertices + np.asarray(by_mm, dtype=float), mesh.faces)


def shaken(rng: Rng, mesh: Mesh, noise_mm: float) -> Mesh:
    return Mesh(mesh.vertices + rng.normal(0.0, noise_mm, mesh.vertices.shape), mesh.faces)


# --- sound ones, so that the judges are seen to pass what is good --------------------------------
@kind("sound body")
def _(rng: Rng) -> Specimen:
    return saved(rng, (sound.body, sound.heap)[int(rng.integers(2))](rng), wanted="solid")


@kind("sound scan")
def _(rng: Rng) -> Specimen:
    mesh = open_arch(along=int(rng.integers(60, 100)), across=int(rng.integers(20, 30)))
    return saved(rng, mesh, wanted="solid")


# --- open, ragged, holes, islands ----------------------------------------------------------------
@kind("open")
def _(rng: Rng) -> Specimen:
    section = sound.SECTIONS[int(rng.integers(4))]
    return saved(rng, open_arch(section, along=80, across=24))


@kind("open body")
def _(rng: Rng) -> Specimen:
    mesh = (sound.body, sound.heap, sound.cast)[int(rng.integers(3))](rng)
    cut = mesh.bounds_mm[0, 2] + float(rng.uniform(0.05, 0.7)) * np.ptp(mesh.bounds_mm[:, 2])
    part = mesh.part(mesh.face_centres[:, 2] > cut)
    return saved(rng, part if part.triangle_count else mesh)


@kind("ragged")
def _(rng: Rng) -> Specimen:
    section = sound.SECTIONS[int(rng.integers(4))]
    share = float(rng.uniform(0.1, 0.9))
    seed = int(rng.integers(1000))
    body = open_arch(section, along=80, across=24, ragged=share, seed=seed)
    return saved(rng, body, wanted="solid")


@kind("holes")
def _(rng: Rng) -> Specimen:
    mesh = sound.sound(rng)
    for _ in range(int(rng.integers(1, 8))):
        mesh = without(mesh, patch(rng, mesh, float(rng.uniform(0.3, 3.0))))
    return saved(rng, mesh)


@kind("pepper")
def _(rng: Rng) -> Specimen:
    mesh = sound.sound(rng)
    return saved(rng, mesh.part(rng.random(mesh.triangle_count) > float(rng.uniform(0.002, 0.3))))


@kind("islands")
def _(rng: Rng) -> Specimen:
    mesh = sound.sound(rng)
    size = np.ptp(mesh.bounds_mm, axis=0)
    parts = [mesh]
    for _ in range(int(rng.integers(1, 30))):
        place = mesh.bounds_mm[0] + rng.uniform(-0.2, 1.2, 3) * size
        small = [dome(radius_mm=float(rng.uniform(0.2, 3.0)), rings=4), ball(0.5, subdivisions=1)]
        parts.append(shifted(small[int(rng.integers(2))], place))
    return saved(rng, joined(parts))


# --- turned, doubled, thin -----------------------------------------------------------------------
@kind("flipped patches")
def _(rng: Rng) -> Specimen:
    mesh = sound.sound(rng)
    faces = mesh.faces.copy()
    for _ in range(int(rng.integers(1, 6))):
        some = patch(rng, mesh, float(rng.uniform(0.5, 8.0)))
        faces[some] = faces[some][:, ::-1]
    return saved(rng, Mesh(mesh.vertices, faces))


@kind("flipped at random")
def _(rng: Rng) -> Specimen:
    mesh = sound.sound(rng)
    faces = mesh.faces.copy()
    some = rng.random(len(faces)) < float(rng.uniform(0.01, 0.5))
    faces[some] = faces[some][:, ::-1]
    return saved(rng, Mesh(mesh.vertices, faces))


@kind("inside out")
def _(rng: Rng) -> Specimen:
    return saved(rng, sound.sound(rng).reversed())


@kind("duplicated faces")
def _(rng: Rng) -> Specimen:
    mesh = sound.sound(rng)
    some = rng.choice(mesh.triangle_count, size=int(rng.integers(1, 40)))
    again = mesh.faces[some]
    if rng.random() < 0.5:
        again = again[:, ::-1]
    return saved(rng, with_faces(mesh, again))


@kind("collapsed faces")
def _(rng: Rng) -> Specimen:
    mesh = sound.sound(rng)
    some = rng.choice(mesh.triangle_count, size=int(rng.integers(1, 40)))
    return saved(rng, with_faces(mesh, mesh.faces[some][:, [0, 1, 1]]))


@kind("slivers")
def _(rng: Rng) -> Specimen:
    """Edges split on both sides at a place a hair's breadth from an end, or off the edge."""
    mesh = sound.sound(rng)
    vertices, faces = mesh.vertices, mesh.faces.copy()
    share = 10.0 ** -float(rng.uniform(1.0, 12.0))
    twins = mesh.twin_halfedges
    taken = np.zeros(len(faces), dtype=bool)
    for half in rng.permutation(np.flatnonzero(twins >= 0))[: int(rng.integers(5, 60))]:
        f, g = int(half) % len(mesh.faces), int(twins[half]) % len(mesh.faces)
        if taken[f] or taken[g]:
            continue
        taken[[f, g]] = True
        a, b = mesh.halfedges[half]
        c = int(mesh.faces[f][~np.isin(mesh.faces[f], (a, b))][0])
        d = int(mesh.faces[g][~np.isin(mesh.faces[g], (a, b))][0])
        new = len(vertices)
        vertices = np.vstack([vertices, vertices[a] + share * (vertices[b] - vertices[a])])
        faces[f], faces[g] = (a, new, c), (b, new, d)
        faces = np.vstack([faces, [(new, b, c), (new, a, d)]])
    return saved(rng, Mesh(vertices, faces))


@kind("needles")
def _(rng: Rng) -> Specimen:
    """One coordinate squeezed, so that every facet is a needle."""
    mesh = sound.sound(rng)
    squeeze = np.ones(3)
    squeeze[int(rng.integers(3))] = 10.0 ** -float(rng.uniform(0.5, 4.0))
    return saved(rng, Mesh(mesh.vertices * squeeze, mesh.faces))


@kind("t junctions")
def _(rng: Rng) -> Specimen:
    """Faces split on one side of an edge only: the new vertex lies on the neighbour's edge."""
    mesh = sound.sound(rng)
    vertices, faces = mesh.vertices, mesh.faces
    for f in rng.choice(mesh.triangle_count, size=int(rng.integers(1, 30)), replace=False):
        a, b, c = faces[f]
        new = len(vertices)
        share = float(rng.uniform(0.2, 0.8))
        vertices = np.vstack([vertices, vertices[a] + share * (vertices[b] - vertices[a])])
        faces = np.vstack([faces, [(new, b, c)]])
        faces[f] = (a, new, c)
    return saved(rng, Mesh(vertices, faces))


# --- cutting through itself ----------------------------------------------------------------------
@kind("self-intersections")
def _(rng: Rng) -> Specimen:
    """Vertices pushed through the surface."""
    mesh = sound.sound(rng)
    vertices = mesh.vertices.copy()
    some = rng.choice(len(vertices), size=int(rng.integers(1, 20)), replace=False)
    vertices[some] -= mesh.vertex_normals[some] * rng.uniform(0.5, 25.0, (len(some), 1))
    return saved(rng, Mesh(vertices, mesh.faces))


@kind("overlapping bodies")
def _(rng: Rng) -> Specimen:
    """Two solids set into each other without being joined."""
    one = (sound.cast, sound.body, sound.heap)[int(rng.integers(3))](rng)
    other = shifted(ball(3.0, subdivisions=2), one.vertices[int(rng.integers(len(one.vertices)))])
    return saved(rng, joined([one, other]))


@kind("crossing heap")
def _(rng: Rng) -> Specimen:
    count = int(rng.integers(20, 3000))
    corners = rng.uniform(0.0, 60.0, (count, 1, 3)) + rng.normal(0, 2.0, (count, 3, 3))
    return saved(rng, Mesh(corners.reshape(-1, 3), np.arange(3 * count).reshape(-1, 3)))


@kind("folded")
def _(rng: Rng) -> Specimen:
    """A surface folded over itself along a plane, so that sheets cross or touch."""
    mesh = sound.scan(rng)
    vertices = mesh.vertices.copy()
    at = float(np.quantile(vertices[:, 0], rng.uniform(0.3, 0.9)))
    over = vertices[:, 0] > at
    vertices[over, 0] = 2.0 * at - vertices[over, 0]
    vertices[over, 2] += float(rng.choice([0.0, 0.5, 4.0]))
    return saved(rng, Mesh(vertices, mesh.faces))


# --- no surface at all in places -----------------------------------------------------------------
@kind("crowded edges")
def _(rng: Rng) -> Specimen:
    """Fins: a third face on some edges."""
    mesh = sound.sound(rng)
    count = int(rng.integers(1, 20))
    edges = mesh.halfedges[rng.choice(len(mesh.halfedges), size=count)]
    tips = mesh.vertices[edges].mean(axis=1) + rng.normal(0.0, 1.5, (count, 3))
    new = len(mesh.vertices) + np.arange(count)
    return saved(rng, with_faces(mesh, np.column_stack([edges, new]), tips))


@kind("walls inside")
def _(rng: Rng) -> Specimen:
    """A body with a wall across its inside, grown onto its rim."""
    low, high = np.array([-10.0, -10.0, 0.0]), np.array([10.0, 10.0, 8.0])
    one, other = box(low, [0.0, *high[1:]]), box([0.0, *low[1:]], high)
    both = joined([one, other])
    places, number = np.unique(both.vertices, axis=0, return_inverse=True)
    mesh = Mesh(places, number.reshape(-1)[both.faces])
    if rng.random() < 0.5:
        mesh = both
    return saved(rng, mesh)


@kind("pinched vertices")
def _(rng: Rng) -> Specimen:
    """Two bodies that share one vertex, or one edge."""
    one = (sound.body, sound.heap)[int(rng.integers(2))](rng)
    top = int(one.vertices[:, 2].argmax())
    other = ball(2.0, subdivisions=2)
    low = int(other.vertices[:, 2].argmin())
    other = shifted(other, one.vertices[top] - other.vertices[low])
    both = joined([one, other])
    faces = both.faces.copy()
    faces[faces == low + len(one.vertices)] = top
    return saved(rng, Mesh(both.vertices, faces))


@kind("moebius")
def _(rng: Rng) -> Specimen:
    """A band with a half turn: it has no outside."""
    steps, rows = 60, 6
    turn = 2.0 * np.pi * np.arange(steps) / steps
    across = np.linspace(-6.0, 6.0, rows)
    a, w = (x.ravel() for x in np.meshgrid(turn, across, indexing="ij"))
    radius = 25.0 + w * np.cos(a / 2.0)
    points = np.column_stack([radius * np.cos(a), radius * np.sin(a), w * np.sin(a / 2.0)])
    faces = []
    for i in range(steps):
        for j in range(rows - 1):
            here, up = rows * i + j, rows * i + j + 1
            if i + 1 < steps:
                there, over = here + rows, up + rows
            else:
                there, over = rows - 1 - j, rows - 2 - j
            faces += [(here, there, over), (here, over, up)]
    return saved(rng, Mesh(points, faces), wanted="refused")


@kind("coincident shells")
def _(rng: Rng) -> Specimen:
    """The same surface twice, as it is, turned, or a hair apart."""
    mesh = sound.sound(rng)
    other = mesh.reversed() if rng.random() < 0.5 else mesh
    apart = float(rng.choice([0.0, 1e-9, 1e-6, 1e-3]))
    return saved(rng, joined([mesh, shifted(other, [0.0, 0.0, apart])]))


@kind("shells in shells")
def _(rng: Rng) -> Specimen:
    """A hollow, a hollow with a body in it, or a body in a body."""
    outer, inner = ball(12.0, subdivisions=3), ball(6.0, subdivisions=2)
    core = ball(float(rng.uniform(1.0, 5.5)), subdivisions=2)
    shells = [
        [outer, inner.reversed()],
        [outer, inner.reversed(), core],
        [outer, inner],
        [outer.reversed(), inner],
    ]
    return saved(rng, joined(shells[int(rng.integers(4))]))


# --- odd but sound shapes ------------------------------------------------------------------------
@kind("tunnels and handles")
def _(rng: Rng) -> Specimen:
    which = int(rng.integers(4))
    if which == 0:
        mesh = standing(torus(6.0, float(rng.uniform(0.5, 2.5)), around=24))
    elif which == 1:
        ring = shifted(standing(torus(5.0, 1.2, around=24)), [0.0, 0.0, float(rng.uniform(-2, 4))])
        mesh = united([box((-9.0, -9.0, -5.0), (9.0, 9.0, 0.0)), ring])
    elif which == 2:
        mesh = ramp(turns=float(rng.uniform(0.8, 2.5)), around=16)
    else:
        rings = [shifted(torus(4.0, 1.0, around=16), [3.9 * k, 0.0, 0.3 * k]) for k in range(4)]
        mesh = united(rings)
    return saved(rng, mesh, wanted="solid")


@kind("walls along the path")
def _(rng: Rng) -> Specimen:
    """Faces exactly parallel to the path, coplanar steps: blocks that share planes and edges."""
    parts = [box((-12.0, -12.0, -4.0), (12.0, 12.0, 0.0))]
    for (i, j), height in np.ndenumerate(rng.integers(0, 5, (4, 4)).astype(float)):
        if height:
            corner = np.array([-12.0 + 6.0 * i, -12.0 + 6.0 * j, -1.0])
            parts.append(box(corner, corner + np.array([6.0, 6.0, 1.0 + height])))
            if rng.random() < 0.3:
                top = corner + np.array([0.0, 0.0, height])
                parts.append(box(top - [1.0, 1.0, 0.0], top + np.array([7.0, 7.0, 1.0])))
    # blocks that meet corner to corner make edges of four faces, which may be refused
    return saved(rng, united(parts), tilt_deg=(0.0, float(rng.choice([0.0, 0.0, 5.0]))))


@kind("stairs along the path")
def _(rng: Rng) -> Specimen:
    """Stairs up two ways, some under a roof: no two blocks meet corner to corner."""
    parts = [box((-12.0, -12.0, -4.0), (12.0, 12.0, 0.0))]
    rise, climb = (np.sort(rng.integers(0, 4, 4)) for _ in range(2))
    for i in range(4):
        for j in range(4):
            corner = np.array([-12.0 + 6.0 * i, -12.0 + 6.0 * j, -1.0])
            parts.append(box(corner, corner + np.array([6.0, 6.0, 2.0 + rise[i] + climb[j]])))
    if rng.random() < 0.5:
        top = 1.0 + float(rise[3] + climb[3])
        parts.append(box((0.0, 0.0, top - 0.5), (15.0, 15.0, top + 1.0)))
    tilt = float(rng.choice([0.0, 0.0, 5.0]))
    return saved(rng, united(parts), wanted="solid", tilt_deg=(0.0, tilt))


@kind("wall tilted into the path")
def _(rng: Rng) -> Specimen:
    """A cone or block that the tilt turns so that one side stands exactly along the path."""
    angle = float(rng.choice([5.0, 10.0, 15.0]))
    mesh = frustum(5.0 + 4.0 * np.tan(np.radians(angle)), 5.0, 4.0, around=24)
    if rng.random() < 0.5:
        block = box((-6.0, -6.0, 0.0), (6.0, 6.0, 8.0))
        mesh = Mesh(block.vertices @ turn_about((1.0, 0.0, 0.0), angle).T, block.faces)
    return saved(rng, mesh, wanted="solid", tilt_deg=(angle, 0.0))


@kind("thin walls")
def _(rng: Rng) -> Specimen:
    thick = 10.0 ** float(rng.uniform(-3.0, 0.0))
    parts = [box((-12.0, -12.0, -4.0), (12.0, 12.0, 0.0))]
    for k in range(int(rng.integers(1, 4))):
        leaf = box((-8.0, 0.0, -1.0), (8.0, thick, 8.0))
        turned_leaf = leaf.vertices @ turn_about((1.0, 0.0, 0.0), float(rng.uniform(-20, 20))).T
        parts.append(Mesh(turned_leaf + np.array([0.0, -6.0 + 6.0 * k, 0.0]), leaf.faces))
    return saved(rng, united(parts))


@kind("sheet")
def _(rng: Rng) -> Specimen:
    """A flat, an almost flat or a slightly bent sheet."""
    mesh = sheet(40.0, 30.0, step_mm=1.2, seed=int(rng.integers(100)))
    bend = float(rng.choice([0.0, 1e-6, 0.01, 1.0, 30.0]))
    vertices = mesh.vertices.copy()
    vertices[:, 2] = bend * np.cos(vertices[:, 0] / 12.0)
    return saved(rng, Mesh(vertices, mesh.faces))


@kind("few triangles")
def _(rng: Rng) -> Specimen:
    count = int(rng.integers(1, 6))
    corners = rng.uniform(0.0, 50.0, (count, 3, 3))
    mesh = Mesh(corners.reshape(-1, 3), np.arange(3 * count).reshape(-1, 3))
    return saved(rng, mesh, wanted="refused")


@kind("simplest solids")
def _(rng: Rng) -> Specimen:
    """A tetrahedron, a block, a two-faced lens without volume."""
    which = int(rng.integers(4))
    corners = np.array([[0, 0, 0], [30, 0, 0], [0, 30, 0], [8, 8, 20.0]])
    tetra = Mesh(corners, [[0, 2, 1], [0, 1, 3], [1, 2, 3], [2, 0, 3]])
    lens = Mesh(corners[:3], [[0, 1, 2], [0, 2, 1]])
    upside = Mesh(corners * [1, 1, -1], tetra.faces[:, ::-1])
    return saved(rng, (tetra, box((0, 0, 0), (20, 20, 20)), lens, upside)[which])


@kind("very dense")
def _(rng: Rng) -> Specimen:
    """Some facets cut into thousands, next to coarse ones."""
    mesh = sound.body(rng)
    some = rng.choice(mesh.triangle_count, size=2, replace=False)
    for f in some:
        points = mesh.corners[f]
        steps = 30
        i, j = (x.ravel() for x in np.meshgrid(np.arange(steps + 1), np.arange(steps + 1)))
        keep = i + j <= steps
        number = -np.ones((steps + 1, steps + 1), dtype=int)
        number[i[keep], j[keep]] = np.arange(keep.sum())
        a, b = i[keep] / steps, j[keep] / steps
        inner = points[0] + np.outer(a, points[1] - points[0]) + np.outer(b, points[2] - points[0])
        faces = []
        for p in range(steps):
            for q in range(steps - p):
                faces.append((number[p, q], number[p + 1, q], number[p, q + 1]))
                if p + q < steps - 1:
                    faces.append((number[p + 1, q], number[p + 1, q + 1], number[p, q + 1]))
        mesh = joined([mesh, Mesh(inner, faces)])
    return saved(rng, without(mesh, some))


@kind("dense scan")
def _(rng: Rng) -> Specimen:
    return saved(rng, open_arch(along=200, across=60), wanted="solid")


@kind("very coarse")
def _(rng: Rng) -> Specimen:
    step = float(rng.uniform(2.5, 8.0))
    if rng.random() < 0.5:
        return saved(rng, plain_arch(step_mm=step, base_mm=-22.0 if rng.random() < 0.5 else None))
    return saved(rng, open_arch(along=int(rng.integers(6, 20)), across=int(rng.integers(4, 10))))


# --- where it lies and how large it is -----------------------------------------------------------
@kind("huge and tiny")
def _(rng: Rng) -> Specimen:
    mesh = sound.sound(rng)
    power = float(rng.choice([-300.0, -160.0, -30.0, -6.0, 6.0, 30.0, 37.0, 160.0, 300.0]))
    asked = (None, "mm", "m")[int(rng.integers(3))]
    return saved(rng, mesh.scaled(10.0**power), unit=asked, wanted="refused")


@kind("one far vertex")
def _(rng: Rng) -> Specimen:
    mesh = sound.sound(rng)
    vertices = mesh.vertices.copy()
    far = 10.0 ** float(rng.uniform(2.0, 30.0))
    if rng.random() < 0.5:
        vertices[int(rng.integers(len(vertices)))] *= far
        return saved(rng, Mesh(vertices, mesh.faces))
    return saved(rng, Mesh(np.vstack([vertices, [far, 0.0, -far]]), mesh.faces))


@kind("far from the origin")
def _(rng: Rng) -> Specimen:
    far = 10.0 ** float(rng.uniform(2.0, 9.0))
    direction = rng.normal(size=3)
    mesh = sound.sound(rng)
    return saved(rng, shifted(mesh, far * direction / np.linalg.norm(direction)))


@kind("turned anyhow")
def _(rng: Rng) -> Specimen:
    """Any way up, and nobody says which."""
    mesh = (sound.scan, sound.cast)[int(rng.integers(2))](rng)
    turn = turn_about(rng.normal(size=3), float(rng.uniform(0.0, 360.0)))
    return saved(rng, Mesh(mesh.vertices @ turn.T, mesh.faces), up=None, front=None)


@kind("wrong up")
def _(rng: Rng) -> Specimen:
    mesh = sound.sound(rng)
    up, front = [("-z", "+y"), ("+x", "+y"), ("+y", "-z"), ("+z", "-y")][int(rng.integers(4))]
    return saved(rng, mesh, up=up, front=front)


@kind("wrong unit")
def _(rng: Rng) -> Specimen:
    factor = float(rng.choice([0.001, 0.1, 1 / 25.4, 10.0, 25.4, 1000.0]))
    asked = (None, "mm", "cm", "m", "in")[int(rng.integers(5))]
    return saved(rng, sound.scan(rng).scaled(factor), unit=asked)


# --- noise ---------------------------------------------------------------------------------------
@kind("noise")
def _(rng: Rng) -> Specimen:
    mesh = (sound.scan, sound.cast, sound.heap)[int(rng.integers(3))](rng)
    return saved(rng, shaken(rng, mesh, float(rng.uniform(0.0, 0.050))))


@kind("noise on a fine scan")
def _(rng: Rng) -> Specimen:
    mesh = open_arch(along=130, across=40)
    return saved(rng, shaken(rng, mesh, float(rng.uniform(0.0, 0.050))))


@kind("all at once")
def _(rng: Rng) -> Specimen:
    mesh = shaken(rng, sound.sound(rng), float(rng.uniform(0.0, 0.02)))
    faces = mesh.faces.copy()
    some = patch(rng, mesh, 2.0)
    faces[some] = faces[some][:, ::-1]
    mesh = without(Mesh(mesh.vertices, faces), patch(rng, mesh, 1.0))
    mesh = with_faces(mesh, mesh.faces[rng.choice(mesh.triangle_count, size=5)])
    place = mesh.vertices[int(rng.integers(len(mesh.vertices)))]
    return saved(rng, joined([mesh, shifted(ball(0.4, subdivisions=1), place)]))


@kind("random soup over few points")
def _(rng: Rng) -> Specimen:
    """Any faces over any points: every fault of connection at once."""
    points = rng.uniform(-20.0, 20.0, (int(rng.integers(4, 300)), 3))
    if rng.random() < 0.5:
        points = np.round(points / 5.0) * 5.0
    count = int(rng.integers(1, 1500))
    return saved(rng, Mesh(points, rng.integers(0, len(points), (count, 3))))
