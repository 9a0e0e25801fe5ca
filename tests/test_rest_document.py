"""The rest document: fields, round trip, refusals."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from helpers_rest import placement

from handcapture.errors import DocumentError, InputError
from handcapture.rest import Rest, pool
from handcapture.rest_document import read_rest, rest_document, rest_sha256, write_rest


def some_rest() -> Rest:
    return pool([placement(1), placement(2, (1.5, -0.5)), placement(3, (-1.0, 1.0))])


def test_fields() -> None:
    document = rest_document(some_rest())
    assert document["schema"] == "handcapture.rest/1"
    assert document["frame"] == "mat"
    assert document["placements"] == 3
    assert len(document["fingertips"]) == 10
    tip = document["fingertips"][0]
    assert {"side", "finger", "contact_mm", "covariance_mm2", "hidden"} <= set(tip)
    assert {"side", "wrist_deviation_deg", "wrist_deviation_sd_deg"} <= set(document["hands"][0])
    assert document["placement_records"][0]["sources"][0]["photo_sha256"] == f"{1:064x}"


def test_round_trip(tmp_path: Path) -> None:
    rest = some_rest()
    write_rest(tmp_path / "rest.json", rest)
    again = read_rest(tmp_path / "rest.json")
    assert rest_document(again) == rest_document(rest)
    assert rest_sha256(again) == rest_sha256(rest)
    for a, b in zip(rest.fingertips, again.fingertips, strict=True):
        np.testing.assert_allclose(a.contact_mm, b.contact_mm, atol=1e-6)


def broken(tmp_path: Path, change: Any) -> Path:
    document = rest_document(some_rest())
    change(document)
    path = tmp_path / "rest.json"
    path.write_text(json.dumps(document))
    return path


def set_in(*keys: Any, value: Any) -> Any:
    def change(document: Any) -> None:
        for key in keys[:-1]:
            document = document[key]
        document[keys[-1]] = value

    return change


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (set_in("schema", value="handcapture.rest/2"), "newer program"),
        (set_in("schema", value="handcapture.layout/1"), "is a layout "),
        (set_in("schema", value=7), 'no "schema" entry'),
        (set_in("frame", value="panel"), "frame"),
        (set_in("fingertips", value=[]), "fingertips"),
        (set_in("fingertips", 0, "finger", value="pinky"), r"fingertips\.0\.finger"),
        (set_in("fingertips", 0, "contact_mm", value=[1.0]), r"fingertips\.0\.contact_mm"),
        (set_in("fingertips", 0, "contact_mm", value=[1e9, 0.0]), r"fingertips\.0\.contact_mm"),
        (
            set_in("fingertips", 0, "covariance_mm2", value=[[1, 5], [0, 1]]),
            r"fingertips\.0\.covariance_mm2: this is no covariance",
        ),
        (set_in("fingertips", 1, "finger", value="thumb"), "listed twice"),
        (set_in("hands", 0, "side", value="upper"), r"hands\.0\.side"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_refusals(change: Any, message: str, tmp_path: Path) -> None:
    path = broken(tmp_path, change)
    with pytest.raises(DocumentError, match=message) as caught:
        read_rest(path)
    assert str(path) in str(caught.value)


def test_more_placements_than_anyone_makes(tmp_path: Path) -> None:
    document = json.loads(broken(tmp_path, lambda document: None).read_text())
    document["placement_records"] *= 200
    (tmp_path / "rest.json").write_text(json.dumps(document))
    with pytest.raises(DocumentError, match="at most 100"):
        read_rest(tmp_path / "rest.json")


@pytest.mark.parametrize(
    "text", ['{"schema": "handcapture.rest/1", "a": NaN}', "{", "[" * 100_000, "\x00\x01", "[]", "null"]
)
def test_files_that_are_no_document(text: str, tmp_path: Path) -> None:
    path = tmp_path / "rest.json"
    path.write_text(text)
    with pytest.raises(DocumentError, match=r"rest\.json"):
        read_rest(path)


def test_missing_empty_and_folder(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="does not exist"):
        read_rest(tmp_path / "no.json")
    (tmp_path / "empty.json").touch()
    with pytest.raises(InputError, match="empty"):
        read_rest(tmp_path / "empty.json")
    with pytest.raises(InputError, match="folder"):
        read_rest(tmp_path)
