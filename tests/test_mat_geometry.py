"""The geometry of the mats, against the paper standards and against pictures of the marks."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from handcapture.errors import InputError
from handcapture.mat.geometry import (
    CARD_MM,
    CELL_MM,
    IDS_PER_SHEET,
    LEAST_MARGIN_MM,
    MARKER_MM,
    MATS,
    Sheet,
    black_rectangles,
    marker_dictionary,
    marker_modules,
    mat_by_name,
    sheet_raster,
)

SHEETS = [sheet for mat in MATS.values() for sheet in mat.sheets]
each_sheet = pytest.mark.parametrize("sheet", SHEETS, ids=lambda sheet: sheet.name)
PX_PER_MM = 10.0
"""Every paper here measures a whole number of tenths of a millimetre."""


def edges(rectangles):
    """Return left, top, right, bottom of rectangles (N, 4), mm."""
    return np.array([(r.x_mm, r.y_mm, r.x_mm + r.width_mm, r.y_mm + r.height_mm) for r in rectangles])


def distance_to_marks(sheet, points):
    """Return how far each point (N, 2) lies from the nearest black rectangle, mm; 0 inside."""
    box, points = edges(black_rectangles(sheet)), np.asarray(points, dtype=float)[:, None]
    outside = np.maximum(box[:, :2] - points, points - box[:, 2:]).clip(0.0)
    return np.hypot(outside[..., 0], outside[..., 1]).min(axis=1)


# ISO 216: A4 210 x 297, A3 297 x 420 mm. ANSI/ASME Y14.1: A (Letter) 8.5 x 11, B (Tabloid) 11 x 17 inches.
@pytest.mark.parametrize(
    ("name", "size_mm", "sheets"),
    [
        ("a4", (297, 210), 1),
        ("a3", (420, 297), 1),
        ("letter", (11 * 25.4, 8.5 * 25.4), 1),
        ("tabloid", (17 * 25.4, 11 * 25.4), 1),
        ("a4-pair", (2 * 210, 297), 2),
        ("letter-pair", (2 * 8.5 * 25.4, 11 * 25.4), 2),
    ],
)
def test_a_mat_fills_its_paper(name, size_mm, sheets):
    mat = mat_by_name(name.upper())
    assert mat.size_mm == pytest.approx(size_mm)
    assert len(mat.sheets) == sheets
    assert mat.nominal_offsets_mm == tuple((k * mat.sheets[0].width_mm, 0.0) for k in range(sheets))


def test_the_papers_are_all_there():
    assert set(MATS) == {"a4", "letter", "a3", "tabloid", "a4-pair", "letter-pair"}


def test_an_unknown_mat_is_refused_with_the_choices():
    with pytest.raises(InputError, match=r"no mat called 'a5'\. Choose one of: a4, letter, a3, tabloid, a4-pair"):
        mat_by_name("a5")


def test_the_a4_ring_worked_out_by_hand():
    # (297 - 20) / 17 = 16.3 and (210 - 20) / 17 = 11.2: 16 x 11 cells of 17 mm, 272 x 187 mm, centred.
    a4 = MATS["a4"].sheets[0]
    assert (a4.columns, a4.rows, a4.grid_origin_mm) == (16, 11, (12.5, 11.5))
    assert a4.markers[0].corners_mm == ((14.5, 13.5), (27.5, 13.5), (27.5, 26.5), (14.5, 26.5))
    inside = a4.interior
    assert (inside.x_mm, inside.y_mm, inside.width_mm, inside.height_mm) == (29.5, 28.5, 238.0, 153.0)


def test_no_marker_number_is_used_twice():
    numbers = [marker.number for sheet in SHEETS for marker in sheet.markers]
    assert len(set(numbers)) == len(numbers)
    assert max(numbers) < 1000  # the dictionary has 1000
    for sheet in SHEETS:
        first = sheet.first_number
        assert [m.number for m in sheet.markers] == list(range(first, first + len(sheet.markers)))
        assert len(sheet.markers) <= IDS_PER_SHEET


def test_markers_differ_in_six_bits_in_any_rotation():
    # The OpenCV reference (enum PredefinedDictionaryType) gives a least Hamming distance of 5 for all 1000
    # patterns of the dictionary, and of 6 for its first 250. The numbers used here keep 6.
    numbers = [marker.number for sheet in SHEETS for marker in sheet.markers]
    patterns = np.array([marker_modules(number)[1:-1, 1:-1] for number in numbers])
    upright = patterns.reshape(len(patterns), -1)
    turned = np.array([np.rot90(patterns, k, axes=(1, 2)).reshape(len(patterns), -1) for k in range(4)])
    distance = (upright[:, None, None] != turned.transpose(1, 0, 2)).sum(axis=-1)  # (number, number, turn)
    same = np.arange(len(numbers))
    distance[same, same, 0] = 25  # a marker agrees with itself
    assert distance.min() >= 6


def test_the_dictionary_corrects_fewer_bits_than_half_that_distance():
    assert 2 * marker_dictionary().maxCorrectionBits < 6


@each_sheet
def test_the_margins_are_wide_enough_and_alike(sheet):
    box = edges(sheet.black_cells)
    margins = {
        "left": box[:, 0].min(),
        "top": box[:, 1].min(),
        "right": sheet.width_mm - box[:, 2].max(),
        "bottom": sheet.height_mm - box[:, 3].max(),
    }
    assert min(margins.values()) >= LEAST_MARGIN_MM == 6.0
    assert margins["top"] == pytest.approx(margins["bottom"])
    if sheet.seam is None:
        assert margins["left"] == pytest.approx(margins["right"])
    else:  # the strip outside the ring ends where the seam begins
        outer = "left" if sheet.seam == "right" else "right"
        assert margins[sheet.seam] == pytest.approx(margins[outer] + 4.0)


@each_sheet
def test_interior_marks_rules_and_card_lie_on_quiet_paper(sheet):
    inside = edges([sheet.interior])[0]
    assert np.all(edges(sheet.dot_squares)[:, :2] > inside[:2])
    assert np.all(edges(sheet.dot_squares)[:, 2:] < inside[2:])
    for start, end in (sheet.rule_x_mm, sheet.rule_y_mm):
        along = np.linspace(start, end, 301)
        assert np.all(along > inside[:2])
        assert np.all(along < inside[2:])
        assert distance_to_marks(sheet, along).min() >= 1.5 - 1e-9
    if sheet.card_place is not None:
        left, top, right, bottom = edges([sheet.card_place])[0]
        assert left > inside[0]
        assert top > inside[1]
        assert right < inside[2]
        assert bottom < inside[3]
        outline = np.vstack(
            [np.linspace(a, b, 80) for a in [(left, top), (right, bottom)] for b in [(right, top), (left, bottom)]]
        )
        assert distance_to_marks(sheet, outline).min() > 3.0


@each_sheet
def test_the_rules_are_150_mm_along_the_axes(sheet):
    (x0, y0), (x1, y1) = sheet.rule_x_mm
    assert (x1 - x0, y1 - y0) == (pytest.approx(150.0), 0.0)
    (x0, y0), (x1, y1) = sheet.rule_y_mm
    assert (x1 - x0, y1 - y0) == (0.0, pytest.approx(150.0))


def test_the_card_is_an_id_1_card():
    # ISO/IEC 7810:2019, ID-1: 85.60 x 53.98 mm.
    assert CARD_MM == (85.60, 53.98)
    with_card = [s.name for s in SHEETS if s.card_place is not None]
    assert with_card == ["a4", "letter", "a3", "tabloid", "a4-pair-1", "letter-pair-1"]
    for sheet in SHEETS:
        if sheet.card_place is not None:
            assert (sheet.card_place.width_mm, sheet.card_place.height_mm) == CARD_MM


@pytest.mark.parametrize("name", ["a4-pair", "letter-pair"])
def test_the_sheets_of_a_pair_meet_on_quiet_paper(name):
    left, right = MATS[name].sheets
    assert left.interior.x_mm + left.interior.width_mm == pytest.approx(left.width_mm)
    assert right.interior.x_mm == 0.0
    assert (left.interior.y_mm, left.interior.height_mm) == (right.interior.y_mm, right.interior.height_mm)
    assert set(left.dots_mm[:, 1]) == set(right.dots_mm[:, 1]), "rows run on across the seam"
    # No column of interior saddles is missing at the seam, and none would be lost in a printer's margin.
    gap = right.dots_mm[:, 0].min() + left.width_mm - left.dots_mm[:, 0].max()
    assert 2 * LEAST_MARGIN_MM < gap < 4 * CELL_MM


@each_sheet
def test_every_saddle_is_a_crossing_of_black_and_white(sheet):
    picture = sheet_raster(sheet, PX_PER_MM)
    for points in (sheet.ring_saddles_mm, sheet.dots_mm):
        quadrants = np.array(
            [
                picture[
                    np.floor((points[:, 1] + dy) * PX_PER_MM).astype(int),
                    np.floor((points[:, 0] + dx) * PX_PER_MM).astype(int),
                ]
                for dx, dy in ((-1.0, -1.0), (1.0, 1.0), (-1.0, 1.0), (1.0, -1.0))
            ]
        )
        assert np.all(quadrants[0] == quadrants[1])
        assert np.all(quadrants[2] == quadrants[3])
        assert np.all(quadrants[0] + quadrants[2] == 255), "one pair black, one white"


@each_sheet
def test_the_raster_shows_every_marker_where_it_is_stated(sheet):
    picture = sheet_raster(sheet, PX_PER_MM)
    small = cv2.resize(picture, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    corners, numbers, _ = cv2.aruco.ArucoDetector(marker_dictionary()).detectMarkers(small)
    assert sorted(numbers.ravel()) == [marker.number for marker in sheet.markers]
    stated = {marker.number: np.array(marker.corners_mm) for marker in sheet.markers}
    for number, found in zip(numbers.ravel(), corners, strict=True):
        start = (found.reshape(4, 1, 2) + 0.5) * 2 - 0.5
        ends = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 50, 1e-3)
        at_px = cv2.cornerSubPix(picture, start, (6, 6), (-1, -1), ends).reshape(4, 2)
        # Pixel (column, row) is centred on ((column + 0.5), (row + 0.5)) / px_per_mm.
        assert (at_px + 0.5) / PX_PER_MM == pytest.approx(stated[int(number)], abs=0.02)


@settings(max_examples=20, deadline=None)
@given(
    width=st.floats(150.0, 260.0),
    height=st.floats(150.0, 260.0),
    seam=st.sampled_from([None, "left", "right"]),
    px_per_mm=st.floats(1.0, 3.0),
)
def test_any_paper_carries_its_ink_inside_its_margins(width, height, seam, px_per_mm):
    sheet = Sheet("invented", "Invented", width, height, 0, seam)
    box = edges(black_rectangles(sheet))
    assert box[:, :2].min() >= LEAST_MARGIN_MM - 1e-9
    assert np.all(box[:, 2:].max(axis=0) <= np.array([width, height]) - LEAST_MARGIN_MM + 1e-9)
    assert len(sheet.markers) <= IDS_PER_SHEET
    # Nothing black lies on black, so the areas add up to the sum of the anti-aliased greys.
    area = ((box[:, 2] - box[:, 0]) * (box[:, 3] - box[:, 1])).sum()
    ink = (255.0 - sheet_raster(sheet, px_per_mm)).sum() / 255.0 / px_per_mm**2
    assert ink == pytest.approx(area, rel=2e-3)


@each_sheet
def test_a_marker_is_printed_black_in_a_white_cell(sheet):
    picture = sheet_raster(sheet, PX_PER_MM)
    inset = (CELL_MM - MARKER_MM) / 2
    for marker in sheet.markers:
        x, y = marker.corners_mm[0]
        modules = marker_modules(marker.number)
        middle = (np.arange(7) + 0.5) * MARKER_MM / 7
        columns, rows = np.floor((x + middle) * PX_PER_MM), np.floor((y + middle) * PX_PER_MM)
        printed = picture[np.ix_(rows.astype(int), columns.astype(int))]
        assert np.array_equal(printed == 0, modules)
        assert np.array_equal(printed == 255, ~modules)
        halo = distance_to_marks(sheet, [(x - inset / 2, y + 5.0), (x + MARKER_MM + inset / 2, y + 5.0)])
        assert halo == pytest.approx([inset / 2] * 2)
