"""The typeface of prints and overlays."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable
from functools import cache
from pathlib import Path


def font_file(bold: bool = False) -> Path:
    """Return the typeface that matplotlib carries (DejaVu Sans), so that every machine draws the same."""
    import matplotlib

    return Path(matplotlib.get_data_path()) / "fonts" / "ttf" / ("DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf")


def badly_shown(texts: Iterable[str]) -> str:
    """Return the sentence that warns of texts which prints and pictures cannot show as they are written, or "".

    That are signs which the typeface lacks, drawn as boxes, and scripts from right to left, whose letters are neither
    joined nor set in their order.
    """
    lacking: dict[str, None] = {}
    turned: dict[str, None] = {}
    for text in texts:
        shown = [c for c in text if not c.isspace() and unicodedata.category(c)[0] != "C"]
        if any(ord(c) not in _signs() for c in shown):
            lacking[text] = None
        elif any(unicodedata.bidirectional(c) in ("R", "AL") for c in shown):
            turned[text] = None
    told = []
    if lacking:
        told.append(f"{_some(lacking)}: the typeface lacks signs of this, and prints and pictures show boxes.")
    if turned:
        told.append(f"{_some(turned)}: what is written from right to left comes out in the wrong order on prints.")
    return " ".join([*told, "Name it in other letters, or write it in by hand."] if told else [])


def _some(texts: Iterable[str]) -> str:
    names = list(texts)
    return ", ".join(name[:40] for name in names[:3]) + (f" and {len(names) - 3} more" if len(names) > 3 else "")


@cache
def _signs() -> frozenset[int]:
    from matplotlib.ft2font import FT2Font

    return frozenset(FT2Font(str(font_file())).get_charmap())
