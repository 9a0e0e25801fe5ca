"""A card in the photo and the print's scale: which of ruler, card and nothing is believed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from test_card import RED, photo_with

from handcapture.capture import sight_with_card
from handcapture.errors import PhotoError
from handcapture.mat.geometry import MATS
from handcapture.mat.print_scale import PrintScale

SHRUNK = PrintScale(0.972, 0.968)


def test_a_shrunk_print_is_put_right_without_being_asked() -> None:
    camera, photo = photo_with(RED, scale=SHRUNK, tilt_deg=12.0)
    found = sight_with_card(photo)
    scale = found.sheets[0].print_scale
    assert found.print_scale.source == "card"
    assert scale.x == pytest.approx(SHRUNK.x, abs=1e-3)
    assert scale.y == pytest.approx(SHRUNK.y, abs=1e-3)
    # Places on the mat come out in true millimetres.
    width, height = MATS["a4"].size_mm
    true = np.array([[x * width, y * height] for x in (0.2, 0.5, 0.8) for y in (0.2, 0.5, 0.8)])
    seen = found.camera.at_height(camera.project(np.c_[true, np.zeros(len(true))]), 0.0)
    np.testing.assert_allclose(seen, true, atol=0.3)
    assert not any("not verified" in note for note in found.notes)


def test_the_surer_of_card_and_ruler_is_believed() -> None:
    _, photo = photo_with(RED, scale=SHRUNK)
    rough = replace(SHRUNK, relative_sd=0.01, source="ruler")
    assert sight_with_card(photo, print_scale=rough).print_scale.source == "card"
    fine = replace(SHRUNK, relative_sd=1e-4, source="ruler")
    assert sight_with_card(photo, print_scale=fine).print_scale.source == "ruler"


def test_a_card_that_was_asked_for_must_be_there() -> None:
    _, photo = photo_with(replace(RED, size_mm=(90.0, 55.0)))
    assert sight_with_card(photo).print_scale.source == "not verified"
    with pytest.raises(PhotoError, match=f"^{photo.name}: "):
        sight_with_card(photo, card=True)


def test_a_ruler_that_a_card_contradicts_is_told() -> None:
    _, photo = photo_with(RED, scale=SHRUNK)
    wrong = sight_with_card(photo, print_scale=PrintScale.from_rulers(150.0, 150.0))
    assert any("disagree by" in note for note in wrong.notes)
    right = sight_with_card(photo, print_scale=PrintScale.from_rulers(150 * SHRUNK.x, 150 * SHRUNK.y))
    assert not any("disagree" in note for note in right.notes)


def test_a_scale_that_a_card_told_serves_other_photos_unchanged() -> None:
    _, photo = photo_with(RED, scale=SHRUNK)
    told = replace(SHRUNK, relative_sd=0.002, source="card")
    assert sight_with_card(photo, print_scale=told).print_scale.relative_sd == pytest.approx(0.002)
