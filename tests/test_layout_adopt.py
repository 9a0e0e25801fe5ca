"""From an existing panel's drawing to a plan, and back to the same panel on the same hands."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from helpers_layout import workshop_layout
from helpers_rest import contact, posture, source

from handcapture.cli import main
from handcapture.drawings.dxf import layout_dxf
from handcapture.drawings.svg import layout_svg
from handcapture.errors import InputError
from handcapture.layout.adopt import adopt, panel_toml, plan_toml
from handcapture.layout.fit import fit_layout
from handcapture.layout.outline import polygon
from handcapture.layout.plan import load_panel, load_plan, panel_of
from handcapture.layout.source import Drawing, Hole, read_drawing
from handcapture.placement import Placement
from handcapture.rest import Rest, pool
from handcapture.rest_document import write_rest

LAYOUT = workshop_layout()


def rest_of() -> Rest:
    """Hands whose fingers come down on the layout's buttons."""
    origin = LAYOUT.panel_origin_mm
    contacts = tuple(contact(b.side, b.finger, np.add(b.centre_mm, origin)) for b in LAYOUT.buttons)
    return pool([Placement(contacts, (posture("left"), posture("right")), (source(1),))])


def drawing_of(folder: Path, ending: str = ".dxf") -> Path:
    path = folder / f"old{ending}"
    path.write_bytes(layout_dxf(LAYOUT) if ending == ".dxf" else layout_svg(LAYOUT))
    return path


@pytest.mark.parametrize("ending", [".dxf", ".svg"])
def test_an_own_drawing_comes_back_as_the_panel_it_was(tmp_path: Path, ending: str) -> None:
    found = adopt(read_drawing(drawing_of(tmp_path, ending)), rest_of(), "old", pull=1.0)
    assert {(b.side, b.finger) for b in found.plan.buttons} == {(b.side, b.finger) for b in LAYOUT.buttons}
    assert found.panel is not None
    assert (found.panel.width_mm, found.panel.height_mm) == pytest.approx((320.0, 150.0), abs=1e-3)
    assert found.panel.corner_radius_mm == pytest.approx(12.0, abs=0.05)
    files = {"plan.toml": plan_toml(found.plan, ["a note"]), "panel.toml": panel_toml(found.panel)}
    for name, text in files.items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    plan = load_plan(tmp_path / "plan.toml")
    assert plan == found.plan
    panel, _ = load_panel(tmp_path / "panel.toml")
    fitted = fit_layout(rest_of(), plan, replace(panel, edge_mm=5.0, web_mm=4.0))
    places = {(b.side, b.finger): np.add(b.centre_mm, fitted.panel_origin_mm) for b in fitted.buttons}
    for button in LAYOUT.buttons:
        expected = np.add(button.centre_mm, LAYOUT.panel_origin_mm)
        np.testing.assert_allclose(places[button.side, button.finger], expected, atol=2e-3)


def test_labels_of_the_drawing_are_kept_and_others_are_made() -> None:
    holes = [Hole((b.centre_mm[0], b.centre_mm[1]), b.hole_mm, b.label) for b in LAYOUT.buttons]
    holes[3], holes[4] = replace(holes[3], label=None), replace(holes[4], label=holes[5].label)
    plan = adopt(Drawing(tuple(holes), None, ()), rest_of(), "old").plan
    assert len({b.label for b in plan.buttons}) == len(plan.buttons)
    labels = {(b.side, b.finger): b.label for b in plan.buttons}
    assert labels["left", "little"] == LAYOUT.buttons[0].label
    assert labels["left", "index"] == "left index"
    assert labels["left", "thumb"] == "left thumb"


def test_an_outline_that_is_no_rectangle_becomes_the_panel(tmp_path: Path) -> None:
    turns = np.linspace(0, 2 * math.pi, 200, endpoint=False)
    oval = tuple((160 + 160 * math.cos(t), 75 + 75 * math.sin(t), 0.0) for t in turns)
    holes = tuple(Hole((b.centre_mm[0], b.centre_mm[1]), b.hole_mm) for b in LAYOUT.buttons)
    found = adopt(Drawing(holes, oval, ()), rest_of(), "oval")
    assert found.panel is not None
    assert found.panel.width_mm is None
    text = panel_toml(found.panel)
    assert "    [320.0, 75.0],\n" in text
    (tmp_path / "panel.toml").write_text(text, encoding="utf-8")
    panel, _ = load_panel(tmp_path / "panel.toml")
    assert panel == panel_of(found.panel)
    assert polygon(panel).area == pytest.approx(math.pi * 160 * 75, rel=1e-3)


def test_a_hole_out_of_reach_is_left_out_and_told() -> None:
    holes = [Hole((b.centre_mm[0], b.centre_mm[1]), b.hole_mm, b.label) for b in LAYOUT.buttons]
    found = adopt(Drawing((*holes, Hole((160.0, -300.0), 24.0, "Far")), None, ()), rest_of(), "one too far")
    assert len(found.plan.buttons) == len(holes)
    assert found.assignment.unassigned == (len(holes),)
    with pytest.raises(InputError, match="no hole"):
        adopt(Drawing((), None, ()), rest_of(), "nothing")


def test_the_command(tmp_path: Path) -> None:
    rest, plan, panel = tmp_path / "rest.json", tmp_path / "plan.toml", tmp_path / "panel.toml"
    write_rest(rest, rest_of())
    drawing = drawing_of(tmp_path)
    run = CliRunner().invoke(
        main,
        ["adopt", str(drawing), "--rest", str(rest), "--output", str(plan), "--panel", str(panel), "--pull", "0.3"],
    )
    assert run.exit_code == 0, run.output
    assert "10 buttons of 10 holes" in run.output
    assert load_plan(plan).pull == pytest.approx(0.3)
    layout = tmp_path / "layout.json"
    run = CliRunner().invoke(
        main, ["fit", str(rest), "--plan", str(plan), "--panel", str(panel), "--output", str(layout), "--trade-off"]
    )
    assert run.exit_code == 0, run.output
    assert "from each half as it was" in run.output
    free = ["fit", str(rest), "--plan", str(plan), "--panel", str(panel), "--output", str(layout)]
    plan.write_text("\n".join(line for line in plan.read_text().splitlines() if not line.startswith("was_mm")))
    run = CliRunner().invoke(main, [*free, "--trade-off"])
    assert run.exit_code == 2
    assert "adopt" in run.output


@pytest.mark.parametrize(
    ("options", "text"),
    [
        (["--finger", "Nobody", "left", "thumb"], "no hole's label"),
        (["--finger", "99", "left", "thumb"], "no hole's label"),
        (["--layer", "nowhere"], "nowhere"),
    ],
)
def test_the_command_refuses(tmp_path: Path, options: list[str], text: str) -> None:
    rest, plan = tmp_path / "rest.json", tmp_path / "plan.toml"
    write_rest(rest, rest_of())
    plan.write_text("kept")
    run = CliRunner().invoke(
        main, ["adopt", str(drawing_of(tmp_path)), "--rest", str(rest), "--output", str(plan), "--force", *options]
    )
    assert run.exit_code == 2
    assert text in run.output
    assert plan.read_text() == "kept"


@pytest.mark.parametrize("pattern", ["rows", "arcs", "columns"])
def test_patterns_become_plans_that_keep_their_shape(tmp_path: Path, pattern: str) -> None:
    rest, plan = tmp_path / "rest.json", tmp_path / "plan.toml"
    write_rest(rest, rest_of())
    run = CliRunner().invoke(main, ["arrange", str(rest), "--pattern", pattern, "--output", str(plan), "--hole", "20"])
    assert run.exit_code == 0, run.output
    laid = load_plan(plan)
    assert len(laid.buttons) == 18
    panel = replace(LAYOUT.panel, width_mm=500.0, height_mm=400.0, web_mm=0.5, edge_mm=1.0, keep_outs=())
    fitted = fit_layout(rest_of(), laid, panel)
    for side in ("left", "right"):
        mine = [k for k, b in enumerate(laid.buttons) if b.side == side]
        was = np.array([laid.buttons[k].was_mm for k in mine])
        now = np.array([fitted.buttons[k].centre_mm for k in mine])
        apart = np.linalg.norm(was[:, None] - was[None], axis=2)
        if (apart[apart > 0] < 20.5).any():  # columns may stand closer than a web; the fit parts them
            continue
        np.testing.assert_allclose(np.linalg.norm(now[:, None] - now[None], axis=2), apart, atol=1e-3)


@pytest.mark.parametrize(
    ("options", "text"),
    [
        (["--pattern", "arcs", "--angle", "5"], "belong to --pattern rows"),
        (["--pattern", "columns", "--row", "30"], "Leave --row out"),
        (["--pattern", "rows", "--pitch", "10"], "pitch_mm is 10"),
        (["--pattern", "rows", "--rows", "99"], "rows is 99"),
    ],
)
def test_patterns_that_cannot_be_laid(tmp_path: Path, options: list[str], text: str) -> None:
    rest, plan = tmp_path / "rest.json", tmp_path / "plan.toml"
    write_rest(rest, rest_of())
    run = CliRunner().invoke(main, ["arrange", str(rest), "--output", str(plan), *options])
    assert run.exit_code == 2
    assert text in run.output
    assert not plan.exists()


def test_holes_that_no_button_can_have_are_left_out_and_told() -> None:
    holes = tuple(Hole((b.centre_mm[0], b.centre_mm[1]), b.hole_mm, b.label) for b in LAYOUT.buttons)
    screws = (Hole((10.0, 10.0), 4.0), Hole((310.0, 10.0), 4.0))
    found = adopt(Drawing((*screws, *holes), None, ()), rest_of(), "old", {2: ("left", "little")})
    assert len(found.plan.buttons) == len(holes)
    assert any("2 holes are no button's, 4 mm wide" in note for note in found.notes)
    assert any("without an outline" in note for note in found.notes)
    box = ((0.0, 0.0, 0.0), (320.0, 0.0, 0.0), (320.0, 150.0, 0.0), (0.0, 150.0, 0.0))
    kept = adopt(Drawing((*screws, *holes), box, ()), rest_of(), "old", others=(3,))
    assert kept.panel is not None
    assert [(cut.name, cut.centre_mm, cut.diameter_mm) for cut in kept.panel.cuts] == [
        ("hole 1", (10.0, 10.0), 4.0),
        ("hole 2", (310.0, 10.0), 4.0),
        (holes[1].label, holes[1].centre_mm, holes[1].diameter_mm),
    ]
    assert len(kept.plan.buttons) == len(holes) - 1
    with pytest.raises(InputError, match="--finger or --other"):
        adopt(Drawing(holes, box, ()), rest_of(), "old", {0: ("left", "little")}, others=(0,))
    with pytest.raises(InputError, match="No hole is left"):
        adopt(Drawing(holes, box, ()), rest_of(), "old", others=range(len(holes)))
    with pytest.raises(InputError, match="unit"):
        adopt(Drawing(screws, None, ()), rest_of(), "screws")
    with pytest.raises(InputError, match="Hole 1 measures 4 mm"):
        adopt(Drawing((*screws, *holes), None, ()), rest_of(), "old", {0: ("left", "little")})


@pytest.mark.parametrize("backwards", [False, True])
def test_two_holes_of_a_thumb_keep_their_places_in_any_order(backwards: bool) -> None:
    holes = [Hole((b.centre_mm[0], b.centre_mm[1]), b.hole_mm, b.label) for b in LAYOUT.buttons]
    x, y = holes[5].centre_mm
    holes[5] = replace(holes[5], centre_mm=(x - 14.0, y + 3.0))
    holes.append(Hole((x + 14.0, y - 3.0), 24.0, "Second"))
    if backwards:
        holes = holes[::-1]
    fixed = {k: ("right", "thumb") for k, hole in enumerate(holes) if hole.label in ("Drill", "Second")}
    plan = adopt(Drawing(tuple(holes), None, ()), rest_of(), "a" * 100, fixed, pull=0.25).plan  # type: ignore[arg-type]
    panel = replace(LAYOUT.panel, width_mm=420.0, height_mm=260.0, keep_outs=(), web_mm=1.0)
    for button in fit_layout(rest_of(), plan, panel).buttons:
        assert button.moved_mm < 8.0
