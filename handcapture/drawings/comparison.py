"""Layouts compared, as a picture: for each step the new layout over the old one, with arrows where holes moved."""

from __future__ import annotations

import io
import warnings
from typing import TYPE_CHECKING, Any, Final, Literal

import numpy as np
from numpy.typing import NDArray

from handcapture.drawings.common import build_warning, check_drawable, circle_points, clean_label, outline_points
from handcapture.drawings.contours import cut_contour
from handcapture.layout.compare import ButtonChange, Comparison
from handcapture.layout.model import Cut, KeepOut, Layout
from handcapture.layout.outline import polyline
from handcapture.names import SIDES

if TYPE_CHECKING:
    from matplotlib.axes import Axes

FloatArray = NDArray[np.float64]
PictureFormat = Literal["pdf", "png", "svg"]

OLD: Final = "#767676"
NEW: Final = "#0072B2"
MOVED: Final = "#D55E00"
ADDED: Final = "#009E73"
"""Blue, vermilion and bluish green of Okabe and Ito (2008); lines differ as well, so that a grey print tells them."""
PAGE_MM: Final = (297.0, 210.0)
BAR_MM: Final = 50.0
_POINT: Final = 7.0
_PNG_DPI: Final = 200
_LEAST_ARROW_MM: Final = 1.0


def comparison_picture(comparison: Comparison, picture_format: PictureFormat = "pdf") -> bytes:
    """Return the comparison as PDF, PNG or SVG: a page, A4 across, for each step; PNG and SVG have them in a column.

    Everything is in the common frame and in true proportions; a bar tells the scale. InputError when a layout cannot be
    drawn.
    """
    from matplotlib import rc_context
    from matplotlib.figure import Figure

    for layout in comparison.layouts:
        check_drawable(layout)
    steps = range(len(comparison.steps))
    width, height = (length / 25.4 for length in PAGE_MM)
    buffer = io.BytesIO()
    settings: dict[Any, Any] = {"svg.hashsalt": "handcapture", "pdf.fonttype": 42, "svg.fonttype": "path"}
    with rc_context(settings), warnings.catch_warnings():
        warnings.simplefilter("ignore")  # characters that the typeface lacks are drawn as boxes
        if picture_format == "pdf":
            from matplotlib.backends.backend_pdf import PdfPages

            with PdfPages(buffer, metadata={"Creator": "handcapture", "CreationDate": None}) as pages:
                for step in steps:
                    page = Figure(figsize=(width, height))
                    _draw_step(page.add_axes((0.02, 0.02, 0.96, 0.96)), comparison, step)
                    pages.savefig(page)
            return buffer.getvalue()
        figure = Figure(figsize=(width, height * len(steps)), facecolor="white")
        share = 1.0 / len(steps)
        for step in steps:
            axes = figure.add_axes((0.02, 1.0 - (step + 1) * share + 0.02 * share, 0.96, 0.96 * share))
            _draw_step(axes, comparison, step)
        ours = "handcapture"
        metadata: dict[str, Any] = {"Date": None, "Creator": ours} if picture_format == "svg" else {"Software": ours}
        figure.savefig(buffer, format=picture_format, dpi=_PNG_DPI, metadata=metadata)
    return buffer.getvalue()


def _draw_step(axes: Axes, comparison: Comparison, step: int) -> None:
    before, after = comparison.layouts[step], comparison.layouts[step + 1]
    axes.set_aspect("equal")
    axes.axis("off")
    drawn = [_draw_panel(axes, comparison, step, old=True), _draw_panel(axes, comparison, step + 1, old=False)]
    changes = {change.label: change for change in comparison.steps[step].buttons}
    old = dict(zip((b.label for b in before.buttons), comparison.centres_mm(step), strict=True))
    new = comparison.centres_mm(step + 1)
    for button in before.buttons:
        if changes[button.label].kind != "same":
            circle = circle_points(tuple(old[button.label]), button.hole_mm / 2)
            _line(axes, circle, OLD, 1.0, dashed=True)
        if changes[button.label].kind == "removed":
            _cross_out(axes, old[button.label], button.hole_mm / 2)
            # What is new at the same place has its name below.
            taken = any(np.hypot(*(centre - old[button.label])) < button.hole_mm for centre in new)
            lines = [*_name_lines(button.label), "removed"]
            _write(axes, old[button.label], lines, "black", above=taken)
    for button, centre in zip(after.buttons, new, strict=True):
        change = changes[button.label]
        colour = ADDED if change.kind == "added" else NEW
        circle = circle_points((float(centre[0]), float(centre[1])), button.hole_mm / 2)
        axes.fill(*circle.T, facecolor="#E3F4EE" if change.kind == "added" else "none", edgecolor="none", zorder=1.5)
        _line(axes, circle, colour, 1.8 if change.kind == "added" else 1.3)
        lines = [*_name_lines(button.label), *_words(change)]
        from_below = change.moved and change.move_mm is not None and change.move_mm[1] < 0
        _write(axes, centre, lines, "black" if change.kind == "same" else colour, above=from_below)
        if change.distance_mm > _LEAST_ARROW_MM:
            _arrow(axes, old[button.label], centre)
    points = np.vstack(drawn)
    low, high = points.min(axis=0), points.max(axis=0)
    title = f"{_called(before)}  →  {_called(after)}"
    axes.text(low[0], low[1] - 12.0, title, fontsize=1.5 * _POINT, fontweight="bold", va="bottom")
    axes.text(low[0], low[1] - 5.0, _how(comparison, step), fontsize=_POINT, va="bottom", color="#333333")
    if warning := build_warning(after):
        place = (low[0], high[1] + 5.0)
        axes.text(*place, warning, fontsize=_POINT, fontweight="bold", va="top", color="#B00020")
    _scale_bar(axes, (high[0] - BAR_MM, high[1] + 8.0))
    _legend(axes, comparison, step)
    axes.set_xlim(low[0] - 3.0, high[0] + 3.0)
    axes.set_ylim(high[1] + 30.0, low[1] - 24.0)


def _called(layout: Layout) -> str:
    return f"{clean_label(layout.name, 60)}, revision {layout.revision}"


def _how(comparison: Comparison, step: int) -> str:
    placing = comparison.placings[step + 1]
    how = {
        "same rest": "Both lie where they were fitted to the same rest.",
        "buttons in common": "The new panel is laid onto the old one so that most of the buttons in common stay put.",
        "panel corner": "No button in common: the panels lie corner on corner.",
    }[placing.by]
    return f"{how} Seen from above, the person's edge at the bottom."


def _name_lines(label: str) -> list[str]:
    """Return a label in lines that fit into a hole of common size."""
    import textwrap

    return textwrap.wrap(clean_label(label), 13) or [""]


def _words(change: ButtonChange) -> list[str]:
    """Return what stands below a button's label: how far it moved, and what else is new."""
    if change.kind == "added":
        return ["added"]
    words = [f"{change.distance_mm:.1f} mm"] if change.moved else []
    for told in change.told:
        words.append(told.replace("hole ", "Ø").removesuffix(" mm") if told.startswith("hole ") else told)
    # What does not fit into a hole is in the table.
    return [word if len(word) <= 14 else "other finger" if word.split()[0] in SIDES else "changed" for word in words]


def _draw_panel(axes: Axes, comparison: Comparison, number: int, *, old: bool) -> FloatArray:
    """Draw a panel's outline, cuts and keep-outs; return the outline (N, 2) in the common frame."""
    layout, placing = comparison.layouts[number], comparison.placings[number]
    panel = layout.panel

    def common(points: FloatArray) -> FloatArray:
        return placing.to_common(points + layout.panel_origin_mm)

    outline = common(outline_points(panel))
    _line(axes, outline, OLD if old else "black", 1.0 if old else 1.4, dashed=old)
    for cut in panel.cuts:
        _line(axes, common(_shape(cut)), OLD if old else "black", 0.8, dashed=old)
    if not old:
        for keep_out in panel.keep_outs:
            _line(axes, common(_shape(keep_out)), "#999999", 0.6)
    return outline


def _shape(shape: Cut | KeepOut) -> FloatArray:
    if shape.shape == "circle":
        return circle_points(shape.centre_mm, shape.diameter_mm / 2)
    if isinstance(shape, Cut):
        return polyline(cut_contour(shape))
    half = np.array(shape.size_mm) / 2
    corners = np.array([(-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0)])
    return np.asarray(np.array(shape.centre_mm) + half * corners, dtype=np.float64)


def _line(axes: Axes, points: FloatArray, colour: str, width: float, *, dashed: bool = False) -> None:
    closed = np.vstack([points, points[:1]])
    axes.plot(*closed.T, color=colour, linewidth=width, linestyle=(0, (4, 2.5)) if dashed else "-", zorder=2)


def _cross_out(axes: Axes, centre: FloatArray, radius: float) -> None:
    arm = 0.7 * radius
    for sign in (1, -1):
        ends = centre + np.array([(-arm, -sign * arm), (arm, sign * arm)])
        axes.plot(*ends.T, color=MOVED, linewidth=1.2, zorder=2)


def _arrow(axes: Axes, start: FloatArray, end: FloatArray) -> None:
    axes.annotate(
        "", xy=tuple(end), xytext=tuple(start), zorder=4,
        arrowprops={
            "arrowstyle": "-|>,head_width=0.22,head_length=0.4", "color": MOVED, "linewidth": 1.6,
            "shrinkA": 0.0, "shrinkB": 0.0,
        },
    )  # fmt: skip


def _write(axes: Axes, centre: FloatArray, lines: list[str], colour: str, *, above: bool = False) -> None:
    """Write a few lines below the middle of a hole, or above it: on the side from which no arrow comes."""
    from matplotlib.patheffects import withStroke

    x, y = (float(value) for value in centre)
    axes.text(
        x, y - 2.0 if above else y + 2.0, "\n".join(lines), fontsize=_POINT, color=colour, ha="center",
        va="bottom" if above else "top", linespacing=1.05, zorder=3,
        path_effects=[withStroke(linewidth=2.5, foreground="white")],
    )  # fmt: skip


def _scale_bar(axes: Axes, start: tuple[float, float]) -> None:
    x, y = start
    axes.plot([x, x + BAR_MM], [y, y], color="black", linewidth=2.5, solid_capstyle="butt")
    axes.text(x + BAR_MM / 2, y + 1.5, f"{BAR_MM:.0f} mm", fontsize=_POINT, ha="center", va="top")


def _legend(axes: Axes, comparison: Comparison, step: int) -> None:
    from matplotlib.lines import Line2D

    kinds = {change.kind for change in comparison.steps[step].buttons}
    rows = [
        Line2D([], [], color=OLD, linewidth=1.0, linestyle=(0, (4, 2.5)), label="as it was"),
        Line2D([], [], color=NEW, linewidth=1.3, label="hole as it is now"),
    ]
    if any(change.moved for change in comparison.steps[step].buttons):
        rows.append(
            Line2D([], [], color=MOVED, linewidth=1.6, marker=">", markersize=5, label="from old to new centre, mm")
        )
    if "added" in kinds:
        rows.append(Line2D([], [], color=ADDED, linewidth=1.8, label="added"))
    if "removed" in kinds:
        rows.append(Line2D([], [], color=MOVED, linewidth=0, marker="x", markersize=7, label="removed"))
    if comparison.layouts[step + 1].panel.keep_outs:
        rows.append(Line2D([], [], color="#999999", linewidth=0.6, label="keep-out"))
    axes.legend(handles=rows, loc="lower left", ncols=len(rows), fontsize=_POINT, frameon=False, borderaxespad=0.2)
