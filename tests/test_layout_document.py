"""The layout document: fields, round trip, refusals, and a frozen sample of version 1."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from helpers_layout import workshop_layout

from handcapture.errors import DocumentError
from handcapture.layout.document import layout_document, read_layout, write_layout

FROZEN = Path(__file__).parent / "data" / "layout_v1.json"


def test_fields() -> None:
    document = layout_document(workshop_layout())
    assert document["schema"] == "handcapture.layout/1"
    assert {"label", "side", "finger", "centre_mm", "hole_mm"} <= set(document["buttons"][0])


@pytest.mark.parametrize("findings", [False, True])
def test_round_trip(findings: bool, tmp_path: Path) -> None:
    layout = workshop_layout(findings=findings)
    write_layout(tmp_path / "layout.json", layout)
    again = read_layout(tmp_path / "layout.json")
    assert layout_document(again) == layout_document(layout)
    write_layout(tmp_path / "again.json", again)
    assert (tmp_path / "again.json").read_bytes() == (tmp_path / "layout.json").read_bytes()


def test_the_frozen_sample_is_still_read() -> None:
    """Invented data, written once by version 0.1.0 and never changed."""
    layout = read_layout(FROZEN)
    assert [button.label for button in layout.buttons][:2] == ["Stop", "Clamp"]
    assert layout.panel.keep_outs[1].size_mm == (60.0, 22.0)


def edit(path: tuple[Any, ...], value: Any) -> Any:
    def change(document: Any) -> None:
        for key in path[:-1]:
            document = document[key]
        document[path[-1]] = value

    return change


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (edit(("schema",), "handcapture.layout/2"), "newer program"),
        (edit(("schema",), "handcapture.rest/1"), "is a rest "),
        (edit(("frame",), "mat"), "frame"),
        (edit(("buttons",), []), "buttons"),
        (edit(("buttons", 0, "hole_mm"), -24.0), r"buttons\.0\.hole_mm"),
        (edit(("buttons", 0, "centre_mm"), [1.0, "x"]), r"buttons\.0\.centre_mm"),
        (edit(("buttons", 0, "finger"), "toe"), r"buttons\.0\.finger"),
        (edit(("buttons", 1, "label"), "Stop"), "label used twice: Stop"),
        (edit(("panel", "width_mm"), 0.0), r"panel\.width_mm"),
    ],
)
def test_refusals(change: Any, message: str, tmp_path: Path) -> None:
    document = layout_document(workshop_layout())
    change(document)
    path = tmp_path / "layout.json"
    path.write_text(json.dumps(document))
    with pytest.raises(DocumentError, match=message) as caught:
        read_layout(path)
    assert str(path) in str(caught.value)
