"""A template under the hands: offsets planted on simulated sightings are found, whatever the print and the taping."""

from __future__ import annotations

from dataclasses import replace
from typing import cast

import numpy as np
import pytest
from helpers_layout import workshop_layout
from helpers_rest import contact, posture, source
from helpers_sighting import camera_over, photo_from, picture_of
from numpy.typing import NDArray

from handcapture.capture import Capture
from handcapture.check import TemplateView, _verdict, check_template, on_template
from handcapture.check_document import check_document
from handcapture.documents import dump_json
from handcapture.drawings.template import template_origin
from handcapture.errors import InputError
from handcapture.layout.model import Layout, Part
from handcapture.mat.geometry import MATS
from handcapture.mat.print_scale import PrintScale, place
from handcapture.mat.sighting import sight
from handcapture.mat.surface import PaperSurface
from handcapture.placement import Placement
from handcapture.quality import PhotoQuality

FloatArray = NDArray[np.float64]
GOOD = PhotoQuality((), "good", "good", ())
SKEWED = [(0.0, 0.0, 0.0), (211.5, 0.8, 0.6)]


def capture_on(
    layout: Layout,
    mat_name: str = "a3",
    scale: PrintScale | None = None,
    poses: list[tuple[float, float, float]] | None = None,
    offsets_mm: dict[str, tuple[float, float]] | None = None,
    number: int = 0,
    noise_mm: float = 0.0,
    sd_mm: float = 0.4,
) -> Capture:
    """A capture of hands that land on every near button of the printed template, or off it by `offsets_mm`."""
    mat = MATS[mat_name]
    camera = camera_over(middle_mm=(mat.size_mm[0] / 2, mat.size_mm[1] / 2))
    picture = picture_of(mat_name, camera, poses=poses, scale=scale)
    known = PrintScale(scale.x, scale.y, 0.0005, "ruler") if scale else None
    sighting = sight(photo_from(picture), print_scale=known)
    origin = np.array(template_origin(layout, mat))
    rng = np.random.default_rng(number)
    contacts = []
    for button in layout.buttons:
        if button.row == "far":
            continue
        nominal = origin + button.centre_mm + np.array((offsets_mm or {}).get(button.label, (0.0, 0.0)))
        nominal = nominal + rng.normal(0, noise_mm, 2) if noise_mm else nominal
        k = int(len(mat.sheets) > 1 and nominal[0] > mat.sheets[0].width_mm)
        x, y, turn = (poses or [(0.0, 0.0, 0.0), (mat.sheets[0].width_mm, 0.0, 0.0)])[k]
        on_sheet = nominal - mat.nominal_offsets_mm[k]
        true = place(on_sheet[None], np.array([x, y, np.radians(turn)]), scale or PrintScale())[0]
        # As measured: the print's scale is in the covariance, and in what all photos share.
        unsure = sighting.scale_covariance(true[None])[0]
        measured = contact(button.side, button.finger, true, np.eye(2) * sd_mm**2 + unsure)
        contacts.append(replace(measured, shared_mm2=unsure))
    placement = Placement(tuple(contacts), (posture("left"), posture("right")), (source(number),))
    return Capture(sighting, placement, GOOD)


@pytest.mark.parametrize(
    ("mat_name", "scale", "poses"),
    [
        ("a3", None, None),
        ("a3", PrintScale(0.97, 0.97), None),
        ("a3", PrintScale(1.0, 0.995), None),
        ("a4-pair", None, SKEWED),
    ],
    ids=["true size", "97 %", "one axis short", "pages taped askew"],
)
def test_planted_offsets_are_found(
    mat_name: str, scale: PrintScale | None, poses: list[tuple[float, float, float]] | None
) -> None:
    layout = workshop_layout()
    label = next(b.label for b in layout.buttons if b.row == "near")
    planted = {label: (4.0, -3.0)}
    shots = [capture_on(layout, mat_name, scale, poses, planted, k, 0.2) for k in range(4)]
    found = {entry.button.label: entry for entry in check_template(layout, shots).buttons}
    for button in layout.buttons:
        if found[button.label].offset_mm is None:
            continue
        np.testing.assert_allclose(found[button.label].offset_mm, planted.get(button.label, (0.0, 0.0)), atol=0.45)
    assert found[label].distance_mm == pytest.approx(5.0, abs=0.45)


def test_a_button_moves_only_when_its_finger_surely_lands_elsewhere() -> None:
    layout = workshop_layout()
    label = next(b.label for b in layout.buttons if b.row == "near")
    many = [capture_on(layout, offsets_mm={label: (6.0, 0.0)}, number=k, noise_mm=0.3) for k in range(6)]
    found = {entry.button.label: entry for entry in check_template(layout, many).buttons}
    assert found[label].verdict == "move"
    np.testing.assert_allclose(found[label].move_mm, (6.0, 0.0), atol=0.5)
    others = [e for e in found.values() if e.button.label != label and e.offset_mm is not None]
    assert {e.verdict for e in others} == {"fits"}
    # One placement may be any of those that the hand makes: the same offset proves nothing.
    alone = {e.button.label: e for e in check_template(layout, many[:1]).buttons}
    assert alone[label].verdict == "cannot tell"
    assert alone[label].move_mm is None
    # Nor does an offset that one does not care for move anything.
    careless = {e.button.label: e for e in check_template(layout, many, cared_for_mm=8.0).buttons}
    assert careless[label].verdict == "fits"


def test_the_share_on_the_plunger_is_that_of_the_part_where_it_is_known() -> None:
    """Numbers of landing_probability checked in test_landing; here, which diameter is asked for."""
    layout = workshop_layout()
    label = next(b.label for b in layout.buttons if b.row == "near")
    shares = {}
    for plunger in (0.0, 21.0, 12.0):
        part = Part("round", 24.0, plunger_mm=plunger)
        with_part = replace(layout, buttons=tuple(replace(b, part=part) for b in layout.buttons))
        found = check_template(with_part, [capture_on(layout)])
        shares[plunger] = next(e.within for e in found.buttons if e.button.label == label)
    assert shares[0.0] == pytest.approx(shares[21.0])  # 24 mm less the usual 3 mm
    assert shares[12.0] is not None
    assert shares[21.0] is not None
    assert shares[12.0] < shares[21.0] - 0.1


def test_the_share_on_the_plunger_falls_with_the_offset() -> None:
    layout = workshop_layout()
    label = next(b.label for b in layout.buttons if b.row == "near")
    shares = []
    for offset in (0.0, 5.0, 10.0, 20.0):
        shot = capture_on(layout, offsets_mm={label: (offset, 0.0)})
        shares.append(next(e.within for e in check_template(layout, [shot]).buttons if e.button.label == label))
    assert shares[0] is not None
    assert shares[0] > 0.8
    assert shares == sorted(shares, key=lambda share: -(share or 0.0))


def test_far_rows_are_not_rested_on_and_a_print_off_its_size_is_told() -> None:
    layout = workshop_layout()
    far = replace(layout.buttons[2], label="Vise far", row="far", centre_mm=(92.0, 110.0))
    layout = replace(layout, buttons=(*layout.buttons, far))
    found = check_template(layout, [capture_on(layout, scale=PrintScale(0.97, 0.97))])
    assert any("97.0 %" in note for note in found.notes)
    for entry in found.buttons:
        assert (entry.verdict == "not rested on") == (entry.button.row == "far")
    dump_json(check_document(found))  # plain numbers, none of them not finite


def test_the_view_of_the_template_projects_through_the_sheets() -> None:
    layout = workshop_layout()
    shot = capture_on(layout, "a4-pair", poses=SKEWED)
    drawn = on_template(shot)
    on_mat = np.array([c.contact_mm for c in shot.placement.contacts])
    nominal = np.array([c.contact_mm for c in drawn.contacts])
    flat = np.zeros((len(on_mat), 1))
    np.testing.assert_allclose(
        TemplateView(shot.sighting).project(np.hstack([nominal, flat])),
        shot.sighting.camera.project(np.hstack([on_mat, flat])),
        atol=1e-6,
    )


def test_on_bent_paper_points_are_projected_from_its_height() -> None:
    shot = capture_on(workshop_layout())

    class Raised:
        def height_mm(self, points_mm: FloatArray) -> FloatArray:
            return np.asarray(0.02 * points_mm[:, 0])

    bent = replace(shot.sighting, surface=cast(PaperSurface, Raised()))
    points = np.array([[100.0, 100.0, 0.0], [300.0, 150.0, 5.0]])
    raised = np.add(points, [[0.0, 0.0, 2.0], [0.0, 0.0, 6.0]])
    np.testing.assert_allclose(
        TemplateView(bent).project(points), TemplateView(shot.sighting).project(raised), atol=0.02
    )


def test_what_surely_lands_on_its_plunger_fits_though_the_offset_is_hardly_known() -> None:
    wide, limit = np.eye(2) * 7.0, float(-2 * np.log(0.05 / 10))
    assert _verdict(np.array([1.5, 0.0]), wide, 2.0, limit, within=0.95) == "fits"
    assert _verdict(np.array([1.5, 0.0]), wide, 2.0, limit, within=0.8) == "cannot tell"
    # Off by more than one cares for, it stays open, and what is surely off moves however often it lands.
    assert _verdict(np.array([4.0, 0.0]), wide, 2.0, limit, within=0.95) == "cannot tell"
    assert _verdict(np.array([4.0, 0.0]), np.eye(2) * 0.3, 2.0, limit, within=0.95) == "move"


def test_refusals() -> None:
    layout = workshop_layout()
    with pytest.raises(InputError, match="No photo"):
        check_template(layout, [])
    shot = capture_on(layout)
    with pytest.raises(InputError, match="0 to 50 mm"):
        check_template(layout, [shot], cared_for_mm=-1.0)
    with pytest.raises(InputError, match="same photo"):
        check_template(layout, [shot, shot])
    wide = replace(
        layout, buttons=tuple(replace(b, centre_mm=(b.centre_mm[0] * 3, b.centre_mm[1])) for b in layout.buttons)
    )
    with pytest.raises(InputError):
        check_template(wide, [shot])


def test_the_scale_of_the_print_does_not_come_between_finger_and_hole() -> None:
    layout = workshop_layout()
    drawn = on_template(capture_on(layout))
    for known in drawn.contacts:
        np.testing.assert_allclose(known.covariance_mm2, np.eye(2) * 0.16, atol=1e-3)
        np.testing.assert_allclose(known.shared_mm2, 0.0, atol=1e-3)


def test_hands_that_land_on_every_button_move_none_in_most_checks() -> None:
    """Simulation of the verdict alone: ten buttons, offsets of nothing but chance."""
    rng = np.random.default_rng(1)
    limit = float(-2 * np.log(0.05 / 10))
    moved = sum(
        any(_verdict(rng.normal(0, 1.2, 2), np.eye(2) * 1.44, 2.0, limit) == "move" for _ in range(10))
        for _ in range(400)
    )
    assert moved / 400 < 0.09
