"""Explain the marks by one camera and the places of the sheets: robust least squares with priors.

The unknowns are the camera's PARAMETERS, the stretch of the print (x grows by its exponential, y shrinks), and for
each sheet after the first its pose in the plane; the first sheet defines the mat frame. Priors stand in where a photo
cannot tell: seen squarely, a plane leaves focal length and height undecided; the principal point is near the
picture's middle, k1 near zero. Stretch and principal point explain much the same: from a photo taken squarely, a
print that is 0.3 % too wide looks like one seen through a lens that is 3 % off the picture's middle.

Paper that does not lie flat is solved for on demand: the coefficients of its surface are further unknowns.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from handcapture.camera import PARAMETERS, Camera, projection_derivatives
from handcapture.errors import PhotoError
from handcapture.mat.geometry import Sheet
from handcapture.mat.markers import SheetMarkers
from handcapture.mat.print_scale import PrintScale, place
from handcapture.mat.saddles import Observed
from handcapture.mat.surface import (
    MarkBases,
    PaperSurface,
    above_paper,
    coefficient_count,
)
from handcapture.photo import FULL_FRAME_DIAGONAL_MM

FloatArray = NDArray[np.float64]

FOCAL_35MM_WITHOUT_EXIF: Final = 27.0
"""Main cameras of phones: 24 to 30 mm equivalent (common practice, no source); used with 15 % deviation."""
FOCAL_RELATIVE_SD_WITHOUT_EXIF: Final = 0.15
CENTRE_SD_SHARE: Final = 0.005
"""Standard deviation of the principal point from the picture's middle, as a share of its long side."""
K1_SD: Final = 0.05
_RING_SD_PX, _DOT_SD_PX = 0.15, 0.25
"""What saddles are worth before their residuals tell."""
_LEAST_SD_PX: Final = 0.02
_ROBUST_AT: Final = 2.0
"""Residuals beyond so many standard deviations count linearly, not squared."""
_CAMERA_UNITS: Final = (0.03, 10.0, 10.0, 0.02, 0.01, 0.01, 0.01, 5.0, 5.0, 10.0)
_STRETCH_UNIT: Final = 0.003
_GUESSED_STRETCH_SD: Final = 0.01
_NO_STRETCH_SD: Final = 1e-6
_POSE_UNITS: Final = (1.0, 1.0, 0.01)
"""Steps of similar weight, for the solver's trust region."""
_STRETCH: Final = len(PARAMETERS)
_FIRST_POSE: Final = _STRETCH + 1
_COEFFICIENT_UNIT: Final = 1.0
_PRIORS: Final = (0, 1, 2, 3, _STRETCH)
"""The unknowns that have a prior; those of a surface have one too."""


@dataclass(frozen=True, eq=False)
class Prior:
    """What is known of log focal length, principal point and k1 before the marks are looked at, each (4,)."""

    mean: FloatArray
    sd: FloatArray

    @classmethod
    def of(cls, size_px: tuple[int, int], focal_px: float | None, focal_relative_sd: float) -> Prior:
        """Return the prior for a picture (width, height) whose file states `focal_px`, or nothing."""
        width, height = size_px
        if focal_px is None:
            focal_px = FOCAL_35MM_WITHOUT_EXIF * float(np.hypot(width, height)) / FULL_FRAME_DIAGONAL_MM
            focal_relative_sd = FOCAL_RELATIVE_SD_WITHOUT_EXIF
        centre_sd = CENTRE_SD_SHARE * max(width, height)
        return cls(
            mean=np.array([np.log(focal_px), (width - 1) / 2, (height - 1) / 2, 0.0]),
            sd=np.array([focal_relative_sd, centre_sd, centre_sd, K1_SD]),
        )


@dataclass(frozen=True, eq=False)
class Solution:
    """Camera and sheets, with their covariance.

    `poses` (sheets, 3): x and y mm, turn in radians; the first is zero. `scale` is the print scale that was given,
    stretched. `covariance` (P, P) is in the order of PARAMETERS, stretch, poses after the first, coefficients of the
    surface. `residual_px` (N, 2) and `noise_px` (N,) belong to the marks; `strain` (5,) tells how many standard
    deviations log focal length, principal point, k1 and stretch lie from their priors. `surface` is None where the
    paper was taken to lie flat.
    """

    camera: Camera
    poses: FloatArray
    scale: PrintScale
    covariance: FloatArray
    residual_px: FloatArray
    noise_px: FloatArray
    strain: FloatArray
    surface: PaperSurface | None = None

    @property
    def camera_covariance(self) -> FloatArray:
        """Covariance (10, 10) of the camera, order of PARAMETERS."""
        return self.covariance[: len(PARAMETERS), : len(PARAMETERS)]

    def pose_sd(self, number: int, point_mm: FloatArray) -> FloatArray:
        """Return the standard deviations (3,) of where a point (2,) of a sheet after the first lies, and of its turn.

        Millimetres, millimetres, radians.
        """
        start = _FIRST_POSE + 3 * (number - 1)
        x, y = place(point_mm[None], self.poses[number] * [0.0, 0.0, 1.0], self.scale)[0]
        by_pose = np.array([[1.0, 0.0, -y], [0.0, 1.0, x], [0.0, 0.0, 1.0]])
        spread = by_pose @ self.covariance[start : start + 3, start : start + 3] @ by_pose.T
        return np.asarray(np.sqrt(np.diag(spread)), dtype=np.float64)


def first_guess(sheets: Sequence[SheetMarkers], prior: Prior, scale: PrintScale) -> Solution:
    """Return camera and sheets as the markers' corners have them: good to a pixel or so.

    A pinhole over the first sheet is the start; then lens, stretch and all sheets are fitted, since a bent lens or
    a stretched print moves saddles farther than they are looked for. PhotoError when the markers give no pose.
    """
    focal, centre = float(np.exp(prior.mean[0])), prior.mean[1:3]
    matrix = np.array([[focal, 0, centre[0]], [0, focal, centre[1]], [0, 0, 1.0]])
    first = sheets[0]
    flat = place(first.corners_mm, np.zeros(3), scale)
    ok, vector, translation = cv2.solvePnP(
        np.c_[flat, np.zeros(len(flat))], first.corners_px, matrix, None, flags=cv2.SOLVEPNP_IPPE
    )
    if not ok:
        raise PhotoError(
            "The place of the camera cannot be told from the marks. Take the photo from above the middle of the mat."
        )
    rotation = np.asarray(cv2.Rodrigues(vector)[0], dtype=np.float64)
    camera = Camera(focal, centre, 0.0, rotation, np.asarray(translation, dtype=np.float64).ravel())
    poses = np.zeros((len(sheets), 3))
    for k, sheet in enumerate(sheets[1:], start=1):
        target = camera.at_height(sheet.corners_px, 0.0)
        source = place(sheet.corners_mm, np.zeros(3), scale)
        a, b = source - source.mean(axis=0), target - target.mean(axis=0)
        turn = float(np.arctan2((a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]).sum(), (a * b).sum()))
        middle = place(sheet.corners_mm.mean(axis=0)[None], np.array([0.0, 0.0, turn]), scale)[0]
        poses[k] = [*(target.mean(axis=0) - middle), turn]
    return solve(corners_of(sheets), camera, poses, prior, scale, _GUESSED_STRETCH_SD)


def bent_guess(sheets: Sequence[SheetMarkers], flat: Solution, prior: Prior, scale: PrintScale) -> Solution:
    """Return camera and sheets as the markers' corners have them when the paper may be bent.

    `flat` is where the search starts. Corners, unlike saddles, are read wherever they lie.
    """
    bent = tuple(sheet.sheet for sheet in sheets)
    return solve(corners_of(sheets), flat.camera, flat.poses, prior, scale, 0.0, bent)


def corners_of(sheets: Sequence[SheetMarkers]) -> Observed:
    """Return the corners of the markers, four after four, in the order of the sheets."""
    corners_px = np.concatenate([sheet.corners_px for sheet in sheets])
    return Observed(
        sheet=np.repeat(np.arange(len(sheets)), [len(sheet.corners_px) for sheet in sheets]),
        points_mm=np.concatenate([sheet.corners_mm for sheet in sheets]),
        pixels=corners_px,
        is_dot=np.zeros(len(corners_px), dtype=np.bool_),
    )


def solve(
    observed: Observed,
    camera: Camera,
    poses: FloatArray,
    prior: Prior,
    scale: PrintScale,
    stretch_sd: float = 0.0,
    bent: Sequence[Sheet] = (),
    coefficients: FloatArray | None = None,
) -> Solution:
    """Fit camera and poses (sheets, 3) to the marks, starting from those given.

    The print may be stretched with standard deviation `stretch_sd`. The noise is estimated from the residuals, apart
    for ring and dots, and weights the second round. Where `bent` names the sheets, their surface is sought as well,
    from `coefficients` (sheets, terms) or from flat sheets.
    """
    from scipy.optimize import least_squares

    bases = MarkBases(bent, observed.sheet, observed.points_mm) if bent else None
    count = coefficient_count(len(bent))
    shape = np.zeros(count) if bases is None or coefficients is None else bases.sought(coefficients)
    vector = np.concatenate([camera.parameters(), [0.0], poses[1:].ravel(), shape])
    units = np.array([*_CAMERA_UNITS, _STRETCH_UNIT, *_POSE_UNITS * (len(poses) - 1), *[_COEFFICIENT_UNIT] * count])
    noise = np.where(observed.is_dot, _DOT_SD_PX, _RING_SD_PX)
    problem = _Problem(observed, prior, scale, stretch_sd, noise, len(poses), bases)
    for _ in range(2):
        vector = least_squares(
            problem.residuals,
            vector,
            problem.jacobian,
            x_scale=units,
            loss=problem.loss,  # type: ignore[arg-type]  # the stubs ask for an argument that scipy does not pass
            f_scale=_ROBUST_AT,
            xtol=1e-9,
            max_nfev=60,
        ).x
        miss = problem.miss_px(vector)
        noise = _noise_px(miss, observed.is_dot)
        last, problem = problem, replace(problem, noise_px=noise)
    camera = Camera.from_parameters(vector[: len(PARAMETERS)])
    vector[: len(PARAMETERS)] = camera.parameters()  # covariances refer to the shorter rotation vector
    poses, scale, covariance = last.poses(vector), _stretched(scale, vector), last.covariance(vector)
    surface = None
    if bases is not None:
        shares = covariance[-count:, -count:], covariance[: len(PARAMETERS), -count:]
        surface = PaperSurface(bases.sheets, poses, scale, bases.full(vector[-count:]), *shares)
    first_prior = 2 * len(observed)
    return Solution(
        camera=camera,
        poses=poses,
        scale=scale,
        covariance=covariance,
        residual_px=miss,
        noise_px=noise,
        strain=last.residuals(vector)[first_prior : first_prior + len(_PRIORS)],
        surface=surface,
    )


def solve_again(
    observed: Observed, start: Solution, prior: Prior, scale: PrintScale, stretch_sd: float = 0.0
) -> Solution:
    """Return `solve` from where an earlier solution stands; on bent sheets if that has a surface."""
    if start.surface is None:
        return solve(observed, start.camera, start.poses, prior, scale, stretch_sd)
    bent, coefficients = start.surface.sheets, start.surface.coefficients
    return solve(observed, start.camera, start.poses, prior, scale, stretch_sd, bent, coefficients)


def mark_derivatives(
    observed: Observed, camera: FloatArray, poses: FloatArray, placed: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the derivatives of the marks' pixels by the camera's PARAMETERS (N, 2, 10), by their places (N, 2, 3)
    and by the poses of the sheets after the first (N, 2, 3 · (sheets - 1)).

    `placed` (N, 2), or (N, 3) with heights, is where the marks lie in the mat frame when the sheets lie as `poses`
    (sheets, 3) say.
    """
    if placed.shape[1] == 2:
        placed = np.c_[placed, np.zeros(len(placed))]
    _, by_camera, by_place = projection_derivatives(camera, placed)
    by_poses = np.zeros((len(placed), 2, 3 * (len(poses) - 1)))
    for k in range(1, len(poses)):
        mine, start = observed.sheet == k, 3 * (k - 1)
        x, y = (placed[mine, :2] - poses[k, :2]).T
        by_poses[mine, :, start : start + 2] = by_place[mine, :, :2]
        by_poses[mine, :, start + 2] = np.einsum("nij,jn->ni", by_place[mine, :, :2], np.array([-y, x]))
    return by_camera, by_place, by_poses


def crosscheck_mm(observed: Observed, solution: Solution, prior: Prior) -> float:
    """Solve from every second mark and predict the others: root mean square error in mm on the mat.

    Half of the marks would leave a bent sheet loose: there, each fourth is predicted from the rest, in turn.
    """
    turn = np.arange(len(observed)) % (2 if solution.surface is None else 4)
    squares = []
    for k in (1,) if solution.surface is None else range(4):
        part = solve_again(observed.pick(turn != k), solution, prior, solution.scale)
        rest = observed.pick(turn == k)
        miss = above_paper(part.camera, part.surface, rest.pixels, 0.0) - place_marks(rest, part)[:, :2]
        squares.append((miss**2).sum(axis=1))
    return float(np.sqrt(np.concatenate(squares).mean()))


def place_marks(observed: Observed, solution: Solution) -> FloatArray:
    """Return where a solution has the marks: (N, 3), mat frame."""
    if solution.surface is None:
        return np.column_stack([observed.place(solution.poses, solution.scale), np.zeros(len(observed))])
    return place_on(observed, solution.surface)


def place_on(observed: Observed, surface: PaperSurface) -> FloatArray:
    """Return where marks lie on bent paper: (N, 3), mat frame."""
    placed = np.empty((len(observed), 3))
    for k in range(len(surface.sheets)):
        mine = observed.sheet == k
        placed[mine] = surface.place(k, observed.points_mm[mine])
    return placed


@dataclass(frozen=True, eq=False)
class _Problem:
    """The least-squares problem: marks, then priors, each over its standard deviation.

    The unknowns: PARAMETERS, stretch, poses of the sheets after the first, coefficients of the surface if `bases`.
    """

    observed: Observed
    prior: Prior
    scale: PrintScale
    stretch_sd: float
    noise_px: FloatArray
    sheets: int
    bases: MarkBases | None = None

    @property
    def first_coefficient(self) -> int:
        return _FIRST_POSE + 3 * (self.sheets - 1)

    def poses(self, vector: FloatArray) -> FloatArray:
        return np.concatenate([np.zeros((1, 3)), vector[_FIRST_POSE : self.first_coefficient].reshape(-1, 3)])

    def shaped(self, vector: FloatArray) -> tuple[Observed, FloatArray]:
        """Return the marks as they lie on the bent sheets, seen from above, and their heights (N,)."""
        if self.bases is None:
            return self.observed, np.zeros(len(self.observed))
        points, heights = self.bases.shape(vector[self.first_coefficient :])
        return replace(self.observed, points_mm=points), heights

    @property
    def prior_mean(self) -> FloatArray:
        return np.append(self.prior.mean, 0.0)

    @property
    def prior_sd(self) -> FloatArray:
        return np.append(self.prior.sd, max(self.stretch_sd, _NO_STRETCH_SD))

    def miss_px(self, vector: FloatArray) -> FloatArray:
        """Return measured minus expected pixels (N, 2)."""
        shaped, heights = self.shaped(vector)
        placed = shaped.place(self.poses(vector), _stretched(self.scale, vector))
        pixels, _, _ = projection_derivatives(vector[: len(PARAMETERS)], np.c_[placed, heights])
        return self.observed.pixels - pixels

    def residuals(self, vector: FloatArray) -> FloatArray:
        marks = self.miss_px(vector) / self.noise_px[:, None]
        priors = (vector[list(_PRIORS)] - self.prior_mean) / self.prior_sd
        if self.bases is None:
            return np.concatenate([marks.ravel(), priors])
        return np.concatenate([marks.ravel(), priors, vector[self.first_coefficient :] / self.bases.prior_sd_mm])

    def jacobian(self, vector: FloatArray) -> FloatArray:
        known, first, poses = len(PARAMETERS), self.first_coefficient, self.poses(vector)
        scale = _stretched(self.scale, vector)
        shaped, heights = self.shaped(vector)
        placed = shaped.place(poses, scale)
        by_stretch = shaped.place(poses * [0.0, 0.0, 1.0], replace(scale, y=-scale.y))
        by_camera, by_place, by_poses = mark_derivatives(shaped, vector[:known], poses, np.c_[placed, heights])
        marks = np.zeros((len(placed), 2, len(vector)))
        marks[:, :, :known] = by_camera
        marks[:, :, _STRETCH] = np.einsum("nij,nj->ni", by_place[:, :, :2], by_stretch)
        marks[:, :, _FIRST_POSE:first] = by_poses
        if self.bases is not None:
            by_shift, by_height = self.bases.derivatives(vector[first:])
            turn = poses[shaped.sheet, 2]
            cos, sin = np.cos(turn), np.sin(turn)
            turned = np.array([[cos * scale.x, -sin * scale.y], [sin * scale.x, cos * scale.y]]).transpose(2, 0, 1)
            marks[:, :, first:] = by_place[:, :, :2] @ turned @ by_shift
            marks[:, :, first:] += by_place[:, :, 2:] * by_height[:, None]
        marks /= -self.noise_px[:, None, None]
        rows = [marks.reshape(-1, len(vector)), np.zeros((len(_PRIORS), len(vector)))]
        rows[1][:, list(_PRIORS)] = np.diag(1 / self.prior_sd)
        if self.bases is not None:
            rows.append(np.eye(len(vector))[first:] / self.bases.prior_sd_mm[:, None])
        return np.concatenate(rows)

    def loss(self, squares: FloatArray) -> FloatArray:
        """Return rho, its first and its second derivative, (3, residuals): soft-l1 for marks and focal length.

        The focal length may be far from its prior, since phones zoom; the other priors, which come last, hold.
        """
        root = np.sqrt(1 + squares)
        rho = np.array([2 * (root - 1), 1 / root, -0.5 / root**3])
        held = squares[2 * len(self.observed) + 1 :]
        rho[:, -len(held) :] = [held, np.ones(len(held)), np.zeros(len(held))]
        return rho

    def covariance(self, vector: FloatArray) -> FloatArray:
        """Return the covariance at the solution: that of an M-estimate (Huber 1981, section 7.6).

        Information is the Jacobian's, times the square of the mean slope of the influence function over the
        mean square of the influence; priors enter as they are, less what the loss takes from a strained one.
        """
        count = 2 * len(self.observed)
        residuals, jacobian = self.residuals(vector), self.jacobian(vector)
        _, weights, _ = self.loss((residuals / _ROBUST_AT) ** 2)
        influence, slope = (weights * residuals)[:count], weights[:count] ** 3
        lost = count / max(1, count - len(vector))
        variance = lost * float((influence**2).mean()) / float(slope.mean()) ** 2
        information = jacobian[:count].T @ jacobian[:count] / variance
        information += jacobian[count:].T @ (jacobian[count:] * weights[count:, None])
        return np.asarray(np.linalg.inv(information), dtype=np.float64)


def _stretched(scale: PrintScale, vector: FloatArray) -> PrintScale:
    growth = float(np.exp(vector[_STRETCH]))
    return replace(scale, x=scale.x * growth, y=scale.y / growth)


def _noise_px(miss_px: FloatArray, is_dot: NDArray[np.bool_]) -> FloatArray:
    """Return each mark's standard deviation per axis (N,), from the median residual of its kind."""
    noise = np.empty(len(miss_px))
    for kind in (True, False):
        mine = is_dot == kind
        if mine.any():
            noise[mine] = max(1.4826 * float(np.median(np.abs(miss_px[mine]))), _LEAST_SD_PX)
    return noise
