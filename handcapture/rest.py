"""Placements, and the rest: contacts pooled over placements."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from handcapture.names import Finger, Side

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Contact:
    """One fingertip of one placement.

    `contact_mm` (2,) and `covariance_mm2` (2, 2) are in the mat frame; the covariance is the measurement's.
    `reach` (2,) is the unit vector on the mat from the finger's knuckle towards its contact: the direction in
    which the finger stretches. `breadth_mm` is the apparent breadth of the last segment.
    A hidden contact carries the wide region that is still honest, and `advice` says what would fix it.
    """

    side: Side
    finger: Finger
    contact_mm: FloatArray
    covariance_mm2: FloatArray
    reach: FloatArray
    breadth_mm: float
    hidden: bool
    advice: str | None = None


@dataclass(frozen=True, eq=False)
class HandPosture:
    """What a photo from above tells of one hand's posture; ulnar deviation is positive on both hands.

    Where `forearm_seen` is false, the deviation is only what is usual, with the spread of what is usual.
    """

    side: Side
    wrist_mm: FloatArray
    wrist_deviation_deg: float
    wrist_deviation_sd_deg: float
    forearm_seen: bool
    hand_length_mm: float
    hand_breadth_mm: float


@dataclass(frozen=True, eq=False)
class Source:
    """Where a placement came from; goes into documents as provenance."""

    photo_name: str
    photo_sha256: str
    captured_at: str | None
    mat: str
    print_scale: tuple[float, float]
    print_scale_sd: float
    tilt_deg: float
    height_mm: float
    mm_per_px: float
    rms_px: float


@dataclass(frozen=True, eq=False)
class Placement:
    """The hands laid down once, as measured in one photo (or several views of it)."""

    contacts: tuple[Contact, ...]
    hands: tuple[HandPosture, ...]
    sources: tuple[Source, ...]


@dataclass(frozen=True, eq=False)
class Fingertip:
    """One fingertip of a rest.

    `contact_mm` is the pooled mean; `covariance_mm2` the uncertainty of that mean (for one placement: the
    measurement's). `spread_mm2` is the covariance of where the finger comes down from one placement to the
    next, measurement error taken out; `spread_is_assumed` marks a textbook value used for lack of placements.
    """

    side: Side
    finger: Finger
    contact_mm: FloatArray
    covariance_mm2: FloatArray
    spread_mm2: FloatArray
    spread_is_assumed: bool
    reach: FloatArray
    breadth_mm: float
    hidden: bool
    placements: int


@dataclass(frozen=True, eq=False)
class Rest:
    """Where the fingers rest: the input of every layout. Mat frame."""

    fingertips: tuple[Fingertip, ...]
    hands: tuple[HandPosture, ...]
    placements: tuple[Placement, ...]
    notes: tuple[str, ...] = ()
