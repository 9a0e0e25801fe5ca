"""One placement of the hands on the mat: what a photo, or several of it, tell."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from handcapture.names import Finger, Side

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Contact:
    """One fingertip of one placement.

    `contact_mm` (2,) and `covariance_mm2` (2, 2) are in the mat frame; the covariance is the measurement's. Part of it,
    `shared_mm2` (2, 2), is common to all photos of this hand on this print: the print's scale, and what the network
    gets wrong of this hand each time. More photos do not average it away.
    `reach` (2,) is the unit vector on the mat from the finger's knuckle towards its contact: the direction in
    which the finger stretches. `breadth_mm` is the apparent breadth of the last segment.
    `stretch_mm` is how much further along `reach` the finger could come down (see `hands.reach`), `stretch_sd_mm` its
    deviation; None where that cannot be told.
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
    shared_mm2: FloatArray = field(default_factory=lambda: np.zeros((2, 2)))
    stretch_mm: float | None = None
    stretch_sd_mm: float | None = None

    @property
    def own_mm2(self) -> FloatArray:
        """The covariance (2, 2) of what differs from photo to photo."""
        return self.covariance_mm2 - self.shared_mm2


@dataclass(frozen=True, eq=False)
class Palm:
    """One hand's palm as it lies on the mat, without fingers and thumb, and what is seen of the forearm. Mat frame.

    `outline_mm` (n, 2) is a closed line, clockwise as seen: its silhouette on the plane `height_mm` above the mat.
    `heel_mm` (2,) is the rear end of the heel of the hand, in the middle of the wrist, known to `heel_sd_mm` along the
    hand; `wrist_line_mm` (2, 2) are the wrist's ends across the forearm, the left one first. `forearm` (2,) is the unit
    vector from the heel along the forearm, away from the hand, and `forearm_breadth_mm` its breadth; None where it is
    not seen.
    """

    outline_mm: FloatArray
    height_mm: float
    heel_mm: FloatArray
    heel_sd_mm: float
    wrist_line_mm: FloatArray
    forearm: FloatArray | None = None
    forearm_breadth_mm: float | None = None


@dataclass(frozen=True, eq=False)
class HandPosture:
    """What a photo from above tells of one hand's posture; ulnar deviation is positive on both hands.

    Where `forearm_seen` is false, the deviation is only what is usual, with the spread of what is usual. `palm` is None
    where the hand could not be cut out of its surroundings.
    """

    side: Side
    wrist_mm: FloatArray
    wrist_deviation_deg: float
    wrist_deviation_sd_deg: float
    forearm_seen: bool
    hand_length_mm: float
    hand_breadth_mm: float
    palm: Palm | None = None


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
