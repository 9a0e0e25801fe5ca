"""How much further fingers could come down: the geometry, what is made of it for a hand, and pooling."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from helpers_photo import hand_layer, photo_of, write_jpeg
from helpers_rest import PLACES, contact, placement
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from handcapture.capture import Networks, capture
from handcapture.hands.landmarks import HandLandmarks
from handcapture.hands.reach import DROP_MM, STRAIGHT_DEG, chord_mm, guessed_mm, stretch_mm, with_stretch
from handcapture.names import FINGERS
from handcapture.photo import read_photo
from handcapture.placement import Contact, Placement
from handcapture.rest import beyond_reach_mm, furthest_mm, pool
from handcapture.rest_document import read_rest, rest_document, rest_sha256, write_rest

FloatArray = NDArray[np.float64]

# Lengths of proximal, middle and distal phalanx of a hand, mm (Buryanov and Kotiuk 2010, from memory).
INDEX_MM = (39.8, 22.4, 15.8)
lengths = st.tuples(st.floats(25, 50), st.floats(15, 35), st.floats(12, 28))


def bent(segments: tuple[float, ...], pitch_deg: float, bends_deg: tuple[float, float]) -> FloatArray:
    """Return the joints (4, 3) of a finger in a vertical plane: the first segment falls by `pitch_deg`."""
    turn = np.radians(np.cumsum([pitch_deg, *bends_deg]))
    steps = np.stack([np.cos(turn), np.zeros(3), -np.sin(turn)], axis=1) * np.array(segments)[:, None]
    return np.vstack([np.zeros((1, 3)), np.cumsum(steps, axis=0)])


@given(lengths, st.floats(0, 25))
def test_a_finger_at_the_limit_has_no_stretch(segments: tuple[float, float, float], pitch: float) -> None:
    joints = bent(segments, pitch, (STRAIGHT_DEG, STRAIGHT_DEG))
    assert stretch_mm(joints, -joints[-1, 2]) == pytest.approx(0.0, abs=1e-9)


@given(lengths, st.floats(0, 20), st.tuples(st.floats(10, 70), st.floats(10, 60)), st.floats(0, 15))
def test_against_a_finger_that_is_laid_down(
    segments: tuple[float, float, float], pitch: float, bends: tuple[float, float], drop: float
) -> None:
    """The finger at its limit is built joint by joint and tilted until its end is as low as asked for."""
    joints = bent(segments, pitch, bends)
    tilts = np.linspace(-30, 60, 20001)
    turns = np.radians(tilts[:, None] + STRAIGHT_DEG * np.arange(3))
    low = (np.sin(turns) * segments).sum(axis=1)
    best = int(np.argmin(np.abs(low - drop)))
    laid = float((np.cos(turns[best]) * segments).sum())
    assert stretch_mm(joints, drop) == pytest.approx(laid - joints[-1, 0], abs=0.05)


@given(lengths, st.floats(0, 20), st.tuples(st.floats(10, 70), st.floats(10, 60)), st.floats(0, 360))
def test_turned_about_the_vertical_it_is_the_same(
    segments: tuple[float, float, float], pitch: float, bends: tuple[float, float], turn: float
) -> None:
    joints = bent(segments, pitch, bends)
    cos, sin = np.cos(np.radians(turn)), np.sin(np.radians(turn))
    turned = joints @ np.array([[cos, sin, 0], [-sin, cos, 0], [0, 0, 1.0]])
    assert stretch_mm(turned, 9.0) == pytest.approx(stretch_mm(joints, 9.0), abs=1e-9)


def test_chord_by_the_law_of_cosines() -> None:
    """Two segments that turn by 10 degrees enclose 170."""
    first, second = INDEX_MM[0], INDEX_MM[1]
    expected = np.sqrt(first**2 + second**2 - 2 * first * second * np.cos(np.radians(170)))
    assert chord_mm(np.array([first, second])) == pytest.approx(expected)
    assert chord_mm(np.array(INDEX_MM)) < sum(INDEX_MM)


def hand_of(bends_deg: tuple[float, float]) -> HandLandmarks:
    """Return an invented right hand, palms of 85 mm, all of its fingers bent alike; its model is in another scale."""
    points, model = np.zeros((21, 2)), np.zeros((21, 3))
    for k in range(5):
        away = np.radians(-90 + 15 * (k - 2))
        base = 85.0 * np.array([np.cos(away), np.sin(away)])
        joints = bent(INDEX_MM, 10.0, bends_deg)
        for j in range(4):
            flat = base + joints[j, 0] * base / 85.0
            points[1 + 4 * k + j] = flat
            model[1 + 4 * k + j] = [*flat, -joints[j, 2]]
    return HandLandmarks("right", points, model / 85.0 * 70.0, 1.0)


def contacts_of(hand: HandLandmarks) -> tuple[Contact, ...]:
    return tuple(contact("right", finger, hand.points_mm[4 + 4 * k]) for k, finger in enumerate(FINGERS))


def test_a_hand_that_rests_bent_has_more_stretch_and_is_told_less_surely() -> None:
    flat, bent_hand = hand_of((20.0, 20.0)), hand_of((60.0, 40.0))
    pairs = list(
        zip(with_stretch(contacts_of(flat), flat), with_stretch(contacts_of(bent_hand), bent_hand), strict=True)
    )
    for less, more in pairs[1:]:
        assert less.stretch_mm is not None
        assert more.stretch_mm is not None
        assert less.stretch_sd_mm is not None
        assert more.stretch_sd_mm is not None
        true = stretch_mm(bent(INDEX_MM, 10.0, (60.0, 40.0)), DROP_MM)
        assert less.stretch_mm + 3.0 < more.stretch_mm < true
        assert more.stretch_sd_mm > less.stretch_sd_mm
        # What it leans towards the usual by, it states.
        assert true - more.stretch_mm < 3 * more.stretch_sd_mm
    thumbs = {contact.stretch_mm for contact in pairs[0]}
    assert len(thumbs) == 1


def test_scale_is_the_palms() -> None:
    """The network's model has a scale of its own, which must not matter."""
    hand = hand_of((40.0, 30.0))
    other = replace(hand, model_mm=hand.model_mm * 1.3)
    np.testing.assert_allclose(guessed_mm(other), guessed_mm(hand))
    np.testing.assert_allclose(guessed_mm(hand), stretch_mm(bent(INDEX_MM, 10.0, (40.0, 30.0)), DROP_MM), rtol=0.05)


def test_hidden_fingers_are_less_sure() -> None:
    hand = hand_of((30.0, 30.0))
    plain, *_ = with_stretch(contacts_of(hand)[1:2], hand)
    guess = replace(contacts_of(hand)[1], hidden=True, covariance_mm2=np.eye(2) * 64.0)
    hidden, *_ = with_stretch([guess], hand)
    assert hidden.stretch_mm == plain.stretch_mm
    assert plain.stretch_sd_mm is not None
    assert hidden.stretch_sd_mm == pytest.approx(np.hypot(plain.stretch_sd_mm, 8.0))


def test_photo(tmp_path: Path) -> None:
    """No resting finger can come down more than half its own length further."""
    path = write_jpeg(tmp_path / "hands.jpg", photo_of(hand_layer("both")))
    with Networks() as networks:
        rest = pool([capture(read_photo(path), networks).placement])
    length = {hand.side: hand.hand_length_mm for hand in rest.hands}
    for tip in rest.fingertips:
        assert tip.stretch_mm is not None
        assert tip.stretch_sd_mm is not None
        assert 0.0 <= tip.stretch_mm < 0.2 * length[tip.side]
        surely = furthest_mm(tip)
        assert surely is not None
        assert surely == pytest.approx(max(0.0, tip.stretch_mm - tip.stretch_sd_mm))
        assert beyond_reach_mm(tip, surely) == 0.0
        assert beyond_reach_mm(tip, surely + 20.0) == pytest.approx(20.0)


def stretched(number: int, shift: tuple[float, float], stretch: float) -> Placement:
    found = placement(number, shift)
    return replace(found, contacts=tuple(replace(c, stretch_mm=stretch, stretch_sd_mm=2.5) for c in found.contacts))


@given(st.lists(st.tuples(st.floats(-6, 6), st.floats(-6, 6)), min_size=1, max_size=5), st.floats(7, 20))
def test_pooled_stretch_keeps_the_furthest_place(moves: list[tuple[float, float]], stretch: float) -> None:
    """Mean contact plus mean stretch is the mean of the places that each placement tells as furthest."""
    rest = pool([stretched(k, move, stretch) for k, move in enumerate(moves)])
    for tip in rest.fingertips:
        assert tip.stretch_mm is not None
        told = (tip.contact_mm - PLACES[tip.side, tip.finger]) @ tip.reach + tip.stretch_mm
        assert told == pytest.approx(np.mean(moves, axis=0) @ tip.reach + stretch, abs=1e-6)
        assert tip.stretch_sd_mm == pytest.approx(2.5)


def test_documents(tmp_path: Path) -> None:
    """Read back the same; and what never knew a stretch does not speak of one, so that its hash stays."""
    rest = pool([stretched(1, (0.0, 0.0), 8.0)])
    write_rest(tmp_path / "rest.json", rest)
    again = read_rest(tmp_path / "rest.json")
    assert [(tip.stretch_mm, tip.stretch_sd_mm) for tip in again.fingertips] == [(8.0, 2.5)] * 10
    assert rest_sha256(again) == rest_sha256(rest)
    without = rest_document(pool([placement(1)]))
    assert "stretch_mm" not in without["fingertips"][0]
    assert "palm" not in without["hands"][0]
    unknown = pool([placement(1)]).fingertips[0]
    assert furthest_mm(unknown) is None
    assert beyond_reach_mm(unknown, 30.0) is None
