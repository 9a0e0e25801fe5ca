"""Hands on the mat: who is there, which side, and what is refused; on quick photos of synthetic hands."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np
import pytest
from helpers_photo import Picture, hand_layer, photo_of, shifted, truth, write_jpeg

from handcapture.capture import Capture, Networks, capture
from handcapture.errors import HandcaptureError, InstallationError, PhotoError
from handcapture.hands import fingertips
from handcapture.names import FINGERS, SIDES
from handcapture.photo import read_photo

# ANSUR II (2012), public release, observed extremes of both sexes, mm (Gordon et al. 2014, NATICK/TR-15/007).
ANSUR_HAND_LENGTH_MM = (145.0, 239.0)
ANSUR_HAND_BREADTH_MM = (67.0, 105.0)
ANSUR_BREADTH_TO_LENGTH = (0.386, 0.508)
"""First percentile of women to 99th of men."""


@pytest.fixture(scope="module")
def networks() -> Iterator[Networks]:
    with Networks() as loaded:
        yield loaded


@pytest.fixture(scope="module")
def good() -> Picture:
    return photo_of(hand_layer("both"))


def measure(networks: Networks, folder: Path, photo: Picture, one_handed: bool = False) -> Capture:
    return capture(read_photo(write_jpeg(folder / "photo.jpg", photo)), networks, one_handed=one_handed)


def test_both_hands_and_all_fingers(networks: Networks, good: Picture, tmp_path: Path) -> None:
    result = measure(networks, tmp_path, good)
    contacts = result.placement.contacts
    assert [(c.side, c.finger) for c in contacts] == [(side, finger) for side in SIDES for finger in FINGERS]
    known = truth()["hands"]
    width, height = result.sighting.mat.size_mm
    for contact in contacts:
        x, y = known[contact.side]["fingers"][contact.finger]["contact_mm"]
        miss = np.hypot(*(contact.contact_mm - [x + width / 2, height / 2 - y]))
        assert miss < 6.0, (contact.side, contact.finger)
        assert not contact.hidden
        assert np.linalg.eigvalsh(contact.covariance_mm2)[0] > 0
        np.testing.assert_allclose(np.linalg.norm(contact.reach), 1.0)


def test_hands_are_of_human_size(networks: Networks, good: Picture, tmp_path: Path) -> None:
    for hand in measure(networks, tmp_path, good).placement.hands:
        assert ANSUR_HAND_LENGTH_MM[0] < hand.hand_length_mm < ANSUR_HAND_LENGTH_MM[1]
        assert ANSUR_HAND_BREADTH_MM[0] < hand.hand_breadth_mm < ANSUR_HAND_BREADTH_MM[1]
        ratio = hand.hand_breadth_mm / hand.hand_length_mm
        assert ANSUR_BREADTH_TO_LENGTH[0] < ratio < ANSUR_BREADTH_TO_LENGTH[1]


def test_pixels_turned_or_shrunk_change_little(networks: Networks, good: Picture, tmp_path: Path) -> None:
    """The mat frame belongs to the mat: neither the phone's turn nor its resolution moves a contact."""
    straight = measure(networks, tmp_path, good).placement.contacts
    turned = measure(networks, tmp_path, np.ascontiguousarray(good[::-1, ::-1])).placement.contacts
    smaller = measure(
        networks, tmp_path, np.asarray(cv2.resize(good, None, fx=0.7, fy=0.7, interpolation=cv2.INTER_AREA), np.uint8)
    ).placement.contacts
    for other in (turned, smaller):
        moved = [np.hypot(*(a.contact_mm - b.contact_mm)) for a, b in zip(straight, other, strict=True)]
        assert np.median(moved) < 0.5
        assert max(moved) < 3.0


@pytest.mark.parametrize("side", SIDES)
def test_one_hand_when_asked_for(side: str, networks: Networks, tmp_path: Path) -> None:
    photo = photo_of(hand_layer("left" if side == "left" else "right"))
    contacts = measure(networks, tmp_path, photo, one_handed=True).placement.contacts
    assert {contact.side for contact in contacts} == {side}
    assert len(contacts) == 5


def test_refusals(networks: Networks, good: Picture, tmp_path: Path) -> None:
    both, right = hand_layer("both"), hand_layer("right")
    cases = {
        "no hand on it": photo_of(),
        "only the left hand was found; the right hand is missing": photo_of(hand_layer("left")),
        "only the right hand was found; the left hand is missing": photo_of(right),
        "3 hands were found": photo_of(both, shifted(right, -330, -330)),
        "the palms are up, or the hands are crossed": photo_of(hand_layer("both", mirrored=True)),
        "the right hand reaches off the mat": photo_of(hand_layer("left"), shifted(right, 260, 0)),
        "points sideways or towards the mat's lower edge": photo_of(np.ascontiguousarray(both[::-1, ::-1])),
    }
    for message, photo in cases.items():
        with pytest.raises(PhotoError, match=message) as caught:
            measure(networks, tmp_path, photo)
        assert caught.value.exit_code == 3
        assert str(caught.value).startswith("photo.jpg: ")
    with pytest.raises(PhotoError, match="2 hands were found, but a one-handed capture expects one"):
        measure(networks, tmp_path, good, one_handed=True)


@pytest.mark.parametrize(
    ("onnx", "calibration"), [(None, "{}"), (b"", "{}"), (b"nonsense", "{}"), ("own", "{"), ("own", "{}")]
)
def test_damaged_weights_are_a_named_error(tmp_path: Path, onnx: bytes | str | None, calibration: str) -> None:
    own = Path(fingertips.__file__).parent / "models" / "fingertip.onnx"
    if onnx is not None:
        (tmp_path / "fingertip.onnx").write_bytes(own.read_bytes() if isinstance(onnx, str) else onnx)
    (tmp_path / "fingertip.json").write_text(calibration)
    with pytest.raises(HandcaptureError, match="Install handcapture again"):
        fingertips.FingertipNetwork(tmp_path)


def test_a_lost_block_in_the_shipped_weights_is_noticed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """They would still load, and move contacts by tenths of a millimetre."""
    own = Path(fingertips.__file__).parent / "models"
    data = bytearray((own / "fingertip.onnx").read_bytes())
    data[300_000:304_096] = bytes(4096)
    (tmp_path / "models").mkdir()
    (tmp_path / "models" / "fingertip.onnx").write_bytes(data)
    (tmp_path / "models" / "fingertip.json").write_bytes((own / "fingertip.json").read_bytes())
    fingertips.FingertipNetwork(tmp_path / "models")  # weights of a bench's own are not held against a hash
    monkeypatch.setattr(fingertips.importlib.resources, "files", lambda package: tmp_path)
    with pytest.raises(InstallationError, match="Install handcapture again"):
        fingertips.FingertipNetwork()
