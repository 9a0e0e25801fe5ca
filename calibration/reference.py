"""The reference photos: every scene composed once with a mat, under looks that vary from photo to photo.

They are kept in `calibration/photos` (not under version control), in a folder named by the hash of all that
they are made from: a changed mat, composer or scene makes new ones.
"""

from __future__ import annotations

import ast
import hashlib
import json
import re
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path
from typing import Any, Final

import cv2
import numpy as np
from compose import Look, Orientation, TableKind, compose, jpeg, lay_mat, printed_sheets

from handcapture.documents import write_atomically

HERE: Final = Path(__file__).resolve().parent
SCENES: Final = HERE / "scenes"
PHOTOS: Final = HERE / "photos"

TABLES_BGR: Final = ((96, 120, 150), (60, 78, 98), (205, 210, 212), (70, 66, 62), (118, 140, 128))
TABLE_KINDS: Final[tuple[TableKind, ...]] = ("wood", "speckle", "plain")
ORIENTATIONS: Final[tuple[Orientation, ...]] = (1, 1, 1, 3, 6, 8)


@dataclass(frozen=True)
class ScenePhoto:
    """One composed photo: the scene's name, the mat, the file and the truth."""

    name: str
    mat: str
    photo: Path
    truth: dict[str, Any]


@dataclass(frozen=True)
class Lie:
    """How a mat lies on the table: its middle, and how far the second sheet of a pair is off and turned."""

    gap_mm: float
    skew_deg: float
    middle_mm: tuple[float, float]


def scene_names() -> tuple[str, ...]:
    """Return the names of all scenes, sorted."""
    return tuple(sorted(path.parent.name for path in SCENES.glob("*/truth.json")))


def composed_photos(mats: Sequence[str] = ("a3",), names: Sequence[str] | None = None) -> Iterator[ScenePhoto]:
    """Yield the photos of the named scenes (all by default) on each mat, composing those that are not there.

    Composing takes 4 s a photo and core, on two cores at most. ValueError for a scene that does not exist.
    """
    if unknown := set(names or ()) - set(scene_names()):
        raise ValueError(f"There is no scene {', '.join(sorted(unknown))} in {SCENES}.")
    wanted = [(mat, name) for mat in mats for name in (scene_names() if names is None else names)]
    folders = {mat: PHOTOS / f"{mat}-{_fingerprint(mat)}" for mat in mats}
    for folder in folders.values():
        folder.mkdir(parents=True, exist_ok=True)
    missing = [(mat, name, folders[mat]) for mat, name in wanted if not (folders[mat] / f"{name}.json").is_file()]
    if missing:
        _make_all(missing)
    for mat, name in wanted:
        truth = json.loads((folders[mat] / f"{name}.json").read_text())
        yield ScenePhoto(name, mat, folders[mat] / f"{name}.jpg", truth)


def sitting(name: str) -> str:
    """Return what views of one placement and all placements of one person share: table, and mat as it lies."""
    return re.sub(r"_view\d$|_(before|after)_\d+$", "", name)


def look_of(name: str, mat: str) -> Look:
    """Return how this photo is taken: drawn at random, but always the same for one scene and mat."""
    seed = _seed(f"{name} {mat}")
    rng, room = np.random.default_rng(seed), np.random.default_rng(_seed(f"room of {sitting(name)} {mat}"))
    warm = rng.uniform(-0.06, 0.06)
    return Look(
        table_bgr=TABLES_BGR[room.integers(len(TABLES_BGR))],
        table_kind=TABLE_KINDS[room.integers(len(TABLE_KINDS))],
        k1=float(rng.choice([0.0, 0.0, -0.02, 0.015])),
        exposure=float(rng.uniform(0.85, 1.15)),
        gains_rgb=(1 + warm, 1.0, 1 - warm),
        vignette=float(rng.uniform(0.1, 0.35)),
        blur_px=float(rng.uniform(0.5, 0.9)),
        noise=float(rng.uniform(0.004, 0.010)),
        sharpen=float(rng.uniform(0.2, 0.6)),
        jpeg_quality=int(rng.integers(80, 96)),
        orientation=ORIENTATIONS[rng.integers(len(ORIENTATIONS))],
        focal_in_exif=bool(rng.random() < 0.8),
        seed=seed,
    )


def lie_of(name: str, mat: str) -> Lie:
    """Return how the mat lies on the table: drawn at random, but always the same for one sitting and mat."""
    rng = np.random.default_rng(_seed(f"{sitting(name)} {mat}"))
    gap, skew = float(rng.uniform(0.0, 3.0)), float(rng.uniform(-0.8, 0.8))
    return Lie(gap, skew, (float(rng.uniform(-8, 8)), float(rng.uniform(-6, 6))))


def _seed(text: str) -> int:
    return int.from_bytes(hashlib.sha256(text.encode()).digest()[:4], "big")


def _make_all(jobs: list[tuple[str, str, Path]]) -> None:
    # Spawned, not forked: a fork of a process whose libraries run threads may hang.
    with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as pool:
        list(pool.map(_make, jobs))


def _make(job: tuple[str, str, Path]) -> None:
    mat, name, folder = job
    cv2.setNumThreads(1)
    look, lie = look_of(name, mat), lie_of(name, mat)
    photo, truth = compose(SCENES / name, lay_mat(mat, lie.gap_mm, lie.skew_deg, lie.middle_mm), look)
    truth["gap_mm"], truth["skew_deg"] = lie.gap_mm, lie.skew_deg
    write_atomically(folder / f"{name}.jpg", jpeg(photo, look, truth["focal_35mm"]))
    # Written last: a photo counts as made once its truth is there.
    write_atomically(folder / f"{name}.json", json.dumps(truth, indent=1).encode())


def _fingerprint(mat: str) -> str:
    digest = hashlib.sha256()
    digest.update(ast.dump(ast.parse((HERE / "compose.py").read_text())).encode())  # comments and layout do not count
    for sheet in printed_sheets(mat):
        digest.update(sheet.tobytes())
    for path in sorted(SCENES.glob("*/*")):
        digest.update(path.read_bytes())
    for name in scene_names():
        digest.update(repr((name, look_of(name, mat), lie_of(name, mat))).encode())
    return digest.hexdigest()[:12]
