"""How rough a scan is: the standard deviation of its noise, normal to the surface.

Around a vertex the surface is a quadric to third order, so what is left of the vertex after a
least-squares quadric through its two rings of neighbours is noise. For independent noise of
standard deviation s that residual has standard deviation ``s * sqrt(1 - h)``, with h the vertex's
own leverage in the fit; dividing it out leaves s, whatever the mesh. The median of the absolute
values, over the vertices that bend least, keeps creases and spikes out. Own derivation from
textbook least squares.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from scipy.sparse import coo_matrix, csr_matrix

from blockout.mesh import Bools, Floats, Ints, Mesh

_SAMPLE: Final = 20_000
"""Vertices looked at: the median is then good to about 1 %."""
_FEWEST: Final = 30
"""With fewer usable vertices than this nothing is said of the noise."""
_RING_LEAST: Final = 8
"""Points in a fit of six unknowns: at least two more than needed."""
_SPREAD_LEAST: Final = 1e-4
"""Smallest eigenvalue of a fit, coordinates scaled to the ring: less is a row of points."""
_LEVERAGE_MOST: Final = 0.9
"""A vertex that holds the fit by itself says nothing of its own noise."""
_FLAT_MM: Final = 1e-5
"""A residual below this is a face made flat by a program, rounded to single precision."""
_FLAT_SHARE: Final = 0.9
"""Beyond this share of flat vertices the whole mesh is taken as made, not scanned."""
_CALM_SHARE: Final = 0.5
"""The half of the vertices that bend least is used; bending and residual are independent."""
_MAD_TO_DEVIATION: Final = 1.482602218505602
"""Median absolute value of a normal variable to its standard deviation."""


def estimate_noise_mm(mesh: Mesh, *, scanned: Bools | None = None) -> float:
    """Standard deviation of a scan's noise normal to the surface, mm.

    The noise is taken as independent from vertex to vertex; noise that a scanner has already
    smoothed over neighbours reads lower. Detail finer than about two edge lengths reads as noise.

    Parameters
    ----------
    mesh : Mesh
        Open or closed, vertices shared between faces.
    scanned : (m,) bool, optional
        Faces that were scanned; the others are left out. Faces made exactly flat are left out
        in any case.

    Returns
    -------
    float
        0.0 where fewer than 30 vertices have neighbours enough to tell.

    Examples
    --------
    A flat sheet of points 0.2 mm apart, each moved up or down by 10 um at random:

    >>> import numpy as np
    >>> i, j = np.meshgrid(np.arange(60), np.arange(60), indexing="ij")
    >>> height_mm = np.random.default_rng(0).normal(0.0, 0.010, i.size)
    >>> corner = (60 * i + j)[:-1, :-1].ravel()
    >>> faces = np.concatenate([
    ...     np.stack([corner, corner + 60, corner + 61], axis=1),
    ...     np.stack([corner, corner + 61, corner + 1], axis=1),
    ... ])
    >>> sheet = Mesh(np.stack([0.2 * i.ravel(), 0.2 * j.ravel(), height_mm], axis=1), faces)
    >>> round(estimate_noise_mm(sheet), 3)
    0.01
    """
    if scanned is not None:
        mesh = mesh.part(scanned)
    if not mesh.triangle_count:
        return 0.0
    neighbours = _neighbours(mesh)
    inside = np.flatnonzero(np.diff(neighbours.indptr) >= 3)
    if len(inside) > _SAMPLE:
        inside = inside[np.linspace(0, len(inside) - 1, _SAMPLE).astype(np.int64)]
    residual_mm, bend_mm = _quadric_residuals(mesh, neighbours, inside)
    if len(residual_mm) < _FEWEST:
        return 0.0
    made_flat = residual_mm < _FLAT_MM
    if not made_flat.mean() > _FLAT_SHARE:
        residual_mm, bend_mm = residual_mm[~made_flat], bend_mm[~made_flat]
    calm = bend_mm <= np.quantile(bend_mm, _CALM_SHARE)
    return float(_MAD_TO_DEVIATION * np.median(residual_mm[calm]))


def _neighbours(mesh: Mesh) -> csr_matrix:
    """(n, n) ones where two vertices share an edge."""
    start, end = mesh.halfedges.T
    here, there = np.concatenate([start, end]), np.concatenate([end, start])
    size = len(mesh.vertices)
    links = coo_matrix((np.ones(len(here), dtype=np.int8), (here, there)), shape=(size, size))
    graph = csr_matrix(links)
    graph.data[:] = 1
    return graph


def _quadric_residuals(mesh: Mesh, neighbours: csr_matrix, chosen: Ints) -> tuple[Floats, Floats]:
    """How far each chosen vertex lies off the quadric through its two rings, its gain divided
    out, and how far that quadric bends over the ring; both (k,) mm, unusable vertices left out.
    """
    near = neighbours[chosen]
    rings = csr_matrix(near @ neighbours + near)
    count = np.diff(rings.indptr)
    row = np.repeat(np.arange(len(chosen)), count)
    offset = mesh.vertices[rings.indices] - mesh.vertices[chosen[row]]

    normal = mesh.vertex_normals[chosen]
    # any two directions square to the normal do: the fit is the same turned about it
    axis = np.eye(3)[np.argmin(np.abs(normal), axis=1)]
    right = np.cross(axis, normal)
    length = np.linalg.norm(right, axis=1, keepdims=True)
    right /= np.where(length > 0.0, length, 1.0)
    ahead = np.cross(normal, right)

    u = np.einsum("ij,ij->i", offset, right[row])
    v = np.einsum("ij,ij->i", offset, ahead[row])
    height = np.einsum("ij,ij->i", offset, normal[row])
    radius = np.sqrt(np.bincount(row, u * u + v * v, minlength=len(chosen)) / np.maximum(count, 1))
    scale = np.where(radius > 0.0, radius, 1.0)
    u, v = u / scale[row], v / scale[row]

    # the root of two makes the last three turn as one: the fit is the same in any two directions
    terms = np.stack([np.ones_like(u), u, v, u * u, np.sqrt(2.0) * u * v, v * v])
    moments = np.empty((len(chosen), 6, 6))
    right_side = np.empty((len(chosen), 6))
    for i in range(6):
        right_side[:, i] = np.bincount(row, terms[i] * height, minlength=len(chosen))
        for j in range(i, 6):
            total = np.bincount(row, terms[i] * terms[j], minlength=len(chosen))
            moments[:, i, j] = moments[:, j, i] = total

    usable = (count >= _RING_LEAST) & (length[:, 0] > 0.0) & (radius > 0.0)
    usable[usable] = np.linalg.eigvalsh(moments[usable])[:, 0] > _SPREAD_LEAST * count[usable]
    inverse = np.linalg.inv(moments[usable])
    leverage = inverse[:, 0, 0]
    fit = np.einsum("kij,kj->ki", inverse, right_side[usable])
    steady = leverage < _LEVERAGE_MOST
    fit, leverage = fit[steady], leverage[steady]
    residual_mm = np.abs(fit[:, 0]) / np.sqrt(1.0 - leverage)
    bend_mm: Floats = np.linalg.norm(fit[:, 3:], axis=1)
    return residual_mm, bend_mm
