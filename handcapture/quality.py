"""Is this photo good, and what to do about it: one look at everything that spoils a measurement.

Blur is measured on the mat's own edges and saddles, light on its blank paper and on the fingers, all from small samples
of the full-size photo; nothing is converted or shrunk as a whole. Nothing here changes what was measured.

What it is not: it does not say how far off a fingertip is. That stands in each contact's own covariance.

References
----------
Edge spread from a known edge, every pixel at its true distance: ISO 12233 (slanted edge), here with a Gaussian fitted.
At the centre of a saddle, of two signs under a correlated blur: W. F. Sheppard (1899), E[sign X · sign Y] = 2/π asin ρ.

"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Final, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from handcapture.light import LINEAR
from handcapture.mat.geometry import CELL_MM, Sheet, sheet_raster
from handcapture.mat.saddles import saddles_of
from handcapture.mat.sighting import NOTED_CROSSCHECK_MM, NOTED_LIFT_MM, SheetSighting, Sighting
from handcapture.photo import FULL_FRAME_DIAGONAL_MM, Photo
from handcapture.placement import Contact, Placement

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
Pixels = NDArray[np.uint8]
Grade = Literal["good", "fair", "poor"]
What = Literal["tilt", "height", "resolution", "lens", "sharpness", "exposure", "shadows", "mat", "hands", "paper"]

TILT_DEG: Final = (20.0, 33.0)
"""Up to the first good, up to the second fair, as in all pairs below. Fingertips were trained and checked up to 33
degrees; beyond 20 some hide behind fingers."""
HEIGHT_MM: Final = (350.0, 300.0)
"""Down to the first good, to the second fair: from nearer, a finger's height shifts its tip more. Common practice, no
source; the reference photos were taken from 390 mm on. From too far is a matter of resolution."""
MM_PER_PX: Final = (0.45, 0.7)
"""Sixteen reference photos, shrunk: errors do not grow at 0.31, 0.47 and 0.61 mm, but the marks agree ever less (0.009,
0.02, 0.05 and 0.07 mm); 0.75 is refused. A phone's own compression comes on top."""
LENS_MM: Final = (20.0, 15.0)
"""Focal length, 35 mm equivalent, down to which a lens is no ultra-wide one, and to which it can still be read. Common
practice, no source: main cameras have 23 to 28 mm, ultra-wide ones 12 to 16 mm."""
BENT_LENS: Final = (0.03, 0.06)
"""Shift of the picture's corners by the lens, as a share of their distance from the middle. One radial term follows the
first of these well (the reference photos have up to 0.01); an ultra-wide picture that was not straightened has more."""
ZOOMED_SDS: Final = 3.0
EDGE_WIDTH_MM: Final = (1.0, 1.5)
"""Width, on the mat, in which a step goes from 10 to 90 %. Sixteen reference photos, blurred: errors have a median of
0.34 mm as they are, 0.36 at a width of 0.9 mm, 0.35 at 1.3 mm by a shake, 0.56 at 1.7 mm; most are refused at 2.5."""
SHAKEN_RATIO: Final = 1.5
"""Widest against narrowest blur that is called a shake; steady photos stay below 1.15."""
PAPER_CODE: Final = (130.0, 80.0)
"""Median brightness of blank paper, sRGB code. Sixteen reference photos, darkened: no harm at 108, at 72 errors grow by
a tenth. A phone's noise in the dark, and what it does against it, is worse than what was simulated: hence stricter."""
BURNT_PAPER: Final = 0.6
"""Share of blank paper with a channel at its end that is no longer good: brighter photos burn the fingers."""
BURNT_SKIN: Final = (0.25, 0.6)
"""Share of fingers with a channel at its end. Reference photos, brightened: where it exceeds a half, the errors of a
photo double or worse; where fingers stay whole, they hardly grow though all paper burns out."""
DARK_SKIN_CODE: Final = 28.0
"""Brightest channel of the fingers, median, below which they drown in noise. Common practice, no source; very dark skin
in the reference photos has 60 and more."""
SHADOW_LIGHT: Final = (0.35, 0.12)
"""Light on the darkest twentieth of the blank paper near the fingertips, as a share of the mat's brightest. Errors on
the reference photos do not grow down to 0.2, in window light; deeper shadows were not tried."""
HARD_STEP_MM: Final = 9.0
HARD_STEP: Final = 0.6
HARD_SHARE: Final = 0.1
"""A shadow's edge is hard where light falls to so much within so little, at this share of the places near the tips.
On the reference photos, none of which casts such an edge there, what is left of print and hands gives up to 0.08."""
MARKS_SHARE: Final = (0.45, 0.25)
"""Share of all marks: hands and forearms cover a quarter to a third of them."""
SIDE_SHARE: Final = 0.3
"""A side of the mat shows when this share of its marks was seen."""
WHOLE_SIDE_SHARE: Final = 0.7
"""A side is cut off by the picture's edge when less than this share of its marks lies inside."""
POSITION_SD_MM: Final = (0.1, 0.3)
"""What the marks leave open of a place on the mat, at worst; it should stay small beside a fingertip's 0.4 mm."""
MANY_HIDDEN: Final = 3
EDGE_SHARE: Final = 0.03
"""A fingertip nearer to the picture's edge than this share of its long side: the next photo may cut it off."""
POOR_CROSSCHECK_MM: Final = 0.35
POOR_LIFT_MM: Final = 0.8
"""Short of where the photo would be refused (0.5 and 1.0 mm)."""
BENT_MM: Final = 8.0
"""Paper that rises further is poor: its curve is followed up to 12 mm, but hands press it down where no mark shows."""
WIDE_GAP_MM: Final = 5.0
WIDE_SKEW_DEG: Final = 2.0
_OFF_MIDDLE_MM: Final = 30.0
"""A phone that is off by less is not sent anywhere."""
_TEN_TO_NINETY: Final = 2.5631
"""Width from 10 to 90 % of a Gaussian step, in standard deviations."""
_BLANK_PITCH_MM: Final = 4
_LEAST_PLACES: Final = 40
_NEAR_TIPS_MM: Final = 60.0
_PAPER_TINT: Final = 0.3
"""Natural logarithm of red to blue beyond the paper's own; skin of every tone has more (see hands/skin.py)."""
_SKIN_HEIGHT_MM: Final = 12.0
_HAND_ROOM_MM: Final = 14.0
_ARM_HALF_WIDTH_MM: Final = 55.0
"""Paper is looked for so far from the hull of a hand's contacts, and from the line of its forearm, that no finger or
sleeve is taken for it."""

_EDGE_REACH_MM: Final = 3.6
_EDGE_HALF_LENGTH_MM: Final = 4.5
"""The outer edge of a black ring cell: 17 mm of black inside, 4 mm of white strip and the margin outside; the next
black squares of the strip begin 4 mm beyond what is looked at."""
_ACROSS, _ALONG = 37, 7
_QUADRANT_MM: Final = 1.4
"""Where the four quadrants of a ring saddle are sampled, along each axis: short of the marker, which begins at 2 mm."""


@dataclass(frozen=True, eq=False)
class Blur:
    """How a photo smears the mat's edges, as a Gaussian, in the middle of the mat.

    `covariance_mm2` (2, 2): mat frame; `major_px` and `minor_px` its widest and narrowest standard deviation in the
    photo, `major_mm` and `minor_mm` on the mat. `direction_deg` is that of the widest on the mat, from x towards y,
    0 to 180. It holds everything between print and file: lens, shake, sensor and what the phone did to the picture.
    """

    covariance_mm2: FloatArray
    major_px: float
    minor_px: float
    major_mm: float
    minor_mm: float
    direction_deg: float
    edges: int


def measure_blur(pixels_bgr: Pixels, sighting: Sighting) -> Blur | None:
    """Measure the blur on the outer edges of the ring's black cells, and at its saddles; None without such edges.

    Edges give the blur across them, along x and along y. Their correlation, which tells a shake along a diagonal from
    a lens out of focus, shows at the saddles: there it makes one pair of quadrants run into each other.
    """
    points, along, outward, axis = _outer_edges(sighting)
    sd_mm, good = _edge_sds(pixels_bgr, sighting, points, along, outward)
    if not good.any():
        return None
    to_mm = np.linalg.inv(_px_per_mm(sighting, points))
    sd_px = sd_mm / np.linalg.norm(np.einsum("ni,nij->nj", outward, to_mm), axis=1)
    middle = np.array(sighting.mat.size_mm)[None] / 2
    middle_px_per_mm = _px_per_mm(sighting, middle)[0]
    reach = np.linalg.norm(np.linalg.inv(middle_px_per_mm), axis=1)
    per_axis = [float(np.median(sd_px[good & (axis == k)])) if (good & (axis == k)).any() else None for k in (0, 1)]
    known = [sd for sd in per_axis if sd is not None]
    sd = np.array([known[0] if value is None else value for value in per_axis]) * reach
    correlation = _saddle_correlation(pixels_bgr, sighting, sd) if len(known) == 2 else 0.0
    covariance = np.outer(sd, sd) * np.array([[1.0, correlation], [correlation, 1.0]])
    values, vectors = np.linalg.eigh(covariance)
    in_px = np.linalg.eigvalsh(middle_px_per_mm @ covariance @ middle_px_per_mm.T)
    widest = vectors[:, 1]
    return Blur(
        covariance_mm2=covariance,
        major_px=float(np.sqrt(in_px[1])),
        minor_px=float(np.sqrt(max(in_px[0], 0.0))),
        major_mm=float(np.sqrt(values[1])),
        minor_mm=float(np.sqrt(max(values[0], 0.0))),
        direction_deg=float(np.degrees(np.arctan2(widest[1], widest[0])) % 180.0),
        edges=int(good.sum()),
    )


def _px_per_mm(sighting: Sighting, points_mm: FloatArray) -> FloatArray:
    """Return the derivatives (N, 2, 2) of pixels by places on the mat (N, 2)."""
    return sighting.camera.derivatives(np.c_[points_mm, np.zeros(len(points_mm))])[2][:, :, :2]


def _directions(sheet: SheetSighting) -> FloatArray:
    """Return the sheet's x and y axes as unit vectors of the mat frame, rows of (2, 2)."""
    turn = np.radians(sheet.rotation_deg)
    cos, sin = np.cos(turn), np.sin(turn)
    return np.array([[cos, sin], [-sin, cos]])


def _outer_edges(sighting: Sighting) -> tuple[FloatArray, FloatArray, FloatArray, NDArray[np.intp]]:
    """Return middles, directions and outward normals (N, 2), mat frame, of the rim's edges, and the normal's axis (N,).

    Whether they show is for the fit to say: saddles are lost to a blur before edges are.
    """
    found: list[tuple[FloatArray, FloatArray, FloatArray, int]] = []
    for placed in sighting.sheets:
        axes = _directions(placed)
        for i, j, normal, sign in _black_border(placed.sheet):
            half = np.array([0.5, 0.0] if normal == 1 else [0.0, 0.5])
            middle = np.array(placed.sheet.grid_origin_mm) + CELL_MM * (np.array([i, j]) + half)
            found.append((placed.to_mat(middle[None])[0], axes[1 - normal], sign * axes[normal], normal))
    points, along, outward = (np.array([edge[k] for edge in found]).reshape(-1, 2) for k in (0, 1, 2))
    return points, along, outward, np.array([edge[3] for edge in found], dtype=np.intp)


@lru_cache(maxsize=16)
def _black_border(sheet: Sheet) -> tuple[tuple[int, int, int, float], ...]:
    """Return first lattice point, axis of the normal, and its outward sign, of black cells' edges on the ring's rim."""
    nx, ny = sheet.columns, sheet.rows
    edges = [(i, 0, 1, -1.0) for i in range(nx) if i % 2]
    edges += [(i, ny, 1, 1.0) for i in range(nx) if (i + ny - 1) % 2]
    if sheet.seam != "left":
        edges += [(0, j, 0, -1.0) for j in range(ny) if j % 2]
    if sheet.seam != "right":
        edges += [(nx, j, 0, 1.0) for j in range(ny) if (nx - 1 + j) % 2]
    return tuple(edges)


def _edge_sds(
    pixels_bgr: Pixels, sighting: Sighting, points: FloatArray, along: FloatArray, outward: FloatArray
) -> tuple[FloatArray, BoolArray]:
    """Fit a blurred step to every edge (N): its standard deviation, mm on the mat, and whether the fit holds.

    Every pixel counts at its own true distance from the edge, so that nothing is interpolated.
    """
    spread = np.linspace(-1.0, 1.0, _ACROSS)
    across = np.sign(spread) * spread**2 * _EDGE_REACH_MM  # dense where the step is
    beside = np.linspace(-_EDGE_HALF_LENGTH_MM, _EDGE_HALF_LENGTH_MM, _ALONG)
    places = (
        points[:, None, None] + across[:, None, None] * outward[:, None, None] + beside[:, None] * along[:, None, None]
    )
    exact = sighting.camera.project(np.c_[places.reshape(-1, 2), np.zeros(places.size // 2)])
    nearest = np.rint(exact).astype(np.intp)
    rows, columns = pixels_bgr.shape[:2]
    inside = ((nearest >= 0) & (nearest < [columns, rows])).all(axis=1)
    nearest = np.clip(nearest, 0, [columns - 1, rows - 1])
    to_mm = np.linalg.inv(_px_per_mm(sighting, points))
    normal_per_px = np.einsum("ni,nij->nj", outward, to_mm)
    off = (nearest - exact).reshape(len(points), -1, 2)
    distance = np.repeat(across, _ALONG)[None] + np.einsum("nsj,nj->ns", off, normal_per_px)
    light = LINEAR[pixels_bgr[nearest[:, 1], nearest[:, 0], 1]].reshape(len(points), -1)
    sd, good = _fit_steps(distance, light)
    return sd, good & inside.reshape(len(points), -1).all(axis=1)


def _fit_steps(distance: FloatArray, light: FloatArray) -> tuple[FloatArray, BoolArray]:
    """Fit low + rise · Φ((distance - shift) / sd) to each row (N, samples), by Gauss-Newton on all rows at once."""
    from scipy.special import erf

    half = distance.shape[1] // 4
    order = np.argsort(distance, axis=1)
    ordered = np.take_along_axis(light, order, axis=1)
    low, high = ordered[:, :half].mean(axis=1), ordered[:, -half:].mean(axis=1)
    state = np.stack([low, high - low, np.zeros(len(low)), np.full(len(low), np.log(0.3))], axis=1)
    for _ in range(12):
        sd = np.exp(state[:, 3:])
        u = (distance - state[:, 2:3]) / sd
        step = 0.5 + 0.5 * erf(u / np.sqrt(2.0))
        bell = np.exp(-0.5 * u * u) / np.sqrt(2.0 * np.pi)
        miss = light - state[:, :1] - state[:, 1:2] * step
        slopes = np.stack([np.ones_like(u), step, -state[:, 1:2] * bell / sd, -state[:, 1:2] * bell * u], axis=2)
        normal = np.einsum("nsi,nsj->nij", slopes, slopes) + 1e-9 * np.eye(4)
        change = np.linalg.solve(normal, np.einsum("nsi,ns->ni", slopes, miss)[..., None])[..., 0]
        change[:, 2] = np.clip(change[:, 2], -0.3, 0.3)
        change[:, 3] = np.clip(change[:, 3], -0.7, 0.7)
        state = state + change
        state[:, 3] = np.clip(state[:, 3], np.log(0.005), np.log(4.0))
        if np.percentile(np.abs(change[:, 3]), 70) < 1e-3:  # what is covered need not settle
            break
    rms = np.sqrt((miss**2).mean(axis=1))
    rise = state[:, 1]
    good = (
        (rise > max(0.004, 0.4 * float(np.percentile(rise, 80))))
        & (rms < 0.12 * rise)
        & (np.abs(state[:, 2]) < 1.0)
        & (np.abs(change[:, 3]) < 0.05)
    )
    return np.exp(state[:, 3]), good


def _saddle_correlation(pixels_bgr: Pixels, sighting: Sighting, sd_mm: FloatArray) -> float:
    """Return the correlation of a blur whose standard deviations along x and y are known, from the ring's saddles."""
    from scipy.special import erf

    centre_light: list[tuple[float, float]] = []
    spread = np.prod(erf(_QUADRANT_MM / np.sqrt(2.0) / np.maximum(sd_mm, 1e-3)))
    shift = np.array([[0, 0], [-1, -1], [1, 1], [1, -1], [-1, 1]]) * _QUADRANT_MM
    for number, placed in enumerate(sighting.sheets):
        mine = (sighting.marks.sheet == number) & ~sighting.marks.is_dot
        lattice = np.rint((sighting.marks.points_mm[mine] - np.array(placed.sheet.grid_origin_mm)) / CELL_MM)
        falling = lattice.sum(axis=1) % 2 == 1
        where = placed.to_mat(sighting.marks.points_mm[mine])
        steps = np.einsum("nij,kj->nki", _px_per_mm(sighting, where), shift @ _directions(placed))
        places = (sighting.marks.pixels[mine][:, None] + steps).astype(np.float32)
        light = _sampled(pixels_bgr, places)
        mid, rise = light[:, 1:].mean(axis=1), (light[:, 3:].mean(axis=1) - light[:, 1:3].mean(axis=1)) / 2
        sign = np.where(falling, 1.0, -1.0)  # falling: dark is up left and down right, so the others are light
        usable = rise * sign > 0.002
        value = (mid - light[:, 0]) / np.where(usable, np.abs(rise), 1.0) * spread
        centre_light += [(float(s), float(v)) for s, v in zip(sign[usable], value[usable], strict=True)]
    if not centre_light:
        return 0.0
    signs, values = np.array(centre_light).T
    if not ((signs > 0).any() and (signs < 0).any()):
        return 0.0
    # Whatever moves all centres alike, as tone curves do, cancels between the two kinds of saddle.
    agreement = (np.median(values[signs > 0]) - np.median(values[signs < 0])) / 2
    return float(np.clip(np.sin(np.pi / 2 * np.clip(agreement, -1, 1)), -0.98, 0.98))


def _sampled(pixels_bgr: Pixels, places: NDArray[np.float32]) -> FloatArray:
    """Return the green channel's linear light at places (..., 2), px, interpolated between its four pixels."""
    rows, columns = pixels_bgr.shape[:2]
    corner = np.clip(np.floor(places).astype(np.intp), 0, [columns - 2, rows - 2])
    share = np.clip(places - corner, 0.0, 1.0)
    x, y, u, v = corner[..., 0], corner[..., 1], share[..., 0], share[..., 1]
    light = [LINEAR[pixels_bgr[y + dy, x + dx, 1]] for dy in (0, 1) for dx in (0, 1)]
    upper, lower = light[0] * (1 - u) + light[1] * u, light[2] * (1 - u) + light[3] * u
    return np.asarray(upper * (1 - v) + lower * v, dtype=np.float64)


@dataclass(frozen=True)
class QualityPoint:
    """One thing that makes a photo good or bad.

    `value` in `unit` is what was measured, None where that was not possible; `text` says it in a sentence, `advice`
    what to do about it (None when good), `short` sums it up for a headline. `where` names the fingertip of "hands".
    """

    what: What
    grade: Grade
    value: float | None
    unit: str
    text: str
    advice: str | None
    short: str
    where: str | None = None


@dataclass(frozen=True)
class PhotoQuality:
    """All points, the worst grade among them, a line that sums it up, and what is worth knowing but no fault."""

    points: tuple[QualityPoint, ...]
    grade: Grade
    verdict: str
    notes: tuple[str, ...] = ()


_MOST_SAID: Final = 3
_RANK: Final[dict[Grade, int]] = {"good": 0, "fair": 1, "poor": 2}


def photo_quality(photo: Photo, sighting: Sighting, placement: Placement | None = None) -> PhotoQuality:
    """Judge a photo that was measured; without `placement` only what the mat tells."""
    contacts = placement.contacts if placement is not None else ()
    points = [
        _tilt(sighting),
        _height(sighting),
        _resolution(sighting),
        _lens(sighting),
        _sharpness(photo, sighting),
        *_light(photo, sighting, placement),
        _mat(sighting),
        *_hands(sighting, contacts),
        _paper(sighting),
    ]
    grade = worst_grade([point.grade for point in points])
    return PhotoQuality(tuple(points), grade, _verdict(points, grade), _notes(sighting))


def worst_grade(grades: Sequence[Grade]) -> Grade:
    """Return the worst of some grades; good when there are none."""
    return max(grades, key=_RANK.__getitem__, default="good")


def quality_dict(quality: PhotoQuality) -> dict[str, Any]:
    """Return it as JSON has it, always with the same keys."""
    return {
        "grade": quality.grade,
        "verdict": quality.verdict,
        "points": [
            {
                "what": point.what,
                "where": point.where,
                "grade": point.grade,
                "value": None if point.value is None else round(point.value, 4),
                "unit": point.unit,
                "short": point.short,
                "text": point.text,
                "advice": point.advice,
            }
            for point in quality.points
        ],
        "notes": list(quality.notes),
    }


def quality_lines(quality: PhotoQuality) -> list[str]:
    """Return it as lines of text, aligned; advice stands below what it is about."""
    lines = [quality.verdict]
    for point in quality.points:
        lines.append(f"  {point.what:10s}  {point.grade:4s}  {point.text}")
        if point.advice is not None:
            lines.append(f"  {'':10s}        {point.advice}")
    lines += [f"  {'note':10s}        {note}" for note in quality.notes]
    return lines


def _verdict(points: Sequence[QualityPoint], grade: Grade) -> str:
    if grade == "good":
        return "good"
    said = list(dict.fromkeys(point.short for point in points if point.grade == grade))
    if len(said) > _MOST_SAID:
        said = [*said[: _MOST_SAID - 1], f"{len(said) - _MOST_SAID + 1} more"]
    return ("take it again: " if grade == "poor" else "good enough; ") + ", ".join(said)


def _graded(value: float, limits: tuple[float, float]) -> Grade:
    """Grade by two limits; the greater the value the worse when they rise, the better when they fall."""
    good, fair = limits
    sign = 1.0 if fair > good else -1.0
    if sign * value <= sign * good:
        return "good"
    return "fair" if sign * value <= sign * fair else "poor"


def _tilt(sighting: Sighting) -> QualityPoint:
    """Judge the phone's own tilt and how far off straight above it looks at the mat; the larger of the two counts."""
    tilt = sighting.tilt_deg
    middle = np.array(sighting.mat.size_mm) / 2
    off = sighting.camera.centre_mm[:2] - middle
    slant = float(np.degrees(np.arctan2(np.hypot(*off), sighting.height_mm)))
    grade = _graded(max(tilt, slant), TILT_DEG)
    text = f"The phone was tilted by {tilt:.0f} degrees, and {slant:.0f} degrees off straight above the mat's middle."
    advice = None
    if grade != "good":
        advice = f"{_way_back(off)}: {max(tilt, slant):.0f} degrees now, below {TILT_DEG[0]:.0f} is best."
    return QualityPoint("tilt", grade, max(tilt, slant), "deg", text, advice, "seen at a slant" if advice else "level")


def _way_back(off_mm: FloatArray) -> str:
    """Say how to move a phone that is `off_mm` (2,) from above the mat's middle; y runs towards the person."""
    parts = []
    for size, plus, minus in ((off_mm[0], "to the left", "to the right"), (off_mm[1], "away from you", "towards you")):
        if abs(size) > _OFF_MIDDLE_MM:
            parts.append(f"{abs(size) / 10:.0f} cm {plus if size > 0 else minus}")
    if not parts:
        return "Hold the phone level"
    return f"Move the phone {' and '.join(parts)}, above the middle of the mat, and hold it level"


def _height(sighting: Sighting) -> QualityPoint:
    height = sighting.height_mm
    grade = _graded(height, HEIGHT_MM)
    text = f"The phone was {height / 10:.0f} cm above the mat."
    advice = (
        None if grade == "good" else "Hold the phone higher, about 45 cm above the mat: from near by, heights mislead."
    )
    return QualityPoint("height", grade, height, "mm", text, advice, "too close" if advice else "high enough")


def _resolution(sighting: Sighting) -> QualityPoint:
    size = sighting.mm_per_px
    grade = _graded(size, MM_PER_PX)
    text = f"A pixel of the photo covers {size:.2f} mm of the mat."
    advice = None
    if grade != "good":
        advice = (
            "Let the mat fill most of the picture, from about 45 cm, at the camera's full picture size; send the photo "
            "as a file, since messengers shrink pictures."
        )
    return QualityPoint("resolution", grade, size, "mm/px", text, advice, "too few pixels" if advice else "fine")


def _lens(sighting: Sighting) -> QualityPoint:
    """Judge the lens that was solved; a picture taken squarely says little of it, and then the file is believed."""
    camera, size = sighting.camera, np.array(sighting.size_px)
    diagonal = float(np.hypot(*size))
    equivalent = camera.focal_px * FULL_FRAME_DIAGONAL_MM / diagonal
    bent = abs(camera.k1) * (diagonal / 2 / camera.focal_px) ** 2
    grade = worst_grade([_graded(equivalent, LENS_MM), _graded(bent, BENT_LENS)])
    text = f"The lens is one of {equivalent:.0f} mm (35 mm equivalent) and bends the picture by {100 * bent:.1f} %."
    if sighting.focal_prior_px is not None:
        stated = sighting.focal_prior_px * FULL_FRAME_DIAGONAL_MM / diagonal
        sd = np.hypot(sighting.focal_prior_relative_sd, np.sqrt(sighting.parameter_covariance[0, 0]))
        if abs(np.log(equivalent / stated)) > ZOOMED_SDS * sd:
            text += f" The file states {stated:.0f} mm: the picture was zoomed or cropped, which is allowed for."
    advice = None
    if grade != "good":
        advice = "Use the phone's main camera, not the ultra-wide one, from about 45 cm."
    return QualityPoint("lens", grade, equivalent, "mm", text, advice, "a wide lens" if advice else "a usual lens")


def _sharpness(photo: Photo, sighting: Sighting) -> QualityPoint:
    blur = measure_blur(photo.pixels_bgr, sighting)
    if blur is None:
        return QualityPoint(
            "sharpness",
            "fair",
            None,
            "mm",
            "The sharpness could not be measured: the dark squares at the mat's rim are covered or washed out.",
            "Uncover the mat's border, and look at the photo yourself: the edges of its squares must be crisp.",
            "sharpness unknown",
        )
    width = _TEN_TO_NINETY * blur.major_mm
    grade = _graded(width, EDGE_WIDTH_MM)
    shaken = blur.major_px > SHAKEN_RATIO * blur.minor_px and blur.major_px > 1.0
    how = f", mostly {_along(blur.direction_deg)}" if shaken else ""
    text = f"Edges are smeared over {width:.2f} mm ({_TEN_TO_NINETY * blur.major_px:.1f} pixels){how}."
    if grade == "good":
        return QualityPoint("sharpness", grade, width, "mm", text, None, "sharp")
    if shaken:
        advice = "The phone moved: rest it on something, use the self-timer, and switch on more light."
        return QualityPoint("sharpness", grade, width, "mm", text, advice, "shaken")
    advice = "Wipe the lens, tap on the mat in the camera's picture so that it focuses there, and hold still."
    return QualityPoint("sharpness", grade, width, "mm", text, advice, "blurred")


def _along(direction_deg: float) -> str:
    if 22.5 <= direction_deg < 67.5 or 112.5 <= direction_deg < 157.5:
        return "along a diagonal"
    return "towards and away from you" if 67.5 <= direction_deg < 112.5 else "from left to right"


def _light(photo: Photo, sighting: Sighting, placement: Placement | None) -> list[QualityPoint]:
    places, colours = _blank_paper(photo.pixels_bgr, sighting, placement)
    if len(places) < _LEAST_PLACES:
        text = "The light could not be measured: hardly any blank paper is to be seen."
        advice = "Take the hands' photo with the whole mat in the picture and nothing else lying on it."
        return [QualityPoint("exposure", "fair", None, "code", text, advice, "light unknown")]
    return [_exposure(photo, sighting, placement, colours), _shadows(places, colours, placement)]


def _shadows(places: FloatArray, colours: FloatArray, placement: Placement | None) -> QualityPoint:
    """Compare the darkest paper near the fingertips with the mat's brightest, in linear light."""
    light = LINEAR[np.rint(colours).astype(int)].mean(axis=1)
    near, where = np.ones(len(places), dtype=bool), "on the mat"
    if placement is not None and placement.contacts:
        tips = np.array([contact.contact_mm for contact in placement.contacts])
        near_tips = np.linalg.norm(places[:, None] - tips, axis=2).min(axis=1) < _NEAR_TIPS_MM
        if near_tips.sum() >= _LEAST_PLACES:
            near, where = near_tips, "near the fingertips"
    share = float(min(1.0, np.percentile(light[near], 5) / max(float(np.percentile(light, 95)), 1e-4)))
    grade = _graded(share, SHADOW_LIGHT)
    text = f"The darkest paper {where} has {100 * share:.0f} % of the light of the brightest"
    if grade == "good":
        return QualityPoint("shadows", grade, 100 * share, "%", f"{text}.", None, "even light")
    if _steep_share(places[near], light[near]) > HARD_SHARE:
        advice = "Switch the flash off, and turn the lamp to a wall or the ceiling, or add a second one opposite."
        return QualityPoint("shadows", grade, 100 * share, "%", f"{text}, with hard edges.", advice, "hard shadows")
    advice = "Spread the light: face the window or lamp, add a second lamp opposite, or step out of the light."
    return QualityPoint("shadows", grade, 100 * share, "%", f"{text}, with soft edges.", advice, "deep shadows")


def _steep_share(places: FloatArray, light: FloatArray) -> float:
    """Return the share of places (N, 2) beside which, within HARD_STEP_MM, the light falls to less than HARD_STEP."""
    some = slice(None, None, 4)
    apart = np.linalg.norm(places[some, None] - places, axis=2)
    darkest = np.where(apart < HARD_STEP_MM, light, np.inf).min(axis=1)
    return float((darkest < HARD_STEP * light[some]).mean())


def _exposure(photo: Photo, sighting: Sighting, placement: Placement | None, paper: FloatArray) -> QualityPoint:
    code = float(np.median(paper.mean(axis=1)))
    burnt = float((paper.max(axis=1) >= 253.5).mean())
    skin = _skin_colours(photo.pixels_bgr, sighting, placement) if placement is not None else np.empty((0, 3))
    burnt_skin = float((skin.max(axis=1) >= 252).mean()) if len(skin) else 0.0
    skin_code = float(np.median(skin.max(axis=1))) if len(skin) else 255.0
    fingers = f" and {100 * burnt_skin:.0f} % of the fingers" if len(skin) else ""
    text = f"White paper has {code:.0f} of 255 steps of brightness; {100 * burnt:.0f} % of it{fingers} are burnt out."
    bright: Grade = worst_grade([_graded(burnt_skin, BURNT_SKIN), "fair" if burnt > BURNT_PAPER else "good"])
    dark: Grade = worst_grade([_graded(code, PAPER_CODE), "fair" if skin_code < DARK_SKIN_CODE else "good"])
    if _RANK[bright] > 0 and _RANK[bright] >= _RANK[dark]:
        advice = "Lower the exposure (tap on the mat and slide down), or turn lamps away from the mat."
        return QualityPoint("exposure", bright, code, "code", text, advice, "too bright")
    if dark != "good":
        advice = "Switch on more light, or raise the exposure (tap on the mat and slide up)."
        return QualityPoint("exposure", dark, code, "code", text, advice, "too dark")
    return QualityPoint("exposure", "good", code, "code", text, None, "well lit")


@lru_cache(maxsize=16)
def _blank_places(sheet: Sheet) -> FloatArray:
    """Return places (N, 2) of a sheet around which nothing is printed, sheet mm."""
    blank = cv2.erode(sheet_raster(sheet, 1.0), np.ones((7, 7), np.uint8)) > 250
    blank[:5], blank[-5:], blank[:, :5], blank[:, -5:] = False, False, False, False
    rows, columns = np.nonzero(blank[::_BLANK_PITCH_MM, ::_BLANK_PITCH_MM])
    return np.asarray(_BLANK_PITCH_MM * np.stack([columns, rows], axis=1) + 0.5, dtype=np.float64)


def _blank_paper(pixels_bgr: Pixels, sighting: Sighting, placement: Placement | None) -> tuple[FloatArray, FloatArray]:
    """Return places (N, 2) of blank paper on the mat that show, and their colours (N, 3), sRGB codes."""
    places = np.concatenate([sheet.to_mat(_blank_places(sheet.sheet)) for sheet in sighting.sheets])
    if placement is not None:
        places = places[~_under_hands(places, placement)]
    # The median of five places 1.5 mm apart is blind to thin print and to a single pixel's noise.
    plus = 1.5 * np.array([[0, 0], [1, 0], [-1, 0], [0, 1], [0, -1]])
    spots = (places[:, None] + plus).reshape(-1, 2)
    pixels = np.rint(sighting.camera.project(np.c_[spots, np.zeros(len(spots))])).astype(np.intp)
    rows, columns = pixels_bgr.shape[:2]
    inside = ((pixels >= 0) & (pixels < [columns, rows])).all(axis=1).reshape(-1, 5).all(axis=1)
    pixels = pixels.reshape(-1, 5, 2)[inside]
    colours = np.median(pixels_bgr[pixels[..., 1], pixels[..., 0]], axis=1).astype(np.float64)
    places = places[inside]
    if len(places) == 0:
        return places, colours
    light = LINEAR[colours.astype(int)] + 0.003
    tint = np.log(light[:, 2] / light[:, 0])
    paper = np.abs(tint - np.median(tint)) < _PAPER_TINT
    return places[paper], colours[paper]


def _under_hands(places_mm: FloatArray, placement: Placement) -> BoolArray:
    """Tell which places (N, 2) lie under a hand or its forearm, with room to spare."""
    covered = np.zeros(len(places_mm), dtype=bool)
    for hand in placement.hands:
        tips = [contact.contact_mm for contact in placement.contacts if contact.side == hand.side]
        if not tips:
            continue
        hull = cv2.convexHull(np.array([*tips, hand.wrist_mm], dtype=np.float32))[:, 0].astype(np.float64)
        sides = np.roll(hull, -1, axis=0) - hull
        lengths = np.linalg.norm(sides, axis=1)
        if lengths.min() > 1e-3:
            normals = np.stack([sides[:, 1], -sides[:, 0]], axis=1) / lengths[:, None]
            normals *= np.sign(float(((hull - hull.mean(axis=0)) * normals).sum()))
            covered |= (places_mm @ normals.T - (hull * normals).sum(axis=1)).max(axis=1) < _HAND_ROOM_MM
        arm = 2.0 * (hand.wrist_mm - np.mean(tips, axis=0))
        length = max(float(np.linalg.norm(arm)), 1e-6)
        along = np.clip((places_mm - hand.wrist_mm) @ arm / length**2, 0.0, 1.0)
        covered |= np.linalg.norm(places_mm - hand.wrist_mm - along[:, None] * arm, axis=1) < _ARM_HALF_WIDTH_MM
    return covered


def _skin_colours(pixels_bgr: Pixels, sighting: Sighting, placement: Placement) -> FloatArray:
    """Return the colours (N, 3) of small blocks along the last joints of the fingers that are not hidden."""
    seen = [contact for contact in placement.contacts if not contact.hidden]
    if not seen:
        return np.empty((0, 3))
    places = np.array([contact.contact_mm - back * contact.reach for contact in seen for back in (6.0, 12.0, 18.0)])
    pixels = np.rint(sighting.camera.project(np.c_[places, np.full(len(places), _SKIN_HEIGHT_MM)])).astype(int)
    rows, columns = pixels_bgr.shape[:2]
    blocks = [
        pixels_bgr[y - 2 : y + 3, x - 2 : x + 3].reshape(-1, 3).mean(axis=0)
        for x, y in pixels
        if 2 <= x < columns - 2 and 2 <= y < rows - 2
    ]
    return np.array(blocks, dtype=np.float64).reshape(-1, 3)


_SIDES: Final = ("left", "right", "far", "near")


def _mat(sighting: Sighting) -> QualityPoint:
    """Judge how much of the mat shows, and what its marks leave open."""
    points, seen, on_side = _all_marks(sighting)
    inside = _inside(sighting, points)
    missing = [side for side in _SIDES if seen[on_side[side]].mean() < SIDE_SHARE]
    cut = [side for side in _SIDES if inside[on_side[side]].mean() < WHOLE_SIDE_SHARE]
    spread = _worst_position_sd_mm(sighting)
    share = float(seen.mean())
    grade = worst_grade([_graded(share, MARKS_SHARE), _graded(spread, POSITION_SD_MM)])
    # Forearms cover the near side: that alone is normal.
    lost = [side for side in missing if side != "near" or side in cut]
    if lost:
        grade = worst_grade([grade, "poor" if len(missing) >= 3 else "fair"])
    text = f"{100 * share:.0f} % of the marks were seen"
    text += f"; the {_and(missing)} side{'s' * (len(missing) > 1)} hardly" if missing else ", on all sides"
    text += "." if grade == "good" else f"; they leave places on the mat open by {2 * spread:.2f} mm."
    advice = None
    if grade != "good":
        out = [side for side in lost if side in cut]
        if out:
            lies = "side of the mat lies" if len(out) == 1 else "sides of the mat lie"
            advice = f"The {_and(out)} {lies} outside the picture: get the whole mat in."
        else:
            covered = f" on the {_and(lost)} side{'s' * (len(lost) > 1)}" if lost else ""
            advice = f"Uncover the mat's border{covered}, so that its marks show on at least three sides."
    short = "mat in full view" if grade == "good" else "mat partly out of view"
    return QualityPoint("mat", grade, 100 * share, "%", text, advice, short)


def _all_marks(sighting: Sighting) -> tuple[FloatArray, BoolArray, dict[str, BoolArray]]:
    """Return all printed marks (N, 2), mat frame, which of them served (N,), and which make up each side (N,)."""
    points, seen = [], []
    on_side: dict[str, list[BoolArray]] = {side: [] for side in _SIDES}
    for number, placed in enumerate(sighting.sheets):
        sheet, saddles = placed.sheet, saddles_of(placed.sheet)
        used = sighting.marks.points_mm[sighting.marks.sheet == number]
        points.append(placed.to_mat(saddles.points_mm))
        seen.append((np.abs(saddles.points_mm[:, None] - used).max(axis=2) < 0.1).any(axis=1))
        column, row = np.rint((saddles.points_mm - np.array(sheet.grid_origin_mm)) / CELL_MM).T
        rim = {
            "left": (column <= 1) & (sheet.seam != "left"),
            "right": (column >= sheet.columns - 1) & (sheet.seam != "right"),
            "far": row <= 1,
            "near": row >= sheet.rows - 1,
        }
        for side in _SIDES:
            on_side[side].append(rim[side] & ~saddles.is_dot)
    return np.concatenate(points), np.concatenate(seen), {side: np.concatenate(on_side[side]) for side in _SIDES}


def _and(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else ", ".join(words[:-1]) + " and " + words[-1]


def _inside(sighting: Sighting, points_mm: FloatArray) -> BoolArray:
    """Tell which mat points (N, 2) lie inside the picture."""
    pixels = sighting.camera.project(np.c_[points_mm, np.zeros(len(points_mm))])
    return np.asarray(((pixels > 0) & (pixels < np.array(sighting.size_px) - 1)).all(axis=1))


def _worst_position_sd_mm(sighting: Sighting) -> float:
    width, height = sighting.mat.size_mm
    grid = np.array([[u * width, v * height, 0.0] for u in (0.12, 0.5, 0.88) for v in (0.15, 0.5, 0.85)])
    pixels = sighting.camera.project(grid)
    covariance = sighting.above_paper_covariance(pixels, 0.0)
    return float(np.sqrt(np.linalg.eigvalsh(covariance)[:, 1].max()))


def _hands(sighting: Sighting, contacts: Sequence[Contact]) -> list[QualityPoint]:
    """One point for each fingertip that is hidden or near the picture's edge; a single good one when there is none."""
    if not contacts:
        return []
    hidden = [contact for contact in contacts if contact.hidden]
    pixels = sighting.camera.project(np.array([[*contact.contact_mm, 0.0] for contact in contacts]))
    size = np.array(sighting.size_px)
    room = np.minimum(pixels, size - 1 - pixels).min(axis=1) / size.max()
    grade: Grade = "poor" if len(hidden) >= MANY_HIDDEN else "fair"
    points = [
        QualityPoint(
            "hands",
            grade,
            None,
            "",
            f"{_named(contact)} cannot be made out.",
            contact.advice or "Hold the phone level above the middle of the mat.",
            f"{contact.side} {contact.finger} hidden"
            if len(hidden) < MANY_HIDDEN
            else f"{len(hidden)} fingertips hidden",
            f"{contact.side} {contact.finger}",
        )
        for contact in hidden
    ]
    points += [
        QualityPoint(
            "hands",
            "fair",
            100 * float(share),
            "%",
            f"{_named(contact)} lies close to the picture's edge.",
            "Hold the phone so that both hands are well inside the picture.",
            "a fingertip near the edge",
            f"{contact.side} {contact.finger}",
        )
        for contact, share in zip(contacts, room, strict=True)
        if share < EDGE_SHARE and not contact.hidden
    ]
    if points:
        return points
    text = f"All {len(contacts)} fingertips were made out."
    return [QualityPoint("hands", "good", float(len(contacts)), "fingertips", text, None, "all fingertips seen")]


def _named(contact: Contact) -> str:
    return f"The {contact.side} {contact.finger}{'' if contact.finger == 'thumb' else ' finger'}"


def _paper(sighting: Sighting) -> QualityPoint:
    """Judge how flat the paper lies; the same limits as the notes of a sighting."""
    lift, cross = sighting.lift_mm, sighting.crosscheck_mm
    coarse = 3 * sighting.mm_per_px  # in a coarse picture, markers alone are that unsure
    grade = worst_grade(
        [
            _graded(cross, (NOTED_CROSSCHECK_MM, POOR_CROSSCHECK_MM)),
            _graded(lift, (max(NOTED_LIFT_MM, coarse), max(POOR_LIFT_MM, 1.2 * coarse))),
        ]
    )
    text = f"Marks lie within {max(lift, cross):.2f} mm of where a flat sheet has them."
    if sighting.surface is not None:
        rise = sighting.surface.rise_mm
        grade = worst_grade([grade, "fair", _graded(rise, (BENT_MM, BENT_MM))])
        text = (
            f"The paper is bent by up to {rise:.0f} mm; that is allowed for, and marks then agree within "
            f"{max(lift, cross):.2f} mm."
        )
    advice = (
        None if grade == "good" else "Lay the paper flat, tape its corners down, and do not push it up with the hands."
    )
    short = "paper not flat" if advice else "paper flat"
    return QualityPoint("paper", grade, lift, "mm", text, advice, short)


def _notes(sighting: Sighting) -> tuple[str, ...]:
    """Say what is no fault of the photo."""
    notes = []
    if sighting.print_scale.source == "not verified":
        notes.append(
            "The size of the print was not checked: all distances may be "
            f"{100 * sighting.print_scale.relative_sd:.1f} % too long or too short. Measure the two 150 mm rules on "
            "the mat and give their lengths."
        )
    for sheet in sighting.sheets[1:]:
        if sheet.gap_mm is not None and sheet.skew_deg is not None:
            far = abs(sheet.gap_mm) > WIDE_GAP_MM or abs(sheet.skew_deg) > WIDE_SKEW_DEG
            more = " Lay them closer together and tape them from below." if far else ""
            notes.append(
                f"The two sheets lie {sheet.gap_mm:.1f} mm apart and turned by {sheet.skew_deg:.1f} degrees; this is "
                f"allowed for.{more}"
            )
    return tuple(notes)
