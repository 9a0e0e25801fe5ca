"""Panels with an outline of their own, cuts, side features and parts: read back from DXF and SVG."""

from __future__ import annotations

import io
import math
from dataclasses import replace
from xml.etree import ElementTree

import ezdxf
import numpy as np
import pytest
from helpers_layout import workshop_layout
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from svgelements import SVG, Arc, Circle, Path

from handcapture.drawings.contours import length_mm
from handcapture.drawings.dxf import layout_dxf
from handcapture.drawings.svg import layout_svg
from handcapture.errors import InputError
from handcapture.layout.model import Cut, KeepOut, Layout, Part, SideFeature
from handcapture.layout.outline import QUARTER_BULGE, as_outline, polyline, vertices_of

SVG_NAME = "{http://www.w3.org/2000/svg}"
Q = QUARTER_BULGE
# Invented: a desk whose back steps in round a lamp and whose front is hollowed by an arc.
CORNERS = (
    (0.0, 12.0, Q),
    (12.0, 0.0),
    (120.0, 0.0),
    (126.0, 10.0),
    (194.0, 10.0),
    (200.0, 0.0),
    (308.0, 0.0, Q),
    (320.0, 12.0),
    (320.0, 138.0, Q),
    (308.0, 150.0),
    (230.0, 150.0, -0.12),
    (90.0, 150.0),
    (12.0, 150.0, Q),
    (0.0, 138.0),
)


def outlined_layout() -> Layout:
    """Return the workshop's layout on a panel with everything that a panel can have; every figure is invented."""
    layout = workshop_layout()
    panel = replace(
        layout.panel,
        **as_outline(CORNERS),
        keep_outs=(
            KeepOut("cable gland", "circle", (160.0, 32.0), diameter_mm=20.0, clearance_mm=2.0),
            KeepOut("name plate", "rectangle", (55.0, 120.0), size_mm=(60.0, 16.0), face="above"),
            KeepOut("relay", "rectangle", (250.0, 110.0), size_mm=(40.0, 24.0), face="below", headroom_mm=9.5),
        ),
        cuts=(
            Cut("M4", "circle", (10.0, 10.0), diameter_mm=4.3),
            Cut("M4", "circle", (310.0, 10.0), diameter_mm=4.3),
            Cut("window", "rectangle", (160.0, 66.0), size_mm=(36.0, 14.0), corner_radius_mm=3.0),
        ),
        side_features=(
            SideFeature("socket", "back", 270.0, 14.0, 16.0, 2.0, 4.0),
            SideFeature("switch", "left", 90.0, 20.0, 12.0),
        ),
    )
    small = Part("momentary 24", 24.0, 28.0, 22.0, 38.0, 27.0)
    large = Part("momentary 30", 30.0, 34.0, 28.0, 40.0)
    buttons = tuple(replace(b, part=large if b.hole_mm == 30.0 else small) for b in layout.buttons)
    return replace(layout, panel=panel, buttons=buttons, revision="C")


def dxf_of(layout, **more):
    document = ezdxf.read(
        io.StringIO(layout_dxf(layout, **more).decode("utf-8" if more.get("version") != "R12" else "cp1252"))
    )
    auditor = document.audit()
    assert not auditor.has_errors, auditor.errors
    assert not auditor.has_fixes, auditor.fixes
    return document


def bulges(entity) -> np.ndarray:
    """Return x, y, bulge of an LWPOLYLINE or a POLYLINE."""
    assert entity.closed if entity.dxftype() == "LWPOLYLINE" else entity.is_closed
    if entity.dxftype() == "LWPOLYLINE":
        return np.array(list(entity.get_points("xyb")))
    return np.array([(*v.dxf.location.vec2, v.dxf.get("bulge", 0.0)) for v in entity.vertices])


def data_of(entity) -> dict[str, str]:
    return dict(tag.value.split("=", 1) for tag in entity.get_xdata("HANDCAPTURE"))


def kind_of(entity) -> str | None:
    return data_of(entity)["kind"] if entity.has_xdata("HANDCAPTURE") else None


def of_kind(document, kind):
    return [entity for entity in document.modelspace() if kind_of(entity) == kind]


def upright(contour, height) -> np.ndarray:
    """Return a contour's corners in the frame of the DXF."""
    points = polyline(contour)
    return np.column_stack([points[:, 0], height - points[:, 1]])


def chords(points) -> np.ndarray:
    return polyline([tuple(point) for point in points.tolist()])


def assert_same_line(found, wanted, within=1e-3):
    """Each line's vertices lie on the other line, by shapely."""
    import shapely

    lines = shapely.LinearRing(found), shapely.LinearRing(wanted)
    assert shapely.hausdorff_distance(*lines) < within


@pytest.mark.parametrize("version", ["R2010", "R12"])
def test_dxf_holds_outline_holes_and_cuts_on_layer_cut_and_nothing_else(version):
    layout = outlined_layout()
    document = dxf_of(layout, version=version)
    # DXF reference: AC1009 = R12, AC1024 = R2010.
    assert document.dxfversion == {"R2010": "AC1024", "R12": "AC1009"}[version]
    cut = list(document.modelspace().query('*[layer=="CUT"]'))
    line = "LWPOLYLINE" if version == "R2010" else "POLYLINE"
    assert sorted(entity.dxftype() for entity in cut) == sorted(["CIRCLE"] * 12 + [line] * 2)
    assert sorted(kind_of(entity) for entity in cut) == sorted(["outline"] + ["button"] * 10 + ["cut"] * 3)
    types = {entity.dxftype() for entity in document.modelspace()}
    assert types == {"CIRCLE", line, "LINE", "TEXT"}


@pytest.mark.parametrize("version", ["R2010", "R12"])
def test_dxf_geometry_within_a_micrometre(version):
    layout = outlined_layout()
    height = layout.panel.height_mm
    document = dxf_of(layout, version=version)
    (outline,) = of_kind(document, "outline")
    points = bulges(outline)
    assert_same_line(chords(points), upright(layout.panel.outline, height))
    # Arcs stay arcs: as many, and of the same radii.
    assert (points[:, 2] != 0).sum() == 5
    assert np.isclose(np.abs(points[:, 2]), QUARTER_BULGE, atol=1e-6).sum() == 4
    assert np.isclose(points[:, 2], -0.12, atol=1e-6).sum() == 1, "the front turns the other way"
    for button, circle in zip(layout.buttons, of_kind(document, "button"), strict=True):
        assert tuple(circle.dxf.center.vec2) == pytest.approx(
            (button.centre_mm[0], height - button.centre_mm[1]), abs=1e-3
        )
        assert 2 * circle.dxf.radius == pytest.approx(button.hole_mm, abs=1e-3)
    first, second, window = of_kind(document, "cut")
    assert tuple(second.dxf.center.vec2) == pytest.approx((310.0, 140.0), abs=1e-3)
    assert 2 * first.dxf.radius == pytest.approx(4.3, abs=1e-3)
    corners = bulges(window)
    assert len(corners) == 8
    assert (corners[:, 0].min(), corners[:, 0].max()) == pytest.approx((142.0, 178.0), abs=1e-3)
    assert (corners[:, 1].min(), corners[:, 1].max()) == pytest.approx((77.0, 91.0), abs=1e-3)


@pytest.mark.parametrize("version", ["R2010", "R12"])
def test_dxf_says_what_its_entities_are(version):
    layout = outlined_layout()
    document = dxf_of(layout, version=version)
    assert data_of(of_kind(document, "outline")[0]) == {
        "kind": "outline",
        "thickness_mm": "3",
        "material": "plywood",
        "edge_mm": "10",
        "web_mm": "5",
    }
    for button, circle in zip(layout.buttons, of_kind(document, "button"), strict=True):
        wanted = {"kind": "button", "label": button.label, "side": button.side}
        assert data_of(circle) == wanted | {"finger": button.finger, "row": button.row}
    assert [data_of(entity)["name"] for entity in of_kind(document, "cut")] == ["M4", "M4", "window"]
    gland, plate, relay = of_kind(document, "keep-out")
    assert [entity.dxf.layer for entity in (gland, plate, relay)] == ["KEEP_OUT", "KEEP_OUT_ABOVE", "KEEP_OUT_BELOW"]
    assert data_of(gland) == {"kind": "keep-out", "name": "cable gland", "face": "both", "clearance_mm": "2"}
    assert data_of(plate)["face"] == "above"
    assert data_of(relay)["headroom_mm"] == "9.5"


def test_dxf_shows_rims_and_bodies_on_their_own_layer():
    circles = list(dxf_of(outlined_layout()).modelspace().query('*[layer=="PARTS"]'))
    solid = sorted(2 * c.dxf.radius for c in circles if c.dxf.linetype == "BYLAYER")
    dashed = sorted(2 * c.dxf.radius for c in circles if c.dxf.linetype == "HIDDEN")
    assert solid == pytest.approx([28.0] * 8 + [34.0] * 2)
    assert dashed == pytest.approx(sorted([22.0] * 8 + [27.0] * 8 + [28.0] * 2))
    assert not list(dxf_of(workshop_layout()).modelspace().query('*[layer=="PARTS"]')), "where nothing is known"


def test_side_features_are_dashed_at_their_edge_with_their_names():
    space = dxf_of(outlined_layout()).modelspace()
    boxes = [bulges(entity) for entity in space.query('LWPOLYLINE[layer=="REFERENCE"]')]
    spans = sorted((*box[:, :2].min(axis=0), *box[:, :2].max(axis=0)) for box in boxes)
    assert spans == [pytest.approx((0.0, 50.0, 12.0, 70.0)), pytest.approx((263.0, 134.0, 277.0, 150.0))]
    assert {entity.dxf.linetype for entity in space.query('LWPOLYLINE[layer=="REFERENCE"]')} == {"HIDDEN"}
    texts = {text.plain_text() for text in space.query("TEXT")}
    assert {"socket (back wall, below)", "switch (left wall, below)"} <= texts


def test_r12_writes_signs_that_its_faces_have():
    texts = [text.dxf.text for text in dxf_of(outlined_layout(), version="R12").modelspace().query("TEXT")]
    assert all(text.isascii() for text in texts)
    assert "Stop %%c24" in texts


def test_revision_and_day_stand_on_dxf_and_svg():
    layout = outlined_layout()
    texts = [text.plain_text() for text in dxf_of(layout).modelspace().query("TEXT")]
    assert any(text.startswith("Revision C, 2031-03-04.") for text in texts)
    assert "Revision C, 2031-03-04." in layout_svg(layout).decode()
    undated = layout_svg(replace(layout, created=None)).decode()
    assert "Revision C. Seen" in undated


def test_svg_geometry_within_a_micrometre():
    layout = outlined_layout()
    left, top, _, _ = map(float, ElementTree.fromstring(layout_svg(layout)).attrib["viewBox"].split())
    # At 25.4 pixels per inch one pixel of the reader is one millimetre.
    drawing = SVG.parse(io.BytesIO(layout_svg(layout)), ppi=25.4, reify=True)
    elements = {kind: [] for kind in ("outline", "button", "cut", "keep-out")}
    for element in drawing.elements(lambda e: isinstance(e, Path | Circle)):
        if element.values.get("data-kind") in elements:
            elements[element.values["data-kind"]].append(element)
    (outline,) = elements["outline"]
    arcs = [segment for segment in outline if isinstance(segment, Arc)]
    front = 140.0 * (1 + 0.12**2) / (4 * 0.12)
    assert sorted(round(arc.rx, 2) for arc in arcs) == sorted([12.0] * 4 + [round(front, 2)])
    places = np.array(
        [(p.x + left, p.y + top) for p in (outline.point(s) for s in np.linspace(0, 1, 400, endpoint=False))]
    )
    import shapely

    line = shapely.LinearRing(polyline(layout.panel.outline, 1e-5))
    assert shapely.distance(shapely.points(places), line).max() < 1e-3
    assert outline.length() == pytest.approx(length_mm(layout.panel.outline), abs=0.01)
    for button, circle in zip(layout.buttons, elements["button"], strict=True):
        assert (circle.cx + left, circle.cy + top) == pytest.approx(button.centre_mm, abs=1e-3)
        assert 2 * circle.rx == pytest.approx(button.hole_mm, abs=1e-3)
    box = elements["cut"][2].bbox(with_stroke=False)
    assert (box[0] + left, box[1] + top, box[2] + left, box[3] + top) == pytest.approx((142, 59, 178, 73), abs=1e-3)


def test_svg_says_what_its_elements_are_in_named_groups():
    layout = outlined_layout()
    root = ElementTree.fromstring(layout_svg(layout))
    groups = {group.get("id"): group for group in root.findall(f"{SVG_NAME}g")}
    assert set(groups) == {"cut", "keep-out", "reference"}
    kinds = [child.get("data-kind") for child in groups["cut"]]
    assert kinds == ["outline"] + ["button"] * 10 + ["cut"] * 3
    button = groups["cut"][1]
    told = {name: button.get(f"data-{name}") for name in ("label", "side", "finger", "row")}
    assert told == {"label": "Stop", "side": "left", "finger": "little", "row": "near"}
    assert [child.get("data-name") for child in groups["cut"] if child.get("data-kind") == "cut"] == [
        "M4",
        "M4",
        "window",
    ]
    relay = groups["keep-out"][2]
    told = {name: relay.get(f"data-{name}") for name in ("kind", "name", "face", "clearance-mm", "headroom-mm")}
    assert told == {"kind": "keep-out", "name": "relay", "face": "below", "clearance-mm": "0", "headroom-mm": "9.5"}
    rims = [child for child in groups["reference"] if child.get("class") == "rim"]
    assert sorted(float(rim.get("r")) for rim in rims) == [14.0] * 8 + [17.0] * 2
    bodies = [child for child in groups["reference"] if child.get("class") == "body"]
    assert all(child.get("stroke-dasharray") for child in bodies)


@st.composite
def outlines(draw):
    """Random closed lines round a middle, with arcs either way; every figure is invented."""
    count = draw(st.integers(3, 9))
    corners = []
    for k in range(count):
        radius = draw(st.floats(70.0, 160.0))
        angle = 2 * math.pi * (k + draw(st.floats(-0.3, 0.3))) / count
        bulge = draw(st.sampled_from([0.0, 0.0, 0.1, 0.4, 1.0, -0.1, -0.3]))
        corners.append((radius * math.cos(angle), radius * math.sin(angle), bulge))
    try:
        return as_outline(corners)
    except InputError:
        assume(False)


@settings(max_examples=25, deadline=None)
@given(fields=outlines(), version=st.sampled_from(["R2010", "R12"]))
def test_any_outline_comes_back_from_dxf_and_svg(fields, version):
    layout = workshop_layout()
    panel = replace(layout.panel, keep_outs=(), **fields)
    layout = replace(layout, panel=panel, buttons=layout.buttons[:1])
    (outline,) = of_kind(dxf_of(layout, version=version), "outline")
    points = bulges(outline)
    assert (points[:, 2] != 0).sum() == sum(bulge != 0 for *_, bulge in vertices_of(panel))
    assert_same_line(chords(points), upright(vertices_of(panel), panel.height_mm), 2e-3)
    left, top, _, _ = map(float, ElementTree.fromstring(layout_svg(layout)).attrib["viewBox"].split())
    drawing = SVG.parse(io.BytesIO(layout_svg(layout)), ppi=25.4, reify=True)
    (found,) = [e for e in drawing.elements(lambda e: isinstance(e, Path)) if e.values.get("class") == "outline"]
    import shapely

    line = shapely.LinearRing(polyline(vertices_of(panel), 1e-5))
    for segment in found:
        if segment.start is None or segment.end is None or segment.length() < 1e-6:
            continue
        places = [segment.point(share) for share in np.linspace(0, 1, 20)]
        off = shapely.distance(shapely.points([(p.x + left, p.y + top) for p in places]), line)
        assert off.max() < 1e-3


@settings(max_examples=10, deadline=None)
@given(st.text(st.characters(exclude_categories=[]), max_size=300))
def test_no_name_breaks_the_data_of_a_file(name):
    layout = outlined_layout()
    panel = replace(layout.panel, cuts=tuple(replace(cut, name=name) for cut in layout.panel.cuts), material=name)
    layout = replace(
        layout, panel=panel, buttons=tuple(replace(b, label=name) for b in layout.buttons), revision=name[:8] or "A"
    )
    assert len(of_kind(dxf_of(layout), "button")) == 10
    assert len(of_kind(dxf_of(layout, version="R12"), "cut")) == 3
    ElementTree.fromstring(layout_svg(layout))


@pytest.mark.parametrize(
    ("change", "complaint"),
    [
        ({"outline": ((0.0, 0.0, 0.0), (320.0, 150.0, 0.0), (320.0, 0.0, 0.0), (0.0, 150.0, 0.0))}, "crosses itself"),
        (
            {"outline": ((0.0, 0.0, 0.0), (100.0, 0.0, 0.0), (0.0, 150.0, 0.0))},
            "spans 100 × 150 mm, but the panel says",
        ),
        ({"cuts": (Cut("vent", "circle", (50.0, 50.0)),)}, "cut 'vent' has a size"),
        ({"cuts": (Cut("vent", "rectangle", (50.0, 50.0), 0.0, (9.0, 9.0), 5.0),)}, "cut 'vent' has a size"),
        ({"side_features": (SideFeature("socket", "back", math.nan, 5.0, 5.0),)}, "side feature 'socket'"),
    ],
    ids=["crossing", "other size", "no diameter", "corners too round", "no place"],
)
def test_what_cannot_be_drawn_is_refused(change, complaint):
    layout = workshop_layout()
    with pytest.raises(InputError, match=complaint):
        layout_dxf(replace(layout, panel=replace(layout.panel, **change)))
