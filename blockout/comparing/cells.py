"""A grid of small cubes upright along the path, and what is measured in them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.ndimage import binary_dilation, distance_transform_edt, generate_binary_structure

from blockout.comparing.columns import Crossings, crossings
from blockout.kernel.solids import Solid
from blockout.mesh import Bools, Floats, Ints, Mesh

_LINES_A_SIDE: Final = 3
_CHUNK: Final = 20_000
_NEIGHBOURS: Final = generate_binary_structure(3, 3)
_CORNERS: Final = np.array([[x, y, z] for z in (0, 1) for y in (0, 1) for x in (0, 1)], dtype=float)
_FACES: Final = np.array(
    [
        [0, 2, 1], [1, 2, 3], [4, 5, 6], [5, 7, 6], [0, 1, 4], [1, 5, 4],
        [2, 6, 3], [3, 6, 7], [0, 4, 2], [2, 4, 6], [1, 3, 5], [3, 7, 5],
    ]
)  # fmt: skip


@dataclass(frozen=True, eq=False)
class Grid:
    """Cubes of ``size_mm`` in coordinates whose z runs along the path.

    Parameters
    ----------
    turn : (3, 3) float
        File coordinates to upright ones.
    corner_mm : (3,) float
        Lowest corner, upright.
    size_mm : float
    shape : (nx, ny, nz)
    """

    turn: Floats
    corner_mm: Floats
    size_mm: float
    shape: tuple[int, int, int]

    @classmethod
    def around(cls, turn: Floats, points_mm: Floats, *, size_mm: float, spare: int) -> Grid:
        """The grid that holds all points (k, 3) of file coordinates and ``spare`` cells more."""
        upright = points_mm @ turn.T
        low, high = upright.min(axis=0), upright.max(axis=0)
        counts = np.ceil((high - low) / size_mm).astype(int) + 2 * spare + 1
        return cls(
            turn, low - spare * size_mm, size_mm, (int(counts[0]), int(counts[1]), int(counts[2]))
        )

    def cell_of(self, points_mm: Floats) -> tuple[Ints, Bools]:
        """(k, 3) cell of each point of file coordinates, and whether it lies in the grid."""
        cell = np.floor((points_mm @ self.turn.T - self.corner_mm) / self.size_mm).astype(np.int64)
        inside = np.asarray(((cell >= 0) & (cell < np.array(self.shape))).all(axis=1))
        return np.clip(cell, 0, np.array(self.shape) - 1), inside

    def marked(self, points_mm: Floats) -> Bools:
        """Cells that hold at least one of the points."""
        marks = np.zeros(self.shape, dtype=bool)
        cell, inside = self.cell_of(points_mm)
        marks[tuple(cell[inside].T)] = True
        return marks

    def values_at(self, field: np.ndarray, points_mm: Floats) -> np.ndarray:
        """(k,) the field's value in each point's cell."""
        cell, _ = self.cell_of(points_mm)
        found: np.ndarray = field[tuple(cell.T)]
        return found

    def middles_mm(self, cells: Ints) -> Floats:
        """(k, 3) middle of each cell (k, 3), file coordinates."""
        middle: Floats = (self.corner_mm + (cells + 0.5) * self.size_mm) @ self.turn
        return middle

    @property
    def levels_mm(self) -> Floats:
        """(nz + 1,) heights of the planes between layers of cells."""
        heights: Floats = self.corner_mm[2] + self.size_mm * np.arange(self.shape[2] + 1)
        return heights

    def lines_through(self, zone: Bools) -> Lines:
        """Upright lines, nine in each column of cells that the zone has a part in."""
        column = np.argwhere(zone.any(axis=2))
        n = _LINES_A_SIDE
        i, j = np.divmod(np.arange(n * n), n)
        shift = (np.stack([i, j], axis=1) + 0.5) / n
        # off the regular grid, so that no wall of a regular mesh is met all along
        stir = np.modf(np.arange(len(column) * n * n)[:, None] * [0.7548776662, 0.5698402910])[0]
        places = (column[:, None] + shift).reshape(-1, 2) + (stir - 0.5) * 0.9 / n
        return Lines(
            places_mm=self.corner_mm[:2] + places * self.size_mm,
            column=np.repeat(column, n * n, axis=0),
            area_mm2=(self.size_mm / n) ** 2,
        )

    def solid_of(self, cells: Ints) -> Solid:
        """The cells (k, 3) as one solid, file coordinates."""
        ordered = cells[np.lexsort((cells[:, 2], cells[:, 1], cells[:, 0]))]
        step = np.diff(ordered, axis=0)
        begins = np.r_[True, (step[:, 0] != 0) | (step[:, 1] != 0) | (step[:, 2] != 1)]
        first = ordered[begins]
        last = ordered[np.r_[np.flatnonzero(begins)[1:] - 1, len(ordered) - 1]]
        bodies = []
        for odd_x in (0, 1):
            for odd_y in (0, 1):
                # runs of one class do not touch, so that they are one body
                mine = (first[:, 0] % 2 == odd_x) & (first[:, 1] % 2 == odd_y)
                if mine.any():
                    bodies.append(Solid.from_mesh(self._boxes(first[mine], last[mine] + 1)))
        return Solid.union(bodies)

    def _boxes(self, low: Ints, high: Ints) -> Mesh:
        corners = np.where(_CORNERS[None] > 0.0, high[:, None], low[:, None]).reshape(-1, 3)
        faces = (_FACES[None] + 8 * np.arange(len(low))[:, None, None]).reshape(-1, 3)
        return Mesh((self.corner_mm + corners * self.size_mm) @ self.turn, faces)


@dataclass(frozen=True, eq=False)
class Lines:
    """Upright lines: where, in which column of cells, and the area each stands for."""

    places_mm: Floats
    column: Ints
    area_mm2: float

    def of_columns(self, columns: Bools) -> Lines:
        """Those in the columns of cells (nx, ny) that are chosen."""
        mine = columns[tuple(self.column.T)]
        return Lines(self.places_mm[mine], self.column[mine], self.area_mm2)

    def lowest_mm(self, grid: Grid, zone: Bools) -> Floats:
        """(k,) height of the lowest plane of the zone on each line."""
        first = zone.argmax(axis=2)[tuple(self.column.T)]
        lowest: Floats = grid.levels_mm[first]
        return lowest

    def meet(self, grid: Grid, mesh: Mesh) -> Crossings:
        """Where they meet a mesh of file coordinates."""
        upright = mesh.reshaped(mesh.vertices @ grid.turn.T)
        return crossings(upright, self.places_mm, lowest_mm=float(grid.corner_mm[2]) - 1e-6)

    def filled_mm3(self, grid: Grid, met: Crossings, count: Bools) -> Floats:
        """Volume of material in each cell, from the lines where ``count`` (k,) holds; those of one
        column stand for those that do not count. Zero in columns without a line that counts.
        """
        filled = np.zeros(grid.shape)
        weight = np.zeros(grid.shape[:2])
        np.add.at(weight, tuple(self.column[count].T), 1.0)
        flat = filled.reshape(-1, grid.shape[2])
        row = self.column[:, 0] * grid.shape[1] + self.column[:, 1]
        chosen = np.flatnonzero(count)
        for begin in range(0, len(chosen), _CHUNK):
            some = chosen[begin : begin + _CHUNK]
            above = met.above_mm(grid.levels_mm, some)
            np.add.at(flat, row[some], above[:, :-1] - above[:, 1:])
        all_lines = _LINES_A_SIDE**2
        share = np.where(weight > 0.0, all_lines / np.maximum(weight, 1.0), 0.0)
        filled *= share[..., None] * self.area_mm2
        return filled


def grown(marks: Bools, cells: int) -> Bools:
    """The marked cells and all within some cells of them, corners included."""
    if cells <= 0:
        return marks
    wider: Bools = binary_dilation(marks, structure=_NEIGHBOURS, iterations=cells)
    return wider


def nearest_labels(labels: Ints, *, within: float) -> Ints:
    """Each cell's label, or that of the nearest labelled cell; -1 beyond ``within`` cells. Cells
    without a label hold -1.
    """
    bare = labels < 0
    if bare.all():
        return labels
    apart, place = distance_transform_edt(bare, return_indices=True)
    spread: Ints = np.where(apart <= within, labels[tuple(place)], -1)
    return spread
