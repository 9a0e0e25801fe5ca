"""What readers and writers of drawings share of texts: how wide they are, and the sentence about the kerf."""

from __future__ import annotations

import unicodedata
from typing import Final

KERF_MARK: Final = "KERF IS ALREADY ALLOWED FOR"
"""Begins the sentence that every drawing with a kerf carries, and by which it is known again."""

DIRECTION_MARKS: Final = frozenset({"LRE", "RLE", "LRO", "RLO", "PDF", "LRI", "RLI", "FSI", "PDI"})
"""Bidirectional classes (Unicode Standard Annex 9) of the signs that turn the direction of what follows."""


def text_width(text: str, height: float) -> float:
    """Return a width that `text` will hardly exceed in a common sans-serif face with letters `height` high.

    `height` is that of capitals, in any unit. Capitals of such faces are about 0.72 of the type size and a
    letter on average 0.55 of it wide, rarely more than 0.65 (common practice, no source); East Asian wide
    characters are square.
    """
    size = height / 0.72
    return size * sum(1.0 if unicodedata.east_asian_width(c) in "WF" else 0.65 for c in text)
