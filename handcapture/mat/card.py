"""Measure a bank-card-sized card that lies in its place on the mat, and tell the print's scale from it.

The card is looked for in a coarse square view of its place; then each edge is located from the mean of some
hundreds of profiles across it. A profile is explained by card, wall, contact shadow and paper, blurred: the card is
0.76 mm thick, so the edge that is seen is its upper one, and where a side wall faces the camera the foot is seen too.
Where a photo cannot tell them apart, the stated deviation says so. Profiles are compared in linear light: blur mixes
light, not the values in a file, and a dark card would come out too small.

What it does not see: a card that lies level but raised, on another card say. One card's thickness more is 0.2 %.
What it sees poorly: a grey, white or black card, whose shadow and wall differ from it in brightness only; of a card of
strong colour, both axes come out to a thousandth.

References
----------
ISO/IEC 7810 ID-1: 85.60 x 53.98 mm, thickness 0.76 mm (0.68 to 0.84), corner radius 2.88 to 3.48 mm; limits of an
unused card 85.47 to 85.72 and 53.92 to 54.03 mm (from memory). sRGB transfer: IEC 61966-2-1.

"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from handcapture.errors import PhotoError
from handcapture.light import LINEAR_32
from handcapture.mat.geometry import CARD_MM
from handcapture.mat.print_scale import PrintScale
from handcapture.mat.sighting import Sighting
from handcapture.rectify import View, sampling_map

FloatArray = NDArray[np.float64]
Picture = NDArray[np.uint8]

CARD: Final = "card"
"""The source of a print scale that a card told."""
THICKNESS_MM: Final = 0.76
LIMITS_MM: Final = ((85.47, 85.72), (53.92, 54.03))
CARD_SD_MM: Final = tuple((most - least) / 4 for least, most in LIMITS_MM)
"""The limits are taken to lie two standard deviations away."""
SIZE_RANGE: Final = (0.92, 1.08)
"""Sizes that a card may seem to have: what printers do to a sheet that is to fit the page is within."""
WORST_RATIO: Final = 0.015
"""By how much its sides' ratio may differ from that of ID-1; common calling cards differ by 2.5 % and more."""
_HEIGHT_SD_MM: Final = 0.1
"""How far the upper face may lie from 0.76 mm: tolerance, embossing, not quite flat."""

_MARGIN_MM: Final = 12.0
_COARSE_PX_PER_MM: Final = 3
_REACH_MM: Final = 7.0
"""How far from its place a side of the card is looked for; the ring of marks begins 7 mm above the place."""
_ANGLES_DEG: Final = np.arange(-7.0, 7.01, 0.5)
_CORNER_MM: Final = 5.0
"""What is left out at either end of a side: the corners are rounded."""
_SIDE_SHARE: Final = 0.2
"""Share of a side that may be hidden or unlike the rest, when the card is looked for."""
_LEAST_STEP: Final = 0.03
"""Step of brightness at an edge, as a share of the paper's, below which a side is not seen."""
_ENOUGH_STEP: Final = 0.15
_BLANK: Final = 0.06
"""Difference between the middle of the place and its surroundings that shows that something lies there."""

_HALF_MM: Final = 2.2
"""Half the length of the profiles across an edge."""
_FIRST_PX_PER_MM, _FINEST_PX_PER_MM = 5.0, 10.0
_OUTLIER_MM: Final = 0.12
_OUTLIER_SHARE: Final = 0.35
_SEGMENTS: Final = 9
_SPARSE: Final = 5
"""Every fifth profile serves for medians."""
_RELATED_COLUMNS: Final = 3
"""So many neighbouring profiles share pixels of the photo."""
_WORST_BOW_MM: Final = 0.04
"""What lifts the middle of a card by a quarter of a millimetre bows an edge 80 mm off the camera's foot by so much."""
_WORST_UNEVENNESS_MM: Final = 0.06
_WORST_ANGLE_DEG: Final = 0.15
_LEAST_CONTRAST: Final = 0.04
_FAINT: Final = 0.1
"""Contrast of brightness, as a share of the paper's, below which colours are looked at."""
_MODEL_ERROR: Final = 0.012
"""What the model of a profile leaves unexplained, as a share of the step."""
_INNER_MM, _OUTER_MM = 1.5, 1.9
"""What part of a profile is explained."""
_LEAST_MODEL_STEP: Final = 0.5
"""A step of which, as a share of the paper's light, it is taken at least."""
_COLOUR_ERROR: Final = 0.03
"""The same for a colour: files keep colours less sharp than brightness."""
_SHADOW_MM: Final = (0.25, 0.5, 0.8, 1.2)
_FADE_MM: Final = (0.2, 0.5, 1.0, 1.7)
_SHADOW_SD: Final = 0.15
"""Where the parts end of which a shadow beside the card is made up, thrown ones at a step and contact shadows fading,
and their depths, shares of the paper's light."""
_SHADE: Final = (0.2, 0.2)
"""Depth of the shadow at the card's foot, and its deviation."""
_SHADOW_PULL_MM: Final = 0.5
"""How far a shadow may draw the line that was followed outwards beside a black card; more beside a lighter one."""
_BLURS_PX: Final = 0.4 * 1.2 ** np.arange(10)
_FINER: Final = 1.05 ** np.arange(-4, 5)
_ALIKE: Final = 2
"""So many steps of the first blurs may upright and level sides differ by."""
_SWEEPS: Final = 20
_LOCAL_MM: Final = 200.0
_LOCAL_SD_MM: Final = 0.7
"""Where the sighting may be off by so much: a print stretched by 0.35 % that was taken for a lens."""
_TONE_SHARE: Final = 0.25
"""By what share of its effect on an edge a phone's tone curve may differ from that of sRGB."""
_LUMINANCE: Final = np.array([0.0722, 0.7152, 0.2126])
"""Of linear B, G, R (ITU-R BT.709)."""

_SIDES: Final = ("far", "right", "near", "left")
_NORMALS: Final = np.array([[0.0, -1.0], [1.0, 0.0], [0.0, 1.0], [-1.0, 0.0]])
_HALF_SIZE: Final = np.array([CARD_MM[1], CARD_MM[0], CARD_MM[1], CARD_MM[0]]) / 2


@dataclass(frozen=True, eq=False)
class CardReading:
    """A card measured in its place.

    `width_mm` and `height_mm` are its sides as they come out in the sighting's millimetres, with the standard
    deviations of measuring (the card's own tolerance not included). `corners_mm` (4, 2) is where the corners would
    be if they were not rounded, mat frame of the sighting, clockwise from the far left as printed. `print_scale` is
    what follows for the print.
    """

    width_mm: float
    height_mm: float
    width_sd_mm: float
    height_sd_mm: float
    turn_deg: float
    corners_mm: FloatArray
    print_scale: PrintScale


def look_for_card(pixels_bgr: Picture, sighting: Sighting) -> CardReading | None:
    """Return what `find_card` finds, or None where it would refuse: for photos in which nobody promised a card."""
    try:
        return find_card(pixels_bgr, sighting)
    except PhotoError:
        return None


def find_card(pixels_bgr: Picture, sighting: Sighting) -> CardReading:
    """Measure the card in its place in the photo (H, W, 3) that `sighting` was made from.

    PhotoError when there is none, or it is covered, bent, raised at one side, not of ID-1 size, or the paper is bent.
    """
    if sighting.mat.sheets[0].card_place is None:
        raise PhotoError("This mat has no place for a card. Measure both rules and give their lengths.")
    if sighting.surface is not None:
        raise PhotoError(
            "A card tells the size of the print only where the paper lies flat, and this one does not. Tape its "
            "corners down and take the photo again, or measure both rules and give their lengths."
        )
    scene = _Scene.of(pixels_bgr, sighting)
    rough = _rough(scene)
    traces = []
    for k, name in enumerate(_SIDES):
        trace = _follow(scene, rough.normal(k), rough.middle(k), rough.length(k), name, _FIRST_PX_PER_MM)
        traces.append(_follow(scene, trace.normal, trace.middle_mm, rough.length(k), name, _FINEST_PX_PER_MM))
    local = _Local.of(scene)
    return _reading(scene, local, [_corrected(side, local) for side in _locate(scene, traces)])


@dataclass(frozen=True, eq=False)
class _Scene:
    """The part of the photo round the card's place: `crop` (h, w, 3), its top-left pixel, and the place's middle."""

    sighting: Sighting
    crop: Picture
    corner_px: NDArray[np.intp]
    middle_mm: FloatArray

    @classmethod
    def of(cls, pixels_bgr: Picture, sighting: Sighting) -> _Scene:
        sheet = sighting.sheets[0]
        place = sheet.sheet.card_place
        assert place is not None
        centre = np.array([[place.x_mm + place.width_mm / 2, place.y_mm + place.height_mm / 2]])
        middle = sheet.to_mat(centre)[0]
        half = np.array(CARD_MM) / 2 + _MARGIN_MM
        ends = middle + half * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
        pixels = sighting.camera.project(np.c_[ends, np.zeros(4)])
        size = np.array(pixels_bgr.shape[1::-1])
        low = np.maximum(np.floor(pixels.min(axis=0)).astype(int) - 3, 0)
        high = np.minimum(np.ceil(pixels.max(axis=0)).astype(int) + 4, size)
        inner = sighting.camera.project(np.c_[middle + (ends - middle) * 0.9, np.zeros(4)])
        if (inner < 0).any() or (inner > size - 1).any():
            raise PhotoError("The place of the card is not wholly in the picture. Get the whole mat into it.")
        return cls(sighting, pixels_bgr[low[1] : high[1], low[0] : high[0]], low, middle)

    @cached_property
    def px_mm(self) -> float:
        """Size of a pixel on the mat."""
        return self.sighting.camera.mm_per_px(self.middle_mm)

    def coarse(self) -> Picture:
        """Return the place and its margin seen squarely, `_COARSE_PX_PER_MM` fine."""
        # Shrinking by a whole number is quick.
        shrink = max(1, int(0.8 / (_COARSE_PX_PER_MM * self.px_mm)))
        rows, columns = (n // shrink * shrink for n in self.crop.shape[:2])
        small = (columns // shrink, rows // shrink)
        crop = cv2.resize(self.crop[:rows, :columns], small, interpolation=cv2.INTER_AREA)
        size = np.array(CARD_MM) + 2 * _MARGIN_MM
        view = View(self.middle_mm - size / 2, np.array([1.0, 0.0]), (size[0], size[1]), _COARSE_PX_PER_MM, 0.0)
        map_x, map_y = sampling_map(self.sighting.camera, view, 1.0)
        x, y = ((m - np.float32(c) + 0.5) / shrink - 0.5 for m, c in zip((map_x, map_y), self.corner_px, strict=True))
        return np.asarray(cv2.remap(crop, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), np.uint8)

    def across(
        self, normal: FloatArray, middle_mm: FloatArray, length_mm: float, finest_px_per_mm: float
    ) -> tuple[FloatArray, float]:
        """Return linear B, G, R (rows, columns, 3) along an edge: rows run outwards, and rows per mm."""
        px_per_mm = min(finest_px_per_mm, 1.5 / self.px_mm)
        rows, columns = 2 * round(_HALF_MM * px_per_mm), round(length_mm * px_per_mm)
        size = (columns / px_per_mm, rows / px_per_mm)
        right = np.array([normal[1], -normal[0]])
        view = View(middle_mm - right * size[0] / 2 - normal * size[1] / 2, right, size, px_per_mm, 0.0)
        map_x, map_y = sampling_map(self.sighting.camera, view, 1.0)
        x, y = map_x - np.float32(self.corner_px[0]), map_y - np.float32(self.corner_px[1])
        low = np.maximum([int(y.min()) - 1, int(x.min()) - 1], 0)
        part = LINEAR_32[self.crop[low[0] : int(y.max()) + 3, low[1] : int(x.max()) + 3]]
        x, y = x - np.float32(low[1]), y - np.float32(low[0])
        seen = cv2.remap(part, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        return np.asarray(seen, dtype=np.float64), px_per_mm


@dataclass(frozen=True, eq=False)
class _Local:
    """What the sighting's plane must be shifted by for the marks of the sheet to lie where they were printed.

    A homography near identity and one radial term about `axis_mm`, linear in their nine unknowns: a lens or a stretch
    that the sighting's camera expresses wrongly is taken up. `reach` (9,) are the unknowns, mm at `_LOCAL_MM` from the
    card; `left_mm` is what is left beyond the marks' noise.
    """

    middle_mm: FloatArray
    axis_mm: FloatArray
    reach: FloatArray
    covariance: FloatArray
    left_mm: float

    @classmethod
    def of(cls, scene: _Scene) -> _Local:
        sighting = scene.sighting
        mine = sighting.marks.sheet == 0
        seen = sighting.camera.at_height(sighting.marks.pixels[mine], 0.0)
        axis = sighting.camera.at_height(sighting.camera.centre_px[None], 0.0)[0]
        off = (sighting.sheets[0].to_mat(sighting.marks.points_mm[mine]) - seen).ravel()
        noise = np.repeat(np.maximum(sighting.mark_noise_px[mine] * scene.px_mm, 0.005), 2)
        start = cls(scene.middle_mm, axis, np.zeros(9), np.eye(9), 0.0)
        design = start.design(seen).reshape(-1, 9)
        prior = np.eye(9) / _LOCAL_SD_MM**2
        weighted = design / noise[:, None] ** 2
        reach = np.linalg.solve(weighted.T @ design + prior, weighted.T @ off)
        miss = off - design @ reach
        variance = float(np.square(miss / noise).mean()) * len(miss) / max(1, len(miss) - 9)
        covariance = np.linalg.inv(weighted.T @ design / max(variance, 0.01) + prior)
        left = float(np.sqrt(max(0.0, np.square(miss).mean() - np.square(noise).mean())))
        return replace(start, reach=reach, covariance=covariance, left_mm=left)

    def design(self, points_mm: FloatArray) -> FloatArray:
        """Return how points (N, 2) move with the unknowns, (N, 2, 9)."""
        x, y = ((points_mm - self.middle_mm) / _LOCAL_MM).T
        radius = (points_mm - self.axis_mm) / _LOCAL_MM
        bent = radius * (radius**2).sum(axis=1, keepdims=True)
        one, none = np.ones_like(x), np.zeros_like(x)
        by_x = np.column_stack([one, x, y, none, none, none, x * x, x * y, bent[:, 0]])
        by_y = np.column_stack([none, none, none, one, x, y, x * y, y * y, bent[:, 1]])
        return np.stack([by_x, by_y], axis=1)

    def shift(self, points_mm: FloatArray) -> FloatArray:
        """Return the shifts (N, 2) of points (N, 2)."""
        return np.asarray(self.design(points_mm) @ self.reach, dtype=np.float64)


def _to_display(light: float) -> float:
    light = min(max(light, 0.0), 1.0)
    return float(12.92 * light if light <= 0.0031308 else 1.055 * light ** (1 / 2.4) - 0.055)


@dataclass(frozen=True, eq=False)
class _Rectangle:
    """Where the card lies roughly: middle, turn in radians, size (2,)."""

    middle_mm: FloatArray
    turn: float
    size_mm: FloatArray

    def normal(self, k: int) -> FloatArray:
        """Outward normal (2,) of side k."""
        cos, sin = np.cos(self.turn), np.sin(self.turn)
        return np.asarray(np.array([[cos, -sin], [sin, cos]]) @ _NORMALS[k], dtype=np.float64)

    def middle(self, k: int) -> FloatArray:
        """Middle (2,) of side k."""
        return np.asarray(self.middle_mm + self.normal(k) * self.size_mm[1 - k % 2] / 2, dtype=np.float64)

    def length(self, k: int) -> float:
        """Length of side k without its corners."""
        return float(self.size_mm[k % 2]) - 2 * _CORNER_MM


_NONE: Final = (
    "No card can be seen in its place on the mat. Lay a bank-card-sized card inside the four brackets, flat, and take "
    "the photo again; a card as light as the paper cannot be seen, so use a darker or coloured one, or its other side."
)
_COVERED: Final = (
    "Something lies in the card's place, but the four edges of a card cannot be followed. Lay the card straight inside "
    "the four brackets, keep hands, sleeves and hard shadows off it, and take the photo again."
)
_ANOTHER: Final = (
    "What lies in the card's place measures {:.1f} x {:.1f} mm and is no bank-card-sized card (85.60 x 53.98 mm, "
    "ISO/IEC 7810 ID-1). Use a bank card, or measure both rules on the mat and give their lengths."
)
_NOT_FLAT: Final = (
    "The card in its place does not lie flat: {}. Lay it flat on the paper with nothing under it; use another card if "
    "it is bent."
)


def _rough(scene: _Scene) -> _Rectangle:
    """Find the card to half a millimetre and half a degree: the best rectangle of about its size."""
    px = _COARSE_PX_PER_MM
    picture = scene.coarse().astype(np.float32)
    rows, columns = picture.shape[:2]
    inner = round(_MARGIN_MM * px)
    outside = np.ones((rows, columns), dtype=bool)
    outside[inner // 3 : -inner // 3, inner // 3 : -inner // 3] = False
    outside[: inner // 2] = False
    paper = np.maximum(np.percentile(picture[outside][::_SPARSE], 70, axis=0), 1.0)
    # Paper is white: whatever the card's colour, at least one channel is darker.
    blue, green, red = cv2.split(picture * (1 / paper).astype(np.float32))
    light = np.minimum(np.minimum(blue, green), red)
    middle = float(np.median(light[rows // 3 : -rows // 3, columns // 3 : -columns // 3]))
    around = float(np.median(light[outside]))
    sign = 1.0 if middle < around else -1.0
    scores = [_side_scores(np.asarray(sign * np.rot90(light, k), np.float32), k) for k in range(4)]
    reach = round(_REACH_MM * px)
    tall, wide = _pair_scores(scores[0], scores[2]), _pair_scores(scores[3], scores[1])
    growth = np.arange(-2 * reach, 2 * reach + 1) / px
    cos = np.cos(np.radians(_ANGLES_DEG))[:, None]
    width, height = (CARD_MM[0] + growth) * cos, (CARD_MM[1] + growth) * cos
    relative_w, relative_h = width[:, :, None] / CARD_MM[0], height[:, None, :] / CARD_MM[1]
    low, high = SIZE_RANGE[0] - 0.01, SIZE_RANGE[1] + 0.01
    fits = np.abs(relative_w / relative_h - 1) < 0.05
    fits &= (relative_w > low) & (relative_w < high) & (relative_h > low) & (relative_h < high)
    total = np.where(fits, wide[:, :, None] + tall[:, None, :], -1.0)
    a, i, j = np.unravel_index(int(total.argmax()), total.shape)
    left, right = _best_pair(scores[3][a], scores[1][a], int(i) - 2 * reach)
    far, near = _best_pair(scores[0][a], scores[2][a], int(j) - 2 * reach)
    least = min(scores[3][a][left], scores[1][a][right], scores[0][a][far], scores[2][a][near])
    if least < _LEAST_STEP:
        raise PhotoError(_NONE if abs(around - middle) < _BLANK else _COVERED)
    # Offsets count outwards from the sides of the place.
    offset = np.array([right - left, near - far]) / (2 * px)
    turn = float(np.radians(_ANGLES_DEG[a]))
    return _Rectangle(scene.middle_mm + offset, turn, np.array([width[a, i], height[a, j]]))


def _side_scores(light: NDArray[np.float32], quarter_turns: int) -> FloatArray:
    """Return how well a side is seen (angles, offsets outwards) in a view turned so that this side is on top."""
    px = _COARSE_PX_PER_MM
    rows, columns = light.shape
    reach, margin = round(_REACH_MM * px), round(_MARGIN_MM * px)
    step = np.asarray(cv2.filter2D(light, -1, np.array([[1, 1, 0, -1, -1]], np.float32).T / 2), np.float64)
    step = np.asarray(cv2.blur(step, (px, 1)), np.float64)
    along = np.arange(margin + 6 * px, columns - margin - 6 * px, px)
    slope = np.tan(np.radians(_ANGLES_DEG))
    offsets = np.arange(-reach, reach + 1)
    row = margin - offsets[None, :, None] + slope[:, None, None] * (along - (columns - 1) / 2)
    seen = step[np.clip(np.rint(row).astype(int), 0, rows - 1), along]
    rank = int(_SIDE_SHARE * len(along))
    return np.asarray(np.partition(seen, rank, axis=2)[:, :, rank], dtype=np.float64)


def _pair_scores(first: FloatArray, second: FloatArray) -> FloatArray:
    """Return the best score (angles, growths) of two opposite sides that lie apart by the card's size and a growth."""
    count = first.shape[1]
    one, two = np.minimum(first, _ENOUGH_STEP), np.minimum(second, _ENOUGH_STEP)[:, ::-1]
    best = np.empty((len(first), 2 * count - 1))
    for growth in range(2 * count - 1):
        lag = growth - (count - 1)
        low, high = max(0, lag), min(count, count + lag)
        # Offset i of the one side and growth - i of the other; `two` runs backwards.
        best[:, growth] = np.minimum(one[:, low:high], two[:, low - lag : high - lag]).max(axis=1)
    return best


def _best_pair(first: FloatArray, second: FloatArray, growth_px: int) -> tuple[int, int]:
    """Return the offsets' indices of two sides that together are `growth_px` farther apart than nominal."""
    middle = (len(first) - 1) // 2
    one = np.arange(len(first))
    two = growth_px + 2 * middle - one
    good = (two >= 0) & (two < len(second))
    pairs = np.minimum(first[one[good]], second[two[good]])
    best = int(pairs.argmax())
    return int(one[good][best]), int(two[good][best])


@dataclass(frozen=True, eq=False)
class _Trace:
    """An edge followed as a straight line: its middle (2,) and outward normal (2,) on the mat plane, and its profiles.

    `profiles` (channels, rows, columns) are linear light at `out_mm` (rows,) from the line along which they were taken,
    for the columns that agree; `at_mm` is where the line that was found lies on that scale.
    """

    middle_mm: FloatArray
    normal: FloatArray
    turn_sd: float
    out_mm: FloatArray
    profiles: FloatArray
    at_mm: float
    card: float
    paper: float


@dataclass(frozen=True, eq=False)
class _Side:
    """The foot of one side's wall as a line on the mat plane, with deviations of its place and turn.

    `tone_mm` is how far out it may lie because the tone curve is not known; all sides share its sign. `lift_mm` is how
    far out the card's thickness carries what is seen; 0 where the wall faces the camera.
    """

    trace: _Trace
    middle_mm: FloatArray
    sd_mm: float
    tone_mm: float
    lift_mm: float


def _follow(
    scene: _Scene, normal: FloatArray, middle_mm: FloatArray, length_mm: float, name: str, finest_px_per_mm: float
) -> _Trace:
    """Follow the edge that lies within a millimetre of where it is looked for."""
    seen, px_per_mm = scene.across(normal, middle_mm, length_mm, finest_px_per_mm)
    rows, columns = seen.shape[:2]
    out = (np.arange(rows) + 0.5) / px_per_mm - rows / px_per_mm / 2
    along = (np.arange(columns) + 0.5) / px_per_mm - columns / px_per_mm / 2
    ends = out < -0.55 * _HALF_MM, out > 0.55 * _HALF_MM
    channels = _channels(seen, *ends)
    profiles = channels[0]
    card, paper = (float(np.median(profiles[end, ::_SPARSE])) for end in ends)
    step = paper - card
    if abs(step) < _LEAST_CONTRAST * paper:
        raise PhotoError(_NONE)
    # Where a sharp edge would lie, were the profile to hold as much light: blur does not move it.
    share = np.clip((profiles - card) / step, -0.3, 1.3)
    edge = rows / px_per_mm / 2 - share.sum(axis=0) / px_per_mm
    line, good = _robust_line(along, edge)
    if 1 - good.mean() > _OUTLIER_SHARE:
        raise PhotoError(_COVERED)
    miss = edge - np.polyval(line, along)
    bow, bow_sd = _bow_mm(along[good], miss[good])
    if abs(bow) > _WORST_BOW_MM + 3 * bow_sd:
        raise PhotoError(_NOT_FLAT.format(f"its {name} edge is bowed by {abs(bow):.2f} mm"))
    if _unevenness_mm(miss, good) > _WORST_UNEVENNESS_MM:
        raise PhotoError(_COVERED)
    right = np.array([normal[1], -normal[0]])
    turn = float(np.arctan(line[0]))
    count = max(4.0, good.sum() / _RELATED_COLUMNS)
    return _Trace(
        middle_mm=middle_mm + normal * line[1],
        normal=np.cos(turn) * normal - np.sin(turn) * right,
        turn_sd=max(float(np.std(miss[good]) / np.sqrt(count) / np.std(along[good])), 1e-4),
        out_mm=out,
        profiles=channels[..., good],
        at_mm=float(line[1]),
        card=card,
        paper=paper,
    )


def _bow_mm(along_mm: FloatArray, miss_mm: FloatArray) -> tuple[float, float]:
    """Return how far the middle of an edge bows out over its ends, and the deviation of that.

    The edge of a card whose middle is raised seems to bow away from the camera.
    """
    half = float(np.abs(along_mm).max())
    design = np.column_stack([np.ones_like(along_mm), along_mm / half, (along_mm / half) ** 2])
    inverse = np.linalg.inv(design.T @ design)
    fitted = inverse @ (design.T @ miss_mm)
    variance = float(np.square(miss_mm - design @ fitted).mean()) * _RELATED_COLUMNS
    return -float(fitted[2]), float(np.sqrt(inverse[2, 2] * variance))


def _unevenness_mm(miss: FloatArray, good: NDArray[np.bool_]) -> float:
    """Return the root mean square by which parts of an edge leave its line, less what grain explains."""
    columns = len(miss)
    part = np.minimum((np.arange(columns) * _SEGMENTS) // columns, _SEGMENTS - 1)
    parts = [miss[(part == k) & (np.abs(miss) < 1.0)] for k in range(_SEGMENTS)]
    squares = np.sort([float(np.median(p)) ** 2 for p in parts if len(p) > 3])
    grain = 1.4826 * float(np.median(np.abs(miss[good]))) * np.sqrt(1.57 * _RELATED_COLUMNS * _SEGMENTS / columns)
    # One part may be hidden by a fingertip, or lie beside a printed word.
    return float(np.sqrt(max(0.0, squares[:-1].mean() - grain**2)))


def _channels(seen: FloatArray, inside: NDArray[np.bool_], outside: NDArray[np.bool_]) -> FloatArray:
    """Return brightness, and the colour in which the card differs most from it, if any: (1 or 2, rows, columns).

    Brightness comes first unless it hardly shows the edge: files keep colours less sharp.
    """
    channels = np.concatenate([(seen @ _LUMINANCE)[..., None], seen], axis=2)
    card, paper = (np.median(channels[rows, ::_SPARSE].reshape(-1, 4), axis=0) for rows in (inside, outside))
    contrast = (paper - card) / np.maximum(paper, 1e-3)
    other = int(np.abs(contrast[1:] - contrast[0]).argmax()) + 1
    chosen = [0, other] if abs(contrast[other] - contrast[0]) > _FAINT else [0]
    if abs(contrast[0]) < _FAINT and abs(contrast[other]) > abs(contrast[0]):
        chosen.reverse()
    return np.asarray(np.moveaxis(channels[..., chosen], 2, 0), dtype=np.float64)


def _robust_line(x: FloatArray, y: FloatArray) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Fit y = a x + b; return (a, b) and which points (N,) agree with it."""
    blocks = x[: len(x) // 8 * 8].reshape(8, -1), y[: len(y) // 8 * 8].reshape(8, -1)
    along, across = (np.median(block, axis=1) for block in blocks)
    slope = float(np.median((across[4:] - across[:4, None]) / (along[4:] - along[:4, None])))
    line = np.array([slope, float(np.median(y - slope * x))])
    for _ in range(4):
        miss = np.abs(y - (line[0] * x + line[1]))
        reach = max(_OUTLIER_MM, 3.5 * 1.4826 * float(np.median(miss)))
        weight = np.maximum(1 - (miss / reach) ** 2, 0.0) ** 2
        total = weight.sum()
        mean_x, mean_y = weight @ x / total, weight @ y / total
        slope = (weight * (x - mean_x)) @ (y - mean_y) / (weight @ (x - mean_x) ** 2)
        line = np.array([slope, mean_y - slope * mean_x])
    miss = np.abs(y - (line[0] * x + line[1]))
    return line, miss < max(_OUTLIER_MM, 3.5 * 1.4826 * float(np.median(miss)))


def _lift(scene: _Scene, middle_mm: FloatArray, normal: FloatArray) -> float:
    """Return how far outwards the upper edge of a side seems to lie; negative where its wall faces the camera."""
    centre = scene.sighting.camera.centre_mm
    return float(THICKNESS_MM * (middle_mm - centre[:2]) @ normal / (centre[2] - THICKNESS_MM))


def _locate(scene: _Scene, traces: list[_Trace]) -> list[_Side]:
    """Locate the feet of the card's four walls from the mean profiles.

    A profile is card, wall where it is seen, and paper under a shadow that only fades outwards, all blurred alike.
    For each foot and each blur on a grid the levels of light are fitted, none of them negative; what the foot may be
    follows from how well each fits, the blur being common to the four sides unless the camera moved. Shadow and blur
    can look alike, so the posterior is not narrow and need not have one peak only.
    """
    from scipy.special import logsumexp

    px = scene.px_mm
    lifts = np.array([_lift(scene, trace.middle_mm, trace.normal) for trace in traces])
    evidence = _Evidence.of(traces, lifts, px)
    pull = float(np.clip(_SHADOW_PULL_MM / evidence.contrast, _SHADOW_PULL_MM, 3 * _SHADOW_PULL_MM))
    feet = np.arange(-pull, 0.3 + px, 0.9 * px, dtype=np.float64)
    logs = evidence.log_posterior(feet, np.asarray(px * _BLURS_PX, dtype=np.float64), _SWEEPS // 2)
    by_blur = logsumexp(logs, axis=2)
    groups: list[list[int]] = [[0, 1, 2, 3]]
    across, down = (int(by_blur[pair].sum(axis=0).argmax()) for pair in ([1, 3], [0, 2]))
    if abs(across - down) > _ALIKE:
        groups = [[0, 2], [1, 3]]  # the camera moved
    sides: dict[int, _Side] = {}
    for group in groups:
        blur = px * float(_BLURS_PX[int(by_blur[group].sum(axis=0).argmax())])
        likely = feet[(logs[group] > logs[group].max(axis=(1, 2), keepdims=True) - 12.0).any(axis=(0, 1))]
        fine = np.arange(likely[0] - px, likely[-1] + px, 0.3 * px, dtype=np.float64)
        blurs = np.asarray(blur * _FINER, dtype=np.float64)
        finer = evidence.pick(group).log_posterior(fine, blurs, _SWEEPS)
        total = logsumexp(finer, axis=2)
        blur_weight = np.exp(total.sum(axis=0) - logsumexp(total.sum(axis=0)))
        for i, k in enumerate(group):
            trace, lift = traces[k], max(float(lifts[k]), 0.0)
            weight = blur_weight @ np.exp(finer[i] - total[i][:, None])
            mean = float(weight @ fine)
            variance = float(weight @ (fine - mean) ** 2) + (0.3 * px) ** 2 / 12
            sides[k] = _Side(
                trace=trace,
                middle_mm=trace.middle_mm + trace.normal * (mean - trace.at_mm - lift),
                sd_mm=float(np.sqrt(variance)),
                tone_mm=_TONE_SHARE * float(blur_weight @ blurs) * _tone_quantile(trace.card, trace.paper),
                lift_mm=lift,
            )
    return [sides[k] for k in range(4)]


@dataclass(frozen=True, eq=False)
class _Evidence:
    """Mean profiles across the sides, and what is known of their levels of light, as shares of the paper's.

    `out_mm` (rows,); `light` and `weight` (sides, channels, rows); `lifts_mm` (sides,); `mean` and `inverse`
    (sides, levels): prior of card, paper and wall in each channel, then of the shadow's parts, which dim all
    channels alike; `contrast` is the least of brightness.
    """

    out_mm: FloatArray
    light: FloatArray
    weight: FloatArray
    lifts_mm: FloatArray
    mean: FloatArray
    inverse: FloatArray
    contrast: float

    @classmethod
    def of(cls, traces: list[_Trace], lifts_mm: FloatArray, px_mm: float) -> _Evidence:
        near = (traces[0].out_mm > -_INNER_MM) & (traces[0].out_mm < _OUTER_MM)
        out = traces[0].out_mm[near]
        # Profiles are read oftener than there are pixels.
        repeated = max(1.0, px_mm / (out[1] - out[0]))
        shared = min(len(trace.profiles) for trace in traces)
        light, weight, mean, inverse = [], [], [], []
        for trace in traces:
            profiles = trace.profiles[:shared, near]
            inside = trace.out_mm[near] < -_INNER_MM / 2
            paper = np.median(trace.profiles[:shared, trace.out_mm > 0.55 * _HALF_MM, ::_SPARSE], axis=(1, 2))
            profiles = profiles / paper[:, None, None]
            card = np.median(profiles[:, inside, ::_SPARSE], axis=(1, 2))
            count = max(4.0, profiles.shape[2] / _RELATED_COLUMNS)
            model = np.array([_MODEL_ERROR, _COLOUR_ERROR])[:shared] * np.maximum(np.abs(1 - card), _LEAST_MODEL_STEP)
            light.append(profiles.mean(axis=2))
            weight.append(1 / np.sqrt((profiles.var(axis=2) / count + model[:, None] ** 2) * repeated))
            # A wall upright on the paper gets half to nine tenths of the paper's light; it is white or of card colour.
            low, high = 0.5 * np.minimum(card, 1.0), 0.9 * np.maximum(card, 1.0)
            parts = len(_SHADOW_MM) + len(_FADE_MM)
            levels = np.stack([card, np.ones(shared), (low + high) / 2], axis=1)
            known = np.stack([np.zeros(shared), np.zeros(shared), np.sqrt(12) / (high - low)], axis=1)
            mean.append(np.r_[levels.ravel(), np.zeros(parts)])
            inverse.append(np.r_[known.ravel(), np.full(parts, 1 / _SHADOW_SD)])
        return cls(
            out,
            np.array(light),
            np.array(weight),
            lifts_mm,
            np.array(mean),
            np.array(inverse),
            min(abs(1 - trace.card / trace.paper) for trace in traces),
        )

    def pick(self, sides: list[int]) -> _Evidence:
        """Return the evidence of some sides."""
        parts = (self.light, self.weight, self.lifts_mm, self.mean, self.inverse)
        light, weight, lifts, mean, inverse = (part[sides] for part in parts)
        return _Evidence(self.out_mm, light, weight, lifts, mean, inverse, self.contrast)

    def log_posterior(self, feet_mm: FloatArray, blurs_mm: FloatArray, sweeps: int) -> FloatArray:
        """Return (sides, blurs, feet), but for a constant for each side; feet count along `out_mm`, lift included."""
        gram, target = self._normal_equations(feet_mm, blurs_mm)
        level = np.maximum(np.linalg.solve(gram, target[..., None])[..., 0], 0.0)
        # Coordinate descent keeps the levels from becoming negative.
        for _ in range(sweeps):
            for j in range(level.shape[-1]):
                slope = np.einsum("...i,...i->...", gram[..., j, :], level) - target[..., j]
                level[..., j] = np.maximum(level[..., j] - slope / gram[..., j, j], 0.0)
        cost = np.einsum("...i,...ij,...j->...", level, gram, level) - 2 * (target * level).sum(axis=-1)
        return np.asarray(-cost / 2, dtype=np.float64)

    def _normal_equations(self, feet_mm: FloatArray, blurs_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
        from scipy.special import ndtr

        # The edges beyond which there is something else: card, wall (none where the upper edge hides it), shadow.
        start = (self.out_mm - feet_mm[:, None]) / blurs_mm[:, None, None]
        paper = ndtr(start)[..., None, :]
        steps = np.stack([ndtr(start - end / blurs_mm[:, None, None]) for end in _SHADOW_MM], axis=-2)
        shadow = np.concatenate([steps - paper, -_blurred_ramps(self.out_mm - feet_mm[:, None], blurs_mm)], axis=-2)
        upper = np.stack(
            [ndtr(start - min(lift, 0.0) / blurs_mm[:, None, None])[..., None, :] for lift in self.lifts_mm]
        )
        paper, shadow = (np.broadcast_to(part, (len(upper), *part.shape)) for part in (paper, shadow))
        basis = np.concatenate([1 - upper, paper, upper - paper, shadow], axis=-2)
        channels, levels = self.light.shape[1], self.mean.shape[1]
        shade = np.r_[np.zeros(3 * channels), np.ones(levels - 3 * channels)]
        gram = np.zeros((*basis.shape[:3], levels, levels))
        target = np.zeros((*basis.shape[:3], levels))
        for c in range(channels):
            mine = np.r_[3 * c : 3 * c + 3, 3 * channels : levels]
            weighted = basis * self.weight[:, None, None, None, c]
            gram[..., mine[:, None], mine] += weighted @ weighted.swapaxes(-1, -2)
            light = (self.light[:, c] * self.weight[:, c])[:, None, None, :, None]
            target[..., mine] += (weighted @ light)[..., 0]
        # The depths' sum has a prior of its own: beside a card 0.76 mm high there is hardly a place without any light.
        prior = self.inverse[:, :, None] ** 2 * np.eye(levels) + 1e-6 * np.eye(levels)
        gram += (prior + np.outer(shade, shade) / _SHADE[1] ** 2)[:, None, None]
        target += (self.mean * self.inverse**2 + shade * _SHADE[0] / _SHADE[1] ** 2)[:, None, None]
        return gram, target


def _blurred_ramps(out_mm: FloatArray, blurs_mm: FloatArray) -> FloatArray:
    """Return shadows that begin at 0 with depth 1 and fade to nothing at each of `_FADE_MM`, blurred.

    (blurs, feet, fades, rows) for `out_mm` (feet, rows).
    """
    from scipy.special import ndtr

    def integral(x: FloatArray) -> FloatArray:
        return np.asarray(x * ndtr(x) + np.exp(-x * x / 2) / np.sqrt(2 * np.pi), dtype=np.float64)

    blur = blurs_mm[:, None, None]
    start = out_mm / blur
    first, step = integral(start), ndtr(start)
    return np.stack([step - (first - integral(start - fade / blur)) * blur / fade for fade in _FADE_MM], axis=-2)


def _tone_quantile(card: float, paper: float) -> float:
    """Return by how many deviations of its blur an edge would be misplaced, were values taken for light."""
    from scipy.special import ndtri

    middle = (_to_display(card) + _to_display(paper)) / 2
    light = float(np.interp(middle, np.arange(256) / 255, LINEAR_32))
    share = (light - card) / (paper - card)
    return abs(float(ndtri(min(max(share, 0.02), 0.98))))


def _corrected(side: _Side, local: _Local) -> _Side:
    """Return the side where the marks round it have it."""
    right = np.array([side.trace.normal[1], -side.trace.normal[0]])
    ends = side.middle_mm + 20.0 * np.array([-right, right])
    ends = ends + local.shift(ends)
    along = (ends[1] - ends[0]) / np.linalg.norm(ends[1] - ends[0])
    trace = replace(side.trace, normal=np.array([-along[1], along[0]]))
    return replace(side, middle_mm=side.middle_mm + local.shift(side.middle_mm[None])[0], trace=trace)


def _reading(scene: _Scene, local: _Local, sides: list[_Side]) -> CardReading:
    """Fit the true rectangle to the four sides, its millimetres free along each axis, and state what follows."""
    _require_parallel(sides)
    right, down = sides[1].middle_mm - sides[3].middle_mm, sides[2].middle_mm - sides[0].middle_mm
    turn = float(np.arctan2(right[1], right[0]))
    x = np.array([CARD_MM[0] / right[0], CARD_MM[1] / down[1], 0.0, 0.0, turn])
    middle = np.mean([side.middle_mm for side in sides], axis=0)
    weight = 1 / np.array([s for side in sides for s in (side.sd_mm, side.trace.turn_sd)])
    for _ in range(6):
        residual = _rectangle_misses(x, sides, middle)
        step = 1e-5
        columns = [(_rectangle_misses(x + step * unit, sides, middle) - residual) / step for unit in np.eye(5)]
        jacobian = np.column_stack(columns)
        x = x - np.linalg.lstsq(jacobian * weight[:, None], residual * weight, rcond=None)[0]
    skew = float(np.degrees(np.abs(_rectangle_misses(x, sides, middle)[1::2]).max()))
    allowed = 1.5 * _WORST_ANGLE_DEG + 3 * float(np.degrees(max(side.trace.turn_sd for side in sides)))
    if skew > allowed:
        raise PhotoError(_NOT_FLAT.format(f"its corners differ from right angles by {2 * skew:.1f} degrees"))
    growth = x[:2]
    width, height = np.array(CARD_MM) / growth
    if (
        abs(width / height / (CARD_MM[0] / CARD_MM[1]) - 1) > WORST_RATIO
        or not SIZE_RANGE[0] < width / CARD_MM[0] < SIZE_RANGE[1]
        or not SIZE_RANGE[0] < height / CARD_MM[1] < SIZE_RANGE[1]
    ):
        raise PhotoError(_ANOTHER.format(width, height))
    spread = np.linalg.inv((jacobian * weight[:, None]).T @ (jacobian * weight[:, None]))
    measured = np.array([width, height])
    fit_sd = np.sqrt(np.diag(spread)[:2]) * measured / growth
    size_sd = np.sqrt(fit_sd**2 + _shared_sd_mm(local, sides) ** 2)
    assumed = scene.sighting.sheets[0].print_scale
    relative = np.hypot(size_sd / measured, np.array(CARD_SD_MM) / CARD_MM)
    cos, sin = np.cos(x[4]), np.sin(x[4])
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * np.array(CARD_MM) / 2
    return CardReading(
        width_mm=float(width),
        height_mm=float(height),
        width_sd_mm=float(size_sd[0]),
        height_sd_mm=float(size_sd[1]),
        turn_deg=float(np.degrees(x[4])),
        corners_mm=(corners @ np.array([[cos, sin], [-sin, cos]]) + x[2:4]) / growth + middle,
        print_scale=PrintScale(assumed.x * float(growth[0]), assumed.y * float(growth[1]), float(relative.max()), CARD),
    )


def _require_parallel(sides: list[_Side]) -> None:
    for first, second in ((0, 2), (1, 3)):
        a, b = sides[first].trace, sides[second].trace
        angle = float(np.degrees(np.arcsin(a.normal[0] * b.normal[1] - a.normal[1] * b.normal[0])))
        if abs(angle) > _WORST_ANGLE_DEG + 3 * float(np.degrees(np.hypot(a.turn_sd, b.turn_sd))):
            names = f"its {_SIDES[first]} and {_SIDES[second]} edges"
            raise PhotoError(_NOT_FLAT.format(f"{names} differ in direction by {abs(angle):.1f} degrees"))


def _rectangle_misses(x: FloatArray, sides: list[_Side], middle_mm: FloatArray) -> FloatArray:
    """Return for each side how far out it lies, mm, and its turn, radians (8,), against the true rectangle.

    `x`: true mm per mm of the sighting along x and y, place and turn of the rectangle.
    """
    cos, sin = np.cos(x[4]), np.sin(x[4])
    misses = []
    for k, side in enumerate(sides):
        normal = np.array([[cos, -sin], [sin, cos]]) @ _NORMALS[k]
        along = np.array([-side.trace.normal[1], side.trace.normal[0]]) * x[:2]
        place = (side.middle_mm - middle_mm) * x[:2] - x[2:4]
        misses += [float(normal @ place) - _HALF_SIZE[k], float(normal @ along)]
    return np.array(misses)


def _shared_sd_mm(local: _Local, sides: list[_Side]) -> FloatArray:
    """Return the deviations (2,) of width and height from what all sides share: marks, paper, tone, thickness."""
    design = local.design(np.array([side.middle_mm for side in sides]))
    result = []
    for low, high in ((3, 1), (0, 2)):
        by_local = sides[high].trace.normal @ (design[high] - design[low])
        marks = float(by_local @ local.covariance @ by_local)
        tone = sides[low].tone_mm + sides[high].tone_mm
        lift = (sides[low].lift_mm + sides[high].lift_mm) * _HEIGHT_SD_MM / THICKNESS_MM
        result.append(np.sqrt(marks + tone**2 + lift**2 + local.left_mm**2))
    return np.array(result)
