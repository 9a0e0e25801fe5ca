"""The palm and as much of the forearm as is seen, as an outline on the mat.

The hand is cut out of its surroundings once, by GrabCut (Rother, Kolmogorov and Blake 2004), for its outline here and
for the forearm's axis in `posture`. The outline ends at the knuckles and at the root of the thumb, where the fingers
begin. From above the silhouette is seen, that is the hand's widest line; it is stated on the plane OUTLINE_HEIGHT_MM
above the mat, about the middle of wrist and palm as hands rest in the scenes.

The heel's rear end is taken to be the wrist joint, where the forearm begins (hand lengths, too, are counted from there:
ISO 7250-1, from memory). A photo from above does not show where skin touches.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from handcapture.hands.landmarks import KNUCKLES, LANDMARK_HEIGHT_MM, WRIST, HandLandmarks
from handcapture.light import LINEAR_32
from handcapture.mat.sighting import Sighting
from handcapture.placement import Palm
from handcapture.rectify import View, rectify

FloatArray = NDArray[np.float64]

OUTLINE_HEIGHT_MM: Final = 30.0
"""Median height of the wrist joint in the scenes (5th to 95th percentile: 25 to 43 mm)."""
HEEL_BEHIND: Final = 0.141
"""The wrist joint lies so many palms (`HandLandmarks.palm_mm`) behind the wrist landmark, on the outline's plane."""
HEEL_SD_MM: Final = 3.5
"""Of the heel's place along the hand: 3.0 on the fitting half, 2.9 on the other (calibration/palm.py), rounded up."""
WRIST_ROW_MM: Final = 70.0
"""The wrist landmark lies so far below the upper edge of the view in which the hand is cut out."""
LAST_MM: Final = 100.0
"""So much of the forearm is looked at."""

_PX_PER_MM = 0.75
_FLOOR = 0.02
"""Added to linear light before the logarithm: darkness has no tint."""
_WINDOW_MM = (150.0, 190.0)
_FOREARM_FROM_MM = 20.0
_STEP_MM = 5.0
"""From here on, so far apart, the forearm's breadth is measured."""
_CORES_MM = ((20.0, 14.0), (60.0, 8.0))
"""Length and breadth of what is surely forearm; the longer one is tried where the first finds no forearm."""
_LEAST_ARM_MM, _ENOUGH = 30.0, 0.6
_LEAKS_MM = 20.0
"""What sticks to the hand in the cut-out but is narrower is none of it: a mark, a shadow's edge, the thumb."""
_ABOVE_MM = 40.0
"""The knuckles may lie above the view's upper edge; so far the outline is drawn on."""
_STRAIGHT_FROM_MM = 22.0
_LEAST_ROWS = 14
_THUMB_JOINT = 2
_MARGIN_PX = 7
_FINER = 3
_SMOOTH_MM = 1.5
_FLAT_MM = 0.6
_LEAST_CORNERS = 8
_INDEX_BEYOND, _LITTLE_BEYOND, _THUMB_BEYOND = 0.23, 0.155, 0.13
"""How far the hand reaches beyond the landmarks of its outer knuckles, in distances between them, and beyond the
thumb's joint, in palms: medians of the fitting half."""
_BULGE = 0.08
"""So far, in palms, may the edges of the hand bulge beyond the straight lines from the knuckles to the wrist."""


@dataclass(frozen=True, eq=False)
class CutOut:
    """One hand cut out of its surroundings: which pixels of the view are skin, (rows, columns).

    The view looks along the hand, whose knuckles are up; the wrist landmark is in its middle, WRIST_ROW_MM down. Below
    the wrist `visible_mm` of the forearm are inside the photo.
    """

    view: View
    skin: NDArray[np.bool_]
    visible_mm: float

    @property
    def wrist_row(self) -> int:
        """The row of the wrist landmark."""
        return round(WRIST_ROW_MM * self.view.px_per_mm)


def axes_of(hand: HandLandmarks) -> tuple[FloatArray, FloatArray]:
    """Return the unit vectors from the wrist to the knuckles and a quarter turn clockwise of it, on the mat."""
    up = hand.points_mm[list(KNUCKLES)].mean(axis=0) - hand.points_mm[WRIST]
    up = up / max(float(np.linalg.norm(up)), 1e-6)
    return up, np.array([-up[1], up[0]])


def cut_out(hand: HandLandmarks, sighting: Sighting, small: tuple[NDArray[np.uint8], float]) -> CutOut:
    """Cut the hand and its forearm out of the shrunk photo, seeded with the hand's own colours.

    `small` is the photo with its scale.
    """
    points = hand.points_mm
    up, right = axes_of(hand)
    origin = points[WRIST] - right * _WINDOW_MM[0] / 2 + up * WRIST_ROW_MM
    view = View(origin, right, _WINDOW_MM, _PX_PER_MM, LANDMARK_HEIGHT_MM)
    picture = _by_tint(rectify(small[0], sighting.camera, view, small[1]))
    rows, columns = picture.shape[:2]
    mask = np.full((rows, columns), cv2.GC_PR_BGD, np.uint8)
    middle, wrist_row = columns // 2, round(WRIST_ROW_MM * _PX_PER_MM)
    mask[:, : round(8 * _PX_PER_MM)] = mask[:, -round(8 * _PX_PER_MM) :] = cv2.GC_BGD
    mask[wrist_row:, middle - round(24 * _PX_PER_MM) : middle + round(24 * _PX_PER_MM)] = cv2.GC_PR_FGD
    palm = view.from_mat(points[[WRIST, *KNUCKLES]]) * _PX_PER_MM
    cv2.fillConvexPoly(mask, cv2.convexHull(palm.astype(np.float32)).astype(np.int32), int(cv2.GC_FGD))
    visible_mm = _visible_mm(view, sighting)
    last = wrist_row + round(visible_mm * _PX_PER_MM)
    skin = np.zeros((rows, columns), np.bool_)
    for core_mm, breadth_mm in _CORES_MM:
        seeded, core = mask.copy(), round(breadth_mm / 2 * _PX_PER_MM)
        end = min(wrist_row + round(core_mm * _PX_PER_MM), max(last, wrist_row + 3))
        seeded[wrist_row:end, middle - core : middle + core] = cv2.GC_FGD
        skin = _skin(picture, seeded, (wrist_row + 2, middle))
        arm = skin[wrist_row + round(_FOREARM_FROM_MM * _PX_PER_MM) : last].sum(axis=1) > _LEAST_ARM_MM * _PX_PER_MM
        if not arm.size or arm.mean() > _ENOUGH:
            break
    return CutOut(view, skin, visible_mm)


def _by_tint(picture: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Return brightness and two tints, log(R/B) and log(R/G), in place of B, G, R.

    Shadows hardly change tint, so they are not taken for dark skin: with B, G, R a tenth of every twentieth outline was
    shadow or print, with these about a hundredth.
    """
    light = np.log(LINEAR_32[picture] + np.float32(_FLOOR))
    blue, green, red = light[..., 0], light[..., 1], light[..., 2]
    steps = np.stack([20.0 * (light.mean(axis=-1) + 1.5), 90.0 * (red - blue), 150.0 * (red - green)], axis=-1)
    return np.clip(steps + 128.0, 0, 255).astype(np.uint8)


def _skin(picture: NDArray[np.uint8], mask: NDArray[np.uint8], inside: tuple[int, int]) -> NDArray[np.bool_]:
    """Return what is skin, and hangs together with the pixel (row, column) that is."""
    cv2.setRNGSeed(1)
    cv2.grabCut(picture, mask, (0, 0, 1, 1), np.zeros((1, 65)), np.zeros((1, 65)), 2, cv2.GC_INIT_WITH_MASK)
    skin = ((mask == cv2.GC_FGD) | (mask == cv2.GC_PR_FGD)).astype(np.uint8)
    _, labels = cv2.connectedComponents(skin)
    return np.asarray(labels == labels[inside])


def _visible_mm(view: View, sighting: Sighting) -> float:
    """Return how many mm below the wrist landmark lie inside the picture, at most LAST_MM."""
    below = np.append(np.arange(0.0, _WINDOW_MM[1] - WRIST_ROW_MM, 4.0), _WINDOW_MM[1] - WRIST_ROW_MM)
    middle = np.stack([np.full(len(below), _WINDOW_MM[0] / 2), WRIST_ROW_MM + below], axis=1)
    pixels = sighting.camera.project(np.c_[view.to_mat(middle), np.full(len(below), LANDMARK_HEIGHT_MM)])
    inside = ((pixels >= 0) & (pixels < np.array(sighting.size_px))).all(axis=1)
    return min(LAST_MM, float(below[inside].max())) if inside.any() else 0.0


def palm_of(hand: HandLandmarks, sighting: Sighting, cut: CutOut, forearm: FloatArray | None) -> Palm | None:
    """Return the palm's outline on the mat, with the wrist and what is seen of the forearm.

    `forearm` is the unit vector (2,) on the mat from the forearm towards the hand, None where it is not seen. None is
    returned where the cut-out is no hand.
    """
    up, _ = axes_of(hand)
    outline = _outline(hand, cut)
    if outline is None:
        return None
    outline = _raise(sighting, cut.view.to_mat(outline))
    back = -up if forearm is None else -forearm
    joint = _raise(sighting, hand.points_mm[[WRIST]])[0] - up * HEEL_BEHIND * hand.palm_mm
    wrist = across(outline, joint, back)
    if wrist is None:
        return None
    heel = wrist.mean(axis=0)
    lines = [across(outline, heel + back * behind, back) for behind in np.arange(_FOREARM_FROM_MM, LAST_MM, _STEP_MM)]
    breadths = [float(np.linalg.norm(line[1] - line[0])) for line in lines if line is not None]
    return Palm(
        outline_mm=outline,
        height_mm=OUTLINE_HEIGHT_MM,
        heel_mm=heel,
        heel_sd_mm=HEEL_SD_MM,
        wrist_line_mm=wrist[::-1].copy(),
        forearm=None if forearm is None else back,
        forearm_breadth_mm=float(np.median(breadths)) if forearm is not None and breadths else None,
    )


def across(outline_mm: FloatArray, place_mm: FloatArray, along: FloatArray) -> FloatArray | None:
    """Return where the line through a place (2,), across the unit vector `along`, leaves an outline (n, 2).

    The nearest crossings on either side, (2, 2), first the one a quarter turn anticlockwise of `along` as seen (y being
    down). None where the place is not inside.
    """
    beyond = (outline_mm - place_mm) @ along
    sideways = (outline_mm - place_mm) @ np.array([-along[1], along[0]])
    after, sideways_after = np.roll(beyond, -1), np.roll(sideways, -1)
    cuts = (beyond < 0) != (after < 0)
    share = beyond[cuts] / (beyond[cuts] - after[cuts])
    places = sideways[cuts] + share * (sideways_after[cuts] - sideways[cuts])
    if not (places < 0).sum() % 2 or not (places > 0).any():
        return None
    ends = np.array([places[places < 0].max(), places[places > 0].min()])
    return np.asarray(place_mm + ends[:, None] * np.array([-along[1], along[0]]), dtype=np.float64)


def _raise(sighting: Sighting, points_mm: FloatArray) -> FloatArray:
    """Carry points (n, 2) from the landmarks' plane along their rays to the outline's."""
    pixels = sighting.camera.project(np.c_[points_mm, np.full(len(points_mm), LANDMARK_HEIGHT_MM)])
    return sighting.camera.at_height(pixels, OUTLINE_HEIGHT_MM)


def _outline(hand: HandLandmarks, cut: CutOut) -> FloatArray | None:
    """Return the outline (n, 2) in millimetres of the view: from the knuckles to where the forearm leaves the photo."""
    scale = cut.view.px_per_mm
    above = round(_ABOVE_MM * scale)
    rows = len(cut.skin)
    size = round(_LEAKS_MM * scale)
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    # Skin goes on beyond the view, so that opening leaves its ends square.
    padded = cv2.copyMakeBorder(cut.skin.astype(np.uint8), size, size, size, size, cv2.BORDER_REPLICATE)
    skin = np.asarray(cv2.morphologyEx(padded, cv2.MORPH_OPEN, kernel)[size:-size, size:-size], dtype=np.uint8)
    last = min(rows, cut.wrist_row + round(cut.visible_mm * scale))
    skin[last:] = 0
    straight = cut.wrist_row + round(_STRAIGHT_FROM_MM * scale)
    _straighten_forearm(skin, straight, last)
    at = min(straight, last - 1)
    wrist = np.flatnonzero(skin[at])
    if not wrist.size:
        return None
    limits = _limits(
        hand, cut.view, (float(wrist[0] + 0.5) / scale, float(wrist[-1] + 0.5) / scale), (at + 0.5) / scale
    )
    canvas = cv2.copyMakeBorder(skin, above, 0, 0, 0, cv2.BORDER_CONSTANT, value=0)
    pixels = np.rint(limits * scale - 0.5 + [0.0, above]).astype(np.int32)
    first = np.flatnonzero(skin[0])
    if first.size:
        ends = np.array([[first[0], above], *pixels[:2], [first[-1], above]], dtype=np.int32)
        cv2.fillPoly(canvas, [ends], 1)
    allowed = np.zeros_like(canvas)
    cv2.fillPoly(allowed, [pixels], 1)
    fine = cv2.resize(canvas * allowed * 255, None, fx=_FINER, fy=_FINER, interpolation=cv2.INTER_LINEAR)
    fine = (cv2.GaussianBlur(fine, (0, 0), _SMOOTH_MM * scale * _FINER) > 127).astype(np.uint8)
    contours, _ = cv2.findContours(fine, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    if not contours:
        return None
    contour = max(contours, key=cv2.contourArea)
    corners = cv2.approxPolyDP(contour, _FLAT_MM * scale * _FINER, True)[:, 0].astype(np.float64)
    if len(corners) < _LEAST_CORNERS:
        return None
    if cv2.contourArea(contour, oriented=True) < 0:
        corners = corners[::-1]
    return np.asarray((corners + 0.5) / (scale * _FINER) - [0.0, above / scale], dtype=np.float64)


def _limits(hand: HandLandmarks, view: View, wrist_x_mm: tuple[float, float], wrist_y_mm: float) -> FloatArray:
    """Return the polygon, view millimetres, outside which are fingers, the thumb, and what sticks to the cut-out.

    It begins with the two ends of the row of knuckles, the left one first. Behind the row `wrist_y_mm`, where the skin
    reaches from the first to the second of `wrist_x_mm`, all is allowed.
    """
    width, height = view.size_mm
    points = view.from_mat(hand.points_mm)
    # As if of a right hand, whose thumb is on the left.
    mirrored = hand.side == "left"
    if mirrored:
        points = np.stack([width - points[:, 0], points[:, 1]], axis=-1)
        wrist_x_mm = width - wrist_x_mm[1], width - wrist_x_mm[0]
    row = points[KNUCKLES[-1]] - points[KNUCKLES[0]]
    index, little = points[KNUCKLES[0]] - row * _INDEX_BEYOND, points[KNUCKLES[-1]] + row * _LITTLE_BEYOND
    bone = points[_THUMB_JOINT] - points[WRIST]
    outwards = np.array([bone[1], -bone[0]]) / max(float(np.linalg.norm(bone)), 1e-6)
    thumb = points[_THUMB_JOINT] + outwards * _THUMB_BEYOND * hand.palm_mm
    bulge = np.array([_BULGE * hand.palm_mm, 0.0])
    left, right = [wrist_x_mm[0] - bulge[0], wrist_y_mm], [wrist_x_mm[1] + bulge[0], wrist_y_mm]
    behind = ([width, wrist_y_mm], [width, height], [0.0, height], [0.0, wrist_y_mm])
    corners = np.array([index, little, little + bulge, right, *behind, left, thumb - bulge, thumb])
    if mirrored:
        corners = np.stack([width - corners[:, 0], corners[:, 1]], axis=-1)
        return corners[[1, 0, *range(len(corners) - 1, 1, -1)]]
    return corners


def _straighten_forearm(skin: NDArray[np.uint8], first: int, last: int) -> None:
    """Lay straight lines along both edges of the forearm, rows `first` to `last`: what sticks out is no part of it."""
    columns = skin.shape[1]
    rows, ends = [], []
    for row in range(first, last):
        found = np.flatnonzero(skin[row])
        if found.size and found[0] > _MARGIN_PX and found[-1] < columns - 1 - _MARGIN_PX:
            rows.append(row)
            ends.append((found[0], found[-1]))
    if len(rows) < _LEAST_ROWS:
        return
    y, both = np.array(rows, dtype=np.float64), np.array(ends, dtype=np.float64)
    left, right = -_inner_line(y, -both[:, 0], first, last), _inner_line(y, both[:, 1], first, last)
    skin[first:last] = 0
    for row, start, stop in zip(range(first, last), left, right, strict=True):
        skin[row, max(round(start), 0) : max(round(stop) + 1, 0)] = 1


def _inner_line(y: FloatArray, outwards: FloatArray, first: int, last: int) -> FloatArray:
    """Return a straight line along an edge, at every row: leaks reach outwards, so those count for little."""
    weight = np.ones(len(y))
    slope, start = 0.0, 0.0
    for _ in range(8):
        slope, start = np.polyfit(y, outwards, 1, w=weight)
        off = outwards - slope * y - start
        scale = 1.4826 * float(np.median(np.abs(off))) + 0.3
        weight = 1.0 / (1.0 + (off / np.where(off > 0, scale, 3.0 * scale)) ** 2)
    return np.asarray(slope * np.arange(first, last) + start, dtype=np.float64)
