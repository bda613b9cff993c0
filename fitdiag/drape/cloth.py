"""Cloth: its material constants, and the forces in a sheet of it. SI units: m, kg, s, N.

A membrane of linear triangles, stiff along warp and weft, soft in shear and softer in compression (a weave buckles at a scale
below the mesh), with a bending energy that is quadratic in the positions. Sources: St. Venant-Kirchhoff
membrane as in Volino, Magnenat-Thalmann and Faure 2009 (ACM Trans. Graphics 28(4)); bending of Bergou et al. 2006 (Symposium
on Geometry Processing); the constants of each kind of cloth are in the rule folder.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix, csr_matrix

from fitdiag.drape.mesh import Index, Mesh

Array = NDArray[np.float64]

GRAVITY = 9.81  # m/s²
POISSON = 0.1  # Poisson's ratio: low in plain weaves; from memory
PUSHED = 0.25  # stiffness in compression as a share of that in tension; as in the shared table's laboratory
# of bending stiffness beside seams and darts, where there are two layers: 2 times if they slide, 8 if they do not
SEAM_BENDS = 4.0


@dataclass(frozen=True)
class Cloth:
    """A kind of cloth: weight in kg/m²; tensile stiffness along warp (the grain) and weft, and shear, in N/m; bending in N m."""

    name: str = "calico, medium"
    weight: float = 0.165
    along: float = 3500.0
    across: float = 3000.0
    shear: float = 80.0
    bending: float = 3.6e-5
    friction: float = 0.1


@dataclass(frozen=True, eq=False)
class Stress:
    """Per triangle: Green strains and second Piola-Kirchhoff stresses in N/m (across, along, shear), and the moduli used."""

    strain: Array  # (t, 3)
    stress: Array  # (t, 3)
    moduli: Array  # (t, 3): across, along, coupling
    first: Array  # (t, 3) deformed image of the flat x axis: a column of the deformation gradient
    second: Array  # (t, 3) and of the flat y axis

    def tensions(self) -> tuple[Array, Array]:
        """Larger and smaller principal stress, N/m."""
        across, along, shear = self.stress.T
        middle, radius = (across + along) / 2, np.hypot((across - along) / 2, shear)
        return middle + radius, middle - radius


class Sheet:
    """A meshed garment as cloth: masses, forces and their derivatives at positions (n, 3) in m."""

    def __init__(self, mesh: Mesh, cloth: Cloth) -> None:
        self.cloth, self.count = cloth, mesh.count
        self.triangles = mesh.triangles
        flat = mesh.flat[mesh.corners] / 1000.0
        edges = np.stack([flat[:, 1] - flat[:, 0], flat[:, 2] - flat[:, 0]], axis=2)
        inverse = np.linalg.inv(edges)
        # (t, 3, 2) in 1/m
        self.slopes = np.stack([-inverse[:, 0] - inverse[:, 1], inverse[:, 0], inverse[:, 1]], axis=1)
        self.area = 0.5 * np.abs(np.linalg.det(edges))
        self.point_area = np.bincount(self.triangles.ravel(), np.repeat(self.area / 3, 3), self.count)
        self.mass = self.point_area * cloth.weight
        beside = np.asarray((np.bincount(mesh.sewn) > 1)[self.triangles]).any(axis=1)  # seams and darts
        self.bending = _bending(self.triangles, flat, self.area, np.asarray(beside), cloth.bending, self.count)
        self._corner = self.triangles.ravel()

    def stress(self, x: Array) -> Stress:
        """Strains and stresses of the membrane."""
        place, slopes, cloth = x[self.triangles], self.slopes, self.cloth
        a, b = place[:, 1] - place[:, 0], place[:, 2] - place[:, 0]
        first = a * slopes[:, 1, :1] + b * slopes[:, 2, :1]
        second = a * slopes[:, 1, 1:] + b * slopes[:, 2, 1:]
        across, along = 0.5 * ((first**2).sum(1) - 1), 0.5 * ((second**2).sum(1) - 1)
        shear = 0.5 * (first * second).sum(1)
        k_across = np.where(across < 0, PUSHED, 1.0) * cloth.across
        k_along = np.where(along < 0, PUSHED, 1.0) * cloth.along
        couple = np.where((across > 0) & (along > 0), POISSON, 0.0) * np.sqrt(k_across * k_along)
        strain = np.column_stack([across, along, shear])
        stress = np.column_stack(
            [k_across * across + couple * along, k_along * along + couple * across, 2 * cloth.shear * shear]
        )
        return Stress(strain, stress, np.column_stack([k_across, k_along, couple]), first, second)

    def forces(self, x: Array) -> tuple[Array, Array]:
        """Internal forces (n, 3) in N, and per triangle the stiffness -d force / d position (t, 9, 9).

        It is kept positive semidefinite by leaving compression out of the geometric stiffness.
        """
        held, slopes, area = self.stress(x), self.slopes, self.area
        bend = np.empty((len(area), 3, 9))  # d strain / d position
        bend[:, 0] = (slopes[:, :, 0, None] * held.first[:, None, :]).reshape(-1, 9)
        bend[:, 1] = (slopes[:, :, 1, None] * held.second[:, None, :]).reshape(-1, 9)
        mixed = slopes[:, :, 1, None] * held.first[:, None, :] + slopes[:, :, 0, None] * held.second[:, None, :]
        bend[:, 2] = mixed.reshape(-1, 9)
        pull = -area[:, None] * (bend * held.stress[:, :, None]).sum(1)
        k_across, k_along, couple = (area * held.moduli[:, k] for k in range(3))
        stiff = np.empty_like(bend)
        stiff[:, 0] = k_across[:, None] * bend[:, 0] + couple[:, None] * bend[:, 1]
        stiff[:, 1] = k_along[:, None] * bend[:, 1] + couple[:, None] * bend[:, 0]
        stiff[:, 2] = (area * self.cloth.shear)[:, None] * bend[:, 2]
        matrix = np.matmul(bend.transpose(0, 2, 1), stiff)
        blocks = matrix.reshape(-1, 3, 3, 3, 3)
        along_slopes = area[:, None, None] * np.matmul(
            np.matmul(slopes, _tension_only(held.stress)), slopes.transpose(0, 2, 1)
        )
        for axis in range(3):
            blocks[:, :, axis, :, axis] += along_slopes
        total = np.column_stack([np.bincount(self._corner, pull.reshape(-1, 3)[:, k], self.count) for k in range(3)])
        return total - self.bending @ x, matrix


def _tension_only(stress: Array) -> Array:
    """The tensile part of the stress, (t, 2, 2), so that the geometric stiffness stays positive semidefinite."""
    across, along, shear = stress.T
    middle, half = (across + along) / 2, (across - along) / 2
    radius = np.hypot(half, shear) + 1e-12
    large, small = np.maximum(middle + radius, 0), np.maximum(middle - radius, 0)
    turn, mean = 0.5 * (large - small) / radius, 0.5 * (large + small)
    rows = [mean + turn * half, turn * shear, turn * shear, mean - turn * half]
    return np.stack(rows, 1).reshape(-1, 2, 2)


def _bending(
    triangles: Index, flat: Array, area: Array, beside: NDArray[np.bool_], stiffness: float, count: int
) -> csr_matrix:
    """The constant matrix K of the bending energy x K x / 2, with a hinge at every interior edge.

    `beside`: triangles beside a seam, where the seam allowance lies under the cloth. Scaled so that a sheet bent to a cylinder
    stores stiffness * curvature² / 2 per area (tested).
    """
    corner = np.arange(3)
    start, end = triangles[:, corner], triangles[:, (corner + 1) % 3]
    key = (np.minimum(start, end) * count + np.maximum(start, end)).ravel()
    order = np.argsort(key, kind="stable")
    same = np.nonzero(key[order][1:] == key[order][:-1])[0]
    one, other = order[same], order[same + 1]  # half-edges of the hinges: triangle = // 3, corner = % 3
    cotangents = [_cotangents(flat[half // 3], half % 3) for half in (one, other)]
    i, j = triangles[one // 3, one % 3], triangles[one // 3, (one % 3 + 1) % 3]
    opposite = [triangles[half // 3, (half % 3 + 2) % 3] for half in (one, other)]
    turned = triangles[other // 3, other % 3] == i  # the neighbour usually has the edge reversed
    far_i = np.where(turned, cotangents[1][0], cotangents[1][1])
    far_j = np.where(turned, cotangents[1][1], cotangents[1][0])
    near_i, near_j = cotangents[0]
    weights = np.stack([near_j + far_j, near_i + far_i, -near_i - near_j, -far_i - far_j], 1)
    hinge = stiffness / (area[one // 3] + area[other // 3])
    hinge = hinge * np.where(beside[one // 3] & beside[other // 3], SEAM_BENDS, 1.0)
    points = np.stack([i, j, *opposite], 1)
    values = hinge[:, None, None] * weights[:, :, None] * weights[:, None, :]
    rows, columns = np.repeat(points, 4, axis=1), np.tile(points, (1, 4))
    return coo_matrix((values.ravel(), (rows.ravel(), columns.ravel())), shape=(count, count)).tocsr()


def _cotangents(flat: Array, corner: Index) -> tuple[Array, Array]:
    """Cotangents of the angles at both ends of the edge that begins at `corner` of each triangle."""
    row = np.arange(len(flat))
    a, b, c = (flat[row, (corner + k) % 3] for k in range(3))

    def cotangent(u: Array, v: Array) -> Array:
        return np.asarray((u * v).sum(1) / np.abs(u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0]))

    return cotangent(b - a, c - a), cotangent(a - b, c - b)
