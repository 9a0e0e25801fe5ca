"""Find the mat in a photo and solve camera, lens and pose from its marks, with a covariance.

Markers tell which mark is where (`markers`), saddles are measured (`saddles`), one camera explains them all
(`solve`). Where the marks show that the paper does not lie flat, a low-order surface is solved for as well
(`surface`), and kept if the marks then agree. What the covariance is not: it holds the noise of the marks and the
priors. It does not hold what the model cannot express, such as folded paper; that shows in `crosscheck_mm`. Nor does it
hold the size of the print, which a photo cannot tell (`Sighting.scale_covariance`); what some can tell is whether both
axes came out alike.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from handcapture.camera import Camera
from handcapture.errors import PhotoError
from handcapture.mat.geometry import Mat, Sheet, mat_by_name
from handcapture.mat.markers import SheetMarkers, find_mat, trouble
from handcapture.mat.print_scale import PrintScale, place
from handcapture.mat.saddles import Observed, observe
from handcapture.mat.solve import (
    Prior,
    Solution,
    bent_guess,
    corners_of,
    crosscheck_mm,
    first_guess,
    place_marks,
    place_on,
    solve_again,
)
from handcapture.mat.surface import PaperSurface, above_paper, above_paper_covariance
from handcapture.photo import Photo

__all__ = ["PrintScale", "SheetSighting", "Sighting", "sight"]

FloatArray = NDArray[np.float64]

LEAST_MARKS: Final = 12
LEAST_MARKS_PER_SHEET: Final = 4
OUTLIER_SDS: Final = 4.5
STRETCH_STRAIN: Final = 3.0
"""Standard deviations of the principal point beyond which the print is taken to be stretched instead."""
NOTED_STRETCH: Final = 0.001
MOST_STRAIN: Final = 4.0
MOST_STRETCH_STRAIN: Final = 2.5
"""Standard deviations by which principal point and lens, and the print's stretch, may leave what is known of them. The
latter is smaller because a photo that was cropped off its middle looks like a stretched print."""
WORST_TILT_DEG: Final = 45.0
"""Fingertips were trained and checked up to 33 degrees, and beyond hide each other."""
COARSEST_MM_PER_PX: Final = 0.75
"""A fingertip is then some 20 pixels wide. The smallest photo that is read, filled by an A3 mat, has 0.7."""
WORST_POINT_SD_MM: Final = 1.0
WORST_CROSSCHECK_MM: Final = 0.5
NOTED_CROSSCHECK_MM: Final = 0.2
CROSSCHECK_REACH: Final = 5.0
"""Bulges, curls and ripples simulated on A3 put points of the mat off by up to so many times the cross-check, and by
once to twice on average."""
WORST_LIFT_MM: Final = 1.0
"""Flat sheets of the reference photos stay below 0.35 mm; one whose edge stands 8 mm up gives 1.6."""
NOTED_LIFT_MM: Final = 0.5
WORST_FOLD_MM: Final = 0.4
NOTED_STRAY_MM: Final = 0.3
"""Saddles of flat sheets in the reference photos stray by less than 0.08 mm; across a fold 2 mm high, by 0.6 mm."""
BENT_CROSSCHECK_MM: Final = 0.1
"""From here on a surface is tried. Flat sheets of the reference photos stay below 0.02 mm."""
LEAST_GAIN: Final = 2.0
"""A surface must divide the cross-check by this at least. Noise alone gives 1, and a corner that stands up less than
that, since without its marks the rest is flat; arches of 2 mm give 8."""
LEAST_MORE_MARKS: Final = 1.05
"""Or, where a flat sheet is refuted, explain so many times the marks: those of a strongly curled edge may have dropped
out of the flat solution, and left the rest in agreement."""
HIGHEST_RISE_MM: Final = 12.0
"""Paper that stands higher is refused even where a surface explains it: hands would press it into another shape."""
_LIFT_RANK: Final = 3
"""The lift is the third largest: two markers may be spoilt by a shadow or a fold."""


@dataclass(frozen=True, eq=False)
class SheetSighting:
    """Where one sheet lies: its top-left corner (`offset_mm`) and turn in the mat frame.

    For the second sheet of a pair `gap_mm` is the opening of the seam at its middle, `shift_mm` how far the
    sheet sits too low there, `skew_deg` its turn against the first (clockwise as seen), with `pose_sd`
    (mm, mm, deg). `corners_used` of the sheet's `corners_seen` saddles that were seen served the solution.
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
        return place(points_mm, np.array([*self.offset_mm, np.radians(self.rotation_deg)]), self.print_scale)


@dataclass(frozen=True, eq=False)
class Sighting:
    """The mat found in one photo.

    `parameter_covariance` (10, 10) is in the order of `camera.PARAMETERS`. `rms_px` and `worst_px` are the
    distances of the `corners_used` saddles from where the solution expects them; `corners_seen` counts those
    that were measured before outliers were dropped. `mm_per_px` holds in the middle of the mat. `print_scale` is the
    one that was given, with the ratio of its axes corrected where the photo shows that it must be.
    `crosscheck_mm` is the root mean square error, on the mat, of marks predicted from the others;
    `lift_mm` how far even markers that were not used lie from where the solution has them. `marks` are the saddles
    used, `mark_noise_px` (N,) their standard deviations; `focal_prior_px` is what the file states. `surface` is the
    paper's shape where it does not lie flat, else None; `parameter_covariance` then is the camera's share of a joint
    covariance, and points near the paper are surer than it says: see `above_paper_covariance`.
    """

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
    lift_mm: float
    marks: Observed
    mark_noise_px: FloatArray
    focal_prior_px: float | None
    focal_prior_relative_sd: float
    notes: tuple[str, ...] = ()
    surface: PaperSurface | None = None

    @property
    def poses(self) -> FloatArray:
        """Where the sheets lie, (sheets, 3): x and y of the top-left corner, mm, and turn in radians."""
        return np.array([[*sheet.offset_mm, np.radians(sheet.rotation_deg)] for sheet in self.sheets])

    @property
    def tilt_deg(self) -> float:
        """Angle between the camera's axis and the mat's normal."""
        return self.camera.tilt_deg

    @property
    def height_mm(self) -> float:
        """Height of the camera above the mat."""
        return float(self.camera.centre_mm[2])

    def above_paper(self, points_px: FloatArray, height_mm: float | FloatArray) -> FloatArray:
        """Pixels (N, 2) to the mat points (N, 2) where their rays pass `height_mm` (scalar or (N,)) above the paper.

        PhotoError for a pixel at or above the horizon.
        """
        return above_paper(self.camera, self.surface, points_px, height_mm)

    def above_paper_covariance(self, points_px: FloatArray, height_mm: float | FloatArray) -> FloatArray:
        """Return the covariance (N, 2, 2), mm², of `above_paper` from camera and paper; not the print scale's."""
        return above_paper_covariance(self.camera, self.parameter_covariance, self.surface, points_px, height_mm)

    def place_marks(self, poses: FloatArray) -> FloatArray:
        """Return where `marks` lie in the mat frame, (N, 3), if the sheets lay as `poses` (sheets, 3) say."""
        if self.surface is None:
            return np.column_stack([self.marks.place(poses, self.print_scale), np.zeros(len(self.marks))])
        return place_on(self.marks, replace(self.surface, poses=poses))

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


def sight(photo: Photo, mat_name: str | None = None, print_scale: PrintScale | None = None) -> Sighting:
    """Find the mat in `photo` and solve the camera.

    `mat_name` says which mat was printed; None accepts any. PhotoError, with reason and remedy, when no mat,
    half a mat, another mat or more than one is seen, or when the marks do not fit a flat sheet. InputError
    when there is no mat of that name.
    """
    wanted = mat_by_name(mat_name) if mat_name else None
    try:
        return _sight(photo, wanted, print_scale or PrintScale())
    except PhotoError as error:
        raise PhotoError(f"{photo.name}: {error}") from None


def _sight(photo: Photo, wanted: Mat | None, scale: PrintScale) -> Sighting:
    grey = np.asarray(cv2.cvtColor(photo.pixels_bgr, cv2.COLOR_BGR2GRAY), dtype=np.uint8)
    mat, markers = find_mat(grey, wanted)
    prior = Prior.of(photo.size_px, photo.focal_prior_px, photo.focal_prior_relative_sd)
    guess = first_guess(markers, prior, scale)
    seen = observe(grey, guess.camera, guess.poses, mat.sheets, guess.scale)
    fit = _fit(seen, guess, mat, grey, prior, scale, markers)
    if fit.uneven:
        # Seen squarely, a stretched print passes for a bent lens that leaves its corners off.
        stretched = _fit(seen, guess, mat, grey, prior, scale, markers, stretched=True)
        fit = fit if stretched.uneven else stretched
    if fit.uneven or fit.crosscheck_mm >= BENT_CROSSCHECK_MM:
        fit = _fit_bent(fit, mat, grey, prior, scale, markers) or fit
    solution = fit.solution
    _require_likely(solution)
    _require_good_view(solution.camera, mat)
    _require_firm_pose(mat, solution)
    _require_agreement(fit, grey)
    return _report(photo, mat, scale, fit)


@dataclass(frozen=True, eq=False)
class _Fit:
    """A solution, the marks that were seen and those that served it, and how well they agree.

    Of all saddles, outliers included, `stray_mm` is how far they lie off, and `fold_mm` how far outside the one corner
    of a sheet that is best left out, cut off through the middles of two sides: a fold reaches farther.
    """

    solution: Solution
    seen: Observed
    used: Observed
    crosscheck_mm: float
    lift_mm: float
    stray_mm: float
    fold_mm: float
    mm_per_px: float

    @property
    def uneven(self) -> bool:
        """Tell whether the marks disagree enough to be noted."""
        return (
            self.crosscheck_mm > NOTED_CROSSCHECK_MM
            or self.lift_mm > max(NOTED_LIFT_MM, 3 * self.mm_per_px)
            or self.stray_mm > max(NOTED_STRAY_MM, self.mm_per_px)
        )

    @property
    def refuted(self) -> bool:
        """Tell whether the marks disagree too much."""
        return (
            self.crosscheck_mm >= WORST_CROSSCHECK_MM
            or self.lift_mm >= max(WORST_LIFT_MM, 4 * self.mm_per_px)
            or self.fold_mm >= max(WORST_FOLD_MM, self.mm_per_px)
        )


def _fit(
    seen: Observed,
    guess: Solution,
    mat: Mat,
    grey: NDArray[np.uint8],
    prior: Prior,
    scale: PrintScale,
    markers: Sequence[SheetMarkers],
    stretched: bool = False,
) -> _Fit:
    """Solve from the saddles seen, on bent sheets if the guess has a surface. PhotoError where they are too few.

    The print may be stretched where a lens would have to be too unlikely without, or where `stretched` says so.
    """
    _require_marks(seen, mat, grey)
    solution = solve_again(seen, guess, prior, scale)
    stretch_sd = 0.0
    if stretched or np.abs(solution.strain[1:3]).max() > STRETCH_STRAIN:
        # Both axes may be off by the scale's own deviation, so half the logarithm of their ratio by 1/√2 of it.
        stretch_sd = scale.relative_sd / float(np.sqrt(2))
        solution = solve_again(seen, guess, prior, scale, stretch_sd)
    used = seen
    for _ in range(3):
        keep = np.linalg.norm(solution.residual_px, axis=1) < OUTLIER_SDS * solution.noise_px
        if keep.all():
            break
        used = used.pick(keep)
        _require_marks(used, mat, grey)
        solution = solve_again(used, solution, prior, scale, stretch_sd)
    stray, fold = _strays_mm(seen, solution, mat.sheets)
    return _Fit(
        solution=solution,
        seen=seen,
        used=used,
        crosscheck_mm=crosscheck_mm(used, solution, prior),
        lift_mm=_lift_mm(markers, solution),
        stray_mm=stray,
        fold_mm=fold,
        mm_per_px=solution.camera.mm_per_px(np.array(mat.size_mm) / 2),
    )


def _fit_bent(
    flat: _Fit,
    mat: Mat,
    grey: NDArray[np.uint8],
    prior: Prior,
    scale: PrintScale,
    markers: Sequence[SheetMarkers],
) -> _Fit | None:
    """Return the solution on bent paper if the marks agree on it, else None."""
    guess = bent_guess(markers, flat.solution, prior, scale)
    fit = flat
    try:
        for _ in range(2):  # the second time, saddles are looked for where the first has them
            seen = observe(grey, guess.camera, guess.poses, mat.sheets, guess.scale, guess.surface)
            fit = _fit(seen, guess, mat, grey, prior, scale, markers)
            guess = fit.solution
    except PhotoError:
        return None
    gains = LEAST_GAIN * fit.crosscheck_mm <= flat.crosscheck_mm or (
        flat.refuted and len(fit.used) >= LEAST_MORE_MARKS * len(flat.used)
    )
    surface = fit.solution.surface
    if surface is None or fit.uneven or not gains or surface.rise_mm > HIGHEST_RISE_MM:
        return None
    return fit


def _require_marks(observed: Observed, mat: Mat, grey: NDArray[np.uint8]) -> None:
    per_sheet = np.bincount(observed.sheet, minlength=len(mat.sheets))
    if len(observed) >= LEAST_MARKS and per_sheet.min() >= LEAST_MARKS_PER_SHEET:
        return
    where = f"the {mat.title} mat"
    if len(mat.sheets) > 1 and per_sheet.min() < LEAST_MARKS_PER_SHEET:
        where = f"the {mat.sheets[int(per_sheet.argmin())].title}"
    fault = trouble(grey) or (
        "Get the whole mat into the picture, with hands and forearms covering as little of its border as they can."
    )
    raise PhotoError(f"too few marks of {where} can be measured ({per_sheet.min()}). {fault}")


def _require_likely(solution: Solution) -> None:
    """Refuse what only an unlikely camera or print would explain; a zoomed focal length is likely enough."""
    *lens, stretch = np.abs(solution.strain[1:])
    if max(lens) > MOST_STRAIN or stretch > MOST_STRETCH_STRAIN:
        raise PhotoError(
            "the marks fit no ordinary photo of this mat: the photo was cropped or edited, its lens bends the picture "
            "much, or the print is stretched more along one side than along the other. Use the photo as the phone's "
            "main camera took it, and measure both rules on the mat and give their lengths."
        )


def _require_good_view(camera: Camera, mat: Mat) -> None:
    mm_per_px = camera.mm_per_px(np.array(mat.size_mm) / 2)
    if mm_per_px > COARSEST_MM_PER_PX:
        raise PhotoError(
            f"the mat is too small in the picture: a pixel covers {mm_per_px:.1f} mm. Take the photo from about 45 cm, "
            "so that the mat fills most of it."
        )
    if camera.tilt_deg > WORST_TILT_DEG:
        raise PhotoError(
            f"the photo was taken too obliquely, {camera.tilt_deg:.0f} degrees from straight down: fingertips would "
            "hide behind fingers. Take it from above the middle of the mat, the phone level."
        )


def _require_firm_pose(mat: Mat, solution: Solution) -> None:
    """Refuse a pose that the marks leave loose anywhere on the quiet part of the mat."""
    width, height = mat.size_mm
    grid = np.array([[u * width, v * height, 0.0] for u in (0.12, 0.5, 0.88) for v in (0.15, 0.5, 0.85)])
    pixels = solution.camera.project(grid)
    spread = above_paper_covariance(solution.camera, solution.camera_covariance, solution.surface, pixels, 0.0)
    worst = float(np.sqrt(np.linalg.eigvalsh(spread)[:, 1].max()))
    if worst > WORST_POINT_SD_MM:
        raise PhotoError(
            "only part of the mat can be seen, and positions on it would be unsure by "
            f"{2 * worst:.0f} mm. Get the whole mat into the picture, with marks visible on at least two sides."
        )


def _lift_mm(markers: Sequence[SheetMarkers], solution: Solution) -> float:
    """Return how far markers lie from where the solution has them; saddles on a curl would be left out as outliers."""
    corners = corners_of(markers)
    misses = above_paper(solution.camera, solution.surface, corners.pixels, 0.0) - place_marks(corners, solution)[:, :2]
    # The middle of a marker is steadier than its corners, which blur rounds off.
    lengths = np.linalg.norm(misses.reshape(-1, 4, 2).mean(axis=1), axis=1)
    return float(np.sort(lengths)[-_LIFT_RANK])


def _strays_mm(seen: Observed, solution: Solution, sheets: Sequence[Sheet]) -> tuple[float, float]:
    """Return `stray_mm` and `fold_mm` of a `_Fit`; one or two saddles may be spoilt by a shadow."""
    miss = above_paper(solution.camera, solution.surface, seen.pixels, 0.0) - place_marks(seen, solution)[:, :2]
    lengths = np.linalg.norm(miss, axis=1)
    from_middle = 2 * seen.points_mm / np.array([[s.width_mm, s.height_mm] for s in sheets])[seen.sheet] - 1
    corner = np.where(np.abs(from_middle).sum(axis=1) > 1, 4 * seen.sheet + (from_middle > 0) @ [1, 2], -1)
    elsewhere = (np.append(lengths[corner != c], [0.0, 0.0]) for c in range(4 * len(sheets)))
    return float(np.sort(lengths)[-_LIFT_RANK]), float(min(np.sort(rest)[-2] for rest in elsewhere))


def _require_agreement(fit: _Fit, grey: NDArray[np.uint8]) -> None:
    """Refuse marks that neither a flat sheet nor one gently bent explains, and say what is the likeliest cause."""
    if not fit.refuted:
        return
    cause = trouble(grey) or (
        "The paper is curled, folded or pushed up: flatten it (tape its corners) and take the photo again."
    )
    raise PhotoError(
        f"the marks of the mat disagree by {max(fit.crosscheck_mm, fit.lift_mm, fit.fold_mm):.1f} mm. {cause}"
    )


def _report(photo: Photo, mat: Mat, scale: PrintScale, fit: _Fit) -> Sighting:
    solution, seen, used = fit.solution, fit.seen, fit.used
    camera = solution.camera
    miss = np.linalg.norm(solution.residual_px, axis=1)
    sheets = tuple(_report_sheet(mat, k, seen, used, solution) for k in range(len(mat.sheets)))
    return Sighting(
        mat=mat,
        camera=camera,
        parameter_covariance=solution.camera_covariance,
        print_scale=solution.scale,
        sheets=sheets,
        size_px=photo.size_px,
        rms_px=float(np.sqrt((miss**2).mean())),
        worst_px=float(miss.max()),
        mm_per_px=fit.mm_per_px,
        corners_used=len(used),
        corners_seen=len(seen),
        crosscheck_mm=fit.crosscheck_mm,
        lift_mm=fit.lift_mm,
        marks=used,
        mark_noise_px=solution.noise_px,
        focal_prior_px=photo.focal_prior_px,
        focal_prior_relative_sd=photo.focal_prior_relative_sd,
        notes=_notes(scale, fit, sheets),
        surface=solution.surface,
    )


def _report_sheet(mat: Mat, number: int, seen: Observed, used: Observed, solution: Solution) -> SheetSighting:
    sheet, pose, scale = mat.sheets[number], solution.poses[number], solution.scale
    alone = SheetSighting(
        sheet=sheet,
        offset_mm=pose[:2].copy(),
        rotation_deg=float(np.degrees(pose[2])),
        print_scale=scale,
        corners_used=int((used.sheet == number).sum()),
        corners_seen=int((seen.sheet == number).sum()),
    )
    if number == 0:
        return alone
    middle = np.array([[0.0, sheet.height_mm / 2]])
    gap, shift = (alone.to_mat(middle) - middle * [scale.x, scale.y])[0]
    x_sd, y_sd, turn_sd = solution.pose_sd(number, middle[0])
    return replace(
        alone,
        gap_mm=float(gap) - mat.sheets[number - 1].width_mm * scale.x,
        shift_mm=float(shift),
        skew_deg=alone.rotation_deg,
        pose_sd=(float(x_sd), float(y_sd), float(np.degrees(turn_sd))),
    )


def _notes(scale: PrintScale, fit: _Fit, sheets: tuple[SheetSighting, ...]) -> tuple[str, ...]:
    solution, crosscheck = fit.solution, fit.crosscheck_mm
    surface, notes = solution.surface, []
    wider = (solution.scale.x / solution.scale.y) / (scale.x / scale.y) - 1
    if abs(wider) > NOTED_STRETCH:
        along = "width" if wider > 0 else "height"
        notes.append(
            f"The print seems to be stretched by {100 * abs(wider):.1f} % along its {along}. This is allowed for; "
            "measure both rules on the mat to be sure."
        )
    if surface is not None:
        notes.append(
            f"The paper does not lie flat: it rises by about {surface.rise_mm:.0f} mm (give or take "
            f"{max(1.0, 2 * surface.rise_sd_mm):.0f} mm). Its shape was measured from the marks and is allowed for. To "
            "be sure, tape its corners down and take the photo again."
        )
    elif crosscheck > NOTED_CROSSCHECK_MM:
        notes.append(
            "The paper does not lie quite flat, or the photo is not quite sharp: where the paper is raised, positions "
            f"may be off by another {CROSSCHECK_REACH * crosscheck:.1f} mm. Tape its corners down and take the photo "
            "again."
        )
    elif fit.uneven:
        notes.append(
            f"The paper does not lie quite flat: marks are up to {max(fit.lift_mm, fit.stray_mm):.1f} mm off. Tape its "
            "corners down, and trust fingertips there less."
        )
    if scale.source == "not verified":
        notes.append(
            f"The print scale was not verified: all positions may be {100 * scale.relative_sd:.1f} % too far "
            "apart or too close. Measure the two rules on the mat and give their lengths."
        )
    for sheet in sheets[1:]:
        if sheet.gap_mm is None or sheet.skew_deg is None:
            continue
        if abs(sheet.gap_mm) > 5 or abs(sheet.skew_deg) > 2:
            notes.append(
                f"The two sheets lie {sheet.gap_mm:.1f} mm apart and turned by {sheet.skew_deg:.1f} degrees. "
                "This is measured and allowed for, but make sure they did not move between photos."
            )
    return tuple(notes)
