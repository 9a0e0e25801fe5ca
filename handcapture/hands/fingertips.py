"""From outlines to contacts: where each fingertip's pad meets the mat, with its covariance.

A fingertip that stands steeply touches the mat below the centre of its rounded end; one that lies flat touches
further back, under the pad. How far back is read by a small network of our own from the tip seen squarely
(outline, nail, creases), from the finger's apparent lengths and from where the camera stands. It is trained on
half of the reference scenes (`calibration/train_fingertips.py`); everything it is shown is scaled to the
finger's own breadth and to the hand's own tint. It is shown the apparent lengths of all five fingers, since those
of one hand are bent alike. It states its own uncertainty, which is calibrated.

What this is not: the network has seen rendered hands only, and never a hand with rings, sleeves or long nails.
"""

from __future__ import annotations

import hashlib
import importlib.resources
import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from handcapture.errors import InstallationError, brief
from handcapture.hands.landmarks import LANDMARK_HEIGHT_MM, HandLandmarks, finger_landmarks
from handcapture.hands.outline import (
    BREADTH_TO_PALM,
    PX_PER_MM,
    TIP_HEIGHT_MM,
    TipOutline,
    TipView,
    fit_outline,
    look_at_tip,
)
from handcapture.hands.skin import PaperLight
from handcapture.mat.sighting import Sighting
from handcapture.names import FINGERS
from handcapture.placement import Contact

FloatArray = NDArray[np.float64]

MODEL_SHA256: Final = "d78bcc7f1d824568d0f0346fd8fc82d050c74872df789d1f04d3d99852b2fa37"
"""Of the weights that are shipped (`weights_sha256`): a lost block of a disk would move contacts without a word."""
CONTACT_RAY_HEIGHT_MM: Final = 7.0
"""The network names a point of the picture; its ray is cut at this height to give the contact below it."""
STRIP_ROWS: Final = 52
STRIP_COLUMNS: Final = 28
STRIP_SPAN: Final = (-0.8, 3.2)
"""From ahead of the fitted end to behind it, in breadths."""
STRIP_HALF_WIDTH: Final = 1.1
STRIP_SHRINK: Final = 2
"""The view is averaged over so many pixels before the strip, which is coarser, is sampled from it."""
SHARED_FEATURES: Final = (3, 4, 5, 10, 11)
"""Features of every finger that are shown with each finger of the hand: apparent lengths and pitches."""
MODEL_SHARED: Final = 0.6
"""Share of the network's variance that all photos of one hand have in common: of the fitting shapes, measured with
weights that had not seen them, the squared mean error of a finger is so much of its mean squared error."""
HIDDEN_SCORE: Final = 0.55
HIDDEN_ALONG_SD_MM: Final = 3.5
"""A tip whose outline has less evidence than the first, or of whose place along the finger the network is less sure
than the second, is called hidden: of the fitting shapes, measured with weights that had not seen them, all six of
which less than 30 % could be seen, and 2.6 % of the others."""
HIDDEN_SD_MM: Final = 8.0


@dataclass(frozen=True, eq=False)
class TipEvidence:
    """All that is known of one fingertip before its contact is named."""

    finger_index: int
    view: TipView
    outline: TipOutline
    features: FloatArray
    reach: FloatArray


def weights_sha256(onnx: bytes, calibration: object) -> str:
    """Return the hash of the contact network's two files, whatever the ends of lines of the second."""
    return hashlib.sha256(onnx + json.dumps(calibration, sort_keys=True).encode()).hexdigest()


class FingertipNetwork:
    """The contact network, loaded once."""

    def __init__(self, folder: Path | None = None) -> None:
        """Load the weights and the calibration of their uncertainty; from another `folder` for benches.

        InstallationError when they are missing or damaged.
        """
        models = folder or importlib.resources.files("handcapture.hands").joinpath("models")
        try:
            data = models.joinpath("fingertip.onnx").read_bytes()
            calibration = json.loads(models.joinpath("fingertip.json").read_text(encoding="utf-8"))
            if folder is None and weights_sha256(data, calibration) != MODEL_SHA256:
                raise ValueError("not those that were shipped")
            self._net = cv2.dnn.readNetFromONNX(np.frombuffer(data, np.uint8))
            self._sd_factor = np.array([calibration["sd_factor_thumb"], *[calibration["sd_factor_finger"]] * 4])
            self._sd_floor = np.array([calibration["sd_floor_thumb"], *[calibration["sd_floor_finger"]] * 4])
        except (OSError, ValueError, KeyError, cv2.error) as error:
            raise InstallationError(
                f"The contact network's weights (fingertip.onnx, fingertip.json) are damaged or missing "
                f"({brief(error)}). Install handcapture again."
            ) from None

    def offsets(self, strips: NDArray[np.float32], features: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return place (5, 2) behind the fitted end and towards the little finger, and its sd, in breadths.

        `strips` and `features` are those of a hand's five fingers, thumb first.
        """
        self._net.setInput(strips, "strip")
        self._net.setInput(features.astype(np.float32), "features")
        out = np.asarray(self._net.forward(), dtype=np.float64).reshape(len(strips), 4)
        sd = np.hypot(out[:, 2:] * self._sd_factor, self._sd_floor)
        return out[:, :2], sd


def gather(
    pixels: NDArray[np.uint8], sighting: Sighting, paper: PaperLight, skin_tint: float, hand: HandLandmarks
) -> tuple[TipEvidence, ...]:
    """Look at the five fingertips of one hand in the full-size photo."""
    evidence = []
    for index in range(5):
        tip = look_at_tip(pixels, sighting, paper, skin_tint, hand, index)
        outline = fit_outline(tip, BREADTH_TO_PALM[index] * hand.palm_mm)
        points = hand.points_mm[finger_landmarks(index)]
        reach = points[3] - points[0]
        reach = reach / max(float(np.linalg.norm(reach)), 1e-6)
        features = _features(sighting, hand, index, tip, outline)
        evidence.append(TipEvidence(index, tip, outline, features, reach))
    return tuple(evidence)


def little_side(hand: HandLandmarks) -> float:
    """Return +1 when the little finger lies clockwise of the thumb (right hand), else -1."""
    return 1.0 if hand.side == "right" else -1.0


def _features(sighting: Sighting, hand: HandLandmarks, index: int, tip: TipView, outline: TipOutline) -> FloatArray:
    """Return (18,): breadth, camera direction, apparent lengths, network's own pitch, score, which finger.

    Lengths are in palms, and across is counted towards the little finger, so that left and right hands agree.
    """
    numbers = finger_landmarks(index)
    pixels = sighting.camera.project(np.c_[hand.points_mm[numbers], np.full(4, LANDMARK_HEIGHT_MM)])
    joints = tip.view.from_mat(sighting.camera.at_height(pixels, TIP_HEIGHT_MM))
    forward, across = outline.forward, outline.across * little_side(hand)
    behind = (outline.end_mm - joints) @ forward / hand.palm_mm
    beside = (joints - outline.end_mm) @ across / hand.palm_mm
    end_mm = tip.view.to_mat(outline.end_mm)
    axes = tip.view.to_mat(np.stack([outline.end_mm + forward, outline.end_mm + across])) - end_mm
    centre = sighting.camera.centre_mm
    away = axes @ (end_mm - centre[:2]) / centre[2]
    bones = np.diff(hand.model_mm[numbers[1:]], axis=0)
    pitch = np.arctan2(bones[:, 2], np.linalg.norm(bones[:, :2], axis=1))
    which = np.eye(5)[index]
    features = np.r_[
        2 * outline.half_breadth_mm / hand.palm_mm / BREADTH_TO_PALM[index],
        away,
        behind[2],
        behind[1],
        behind[0],
        beside[2],
        beside[1],
        behind[3],
        beside[3],
        pitch[1],
        pitch[0],
        outline.score,
        which,
    ]
    return np.asarray(features, dtype=np.float64)


def strip_of(tip: TipView, outline: TipOutline, side: float) -> NDArray[np.float32]:
    """Return brightness and tint along the finger, (2, STRIP_ROWS, STRIP_COLUMNS), scaled to its breadth.

    Rows run from ahead of the end backwards, columns towards the little finger (`side` from `little_side`).
    Brightness is stated against the middle of the finger.
    """
    breadth = 2 * outline.half_breadth_mm
    first, last = STRIP_SPAN
    behind = ((np.arange(STRIP_ROWS) + 0.5) / STRIP_ROWS * (last - first) + first) * breadth
    beside = ((np.arange(STRIP_COLUMNS) + 0.5) / STRIP_COLUMNS * 2 - 1) * STRIP_HALF_WIDTH * breadth * side
    places = (outline.end_mm - behind[:, None, None] * outline.forward + beside[None, :, None] * outline.across) * (
        PX_PER_MM / STRIP_SHRINK
    ) - 0.5
    x, y = places[..., 0].astype(np.float32), places[..., 1].astype(np.float32)
    columns, rows = (side_px // STRIP_SHRINK for side_px in tip.view.size_px)
    planes = []
    for plane, low, high in ((tip.brightness, -5.0, 1.0), (tip.tint, -0.5, 2.0)):
        coarse = cv2.resize(np.clip(plane, low, high), (columns, rows), interpolation=cv2.INTER_AREA)
        planes.append(cv2.remap(coarse, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE))
    middle = planes[0][14:40, 10:18].mean()
    return np.stack([np.clip(planes[0] - middle, -1.5, 2.5), planes[1]]).astype(np.float32)


def features_of(evidence: Sequence[TipEvidence]) -> FloatArray:
    """Return what the network is told of the five fingers of a hand, (5, 43): each one's own, then those of all."""
    own = np.stack([tip.features for tip in evidence])
    shared = own[:, SHARED_FEATURES].ravel()
    return np.hstack([own, np.tile(shared, (len(own), 1))])


def contacts(
    evidence: tuple[TipEvidence, ...],
    hand: HandLandmarks,
    sighting: Sighting,
    network: FingertipNetwork,
) -> tuple[Contact, ...]:
    """Return the five contacts of a hand in the mat frame."""
    side = little_side(hand)
    strips = np.stack([strip_of(tip.view, tip.outline, side) for tip in evidence])
    offsets, sds = network.offsets(strips, features_of(evidence))
    found = []
    for tip, offset, sd in zip(evidence, offsets, sds, strict=True):
        outline, view = tip.outline, tip.view.view
        breadth = 2 * outline.half_breadth_mm
        axes = np.stack([-outline.forward, outline.across * side])
        place = outline.end_mm + offset @ axes * breadth
        on_plane = np.r_[view.to_mat(place), TIP_HEIGHT_MM]
        pixel = sighting.camera.project(on_plane[None])
        contact = sighting.above_paper(pixel, CONTACT_RAY_HEIGHT_MM)[0]
        axes_mat = view.to_mat(place + axes) - view.to_mat(place)
        sd_mm = sd * breadth
        model = axes_mat.T @ np.diag(sd_mm**2) @ axes_mat
        camera = sighting.above_paper_covariance(pixel, CONTACT_RAY_HEIGHT_MM)[0]
        scale = sighting.scale_covariance(contact[None])[0]
        covariance, shared = model + camera + scale, MODEL_SHARED * model + scale
        reason = _why_hidden(tip, sd_mm, pixel[0], sighting)
        if reason is not None:
            covariance = covariance + np.eye(2) * HIDDEN_SD_MM**2
        found.append(
            Contact(
                side=hand.side,
                finger=FINGERS[tip.finger_index],
                contact_mm=contact,
                covariance_mm2=(covariance + covariance.T) / 2,
                reach=tip.reach,
                breadth_mm=breadth,
                hidden=reason is not None,
                advice=reason,
                shared_mm2=(shared + shared.T) / 2,
            )
        )
    return tuple(found)


def _why_hidden(tip: TipEvidence, sd_mm: FloatArray, pixel: FloatArray, sighting: Sighting) -> str | None:
    width, height = sighting.size_px
    edge = 0.01 * max(width, height)
    if not (edge < pixel[0] < width - edge and edge < pixel[1] < height - edge):
        return "It lies at the picture's edge: hold the phone so that both hands are well inside the picture."
    if tip.outline.score < HIDDEN_SCORE or sd_mm[0] > HIDDEN_ALONG_SD_MM:
        return (
            "Its end cannot be made out: another part of the hand is in front of it, or it touches its "
            "neighbour. Hold the phone level above the middle of the mat, or spread the fingers as they rest."
        )
    return None
