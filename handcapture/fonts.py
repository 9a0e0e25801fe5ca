"""The typeface of prints and overlays."""

from __future__ import annotations

from pathlib import Path


def font_file(bold: bool = False) -> Path:
    """Return the typeface that matplotlib carries (DejaVu Sans), so that every machine draws the same."""
    import matplotlib

    return Path(matplotlib.get_data_path()) / "fonts" / "ttf" / ("DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf")
