"""The plots of a report, in true proportions: axes in millimetres, y down towards the person, as on the mat.

Colours are those of Okabe and Ito (2008); shapes and dashes differ as well, so that a grey print tells them apart.
"""

from __future__ import annotations

import io
import math
import warnings
from collections.abc import Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from handcapture.drawings.common import check_drawable, circle_points, clean_label, outline_points
from handcapture.drawings.contours import cut_contour
from handcapture.drawings.labels import Obstacles, Wanted, disc_array, place_labels
from handcapture.layout.model import Cut, KeepOut, Layout
from handcapture.layout.outline import polyline, side_keep_out
from handcapture.lettering import text_width
from handcapture.mat.geometry import MATS
from handcapture.names import FINGERS, SIDES, Finger, Side
from handcapture.report.model import Picture

if TYPE_CHECKING:
    from collections.abc import Iterator

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from handcapture.report.inputs import CheckedButton, CheckRecord
    from handcapture.rest import Fingertip, Rest
    from handcapture.sessions import Comparison, FingerChange, Trend

FloatArray = NDArray[np.float64]
Box = tuple[float, float, float, float]
"""Least x and y, largest x and y, mm."""

WIDTH_MM: Final = 180.0
"""What A4 and Letter both leave between margins of 15 mm."""
SIDE_COLOURS: Final[dict[Side, str]] = {"left": "#0072B2", "right": "#D55E00"}
SIDE_MARKS: Final[dict[Side, str]] = {"left": "o", "right": "D"}
GREY: Final = "#5F5F5F"
PALM: Final = "#6B6B6B"
CHANGED: Final = "#D55E00"
AIM: Final = "#0072B2"
NORMAL_95: Final = -2.0 * np.log(0.05)
"""95 % quantile of chi-square with 2 degrees of freedom."""
SCALES: Final = (1.0, 1 / 1.25, 1 / 1.5, 1 / 2, 1 / 2.5, 1 / 3, 1 / 4, 1 / 5, 1 / 7.5, 1 / 10, 1 / 20)
_PNG_DPI: Final = 250
_POINT: Final = 7.5
_POINT_MM: Final = 25.4 / 72.0
_LEFT_MM, _RIGHT_MM, _TOP_MM = 11.0, 1.0, 2.0
_AXIS_MM: Final = 8.5
_ROW_MM: Final = 4.6


@dataclass(frozen=True)
class Plot:
    """A plot before it gets its caption: PNG, SVG, its size and the scale at which it is drawn, 0 where it has none."""

    png: bytes
    svg: bytes
    size_px: tuple[int, int]
    width_mm: float
    scale: float

    def picture(self, caption: str, alt: str) -> Picture:
        """Return it as a picture of a report; the caption ends with the scale."""
        if self.scale == 1.0:
            caption += " True size when printed at 100 %."
        elif self.scale > 0.0:
            caption += f" Scale 1:{1 / self.scale:.4g} when printed at 100 %."
        return Picture(caption, alt, self.png, "png", self.size_px, self.width_mm, self.svg)


@contextmanager
def _plain_style() -> Iterator[None]:
    """Fix fonts and ids, and take texts as they are: a dollar sign in a label is no formula."""
    from matplotlib import rc_context

    settings: dict[Any, Any] = {
        "svg.hashsalt": "handcapture",
        "svg.fonttype": "path",
        "text.parse_math": False,
        "font.size": _POINT,
    }
    with rc_context(settings), warnings.catch_warnings():
        warnings.simplefilter("ignore")  # characters that the typeface lacks are drawn as boxes
        yield


def _saved(figure: Figure, scale: float) -> Plot:
    width = float(figure.get_size_inches()[0])
    png, svg = io.BytesIO(), io.BytesIO()
    figure.savefig(png, format="png", dpi=_PNG_DPI, metadata={"Software": None})
    bare: dict[str, Any] = {"Date": None, "Creator": None, "Format": None, "Type": None}
    figure.savefig(svg, format="svg", metadata=bare)
    data = png.getvalue()
    size = (int.from_bytes(data[16:20], "big"), int.from_bytes(data[20:24], "big"))
    return Plot(data, svg.getvalue(), size, width * 25.4, scale)


def _scale_for(box: Box, most_mm: tuple[float, float]) -> float:
    """Return the largest usual scale at which the box fits, with its axes; one of its own for what is far too large."""
    room = (most_mm[0] - _LEFT_MM - _RIGHT_MM, most_mm[1] - _TOP_MM - _AXIS_MM)
    size = (box[2] - box[0], box[3] - box[1])
    fitting = (s for s in SCALES if size[0] * s <= room[0] + 1e-6 and size[1] * s <= room[1] + 1e-6)
    return next(fitting, min(room[0] / size[0], room[1] / size[1]))


def _true_axes(box: Box, scale: float, legend_rows: int) -> tuple[Figure, Axes]:
    """Return a figure whose axes show the box at exactly this scale, y down, ticks in mm."""
    from matplotlib.figure import Figure

    wide, high = (box[2] - box[0]) * scale, (box[3] - box[1]) * scale
    below = _AXIS_MM + _ROW_MM * legend_rows
    width, height = max(_LEFT_MM + wide + _RIGHT_MM, 120.0), below + high + _TOP_MM
    figure = Figure(figsize=(width / 25.4, height / 25.4), facecolor="white")
    axes = figure.add_axes((_LEFT_MM / width, below / height, wide / width, high / height))
    axes.set_xlim(box[0], box[2])
    axes.set_ylim(box[3], box[1])
    usual = scale >= SCALES[-1]
    step = 20.0 if scale >= 0.75 else 50.0 if usual else 50.0 * math.ceil(0.2 / scale)
    for axis in (axes.xaxis, axes.yaxis):
        from matplotlib.ticker import MultipleLocator

        axis.set_major_locator(MultipleLocator(step))
        axis.set_minor_locator(MultipleLocator(10.0 if usual else step / 5.0))
    axes.tick_params(labelsize=_POINT - 0.5, length=3.0, color=GREY)
    axes.tick_params(which="minor", length=1.5, color=GREY)
    axes.grid(True, which="major", color="#DDDDDD", linewidth=0.5)
    axes.set_axisbelow(True)
    axes.set_xlabel("x, mm (to the right)", fontsize=_POINT, labelpad=1.5)
    axes.set_ylabel("y, mm (towards the person)", fontsize=_POINT, labelpad=1.5)
    for spine in axes.spines.values():
        spine.set_color(GREY)
        spine.set_linewidth(0.6)
    return figure, axes


def _legend(figure: Figure, handles: Sequence[Any], columns: int) -> None:
    figure.legend(
        handles=list(handles), loc="lower left", bbox_to_anchor=(0.0, 0.0), ncols=columns, fontsize=_POINT - 0.5,
        frameon=False, borderaxespad=0.2, handlelength=2.2, columnspacing=1.4, labelspacing=0.35,
    )  # fmt: skip


def _rows(handles: Sequence[Any], columns: int) -> int:
    return -(-len(handles) // columns)


def ellipse(covariance: FloatArray, limit: float = NORMAL_95) -> FloatArray:
    """Return the border of a region d' C^-1 d <= limit about 0 as a polygon (N, 2)."""
    values, vectors = np.linalg.eigh(covariance)
    circle = circle_points((0.0, 0.0), 1.0, 72)
    return np.asarray((circle * np.sqrt(limit * np.clip(values, 0.0, None))) @ vectors.T, dtype=np.float64)


def _closed(axes: Axes, points: FloatArray, **style: Any) -> None:
    axes.plot(*np.vstack([points, points[:1]]).T, **style)


def _write(axes: Axes, place: FloatArray, text: str, **style: Any) -> None:
    from matplotlib.patheffects import withStroke

    settings: dict[str, Any] = {"fontsize": _POINT, "ha": "center", "va": "center", "zorder": 6, **style}
    axes.text(
        float(place[0]), float(place[1]), text, linespacing=1.05, clip_on=True,
        path_effects=[withStroke(linewidth=2.2, foreground="white")], **settings,
    )  # fmt: skip


# Contacts


def contacts_plot(rest: Rest, side: Side | None = None) -> Plot:
    """Return the contacts of a rest with their regions: of both hands on the mat, or of one hand near to."""
    tips = [tip for tip in rest.fingertips if side is None or tip.side == side]
    points = [_about(tip) for tip in tips]
    if side is None:
        size = _mat_size(rest)
        points += [np.array([(0.0, 0.0), size])] if size else []
        box = _box(points, 0.0 if size else 10.0)
        scale = _scale_for(box, (WIDTH_MM, 175.0))
    else:
        box = _box(points, 12.0)
        scale = _scale_for(box, (WIDTH_MM, 165.0))
    handles = _contact_handles(rest, [s for s in SIDES if any(tip.side == s for tip in tips)])
    with _plain_style():
        figure, axes = _true_axes(box, scale, _rows(handles, 4))
        for hand in rest.hands:
            if hand.palm is not None and side in (None, hand.side):
                _closed(axes, hand.palm.outline_mm, color=PALM, linewidth=1.1, linestyle=(0, (1, 1.2)), zorder=1)
        for placement in rest.placements:
            for contact in (c for c in placement.contacts if side in (None, c.side)):
                filled = "none" if contact.hidden else GREY
                axes.plot(
                    *contact.contact_mm, marker=".", markersize=4.0, markerfacecolor=filled, color=GREY,
                    markeredgewidth=0.6, linestyle="none", zorder=4,
                )  # fmt: skip
        for tip in tips:
            _draw_tip(axes, tip, 4.0 if side is None else 6.0)
        names = [_Named(tip.finger, tip.contact_mm, _half_mm(tip), np.asarray(tip.reach)) for tip in tips]
        _name(axes, names, [(*tip.contact_mm, _half_mm(tip)) for tip in tips], box, scale, _POINT)
        _legend(figure, handles, 4)
        return _saved(figure, scale)


def _about(tip: Fingertip) -> FloatArray:
    """Return the points (N, 2) that a contact takes up in a plot, its regions cut where they would fill it."""
    points = [ellipse(matrix) for matrix in (tip.covariance_mm2, tip.spread_mm2)]
    return np.vstack([tip.contact_mm + np.clip(part, -25.0, 25.0) for part in points])


def _box(points: Sequence[FloatArray], margin: float) -> Box:
    everything = np.vstack(points)
    low, high = everything.min(axis=0) - margin, everything.max(axis=0) + margin
    return float(low[0]), float(low[1]), float(high[0]), float(high[1])


def _mat_size(rest: Rest) -> tuple[float, float] | None:
    names = {source.mat for placement in rest.placements for source in placement.sources}
    return next((MATS[name].size_mm for name in sorted(names) if name in MATS), None)


def _draw_tip(axes: Axes, tip: Fingertip, size: float) -> None:
    colour = SIDE_COLOURS[tip.side]
    region = tip.contact_mm + ellipse(tip.covariance_mm2)
    axes.fill(*region.T, facecolor=colour, alpha=0.22, edgecolor="none", zorder=2)
    _closed(axes, region, color=colour, linewidth=1.2, zorder=3)
    spread = tip.contact_mm + ellipse(tip.spread_mm2)
    _closed(axes, spread, color=colour, linewidth=0.8, linestyle=(0, (4, 2)), zorder=3)
    axes.plot(
        *tip.contact_mm, marker=SIDE_MARKS[tip.side], markersize=size, color=colour, linestyle="none", zorder=5,
        markerfacecolor="white" if tip.hidden else colour, markeredgecolor=colour if tip.hidden else "white",
        markeredgewidth=1.2 if tip.hidden else 0.7,
    )  # fmt: skip


def _half_mm(tip: Fingertip) -> float:
    """Return how far the larger of a contact's regions reaches, cut where it would fill the plot."""
    ends = np.vstack([ellipse(tip.covariance_mm2), ellipse(tip.spread_mm2)])
    return min(float(np.hypot(*ends.T).max()), 25.0)


@dataclass(frozen=True, eq=False)
class _Named:
    """A name (lines of text), what it names as a disc, and the side on which it had best stand."""

    text: str
    at: FloatArray
    radius: float
    toward: FloatArray
    bold: bool = False


def _name(
    axes: Axes,
    names: Sequence[_Named],
    discs: Sequence[tuple[float, float, float]],
    box: Box,
    scale: float,
    size: float,
) -> None:
    """Write names beside what they name, clear of each other and of discs (x, y, radius), data units."""
    point = _POINT_MM * size / scale
    wanted = []
    for name in names:
        lines = name.text.splitlines()
        width = max(text_width(line, 0.72 * point) for line in lines) * (1.12 if name.bold else 1.0)
        anchor = (float(name.at[0]), float(name.at[1]))
        toward = (float(name.toward[0]), float(name.toward[1]))
        wanted.append(Wanted(anchor, name.radius, (width, 1.15 * point * len(lines)), toward))
    found = Obstacles(disc_array(discs), disc_array(()), (), box)
    for name, place in zip(names, place_labels(wanted, found, gap=0.5 * point), strict=True):
        middle = np.array([(place[0] + place[2]) / 2, (place[1] + place[3]) / 2])
        _write(axes, middle, name.text, color="black", fontsize=size, fontweight="bold" if name.bold else "normal")


def _contact_handles(rest: Rest, sides: Sequence[Side]) -> list[Any]:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    handles: list[Any] = [
        Line2D([], [], color=SIDE_COLOURS[side], marker=SIDE_MARKS[side], linestyle="none", label=f"{side} contact")
        for side in sides
    ]
    handles.append(Patch(facecolor="#BBBBBB", edgecolor="black", linewidth=1.0, label="95 % region of the contact"))
    wanders = "95 % of placements" + (" (assumed)" if all(t.spread_is_assumed for t in rest.fingertips) else "")
    handles.append(Line2D([], [], color="black", linewidth=0.8, linestyle=(0, (4, 2)), label=wanders))
    if len(rest.placements) > 1:
        handles.append(Line2D([], [], color=GREY, marker=".", linestyle="none", label="single placements"))
    if any(tip.hidden for tip in rest.fingertips):
        hollow = {"color": "black", "marker": "o", "markerfacecolor": "white", "linestyle": "none"}
        handles.append(Line2D([], [], label="hidden in every photo", **hollow))  # type: ignore[arg-type]
    if any(hand.palm is not None for hand in rest.hands):
        handles.append(Line2D([], [], color=PALM, linewidth=1.1, linestyle=(0, (1, 1.2)), label="palm"))
    return handles


# Sessions compared


def change_plot(before: Rest, comparison: Comparison, side: Side) -> Plot | None:
    """Return one hand's fingers as they lay before, with arrows to where they lie now; None where none is compared.

    Changes are those relative to the hand; the regions are the 95 % regions of the changes, about the arrows' ends.
    """
    tips: dict[Finger, Fingertip] = {tip.finger: tip for tip in before.fingertips if tip.side == side}
    changes = {f.finger: f for f in comparison.fingers if f.side == side and f.change_mm is not None}
    shown = [finger for finger in FINGERS if finger in tips and finger in changes]
    if not shown:
        return None
    points = [np.array([tip.contact_mm]) for tip in tips.values()]
    points += [_change_region(tips[finger], changes[finger]) for finger in shown]
    box = _box(points, 10.0)
    scale = _scale_for(box, (WIDTH_MM, 125.0))
    with _plain_style():
        handles = _change_handles()
        figure, axes = _true_axes(box, scale, _rows(handles, 4))
        discs, names = [], []
        for finger in shown:
            tip, change = tips[finger], changes[finger]
            _draw_change(axes, tip, change)
            region = _change_region(tip, change)
            middle = (region.max(axis=0) + region.min(axis=0)) / 2
            radius = max(float(np.hypot(*(region - middle).T).max()), 2.0 / scale)
            told = change.verdict == "changed"
            words = f"{finger}\n{change.distance_mm:.1f} mm" + (", changed" if told else "")
            names.append(_Named(words, middle, radius, np.asarray(tip.reach), told))
            discs += [(*middle, radius), (*tip.contact_mm, 2.0 / scale)]
        _name(axes, names, discs, box, scale, _POINT)
        _legend(figure, handles, 4)
        return _saved(figure, scale)


def _change_region(tip: Fingertip, change: FingerChange) -> FloatArray:
    assert change.change_mm is not None
    assert change.covariance_mm2 is not None
    end = tip.contact_mm + change.change_mm
    if change.limit is None or not np.isfinite(change.limit):
        return end[None]
    return np.asarray(end + np.clip(ellipse(change.covariance_mm2, change.limit), -30.0, 30.0), dtype=np.float64)


def _draw_change(axes: Axes, tip: Fingertip, change: FingerChange) -> None:
    assert change.change_mm is not None
    told = change.verdict == "changed"
    colour = CHANGED if told else AIM if change.verdict == "unchanged" else GREY
    style: Any = "-" if told else (0, (4, 2)) if change.verdict == "unchanged" else (0, (1, 1.5))
    region = _change_region(tip, change)
    end = tip.contact_mm + change.change_mm
    if len(region) > 1:
        if told:
            axes.fill(*region.T, facecolor=colour, alpha=0.18, edgecolor="none", zorder=2)
        _closed(axes, region, color=colour, linewidth=1.4 if told else 1.0, linestyle=style, zorder=3)
    axes.plot(*tip.contact_mm, marker="+", markersize=8.0, markeredgewidth=1.2, color="black", zorder=4)
    axes.annotate(
        "", xy=tuple(end), xytext=tuple(tip.contact_mm), zorder=5,
        arrowprops={
            "arrowstyle": "-|>,head_width=0.2,head_length=0.35", "color": colour, "linewidth": 1.8 if told else 1.1,
            "shrinkA": 0.0, "shrinkB": 0.0,
        },
    )  # fmt: skip


def _change_handles() -> list[Any]:
    from matplotlib.lines import Line2D

    return [
        Line2D([], [], color="black", marker="+", markersize=8, linestyle="none", label="where it came down before"),
        Line2D([], [], color=CHANGED, linewidth=1.8, label="changed"),
        Line2D([], [], color=AIM, linewidth=1.0, linestyle=(0, (4, 2)), label="unchanged within the margin"),
        Line2D([], [], color=GREY, linewidth=1.0, linestyle=(0, (1, 1.5)), label="cannot tell"),
    ]


def trend_plot(found: Sequence[Trend], side: Side | None) -> Plot | None:
    """Return how one hand's fingers, or with None the posture, ran over the sessions; None where nothing did."""
    groups: dict[str, list[Trend]] = {}
    for trend in found:
        if side is None and trend.finger is None:
            groups.setdefault(trend.name, []).append(trend)
        elif side is not None and trend.side == side and trend.finger is not None:
            groups.setdefault(f"{trend.side} {trend.finger}", []).append(trend)
    if not groups:
        return None
    from matplotlib.figure import Figure

    columns = 2
    rows = -(-len(groups) // columns)
    height = 42.0 * rows + 6.0
    with _plain_style():
        figure = Figure(figsize=(WIDTH_MM / 25.4, height / 25.4), facecolor="white")
        for number, (name, trends) in enumerate(groups.items()):
            column, row = number % columns, number // columns
            place = (14.0 + 90.0 * column, height - 42.0 * (row + 1) + 10.0, 74.0, 26.0)
            axes = figure.add_axes((place[0] / WIDTH_MM, place[1] / height, place[2] / WIDTH_MM, place[3] / height))
            _draw_trends(axes, name, trends)
        if side is not None:
            _legend(figure, _trend_handles(), 3)
        return _saved(figure, 0.0)


_TREND_STYLES: Final[tuple[tuple[str, str, Any], ...]] = (("o", "#0072B2", "-"), ("s", "#D55E00", (0, (4, 2))))


def _draw_trends(axes: Axes, name: str, trends: Sequence[Trend]) -> None:
    for trend, (mark, colour, dashes) in zip(trends, _TREND_STYLES, strict=False):
        half = 1.96 * np.asarray(trend.errors)
        axes.errorbar(
            trend.times_days, trend.values, yerr=half, marker=mark, markersize=4.0, color=colour, linewidth=0.7,
            linestyle=dashes, elinewidth=0.9, capsize=2.0, zorder=3,
        )  # fmt: skip
        if trend.fit is not None and trend.verdict == "changed":
            start = float(trend.times_days[0])
            days = np.linspace(start, float(trend.times_days[-1]), 40)
            line = np.array([trend.fit.at(day - start) for day in days])
            axes.plot(days, line[:, 0], color=colour, linewidth=2.0, zorder=4)
            axes.fill_between(days, line[:, 0] - line[:, 1], line[:, 0] + line[:, 1], color=colour, alpha=0.15)
    changed = any(trend.verdict == "changed" for trend in trends)
    axes.set_title(
        name + (": changed" if changed else ""), fontsize=_POINT, loc="left", pad=3.0,
        fontweight="bold" if changed else "normal",
    )  # fmt: skip
    axes.set_xlabel("days since the first session", fontsize=_POINT - 0.5, labelpad=1.0)
    axes.set_ylabel("degrees" if trends[0].unit == "deg" else "mm", fontsize=_POINT - 0.5, labelpad=1.0)
    axes.tick_params(labelsize=_POINT - 1.0, length=2.0)
    axes.grid(True, color="#DDDDDD", linewidth=0.5)
    axes.margins(x=0.08, y=0.15)


def _trend_handles() -> list[Any]:
    from matplotlib.lines import Line2D

    words = ("towards the little finger", "towards the person")
    return [
        Line2D([], [], color=colour, marker=mark, markersize=4, linestyle=dashes, linewidth=0.7, label=text)
        for text, (mark, colour, dashes) in zip(words, _TREND_STYLES, strict=True)
    ]


# Layout and check


def layout_plot(layout: Layout, rest: Rest | None) -> Plot:
    """Return the panel with its holes, how surely each is landed on, and, of the rest it was fitted to, the contacts.

    Panel frame. InputError when the layout cannot be drawn.
    """
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    check_drawable(layout)
    handles: list[Any] = [Line2D([], [], color="black", linewidth=1.4, label="hole, with the share that lands on it")]
    if layout.panel.keep_outs or layout.panel.side_features:
        handles.append(Patch(facecolor="none", edgecolor=GREY, hatch="////", linewidth=0.6, label="kept free"))
    if rest is not None:
        sides = [side for side in SIDES if any(tip.side == side for tip in rest.fingertips)]
        handles += [
            Line2D([], [], color=SIDE_COLOURS[s], marker=SIDE_MARKS[s], linestyle="none", label=f"{s} contact")
            for s in sides
        ]
        handles.append(Line2D([], [], color="black", linewidth=0.8, linestyle=(0, (4, 2)), label="95 % of placements"))
    with _plain_style():
        figure, axes, scale = _panel_axes(layout, handles)
        if rest is not None:
            _draw_contacts(axes, rest, np.array(layout.panel_origin_mm))
        for button in layout.buttons:
            circle = circle_points(button.centre_mm, button.hole_mm / 2)
            _closed(axes, circle, color="black", linewidth=1.4, zorder=4)
        names, discs = [], [(*button.centre_mm, button.top_radius_mm) for button in layout.buttons]
        discs += [(*cut.centre_mm, cut.diameter_mm / 2) for cut in layout.panel.cuts if cut.shape == "circle"]
        if rest is not None:
            discs += [(*(tip.contact_mm - layout.panel_origin_mm), 1.5 / scale) for tip in rest.fingertips]
        for button in layout.buttons:
            words = _wrapped(clean_label(button.label))
            if button.landing_probability is not None:
                words[-1] += f" {100 * button.landing_probability:.0f} %"
            at = np.array(button.centre_mm)
            names.append(_Named("\n".join(words), at, button.top_radius_mm, np.array([0.0, -1.0])))
        panel = layout.panel
        _name(axes, names, discs, (1.0, 1.0, panel.width_mm - 1.0, panel.height_mm - 1.0), scale, _POINT - 0.5)
        _legend(figure, handles, 4)
        return _saved(figure, scale)


def _wrapped(label: str) -> list[str]:
    import textwrap

    return textwrap.wrap(label, 12)[:2] or [label]


def _draw_contacts(axes: Axes, rest: Rest, origin_mm: FloatArray) -> None:
    for tip in rest.fingertips:
        place = tip.contact_mm - origin_mm
        colour = SIDE_COLOURS[tip.side]
        spread = place + ellipse(tip.spread_mm2)
        _closed(axes, spread, color=colour, linewidth=0.8, linestyle=(0, (4, 2)), zorder=3)
        axes.plot(*place, marker=SIDE_MARKS[tip.side], markersize=3.5, color=colour, linestyle="none", zorder=5)


def _panel_axes(layout: Layout, handles: Sequence[Any]) -> tuple[Figure, Axes, float]:
    """Return axes in the panel's frame with its outline, openings and keep-outs drawn, and their scale."""
    panel = layout.panel
    outline = outline_points(panel)
    holes = [circle_points(button.centre_mm, button.hole_mm / 2) for button in layout.buttons]
    box = _box([outline, *holes], 4.0)
    scale = _scale_for(box, (WIDTH_MM, 165.0))
    figure, axes = _true_axes(box, scale, _rows(handles, 4))
    axes.grid(False)
    axes.fill(*outline.T, facecolor="#F7F7F7", edgecolor="none", zorder=0)
    _closed(axes, outline, color="black", linewidth=1.2, zorder=2)
    sides = [side_keep_out(panel, feature) for feature in panel.side_features]
    for keep_out in (*panel.keep_outs, *sides):
        axes.fill(*_shape(keep_out).T, facecolor="none", edgecolor="#AAAAAA", hatch="////", linewidth=0.6, zorder=1)
    for cut in panel.cuts:
        axes.fill(*_shape(cut).T, facecolor="white", edgecolor="black", linewidth=0.8, zorder=2)
    return figure, axes, scale


def _shape(shape: Cut | KeepOut) -> FloatArray:
    if shape.shape == "circle":
        return circle_points(shape.centre_mm, shape.diameter_mm / 2)
    if isinstance(shape, Cut):
        return polyline(cut_contour(shape))
    half = np.array(shape.size_mm) / 2
    corners = np.array([(-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0)])
    return np.asarray(np.array(shape.centre_mm) + half * corners, dtype=np.float64)


def check_plot(check: CheckRecord) -> Plot | None:
    """Return the template's holes with where their fingers land on average; None where the check has no places."""
    from matplotlib.lines import Line2D

    shown = [(b, b.centre_mm, b.hole_mm) for b in check.buttons if b.centre_mm is not None and b.hole_mm is not None]
    if not shown:
        return None
    box = _box([circle_points(centre, hole / 2) for _, centre, hole in shown], 12.0)
    scale = _scale_for(box, (WIDTH_MM, 140.0))
    handles: list[Any] = [
        Line2D([], [], color="black", linewidth=1.2, label="hole as printed"),
        Line2D([], [], color=AIM, linewidth=1.6, label="from its centre to where the finger lands"),
        Line2D([], [], color=AIM, linewidth=0.8, linestyle=(0, (4, 2)), label="95 % region of that mean"),
        Line2D([], [], color=CHANGED, linewidth=1.6, label="hole as advised"),
    ]
    with _plain_style():
        figure, axes = _true_axes(box, scale, _rows(handles, 4))
        for button, centre, hole in shown:
            at = np.array(centre)
            rested = button.offset_mm is not None
            _closed(
                axes, circle_points(centre, hole / 2), color="black" if rested else "#999999", linewidth=1.2, zorder=3
            )
            axes.plot(*at, marker="+", markersize=6.0, color="black" if rested else "#999999", zorder=4)
            if button.move_mm is not None:
                moved = at + np.array(button.move_mm)
                _closed(axes, circle_points((moved[0], moved[1]), hole / 2), color=CHANGED, linewidth=1.6, zorder=3)
            if button.offset_mm is not None:
                _draw_offset(axes, at, np.array(button.offset_mm), button.offset_covariance_mm2)
        _name(axes, *_check_names(shown), box, scale, _POINT - 0.5)
        _legend(figure, handles, 4)
        return _saved(figure, scale)


def _check_names(
    shown: Sequence[tuple[CheckedButton, tuple[float, float], float]],
) -> tuple[list[_Named], list[tuple[float, float, float]]]:
    """Return the names of buttons, below them if there is room, and what they keep clear of."""
    names, discs = [], []
    for button, centre, hole in shown:
        at = np.array(centre)
        discs.append((*centre, hole / 2))
        if button.move_mm is not None:
            discs.append((*(at + np.array(button.move_mm)), hole / 2))
        names.append(_Named("\n".join(_wrapped(clean_label(button.label))), at, hole / 2, np.array([0.0, 1.0])))
    return names, discs


def _draw_offset(axes: Axes, at: FloatArray, offset: FloatArray, covariance: Any) -> None:
    end = at + offset
    if covariance is not None:
        region = end + np.clip(ellipse(np.array(covariance)), -30.0, 30.0)
        _closed(axes, region, color=AIM, linewidth=0.8, linestyle=(0, (4, 2)), zorder=4)
    axes.annotate(
        "", xy=tuple(end), xytext=tuple(at), zorder=5,
        arrowprops={
            "arrowstyle": "-|>,head_width=0.18,head_length=0.32", "color": AIM, "linewidth": 1.5, "shrinkA": 0.0,
            "shrinkB": 0.0,
        },
    )  # fmt: skip
