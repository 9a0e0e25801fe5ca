"""How well palm, heel and wrist are found: calibration of their place on the fitting half, errors on the other.

    python calibration/palm.py

The truth is the wrist joint and the forearm's axis of the scenes; for outlines the scenes' own alpha, carried through
the true camera onto the outline's plane. The wrist's true ends are those of that silhouette on the plane of the joint.
"""

from __future__ import annotations

import json
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from reference import SCENES, composed_photos
from split import FITTING_SHAPES

from handcapture.capture import Networks, capture
from handcapture.photo import read_photo
from handcapture.placement import HandPosture, Palm

FloatArray = NDArray[np.float64]
LAYER_SIZE = (2016, 1512)
FIGURES = ("heel along", "heel across", "heel", "wrist end", "wrist breadth", "not hand %", "missing %", "forearm °")


class Silhouette:
    """Where the hands of a scene are, seen by the true camera; places in the mat frame of its composed photo."""

    def __init__(self, name: str, truth: dict[str, Any]) -> None:
        """Read the scene's alpha."""
        info = json.loads((SCENES / name / "layers.json").read_text())
        hands = cv2.imread(str(SCENES / name / "hand.webp"), cv2.IMREAD_UNCHANGED)
        x, y, width, height = info["hand_box"]
        self.alpha = np.zeros((LAYER_SIZE[1], LAYER_SIZE[0]), np.uint8)
        self.alpha[y : y + height, x : x + width] = hands[..., 3]
        self.truth = truth
        finger = truth["hands"]["left"]["fingers"]["index"]
        self.offset = np.array(finger["contact_mat_mm"]) - np.array(finger["contact_mm"][:2]) * [1, -1]

    def to_mat(self, table_mm: Any) -> FloatArray:
        """Table frame (..., 2 or 3) to mat frame (..., 2)."""
        return np.asarray(table_mm, dtype=np.float64)[..., :2] * [1, -1] + self.offset

    def covers(self, places_mm: FloatArray, height_mm: float) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
        """Tell which mat places (m, n, 2) at a height are seen as hand, and which lie in the photo."""
        table = (places_mm - self.offset) * [1, -1]
        space = np.concatenate([table, np.full((*table.shape[:2], 1), height_mm)], axis=-1)
        seen = (space @ np.array(self.truth["R"]).T + self.truth["t"]) @ np.array(self.truth["K"]).T
        pixels = seen[..., :2] / seen[..., 2:]
        half = (pixels + 0.5) / 2 - 0.5
        x, y = half[..., 0].astype(np.float32), half[..., 1].astype(np.float32)
        alpha = cv2.remap(self.alpha, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=0)
        return alpha > 127, ((pixels > 0) & (pixels < np.array(self.truth["image_size"]) - 1)).all(axis=-1)


def errors(hand: HandPosture, palm: Palm, silhouette: Silhouette) -> tuple[float, ...]:
    """Return FIGURES of one hand; heel errors are signed, towards the fingers and towards the little finger."""
    import shapely

    truth = silhouette.truth["hands"][hand.side]
    joint, height = silhouette.to_mat(truth["wrist_mm"]), float(truth["wrist_mm"][2])
    elbow = silhouette.to_mat(truth["forearm_axis_mm"][0])
    back = (elbow - joint) / np.linalg.norm(elbow - joint)
    square = np.array([-back[1], back[0]])
    steps = np.arange(0.0, 60.0, 0.25)
    ends = []
    for side in (1, -1):
        seen, _ = silhouette.covers((joint + side * steps[:, None] * square)[None], height)
        ends.append(joint + side * steps[int(np.argmin(seen[0]))] * square)
    off = palm.heel_mm - joint
    breadth = float(np.linalg.norm(palm.wrist_line_mm[1] - palm.wrist_line_mm[0]) - np.linalg.norm(ends[1] - ends[0]))
    shape = shapely.Polygon(palm.outline_mm)
    left, top, right, bottom = shape.bounds
    grid = np.stack(np.meshgrid(np.arange(left, right), np.arange(top, bottom)), axis=-1)
    seen, inside = silhouette.covers(grid, palm.height_mm)
    told = np.asarray(shapely.contains_xy(shape, grid[..., 0], grid[..., 1]))
    hull = np.asarray(shapely.contains_xy(shape.convex_hull.buffer(-1.0), grid[..., 0], grid[..., 1]))
    turn = np.nan
    if palm.forearm is not None:
        turn = float(np.degrees(np.arccos(np.clip(palm.forearm @ back, -1, 1))))
    return (
        float(-off @ back),
        float(off @ square) * (-1 if hand.side == "right" else 1),
        float(np.hypot(*off)),
        max(float(np.linalg.norm(a - b)) for a, b in zip(palm.wrist_line_mm, ends, strict=True)),
        breadth,
        100.0 * float((told & inside & ~seen).sum() / told.sum()),
        100.0 * float((hull & seen & ~told).sum() / told.sum()),
        turn,
    )


def main() -> None:
    """Print the tables."""
    found: dict[bool, list[tuple[float, ...]]] = {True: [], False: []}
    without = 0
    with Networks() as networks:
        for scene in composed_photos():
            silhouette = Silhouette(scene.name, scene.truth)
            for hand in capture(read_photo(scene.photo), networks, scene.mat).placement.hands:
                if hand.palm is None:
                    without += 1
                else:
                    row = errors(hand, hand.palm, silhouette)
                    found[scene.truth["shape"] in FITTING_SHAPES].append(row)
    print(f"hands without an outline: {without}")
    for fitting, rows in found.items():
        figures = np.array(rows)
        print(f"{'fitting' if fitting else 'reporting'} half, {len(rows)} hands, mm unless said")
        for name, values in zip(FIGURES, figures.T, strict=True):
            known = values[np.isfinite(values)]
            print(
                f"  {name:14} mean {known.mean():+6.2f}  sd {known.std():5.2f}  "
                f"size: median {np.median(np.abs(known)):5.2f}  95th {np.percentile(np.abs(known), 95):5.2f}"
            )


if __name__ == "__main__":
    main()
