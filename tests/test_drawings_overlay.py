"""The overlay: marks are looked for in the picture where the camera says they are."""

from __future__ import annotations

import io
from dataclasses import replace

import cv2
import numpy as np
import pytest
from helpers_layout import workshop_layout
from PIL import Image
from scipy.spatial.transform import Rotation
from scipy.stats import chi2

from handcapture.camera import Camera
from handcapture.drawings.overlay import (
    CHECK_COLOUR,
    CHI_SQUARE_95,
    SIDE_COLOURS,
    Landing,
    draw_overlay,
    region_polygon_mm,
)
from handcapture.errors import InputError
from handcapture.layout.model import Cut
from handcapture.names import FINGERS, SIDES
from handcapture.photo import Photo
from handcapture.placement import Contact, Placement
from handcapture.rest import Fingertip, Rest

GREY = 128


def tilted_camera(size_px, tilt_deg=0.0, k1=0.0):
    """Return a camera whose axis meets the middle of an A3 sheet 450 mm away."""
    rotation = Rotation.from_euler("x", tilt_deg, degrees=True).as_matrix()
    middle_mm = np.array([210.0, 148.0, 0.0])
    return Camera(
        focal_px=0.85 * size_px[0],
        centre_px=(np.array(size_px) - 1) / 2,
        k1=k1,
        rotation=rotation,
        translation_mm=(0.0, 0.0, 450.0) - rotation @ middle_mm,
    )


def grey_photo(size_px=(1600, 1200), level=GREY):
    pixels = np.full((size_px[1], size_px[0], 3), level, dtype=np.uint8)
    return Photo(pixels, "grey.jpg", "0" * 64, None, 0.1, None)


def contact(side, finger, place, covariance=1e-6, hidden=False):
    return Contact(
        side=side,
        finger=finger,
        contact_mm=np.array(place, dtype=float),
        covariance_mm2=np.eye(2) * covariance if np.isscalar(covariance) else np.array(covariance),
        reach=np.array([0.0, -1.0]),
        breadth_mm=14.0,
        hidden=hidden,
    )


def ten_contacts(**more):
    """Invented: the wishes of the workshop layout, moved onto the mat."""
    layout = workshop_layout()
    return tuple(contact(b.side, b.finger, np.add(b.wish_mm, layout.panel_origin_mm), **more) for b in layout.buttons)


def placement(contacts):
    return Placement(contacts=tuple(contacts), hands=(), sources=())


def drawn(photo, camera, measured, layout=None, **more):
    data = draw_overlay(photo, camera, measured, layout, image_format="png", **more)
    return cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)


def on_mat(camera, points_mm):
    points = np.atleast_2d(np.asarray(points_mm, dtype=float))
    return camera.project(np.column_stack([points, np.zeros(len(points))]))


def is_colour(picture, colour, tolerance=40):
    return np.abs(picture.astype(int) - colour).max(axis=-1) < tolerance


@pytest.mark.parametrize("tilt_deg", [0.0, 25.0], ids=["from above", "tilted"])
@pytest.mark.parametrize("long_side_px", [2400, 1000], ids=["full size", "shrunk"])
def test_contacts_are_marked_where_they_project(tilt_deg, long_side_px):
    photo = grey_photo()
    camera = tilted_camera(photo.size_px, tilt_deg)
    contacts = ten_contacts()
    picture = drawn(photo, camera, placement(contacts), long_side_px=long_side_px)
    scale = picture.shape[1] / photo.size_px[0]
    for one in contacts:
        x, y = (on_mat(camera, one.contact_mm)[0] + 0.5) * scale - 0.5
        column, row = round(x), round(y)
        part = picture[row - 6 : row + 7, column - 6 : column + 7]
        rows, columns = np.nonzero(is_colour(part, SIDE_COLOURS[one.side]))
        assert len(rows) >= 4
        assert column - 6 + columns.mean() == pytest.approx(x, abs=1.0)
        assert row - 6 + rows.mean() == pytest.approx(y, abs=1.0)


@pytest.mark.parametrize(
    ("tilt_deg", "k1"), [(0.0, 0.0), (25.0, 0.0), (15.0, 0.15)], ids=["from above", "tilted", "with a lens"]
)
def test_holes_and_outline_lie_in_true_perspective(tilt_deg, k1):
    photo, layout = grey_photo(), workshop_layout(panel_origin_mm=(50.0, 60.0))
    camera = tilted_camera(photo.size_px, tilt_deg, k1)
    picture = drawn(photo, camera, placement(()), layout)
    angles = np.linspace(0, 2 * np.pi, 90, endpoint=False)
    for button in layout.buttons:
        centre = np.add(button.centre_mm, layout.panel_origin_mm)
        circle = np.column_stack([np.cos(angles), np.sin(angles)]) * button.hole_mm / 2
        # The lower part of a hole may carry its label.
        upper = circle[circle[:, 1] < 0]
        line = np.round(on_mat(camera, centre + upper)).astype(int)
        inside = np.round(on_mat(camera, centre + 0.75 * upper)).astype(int)
        assert (picture[line[:, 1], line[:, 0]].min(axis=1) > 200).all()
        assert (picture[inside[:, 1], inside[:, 0]] == GREY).all()
    panel = layout.panel
    edges = [(panel.width_mm / 2, 0), (panel.width_mm / 2, panel.height_mm), (0, 75), (panel.width_mm, 75)]
    for x, y in np.round(on_mat(camera, np.add(edges, layout.panel_origin_mm))).astype(int):
        assert picture[y, x].min() > 200
    # A sharp corner of the rectangle is cut off by its radius.
    x, y = np.round(on_mat(camera, layout.panel_origin_mm)[0]).astype(int)
    assert (picture[y, x] == GREY).all()


def test_scale_bar_is_50_mm_long():
    photo = grey_photo()
    camera = tilted_camera(photo.size_px)
    px_per_mm = camera.focal_px / 450.0
    picture = drawn(photo, camera, placement(ten_contacts()))
    _, _, found, centres = cv2.connectedComponentsWithStats((picture.max(axis=2) < 60).astype(np.uint8))
    block = 10 * px_per_mm
    blocks = [
        centre
        for centre, (_, _, width, height, area) in zip(centres, found, strict=True)
        if abs(width - block) < 4 and height < block / 2 and area > 0.7 * width * height
    ]
    assert len(blocks) == 3, "blocks one, three and five are dark"
    blocks.sort(key=lambda centre: centre[0])
    # The first and the last are 40 mm apart, four fifths of the bar.
    assert (blocks[2][0] - blocks[0][0]) * 1.25 == pytest.approx(50.0 * px_per_mm, abs=1.0)
    assert blocks[0][1] == pytest.approx(blocks[2][1], abs=0.5)


def test_scale_bar_keeps_off_hands_and_holes():
    from handcapture.drawings.overlay import _Canvas, _scale_bar_place

    photo, layout, contacts = grey_photo(), workshop_layout(), ten_contacts()
    canvas = _Canvas(photo.pixels_bgr, tilted_camera(photo.size_px), unit=1.0)
    x, y = _scale_bar_place(contacts, layout, (420.0, 297.0), canvas)
    for along in np.linspace(0, 50, 11):
        point = np.array([x + along, y])
        for button in layout.buttons:
            assert np.linalg.norm(point - np.add(button.centre_mm, layout.panel_origin_mm)) > button.hole_mm / 2
        for one in contacts:
            assert abs(point[0] - one.contact_mm[0]) > 20 or point[1] < one.contact_mm[1]


def test_regions_hold_95_percent():
    """Against scipy's chi-square quantile and by simulation."""
    assert pytest.approx(chi2.ppf(0.95, 2)) == CHI_SQUARE_95
    covariance = np.array([[4.0, 1.8], [1.8, 1.5]])
    polygon = region_polygon_mm(np.array([100.0, 50.0]), covariance, count=360)
    points = np.random.default_rng(7).multivariate_normal((100.0, 50.0), covariance, 20_000)
    border = polygon.astype(np.float32)
    inside = [cv2.pointPolygonTest(border, (float(x), float(y)), False) >= 0 for x, y in points]
    assert np.mean(inside) == pytest.approx(0.95, abs=0.006)


def region_line_share(picture, border, colour):
    columns, rows = np.round(border).astype(int).T
    return is_colour(picture[rows, columns], colour, 60).mean()


@pytest.mark.parametrize(
    ("hidden", "least", "most"),
    [(False, 0.97, 1.0), (True, 0.35, 0.75)],
    ids=["seen: solid", "hidden: dashed"],
)
def test_regions_are_drawn_along_their_border(hidden, least, most):
    photo = grey_photo()
    camera = tilted_camera(photo.size_px, 20.0)
    covariance = [[25.0, 8.0], [8.0, 14.0]]
    one = contact("right", "ring", (210.0, 150.0), covariance, hidden)
    picture = drawn(photo, camera, placement([one]))
    border = on_mat(camera, region_polygon_mm(one.contact_mm, one.covariance_mm2, 300))
    share = region_line_share(picture, border, SIDE_COLOURS["right"])
    assert least <= share <= most
    assert share > region_line_share(picture, border + 12, SIDE_COLOURS["right"]) + 0.3


def test_a_hidden_contact_is_hollow():
    photo = grey_photo()
    camera = tilted_camera(photo.size_px)
    x, y = np.round(on_mat(camera, (210.0, 150.0))[0]).astype(int)
    seen, hidden = (
        drawn(photo, camera, placement([contact("left", "index", (210.0, 150.0), 1e-6, hidden)]))[y, x]
        for hidden in (False, True)
    )
    assert is_colour(seen, SIDE_COLOURS["left"])
    assert not is_colour(hidden, SIDE_COLOURS["left"])


def test_sides_differ_in_shape_as_well_as_colour():
    photo = grey_photo()
    camera = tilted_camera(photo.size_px)
    pictures = [drawn(photo, camera, placement([contact(s, "index", (210.0, 150.0))])) for s in SIDES]
    x, y = np.round(on_mat(camera, (210.0, 150.0))[0]).astype(int)
    changed = [np.abs(p[y - 9 : y + 10, x - 9 : x + 10].astype(int) - GREY).max(axis=2) > 20 for p in pictures]
    assert (changed[0] != changed[1]).mean() > 0.05


def test_colours_are_those_for_colour_blind_eyes():
    # Okabe & Ito 2008, "Color Universal Design": sky blue (86, 180, 233), orange (230, 159, 0); from memory.
    assert SIDE_COLOURS == {"left": (233, 180, 86), "right": (0, 159, 230)}


@pytest.mark.parametrize("level", [15, 250], ids=["dark ground", "light ground"])
def test_lines_stand_out_on_every_ground(level):
    """A white line with a dark edge: one of them differs from the ground."""
    photo, layout = grey_photo(level=level), workshop_layout()
    camera = tilted_camera(photo.size_px)
    picture = drawn(photo, camera, placement(()), layout).astype(int)
    for button in layout.buttons:
        x, y = np.round(on_mat(camera, np.add(button.centre_mm, layout.panel_origin_mm))[0]).astype(int)
        upper = picture[y - 80 : y - 10, x]
        assert np.abs(upper - level).max() > 100


def test_a_rest_is_drawn_like_a_placement():
    contacts = ten_contacts(covariance=2.0)
    tips = tuple(
        Fingertip(c.side, c.finger, c.contact_mm, c.covariance_mm2, np.eye(2), True, c.reach, 14.0, False, 1)
        for c in contacts
    )
    photo = grey_photo((800, 600))
    camera = tilted_camera(photo.size_px)
    rest = Rest(fingertips=tips, hands=(), placements=(placement(contacts),))
    assert draw_overlay(photo, camera, rest) == draw_overlay(photo, camera, placement(contacts))


@pytest.mark.parametrize(
    ("image_format", "name", "start"),
    [("jpeg", "JPEG", b"\xff\xd8"), ("png", "PNG", b"\x89PNG")],
    ids=["jpeg", "png"],
)
def test_output_has_the_size_asked_for_and_no_metadata(image_format, name, start):
    photo = grey_photo()
    before = photo.pixels_bgr.copy()
    camera = tilted_camera(photo.size_px)
    data = draw_overlay(photo, camera, placement(ten_contacts()), image_format=image_format, long_side_px=640)
    assert data.startswith(start)
    picture = Image.open(io.BytesIO(data))
    assert (picture.format, picture.size) == (name, (640, 480))
    assert not picture.getexif()
    assert b"Exif" not in data
    assert (photo.pixels_bgr == before).all(), "the photo itself is not drawn on"


def test_a_small_photo_is_not_enlarged():
    photo = grey_photo((320, 240))
    assert drawn(photo, tilted_camera(photo.size_px), placement(ten_contacts())).shape == (240, 320, 3)


def test_a_photo_without_contacts_and_layout_stays_as_it_is():
    photo = grey_photo((320, 240))
    assert (drawn(photo, tilted_camera(photo.size_px), placement(())) == GREY).all()


def test_what_lies_beyond_the_horizon_is_left_out():
    photo = grey_photo((640, 480))
    camera = tilted_camera(photo.size_px, 60.0)
    contacts = [contact("left", "index", (210.0, 150.0)), contact("right", "index", (210.0, -6000.0), 1e6)]
    picture = drawn(photo, camera, placement(contacts))
    x, y = np.round(on_mat(camera, (210.0, 150.0))[0]).astype(int)
    assert is_colour(picture[y, x], SIDE_COLOURS["left"])


@pytest.mark.parametrize("label", ["", "<&>", "\x00\ud800", "指 ✋ label that is far too long for any hole"])
def test_labels_of_any_kind_are_drawn(label):
    photo, layout = grey_photo((640, 480)), workshop_layout()
    layout = replace(layout, buttons=tuple(replace(button, label=label) for button in layout.buttons))
    assert drawn(photo, tilted_camera(photo.size_px), placement(()), layout).shape == (480, 640, 3)


def test_a_contact_that_is_no_point_is_refused():
    broken = contact("left", "ring", (np.nan, 3.0))
    photo = grey_photo((320, 240))
    with pytest.raises(InputError, match="left ring has no position"):
        draw_overlay(photo, tilted_camera(photo.size_px), placement([broken]))


def test_all_fingers_have_their_name_and_labels_do_not_overlap(monkeypatch):
    """The boxes that the label placement returns for ten fingers above the workshop layout."""
    import handcapture.drawings.overlay as overlay

    kept = []

    def record(wanted, obstacles, gap):
        places = place(wanted, obstacles, gap)
        kept.extend([*places, *obstacles.boxes])
        return places

    place = overlay.place_labels
    monkeypatch.setattr(overlay, "place_labels", record)
    photo = grey_photo()
    drawn(photo, tilted_camera(photo.size_px, 15.0), placement(ten_contacts(covariance=1.0)), workshop_layout())
    assert len(kept) >= len(FINGERS) * len(SIDES)
    for number, a in enumerate(kept[:10]):
        for b in kept[number + 1 :]:
            assert not (a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3])


def landing(move_mm=None):
    """Invented: the finger lands 8 mm right of the hole's centre."""
    centre = np.array([200.0, 150.0])
    covariance = np.diag([4.0, 9.0])
    moved = None if move_mm is None else np.array(move_mm)
    return Landing(24.0, centre, np.add(centre, (8.0, 0.0)), covariance, moved)


@pytest.mark.parametrize("level", [35, 225], ids=["dark ground", "light ground"])
def test_a_move_shows_the_new_hole_and_an_arrow_from_rim_to_rim(level):
    photo = grey_photo(level=level)
    camera = tilted_camera(photo.size_px, 15.0)
    picture = drawn(photo, camera, placement(()), landings=[landing((8.0, 0.0))])
    angles = np.linspace(0, 2 * np.pi, 60, endpoint=False)
    ring = np.column_stack([np.cos(angles), np.sin(angles)]) * 12.0 + (208.0, 150.0)
    line = np.round(on_mat(camera, ring)).astype(int)
    assert is_colour(picture[line[:, 1], line[:, 0]], CHECK_COLOUR, 60).mean() > 0.9
    # Its tip lies on the new rim; halfway back there is its shaft, and nothing beside that.
    tip, shaft, beside = np.round(on_mat(camera, [(219.0, 150.0), (215.5, 150.0), (215.5, 156.0)])).astype(int)
    assert is_colour(picture[tip[1], tip[0]], CHECK_COLOUR, 60)
    assert is_colour(picture[shaft[1], shaft[0]], CHECK_COLOUR, 60)
    assert not is_colour(picture[beside[1], beside[0]], CHECK_COLOUR, 60)


def test_a_hole_that_stays_has_only_its_region_of_landings():
    photo = grey_photo()
    camera = tilted_camera(photo.size_px)
    picture = drawn(photo, camera, placement(()), landings=[landing()])
    ring = np.round(on_mat(camera, [(220.0, 150.0), (208.0, 162.0), (208.0, 138.0)])).astype(int)
    assert not is_colour(picture[ring[:, 1], ring[:, 0]], CHECK_COLOUR, 60).any()
    border = region_polygon_mm(landing().mean_mm, landing().covariance_mm2, 200)
    line = np.round(on_mat(camera, border)).astype(int)
    share = is_colour(picture[line[:, 1], line[:, 0]], CHECK_COLOUR, 60).mean()
    assert 0.35 < share < 0.8, "dashed"
    # 95 % of landings drawn at random are within it.
    draws = np.random.default_rng(2).multivariate_normal(landing().mean_mm, landing().covariance_mm2, 4000)
    off = draws - landing().mean_mm
    inside = np.einsum("ni,ij,nj->n", off, np.linalg.inv(landing().covariance_mm2), off) < CHI_SQUARE_95
    assert inside.mean() == pytest.approx(0.95, abs=0.012)


def test_the_legend_tells_what_a_check_adds():
    from PIL import ImageFont

    from handcapture.drawings.overlay import _legend
    from handcapture.fonts import font_file

    font = ImageFont.truetype(str(font_file()), 20)
    layout = workshop_layout()
    plain = [text for _, text in _legend((), layout, font)[1]]
    stays = [text for _, text in _legend((), layout, font, [landing()])[1]]
    moves = [text for _, text in _legend((), layout, font, [landing((3.0, 0.0))])[1]]
    assert plain == ["hole to be cut"]
    assert stays == ["hole as printed", "95 of 100 landings"]
    assert moves == [*stays, "where the hole should move"]


def test_outlines_with_arcs_and_cuts_lie_in_true_perspective():
    """A panel with a half-round right side of 75 mm radius, a round cut and one with rounded corners."""
    plain = workshop_layout(panel_origin_mm=(60.0, 60.0))
    outline = ((0.0, 0.0, 0.0), (200.0, 0.0, 1.0), (200.0, 150.0, 0.0), (0.0, 150.0, 0.0))
    cuts = (
        Cut("gland", "circle", (160.0, 75.0), 20.0),
        Cut("window", "rectangle", (80.0, 110.0), 0, (40.0, 20.0), 5.0),
    )
    panel = replace(plain.panel, outline=outline, width_mm=275.0, corner_radius_mm=0.0, keep_outs=(), cuts=cuts)
    photo = grey_photo()
    camera = tilted_camera(photo.size_px, 20.0)
    picture = drawn(photo, camera, placement(()), replace(plain, panel=panel, buttons=()))
    angles = np.linspace(-np.pi / 2, np.pi / 2, 40)
    arc = np.column_stack([200.0 + 75.0 * np.cos(angles), 75.0 + 75.0 * np.sin(angles)])
    turn = np.linspace(0, 2 * np.pi, 40, endpoint=False)
    circle = np.column_stack([160.0 + 10.0 * np.cos(turn), 75.0 + 10.0 * np.sin(turn)])
    corner = np.array(
        [(100.0 - 5.0 + 5.0 * np.sqrt(0.5), 120.0 - 5.0 + 5.0 * np.sqrt(0.5)), (80.0, 100.0), (60.0, 110.0)]
    )
    for points in (arc, circle, corner):
        line = np.round(on_mat(camera, np.add(points, 60.0))).astype(int)
        assert (picture[line[:, 1], line[:, 0]].min(axis=1) > 170).all()
    x, y = np.round(on_mat(camera, (160.0, 180.0))[0]).astype(int)
    assert (picture[y, x] == GREY).all(), "the window's sharp corner is cut off"
