"""What the drawings share: the check that a layout can be drawn, clean labels, outline points and notes."""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Sequence
from datetime import date
from itertools import pairwise
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from handcapture.errors import InputError
from handcapture.layout.model import Button, Cut, Edge, KeepOut, Layout, Panel, Point, SideFeature
from handcapture.layout.outline import polygon, polyline, vertices_of
from handcapture.lettering import DIRECTION_MARKS, KERF_MARK, text_width

if TYPE_CHECKING:
    from handcapture.drawings.labels import Box

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
    _check_outline(panel)
    for cut in panel.cuts:
        lengths = (cut.diameter_mm,) if cut.shape == "circle" else cut.size_mm
        fits = all(math.isfinite(value) for value in (*cut.centre_mm, *lengths, cut.corner_radius_mm))
        if not fits or min(lengths) <= 0 or (cut.shape == "rectangle" and not _rounds(cut.corner_radius_mm, *lengths)):
            raise InputError(
                f"The cut {clean_label(cut.name)!r} has a size or place that cannot be drawn. Mend the panel."
            )
    for feature in panel.side_features:
        numbers = (feature.along_mm, feature.width_mm, feature.inward_mm)
        if not all(math.isfinite(value) for value in numbers) or min(numbers[1:]) <= 0:
            raise InputError(
                f"The side feature {clean_label(feature.name)!r} has a size or place that cannot be drawn. "
                "Mend the panel."
            )


def _rounds(radius_mm: float, width_mm: float, height_mm: float) -> bool:
    return 0 <= radius_mm <= min(width_mm, height_mm) / 2


def _check_outline(panel: Panel) -> None:
    """Refuse an outline that is no simple closed line in the panel's frame."""
    if not panel.outline:
        return
    if not np.isfinite(panel.outline).all() or not _is_closed_line(panel):
        raise InputError("The panel's outline crosses itself or encloses nothing. Mend the panel.")
    left, top, right, bottom = polygon(panel).bounds
    if max(abs(left), abs(top), abs(right - panel.width_mm), abs(bottom - panel.height_mm)) > 0.05:
        raise InputError(
            f"The panel's outline spans {format_mm(right - left)} × {format_mm(bottom - top)} mm, but the panel says "
            f"{format_mm(panel.width_mm)} × {format_mm(panel.height_mm)} mm. Mend the panel."
        )


def _is_closed_line(panel: Panel) -> bool:
    import shapely

    if any(a[:2] == b[:2] for a, b in pairwise([*panel.outline, panel.outline[0]])):
        return False
    points = polyline(panel.outline)
    return len(points) > 2 and bool(shapely.LinearRing(points).is_simple) and polygon(panel).area > 0


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
        elif unicodedata.bidirectional(character) not in DIRECTION_MARKS:
            kept.append(character)
    text = " ".join("".join(kept).split())
    if longest is not None and len(text) > longest:
        text = text[: longest - 1].rstrip() + "…"
    return text


def largest_letters(text: str, radius: float, offset: float, largest: float) -> float:
    """Return the type size, at most `largest`, at which `text` fits in a circle `offset` from its centre."""
    if not text:
        return largest
    chord = 2 * math.sqrt(max(radius**2 - (abs(offset) + largest / 2) ** 2, 0.0)) - 0.1 * radius
    return min(largest, largest * chord / text_width(text, largest * 0.72))


_EASY_LETTERS_MM: Final = 2.5


def lines_in_circle(text: str, radius: float, offset: float, largest: float) -> list[tuple[str, float, float]]:
    """Return a text as one or two lines in a circle, each with its offset from the centre and its type size.

    `offset` is that of the middle of the text, 0 or above the centre. Two lines are taken where
    the letters of one would be smaller than 2.5 mm and grow by it.
    """
    whole = largest_letters(text, radius, offset, largest)
    best, size = [(text, offset, whole)], whole
    words = text.split() if whole < _EASY_LETTERS_MM else []
    for k in range(1, len(words)):
        upper, lower = " ".join(words[:k]), " ".join(words[k:])
        low, up = offset + 0.6 * whole, offset - 0.6 * whole
        for _ in range(8):
            both = min(largest_letters(upper, radius, up, largest), largest_letters(lower, radius, low, largest))
            up, low = offset - 0.6 * both, offset + 0.6 * both
        both = min(largest_letters(upper, radius, up, both), largest_letters(lower, radius, low, both))
        if both > 1.15 * size:
            best, size = [(upper, up, both), (lower, low, both)], both
    return best


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


def describe_cut(cut: Cut) -> str:
    """Return a cut's name and size: Ø6, or 30 × 20 R2."""
    return f"{clean_label(cut.name)} {cut_size(cut)}".strip()


def cut_size(cut: Cut) -> str:
    """Return a cut's size: Ø6, or 30 × 20 R2."""
    if cut.shape == "circle":
        return f"Ø{format_mm(cut.diameter_mm)}"
    size = " × ".join(format_mm(length) for length in cut.size_mm)
    return size + (f" R{format_mm(cut.corner_radius_mm)}" if cut.corner_radius_mm else "")


def describe_side_feature(feature: SideFeature) -> str:
    """Return a side feature's name and where it takes its room."""
    return f"{clean_label(feature.name)} ({feature.edge} wall, below)".strip()


def toward_edge(edge: Edge) -> Point:
    """Return the direction from the panel's middle to one of its edges."""
    directions: dict[Edge, Point] = {"back": (0.0, -1.0), "front": (0.0, 1.0), "left": (-1.0, 0.0), "right": (1.0, 0.0)}
    return directions[edge]


def box_of(shape: KeepOut | Cut) -> Box:
    """Return the box round a keep-out or a cut, panel frame."""
    x, y = shape.centre_mm
    width, height = (shape.diameter_mm,) * 2 if shape.shape == "circle" else shape.size_mm
    return x - width / 2, y - height / 2, x + width / 2, y + height / 2


def revision_of(layout: Layout) -> str:
    """Return the revision and, where it is known, its day: revision B, 2031-03-04."""
    day = day_of(layout)
    return f"revision {clean_label(layout.revision, 8) or '-'}" + (f", {day}" if day else "")


def day_of(layout: Layout) -> str | None:
    """Return the day on which the layout was made (ISO 8601), None where it does not say."""
    try:
        return date.fromisoformat((layout.created or "")[:10]).isoformat()
    except ValueError:
        return None


NOMINAL: Final = "nominal: no kerf allowance"


def kerf_note(kerf_mm: float) -> str:
    """Return the sentence that tells a shop not to allow for the kerf a second time."""
    return (
        f"{KERF_MARK}: {format_mm(kerf_mm)} mm (holes and cuts drawn smaller by it, the outline larger "
        "by half of it on every side). Do not allow for it again."
    )


def drawing_notes(layout: Layout, kerf_mm: float = 0.0, kind: str = "", more: Sequence[str] = ()) -> tuple[str, ...]:
    """Return the lines that stand beside every drawing of the panel; `kerf_mm` is what the drawing allows for.

    `kind` is what the drawing is, where that is not plain; `more` is what else is to be said of the kerf.
    """
    title = " · ".join(text for text in (clean_label(layout.name, 60), clean_label(layout.panel.name, 60)) if text)
    revision = revision_of(layout)
    title = f"{kind} of {title or 'a panel'}" if kind else title
    lines = [f"{title}: {panel_words(layout.panel)}" if title else panel_words(layout.panel)]
    sizes = f"All sizes in mm, {NOMINAL}." if kerf_mm == 0.0 else "All sizes in mm."
    lines.append(f"{revision[0].upper()}{revision[1:]}. Seen from above, the person's edge at the bottom. {sizes}")
    if kerf_mm:
        lines += [kerf_note(kerf_mm), *more]
    warning = build_warning(layout)
    return (*lines, warning) if warning else tuple(lines)


def panel_words(panel: Panel) -> str:
    """Return the panel's size, thickness and material."""
    size = f"{format_mm(panel.width_mm)} × {format_mm(panel.height_mm)} mm"
    if panel.outline:
        size += ", outline as drawn"
    if panel.corner_radius_mm > 0:
        size += f", corner radius {format_mm(panel.corner_radius_mm)} mm"
    if panel.thickness_mm is not None:
        size += f", {format_mm(panel.thickness_mm)} mm thick"
    if panel.material:
        size += f", {clean_label(panel.material)}"
    return size


def build_warning(layout: Layout) -> str:
    """Return the line that warns of errors in the layout, empty where there are none."""
    faults = sum(finding.severity == "error" and finding.waived is None for finding in layout.findings)
    if faults == 0:
        return ""
    return f"NOT TO BE BUILT YET: the check of this layout found {faults} error{'s' * (faults > 1)}."


def texts_of(layout: Layout) -> tuple[str, ...]:
    """Return all names that a drawing of the layout may show."""
    panel = layout.panel
    around = (*(cut.name for cut in panel.cuts), *(keep_out.name for keep_out in panel.keep_outs))
    return (layout.name, panel.name, *(button.label for button in layout.buttons), *around)


def outline_points(panel: Panel, step_mm: float = 1.0) -> FloatArray:
    """Return the panel's outline as a closed polygon (N, 2), panel frame, points at most `step_mm` apart."""
    corners = polyline(vertices_of(panel)).tolist()
    points = []
    for start, stop in pairwise([*corners, corners[0]]):
        count = max(1, math.ceil(math.dist(start, stop) / step_mm))
        points += [
            (start[0] + (stop[0] - start[0]) * k / count, start[1] + (stop[1] - start[1]) * k / count)
            for k in range(count)
        ]
    return np.array(points, dtype=np.float64)


def circle_points(centre: tuple[float, float], radius: float, count: int = 96) -> FloatArray:
    """Return a circle as a polygon (count, 2)."""
    angles = np.linspace(0.0, 2 * np.pi, count, endpoint=False)
    return np.column_stack([centre[0] + radius * np.cos(angles), centre[1] + radius * np.sin(angles)])
