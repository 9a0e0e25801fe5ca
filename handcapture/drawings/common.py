"""What the drawings share: the check that a layout can be drawn, clean labels, outline points and notes."""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from handcapture.drawings.labels import (
    Obstacles,
    Wanted,
    box_around,
    box_meets_discs,
    disc_array,
    place_labels,
)
from handcapture.errors import InputError
from handcapture.layout.model import Button, KeepOut, Layout, Panel, Point

FloatArray = NDArray[np.float64]

LONGEST_LABEL = 24
"""Longer labels are shortened in drawings; the drill table carries them whole."""


def check_drawable(layout: Layout) -> None:
    """Raise InputError, naming the entry, when the layout holds a number that no drawing can show."""
    panel = layout.panel
    for value, what in (
        (panel.width_mm, "width"),
        (panel.height_mm, "height"),
    ):
        if not (math.isfinite(value) and value > 0):
            raise InputError(f"The panel's {what} is {value} mm, but a length above 0 is needed. Mend the panel.")
    largest = min(panel.width_mm, panel.height_mm) / 2
    if not 0 <= panel.corner_radius_mm <= largest:
        raise InputError(
            f"The panel's corner radius is {panel.corner_radius_mm} mm, but it must lie between 0 and "
            f"{format_mm(largest)} mm, half the panel's shorter side. Mend the panel."
        )
    if not all(math.isfinite(value) for value in layout.panel_origin_mm):
        raise InputError(f"The layout's panel origin {layout.panel_origin_mm} is not a point. Fit the layout again.")
    for button in layout.buttons:
        name = f"Button {clean_label(button.label)!r}"
        if not (math.isfinite(button.hole_mm) and button.hole_mm > 0):
            raise InputError(f"{name} has a hole of {button.hole_mm} mm, but a diameter above 0 is needed.")
        if not all(math.isfinite(value) for value in (*button.centre_mm, *button.wish_mm)):
            raise InputError(f"{name} has no centre that could be drawn ({button.centre_mm}). Fit the layout again.")
    for keep_out in panel.keep_outs:
        lengths = (keep_out.diameter_mm,) if keep_out.shape == "circle" else keep_out.size_mm
        numbers = (*keep_out.centre_mm, *lengths, keep_out.clearance_mm)
        if not all(math.isfinite(value) for value in numbers) or min(lengths) <= 0 or keep_out.clearance_mm < 0:
            raise InputError(
                f"The keep-out {clean_label(keep_out.name)!r} has a size or place that cannot be drawn. Mend the panel."
            )


def clean_label(label: str, longest: int | None = LONGEST_LABEL) -> str:
    """Return the label on one line, without characters that break a file, at most `longest` characters.

    Control characters, line ends and runs of spaces become one space. Surrogates and code points that are no
    characters (XML 1.0, section 2.2, and UTF-8 refuse them) become U+FFFD. Marks that turn the direction of
    writing are left out: they could reorder the numbers that follow.
    """
    kept = []
    for character in label:
        category = unicodedata.category(character)
        if category in ("Cc", "Zl", "Zp", "Zs"):
            kept.append(" ")
        elif category == "Cs" or ord(character) & 0xFFFE == 0xFFFE:
            kept.append("\ufffd")
        elif unicodedata.bidirectional(character) not in _DIRECTION_MARKS:
            kept.append(character)
    text = " ".join("".join(kept).split())
    if longest is not None and len(text) > longest:
        text = text[: longest - 1].rstrip() + "…"
    return text


_DIRECTION_MARKS = frozenset({"LRE", "RLE", "LRO", "RLO", "PDF", "LRI", "RLI", "FSI", "PDI"})


def text_width(text: str, height: float) -> float:
    """Return a width that `text` will hardly exceed in a common sans-serif face with letters `height` high.

    `height` is that of capitals, in any unit. Capitals of such faces are about 0.72 of the type size and a
    letter on average 0.55 of it wide, rarely more than 0.65 (common practice, no source); East Asian wide
    characters are square.
    """
    size = height / 0.72
    return size * sum(1.0 if unicodedata.east_asian_width(c) in "WF" else 0.65 for c in text)


def largest_letters(text: str, radius: float, offset: float, largest: float) -> float:
    """Return the type size, at most `largest`, at which `text` fits in a circle `offset` from its centre."""
    if not text:
        return largest
    chord = 2 * math.sqrt(max(radius**2 - (abs(offset) + largest / 2) ** 2, 0.0)) - 0.1 * radius
    return min(largest, largest * chord / text_width(text, largest * 0.72))


def format_mm(value: float) -> str:
    """Return a length with at most two decimals and no trailing zeros: 24, 24.5, 318.25."""
    text = f"{value:.2f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def describe_button(button: Button) -> str:
    """Return one line that tells all of a button: its finger, place, and how well the finger is served."""
    row = ", far row" if button.row == "far" else ""
    text = f"{clean_label(button.label)}: {button.side} {button.finger}{row}"
    text += f", hole {format_mm(button.hole_mm)} mm"
    text += f", moved {format_mm(button.moved_mm)} mm from where the finger wants it"
    if button.landing_probability is not None:
        text += f", lands within the plunger {100 * button.landing_probability:.0f} % of the time"
    return text


def describe_keep_out(keep_out: KeepOut) -> str:
    """Return a keep-out's name and the face it lies on."""
    face = "" if keep_out.face == "both" else f" ({keep_out.face} the panel)"
    return clean_label(keep_out.name) + face


def hole_discs(layout: Layout) -> FloatArray:
    """Return the holes as discs (N, 3): x, y, radius, panel frame."""
    return disc_array((*button.centre_mm, button.hole_mm / 2) for button in layout.buttons)


def keep_out_names(layout: Layout, size_mm: float, spots: FloatArray | None = None) -> list[tuple[str, Point]]:
    """Return each keep-out's name in type of `size_mm` and the middle of its place, panel frame.

    A name that does not fit inside its keep-out stands beside it, clear of the holes. `spots` are more discs
    (N, 3) to keep clear of.
    """
    spots = disc_array(()) if spots is None else spots
    names: list[tuple[str, Point]] = []
    outside: list[tuple[str, Wanted]] = []
    panel = layout.panel
    for keep_out in panel.keep_outs:
        name = describe_keep_out(keep_out)
        width, height = (keep_out.diameter_mm, keep_out.diameter_mm) if keep_out.shape == "circle" else keep_out.size_mm
        length = text_width(name, 0.72 * size_mm)
        fits = length <= 0.9 * width and size_mm <= 0.9 * height
        if fits and not box_meets_discs(box_around(keep_out.centre_mm, (length, size_mm)), spots):
            names.append((name, keep_out.centre_mm))
        else:
            outside.append((name, Wanted(keep_out.centre_mm, height / 2, (length, size_mm))))
    obstacles = Obstacles(
        discs=np.vstack([hole_discs(layout), spots]),
        rings=disc_array(()),
        boxes=(),
        bounds=(1.0, 1.0, panel.width_mm - 1.0, panel.height_mm - 1.0),
    )
    boxes = place_labels([wanted for _, wanted in outside], obstacles, gap=1.0)
    for (name, _), box in zip(outside, boxes, strict=True):
        names.append((name, ((box[0] + box[2]) / 2, (box[1] + box[3]) / 2)))
    return [(name, middle) for name, middle in names if name]


def drawing_notes(layout: Layout) -> tuple[str, ...]:
    """Return the lines that stand beside every drawing of the panel."""
    panel = layout.panel
    size = f"{format_mm(panel.width_mm)} × {format_mm(panel.height_mm)} mm"
    if panel.corner_radius_mm > 0:
        size += f", corner radius {format_mm(panel.corner_radius_mm)} mm"
    if panel.thickness_mm is not None:
        size += f", {format_mm(panel.thickness_mm)} mm thick"
    if panel.material:
        size += f", {clean_label(panel.material)}"
    title = " · ".join(text for text in (clean_label(layout.name, 60), clean_label(panel.name, 60)) if text)
    lines = [f"{title}: {size}" if title else size]
    lines.append("Seen from above, the person's edge at the bottom. All sizes in mm, nominal: no kerf allowance.")
    faults = sum(finding.severity == "error" for finding in layout.findings)
    if faults:
        lines.append(f"NOT TO BE BUILT YET: the check of this layout found {faults} error{'s' * (faults > 1)}.")
    return tuple(lines)


def outline_points(panel: Panel, step_mm: float = 1.0) -> FloatArray:
    """Return the panel's outline as a closed polygon (N, 2), panel frame, points at most `step_mm` apart."""
    corners = list(_corner_points(panel))
    points = []
    for start, stop in zip(corners, corners[1:] + corners[:1], strict=True):
        count = max(1, math.ceil(math.dist(start, stop) / step_mm))
        points += [
            (start[0] + (stop[0] - start[0]) * k / count, start[1] + (stop[1] - start[1]) * k / count)
            for k in range(count)
        ]
    return np.array(points, dtype=np.float64)


def _corner_points(panel: Panel) -> Iterator[tuple[float, float]]:
    radius = panel.corner_radius_mm
    steps = 0 if radius == 0 else max(4, math.ceil(radius * math.pi / 2))
    right, bottom = panel.width_mm - radius, panel.height_mm - radius
    for x, y, start_deg in (
        (right, radius, -90),
        (right, bottom, 0),
        (radius, bottom, 90),
        (radius, radius, 180),
    ):
        for k in range(steps + 1):
            angle = math.radians(start_deg + (90 * k / steps if steps else 0))
            yield x + radius * math.cos(angle), y + radius * math.sin(angle)


def circle_points(centre: tuple[float, float], radius: float, count: int = 96) -> FloatArray:
    """Return a circle as a polygon (count, 2)."""
    angles = np.linspace(0.0, 2 * np.pi, count, endpoint=False)
    return np.column_stack([centre[0] + radius * np.cos(angles), centre[1] + radius * np.sin(angles)])
