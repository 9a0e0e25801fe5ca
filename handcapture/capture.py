"""The whole measurement of one photo: mat, hands, contacts, posture."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from handcapture.errors import PhotoError
from handcapture.hands.fingertips import FingertipNetwork, contacts, gather
from handcapture.hands.landmarks import HandNetwork, find_hands, shrink
from handcapture.hands.posture import posture
from handcapture.hands.reach import with_stretch
from handcapture.hands.skin import learn_paper, learn_skin_tint
from handcapture.mat.card import CARD, find_card, look_for_card
from handcapture.mat.sighting import PrintScale, Sighting, sight
from handcapture.photo import Photo
from handcapture.placement import Contact, Placement, Source
from handcapture.quality import PhotoQuality, photo_quality

DISAGREE_SDS = 3.0
WORKING_PX_PER_MM = 2.0
"""Resolution of the shrunk photo on which hands are found; contacts are measured at full size."""


class Networks:
    """Both networks, loaded once for any number of photos. A context manager."""

    def __init__(self, fingertip_folder: Path | None = None) -> None:
        """Load them; InstallationError when the weights are damaged. Benches may name other fingertip weights."""
        self.fingertips = FingertipNetwork(fingertip_folder)
        self.hands = HandNetwork()  # last: it would have to be closed if the other failed

    def __enter__(self) -> Networks:
        return self

    def __exit__(self, *_: object) -> None:
        self.hands.close()


@dataclass(frozen=True, eq=False)
class Capture:
    """One photo measured: where the mat and the camera are, the placement, and how good the photo is."""

    sighting: Sighting
    placement: Placement
    quality: PhotoQuality


def sight_with_card(
    photo: Photo, mat_name: str | None = None, print_scale: PrintScale | None = None, card: bool = False
) -> Sighting:
    """Find the mat, and take the print's scale from a card in its place where that is surer than `print_scale`.

    A scale that came from a card is believed: photos of one print are measured by one scale. PhotoError as from
    `sight`; with `card` also when there is no card that can be measured.
    """
    sighting = sight(photo, mat_name, print_scale)
    if print_scale is not None and print_scale.source == CARD:
        return sighting
    try:
        reading = (find_card if card else look_for_card)(photo.pixels_bgr, sighting)
    except PhotoError as error:
        raise PhotoError(f"{photo.name}: {error}") from None
    if reading is None:
        return sighting
    by_card = reading.print_scale
    if by_card.relative_sd < sighting.print_scale.relative_sd:
        sighting = sight(photo, sighting.mat.name, by_card)
    if print_scale is None:
        return sighting
    off = max(abs(by_card.x / print_scale.x - 1), abs(by_card.y / print_scale.y - 1))
    if off <= DISAGREE_SDS * float(np.hypot(by_card.relative_sd, print_scale.relative_sd)):
        return sighting
    (card_x, card_y), (ruler_x, ruler_y) = ([100 * p.x, 100 * p.y] for p in (by_card, print_scale))
    note = (
        f"Ruler and card disagree by {100 * off:.1f} %: the card says {card_x:.1f} × {card_y:.1f} %, the ruler "
        f"{ruler_x:.1f} × {ruler_y:.1f} %. The surer one is believed; measure both rules again."
    )
    return replace(sighting, notes=(*sighting.notes, note))


def capture(
    photo: Photo,
    networks: Networks,
    mat_name: str | None = None,
    print_scale: PrintScale | None = None,
    one_handed: bool = False,
    card: bool = False,
) -> Capture:
    """Measure one photo. PhotoError, with reason and remedy, when it cannot be measured.

    Both hands are expected, or, `one_handed`, a single one: the other holds the phone. A card in its place on the mat
    tells the print's scale; with `card` it must be there.
    """
    sighting = sight_with_card(photo, mat_name, print_scale, card)
    small = shrink(photo, sighting, WORKING_PX_PER_MM)
    hands = find_hands(photo, sighting, networks.hands, small, one_handed)
    found: list[Contact] = []
    # The forearms are cut out, a quarter of all the work, while the fingertips are looked at.
    with ThreadPoolExecutor(1) as beside:
        waiting = [beside.submit(posture, hand, sighting, small) for hand in hands]
        paper = learn_paper(small, sighting, hands)
        for hand in hands:
            tint = learn_skin_tint(photo.pixels_bgr, sighting, paper, hand)
            evidence = gather(photo.pixels_bgr, sighting, paper, tint, hand)
            found += with_stretch(contacts(evidence, hand, sighting, networks.fingertips), hand)
        postures = tuple(each.result() for each in waiting)
    source = Source(
        photo_name=photo.name,
        photo_sha256=photo.sha256,
        captured_at=photo.captured_at,
        mat=sighting.mat.name,
        print_scale=(sighting.print_scale.x, sighting.print_scale.y),
        print_scale_sd=sighting.print_scale.relative_sd,
        tilt_deg=sighting.tilt_deg,
        height_mm=sighting.height_mm,
        mm_per_px=sighting.mm_per_px,
        rms_px=sighting.rms_px,
    )
    placement = Placement(tuple(found), postures, (source,))
    return Capture(sighting, placement, photo_quality(photo, sighting, placement))
