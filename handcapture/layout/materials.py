"""How much material must stay between holes and at the edge: what workshops go by, by material and thickness.

Common practice, no source: metal keeps at least 3 mm and 1.75 times its thickness between holes, and 5 mm or 1.75 times
the thickness at the edge; acrylic 6 mm, and 8 mm or twice its thickness at the edge; plywood and MDF 6 mm and 10 mm;
solid wood, which splits along the grain, 8 and 12 mm. They are where a panel file starts; its own numbers come first.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True)
class Practice:
    """Least web and edge distance of a kind of material: a fixed length, or so many times the thickness if more."""

    kind: str
    web_mm: float
    web_thicknesses: float
    edge_mm: float
    edge_thicknesses: float

    def least_web_mm(self, thickness_mm: float | None) -> float:
        """Return the usual least web."""
        return max(self.web_mm, self.web_thicknesses * (thickness_mm or 0.0))

    def least_edge_mm(self, thickness_mm: float | None) -> float:
        """Return the usual least distance from a hole to the edge."""
        return max(self.edge_mm, self.edge_thicknesses * (thickness_mm or 0.0))


METAL: Final = Practice("metal", 3.0, 1.75, 5.0, 1.75)
ACRYLIC: Final = Practice("acrylic", 6.0, 0.0, 8.0, 2.0)
BOARD: Final = Practice("plywood and MDF", 6.0, 0.0, 10.0, 0.0)
WOOD: Final = Practice("solid wood", 8.0, 0.0, 12.0, 0.0)
USUAL: Final = BOARD
"""Where the material is not told."""

_LETTERS: Final = re.compile(r"[^\W\d_]+")
_WORDS: Final[tuple[tuple[Practice, tuple[str, ...]], ...]] = (
    (BOARD, ("plywood", "ply", "mdf", "hdf", "hardboard", "chipboard", "particle board", "cardboard")),
    (ACRYLIC, ("acrylic", "pmma", "polycarbonate", "plastic", "abs", "petg", "hdpe", "acetal", "pom")),
    (METAL, ("metal", "steel", "stainless", "aluminium", "aluminum", "brass", "copper", "titanium")),
    (WOOD, ("wood", "oak", "beech", "maple", "walnut", "birch", "pine", "ash", "cherry", "bamboo")),
)


def practice_for(material: str | None) -> Practice | None:
    """Return the practice for a material as people write it ("3 mm birch plywood"), None for one that is not known.

    The kinds of board come first: birch plywood is plywood.
    """
    words = f" {' '.join(_LETTERS.findall((material or '').lower()))} "
    return next((kind for kind, names in _WORDS if any(f" {name} " in words for name in names)), None)
