"""Find the numbered markers in a photo, tell from them which mat it shows, and say why when none can be read.

Markers only say which mark is where; positions are measured from the saddles. Small copies of the photo are
tried first: there, markers are found several times faster and no worse.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from handcapture.errors import PhotoError
from handcapture.mat.geometry import MARKER_MM, MATS, Mat, Sheet, marker_dictionary

FloatArray = NDArray[np.float64]
Grey = NDArray[np.uint8]
Readings = dict[int, list[FloatArray]]
"""By number, the corners (4, 2), photo pixels, of every place where that marker is read."""

DETECTION_SIDES_PX: Final = (1000, 2000, 4000)
"""Long sides of the copies on which markers are looked for, until every sheet shows enough of them."""
ENOUGH_MARKERS: Final = 6
LEAST_MARKERS: Final = 4
"""Markers per sheet that the first guess of the camera needs."""
_AGREE_SHARE: Final = 0.015
"""Markers of a sheet agree when one homography places their corners within this share of the long side: wide
enough for a bent lens, and far narrower than the distance to a marker that was misread."""
_QUICK_WINDOW_PX: Final = 23
"""The one window of local contrast that the first look uses; a marker is 20 to 40 px wide there."""
_DARK, _BRIGHT, _BURNT_SHARE = 60.0, 250.0, 0.5
_SHARP: Final = 0.2


@dataclass(frozen=True, eq=False)
class SheetMarkers:
    """The marker corners of one sheet that agree with each other: on the sheet and in the photo, (N, 2)."""

    sheet: Sheet
    corners_mm: FloatArray
    corners_px: FloatArray

    @property
    def count(self) -> int:
        """Number of markers."""
        return len(self.corners_mm) // 4


def find_mat(grey: Grey, wanted: Mat | None = None) -> tuple[Mat, tuple[SheetMarkers, ...]]:
    """Return the mat that a photo shows, and the markers of each of its sheets.

    PhotoError when there is none, another one than `wanted`, more than one, or one sheet of a pair only; when
    the photo is mirrored, and when the marks are too small in it.
    """
    readings: Readings = {}
    sheets: list[SheetMarkers] = []
    long_side = max(grey.shape)
    for shrink in _shrinks(long_side):
        readings |= _read(grey, shrink)
        sheets = _agreeing(readings, long_side)
        mats = {mat.name for mat in MATS.values() for s in sheets if s.sheet in mat.sheets}
        complete = len(mats) == 1 and len(sheets) == len(MATS[mats.pop()].sheets)
        if complete and min(s.count for s in sheets) >= ENOUGH_MARKERS:
            break
    if not sheets:
        raise PhotoError(_why_no_mat(grey, readings))
    mat = _the_one(sheets, wanted)
    _refuse_twins(readings, sheets, long_side)
    missing = [sheet for sheet in mat.sheets if all(s.sheet is not sheet for s in sheets)]
    if missing:
        side = "left" if missing[0].seam == "right" else "right"
        raise PhotoError(
            f"only one sheet of the {mat.title} can be made out; the {side} one is missing. Get both sheets "
            "wholly into the picture, with their marks uncovered."
        )
    return mat, tuple(sheets)


def trouble(grey: Grey) -> str | None:
    """Say what is wrong with the exposure or the sharpness of a photo, if marks are missing because of it."""
    small = _shrunk(grey, max(1, round(max(grey.shape) / DETECTION_SIDES_PX[0]))).astype(np.float32)
    dark, light = (float(v) for v in np.percentile(small, (2, 98)))
    if light < _DARK:
        return "The photo is too dark: switch on more light and take it again."
    if float(np.mean(small >= _BRIGHT)) > _BURNT_SHARE:
        return "The photo is burnt out: lower the exposure, or turn lamps away from the mat, and take it again."
    if light - dark > 50:
        # Where a picture is sharp, some edge of every direction spans most of the contrast within a pixel or
        # two of the small copy. A shake spares the edges along its own direction, hence four directions.
        steps = ((0, 1), (1, 0), (1, 1), (1, -1))
        across = [np.abs(small - np.roll(small, step, axis=(0, 1)))[2:-2, 2:-2] for step in steps]
        if min(float(np.percentile(a, 99.8)) for a in across) < _SHARP * (light - dark):
            return (
                "The photo is blurred: wipe the lens, tap the mat to focus on it, rest the phone on something "
                "and use the self-timer."
            )
    return None


def _the_one(sheets: Sequence[SheetMarkers], wanted: Mat | None) -> Mat:
    """Return the mat to which all sheets belong; PhotoError when they are several, or it is not `wanted`."""
    seen = [mat for mat in MATS.values() if any(s.sheet in mat.sheets for s in sheets)]
    if len(seen) > 1:
        titles = " and ".join(mat.title for mat in seen)
        raise PhotoError(f"more than one mat lies in the picture ({titles}). Leave only the mat in use on the table.")
    mat = seen[0]
    if wanted is not None and wanted.name != mat.name:
        raise PhotoError(
            f"the {mat.title} mat was found, but the {wanted.title} mat was expected. Lay the {wanted.title} "
            f"mat under the hands, or name the one in use: {mat.name}."
        )
    return mat


def _refuse_twins(readings: Readings, sheets: Sequence[SheetMarkers], long_side: int) -> None:
    """Refuse two prints of the same sheet: which of them the hands are on cannot be told."""
    for found in sheets:
        used = {tuple(corner) for corner in found.corners_px}
        left = {n: [c for c in places if tuple(c[0]) not in used] for n, places in readings.items()}
        for other in _agreeing(left, long_side):
            if other.sheet is found.sheet and len(_common(other, found)) >= LEAST_MARKERS:
                raise PhotoError(
                    f"the {found.sheet.title} sheet lies in the picture twice. Leave only the mat in use on the table."
                )


def _common(one: SheetMarkers, other: SheetMarkers) -> set[tuple[float, ...]]:
    """Return the markers that are in both, by their first corner on the sheet."""
    return {tuple(c) for c in one.corners_mm[::4]} & {tuple(c) for c in other.corners_mm[::4]}


def _shrinks(long_side: int) -> tuple[int, ...]:
    """Return whole divisors of the picture's size, largest first: they are quick and keep corners true."""
    return tuple(sorted({max(1, round(long_side / side)) for side in DETECTION_SIDES_PX}, reverse=True))


def _shrunk(grey: Grey, shrink: int) -> Grey:
    if shrink == 1:
        return grey
    height, width = grey.shape[0] // shrink, grey.shape[1] // shrink
    whole = grey[: height * shrink, : width * shrink]
    return np.asarray(cv2.resize(whole, (width, height), interpolation=cv2.INTER_AREA), dtype=np.uint8)


@lru_cache(maxsize=1)
def _known() -> dict[int, tuple[Sheet, FloatArray]]:
    """Return the sheet and the corners (4, 2), mm, of every marker number."""
    sheets = [sheet for mat in MATS.values() for sheet in mat.sheets]
    return {m.number: (sheet, np.array(m.corners_mm)) for sheet in sheets for m in sheet.markers}


@lru_cache(maxsize=2)
def _detector(thorough: bool) -> cv2.aruco.ArucoDetector:
    """Return a detector that knows the printed markers only: in the order of `_known`, a fifth of them all."""
    parameters = cv2.aruco.DetectorParameters()
    if thorough:
        parameters.minMarkerPerimeterRate = 0.012
    else:
        parameters.adaptiveThreshWinSizeMin = parameters.adaptiveThreshWinSizeMax = _QUICK_WINDOW_PX
    whole = marker_dictionary()
    patterns = np.ascontiguousarray(whole.bytesList[list(_known())])
    printed = cv2.aruco.Dictionary(patterns, whole.markerSize, whole.maxCorrectionBits)
    return cv2.aruco.ArucoDetector(printed, parameters)


def _read(grey: Grey, shrink: int, mirrored: bool = False) -> Readings:
    """Return what is read on a copy of the photo, its mirror image when asked."""
    small = _shrunk(grey, shrink)
    if mirrored:
        small = np.asarray(cv2.flip(small, 1), dtype=np.uint8)
    thorough = shrink == 1 or shrink < _shrinks(max(grey.shape))[0]
    corners, places, _ = _detector(thorough).detectMarkers(small)
    found: Readings = {}
    if places is not None:
        numbers = list(_known())
        for place, quad in zip(np.asarray(places).ravel(), corners, strict=True):
            corners_px = (np.asarray(quad, dtype=np.float64).reshape(4, 2) + 0.5) * shrink - 0.5
            found.setdefault(numbers[int(place)], []).append(corners_px)
    return found


def _agreeing(readings: Readings, long_side: int) -> list[SheetMarkers]:
    """Return the sheets of which enough markers lie as on one flat sheet, other readings dropped."""
    found = []
    for sheet in (sheet for mat in MATS.values() for sheet in mat.sheets):
        mine = [
            (_known()[number][1], place)
            for number, places in readings.items()
            if _known()[number][0] is sheet
            for place in places
        ]
        if len(mine) < LEAST_MARKERS:
            continue
        corners_mm, corners_px = (np.concatenate(part) for part in zip(*mine, strict=True))
        matrix, _ = cv2.findHomography(corners_mm, corners_px, cv2.RANSAC, _AGREE_SHARE * long_side)
        if matrix is None:
            continue
        placed = np.asarray(cv2.perspectiveTransform(corners_mm[None], matrix))[0]
        miss = np.linalg.norm(placed - corners_px, axis=1).reshape(-1, 4).max(axis=1)
        whole = np.repeat(miss < _AGREE_SHARE * long_side, 4)
        if whole.sum() >= 4 * LEAST_MARKERS:
            found.append(SheetMarkers(sheet, corners_mm[whole], corners_px[whole]))
    return found


def _why_no_mat(grey: Grey, readings: Readings) -> str:
    fault = trouble(grey)
    if fault is not None:
        return f"no mat can be made out. {fault}"
    long_side = max(grey.shape)
    for shrink in _shrinks(long_side)[:2]:
        if _agreeing(_read(grey, shrink, mirrored=True), long_side):
            return "the photo is mirrored, as selfie cameras do. Use the phone's main camera, or switch mirroring off."
    if readings:
        sides = [np.linalg.norm(np.diff(p, axis=0), axis=1).mean() for ps in readings.values() for p in ps]
        return (
            f"only {len(readings)} {'mark' if len(readings) == 1 else 'marks'} of a mat can be read (a marker "
            f"of {MARKER_MM:.0f} mm is {np.median(sides):.0f} px wide), too few to measure from. Get the whole "
            "mat into the picture, filling most of it, and cover as little of its border as you can."
        )
    return (
        "no mat was found. Lay a printed mat flat on the table with its marks uncovered, and take the photo "
        "from about 45 cm above its middle, so that the mat fills most of the picture."
    )
