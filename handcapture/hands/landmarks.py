"""Find the hands: the landmark network on the mat seen squarely, sides settled by geometry.

The network's tip landmark lies inside the finger, 5 to 9 mm short of its end, and that error is bias. Landmarks
therefore only tell the later stages where to look; no position of a fingertip is taken from them.
"""

from __future__ import annotations

import hashlib
import importlib.resources
import os
from dataclasses import dataclass
from types import TracebackType
from typing import TYPE_CHECKING, Final

import cv2
import numpy as np
from numpy.typing import NDArray

from handcapture.errors import InstallationError, PhotoError, brief, not_imported
from handcapture.mat.markers import trouble
from handcapture.mat.sighting import Sighting
from handcapture.names import FINGERS, SIDES, Side
from handcapture.photo import Photo
from handcapture.rectify import View, rectify

if TYPE_CHECKING:
    from mediapipe.tasks.python.vision import HandLandmarker

FloatArray = NDArray[np.float64]

LANDMARK_HEIGHT_MM: Final = 12.0
"""Landmarks are taken to lie on this plane: about the middle height of a resting finger."""
MODEL_SHA256: Final = "c8466f0cd8f41bfad64cfe8725f455161acf25428bce840120f716b1f317c348"
WRIST: Final = 0
KNUCKLES: Final = (5, 9, 13, 17)

_LEAST_COLOUR = 14.0
"""Steps between the channels of a picture's most coloured hundredth, below which it is black and white."""
_BURNT, _BURNT_SHARE = 254, 0.4
_UPRIGHT_PX_PER_MM = 2.0
_MARGINS_MM = (60.0, 40.0, 60.0, 150.0)
# The network is tried on these tone curves in turn. Brightened first: very dark skin on white paper is lost
# at the photo's own tone, and no other skin suffers from it.
_GAMMAS = (0.5, 0.7, 0.35)


@dataclass(frozen=True, eq=False)
class HandLandmarks:
    """One hand: 21 landmarks (wrist; thumb to little, four each from the palm outwards).

    `points_mm` (21, 2): mat frame, on the plane LANDMARK_HEIGHT_MM. `model_mm` (21, 3): the network's own
    guess of the hand in space, x right, y down, z away from the camera, origin at the hand's middle.
    """

    side: Side
    points_mm: FloatArray
    model_mm: FloatArray
    score: float

    @property
    def palm_mm(self) -> float:
        """Mean distance from the wrist to the four knuckles: the hand's own yardstick."""
        spokes = self.points_mm[list(KNUCKLES)] - self.points_mm[WRIST]
        return float(np.linalg.norm(spokes, axis=1).mean())


def finger_landmarks(finger_index: int) -> list[int]:
    """Return the numbers of the four landmarks of finger 0 (thumb) to 4 (little), tip last."""
    return [1 + 4 * finger_index + k for k in range(4)]


class HandNetwork:
    """The landmark network, loaded once and used for any number of photos; a context manager."""

    def __init__(self) -> None:
        """Load the network. InstallationError when its weights or its library are damaged or missing."""
        weights = importlib.resources.files("handcapture.hands").joinpath("models/hand_landmarker.task")
        try:
            data = weights.read_bytes()
        except OSError as error:
            raise InstallationError(
                f"The hand network's weights (hand_landmarker.task) cannot be read ({brief(error)}). Install "
                "handcapture again."
            ) from None
        if hashlib.sha256(data).hexdigest() != MODEL_SHA256:
            raise InstallationError(
                "The hand network's weights (hand_landmarker.task) are damaged. Install handcapture again."
            )
        os.environ.setdefault("GLOG_minloglevel", "2")
        try:
            from mediapipe.tasks.python import BaseOptions
            from mediapipe.tasks.python.vision import HandLandmarker, HandLandmarkerOptions
        except ImportError as error:
            raise not_imported(error) from None
        except OSError as error:  # its library cannot be mapped, for want of memory say
            raise not_imported(ImportError(str(error))) from None

        options = HandLandmarkerOptions(
            base_options=BaseOptions(model_asset_buffer=data),
            num_hands=4,
            min_hand_detection_confidence=0.4,
        )
        try:
            self._landmarker: HandLandmarker = HandLandmarker.create_from_options(options)
        except RuntimeError as error:
            raise InstallationError(
                f"The hand network cannot be started ({brief(error)}). Is there enough memory? Close other programs; "
                "handcapture doctor tells how much there is."
            ) from None

    def __enter__(self) -> HandNetwork:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Release the network."""
        self._landmarker.close()

    def detect(self, picture_bgr: NDArray[np.uint8]) -> list[tuple[str, float, FloatArray, FloatArray]]:
        """Return, per hand, the network's side label, its score, landmarks (21, 2) px and model (21, 3) mm."""
        import mediapipe

        picture_rgb = np.ascontiguousarray(picture_bgr[..., ::-1])
        result = self._landmarker.detect(mediapipe.Image(image_format=mediapipe.ImageFormat.SRGB, data=picture_rgb))
        height, width = picture_bgr.shape[:2]
        hands = []
        for label, points, model in zip(
            result.handedness, result.hand_landmarks, result.hand_world_landmarks, strict=True
        ):
            pixels = np.array([[p.x * width - 0.5, p.y * height - 0.5] for p in points])
            space = np.array([[p.x, p.y, p.z] for p in model]) * 1000.0
            hands.append((str(label[0].category_name).lower(), float(label[0].score), pixels, space))
        return hands


def upright_view(sighting: Sighting) -> View:
    """Return the view of the whole mat and its surroundings in which hands are sought."""
    left, top, right, bottom = _MARGINS_MM
    width, height = sighting.mat.size_mm
    return View(
        origin_mm=np.array([-left, -top]),
        right=np.array([1.0, 0.0]),
        size_mm=(width + left + right, height + top + bottom),
        px_per_mm=_UPRIGHT_PX_PER_MM,
        height_mm=LANDMARK_HEIGHT_MM,
    )


def shrink(photo: Photo, sighting: Sighting, px_per_mm: float) -> tuple[NDArray[np.uint8], float]:
    """Return the photo shrunk (never enlarged) to about `px_per_mm` on the mat, and the scale used."""
    scale = min(1.0, px_per_mm * sighting.mm_per_px)
    if scale > 0.9:
        return photo.pixels_bgr, 1.0
    width, height = photo.size_px
    size = (max(1, round(width * scale)), max(1, round(height * scale)))
    return np.asarray(cv2.resize(photo.pixels_bgr, size, interpolation=cv2.INTER_AREA), np.uint8), size[0] / width


def find_hands(
    photo: Photo,
    sighting: Sighting,
    network: HandNetwork,
    small: tuple[NDArray[np.uint8], float],
    one_handed: bool = False,
) -> tuple[HandLandmarks, ...]:
    """Return both hands, left before right; or, `one_handed`, the one hand that is there.

    `small` is the photo shrunk to about 2 px per mm, with its scale (see `shrink`).
    PhotoError, with the reason and the remedy, when a hand is missing, palm up, crossed, turned towards the
    camera's far side, or when there are more hands than expected.
    """
    view = upright_view(sighting)
    picture = rectify(small[0], sighting.camera, view, small[1])
    if _is_colourless(picture):
        raise PhotoError(
            f"{photo.name} has no colours, by which skin is told from paper. Take it in colour, without a filter."
        )
    wanted = 1 if one_handed else 2
    best: list[tuple[str, float, HandLandmarks]] = []
    for gamma in _GAMMAS:
        curve = (255.0 * (np.arange(256) / 255.0) ** gamma + 0.5).astype(np.uint8)
        found = [
            (label, score, _hand(view, pixels, model, score))
            for label, score, pixels, model in network.detect(np.asarray(cv2.LUT(picture, curve), np.uint8))
        ]
        found = _distinct(found)
        if len(found) > len(best):
            best = found
        if len(best) >= wanted:
            break
    if not best and (cause := _why_none(picture)):
        raise PhotoError(f"{photo.name}: the mat was found, but no hand can be made out on it. {cause}")
    return _settle(best, photo.name, sighting, one_handed)


def _is_colourless(picture: NDArray[np.uint8]) -> bool:
    # A sixteenth of the pixels tells as much, and every photo comes by here.
    few = picture[::4, ::4]
    colourful = few.max(axis=2).astype(np.int16) - few.min(axis=2)
    return float(np.percentile(colourful, 99)) < _LEAST_COLOUR


def _why_none(picture: NDArray[np.uint8]) -> str | None:
    """Say what of a photo (B, G, R) hides hands from the network, if it is plain to see."""
    if float((picture.max(axis=2) >= _BURNT).mean()) > _BURNT_SHARE:
        return "The photo is burnt out: lower the exposure, or turn lamps away from the mat, and take it again."
    return trouble(np.asarray(cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY), dtype=np.uint8))


def _hand(view: View, pixels: FloatArray, model_mm: FloatArray, score: float) -> HandLandmarks:
    points = view.to_mat((pixels + 0.5) / view.px_per_mm)
    along = points[list(KNUCKLES)].mean(axis=0) - points[WRIST]
    across = points[17] - points[5]
    # Palm down, seen from above (y down): the little finger lies clockwise of the index on a right hand.
    turn = float(along[0] * across[1] - along[1] * across[0])
    return HandLandmarks("right" if turn > 0 else "left", points, model_mm, score)


def _distinct(found: list[tuple[str, float, HandLandmarks]]) -> list[tuple[str, float, HandLandmarks]]:
    """Drop repeated findings of one hand, keeping the surer."""
    kept: list[tuple[str, float, HandLandmarks]] = []
    for item in sorted(found, key=lambda entry: -entry[1]):
        hand = item[2]
        if all(
            np.linalg.norm(hand.points_mm - other[2].points_mm, axis=1).mean() > 0.35 * hand.palm_mm for other in kept
        ):
            kept.append(item)
    return kept


def _on_mat(points_mm: FloatArray, sighting: Sighting, margin_mm: float) -> NDArray[np.bool_]:
    width, height = sighting.mat.size_mm
    inside = (points_mm > -margin_mm) & (points_mm < np.array([width, height]) + margin_mm)
    return np.asarray(inside.all(axis=1))


def _settle(
    found: list[tuple[str, float, HandLandmarks]], name: str, sighting: Sighting, one_handed: bool
) -> tuple[HandLandmarks, ...]:
    tips = [4 + 4 * k for k in range(5)]
    found = [item for item in found if _on_mat(item[2].points_mm[tips], sighting, 25.0).any()]
    if not found:
        raise PhotoError(
            f"{name}: the mat was found, but no hand on it. Rest {'the hand' if one_handed else 'both hands'} "
            "on the mat, palm down, fingers away from you, in even light, and take the photo again."
        )
    if one_handed and len(found) > 1:
        raise PhotoError(
            f"{name}: {len(found)} hands were found, but a one-handed capture expects one. Leave one hand on "
            "the mat, or measure both together by dropping --one-handed."
        )
    if len(found) > 2:
        raise PhotoError(f"{name}: {len(found)} hands were found. Take the photo with nobody else's hands on the mat.")
    for _, _, hand in found:
        along = hand.points_mm[list(KNUCKLES)].mean(axis=0) - hand.points_mm[WRIST]
        if float(-along[1]) < 0.17 * float(np.linalg.norm(along)):  # more than 80 degrees off
            raise PhotoError(
                f"{name}: a hand points sideways or towards the mat's lower edge. Turn the mat so that its "
                "words stand upright for the person whose hands are measured."
            )
    by_position = sorted(found, key=lambda item: float(item[2].points_mm[:, 0].mean()))
    hands = tuple(hand for _, _, hand in by_position)
    sides = [hand.side for hand in hands]
    labels_disagree = [label != hand.side and score > 0.8 for label, score, hand in found]
    if (len(found) == 2 and sides != list(SIDES)) or all(labels_disagree):
        raise PhotoError(
            f"{name}: the thumbs are on the outer sides: the palms are up, or the hands are crossed. Rest "
            f"{'the hand' if one_handed else 'both hands'} palm down, left hand on the left."
        )
    if len(hands) == 1 and not one_handed:
        missing = "right" if sides[0] == "left" else "left"
        raise PhotoError(
            f"{name}: only the {sides[0]} hand was found; the {missing} hand is missing. Rest both hands on "
            "the mat, or measure one hand a photo with --one-handed if the other one holds the phone."
        )
    for hand in hands:
        off = [FINGERS[k] for k in range(5) if not _on_mat(hand.points_mm[tips[k : k + 1]], sighting, 0.0)[0]]
        if off:
            raise PhotoError(
                f"{name}: the {hand.side} hand reaches off the mat ({', '.join(off)}). Move it onto the paper, "
                "or print a larger mat (A3, Tabloid or a pair of sheets)."
            )
    return hands
