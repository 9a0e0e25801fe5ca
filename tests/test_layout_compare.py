"""Layouts compared: hand-made changes come back, whatever frame the layouts are in."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from helpers_layout import workshop_layout
from helpers_rest import PLACES, placement, posture
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from handcapture.documents import dump_json
from handcapture.errors import InputError
from handcapture.layout.compare import align, compare_layouts, comparison_document
from handcapture.layout.model import Cut, Finding, Layout, Part, Point
from handcapture.placement import Palm
from handcapture.rest import pool
from handcapture.rest_document import rest_sha256

SHIFT = st.floats(-300, 300, allow_nan=False)


def moved_buttons(layout: Layout, moves: dict[str, Point]) -> Layout:
    buttons = tuple(
        replace(b, centre_mm=(b.centre_mm[0] + moves[b.label][0], b.centre_mm[1] + moves[b.label][1]))
        if b.label in moves
        else b
        for b in layout.buttons
    )
    return replace(layout, buttons=buttons)


def of_one_rest(layout: Layout) -> Layout:
    return replace(layout, rest_sha256="ab" * 32)


def turned(layout: Layout, angle_deg: float, shift: Point) -> Layout:
    """The same holes on a panel whose frame is turned: another rest, another sitting."""
    cos, sin = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
    buttons = tuple(
        replace(
            b,
            centre_mm=(
                cos * b.centre_mm[0] - sin * b.centre_mm[1] + shift[0],
                sin * b.centre_mm[0] + cos * b.centre_mm[1] + shift[1],
            ),
        )
        for b in layout.buttons
    )
    return replace(layout, buttons=buttons)


@given(x=SHIFT, y=SHIFT)
def test_a_layout_compared_with_itself_finds_nothing(x: float, y: float) -> None:
    layout = workshop_layout((x, y), findings=True)
    for one in (layout, of_one_rest(layout)):
        found = compare_layouts([one, one])
        assert found.steps[0].nothing
        assert found.figures[0] == found.figures[1]


@settings(max_examples=40, deadline=None)
@given(x=SHIFT, y=SHIFT, dx=st.floats(-30, 30), dy=st.floats(-30, 30))
def test_moving_the_mat_frame_changes_nothing(x: float, y: float, dx: float, dy: float) -> None:
    one = of_one_rest(workshop_layout((50.0, 45.0)))
    other = moved_buttons(one, {"Drill": (dx, dy)})
    plain = compare_layouts([one, other]).steps[0]
    origins = [np.add(layout.panel_origin_mm, (x, y)) for layout in (one, other)]
    both = [replace(p, panel_origin_mm=(float(o[0]), float(o[1]))) for p, o in zip((one, other), origins, strict=True)]
    shifted = compare_layouts(both).steps[0]
    for before, after in zip(plain.buttons, shifted.buttons, strict=True):
        assert before.move_mm == pytest.approx(after.move_mm, abs=1e-9)


def test_a_panel_that_slid_under_the_hands_is_told_in_the_frame_of_the_rest() -> None:
    """The fit slid the panel by (3, -2) and left every hole where it was on the panel: all moved under the hands."""
    one = of_one_rest(workshop_layout((50.0, 45.0)))
    slid = replace(one, panel_origin_mm=(53.0, 43.0))
    found = compare_layouts([one, slid])
    assert found.placings[1].by == "same rest"
    for change in found.steps[0].buttons:
        assert change.move_mm == pytest.approx((3.0, -2.0))
    other_rest = compare_layouts([one, replace(slid, rest_sha256="cd" * 32)])
    assert other_rest.placings[1].by == "buttons in common"
    assert other_rest.steps[0].nothing


@settings(max_examples=40, deadline=None)
@given(angle=st.floats(-60, 60), x=SHIFT, y=SHIFT, dx=st.floats(1, 20), dy=st.floats(-20, 20))
def test_frames_that_do_not_agree_are_laid_onto_each_other_by_most_buttons(
    angle: float, x: float, y: float, dx: float, dy: float
) -> None:
    one = workshop_layout()
    other = turned(moved_buttons(one, {"Bell": (0, 0), "Belt": (dx, dy), "Stop": (-dy, dx)}), angle, (x, y))
    found = compare_layouts([one, other])
    assert found.placings[1].by == "buttons in common"
    assert found.placings[1].turned_deg == pytest.approx(-angle, abs=1e-2)
    moves = {change.label: change.move_mm for change in found.steps[0].buttons}
    assert moves["Belt"] == pytest.approx((dx, dy), abs=0.02)
    assert moves["Stop"] == pytest.approx((-dy, dx), abs=0.02)
    assert sum(change.moved for change in found.steps[0].buttons) == 2


def test_aligning_without_outliers_is_the_rotation_that_scipy_finds() -> None:
    """Rotation.align_vectors solves Wahba's problem; with tiny scatter all weights are near to equal."""
    rng = np.random.default_rng(4)
    start = rng.uniform(0, 300, (9, 2))
    known = Rotation.from_euler("z", 12.5, degrees=True)
    end = known.apply(np.c_[start, np.zeros(9)])[:, :2] + [20.0, -7.0] + rng.normal(0, 1e-4, (9, 2))
    angle, shift = align(start, end)
    theirs, _ = Rotation.align_vectors(
        np.c_[end - end.mean(axis=0), np.zeros(9)], np.c_[start - start.mean(axis=0), np.zeros(9)]
    )
    assert angle == pytest.approx(theirs.as_euler("xyz", degrees=True)[2], abs=1e-3)
    assert shift == pytest.approx((20.0, -7.0), abs=1e-2)


def test_a_mirrored_layout_is_not_laid_on_by_mirroring() -> None:
    one = workshop_layout()
    mirrored = replace(
        one, buttons=tuple(replace(b, centre_mm=(320.0 - b.centre_mm[0], b.centre_mm[1])) for b in one.buttons)
    )
    assert sum(change.moved for change in compare_layouts([one, mirrored]).steps[0].buttons) >= 8


def test_what_came_went_and_changed_is_named() -> None:
    one = of_one_rest(workshop_layout(findings=True))
    far = replace(one.buttons[2], label="Vise far", row="far")
    buttons = (
        *(b for b in one.buttons if b.label not in ("Hush", "Drill", "Feed", "Belt")),
        replace(one.buttons[5], hole_mm=24.0),
        replace(one.buttons[6], finger="middle"),
        replace(one.buttons[8], part=Part("round one", 24.0, rim_mm=29.0)),
        far,
    )
    panel = replace(
        one.panel, width_mm=330.0, material="birch", thickness_mm=None,
        keep_outs=one.panel.keep_outs[1:], cuts=(Cut("gland", "circle", (20.0, 80.0), 12.0),),
    )  # fmt: skip
    other = replace(one, buttons=buttons, panel=panel, findings=(Finding("edge", "warning", "near", ("Stop",)),))
    step = compare_layouts([one, other]).steps[0]
    told = {change.label: (change.kind, change.told) for change in step.buttons}
    assert told["Vise far"] == ("added", ("left middle, far row, hole 24 mm",))
    assert told["Hush"] == ("removed", ())
    assert told["Drill"] == ("changed", ("hole 30 → 24 mm",))
    assert told["Feed"] == ("changed", ("right index → right middle",))
    assert told["Belt"] == ("changed", ("part none → round one",))
    assert told["Stop"] == ("same", ())
    assert step.panel == (
        "width 320 → 330 mm",
        "thickness 3 mm → not stated",
        "material plywood → birch",
        "keep-out cable gland removed",
        "cut gland added",
    )
    assert [finding.code for finding in step.came] == ["edge"]
    assert [finding.code for finding in step.went] == ["web"]
    dump_json(comparison_document(compare_layouts([one, other])))


def test_travel_and_landing_are_those_of_pencil_and_paper() -> None:
    """Workshop layout: Vise open wishes (86.1, 33.0) and stands at (87, 33.75); a far one is put 3-4-5 off its wish."""
    one = workshop_layout()
    far = replace(one.buttons[2], label="Vise far", row="far", centre_mm=(89.1, 29.0), landing_probability=0.5)
    figures = compare_layouts([one, replace(one, buttons=(*one.buttons, far))]).figures
    middle = {(t.side, t.finger): t for t in figures[1].travels}["left", "middle"]
    near = math.hypot(0.9, 0.75)
    assert middle.sum_mm == pytest.approx(near + 5.0)
    assert middle.mean_mm == pytest.approx((near + 5.0) / 2)
    assert figures[1].travel_mm - figures[0].travel_mm == pytest.approx(5.0)
    assert figures[0].mean_landing == pytest.approx(0.97)
    assert figures[1].least_landing == 0.5
    assert figures[1].least_label == "Vise far"
    assert figures[1].mean_landing == pytest.approx((10 * 0.97 + 0.5) / 11)


def test_travel_counts_from_the_measured_rest_where_the_layout_was_fitted_to_it() -> None:
    rest = pool([placement(1), placement(2, (1.0, 0.0))])
    fitted = replace(workshop_layout(), rest_sha256=rest_sha256(rest))
    figures = compare_layouts([fitted, workshop_layout()], rest).figures
    assert (figures[0].rests_by, figures[1].rests_by) == ("rest", "wishes")
    x, y = PLACES["right", "thumb"]
    expected = math.dist((x + 0.5, y), (181.0 + 50.0, 101.5 + 45.0))
    assert {(t.side, t.finger): t.sum_mm for t in figures[0].travels}["right", "thumb"] == pytest.approx(expected)


def test_the_room_for_palms_follows_the_panel() -> None:
    """A panel that reaches 20 mm farther towards the person ends 20 mm farther behind straight forearms."""
    outline = np.array([(-35.0, -60.0), (35.0, -60.0), (40.0, 20.0), (-40.0, 20.0)])
    hands = []
    for side, x in (("left", 105.0), ("right", 315.0)):
        heel = np.array([x, 235.0])
        line = np.array([(x - 30.0, 235.0), (x + 30.0, 235.0)])
        palm = Palm(outline + heel, 12.0, heel, 3.0, line, np.array([0.0, 1.0]), 60.0)
        hands.append(replace(posture(side), palm=palm))
    rest = pool([replace(placement(k, (k - 1.0, 0.0)), hands=tuple(hands)) for k in (1, 2)])
    near = replace(workshop_layout(), rest_sha256=rest_sha256(rest))
    longer = replace(near, panel=replace(near.panel, height_mm=near.panel.height_mm + 20.0))
    before, after = compare_layouts([near, longer], rest).figures
    assert [hand.side for hand in before.palms] == ["left", "right"]
    for was, now in zip(before.palms, after.palms, strict=True):
        assert now.edge_behind_mm - was.edge_behind_mm == pytest.approx(20.0, abs=0.2)
    assert compare_layouts([near, longer]).figures[0].palms == ()
    dump_json(comparison_document(compare_layouts([near, longer], rest)))


def test_panels_without_a_button_in_common_are_compared_corner_on_corner() -> None:
    one = workshop_layout((10.0, 20.0))
    other = replace(workshop_layout((70.0, 90.0)), buttons=tuple(replace(b, label=b.label + " 2") for b in one.buttons))
    found = compare_layouts([one, other])
    assert found.placings[1].by == "panel corner"
    np.testing.assert_allclose(found.centres_mm(0), found.centres_mm(1))


def test_an_outline_that_changed_is_told_by_its_area() -> None:
    one = workshop_layout()
    cut_off = ((0.0, 0.0, 0.0), (310.0, 0.0, 0.0), (320.0, 10.0, 0.0), (320.0, 150.0, 0.0), (0.0, 150.0, 0.0))
    square = ((0.0, 0.0, 0.0), (320.0, 0.0, 0.0), (320.0, 150.0, 0.0), (0.0, 150.0, 0.0))
    layouts = [replace(one, panel=replace(one.panel, corner_radius_mm=0.0, outline=line)) for line in (square, cut_off)]
    assert compare_layouts(layouts).steps[0].panel == ("outline differs by 50 mm²",)


def test_refusals() -> None:
    with pytest.raises(InputError, match="two or more"):
        compare_layouts([workshop_layout()])
    nowhere = moved_buttons(workshop_layout(), {"Stop": (float("nan"), 0.0)})
    with pytest.raises(InputError, match="without a place"):
        compare_layouts([workshop_layout(), nowhere])


def test_what_was_drilled_serves_only_where_the_holes_stay_on_the_panel():
    layout = workshop_layout()
    (step,) = compare_layouts([layout, layout]).steps
    assert (len(step.kept), step.redrilled) == (len(layout.buttons), ())
    # The same places under the hands on a panel that slid by 3 mm: nothing that was drilled fits.
    moved = tuple(replace(b, centre_mm=(b.centre_mm[0] - 3.0, b.centre_mm[1])) for b in layout.buttons)
    origin = (layout.panel_origin_mm[0] + 3.0, layout.panel_origin_mm[1])
    (step,) = compare_layouts([layout, replace(layout, buttons=moved, panel_origin_mm=origin)]).steps
    assert all(change.distance_mm < 0.01 for change in step.buttons)
    assert step.panel_move_mm == pytest.approx((3.0, 0.0), abs=0.01)
    assert (step.kept, len(step.redrilled)) == ((), len(layout.buttons))
    # A larger hole in the same place is a new one, too.
    larger = (replace(layout.buttons[0], hole_mm=30.0), *layout.buttons[1:])
    (step,) = compare_layouts([layout, replace(layout, buttons=larger)]).steps
    assert step.redrilled == (layout.buttons[0].label,)
