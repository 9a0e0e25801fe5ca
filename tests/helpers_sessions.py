"""Invented sessions: hands laid down several times, as files."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
from helpers_rest import placement

from handcapture.placement import Placement
from handcapture.rest import Rest, pool
from handcapture.rest_document import write_rest


def session(
    seed: int, count: int = 4, moved: tuple[str, str] | None = None, by_mm: tuple[float, float] = (0.0, 0.0)
) -> Rest:
    """Return a rest of `count` placements; one finger, side and name, lies off by `by_mm` in all of them.

    Whole hands wander by 4 mm, fingers by 0.7 mm (invented).
    """
    rng = np.random.default_rng(seed)
    laid: list[Placement] = []
    for number in range(count):
        one = placement(100 * seed + number)
        shifts = {side: rng.normal(0, 4, 2) for side in ("left", "right")}
        contacts = []
        for contact in one.contacts:
            off = shifts[contact.side] + rng.normal(0, 0.7, 2)
            if (contact.side, contact.finger) == moved:
                off = off + by_mm
            contacts.append(replace(contact, contact_mm=contact.contact_mm + off))
        laid.append(replace(one, contacts=tuple(contacts)))
    return pool(laid)


def written(folder: Path, name: str, rest: Rest) -> Path:
    """Write a rest and return its path."""
    path = folder / name
    write_rest(path, rest)
    return path
