"""Several photos of one placement, solved together.

Two to four photos of hands that did not move between them see each fingertip from several sides. All marks of
the mat and all fingertips are explained at once, by bundle adjustment: the cameras, the place of each sheet, and
for every finger a point in space, whose foot is the contact. A tip that one photo cannot see is seen by another,
and its height follows from where the rays meet instead of from a model.

What more photos cannot take away is the error that all of them share, since the same network looks at the same
finger; a share of each photo's own uncertainty is therefore kept (SHARED).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from handcapture.camera import PARAMETERS, Camera, at_height_derivatives, projection_derivatives
from handcapture.capture import Capture
from handcapture.errors import InputError, PhotoError
from handcapture.hands.fingertips import CONTACT_RAY_HEIGHT_MM
from handcapture.mat.sighting import Sighting
from handcapture.mat.solve import Prior, mark_derivatives
from handcapture.names import FINGERS, SIDES, Finger, Side
from handcapture.placement import Contact, Placement
from handcapture.rest import mean_direction

if TYPE_CHECKING:
    from scipy.sparse import csr_array

FloatArray = NDArray[np.float64]

MOST_VIEWS: Final = 4
HEIGHT_SD_MM: Final = 1.5
"""How far the point that the network names may lie from CONTACT_RAY_HEIGHT_MM."""
SHARED: Final = 0.35
"""Share of the variance of a photo's fingertip that the other photos have in common with it."""
MOVED_MM: Final = 2.0
"""Hands that are laid down again come down farther off than this; hands that rest do not seem to move so far."""
ALIKE_SCALES: Final = 1e-3
"""Photos that each find a stretch of the print may differ by a few parts in ten thousand."""
_ROBUST_AT: Final = 2.0


@dataclass(frozen=True, eq=False)
class _Sight:
    """One fingertip in one view: number of view and tip, the contact, and the pixel (2,) that was named.

    `own` (2, 2) is the covariance of the fingertip's own model, `whiten` (2, 2) the root of the information in the
    share of it that the other views do not have in common.
    """

    view: int
    tip: int
    contact: Contact
    pixel: FloatArray
    own: FloatArray
    whiten: FloatArray


def join_views(captures: Sequence[Capture]) -> Placement:
    """Return the one placement that 2 to 4 captured photos show.

    InputError for another number of photos, for different mats, or for the same photo twice; PhotoError when
    the hands moved between the photos.
    """
    _require_views(captures)
    _require_still(captures)
    keys = [(side, finger) for side in SIDES for finger in FINGERS if any(_find(c, side, finger) for c in captures)]
    sights = _sights(captures, keys)
    solution = _bundle([c.sighting for c in captures], sights)
    contacts = []
    for k, seen in enumerate(sights):
        own = np.mean([sight.own for sight in seen], axis=0)
        scale = captures[0].sighting.scale_covariance(solution.tips[k : k + 1, :2])[0]
        covariance = solution.covariance[k] + SHARED * own + scale
        contacts.append(
            replace(
                seen[0].contact,
                contact_mm=solution.tips[k, :2].copy(),
                covariance_mm2=(covariance + covariance.T) / 2,
                reach=mean_direction([sight.contact.reach for sight in seen]),
                breadth_mm=float(np.mean([sight.contact.breadth_mm for sight in seen])),
                shared_mm2=SHARED * own + scale,
            )
        )
    hands = []
    for side in SIDES:
        postures = [hand for c in captures for hand in c.placement.hands if hand.side == side]
        if postures:
            hands.append(min(postures, key=lambda hand: (not hand.forearm_seen, hand.wrist_deviation_sd_deg)))
    return Placement(tuple(contacts), tuple(hands), tuple(s for c in captures for s in c.placement.sources))


def _require_views(captures: Sequence[Capture]) -> None:
    if not 2 <= len(captures) <= MOST_VIEWS:
        raise InputError(
            f"{len(captures)} {'photo was' if len(captures) == 1 else 'photos were'} given as views of one placement; "
            f"2 to {MOST_VIEWS} are needed. Photos of different placements are measured without --views."
        )
    sources = [source for c in captures for source in c.placement.sources]
    mats = sorted({source.mat for source in sources})
    if len(mats) > 1:
        raise InputError(f"The views show different mats ({', '.join(mats)}). Photograph one placement on one mat.")
    if max(np.ptp([source.print_scale for source in sources], axis=0)) > ALIKE_SCALES:
        raise InputError(
            "The views were measured with different print scales. Measure photos of one print together, or give the "
            "ruler's readings for all of them."
        )
    if len({source.photo_sha256 for source in sources}) < len(sources):
        raise InputError("The same photo was given twice as a view. Take another one, from another side.")


def _find(capture: Capture, side: Side, finger: Finger) -> Contact | None:
    return next((c for c in capture.placement.contacts if (c.side, c.finger) == (side, finger)), None)


def _require_still(captures: Sequence[Capture]) -> None:
    """Refuse photos between which a hand moved: its seen fingers, taken together, lie elsewhere on the mat."""
    for one, other in combinations(captures, 2):
        for side in SIDES:
            pairs = [(_find(one, side, finger), _find(other, side, finger)) for finger in FINGERS]
            both = [(a, b) for a, b in pairs if a is not None and b is not None and not a.hidden and not b.hidden]
            moves = [b.contact_mm - a.contact_mm for a, b in both]
            if len(moves) < 3:
                continue
            # What the fingertips' own uncertainty would show of hands that did not move, per axis.
            noise = float(np.sqrt(np.mean([np.trace(a.covariance_mm2 + b.covariance_mm2) / 2 for a, b in both])))
            shift = float(np.hypot(*np.median(moves, axis=0)))
            each = float(np.median(np.hypot(*np.transpose(moves))))
            moved = shift > max(MOVED_MM, 4.0 * 1.25 * noise / len(moves) ** 0.5) or each > max(MOVED_MM, 2.6 * noise)
            if moved:
                names = [c.placement.sources[0].photo_name for c in (one, other)]
                raise PhotoError(
                    f"{names[1]}: the {side} hand lies {max(shift, each):.0f} mm elsewhere than in {names[0]}: it "
                    "was moved between the photos. Views must show hands that stay put; photos of hands "
                    "laid down again are measured without --views."
                )


def _own_covariance(sighting: Sighting, contact: Contact) -> FloatArray:
    """Return what the fingertip's own model contributes: without camera and print scale, which are shared."""
    pixel = _pixel(sighting, contact)
    camera = sighting.above_paper_covariance(pixel, CONTACT_RAY_HEIGHT_MM)[0]
    own = contact.covariance_mm2 - camera - sighting.scale_covariance(contact.contact_mm[None])[0]
    values, vectors = np.linalg.eigh((own + own.T) / 2)
    return np.asarray((vectors * np.maximum(values, 0.02)) @ vectors.T, dtype=np.float64)


def _height(sighting: Sighting, place_mm: FloatArray) -> float:
    """Return how high above z = 0 the named point of a fingertip on `place_mm` is taken to be."""
    paper = 0.0 if sighting.surface is None else float(sighting.surface.height_mm(place_mm[None])[0])
    return CONTACT_RAY_HEIGHT_MM + paper


def _pixel(sighting: Sighting, contact: Contact) -> FloatArray:
    return sighting.camera.project(np.append(contact.contact_mm, _height(sighting, contact.contact_mm))[None])


def _sights(captures: Sequence[Capture], keys: Sequence[tuple[Side, Finger]]) -> list[list[_Sight]]:
    """Return, per tip, every sight of it that counts: where any view sees it, those that do not are left out."""
    sights = []
    for k, (side, finger) in enumerate(keys):
        found = [(v, contact) for v, c in enumerate(captures) if (contact := _find(c, side, finger)) is not None]
        found = [entry for entry in found if not entry[1].hidden] or found
        of_tip = []
        for v, contact in found:
            sighting = captures[v].sighting
            own = _own_covariance(sighting, contact)
            whiten = np.asarray(np.linalg.inv(np.linalg.cholesky((1 - SHARED) * own)), dtype=np.float64)
            of_tip.append(_Sight(v, k, contact, _pixel(sighting, contact)[0], own, whiten))
        sights.append(of_tip)
    return sights


@dataclass(frozen=True, eq=False)
class _Solution:
    """Points (tips, 3) and the covariance of their feet (tips, 2, 2)."""

    tips: FloatArray
    covariance: FloatArray


def _bundle(sightings: Sequence[Sighting], sights: Sequence[Sequence[_Sight]]) -> _Solution:
    """Solve cameras, sheets and tips together.

    The unknowns, in this order: each view's camera (PARAMETERS), the poses of the sheets after the first, the
    tips (x, y, z). Marks and priors are those of each photo's own solution.
    """
    from scipy.optimize import least_squares

    problem = _Problem(sightings, sights)
    vector = problem.start()
    solved = least_squares(
        problem.residuals,
        vector,
        problem.jacobian,
        x_scale="jac",
        loss="soft_l1",
        f_scale=_ROBUST_AT,
        tr_solver="lsmr",
        max_nfev=60,
    ).x
    jacobian = problem.jacobian(solved)
    covariance = np.linalg.inv((jacobian.T @ jacobian).toarray())
    first = problem.first_tip
    blocks = [
        covariance[first + 3 * k : first + 3 * k + 2, first + 3 * k : first + 3 * k + 2] for k in range(len(sights))
    ]
    return _Solution(solved[first:].reshape(-1, 3), np.array(blocks))


class _Problem:
    """Residuals of the bundle adjustment, each over its standard deviation, and their sparse derivatives."""

    def __init__(self, sightings: Sequence[Sighting], sights: Sequence[Sequence[_Sight]]) -> None:
        self.sightings, self.tips = sightings, sights
        self.sights = [sight for of_tip in sights for sight in of_tip]
        # Each photo's paper is held as it was found; where a fingertip lies it is as high as they say on average.
        self.heights = np.array(
            [np.mean([_height(sightings[s.view], s.contact.contact_mm) for s in of_tip]) for of_tip in sights]
        )
        self.priors = [Prior.of(s.size_px, s.focal_prior_px, s.focal_prior_relative_sd) for s in sightings]
        self.sheets = len(sightings[0].sheets)
        self.first_pose = len(PARAMETERS) * len(sightings)
        self.first_tip = self.first_pose + 3 * (self.sheets - 1)

    def start(self) -> FloatArray:
        """Return the unknowns as the photos, each on its own, have them."""
        poses = np.mean([s.poses[1:] for s in self.sightings], axis=0)
        feet = [np.mean([sight.contact.contact_mm for sight in of_tip], axis=0) for of_tip in self.tips]
        tips = [np.append(foot, height) for foot, height in zip(feet, self.heights, strict=True)]
        return np.concatenate([*(s.camera.parameters() for s in self.sightings), poses.ravel(), *tips])

    def _split(self, vector: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        cameras = vector[: self.first_pose].reshape(-1, len(PARAMETERS))
        later = vector[self.first_pose : self.first_tip].reshape(-1, 3)
        return cameras, np.concatenate([np.zeros((1, 3)), later]), vector[self.first_tip :].reshape(-1, 3)

    def residuals(self, vector: FloatArray) -> FloatArray:
        cameras, poses, tips = self._split(vector)
        parts = []
        for camera, sighting, prior in zip(cameras, self.sightings, self.priors, strict=True):
            pixels, _, _ = projection_derivatives(camera, sighting.place_marks(poses))
            parts.append(((sighting.marks.pixels - pixels) / sighting.mark_noise_px[:, None]).ravel())
            parts.append((camera[:4] - prior.mean) / prior.sd)
        for sight in self.sights:
            at = Camera.from_parameters(cameras[sight.view]).at_height(sight.pixel[None], tips[sight.tip, 2])[0]
            parts.append(sight.whiten @ (at - tips[sight.tip, :2]))
        parts.append((tips[:, 2] - self.heights) / HEIGHT_SD_MM)
        return np.concatenate(parts)

    def jacobian(self, vector: FloatArray) -> csr_array[np.float64]:
        from scipy.sparse import coo_array

        cameras, poses, tips = self._split(vector)
        rows: list[NDArray[np.intp]] = []
        columns: list[NDArray[np.intp]] = []
        values: list[FloatArray] = []
        row = 0

        def put(block: FloatArray, column: int) -> None:
            """Put a dense block (m, n) at the current row and `column`."""
            r, c = np.indices(block.shape)
            rows.append((r + row).ravel())
            columns.append((c + column).ravel())
            values.append(block.ravel())

        known = len(PARAMETERS)
        for v, (camera, sighting, prior) in enumerate(zip(cameras, self.sightings, self.priors, strict=True)):
            marks = sighting.marks
            placed = sighting.place_marks(poses)
            by_camera, _, by_poses = mark_derivatives(marks, camera, poses, placed)
            weight = -1 / np.repeat(sighting.mark_noise_px, 2)[:, None]
            put(by_camera.reshape(-1, known) * weight, v * known)
            if self.sheets > 1:
                put(by_poses.reshape(len(weight), -1) * weight, self.first_pose)
            row += 2 * len(placed)
            put(np.diag(1 / prior.sd), v * known)
            row += 4
        for sight in self.sights:
            model = Camera.from_parameters(cameras[sight.view])
            by_parameters, _, by_height = at_height_derivatives(model, sight.pixel[None], tips[sight.tip, 2])
            put(sight.whiten @ by_parameters[0], sight.view * known)
            put(sight.whiten @ np.column_stack([-np.eye(2), by_height[0]]), self.first_tip + 3 * sight.tip)
            row += 2
        for k in range(len(tips)):
            put(np.array([[1 / HEIGHT_SD_MM]]), self.first_tip + 3 * k + 2)
            row += 1
        entries = (np.concatenate(values), (np.concatenate(rows), np.concatenate(columns)))
        return coo_array(entries, shape=(row, len(vector))).tocsr()
