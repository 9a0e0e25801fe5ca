"""Plan and panel files: what is read, and how a slip is explained."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from handcapture.demo import samples_folder
from handcapture.errors import HandcaptureError, InputError
from handcapture.layout.materials import USUAL
from handcapture.layout.plan import load_panel, load_plan

PLAN = """
name = "Loom"
[[buttons]]
label = "Shed"
side = "left"
finger = "index"
[[buttons]]
label = "Beat"
side = "right"
finger = "thumb"
hole_mm = 30
row = "far"
"""
PANEL = """
name = "Board"
width_mm = 300
height_mm = 150
[[keep_outs]]
name = "hinge"
shape = "rectangle"
centre_mm = [20, 75]
size_mm = [10, 40]
"""


def written(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "file.toml"
    path.write_text(text)
    return path


def test_plan(tmp_path: Path) -> None:
    plan = load_plan(written(tmp_path, PLAN))
    assert [plan.hole_of(button) for button in plan.buttons] == [24.0, 30.0]
    assert [button.row for button in plan.buttons] == ["near", "far"]


def test_panel(tmp_path: Path) -> None:
    panel, origin = load_panel(written(tmp_path, PANEL))
    assert origin is None
    assert panel.web_mm == USUAL.web_mm
    assert panel.keep_outs[0].name == "hinge"
    assert load_panel(written(tmp_path, "origin_mm = [5, 6]\n" + PANEL))[1] == (5.0, 6.0)


def test_the_samples_are_read() -> None:
    assert len(load_plan(samples_folder() / "plan.toml").buttons) == 12
    assert load_panel(samples_folder() / "panel.toml")[0].width_mm == 400


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        (
            'finger = "index"',
            'finger = "pointer"',
            "button Shed, finger: .*'thumb', 'index', 'middle', 'ring' or 'little'",
        ),
        ('side = "left"', 'side = "port"', "button Shed, side: .*'left' or 'right'"),
        ("hole_mm = 30", "hole_mm = -3", "button Beat, hole_mm: must be 5 or more"),
        ("hole_mm = 30", "hole_mm = nan", "button Beat, hole_mm: .*finite"),
        ("hole_mm = 30", 'hole_mm = "big"', "button Beat, hole_mm: .*number"),
        ("hole_mm = 30", "colour = 3", "button Beat, colour: "),
        ('label = "Beat"', 'label = "Shed"', "label used twice: Shed"),
        ('label = "Beat"\n', "", "button 2, label: "),
        ('label = "Beat"', 'label = ""', "button 2, label: "),
        ('name = "Loom"', 'name = "Loom"\nalign = [{buttons = ["Shed", "Moan"]}]', "no button is labelled Moan"),
        ('name = "Loom"', "", "name: "),
        ('row = "far"', 'row = "middle"', "button Beat, row: "),
        ('row = "far"', 'row = "far', "is not valid TOML: .*line"),
    ],
)
def test_slips_in_a_plan(old: str, new: str, message: str, tmp_path: Path) -> None:
    assert old in PLAN
    path = written(tmp_path, PLAN.replace(old, new))
    with pytest.raises(InputError, match=message) as caught:
        load_plan(path)
    assert str(path) in str(caught.value)
    assert "pydantic" not in str(caught.value)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("width_mm = 300", "width_mm = 0", "width_mm: must be above 0 "),
        ("width_mm = 300", "width_mm = inf", "width_mm: .*"),
        ("height_mm = 150", "height_mm = 150\ncorner_radius_mm = 80", "more than half of the shorter side"),
        ("size_mm = [10, 40]", "", "hinge, size_mm|rectangle needs size_mm"),
        ("size_mm = [10, 40]", "size_mm = [10]", "size_mm"),
        ('shape = "rectangle"', 'shape = "star"', "'circle' or 'rectangle'"),
        ('shape = "rectangle"', 'shape = "circle"', "a circle needs diameter_mm"),
    ],
)
def test_slips_in_a_panel(old: str, new: str, message: str, tmp_path: Path) -> None:
    assert old in PANEL
    with pytest.raises(InputError, match=message):
        load_panel(written(tmp_path, PANEL.replace(old, new)))


def test_all_slips_are_told_at_once(tmp_path: Path) -> None:
    text = PLAN.replace('finger = "index"', 'finger = "x"').replace("hole_mm = 30", "hole_mm = 3000")
    with pytest.raises(InputError) as caught:
        load_plan(written(tmp_path, text))
    assert "Shed" in str(caught.value)
    assert "Beat" in str(caught.value)


def test_files_that_are_no_text(tmp_path: Path) -> None:
    path = tmp_path / "plan.toml"
    path.write_bytes(b"\xff\xfe\x00x")
    with pytest.raises(InputError, match="not a text file"):
        load_plan(path)
    path.write_text("a = " + "[" * 5000)
    with pytest.raises(InputError, match=r"plan\.toml"):
        load_plan(path)


@given(st.text(max_size=200))
def test_any_text_is_read_or_refused(text: str) -> None:
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "plan.toml"
        path.write_text(text, encoding="utf-8", errors="surrogatepass")
        for load in (load_plan, load_panel):
            try:
                load(path)
            except HandcaptureError as error:
                assert "plan.toml" in str(error)  # noqa: PT017 - both outcomes are allowed
