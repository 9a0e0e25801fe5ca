"""Checks written and read back: pooled with later ones of the same template, and carried into the plan."""

from __future__ import annotations

import json
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from helpers_layout import workshop_layout
from hypothesis import given, settings
from hypothesis import strategies as st
from test_check import capture_on

from handcapture.check import ButtonCheck, TemplateCheck, check_template
from handcapture.check_document import check_document, earlier_placements, updated_plan
from handcapture.documents import dump_json
from handcapture.errors import DocumentError, InputError
from handcapture.layout.model import Layout
from handcapture.layout.plan import Plan

PLAN = """\
# Mara's bench, invented
name = "Mara's bench"

[[buttons]]
label = "Stop"      # the red one
side = "left"
finger = "little"
offset_mm = [1, -2]   # she reaches out

[[buttons]]
label = "Drill"
side = "right"
finger = "thumb"

[[buttons]]
label = "Hush"
side = "right"
finger = "little"
at_mm = [292.5, 64.25]

[[align]]
buttons = ["Drill", "Hush"]
"""


@pytest.fixture(scope="module")
def layout() -> Layout:
    return workshop_layout()


def written(path: Path, check: TemplateCheck) -> Path:
    path.write_bytes(dump_json(check_document(check)))
    return path


def test_an_earlier_check_pools_as_if_its_photos_had_come_along(layout: Layout, tmp_path: Path) -> None:
    offsets = {"Stop": (5.0, 1.0)}
    shots = [capture_on(layout, offsets_mm=offsets, number=k, noise_mm=0.4) for k in range(4)]
    together = check_template(layout, shots)
    earlier = written(tmp_path / "earlier.json", check_template(layout, shots[:3]))
    pooled = check_template(layout, shots[3:], earlier=earlier_placements(earlier, layout, "a3"))
    assert (pooled.placements, pooled.earlier) == (4, 3)
    for one, other in zip(together.buttons, pooled.buttons, strict=True):
        assert one.verdict == other.verdict
        # The document rounds to a micrometre.
        np.testing.assert_allclose(one.offset_mm, other.offset_mm, atol=1e-4)
        np.testing.assert_allclose(one.covariance_mm2, other.covariance_mm2, atol=1e-4)
    again = written(tmp_path / "again.json", pooled)
    assert len(earlier_placements(again, layout, "a3")) == 4


def test_the_same_photo_counts_once(layout: Layout, tmp_path: Path) -> None:
    shot = capture_on(layout, number=7)
    earlier = written(tmp_path / "earlier.json", check_template(layout, [shot]))
    with pytest.raises(InputError, match="is the same photo as"):
        check_template(layout, [shot], earlier=earlier_placements(earlier, layout, "a3"))


def test_checks_of_other_holes_or_mats_are_refused(layout: Layout, tmp_path: Path) -> None:
    earlier = written(tmp_path / "earlier.json", check_template(layout, [capture_on(layout)]))
    moved = replace(layout.buttons[5], centre_mm=(layout.buttons[5].centre_mm[0] + 1.0, layout.buttons[5].centre_mm[1]))
    revised = replace(layout, revision="B", buttons=(*layout.buttons[:5], moved, *layout.buttons[6:]))
    with pytest.raises(InputError, match=r"has other holes than Mara's bench, revision B \(Drill\)"):
        earlier_placements(earlier, revised, "a3")
    with pytest.raises(InputError, match=r"other holes .* \(Hush\)"):
        earlier_placements(earlier, replace(layout, buttons=layout.buttons[:-1]), "a3")
    with pytest.raises(InputError, match="is a check on the a3 mat, but the photos show the tabloid mat"):
        earlier_placements(earlier, layout, "tabloid")
    # A label or a finger may change: the holes are where they were, but the finger then aims elsewhere.
    same = replace(layout, revision="B", findings=())
    assert len(earlier_placements(earlier, same, "a3")) == 1


def test_what_older_programs_wrote_is_read_and_said_to_lack_placements(layout: Layout, tmp_path: Path) -> None:
    document = check_document(check_template(layout, [capture_on(layout)]))
    for name in ("placement_records", "mat", "revision", "earlier_placements", "program"):
        del document[name]
    for button in document["buttons"]:
        del button["hole_mm"], button["centre_mm"]
    path = tmp_path / "old.json"
    path.write_text(json.dumps(document))
    with pytest.raises(InputError, match="carries no placements: an older program wrote it"):
        earlier_placements(path, layout, "a3")
    path.write_text(json.dumps({**document, "schema": "handcapture.check/9"}))
    with pytest.raises(DocumentError, match="newer program"):
        earlier_placements(path, layout, "a3")
    path.write_text(json.dumps({**document, "placement_records": [{"contacts": [], "sources": []}]}))
    with pytest.raises(DocumentError, match="placement_records"):
        earlier_placements(path, layout, "a3")


def moving(layout: Layout, moves: dict[str, tuple[float, float]]) -> TemplateCheck:
    """A check in which nothing but these moves matters."""
    found = check_template(layout, [capture_on(layout)])
    entries = [
        ButtonCheck(e.button, "move", move_mm=np.array(moves[e.button.label]))
        if e.button.label in moves
        else replace(e, verdict="fits", move_mm=None)
        for e in found.buttons
    ]
    return replace(found, buttons=tuple(entries))


def test_moves_go_into_the_plan_and_nothing_else_changes(layout: Layout) -> None:
    """Stop stands at its wish: its offset changes by the move. Drill had been moved: its wish goes under the finger."""
    check = moving(layout, {"Stop": (4.0, 1.5), "Drill": (3.0, 0.0), "Hush": (0.0, 5.0)})
    text, changes = updated_plan(PLAN, check)
    plan = Plan.model_validate(tomllib.loads(text))
    assert plan.buttons[0].offset_mm == (5.0, -0.5)
    # Drill: centre (181.0, 101.5), wish (186.6, 97.5), finger lands 3 mm right of the centre.
    assert plan.buttons[1].offset_mm == (-2.6, 4.0)
    assert plan.buttons[2].at_mm == (292.5, 64.25)
    assert plan.buttons[2].offset_mm == (0.0, 0.0)
    assert [change.after_mm for change in changes] == [(5.0, -0.5), (-2.6, 4.0), None]
    assert "is fixed (at_mm) and stays" in changes[2].text
    assert "the fit had moved it 6.9 mm off its wish" in changes[1].text
    assert "a row or mirror" in changes[1].text
    lines = PLAN.splitlines()
    lines[7] = "offset_mm = [5.0, -0.5]   # she reaches out"
    lines[13:13] = ["offset_mm = [-2.6, 4.0]"]
    assert text.splitlines() == lines


@settings(max_examples=30, deadline=None)
@given(x=st.floats(-20, 20), y=st.floats(-20, 20))
def test_a_move_and_its_opposite_leave_the_wish_where_it_was(x: float, y: float) -> None:
    layout = workshop_layout()
    there, _ = updated_plan(PLAN, moving(layout, {"Stop": (x, y)}))
    back, _ = updated_plan(there, moving(layout, {"Stop": (-x, -y)}))
    assert Plan.model_validate(tomllib.loads(back)).buttons[0].offset_mm == pytest.approx((1.0, -2.0), abs=0.011)


def test_the_alternative_that_the_layout_took_is_the_one_that_changes(layout: Layout) -> None:
    plan = PLAN.replace(
        'label = "Stop"      # the red one\nside = "left"\nfinger = "little"\n',
        'label = "Stop"\nside = "left"\nfinger = "ring"\n'
        'alternatives = [{ side = "left", finger = "little", offset_mm = [2, 0] }]\n',
    )
    text, _ = updated_plan(plan, moving(layout, {"Stop": (4.0, 1.5)}))
    wish = Plan.model_validate(tomllib.loads(text)).buttons[0]
    assert wish.offset_mm == (1.0, -2.0)
    assert wish.alternatives[0].offset_mm == (6.0, 1.5)


def test_without_moves_the_plan_stays_as_it_is_and_a_strange_one_is_refused(layout: Layout) -> None:
    assert updated_plan(PLAN, moving(layout, {}))[0] == PLAN
    with pytest.raises(InputError, match="has no button labelled Belt"):
        updated_plan(PLAN, moving(layout, {"Belt": (3.0, 0.0)}))
    with pytest.raises(InputError, match="not a plan that can be changed"):
        updated_plan("buttons = 3", moving(layout, {}))


def test_a_plan_of_another_fit_is_refused(layout: Layout) -> None:
    """A move counts from where the plan wished the button when it was fitted; from elsewhere it would go astray."""
    fitted = replace(
        layout,
        buttons=tuple(
            replace(b, offset_mm=(1.0, -2.0)) if b.label == "Stop" else replace(b, offset_mm=(0.0, 0.0))
            for b in layout.buttons
        ),
    )
    text, _ = updated_plan(PLAN, moving(fitted, {"Stop": (4.0, 1.5)}))
    with pytest.raises(InputError, match=r"wishes Stop at offset_mm \[5, -0.5\], the layout was fitted with \[1, -2\]"):
        updated_plan(text, moving(fitted, {"Stop": (4.0, 1.5)}))
    elsewhere = PLAN.replace('finger = "little"', 'finger = "ring"', 1)
    with pytest.raises(InputError, match="gives Stop to another finger or row"):
        updated_plan(elsewhere, moving(fitted, {"Stop": (4.0, 1.5)}))
    assert updated_plan(text, moving(fitted, {}))[0] == text, "where nothing moves, nothing can go astray"
