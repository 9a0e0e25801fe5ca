"""Paper that does not lie flat: its height above a plane as a low-order polynomial on each sheet.

A sheet's height is a sum of products of Legendre polynomials in u and v, which run from -1 to 1 across the sheet.
Its first sheet has no constant and no linear term, since those are the camera's pose. So z = 0 of the mat frame is the
plane that fits the first sheet best over its whole area; that plane cuts an arched sheet, and the table lies somewhat
below it. Contacts hardly depend on this choice: they are sought at a height above the paper, not above the plane. The
plane and the table differ by up to a degree, which changes distances by 0.02 % and moves the foot of a point 7 mm above
the paper by 0.1 mm. Later sheets have a constant and linear terms, since they lie on the same table in their own way.

Paper bends and does not stretch. Where it slopes, its plan is shorter: by 0.10 mm over an A3 sheet that arches by
4 mm, by 0.4 mm for 8 mm (8/3 rise² / length). This is allowed for, exactly to that order for an arch in any direction.

A polynomial of this order is no crease and no wave: what it leaves unexplained is for others to find and refuse. Seen
squarely, a bowl moves marks as the lens's k1 does, so that the two are known together and hardly apart: the rise is
then unsure by a millimetre or two, while at the paper the two cancel.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
from numpy.polynomial import legendre
from numpy.typing import NDArray

from handcapture.camera import Camera, at_height_covariance, at_height_derivatives
from handcapture.mat.geometry import Sheet
from handcapture.mat.print_scale import PrintScale, place

FloatArray = NDArray[np.float64]

_DEGREE_SDS_MM: Final = (3.0, 3.0, 3.0, 3.0, 1.0, 0.3)
"""What a coefficient of each degree from 0 is before marks are looked at. Paper out of a printer or off a roll arches
by some millimetres; the higher the degree, the less. Degrees 4 and 5 are there to keep the covariance honest: without
them, arches drawn at random put the camera 1.9 of its stated deviations off (rms), with them 1.1."""
_DEGREE: Final = len(_DEGREE_SDS_MM) - 1
TERMS: Final = tuple((n - j, j) for n in range(_DEGREE + 1) for j in range(n + 1))
"""Degrees in u and in v of each sheet's terms."""
TERM_SDS_MM: Final = np.array([_DEGREE_SDS_MM[i + j] for i, j in TERMS])
_PLANE_TERMS: Final = 3
SHAPE_SD_SHARE: Final = 0.03
"""What the terms cannot follow, as a share of the rise: 0.1 % rms of it for arches, 1 % for a flat sheet with a curled
edge, 3 to 6 % for a roof with a sharp ridge."""
_NODES, _NODE_WEIGHTS = legendre.leggauss(_DEGREE)
"""Exact for products of slopes along a line, polynomials of degree 2 (_DEGREE - 1)."""
_SLOPES: Final = np.array([np.pad(legendre.legder(row), (0, 1)) for row in np.eye(_DEGREE + 1)]).T
_RAY_STEPS: Final = 12


def first_terms(number: int) -> int:
    """Return how many of TERMS, from the first, a sheet lacks: those that the camera's pose stands for."""
    return _PLANE_TERMS if number == 0 else 0


def coefficient_count(sheets: int) -> int:
    """Return the number of unknown coefficients of so many sheets."""
    return sum(len(TERMS) - first_terms(k) for k in range(sheets))


@dataclass(frozen=True, eq=False)
class Basis:
    """The terms at points of one sheet.

    `heights` (N, terms); `slopes` (2, N, nodes, terms), mm per mm along x and y, at nodes on the line from the sheet's
    middle to each point; `from_middle_mm` (N, 2) is that line.
    """

    heights: FloatArray
    slopes: FloatArray
    from_middle_mm: FloatArray

    @classmethod
    def of(cls, sheet: Sheet, points_mm: FloatArray) -> Basis:
        """Return the terms at nominal points (N, 2) of a sheet."""
        half = np.array([sheet.width_mm, sheet.height_mm]) / 2
        u, v = (points_mm / half - 1).T
        share = (_NODES + 1) / 2
        along = (u[:, None] * share, v[:, None] * share)
        slopes = [_terms(*along, which) / h for which, h in zip(((True, False), (False, True)), half, strict=True)]
        return cls(_terms(u, v), np.array(slopes), points_mm - half)

    def height_mm(self, coefficients: FloatArray) -> FloatArray:
        """Return the heights (N,)."""
        return np.asarray(self.heights @ coefficients, dtype=np.float64)

    def shift_mm(self, coefficients: FloatArray) -> FloatArray:
        """Return how bending moves the points (N, 2), seen from above, the sheet's middle staying in place.

        It is minus half the integral of slope times (slope · line) along the line from the middle. For
        z = g(d · p), d a unit vector, that is -d/2 ∫ g'² : the arc's excess over its chord, to second order.
        """
        slopes = self.slopes @ coefficients
        return np.asarray(np.einsum("q,inq,jnq,nj->ni", -_NODE_WEIGHTS / 4, slopes, slopes, self.from_middle_mm))

    def shift_derivatives(self, coefficients: FloatArray) -> FloatArray:
        """Return the derivatives (N, 2, terms) of `shift_mm` by the coefficients."""
        slopes = self.slopes @ coefficients * (-_NODE_WEIGHTS / 4)
        along, by_along = (np.einsum("jnq...,nj->nq...", x, self.from_middle_mm) for x in (slopes, self.slopes))
        derivatives = np.einsum("inqk,nq->nik", self.slopes, along) + np.einsum("inq,nqk->nik", slopes, by_along)
        return np.asarray(derivatives, dtype=np.float64)


def _terms(u: FloatArray, v: FloatArray, slope: tuple[bool, bool] = (False, False)) -> FloatArray:
    """Return the terms (..., terms) at u and v, or their derivative by one of these."""
    of_u, of_v = (
        legendre.legvander(x, _DEGREE) @ (_SLOPES if d else np.eye(_DEGREE + 1))
        for x, d in zip((u, v), slope, strict=True)
    )
    return np.stack([of_u[..., i] * of_v[..., j] for i, j in TERMS], axis=-1)


@dataclass(frozen=True, eq=False)
class PaperSurface:
    """The heights of a mat's sheets above z = 0 of the mat frame, and how sure they are.

    `coefficients` (sheets, terms) in mm; `poses` (sheets, 3) and `scale` place the sheets. `covariance` (C, C) is that
    of the coefficients that were sought, sheet by sheet; `camera_covariance` (10, C) that between the camera's
    PARAMETERS and them.
    """

    sheets: tuple[Sheet, ...]
    poses: FloatArray
    scale: PrintScale
    coefficients: FloatArray
    covariance: FloatArray
    camera_covariance: FloatArray

    def height_mm(self, points_mm: FloatArray) -> FloatArray:
        """Return the paper's height (N,) above the plane z = 0 at points (N, 2) of the mat frame.

        Beyond a sheet's edge the edge's height holds.
        """
        number, u, v = self._on_sheet(points_mm)
        return np.asarray((_terms(u, v) * self.coefficients[number]).sum(axis=1), dtype=np.float64)

    def height_sd_mm(self, points_mm: FloatArray) -> FloatArray:
        """Return the standard deviation (N,) of `height_mm`: noise of the marks, priors and SHAPE_SD_SHARE.

        Much of it is shared with the lens and cancels at the paper: use `above_paper_covariance` for points on it.
        """
        by_coefficients = self.coefficient_derivatives(points_mm)
        variance = np.einsum("nc,cd,nd->n", by_coefficients, self.covariance, by_coefficients)
        return np.asarray(np.sqrt(variance + self.shape_sd_mm**2), dtype=np.float64)

    @property
    def shape_sd_mm(self) -> float:
        """Standard deviation of the height that the terms leave unexplained, taken as independent between fingers."""
        return SHAPE_SD_SHARE * self.rise_mm

    def slopes(self, points_mm: FloatArray) -> FloatArray:
        """Return the gradient (N, 2) of `height_mm`, mm per mm, in the mat frame."""
        number, u, v = self._on_sheet(points_mm)
        sizes = np.array([[s.width_mm * self.scale.x, s.height_mm * self.scale.y] for s in self.sheets])[number]
        along = [(_terms(u, v, d) * self.coefficients[number]).sum(axis=1) for d in ((True, False), (False, True))]
        local = np.stack(along, axis=1) * 2 / sizes
        cos, sin = np.cos(self.poses[number, 2]), np.sin(self.poses[number, 2])
        return np.stack([cos * local[:, 0] - sin * local[:, 1], sin * local[:, 0] + cos * local[:, 1]], axis=1)

    def coefficient_derivatives(self, points_mm: FloatArray) -> FloatArray:
        """Return the derivatives (N, C) of `height_mm` by the coefficients that were sought."""
        number, u, v = self._on_sheet(points_mm)
        terms = _terms(u, v)
        return np.concatenate(
            [terms[:, first_terms(k) :] * (number == k)[:, None] for k in range(len(self.sheets))], axis=1
        )

    def place(self, number: int, points_mm: FloatArray) -> FloatArray:
        """Return where nominal points (N, 2) of a sheet lie in the mat frame, (N, 3)."""
        basis = Basis.of(self.sheets[number], points_mm)
        coefficients = self.coefficients[number]
        plan = place(points_mm + basis.shift_mm(coefficients), self.poses[number], self.scale)
        return np.column_stack([plan, basis.height_mm(coefficients)])

    @cached_property
    def rise_mm(self) -> float:
        """Greatest height of the paper above the table, on which the whole mat is taken to rest as if it were stiff.

        A stiff body rests on the plane below it that lets its middle lie lowest; if several do, the least rise counts.
        """
        from scipy.optimize import linprog

        share = np.stack(np.meshgrid(np.linspace(0, 1, 21), np.linspace(0, 1, 21)), axis=-1).reshape(-1, 2)
        placed = [self.place(k, share * [s.width_mm, s.height_mm]) for k, s in enumerate(self.sheets)]
        points = np.concatenate(placed)
        from_middle = (points[:, :2] - points[:, :2].mean(axis=0)) / 100
        # Unknowns: the plane's height in the middle and its slopes, the rise.
        plane = np.column_stack([np.ones(len(points)), from_middle])
        bounds = np.block([[plane, np.zeros((len(points), 1))], [-plane, -np.ones((len(points), 1))]])
        heights = np.concatenate([points[:, 2], -points[:, 2]])
        found = linprog([-1.0, 0.0, 0.0, 0.1], bounds, heights, bounds=[(None, None)] * 4)
        return float(np.asarray(found.x)[3])

    @property
    def rise_sd_mm(self) -> float:
        """Standard deviation of the height at the corners of the sheets, where it is least sure."""
        corners = np.array([(x, y) for x in (0.0, 1.0) for y in (0.0, 1.0)])
        places = [
            self.place(k, corners * [sheet.width_mm, sheet.height_mm])[:, :2] for k, sheet in enumerate(self.sheets)
        ]
        return float(self.height_sd_mm(np.concatenate(places)).max())

    def _on_sheet(self, points_mm: FloatArray) -> tuple[NDArray[np.intp], FloatArray, FloatArray]:
        """Return the nearest sheet of each point (N,), and u and v (N,) on it, not beyond its edges."""
        points = np.asarray(points_mm, dtype=np.float64)
        local = []
        for sheet, (x, y, turn) in zip(self.sheets, self.poses, strict=True):
            cos, sin = np.cos(turn), np.sin(turn)
            on_sheet = (points - [x, y]) @ np.array([[cos, -sin], [sin, cos]]) / [self.scale.x, self.scale.y]
            local.append(2 * on_sheet / [sheet.width_mm, sheet.height_mm] - 1)
        number = np.abs(local).max(axis=2).argmin(axis=0)
        u, v = np.clip(np.array(local)[number, np.arange(len(points))], -1, 1).T
        return number, u, v


def above_paper(
    camera: Camera, surface: PaperSurface | None, points_px: FloatArray, height_mm: float | FloatArray
) -> FloatArray:
    """Pixels (N, 2) to the mat points (N, 2) where their rays pass `height_mm` (scalar or (N,)) above the paper.

    The height counts straight up; without a surface the paper is the plane z = 0. PhotoError for a pixel at or above
    the horizon.
    """
    points = camera.at_height(points_px, height_mm)
    if surface is None:
        return points
    for _ in range(_RAY_STEPS):  # each step shrinks the error by slope times the ray's lean, below a tenth or so
        before, points = points, camera.at_height(points_px, height_mm + surface.height_mm(points))
        if np.abs(points - before).max(initial=0.0) < 1e-9:
            break
    return points


def above_paper_covariance(
    camera: Camera,
    camera_covariance: FloatArray,
    surface: PaperSurface | None,
    points_px: FloatArray,
    height_mm: float | FloatArray,
) -> FloatArray:
    """Return the covariance (N, 2, 2), mm², of `above_paper` from camera and surface together, to first order.

    `camera_covariance` (10, 10) is in the order of PARAMETERS.
    """
    if surface is None:
        return at_height_covariance(camera, camera_covariance, points_px, height_mm)
    points = above_paper(camera, surface, points_px, height_mm)
    by_camera, _, by_height = at_height_derivatives(camera, points_px, height_mm + surface.height_mm(points))
    # p = at_height(camera, h + s(p, c)): (1 - by_height · slope) dp = by_camera · dcamera + by_height · ds/dc · dc
    by_coefficients = by_height[:, :, None] * surface.coefficient_derivatives(points)[:, None, :]
    feedback = np.eye(2) - by_height[:, :, None] * surface.slopes(points)[:, None, :]
    by_all = np.linalg.solve(feedback, np.concatenate([by_camera, by_coefficients, by_height[:, :, None]], axis=2))
    known, count = surface.camera_covariance.shape
    joint = np.zeros((known + count + 1, known + count + 1))
    joint[:known, :known] = camera_covariance
    joint[:known, known:-1] = surface.camera_covariance
    joint[known:-1, :known] = surface.camera_covariance.T
    joint[known:-1, known:-1] = surface.covariance
    joint[-1, -1] = surface.shape_sd_mm**2
    return np.asarray(by_all @ joint @ by_all.transpose(0, 2, 1), dtype=np.float64)


class MarkBases:
    """The terms at marks (N,) of several sheets, for a solver: every coefficient that is sought is one column."""

    def __init__(self, sheets: Sequence[Sheet], number: NDArray[np.intp], points_mm: FloatArray) -> None:
        """Prepare marks on sheets `number` (N,) at nominal points (N, 2)."""
        self.sheets = tuple(sheets)
        self._points = points_mm
        self._mine = [number == k for k in range(len(sheets))]
        self._bases = [Basis.of(s, points_mm[mine]) for s, mine in zip(sheets, self._mine, strict=True)]
        ends = np.cumsum([len(TERMS) - first_terms(k) for k in range(len(sheets))])
        self._columns = [slice(int(end) - len(TERMS) + first_terms(k), int(end)) for k, end in enumerate(ends)]
        self.count = int(ends[-1])
        self.prior_sd_mm = np.concatenate([TERM_SDS_MM[first_terms(k) :] for k in range(len(sheets))])

    def full(self, sought: FloatArray) -> FloatArray:
        """Return the coefficients (sheets, terms) for those that are sought (C,)."""
        full = np.zeros((len(self.sheets), len(TERMS)))
        for k, columns in enumerate(self._columns):
            full[k, first_terms(k) :] = sought[columns]
        return full

    def sought(self, full: FloatArray) -> FloatArray:
        """Return those of the coefficients (sheets, terms) that are sought, (C,)."""
        return np.concatenate([row[first_terms(k) :] for k, row in enumerate(full)])

    def shape(self, sought: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the marks' nominal places, drawn in by the bending, (N, 2), and their heights (N,)."""
        points, heights = self._points.copy(), np.empty(len(self._points))
        for mine, basis, coefficients in zip(self._mine, self._bases, self.full(sought), strict=True):
            points[mine] += basis.shift_mm(coefficients)
            heights[mine] = basis.height_mm(coefficients)
        return points, heights

    def derivatives(self, sought: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the derivatives of `shape` by the coefficients that are sought: (N, 2, C) and (N, C)."""
        by_shift = np.zeros((len(self._points), 2, self.count))
        by_height = np.zeros((len(self._points), self.count))
        bases = zip(self._mine, self._bases, self._columns, self.full(sought), strict=True)
        for k, (mine, basis, columns, coefficients) in enumerate(bases):
            by_shift[mine, :, columns] = basis.shift_derivatives(coefficients)[:, :, first_terms(k) :]
            by_height[mine, columns] = basis.heights[:, first_terms(k) :]
        return by_shift, by_height
