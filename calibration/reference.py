"""The reference photos: every scene composed once with a mat, under looks that vary from photo to photo.

They are kept in `calibration/photos` (not under version control), in a folder named by the hash of all that
they are made from: a changed mat or composer makes new ones.
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
from compose import Look, compose, jpeg, lay_mat, printed_sheets

HERE: Final = Path(__file__).resolve().parent
SCENES: Final = HERE / "scenes"
PHOTOS: Final = HERE / "photos"


@dataclass(frozen=True)
class ScenePhoto:
    """One composed photo: the scene's name, the mat, the file and the truth."""

    name: str
    mat: str
    photo: Path
    truth: dict[str, Any]


def scene_names() -> tuple[str, ...]:
    """Return the names of all scenes, sorted."""
    return tuple(sorted(path.parent.name for path in SCENES.glob("*/truth.json")))


def composed_photos(mats: Sequence[str] = ("a3",), names: Sequence[str] | None = None) -> Iterator[ScenePhoto]:
    """Yield the photos of the named scenes (all by default) on each mat, composing those that are not there."""
    wanted = [(mat, name) for mat in mats for name in (scene_names() if names is None else names)]
    folders = {mat: PHOTOS / f"{mat}-{_fingerprint(mat)}" for mat in mats}
    for folder in folders.values():
        folder.mkdir(parents=True, exist_ok=True)
    missing = [(mat, name, folders[mat]) for mat, name in wanted if not (folders[mat] / f"{name}.json").is_file()]
    if missing:
        # Spawned, not forked: a fork of a process whose libraries run threads may hang.
        with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as pool:
            list(pool.map(_make, missing))
    for mat, name in wanted:
        truth = json.loads((folders[mat] / f"{name}.json").read_text())
        yield ScenePhoto(name, mat, folders[mat] / f"{name}.jpg", truth)


def look_of(name: str, mat: str) -> Look:
    """Return how this photo is taken: drawn at random, but always the same for one scene and mat."""
    seed = _seed(f"{name} {mat}")
    rng = np.random.default_rng(seed)
    tables = ((96, 120, 150), (60, 78, 98), (205, 210, 212), (70, 66, 62), (118, 140, 128))
    kinds = ("wood", "speckle", "plain")
    warm = rng.uniform(-0.06, 0.06)
    return Look(
        table_bgr=tables[rng.integers(len(tables))],
        table_kind=kinds[rng.integers(3)],
        k1=float(rng.choice([0.0, 0.0, -0.02, 0.015])),
        exposure=float(rng.uniform(0.85, 1.15)),
        gains_rgb=(1 + warm, 1.0, 1 - warm),
        vignette=float(rng.uniform(0.1, 0.35)),
        blur_px=float(rng.uniform(0.5, 0.9)),
        noise=float(rng.uniform(0.004, 0.010)),
        sharpen=float(rng.uniform(0.2, 0.6)),
        jpeg_quality=int(rng.integers(82, 96)),
        orientation=(1, 1, 1, 3, 6, 8)[rng.integers(6)],
        focal_in_exif=bool(rng.random() < 0.8),
        seed=seed,
    )


def _seed(text: str) -> int:
    return int.from_bytes(hashlib.sha256(text.encode()).digest()[:4], "big")


def _make(job: tuple[str, str, Path]) -> None:
    mat, name, folder = job
    cv2.setNumThreads(1)
    look = look_of(name, mat)
    # Views of one placement, and one person's placements, share the mat as it lies on the table.
    sitting = re.sub(r"_view\d$|_(before|after)_\d+$", "", name)
    rng = np.random.default_rng(_seed(f"{sitting} {mat}"))
    gap, skew = float(rng.uniform(0.0, 3.0)), float(rng.uniform(-0.8, 0.8))
    papers = lay_mat(mat, gap_mm=gap, skew_deg=skew, middle_mm=(float(rng.uniform(-8, 8)), float(rng.uniform(-6, 6))))
    photo, truth = compose(SCENES / name, papers, look)
    truth["gap_mm"], truth["skew_deg"] = gap, skew
    (folder / f"{name}.jpg").write_bytes(jpeg(photo, look, truth["focal_35mm"]))
    # Written last: a photo counts as made once its truth is there.
    (folder / f"{name}.json").write_text(json.dumps(truth, indent=1))


def _fingerprint(mat: str) -> str:
    digest = hashlib.sha256()
    for path in (HERE / "compose.py", HERE / "reference.py"):
        digest.update(ast.dump(ast.parse(path.read_text())).encode())  # comments and layout do not count
    for sheet in printed_sheets(mat):
        digest.update(sheet.tobytes())
    return digest.hexdigest()[:12]
