"""Measure the round holes, or round button caps, of a panel that lies on the printed mat, from a photo.

The plane of the panel's upper face is looked at squarely. Edges vote for circles; each circle found is then measured
on profiles along 180 directions, in linear light (blur mixes light, not the values in a file). A profile is explained
by panel, wall and floor, blurred: through a panel of some thickness one sees its wall and the far rim, at a place that
follows from the camera. Which of the edges is the rim is not decided profile by profile, where a brown wall in a brown
panel cannot be told from it, but by the circle that explains them all. What hides a rim, a finger or a cable, costs
coverage; what lies in the hole, paper, marks, table or shadow, is not assumed to be dark or light.

What it does not see: a chamfer (the edge that contrasts is taken), a hole of the panel's own light and no shadow, a
panel that is bent or does not lie on the mat. A height typed in wrong by 1 mm moves a hole 200 mm off the camera's foot
by about half a millimetre: all of them away from the foot, or all towards it. Where a shadow's edge lies on the floor
close to the rim and the shaded floor is as light as the panel, the rim does not show; most such holes are told as
doubtful, some come out with a deviation of some tenths of a millimetre.

Constants were chosen on 16 drawn scenes and on 16 more drawn at random (thickness 1.5 to 10 mm, tilt up to 20 degrees,
hard shadows in 4 of 10). On 16 others, 192 holes: 186 measured, 6 told as doubtful; centres off by 0.01 mm in the
median, 0.06 in 95 %, 0.5 at worst; diameters by 0.07 in 95 %. Drawn boards are rounder and flatter than real ones.

References
----------
Voting along gradients: Kimme, C., Ballard, D., Sklansky, J. (1975), Finding circles by an array of accumulators, Comm.
ACM 18(2), 120-122. Least squares on the distances from the circle: Chernov, N. (2010), Circular and Linear Regression,
CRC Press, ch. 4; started from a grid, no algebraic fit is needed. Weights: biweight of Beaton, A. E., Tukey, J. W.
(1974), Technometrics 16(2), 147-185. (Citations from memory.) sRGB transfer: IEC 61966-2-1.

"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Final, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from handcapture.camera import Camera, at_height_covariance, at_height_derivatives
from handcapture.errors import InputError, PhotoError
from handcapture.layout.source import Drawing, Hole
from handcapture.light import LINEAR_32
from handcapture.mat.geometry import sheet_raster
from handcapture.mat.sighting import Sighting
from handcapture.photo import Photo
from handcapture.rectify import View, rectify

FloatArray = NDArray[np.float64]
Kind = Literal["holes", "caps"]

HEIGHT_RANGE_MM: Final = (0.0, 100.0)
DIAMETER_RANGE_MM: Final = (8.0, 80.0)
LEAST_COVERAGE: Final = 0.6
"""Share of the rim that must be seen."""
_LEAST_OTHER_COVERAGE: Final = 0.8
"""The same for circles that nobody expects."""

_MARGIN_MM: Final = 30.0
"""How far beyond the mat a panel may reach."""
_COARSE_PX_PER_MM: Final = 2.0
_EDGE_LEVELS: Final = (4.0, 8.0)
"""Gradients, grey levels per coarse pixel, from which an edge is followed and from which one is begun."""
_MARK_PX: Final = 11
_LIKE_MARKS: Final = 0.75
"""Correlation with the marks, over windows of so many coarse pixels, from which the mat is taken to show there."""
_CELL_MM: Final = 1.0
_LEAST_VOTES: Final = 0.3
"""Share of a circle's length whose edges must point to its middle for it to be measured."""
_MOST_CANDIDATES: Final = 80
_DIRECTIONS: Final = 180
_ENOUGH_FOR_BLUR: Final = 4
_FIRST_WINDOW_MM, _WINDOW_MM, _LAST_WINDOW_MM = (1.8, 1.0, 1.0), (0.9, 0.9, 0.9), (0.4, 0.4, 0.6)
"""How far from the circle that is expected an edge is looked for, and how far beside it the light is explained, towards
the floor and towards the panel. The shorter, the less a shadow's edge on the floor disturbs."""
_LEAST_FIRST_COVERAGE, _LEAST_SECOND_COVERAGE = 0.35, 0.5
_MODEL_ERROR: Final = 0.02
"""What the model leaves unexplained, as a share of the step."""
_BEYOND_MM: Final = 3.0
"""How far about a circle that was found the rim is looked for, coming from the panel."""
_LEAST_CHANGE: Final = 0.05
"""Share of the largest change of light from which on it counts, coming from the panel."""
_WALL_LIGHT: Final = (0.6, 0.35)
"""Light of a wall as a share of the face's, and its deviation: the same material, less lit."""
_SHADE_MM: Final = 0.8
"""Within what distance the shade at the foot of a wall fades."""
_SHADOWS_MM: Final = (0.6, 1.1)
_SHADOW_SD: Final = 0.5
"""How far behind the foot of a wall the floor's light may change by steps, where a shadow's edge is reckoned with, and
by how much, as a share of the step."""
_SHADOWED_SD_MM: Final = 0.06
"""How much less sure a rim then is."""
_SHADE_SD: Final = 0.3
_SLOPE_SD: Final = 0.06
"""What it takes away, and how evenly the floor's light changes per mm, as shares of the step."""
_WIDEST_WALL_MM: Final = 3.0
"""Of a wall that seems wider only so much is explained: the far rim then is another edge, not confused with the rim."""
_WALLS_MM: Final = np.r_[np.arange(0.0, 0.6, 0.06), np.arange(0.6, 3.01, 0.15)]
"""Widths of walls that are told apart."""
_BLURS_PX: Final = (0.5, 0.7, 0.95, 1.3, 1.8, 2.5)
_MOST_COST: Final = 16.0
"""What a profile costs at most that does not agree, in units of the noise's variance."""
_LEAST_STEP: Final = 0.012
"""Least step of linear light at an edge, as a share of white."""
_LEAST_STEP_SHARE: Final = 0.12
"""The same, as a share of the largest difference to the panel."""
_LEAST_SHARE: Final = 0.4
"""Share of what a profile varies by that its edge must explain."""
_MOST_UNEVEN: Final = 0.25
"""How far the panel's light around a hole may vary, as a share of the step: marks of the mat surround no hole."""
_ON_RIM_MM: Final = 0.25
_ROUND_MM: Final = 0.22
"""Root mean square distance from the circle, of profiles that count as on it, beyond which a hole is not round."""
_NOTED_OVAL_MM: Final = 0.08
_ALMOST_AS_GOOD: Final = 0.85
_LEAST_QUALITY: Final = 0.36
"""Of 192 holes drawn at random, all but one of those that were off by more than 0.3 mm lay below."""
_NOMINAL_MM: Final = 1.2
"""How far holes are off their nominal diameter, where one has to choose."""
_SAME_SHARE: Final = 0.35
"""Circles whose middles are nearer than this share of the larger's radius are rims of one hole."""
_LUMINANCE: Final = (0.0722, 0.7152, 0.2126)
"""Of linear B, G, R (ITU-R BT.709)."""
_COLOURS: Final = ((1.0, 0.0, 0.0), (0.0, 0.0, 1.0))
"""What else is tried where a rim hardly shows: shaded paper may be as bright as brown board, not as blue."""
_TINTED: Final = 0.15
"""Difference of log(R/B) from which on that is tried."""
_POOR_OVAL_MM: Final = 0.05
_LEAST_SHIFT_MM: Final = 0.4
"""From here on, the far rim's shift against the rim, one may be taken for the other."""
_MODEL_SD_MM: Final = 0.015
"""How far a rim may be off by shades that the model does not hold, times one and the panel's light over the step."""


@dataclass(frozen=True, eq=False)
class MeasuredHole:
    """One hole or cap, on the plane of the panel's upper face (caps: of their own).

    `centre_mm` (2,) in the mat frame; `covariance_mm2` (2, 2) of it carries the edge's noise, the camera, the height
    and the print scale, of which the last three move all holes together. `coverage` is the share of the rim that was
    seen, `contrast` the median step of light at it, as a share of white, `roughness_mm` how far the rim strays from a
    circle (root mean square, the photo's noise included), `oval_mm` how far its radius departs twice round.
    """

    centre_mm: FloatArray
    diameter_mm: float
    covariance_mm2: FloatArray
    diameter_sd_mm: float
    coverage: float
    contrast: float
    roughness_mm: float
    oval_mm: float

    @property
    def known_to_mm(self) -> float:
        """How far off the centre may be, in the worst direction (95 %; chi-square of 2 degrees of freedom)."""
        return float(np.sqrt(5.991 * np.linalg.eigvalsh(self.covariance_mm2)[-1]))


@dataclass(frozen=True, eq=False)
class MeasuredPanel:
    """What was found: `holes` of the expected diameters, `others` of other diameters, row by row from the top.

    `doubtful_mm` (N, 2) are places on the mat, mm, of something round that could not be measured; `notes` tell of it.
    """

    holes: tuple[MeasuredHole, ...]
    others: tuple[MeasuredHole, ...]
    height_mm: float
    kind: Kind
    notes: tuple[str, ...]
    doubtful_mm: FloatArray = field(default_factory=lambda: np.zeros((0, 2)))


def measure_holes(
    photo: Photo,
    sighting: Sighting,
    height_mm: float,
    expected_mm: Sequence[float] = (24.0, 30.0),
    tolerance_mm: float = 2.0,
    *,
    height_sd_mm: float = 0.2,
    depth_mm: float | None = None,
    kind: Kind = "holes",
) -> MeasuredPanel:
    """Measure the round holes of a panel whose upper face lies `height_mm` above the mat.

    `sighting` is of this photo. Circles within `tolerance_mm` of an expected diameter are holes, others are told apart.
    `height_sd_mm` is how unsure the height is. `depth_mm` is how far down the wall of a hole reaches, by default to the
    mat; of `kind` "caps", how far caps stand above the panel (4 mm by default), and `height_mm` then is that of their
    tops. InputError for sizes out of range; PhotoError where there is no hole.
    """
    _require_sizes(height_mm, expected_mm, tolerance_mm, height_sd_mm, depth_mm)
    depth = depth_mm if depth_mm is not None else height_mm if kind == "holes" else min(4.0, height_mm)
    if float(sighting.camera.centre_mm[2]) < height_mm + 50.0:
        raise PhotoError(
            f"{photo.name}: the camera was only {sighting.height_mm:.0f} mm above the mat, too near to a panel "
            f"{height_mm:g} mm high. Take the photo from about 45 cm, and check the height."
        )
    scene = _Scene(photo.pixels_bgr, sighting.camera, height_mm, depth, kind == "caps")
    found = _rims(scene, _candidates(scene, sighting))
    wanted = np.array(sorted(expected_mm))
    near = [bool((np.abs(wanted - 2 * rim.radius_mm) <= tolerance_mm).any()) for rim in found]
    kept = _apart([rim for rim, is_near in zip(found, near, strict=True) if is_near], wanted, scene.caps)
    sure = [rim.coverage >= _LEAST_OTHER_COVERAGE for rim in found]
    rest = [rim for rim, is_near, is_sure in zip(found, near, sure, strict=True) if is_sure > is_near]
    rest = _apart([rim for rim in rest if rim.quality >= _LEAST_QUALITY], None, scene.caps)
    rest = [rim for rim in rest if not any(_overlap(rim, other) for other in kept)]
    sd = height_sd_mm if sighting.surface is None else float(np.hypot(height_sd_mm, sighting.surface.rise_mm / 2))
    doubtful = [rim.centre_mm for rim in kept if rim.quality < _LEAST_QUALITY]
    holes = _in_rows([_report(rim, scene, sighting, sd) for rim in kept if rim.quality >= _LEAST_QUALITY])
    others = _in_rows([_report(rim, scene, sighting, sd) for rim in rest])
    sizes = " or ".join(f"{d:g}" for d in wanted)
    if not holes:
        seen = ", ".join(f"{hole.diameter_mm:.1f}" for hole in others[:8])
        raise PhotoError(
            f"{photo.name}: no round {'cap' if scene.caps else 'hole'} of {sizes} mm (within {tolerance_mm:g} mm) can "
            "be seen on the panel. "
            + (f"{_doubts(doubtful)} " if doubtful else "")
            + (f"There are circles of {seen} mm: give these diameters if they are meant. " if others else "")
            + "Lay the panel on the mat with the whole rim of the holes in the picture, keep hands and cables off it, "
            "lay paper of another brightness under it if the holes hardly show, and check the thickness given."
        )
    notes = _notes(holes, others, doubtful, sizes, tolerance_mm, sighting)
    return MeasuredPanel(holes, others, height_mm, kind, notes, np.array(doubtful).reshape(-1, 2))


def as_drawing(measured: MeasuredPanel, nominal_mm: Sequence[float] = (), line_mm: float = 0.0) -> Drawing:
    """Return the holes as a drawing without outline, its origin at the top left of the holes' bounding box.

    A diameter within two deviations of one of `nominal_mm` is taken to be that. Of circles printed as lines of up to
    `line_mm` the outer edge is measured: then also where it is larger by up to that.
    """
    reach = np.array([(*hole.centre_mm, hole.diameter_mm / 2) for hole in measured.holes])
    left, top = (reach[:, :2] - reach[:, 2:]).min(axis=0)
    holes = tuple(
        Hole((float(x - left), float(y - top)), _nominal(hole, nominal_mm, line_mm))
        for (x, y, _), hole in zip(reach, measured.holes, strict=True)
    )
    return Drawing(holes, None, measured.notes)


def _nominal(hole: MeasuredHole, nominal_mm: Sequence[float], line_mm: float) -> float:
    unsure = 2 * hole.diameter_sd_mm
    for nominal in sorted(nominal_mm, key=lambda nominal: abs(nominal - hole.diameter_mm)):
        if -unsure <= hole.diameter_mm - nominal <= unsure + line_mm:
            return float(nominal)
    return float(hole.diameter_mm)


def _require_sizes(
    height_mm: float, expected_mm: Sequence[float], tolerance_mm: float, height_sd_mm: float, depth_mm: float | None
) -> None:
    low, high = HEIGHT_RANGE_MM
    if not low <= height_mm <= high:
        raise InputError(
            f"A panel's upper face {height_mm:g} mm above the mat cannot be measured. Give a thickness of {low:g} to "
            f"{high:g} mm, measured with a caliper."
        )
    least, most = DIAMETER_RANGE_MM
    if not len(expected_mm) or not all(least <= d <= most for d in expected_mm):
        shown = ", ".join(f"{d:g}" for d in expected_mm) or "none"
        raise InputError(f"Diameters to look for must be {least:g} to {most:g} mm, not {shown}. Give one or more.")
    if not 0 < tolerance_mm <= 20:
        raise InputError(f"The tolerance of diameters must be above 0 and up to 20 mm, not {tolerance_mm:g}.")
    if not 0 <= height_sd_mm <= 10:
        raise InputError(f"The height's standard deviation must be 0 to 10 mm, not {height_sd_mm:g}.")
    if depth_mm is not None and not 0 <= depth_mm <= height_mm:
        raise InputError(f"The depth of the walls must be 0 to {height_mm:g} mm (the height), not {depth_mm:g}.")


@dataclass(frozen=True, eq=False)
class _Scene:
    """The photo and the plane measured, in light of `weights` of B, G, R; walls reach `depth_mm` down from it.

    With `shadows`, the floor may be crossed by the edge of a shadow.
    """

    pixels_bgr: NDArray[np.uint8]
    camera: Camera
    height_mm: float
    depth_mm: float
    caps: bool
    weights: tuple[float, float, float] = _LUMINANCE
    shadows: bool = False

    @property
    def shrink(self) -> float:
        """What the lower rim's distances from the camera's foot appear shrunk by, on the upper plane."""
        above = float(self.camera.centre_mm[2]) - self.height_mm
        return above / (above + self.depth_mm)

    def lower(self, centre_mm: FloatArray, radius_mm: float) -> tuple[FloatArray, float]:
        """Return centre and radius that the lower rim seems to have on the upper plane."""
        foot = self.camera.centre_mm[:2]
        return foot + (centre_mm - foot) * self.shrink, radius_mm * self.shrink

    def upper(self, centre_mm: FloatArray, radius_mm: float) -> tuple[FloatArray, float]:
        """Return the inverse of `lower`."""
        foot = self.camera.centre_mm[:2]
        return foot + (centre_mm - foot) / self.shrink, radius_mm / self.shrink

    def px_mm(self, point_mm: FloatArray) -> float:
        """Return the size of a pixel on the plane."""
        _, _, by_point = self.camera.derivatives(np.r_[point_mm, self.height_mm][None])
        return float(1 / np.sqrt(abs(np.linalg.det(by_point[0, :, :2]))))

    def walls_mm(self, centre_mm: FloatArray, radius_mm: float, angles: FloatArray) -> FloatArray:
        """Return how wide the wall is seen along each direction: inwards of a hole's rim, outwards (negative) of a
        cap's, 0 where it is hidden.
        """
        below, radius = self.lower(centre_mm, radius_mm)
        off = below - centre_mm
        along = off[0] * np.cos(angles) + off[1] * np.sin(angles)
        inside = radius**2 - float(off @ off) + along**2
        width = np.where(inside > 0, radius_mm - along - np.sqrt(np.maximum(inside, 0.0)), _WIDEST_WALL_MM)
        limits = (-_WIDEST_WALL_MM, 0.0) if self.caps else (0.0, _WIDEST_WALL_MM)
        return np.clip(width, *limits)


# --- where circles may be ---------------------------------------------------------------------------------------


def _candidates(scene: _Scene, sighting: Sighting) -> list[tuple[FloatArray, float]]:
    """Return middles (2,) and radii, mm, of circles to which enough edges point, best first."""
    view, grey = _coarse(scene, sighting)
    if min(grey.shape) < 32:
        return []
    smooth = cv2.GaussianBlur(grey, (0, 0), 0.8)
    dx, dy = (cv2.Scharr(smooth, cv2.CV_16S, *order) for order in ((1, 0), (0, 1)))
    low, high = (32 * level for level in _EDGE_LEVELS)  # Scharr's weights sum to 32 for a ramp of 1
    edges = cv2.Canny(dx, dy, low, high, L2gradient=True) > 0
    edges[:2], edges[-2:], edges[:, :2], edges[:, -2:] = False, False, False, False
    edges &= ~_mat_shows(grey, view, scene, sighting)
    rows, columns = np.nonzero(edges)
    gradient = np.stack([dx[rows, columns], dy[rows, columns]], axis=1).astype(np.float32)
    gradient /= np.linalg.norm(gradient, axis=1, keepdims=True)
    places = (np.stack([columns, rows], axis=1).astype(np.float32) + 0.5) / np.float32(_COARSE_PX_PER_MM)
    radii = np.arange(DIAMETER_RANGE_MM[0] / 2 - 0.5, DIAMETER_RANGE_MM[1] / 2 + 1.5, _CELL_MM)
    votes = _votes(places, gradient, radii, view.size_mm)
    peaks = _peaks(votes, radii)
    return [(view.to_mat((np.array([x, y]) + 0.5) * _CELL_MM), float(radii[k])) for k, y, x in peaks]


def _coarse(scene: _Scene, sighting: Sighting) -> tuple[View, NDArray[np.uint8]]:
    """Return a square view of the plane, over the mat and its surroundings as far as the picture reaches."""
    columns, rows = sighting.size_px
    across, along = np.linspace(0, columns - 1, 9), np.linspace(0, rows - 1, 9)
    border = np.array(
        [(x, y) for x in across for y in (0, rows - 1)] + [(x, y) for x in (0, columns - 1) for y in along]
    )
    low, high = np.full(2, -_MARGIN_MM), np.array(sighting.mat.size_mm) + _MARGIN_MM
    try:
        ends = scene.camera.at_height(border, scene.height_mm)
        low, high = np.maximum(low, ends.min(axis=0)), np.minimum(high, ends.max(axis=0))
    except PhotoError:
        pass  # a corner beyond the horizon: the mat's surroundings it is
    size = np.maximum(np.floor(high - low), 1.0)
    view = View(low, np.array([1.0, 0.0]), (float(size[0]), float(size[1])), _COARSE_PX_PER_MM, scene.height_mm)
    grey = cv2.cvtColor(scene.pixels_bgr, cv2.COLOR_BGR2GRAY)
    fine = 1 / scene.px_mm((low + high) / 2)
    factor = max(1, round(fine / _COARSE_PX_PER_MM))
    cropped = grey[: rows // factor * factor, : columns // factor * factor]
    small = cv2.resize(cropped, (columns // factor, rows // factor), interpolation=cv2.INTER_AREA)
    return view, rectify(np.asarray(small, np.uint8), scene.camera, view, 1 / factor)


def _mat_shows(grey: NDArray[np.uint8], view: View, scene: _Scene, sighting: Sighting) -> NDArray[np.bool_]:
    """Return where in the view the printed marks are seen: where the picture goes with them."""
    expected = np.full(grey.shape, 255, np.uint8)
    corners = np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]])
    foot = scene.camera.centre_mm[:2]
    shrink = 1 - scene.height_mm / float(scene.camera.centre_mm[2])  # of the mat, seen on the plane
    for sheet in sighting.sheets:
        ends = view.from_mat(foot + (sheet.to_mat(100 * corners) - foot) * shrink)
        # Both pictures have their first pixel's centre half a pixel from the corner.
        to_view = cv2.getAffineTransform(
            (100 * corners * _COARSE_PX_PER_MM - 0.5).astype(np.float32),
            (ends * _COARSE_PX_PER_MM - 0.5).astype(np.float32),
        )
        marks = sheet_raster(sheet.sheet, _COARSE_PX_PER_MM)
        seen = cv2.warpAffine(marks, to_view, grey.shape[::-1], borderValue=(255,))
        expected = np.minimum(expected, seen)
    a, b = (cv2.GaussianBlur(picture, (0, 0), 1.0).astype(np.float32) for picture in (expected, grey))
    side = (_MARK_PX, _MARK_PX)
    mean_a, mean_b = cv2.blur(a, side), cv2.blur(b, side)
    together = cv2.blur(a * b, side) - mean_a * mean_b
    var_a, var_b = (np.maximum(cv2.blur(x * x, side) - m * m, 0) for x, m in ((a, mean_a), (b, mean_b)))
    return np.asarray((var_a > 20.0**2) & (together > _LIKE_MARKS * np.sqrt(var_a * var_b + 1)))


def _votes(
    places: NDArray[np.float32], gradient: NDArray[np.float32], radii: FloatArray, size_mm: tuple[float, float]
) -> NDArray[np.float32]:
    """Return for each radius and cell the share of a circle's length whose edges point to it or away from it."""
    columns, rows = (int(n // _CELL_MM) + 1 for n in size_mm)
    votes = np.zeros((len(radii), rows, columns), np.float32)
    for k, radius in enumerate(radii):
        for sign in (-radius, radius):
            cells = ((places + np.float32(sign) * gradient) / np.float32(_CELL_MM)).astype(np.int32)
            x, y = cells[:, 0], cells[:, 1]
            inside = (x > 0) & (x < columns) & (y > 0) & (y < rows)
            counts = np.bincount(y[inside] * columns + x[inside], minlength=rows * columns)
            votes[k] += counts.reshape(rows, columns).astype(np.float32)
    pooled = votes.copy()
    pooled[1:] += 0.5 * votes[:-1]
    pooled[:-1] += 0.5 * votes[1:]
    for k, radius in enumerate(radii):
        side = 3 if radius < 18 else 5  # the directions of edges are known to a few degrees
        length_px = 2 * np.pi * radius * _COARSE_PX_PER_MM / 1.12  # Canny's lines hold fewer pixels than they are long
        pooled[k] = cv2.boxFilter(pooled[k], -1, (side, side), normalize=False) / np.float32(length_px)
    return pooled


def _peaks(votes: NDArray[np.float32], radii: FloatArray) -> list[tuple[int, int, int]]:
    """Return radius number, row and column of the local maxima, best first."""
    window = np.ones((5, 5), np.uint8)
    around = np.stack([cv2.dilate(layer, window) for layer in votes])
    highest = around.copy()
    for shift in (1, 2):
        highest[shift:] = np.maximum(highest[shift:], around[:-shift])
        highest[:-shift] = np.maximum(highest[:-shift], around[shift:])
    where = np.argwhere((votes >= highest) & (votes > _LEAST_VOTES))
    score = votes[tuple(where.T)] * np.sqrt(radii)[where[:, 0]]  # a few stray edges make up a small circle
    best = where[np.argsort(-score, kind="stable")][:_MOST_CANDIDATES]
    return [(int(k), int(y), int(x)) for k, y, x in best]


def _rims(scene: _Scene, candidates: Sequence[tuple[FloatArray, float]]) -> list[_Rim]:
    """Return every rim that candidates lead to; what lies within a rim well seen is not measured."""
    found: list[_Rim] = []
    blur: float | None = None
    for centre, radius in candidates:
        if any(_explains(rim, centre, radius, scene.caps) for rim in found):
            continue
        found += _measure(scene, (centre, radius), blur)
        if len(found) >= _ENOUGH_FOR_BLUR:  # the picture is about as sharp everywhere
            blur = float(np.median([rim.blur_px for rim in found]))
    return found


def _explains(rim: _Rim, centre: FloatArray, radius: float, caps: bool) -> bool:
    apart = float(np.linalg.norm(rim.centre_mm - centre))
    if apart < 1.5 and abs(rim.radius_mm - radius) < 1.5:
        return True
    return not caps and rim.coverage > 0.8 and apart + radius < rim.radius_mm + 2.0


# --- one circle measured ----------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Rim:
    """A circle on the plane. `covariance` (3, 3) of x, y, radius holds the edge's noise alone."""

    centre_mm: FloatArray
    radius_mm: float
    covariance: FloatArray
    coverage: float
    contrast: float
    roughness_mm: float
    blur_px: float
    oval_mm: float

    @property
    def quality(self) -> float:
        """How well it is seen, 0 to 1."""
        return self.coverage / (1 + 5 * self.roughness_mm + 10 * self.oval_mm)


@dataclass(frozen=True, eq=False)
class _Table:
    """What each of the directions costs for each place of its edge.

    `cost` (directions, places), in units of the noise's variance, is that of panel, wall and floor fitted with the rim
    at `offsets_mm` (places,) from the circle expected. `curvature_alone` would be that of half the cost if wall and
    shade were known: it tells how much of an edge's place hangs on them. `explained` is the share of variation that is
    explained, `step` the largest step of light. `face` (directions,) is the light of the panel, or the cap.
    """

    offsets_mm: FloatArray
    cost: FloatArray
    curvature_alone: FloatArray
    explained: FloatArray
    step: FloatArray
    blur_px: float
    face: FloatArray


def _angles() -> FloatArray:
    return np.asarray(np.arange(_DIRECTIONS) * (2 * np.pi / _DIRECTIONS), dtype=np.float64)


def _measure(scene: _Scene, start: tuple[FloatArray, float], blur_px: float | None) -> list[_Rim]:
    """Return the rims that a candidate may stand for, none if it is no circle."""
    centre, radius = start
    table = _table(scene, centre, radius, _FIRST_WINDOW_MM, plain=True)
    if table is None:
        return []
    unknowns, keep = _settle(table, _search(table))
    if keep.mean() < _LEAST_FIRST_COVERAGE:
        return []
    centre, radius = centre + unknowns[:2], radius + float(unknowns[2])
    found = _rims_near(scene, centre, radius, blur_px)
    if keep.mean() > _LEAST_SECOND_COVERAGE and not scene.caps:
        others = [replace(scene, shadows=True)]
        if _is_tinted(scene, centre, radius):
            others += [replace(scene, weights=weights) for weights in _COLOURS]
        for other in others:
            if any(rim.oval_mm < _POOR_OVAL_MM for rim in found):
                break
            found += _rims_near(other, centre, radius, blur_px)
    return found


def _is_tinted(scene: _Scene, centre: FloatArray, radius: float) -> bool:
    """Tell whether the panel beside a hole is of another tint than what is seen in the hole."""
    turn = _angles()[::6]
    circle = np.column_stack([np.cos(turn), np.sin(turn)])
    tints = []
    for reach in (radius + 1.5, 0.6 * radius):
        points = np.c_[centre + reach * circle, np.full(len(turn), scene.height_mm)]
        x, y = np.rint(scene.camera.project(points)).astype(int).T
        rows, columns = scene.pixels_bgr.shape[:2]
        light = LINEAR_32[scene.pixels_bgr[np.clip(y, 0, rows - 1), np.clip(x, 0, columns - 1)]] + 0.01
        tints.append(np.median(np.log(light[:, 2] / light[:, 0])))
    return bool(abs(tints[0] - tints[1]) > _TINTED)


def _rims_near(scene: _Scene, centre: FloatArray, radius: float, blur_px: float | None) -> list[_Rim]:
    """Return the rims that a circle, which was found without regard to walls, may stand for."""
    outer = _from_panel(scene, centre, radius)
    rim = _finish(scene, *outer, blur_px, (_LAST_WINDOW_MM,) * 2) if outer else None
    if rim and rim.coverage > 0.85 and np.linalg.norm(rim.centre_mm - centre) + radius < rim.radius_mm + 0.3:
        found = [rim]
    else:
        other = _finish(scene, centre, radius, blur_px, (_WINDOW_MM, _LAST_WINDOW_MM))
        found = [r for r in (rim, other) if r is not None]
    # A wall that is as light as the panel leaves the near half of the rim and the far half of the far rim to be seen.
    shift = scene.upper(centre, radius)[0] - centre
    length = float(np.linalg.norm(shift))
    if scene.shadows or length < _LEAST_SHIFT_MM or any(r.coverage > 0.9 and r.oval_mm < _POOR_OVAL_MM for r in found):
        return found
    for begin in ((centre + shift / 2, radius + length / np.pi), scene.upper(centre, radius)):
        raised = _finish(scene, *begin, blur_px, (_WINDOW_MM, _LAST_WINDOW_MM))
        found += [raised] if raised else []
    return found


def _from_panel(scene: _Scene, centre: FloatArray, radius: float) -> tuple[FloatArray, float] | None:
    """Return the circle through the places where, coming from the panel (caps: from the cap), light first changes.

    A circle that was found may be the far rim or a shadow's, or partly the rim and partly these.
    """
    step_mm = max(scene.px_mm(centre) / 2, 0.1)
    strip = _profiles(scene, centre, radius, min(_BEYOND_MM, 0.8 * radius), _BEYOND_MM, step_mm)
    if strip is None:
        return None
    offsets, light = strip
    if not scene.caps:
        offsets, light = offsets[::-1], light[:, ::-1]
    first = max(3, len(offsets) // 6)
    level = np.median(light[:, :first], axis=1, keepdims=True)
    noise = 1.4826 * float(np.median(np.abs(light[:, :first] - level)))
    change = np.abs(light - level)
    bound = np.maximum(max(5 * noise, _LEAST_STEP), _LEAST_CHANGE * change.max(axis=1, keepdims=True))
    at = (change > bound).argmax(axis=1)
    good = at >= first
    # Blur lets light change before the rim, so that this circle is too large by about a pixel: it is a start only.
    circle = np.zeros(3)
    place = offsets[at]
    circle[2] = float(np.median(place[good])) if good.any() else 0.0
    for spread in (2.0, 1.0, 0.6, 0.4, 0.4):
        miss = place - _design() @ circle
        weight = good * np.maximum(1 - (miss / (2 * spread)) ** 2, 0) ** 2
        normal = _design().T @ (_design() * weight[:, None])
        if weight.sum() < 12 or np.linalg.cond(normal) > 1e6:
            return None
        circle = circle + np.linalg.solve(normal, _design().T @ (weight * miss))
    if not DIAMETER_RANGE_MM[0] / 2 - 1 < radius + circle[2] < DIAMETER_RANGE_MM[1] / 2 + 1:
        return None
    return centre + circle[:2], radius + float(circle[2])


def _profiles(
    scene: _Scene, centre: FloatArray, radius: float, inner_mm: float, outer_mm: float, step_mm: float
) -> tuple[FloatArray, FloatArray] | None:
    """Return places (n,) relative to the circle and linear light (directions, n); None where the photo ends."""
    offsets = np.arange(-np.ceil(inner_mm / step_mm), np.ceil(outer_mm / step_mm) + 1) * step_mm
    angles = _angles()
    out = np.maximum(radius + offsets, 0.0)
    x = centre[0] + np.cos(angles)[:, None] * out
    y = centre[1] + np.sin(angles)[:, None] * out
    points = np.stack([x.ravel(), y.ravel(), np.full(x.size, scene.height_mm)], axis=1)
    pixels = scene.camera.project(points)
    low, high = pixels.min(axis=0), pixels.max(axis=0)
    rows, columns = scene.pixels_bgr.shape[:2]
    if (low < 2).any() or (high > np.array([columns, rows]) - 3).any():
        return None
    x0, y0 = np.floor(low).astype(int) - 2
    x1, y1 = np.ceil(high).astype(int) + 3
    light = LINEAR_32[scene.pixels_bgr[y0:y1, x0:x1]] @ np.array(scene.weights, np.float32)
    where = (pixels - [x0, y0]).astype(np.float32).reshape(*x.shape, 2)
    seen = cv2.remap(light, where[..., 0], where[..., 1], cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    return offsets, np.asarray(seen, dtype=np.float64)


def _table(
    scene: _Scene,
    centre: FloatArray,
    radius: float,
    window: tuple[float, float, float],
    plain: bool = False,
    blur_px: float | None = None,
) -> _Table | None:
    """Return the costs of a circle's profiles: the rim within the first of `window` of it, explained as far beside as
    the second, mm. `plain` leaves the wall out of account. None where the photo ends.
    """
    px_mm = scene.px_mm(centre)
    step_mm = max(px_mm / 2, 0.08)
    reach = window[0]
    to_floor, to_face = max(window[1], 1.5 * px_mm), max(window[2], 2 * px_mm)
    inwards, outwards = (to_face, to_floor) if scene.caps else (to_floor, to_face)
    walls = np.zeros(_DIRECTIONS) if plain else scene.walls_mm(centre, radius, _angles())
    inner = min(reach + inwards + max(0.0, float(walls.max())), 0.9 * radius)
    strip = _profiles(scene, centre, radius, inner, reach + outwards - min(0.0, float(walls.min())), step_mm)
    if strip is None:
        return None
    offsets, light = strip
    spacing = min(step_mm, reach / (6 if plain else 8))
    places = np.arange(-np.floor(reach / spacing), np.floor(reach / spacing) + 1) * spacing
    total = light.var(axis=1) * len(offsets)
    sides = offsets < -reach if scene.caps else offsets > reach
    face = light[:, sides].mean(axis=1)
    if blur_px is None:
        few = slice(None, None, 5)
        rated = [
            (float(np.median(_explain(offsets, light[few], face[few], walls[few], places, *how)[0].min(axis=1))), b)
            for b in ((1.0,) if plain else _BLURS_PX)
            for how in ((b * px_mm, scene.caps, scene.shadows),)
        ]
        blur_px = min(rated)[1]
    rss, alone, step = _explain(offsets, light, face, walls, places, blur_px * px_mm, scene.caps, scene.shadows)
    # Samples are closer than pixels, so that only a share of them is independent.
    share = min(1.0, step_mm / px_mm)
    lowest = rss.min(axis=1)
    free = max(2.0, share * len(offsets) - 4)
    noise = np.maximum(np.maximum(lowest, float(np.median(lowest))) * share / free, 1e-8)
    scale = (share / noise)[:, None]
    explained = 1 - rss / np.maximum(total, 1e-12)[:, None]
    # No edge where other parts of the floor's light make up for what is seen, or the step for them.
    most = np.abs(light - face[:, None]).max(axis=1)[:, None]
    explained[(step > 1.5 * np.ptp(light, axis=1)[:, None]) | (step < _LEAST_STEP_SHARE * scene.shadows * most)] = 0.0
    return _Table(places, rss * scale, alone * scale, explained, step, blur_px, face)


def _explain(
    offsets: FloatArray,
    light: FloatArray,
    face: FloatArray,
    walls: FloatArray,
    places: FloatArray,
    blur_mm: float,
    caps: bool,
    shadows: bool,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return, for each direction and place of the rim, the sum of squares that is left, its curvature if wall and
    shade were known, and the largest step of light.

    The light is that of the panel's `face`, its wall and the floor, blurred. The wall is of the panel's material and
    less lit, anywhere from nearly black to as light as the face; the floor is darker at the wall's foot.
    """
    from scipy.special import ndtr

    size = (len(light), len(places))
    rss, step, slope = np.empty(size), np.empty(size), np.empty(size)
    widths = _WALLS_MM[np.abs(np.abs(walls)[:, None] - _WALLS_MM).argmin(axis=1)] * np.sign(walls)
    contrast = float(np.median(np.abs(light - face[:, None]).max(axis=1))) + 1e-3
    level = float(np.median(face)) + 1e-3
    noise2 = (_MODEL_ERROR * contrast) ** 2
    outwards = 1.0 if caps else -1.0  # where the floor is, seen from the rim
    centred = light - light.mean(axis=1, keepdims=True)
    from_rim = offsets - places[:, None]
    rim = ndtr(outwards * from_rim / blur_mm)
    rim_slope = np.exp(-((from_rim / blur_mm) ** 2) / 2) / (blur_mm * np.sqrt(2 * np.pi))
    for width in np.unique(widths):
        mine = widths == width
        from_far = from_rim + width
        floor = ndtr(outwards * from_far / blur_mm)
        depth = np.clip(outwards * from_far, 0.0, 2.0)
        parts = [floor, floor * np.exp(-depth / _SHADE_MM), floor * depth]
        sds = [30 * contrast, _SHADE_SD * contrast, _SLOPE_SD * contrast]
        if shadows:
            parts += [ndtr((outwards * from_far - start) / blur_mm) for start in _SHADOWS_MM]
            sds += [_SHADOW_SD * contrast] * len(_SHADOWS_MM)
        if width:
            parts.insert(0, rim - floor)
            sds.insert(0, _WALL_LIGHT[1] * level)
        basis = np.stack(parts, axis=1)
        basis -= basis.mean(axis=2, keepdims=True)
        gram = basis @ basis.transpose(0, 2, 1)
        on = (centred[mine] @ basis.reshape(-1, len(offsets)).T).reshape(-1, *basis.shape[:2])
        left = (centred[mine] ** 2).sum(axis=1)[:, None]
        wall = np.zeros((len(on), 1))
        if width:
            wall = ((_WALL_LIGHT[0] - 1) * face[mine])[:, None]
            left = left - 2 * wall * on[..., 0] + wall**2 * gram[:, 0, 0]
            on = on - wall[..., None] * gram[:, :, 0]
        inverse = np.linalg.inv(gram + np.diag(noise2 / np.array(sds) ** 2))
        weights = np.einsum("pkl,dpl->dpk", inverse, on)
        rss[mine] = left - (on * weights).sum(axis=2)
        first = 1 if width else 0
        to_floor = weights[..., first] + weights[..., first + 1]
        to_wall = wall + weights[..., 0] if width else np.zeros_like(to_floor)
        step[mine] = np.maximum(np.abs(to_floor), np.abs(to_wall) * min(1.0, abs(width) / (2 * blur_mm)))
        far_slope = np.exp(-((from_far / blur_mm) ** 2) / 2) / (blur_mm * np.sqrt(2 * np.pi))
        beyond = to_floor - to_wall
        slope[mine] = (
            beyond**2 * (far_slope**2).sum(axis=1)
            + to_wall**2 * (rim_slope**2).sum(axis=1)
            + 2 * beyond * to_wall * (far_slope * rim_slope).sum(axis=1)
        )
    return rss, slope, step


def _design() -> FloatArray:
    angles = _angles()
    return np.stack([np.cos(angles), np.sin(angles), np.ones(_DIRECTIONS)], axis=1)


def _search(table: _Table) -> FloatArray:
    """Return the shift of x, y and radius (3,) that explains the profiles best, on a grid."""
    cost = np.minimum(table.cost - table.cost.min(axis=1, keepdims=True), _MOST_COST)
    reach = float(table.offsets_mm[-1])
    grid = np.linspace(-0.66, 0.66, 9) * reach
    trial = np.stack(np.meshgrid(grid, grid, grid, indexing="ij"), axis=-1).reshape(-1, 3)
    some = slice(None, None, 2)
    spacing = table.offsets_mm[1] - table.offsets_mm[0]
    # A grid step wide, so that no valley is missed between nodes.
    wide = max(1, round(float(grid[1] - grid[0]) / 2 / spacing))
    broad = cv2.blur(cost, (2 * wide + 1, 1), borderType=cv2.BORDER_REPLICATE)[some]
    where = trial @ _design()[some].T
    index = np.clip(np.rint((where - table.offsets_mm[0]) / spacing).astype(int), 0, len(table.offsets_mm) - 1)
    total = np.where(np.abs(where) > reach, _MOST_COST, broad[np.arange(broad.shape[0]), index]).sum(axis=1)
    return np.asarray(trial[int(total.argmin())], dtype=np.float64)


def _edges_near(
    table: _Table, expected: FloatArray, window_mm: float
) -> tuple[FloatArray, FloatArray, NDArray[np.bool_]]:
    """Return for each direction where the valley of cost next to `expected` (directions,) lies, its variance by the
    curvature, and whether it is an edge.
    """
    spacing = float(table.offsets_mm[1] - table.offsets_mm[0])
    cost = table.cost
    near = np.abs(table.offsets_mm - expected[:, None]) <= window_mm
    inner = np.zeros_like(near)
    inner[:, 1:-1] = (cost[:, 1:-1] <= cost[:, :-2]) & (cost[:, 1:-1] <= cost[:, 2:])
    rated = np.where(near & inner, cost, np.inf)
    at = rated.argmin(axis=1)
    line = np.arange(len(cost))
    good = np.isfinite(rated[line, at])
    at = np.clip(at, 1, len(table.offsets_mm) - 2)
    before, here, after = cost[line, at - 1], cost[line, at], cost[line, at + 1]
    bend = np.maximum(before - 2 * here + after, 1e-6)
    place = table.offsets_mm[at] + spacing * np.clip((before - after) / (2 * bend), -1, 1)
    variance = 2 * spacing**2 / bend
    good &= table.explained[line, at] > _LEAST_SHARE
    good &= np.abs(table.step[line, at]) > _LEAST_STEP
    good &= here - cost.min(axis=1) < 4 * _MOST_COST
    return place, variance, good


def _settle(table: _Table, unknowns: FloatArray) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Return the circle's shifts after weighting down what strays, and the directions that lie on it."""
    design = _design()
    keep = np.zeros(_DIRECTIONS, bool)
    for window in (0.5, 0.4, 0.3, 0.3, 0.3, 0.3):
        place, variance, good = _edges_near(table, design @ unknowns, window)
        if good.sum() < 12:
            return unknowns, keep
        miss = place - design @ unknowns
        spread = max(1.4826 * float(np.median(np.abs(miss[good]))), 0.02)
        weight = good * np.maximum(1 - (miss / (4.7 * spread)) ** 2, 0) ** 2 / (variance + spread**2)
        normal = design.T @ (design * weight[:, None])
        if np.linalg.cond(normal) > 1e8:
            return unknowns, keep
        shift = np.linalg.solve(normal, design.T @ (weight * miss))
        unknowns = unknowns + shift
        keep = good & (np.abs(place - design @ unknowns) < _ON_RIM_MM)
        if np.abs(shift).max() < 1e-3 and window == 0.3:
            break
    return unknowns, keep


def _finish(
    scene: _Scene,
    centre: FloatArray,
    radius: float,
    blur_px: float | None,
    windows: Sequence[tuple[float, float, float]],
) -> _Rim | None:
    """Return the rim measured with its wall, or None if too little of it is seen or it is not round."""
    design = _design()
    if radius > DIAMETER_RANGE_MM[1] / 2 + 1:
        return None
    unknowns = np.zeros(3)
    for window, least in zip(windows, (LEAST_COVERAGE - 0.2, LEAST_COVERAGE), strict=True):
        seen = _table(scene, centre, radius, window, blur_px=blur_px)
        if seen is None:
            return None
        table = seen
        blur_px = table.blur_px
        unknowns, keep = _settle(table, _search(table))
        if keep.mean() < least:
            return None
        centre, radius = centre + unknowns[:2], radius + float(unknowns[2])
    place, variance, good = _edges_near(table, design @ unknowns, 0.3)
    miss = place - design @ unknowns
    keep &= good
    rough = float(np.sqrt((miss[keep] ** 2).mean()))
    px_mm = scene.px_mm(centre)
    if rough > _ROUND_MM or not DIAMETER_RANGE_MM[0] <= 2 * radius <= DIAMETER_RANGE_MM[1]:
        return None
    at = np.clip(np.searchsorted(table.offsets_mm, place), 0, len(table.offsets_mm) - 1)
    alone = 1 / np.maximum(table.curvature_alone[np.arange(_DIRECTIONS), at], 1e-6)
    contrast = float(np.median(np.abs(table.step[np.arange(_DIRECTIONS), at])[keep]))
    face = table.face[keep]
    if 1.4826 * float(np.median(np.abs(face - np.median(face)))) > _MOST_UNEVEN * contrast:
        return None
    oval, coverage = _oval_mm(miss[keep], keep), float(keep.mean())
    model_sd = _MODEL_SD_MM * (1 + float(np.median(face)) / contrast) + (_SHADOWED_SD_MM if scene.shadows else 0.0)
    return _Rim(
        centre,
        radius,
        _edge_covariance(design[keep], miss[keep], variance[keep], alone[keep], radius, px_mm)
        + np.eye(3) * (_strange_mm(oval, coverage) ** 2 + model_sd**2),
        coverage,
        contrast,
        rough,
        table.blur_px,
        oval,
    )


def _oval_mm(miss: FloatArray, keep: NDArray[np.bool_]) -> float:
    """Return by how much the rim is oval: the amplitude of twice the direction in what is left, (kept,)."""
    angles = 2 * _angles()[keep]
    design = np.stack([np.cos(angles), np.sin(angles), np.ones_like(angles)], axis=1)
    found = np.linalg.lstsq(np.c_[design, _design()[keep][:, :2]], miss, rcond=None)[0]
    return float(np.hypot(found[0], found[1]))


def _strange_mm(oval_mm: float, coverage: float) -> float:
    """Return how far a circle may be off because part of what was taken for its rim is something else.

    Where the floor's shade is as light as the panel, the rim does not show and the shade's edge is taken for it: the
    figure is oval then, or has gaps. Twelve such holes were drawn; factors cover what they were off by, roughly.
    """
    return 2.5 * max(oval_mm - 0.03, 0.0) + 1.5 * max(0.85 - coverage, 0.0)


def _edge_covariance(
    design: FloatArray, miss: FloatArray, variance: FloatArray, alone: FloatArray, radius: float, px_mm: float
) -> FloatArray:
    """Return the covariance (3, 3) of x, y and radius.

    Two parts: scatter round the circle, with neighbours related (a rim that is not round, directions that share
    pixels); and the light of the wall, which is unknown but the same all round, so that it does not average out.
    """
    spread2 = max(float((miss**2).mean()), 0.01**2)
    related = 1.0
    for lag in range(1, 9):
        related += 2 * max(0.0, float((miss[lag:] * miss[:-lag]).mean()) / spread2)
    related = max(related, px_mm / (2 * np.pi * radius / _DIRECTIONS))
    weight = 1 / (variance + spread2)
    inverse = np.linalg.inv(design.T @ (design * weight[:, None]))
    scatter = inverse * max(1.0, float((miss**2 * weight).mean()) * 2) * related
    hidden = np.sqrt(np.clip(variance - alone, 0.0, 0.3**2))
    common = inverse @ (design.T @ (weight * hidden))
    return np.asarray(scatter + np.outer(common, common), dtype=np.float64)


# --- all of them ------------------------------------------------------------------------------------------------


def _overlap(one: _Rim, other: _Rim) -> bool:
    apart = float(np.linalg.norm(one.centre_mm - other.centre_mm))
    return apart < max(one.radius_mm, other.radius_mm) or apart < 0.9 * (one.radius_mm + other.radius_mm)


def _apart(rims: Sequence[_Rim], wanted_mm: FloatArray | None, caps: bool) -> list[_Rim]:
    """Return one rim for each hole: the one seen best, but of nearly concentric holes' rims the outer.

    Of rims that compete for a hole those near a diameter in `wanted_mm` go first; none is measured otherwise for it.
    """

    def score(rim: _Rim) -> float:
        off = 0.0 if wanted_mm is None else float(np.abs(wanted_mm - 2 * rim.radius_mm).min())
        return rim.quality * float(np.exp(-((off / _NOMINAL_MM) ** 2) / 2))

    kept: list[_Rim] = []
    for rim in sorted(rims, key=lambda r: (-score(r), r.radius_mm)):
        clashing = [k for k, other in enumerate(kept) if _overlap(rim, other)]
        if not clashing:
            kept.append(rim)
            continue
        k = clashing[0]
        other = kept[k]
        middle = float(np.linalg.norm(rim.centre_mm - other.centre_mm))
        concentric = middle < _SAME_SHARE * max(rim.radius_mm, other.radius_mm)
        outside = rim.radius_mm - other.radius_mm + middle > 0.3 and rim.radius_mm > other.radius_mm - 0.1
        if len(clashing) == 1 and concentric and outside and not caps and score(rim) > _ALMOST_AS_GOOD * score(other):
            kept[k] = rim
    return kept


def _in_rows(holes: Sequence[MeasuredHole]) -> tuple[MeasuredHole, ...]:
    """Return the holes row by row from the top, each from the left; a row ends where the next hole lies well below."""
    rows: list[list[MeasuredHole]] = []
    for hole in sorted(holes, key=lambda h: float(h.centre_mm[1])):
        if rows and hole.centre_mm[1] - rows[-1][-1].centre_mm[1] < hole.diameter_mm / 2:
            rows[-1].append(hole)
        else:
            rows.append([hole])
    return tuple(hole for row in rows for hole in sorted(row, key=lambda h: float(h.centre_mm[0])))


def _report(rim: _Rim, scene: _Scene, sighting: Sighting, height_sd_mm: float) -> MeasuredHole:
    """Return the hole with everything that makes it unsure."""
    spots = rim.centre_mm + rim.radius_mm * np.array([[0, 0], [1, 0], [-1, 0], [0, 1], [0, -1]])
    pixels = scene.camera.project(np.c_[spots, np.full(5, scene.height_mm)])
    covariance = at_height_covariance(
        scene.camera, sighting.parameter_covariance, pixels[:1], scene.height_mm, z_sd_mm=height_sd_mm
    )[0]
    covariance = covariance + rim.covariance[:2, :2] + sighting.scale_covariance(rim.centre_mm[None])[0]
    covariance = covariance + np.eye(2) * sighting.crosscheck_mm**2 / 2
    by_parameters, _, by_height = at_height_derivatives(scene.camera, pixels, scene.height_mm)
    by_camera = (by_parameters[1, 0] - by_parameters[2, 0] + by_parameters[3, 1] - by_parameters[4, 1]) / 2
    widening = float(by_height[1, 0] - by_height[2, 0] + by_height[3, 1] - by_height[4, 1]) / 2
    variance = 4 * rim.covariance[2, 2] + float(by_camera @ sighting.parameter_covariance @ by_camera)
    variance += (widening * height_sd_mm) ** 2 + (2 * rim.radius_mm * sighting.print_scale.relative_sd) ** 2
    return MeasuredHole(
        centre_mm=rim.centre_mm.copy(),
        diameter_mm=2 * rim.radius_mm,
        covariance_mm2=np.asarray(covariance, dtype=np.float64),
        diameter_sd_mm=float(np.sqrt(variance)),
        coverage=rim.coverage,
        contrast=rim.contrast,
        roughness_mm=rim.roughness_mm,
        oval_mm=rim.oval_mm,
    )


def _doubts(places_mm: Sequence[FloatArray]) -> str:
    shown = ", ".join(f"({x:.0f}, {y:.0f})" for x, y in places_mm[:8])
    return (
        f"Something round at {shown}, mm on the mat, could not be measured: too little of the rim shows, or a shadow's "
        "edge is mixed up with it."
    )


def _notes(
    holes: Sequence[MeasuredHole],
    others: Sequence[MeasuredHole],
    doubtful: Sequence[FloatArray],
    sizes: str,
    tolerance_mm: float,
    sighting: Sighting,
) -> tuple[str, ...]:
    notes = []
    if others:
        shown = "; ".join(f"{h.diameter_mm:.1f} mm at ({h.centre_mm[0]:.0f}, {h.centre_mm[1]:.0f})" for h in others[:8])
        notes.append(
            f"Circles that are not within {tolerance_mm:g} mm of {sizes} mm were left out: {shown}. Give their "
            "diameters if they are holes for buttons."
        )
    if doubtful:
        notes.append(
            f"{_doubts(doubtful)} If these are holes, take another photo in even light, from straight above, or lay "
            "paper of another brightness under the panel."
        )
    covered = sum(hole.coverage < 0.8 for hole in holes)
    if covered:
        notes.append(
            f"Of {covered} of the {len(holes)} holes part of the rim is hidden or hardly shows; they are less sure."
        )
    oval = [hole for hole in holes if hole.oval_mm > _NOTED_OVAL_MM]
    if oval:
        shown = ", ".join(f"({h.centre_mm[0]:.0f}, {h.centre_mm[1]:.0f})" for h in oval[:6])
        notes.append(
            f"Not quite round, or a shadow's edge was taken for the rim: the holes at {shown}, mm on the mat. Take the "
            "photo in even light, without lamp or sun on one side, or measure these with a caliper."
        )
    if sighting.surface is not None:
        notes.append(
            "The paper does not lie flat; the panel was taken to lie on the plane that fits the first sheet, and its "
            "height is less sure by half of what the paper rises."
        )
    return tuple(notes)
