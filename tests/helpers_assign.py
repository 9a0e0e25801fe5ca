"""Invented hands, and panels planted under them, for the tests of assignment and starters."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from helpers_plan import tip
from helpers_rest import PLACES

from handcapture.layout.model import Row
from handcapture.layout.source import Hole
from handcapture.names import FINGERS, SIDES, Finger, Side
from handcapture.rest import Rest


def turn(angle_deg: float) -> np.ndarray:
    c, s = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    return np.array([[c, -s], [s, c]])


def hand_like_rest(rng: np.random.Generator) -> Rest:
    """Return both hands with sizes, turns and fingers varied; reaches fan out from the palm (invented)."""
    tips = []
    for side in SIDES:
        outward = -1.0 if side == "left" else 1.0
        middle = np.mean([PLACES[side, finger] for finger in FINGERS[1:]], axis=0)
        palm = middle + np.array([-5.0 * outward, 90.0])
        size, turned = rng.uniform(0.88, 1.12), turn(rng.uniform(-12, 12))
        for finger in FINGERS:
            place = np.array(PLACES[side, finger]) + rng.normal(0, 4, 2)
            reach = place - palm if finger != "thumb" else np.array([-outward * 0.8, -0.6])
            reach = turned @ reach / np.hypot(*reach)
            tips.append(tip(side, finger, middle + turned @ (place - middle) * size, reach=reach))
    return Rest(tuple(tips), (), ())


def moved_rest(rest: Rest, matrix: np.ndarray, shift: tuple[float, float], swap: bool = False) -> Rest:
    """Return the rest with all contacts and reaches mapped; `swap` exchanges left and right."""
    other: dict[Side, Side] = {"left": "right", "right": "left"}
    return replace(
        rest,
        fingertips=tuple(
            replace(
                t,
                contact_mm=matrix @ t.contact_mm + shift,
                reach=matrix @ t.reach,
                side=other[t.side] if swap else t.side,
            )
            for t in rest.fingertips
        ),
    )


@dataclass(frozen=True)
class Planted:
    """Holes, who works each, and the motion (angle in degrees, shift) that brings each hand's back."""

    holes: list[Hole]
    truth: list[tuple[Side, Finger, Row]]
    back: dict[Side, tuple[float, np.ndarray]]


def plant(rng: np.random.Generator, rest: Rest, noise_mm: float = 2.0, far_rows: bool = True) -> Planted:
    """Return a panel: each hand's contacts and some far holes, turned by up to 20° and moved by up to 60 mm."""
    entries: list[tuple[np.ndarray, tuple[Side, Finger, Row]]] = []
    back: dict[Side, tuple[float, np.ndarray]] = {}
    for side in SIDES:
        tips = [t for t in rest.fingertips if t.side == side]
        middle = np.mean([t.contact_mm for t in tips], axis=0)
        angle, way = rng.uniform(-20, 20), rng.uniform(0, 2 * np.pi)
        shift = rng.uniform(0, 60) * np.array([np.cos(way), np.sin(way)])
        matrix = turn(angle)
        back[side] = (-angle, middle - matrix.T @ (middle + shift))
        far = rng.choice(FINGERS[1:], rng.integers(0, 5), replace=False) if far_rows else ()
        for t in tips:
            own: list[tuple[np.ndarray, Row]] = [(t.contact_mm, "near")]
            own += [(t.contact_mm + t.reach * rng.uniform(27, 33), "far")] if t.finger in far else []
            for place, row in own:
                spot = matrix @ (place - middle) + middle + shift + rng.normal(0, noise_mm or 1e-12, 2)
                entries.append((spot, (side, t.finger, row)))
    order = rng.permutation(len(entries))
    holes = [Hole((float(entries[k][0][0]), float(entries[k][0][1])), 24.0) for k in order]
    return Planted(holes, [entries[k][1] for k in order], back)
