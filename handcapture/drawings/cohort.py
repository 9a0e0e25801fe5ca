"""A cohort as a picture: coverage against the number of sizes, and the sizes over everybody's contacts."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING, Final

import numpy as np

from handcapture.cohort import Cohort, SizeSet, laid_onto

if TYPE_CHECKING:
    from matplotlib.axes import Axes

SERVED: Final = "#8A8A8A"
LEFT_OUT: Final = "#000000"
"""Grey and black: colours are those of sizes."""
_MARKS: Final = ("o", "s", "D", "^", "v", "P", "X", "<", ">", "h")
_COLOURS: Final = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#56B4E9", "#E69F00")
"""Okabe and Ito 2008, told apart by colour-blind eyes; beyond six, marks alone tell sizes apart."""


def cohort_picture(cohort: Cohort, chosen: SizeSet, suffix: str) -> bytes:
    """Return the picture as PNG (200 dpi), SVG or PDF, without date."""
    from matplotlib import rc_context
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    with rc_context(
        {"font.family": "DejaVu Sans", "font.size": 9, "svg.hashsalt": "handcapture", "svg.fonttype": "path"}
    ):
        figure = Figure(figsize=(11, 4.6), layout="constrained")
        FigureCanvasAgg(figure)
        left, right = figure.subplots(1, 2, width_ratios=[1, 1.7])
        _coverage(left, cohort, chosen)
        _sizes(right, cohort, chosen)
        out = io.BytesIO()
        kind = suffix.lstrip(".")
        metadata = {
            "png": {"Software": "handcapture"},
            "svg": {"Date": None, "Creator": "handcapture"},
            "pdf": {"CreationDate": None, "Creator": "handcapture"},
        }[kind]
        figure.savefig(out, format=kind, dpi=200, metadata=metadata)
    return out.getvalue()


def _coverage(axes: Axes, cohort: Cohort, chosen: SizeSet) -> None:
    counts = [len(entry.sizes) for entry in cohort.sets]
    lines = (
        ("of the people they were made from", SERVED, "o", -0.06, [entry.served for entry in cohort.sets]),
        ("of people left out of the making", LEFT_OUT, "D", 0.06, [e.served_when_left_out for e in cohort.sets]),
    )
    for label, colour, mark, aside, shares in lines:
        known = [(count + aside, share) for count, share in zip(counts, shares, strict=True) if share is not None]
        if not known:
            continue
        x = [at for at, _ in known]
        y = np.array([share.value for _, share in known])
        bars = np.array([[share.value - share.low, share.high - share.value] for _, share in known]).T
        axes.errorbar(
            x, 100 * y, 100 * np.abs(bars), color=colour, marker=mark, markersize=5, capsize=2.5, linewidth=1.2,
            label=label,
        )  # fmt: skip
    axes.axvline(
        len(chosen.sizes), color="#999999", linewidth=0.8, linestyle=(0, (4, 3)), zorder=0, label="the set on the right"
    )
    axes.set_ylim(0, 103)
    axes.set_xticks(counts)
    axes.set_xlabel("sizes")
    axes.set_ylabel("people served, %")
    axes.set_title(f"Every finger within {cohort.within_mm:g} mm", fontsize=10)
    axes.grid(axis="y", color="#E0E0E0", linewidth=0.6)
    axes.legend(loc="upper center", bbox_to_anchor=(0.5, -0.13), frameon=False, fontsize=8)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)


def _sizes(axes: Axes, cohort: Cohort, chosen: SizeSet) -> None:
    label = f"contacts of {len(cohort.people)} people, laid onto their sizes"
    for service in chosen.services:
        points = laid_onto(cohort, cohort.people[service.person], chosen.sizes[service.size])
        axes.plot(*points.T, ".", color="#8A8A8A", markersize=2.5, alpha=0.6, zorder=1, label=label)
        label = "_nolegend_"
    for k, size in enumerate(chosen.sizes):
        colour, mark = _COLOURS[k % len(_COLOURS)], _MARKS[k % len(_MARKS)]
        name = f"size {size.label}, mean of {len(size.people)}"
        for rows in (slice(0, 5), slice(5, 10)):
            points = size.contacts_mm[rows]
            axes.plot(*points.T, color=colour, marker=mark, markersize=5.5, linewidth=1.0, label=name, zorder=2)
            name = "_nolegend_"
    axes.set_aspect("equal")
    axes.invert_yaxis()
    axes.set_xlabel("mm, as hands lie on average; towards the person is down")
    axes.set_title("The sizes", fontsize=10)
    axes.grid(color="#EDEDED", linewidth=0.6)
    axes.legend(loc="upper center", bbox_to_anchor=(0.5, -0.2), ncols=2, frameon=False, fontsize=8)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
