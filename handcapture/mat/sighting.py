"""Find the mat in a photo and solve camera, lens and pose from its marks, with a covariance.

Markers are detected small and only tell which mark is where. The measurement is taken from saddles: points
where four cells of a chessboard meet, found at full size and each verified against its own pattern, so that a
mark under a hand or in a fold is left out. All marks are then explained together by one camera (focal length,
principal point, one radial lens term, pose) and the place of each further sheet, with priors where a photo
cannot tell: the focal length from EXIF, the principal point near the picture's middle.

What the reported covariance is not: it holds the noise of the marks and the priors. It does not hold what the
model cannot express, such as curled paper; that shows in `crosscheck_mm`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from handcapture.camera import Camera, at_height_covariance
from handcapture.errors import InputError, PhotoError
from handcapture.mat.geometry import (
    CELL_MM,
    DOT_SQUARE_MM,
    IDS_PER_SHEET,
    MATS,
    RULE_MM,
    Mat,
    Sheet,
    marker_dictionary,
    mat_by_name,
)
from handcapture.photo import Photo

FloatArray = NDArray[np.float64]
Grey = NDArray[np.uint8]

FOCAL_35MM_WITHOUT_EXIF: Final = 27.0
"""Main cameras of phones: 24 to 30 mm equivalent (common practice, no source); used with 15 % deviation."""
FOCAL_RELATIVE_SD_WITHOUT_EXIF: Final = 0.15
CENTRE_SD_SHARE: Final = 0.005
"""Standard deviation of the principal point from the picture's middle, as a share of its long side."""
K1_SD: Final = 0.05
UNVERIFIED_SCALE_SD: Final = 0.003
RULER_SD_MM: Final = 0.25
"""Standard deviation of reading a ruler at both ends of the rule."""
LEAST_MARKS: Final = 12
RING_REACH_MM: Final = 2.8
"""Ring saddles are looked at as if their pattern ended here: the marker in a white cell begins 2 mm from its
edges, so 2.8 mm from the corner."""
WORST_POINT_SD_MM: Final = 1.0
WORST_CROSSCHECK_MM: Final = 1.5
_DETECTION_SIDES_PX = (1200, 2400)


@dataclass(frozen=True)
class PrintScale:
    """Printed mm per nominal mm along each axis of the sheets, and its relative standard deviation."""

    x: float = 1.0
    y: float = 1.0
    relative_sd: float = UNVERIFIED_SCALE_SD
    source: str = "not verified"

    @classmethod
    def from_rulers(cls, along_x_mm: float, along_y_mm: float) -> PrintScale:
        """Return the scale from what a ruler reads on the two 150 mm rules. InputError beyond ±15 %."""
        for axis, reading in (("x", along_x_mm), ("y", along_y_mm)):
            if not 0.85 * RULE_MM <= reading <= 1.15 * RULE_MM:
                raise InputError(
                    f"The ruler reading along {axis} is {reading:g} mm; the rule is {RULE_MM:.0f} mm long when "
                    "printed at actual size. Measure it again, end to end, in millimetres."
                )
        return cls(along_x_mm / RULE_MM, along_y_mm / RULE_MM, RULER_SD_MM / RULE_MM, "ruler")


@dataclass(frozen=True, eq=False)
class SheetSighting:
    """Where one sheet lies: its top-left corner (`offset_mm`) and turn in the mat frame.

    For the second sheet of a pair `gap_mm` is the opening of the seam at its middle, `shift_mm` how far the
    sheet sits too low, `skew_deg` its turn against the first (clockwise as seen), with `pose_sd`
    (mm, mm, deg). `corners_used` of `corners_seen` marks served the solution.
    """

    sheet: Sheet
    offset_mm: FloatArray
    rotation_deg: float
    print_scale: PrintScale
    corners_used: int
    corners_seen: int
    gap_mm: float | None = None
    shift_mm: float | None = None
    skew_deg: float | None = None
    pose_sd: tuple[float, float, float] | None = None

    def to_mat(self, points_mm: FloatArray) -> FloatArray:
        """Sheet points (N, 2), nominal mm, to the mat frame in true mm."""
        return _place(points_mm, np.r_[self.offset_mm, np.radians(self.rotation_deg)], self.print_scale)


@dataclass(frozen=True, eq=False)
class Sighting:
    """The mat found in one photo."""

    mat: Mat
    camera: Camera
    parameter_covariance: FloatArray
    print_scale: PrintScale
    sheets: tuple[SheetSighting, ...]
    size_px: tuple[int, int]
    rms_px: float
    worst_px: float
    mm_per_px: float
    corners_used: int
    corners_seen: int
    crosscheck_mm: float
    """Root mean square of marks predicted from the other half of the marks, on the mat."""
    notes: tuple[str, ...] = ()

    @property
    def tilt_deg(self) -> float:
        """Angle between the camera's axis and the mat's normal."""
        return self.camera.tilt_deg

    @property
    def height_mm(self) -> float:
        """Height of the camera above the mat."""
        return float(self.camera.centre_mm[2])

    def scale_covariance(self, points_mm: FloatArray) -> FloatArray:
        """Return the covariance (N, 2, 2) that an unsure print scale lends to points (N, 2).

        The scale is taken about the middle of the mat: that is what stays put when hands are compared with a
        panel. It moves all points together; do not average it away over fingers.
        """
        middle = np.array(self.mat.size_mm) / 2
        reach = (np.asarray(points_mm, dtype=np.float64) - middle) * self.print_scale.relative_sd
        covariance = np.zeros((len(reach), 2, 2))
        covariance[:, 0, 0], covariance[:, 1, 1] = reach[:, 0] ** 2, reach[:, 1] ** 2
        return covariance


@dataclass(frozen=True, eq=False)
class _Marks:
    """The saddles of one sheet: place (N, 2), which diagonal is black, how far the pattern reaches, kind."""

    points_mm: FloatArray
    falling: NDArray[np.bool_]
    reach_mm: FloatArray
    is_dot: NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class _Observed:
    """Saddles measured in the photo: which sheet, nominal place on it, pixels, kind."""

    sheet: NDArray[np.intp]
    points_mm: FloatArray
    pixels: FloatArray
    is_dot: NDArray[np.bool_]

    def pick(self, chosen: NDArray[np.bool_]) -> _Observed:
        return _Observed(
            self.sheet[chosen], self.points_mm[chosen], self.pixels[chosen], self.is_dot[chosen]
        )


@dataclass(frozen=True, eq=False)
class _Solution:
    camera: Camera
    poses: FloatArray
    covariance: FloatArray
    residual_px: FloatArray
    noise_px: FloatArray


def sight(photo: Photo, mat_name: str | None = None, print_scale: PrintScale | None = None) -> Sighting:
    """Find the mat in `photo` and solve the camera.

    `mat_name` says which mat was printed; None accepts any. PhotoError, with reason and remedy, when no mat,
    half a mat, another mat or more than one is seen, or when the marks do not fit a flat sheet.
    """
    scale = print_scale or PrintScale()
    wanted = mat_by_name(mat_name) if mat_name else None
    corners = _detect_markers(photo)
    mat = _which_mat(corners, wanted, photo)
    by_sheet = _sort_markers(corners, mat, photo)
    grey = cv2.cvtColor(photo.pixels_bgr, cv2.COLOR_BGR2GRAY)

    camera, poses = _first_guess(by_sheet, mat, photo, scale)
    marks = [_marks_of(sheet) for sheet in mat.sheets]
    observed = _observe(grey, camera, poses, mat, marks, scale, photo, margin=1.0)
    solution = _solve(observed, camera, poses, photo, scale)
    observed = _observe(grey, solution.camera, solution.poses, mat, marks, scale, photo, margin=0.8)
    seen = len(observed.pixels)
    for _ in range(2):
        solution = _solve(observed, solution.camera, solution.poses, photo, scale)
        miss = np.linalg.norm(solution.residual_px, axis=1)
        keep = miss < 4.5 * solution.noise_px
        if keep.all():
            break
        observed = observed.pick(keep)
        _require_marks(len(observed.pixels), photo)
    solution = _solve(observed, solution.camera, solution.poses, photo, scale)
    return _report(photo, mat, scale, observed, solution, seen, marks)


def _detect_markers(photo: Photo) -> dict[int, FloatArray]:
    """Return the corners (4, 2) in photo pixels of every marker found, by number."""
    long_side = max(photo.size_px)
    found: dict[int, FloatArray] = {}
    for side in (*_DETECTION_SIDES_PX, long_side):
        factor = min(1.0, side / long_side)
        small = photo.pixels_bgr
        if factor < 1.0:
            small = cv2.resize(small, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
        found = _markers_in(cv2.cvtColor(small, cv2.COLOR_BGR2GRAY), thorough=side != _DETECTION_SIDES_PX[0])
        true_factor = np.array([small.shape[1], small.shape[0]]) / np.array(photo.size_px)
        found = {number: (c + 0.5) / true_factor - 0.5 for number, c in found.items()}
        if len(found) >= 10 or factor >= 1.0:
            break
        if not found and side == _DETECTION_SIDES_PX[0] and _markers_in(
            cv2.flip(cv2.cvtColor(small, cv2.COLOR_BGR2GRAY), 1)
        ):
            raise PhotoError(
                f"{photo.name} is mirrored, as selfie cameras do. Use the phone's main camera, or switch "
                "mirroring off."
            )
    return found


def _markers_in(grey: Grey, thorough: bool = False) -> dict[int, FloatArray]:
    parameters = cv2.aruco.DetectorParameters()
    if not thorough:  # one threshold window instead of three halves the time and finds as many marks
        parameters.adaptiveThreshWinSizeMin = parameters.adaptiveThreshWinSizeMax = 13
    parameters.minMarkerPerimeterRate = 0.015
    detector = cv2.aruco.ArucoDetector(marker_dictionary(), parameters)
    corners, numbers, _ = detector.detectMarkers(grey)
    if numbers is None:
        return {}
    return {
        int(number): np.asarray(quad, dtype=np.float64).reshape(4, 2)
        for number, quad in zip(numbers.ravel(), corners, strict=True)
    }


def _which_mat(corners: dict[int, FloatArray], wanted: Mat | None, photo: Photo) -> Mat:
    owners = {s.first_number // IDS_PER_SHEET: mat for mat in MATS.values() for s in mat.sheets}
    counts: dict[str, int] = {}
    for number in corners:
        owner = owners.get(number // IDS_PER_SHEET)
        if owner is not None:
            counts[owner.name] = counts.get(owner.name, 0) + 1
    counts = {name: count for name, count in counts.items() if count >= 3}
    if not counts:
        raise PhotoError(f"{photo.name}: no mat was found. {_why_no_mat(photo)}")
    seen = max(counts, key=lambda name: counts[name])
    if wanted is not None and wanted.name != seen:
        raise PhotoError(
            f"{photo.name} shows the {seen} mat, but {wanted.name} was expected. Print and use one mat, or "
            f"name the one that is used (--mat {seen})."
        )
    if len(counts) > 1:
        raise PhotoError(
            f"{photo.name} shows marks of {len(counts)} different mats ({', '.join(sorted(counts))}). Leave "
            "one mat on the table."
        )
    return MATS[seen]


def _why_no_mat(photo: Photo) -> str:
    """Guess from brightness and sharpness why nothing was found, and say what to do."""
    step = max(1, max(photo.size_px) // 1000)
    grey = cv2.cvtColor(np.ascontiguousarray(photo.pixels_bgr[::step, ::step]), cv2.COLOR_BGR2GRAY)
    if float(np.percentile(grey, 95)) < 70:
        return "The photo is too dark: switch on a light, or let the phone expose longer, and take it again."
    if float(np.mean(grey > 250)) > 0.3:
        return "The photo is burnt out: lower the exposure or turn the light away from the mat."
    long_side = max(photo.size_px)
    factor = min(1.0, 1600 / long_side)
    half = cv2.resize(photo.pixels_bgr, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
    edges = cv2.Laplacian(cv2.cvtColor(half, cv2.COLOR_BGR2GRAY), cv2.CV_32F)
    contrast = float(np.percentile(grey, 95)) - float(np.percentile(grey, 5))
    if contrast > 60 and float(np.percentile(np.abs(edges), 99.5)) < 0.12 * contrast:
        return "The photo is blurred: wipe the lens, rest the phone on something and use the self-timer."
    return (
        "Lay a printed mat (handcapture mat) flat on the table with its marks uncovered, and take the photo "
        "from about 45 cm above its middle so that the whole mat is in the picture."
    )


def _sort_markers(
    corners: dict[int, FloatArray], mat: Mat, photo: Photo
) -> list[tuple[FloatArray, FloatArray]]:
    """Return, per sheet, marker corners in sheet mm and in pixels, wrong readings dropped."""
    sorted_sheets = []
    for sheet in mat.sheets:
        known = {m.number: np.array(m.corners_mm) for m in sheet.markers}
        numbers = [n for n in corners if n in known]
        if len(numbers) < 4:
            if len(mat.sheets) > 1:
                raise PhotoError(
                    f"{photo.name}: of the {mat.title} the {'left' if sheet.seam == 'right' else 'right'} sheet "
                    f"cannot be made out ({len(numbers)} marks found). Uncover its marks and get both sheets "
                    "wholly into the picture."
                )
            raise PhotoError(_too_few(len(numbers), photo))
        sheet_mm = np.concatenate([known[n] for n in numbers])
        pixels = np.concatenate([corners[n] for n in numbers])
        reach = 0.004 * max(photo.size_px)
        matrix, inside = cv2.findHomography(sheet_mm, pixels, cv2.RANSAC, reach)
        good = np.zeros(len(pixels), bool) if matrix is None else inside.ravel().astype(bool)
        if good.sum() < 12:
            raise PhotoError(
                f"{photo.name}: the marks of the mat do not lie on one flat sheet. Flatten the paper, and lay "
                "only one print of the mat on the table."
            )
        sorted_sheets.append((sheet_mm[good], pixels[good]))
    return sorted_sheets


def _too_few(count: int, photo: Photo) -> str:
    return (
        f"{photo.name}: only {count} marks of the mat can be made out, too few to measure from. Get the whole "
        "mat into the picture, with hands and forearms covering as little of its border as they can."
    )


def _require_marks(count: int, photo: Photo) -> None:
    if count < LEAST_MARKS:
        raise PhotoError(_too_few(count, photo))


def _priors(photo: Photo) -> tuple[FloatArray, FloatArray]:
    """Return mean and standard deviation of log focal length, principal point and k1."""
    width, height = photo.size_px
    if photo.focal_prior_px is not None:
        focal, focal_sd = photo.focal_prior_px, photo.focal_prior_relative_sd
    else:
        focal = FOCAL_35MM_WITHOUT_EXIF * float(np.hypot(width, height)) / 43.267
        focal_sd = FOCAL_RELATIVE_SD_WITHOUT_EXIF
    centre_sd = CENTRE_SD_SHARE * max(width, height)
    mean = np.array([np.log(focal), (width - 1) / 2, (height - 1) / 2, 0.0])
    return mean, np.array([focal_sd, centre_sd, centre_sd, K1_SD])


def _place(points_mm: FloatArray, pose: FloatArray, scale: PrintScale) -> FloatArray:
    """Nominal sheet points (N, 2) through print scale and in-plane pose (x, y, radians) to the mat frame."""
    cos, sin = np.cos(pose[2]), np.sin(pose[2])
    scaled = np.asarray(points_mm, dtype=np.float64) * np.array([scale.x, scale.y])
    return np.asarray(scaled @ np.array([[cos, sin], [-sin, cos]]) + pose[:2], dtype=np.float64)


def _first_guess(
    by_sheet: list[tuple[FloatArray, FloatArray]], mat: Mat, photo: Photo, scale: PrintScale
) -> tuple[Camera, FloatArray]:
    """Return a camera from the first sheet's markers and the poses of all sheets as that camera sees them."""
    mean, _ = _priors(photo)
    focal = float(np.exp(mean[0]))
    matrix = np.array([[focal, 0, mean[1]], [0, focal, mean[2]], [0, 0, 1.0]])
    sheet_mm, pixels = by_sheet[0]
    flat = np.c_[_place(sheet_mm, np.zeros(3), scale), np.zeros(len(sheet_mm))]
    ok, vector, translation = cv2.solvePnP(flat, pixels, matrix, None, flags=cv2.SOLVEPNP_IPPE)
    if not ok:
        raise PhotoError(_too_few(len(pixels) // 4, photo))
    rotation = np.asarray(cv2.Rodrigues(vector)[0], dtype=np.float64)
    camera = Camera(focal, mean[1:3], 0.0, rotation, np.asarray(translation, dtype=np.float64).ravel())
    poses = np.zeros((len(mat.sheets), 3))
    for k, (points, seen) in enumerate(by_sheet[1:], start=1):
        target = camera.at_height(seen, 0.0)
        source = _place(points, np.zeros(3), scale)
        a, b = source - source.mean(axis=0), target - target.mean(axis=0)
        turn = float(np.arctan2((a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]).sum(), (a * b).sum()))
        middle = _place(points.mean(axis=0)[None], np.array([0.0, 0.0, turn]), scale)[0]
        poses[k] = [*(target.mean(axis=0) - middle), turn]
    return camera, poses


def _marks_of(sheet: Sheet) -> _Marks:
    ring, dots = sheet.ring_saddles_mm, sheet.dots_mm
    cell = np.rint((ring - np.array(sheet.grid_origin_mm)) / CELL_MM).astype(int)
    return _Marks(
        points_mm=np.concatenate([ring, dots]),
        # The cell up left of lattice point (i, j) is (i-1, j-1): black when i + j is odd.
        falling=np.r_[cell.sum(axis=1) % 2 == 1, np.ones(len(dots), bool)],
        reach_mm=np.r_[np.full(len(ring), RING_REACH_MM), np.full(len(dots), DOT_SQUARE_MM)],
        is_dot=np.r_[np.zeros(len(ring), bool), np.ones(len(dots), bool)],
    )


def _observe(
    grey: Grey,
    camera: Camera,
    poses: FloatArray,
    mat: Mat,
    marks: list[_Marks],
    scale: PrintScale,
    photo: Photo,
    margin: float,
) -> _Observed:
    """Measure every saddle that can be seen and whose pattern is what it should be."""
    parts = []
    for k in range(len(mat.sheets)):
        chosen = _observe_sheet(grey, camera, poses[k], marks[k], scale, margin)
        pixels, good = chosen
        parts.append(
            (np.full(int(good.sum()), k), marks[k].points_mm[good], pixels[good], marks[k].is_dot[good])
        )
    sheet, points, pixels, is_dot = (np.concatenate(part) for part in zip(*parts, strict=True))
    _require_marks(len(pixels), photo)
    return _Observed(sheet.astype(np.intp), points, pixels, is_dot.astype(bool))


def _observe_sheet(
    grey: Grey, camera: Camera, pose: FloatArray, marks: _Marks, scale: PrintScale, margin: float
) -> tuple[FloatArray, NDArray[np.bool_]]:
    height, width = grey.shape

    def project(points_mm: FloatArray) -> FloatArray:
        flat = _place(points_mm, pose, scale)
        return camera.project(np.c_[flat, np.zeros(len(flat))])

    start = project(marks.points_mm)
    px_per_mm = np.stack(
        [project(marks.points_mm + step) - start for step in (np.array([1.0, 0.0]), np.array([0.0, 1.0]))],
        axis=-1,
    )
    finest = np.linalg.svd(px_per_mm, compute_uv=False)[:, 1]
    window = np.clip(np.floor(0.62 * marks.reach_mm * finest * margin), 2, 14).astype(int)
    inside = (
        (start[:, 0] > window + 3)
        & (start[:, 0] < width - window - 4)
        & (start[:, 1] > window + 3)
        & (start[:, 1] < height - window - 4)
    )
    pixels = start.copy()
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 25, 0.01)
    for size in np.unique(window[inside]):
        which = np.flatnonzero(inside & (window == size))
        guess = np.ascontiguousarray(start[which], dtype=np.float32).reshape(-1, 1, 2)
        refined = cv2.cornerSubPix(grey, guess, (int(size), int(size)), (-1, -1), stop)
        pixels[which] = refined.reshape(-1, 2)
    moved = np.linalg.norm(pixels - start, axis=1)
    good = inside & (moved < 0.75 * window)
    good &= _pattern_fits(grey, pixels, px_per_mm, marks)
    return pixels, good


def _pattern_fits(
    grey: Grey, pixels: FloatArray, px_per_mm: FloatArray, marks: _Marks
) -> NDArray[np.bool_]:
    """Tell which saddles show two dark and two light quadrants where they should."""
    near, far = 0.28, 0.62
    quadrant = np.array([[near, near], [far, near], [near, far], [far, far]])
    signs = np.array([[-1, -1], [1, 1], [1, -1], [-1, 1]])
    offsets = (signs[:, None] * quadrant).reshape(-1, 2)  # 4 quadrants x 4 points; first two: falling diagonal
    steps = marks.reach_mm[:, None, None] * offsets
    places = pixels[:, None] + np.einsum("nij,nkj->nki", px_per_mm, steps)
    sampled = cv2.remap(
        grey, places[..., 0].astype(np.float32), places[..., 1].astype(np.float32), cv2.INTER_LINEAR
    ).astype(np.float64)
    falling, rising = sampled[:, :8], sampled[:, 8:]
    dark = np.where(marks.falling[:, None], falling, rising)
    light = np.where(marks.falling[:, None], rising, falling)
    contrast = light.mean(axis=1) - dark.mean(axis=1)
    uneven = np.maximum(light.std(axis=1), dark.std(axis=1))
    return np.asarray(
        (contrast > 18) & (contrast > 0.25 * light.mean(axis=1)) & (uneven < 0.3 * contrast)
    )


def _solve(
    observed: _Observed, camera: Camera, poses: FloatArray, photo: Photo, scale: PrintScale
) -> _Solution:
    """Explain the marks by one camera and the sheets' places: robust least squares with priors.

    The first sheet defines the mat frame. Noise is estimated from the residuals, apart for ring and dots.
    """
    from scipy.optimize import least_squares

    mean, sd = _priors(photo)
    extra = len(poses) - 1
    weights = np.where(observed.is_dot, 0.25, 0.15)

    def unpack(vector: FloatArray) -> tuple[Camera, FloatArray]:
        places = np.vstack([np.zeros(3), vector[10:].reshape(extra, 3)])
        return Camera.from_parameters(vector[:10]), places

    def miss(vector: FloatArray) -> FloatArray:
        model, places = unpack(vector)
        flat = np.empty_like(observed.points_mm)
        for k in range(extra + 1):
            mine = observed.sheet == k
            flat[mine] = _place(observed.points_mm[mine], places[k], scale)
        return observed.pixels - model.project(np.c_[flat, np.zeros(len(flat))])

    def residuals(vector: FloatArray) -> FloatArray:
        return np.r_[(miss(vector) / weights[:, None]).ravel(), (vector[:4] - mean) / sd]

    vector = np.r_[camera.parameters(), poses[1:].ravel()]
    units = np.r_[0.03, 10.0, 10.0, 0.02, 0.01, 0.01, 0.01, 5.0, 5.0, 10.0, np.tile([1.0, 1.0, 0.01], extra)]
    noise = weights
    result = None
    for _ in range(2):
        result = least_squares(
            residuals, vector, x_scale=units, loss="soft_l1", f_scale=1.5, method="trf", max_nfev=60
        )
        vector = result.x
        left = miss(vector)
        noise = np.empty(len(left))
        for kind in (True, False):
            mine = observed.is_dot == kind
            if mine.any():
                spread = 1.4826 * float(np.median(np.abs(left[mine])))
                noise[mine] = max(spread, 0.02)
        weights = noise
    assert result is not None
    # At the solution, with the estimated noise; the few distant marks count for less by the robust loss.
    plain = least_squares(residuals, vector, x_scale=units, loss="soft_l1", f_scale=2.0, method="trf", max_nfev=30)
    vector, left = plain.x, miss(plain.x)
    lost = len(vector)
    freedom = max(1.0, 2.0 * len(left) - lost)
    covariance = np.linalg.inv(plain.jac.T @ plain.jac) * max(1.0, 2.0 * len(left) / freedom)
    model, places = unpack(vector)
    return _Solution(model, places, covariance, left, noise)


def _report(
    photo: Photo,
    mat: Mat,
    scale: PrintScale,
    observed: _Observed,
    solution: _Solution,
    seen: int,
    marks: list[_Marks],
) -> Sighting:
    camera = solution.camera
    covariance = solution.covariance[:10, :10]
    _require_firm_pose(photo, mat, camera, covariance, solution)
    crosscheck = _crosscheck(observed, solution, photo, scale)
    if crosscheck > WORST_CROSSCHECK_MM:
        raise PhotoError(
            f"{photo.name}: the marks of the mat disagree by {crosscheck:.1f} mm: the paper is curled, folded or "
            "pushed up. Flatten it (tape its corners) and take the photo again."
        )
    miss = np.linalg.norm(solution.residual_px, axis=1)
    sheets = []
    for k, sheet in enumerate(mat.sheets):
        used = int((observed.sheet == k).sum())
        pose = solution.poses[k]
        common = {
            "sheet": sheet,
            "offset_mm": pose[:2].copy(),
            "rotation_deg": float(np.degrees(pose[2])),
            "print_scale": scale,
            "corners_used": used,
            "corners_seen": len(marks[k].points_mm),
        }
        if k == 0:
            sheets.append(SheetSighting(**common))
            continue
        before = mat.sheets[k - 1]
        seam = _place(np.array([[0.0, sheet.height_mm / 2]]), pose, scale)[0]
        block = solution.covariance[10 + 3 * (k - 1) : 13 + 3 * (k - 1), 10 + 3 * (k - 1) : 13 + 3 * (k - 1)]
        sd = np.sqrt(np.diag(block))
        sheets.append(
            SheetSighting(
                **common,
                gap_mm=float(seam[0] - before.width_mm * scale.x),
                shift_mm=float(seam[1] - sheet.height_mm / 2 * scale.y),
                skew_deg=float(np.degrees(pose[2])),
                pose_sd=(float(sd[0]), float(sd[1]), float(np.degrees(sd[2]))),
            )
        )
    middle = np.array(mat.size_mm) / 2
    return Sighting(
        mat=mat,
        camera=camera,
        parameter_covariance=covariance,
        print_scale=scale,
        sheets=tuple(sheets),
        size_px=photo.size_px,
        rms_px=float(np.sqrt((miss**2).mean())),
        worst_px=float(miss.max()),
        mm_per_px=camera.mm_per_px(middle),
        corners_used=len(observed.pixels),
        corners_seen=seen,
        crosscheck_mm=crosscheck,
        notes=_notes(camera, scale, tuple(sheets)),
    )


def _require_firm_pose(
    photo: Photo, mat: Mat, camera: Camera, covariance: FloatArray, solution: _Solution
) -> None:
    """Refuse a pose that the marks leave loose anywhere on the quiet part of the mat."""
    width, height = mat.size_mm
    grid = np.array([[u * width, v * height] for u in (0.12, 0.5, 0.88) for v in (0.15, 0.5, 0.85)])
    pixels = camera.project(np.c_[grid, np.zeros(len(grid))])
    spread = at_height_covariance(camera, covariance, pixels, 0.0)
    worst = float(np.sqrt(np.linalg.eigvalsh(spread)[:, 1].max()))
    if worst > WORST_POINT_SD_MM:
        raise PhotoError(
            f"{photo.name}: only part of the mat can be seen, and positions on it would be unsure by "
            f"{2 * worst:.0f} mm. Get the whole mat into the picture, with marks visible on at least two sides."
        )


def _crosscheck(observed: _Observed, solution: _Solution, photo: Photo, scale: PrintScale) -> float:
    """Solve from every second mark and predict the others: rms in mm on the mat."""
    first = np.arange(len(observed.pixels)) % 2 == 0
    if first.sum() < LEAST_MARKS:
        return float("nan") if len(first) < LEAST_MARKS else 0.0
    half = _solve(observed.pick(first), solution.camera, solution.poses, photo, scale)
    rest = observed.pick(~first)
    expected = np.empty_like(rest.points_mm)
    for k in range(len(half.poses)):
        mine = rest.sheet == k
        expected[mine] = _place(rest.points_mm[mine], half.poses[k], scale)
    return float(np.sqrt(((half.camera.at_height(rest.pixels, 0.0) - expected) ** 2).sum(axis=1).mean()))


def _notes(camera: Camera, scale: PrintScale, sheets: tuple[SheetSighting, ...]) -> tuple[str, ...]:
    notes = []
    if scale.source == "not verified":
        notes.append(
            f"The print scale was not verified: all positions may be {100 * scale.relative_sd:.1f} % too far "
            "apart or too close. Measure the two rules on the mat and give their lengths."
        )
    if camera.tilt_deg > 20:
        notes.append(
            f"The phone was tilted by {camera.tilt_deg:.0f} degrees. Hold it level above the middle of the mat: "
            "fingertips hide less and heights matter less."
        )
    for sheet in sheets[1:]:
        if sheet.gap_mm is not None and sheet.skew_deg is not None and (
            abs(sheet.gap_mm) > 5 or abs(sheet.skew_deg) > 2
        ):
            notes.append(
                f"The two sheets lie {sheet.gap_mm:.1f} mm apart and turned by {sheet.skew_deg:.1f} degrees. "
                "This is measured and allowed for, but make sure they did not move between photos."
            )
    return tuple(notes)
