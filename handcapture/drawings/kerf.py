"""What is cut, at nominal size or with the cutter's kerf allowed for."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

from handcapture.drawings.common import check_drawable, clean_label, format_mm
from handcapture.drawings.contours import Contour, area_mm2, cut_contour, length_mm, offset
from handcapture.errors import InputError
from handcapture.layout.model import Button, Cut, Layout
from handcapture.layout.outline import polyline, vertices_of

MOST_KERF_MM: Final = 5.0
"""A router's cutter of common size; more is a slip of the pen (our own figure, no source)."""

_TOLD_RADIUS_MM: Final = 0.3
_LOST_MM2: Final = 0.1
"""What rounding and chords may change of a panel's area; less than any notch worth cutting."""


@dataclass(frozen=True)
class Cutting:
    """The lines to cut, panel frame: outline, the diameter of each button's hole, and the other cuts.

    With a kerf they are those along which the middle of the beam or cutter runs. `exact` is False where arcs of the
    outline had to be made of short straight pieces.
    """

    outline: Contour
    holes: tuple[tuple[Button, float], ...]
    cuts: tuple[Cut, ...]
    kerf_mm: float = 0.0
    exact: bool = True

    @property
    def length_mm(self) -> float:
        """Length of all lines, arcs exact."""
        total = length_mm(self.outline) + sum(math.pi * diameter for _, diameter in self.holes)
        for cut in self.cuts:
            total += math.pi * cut.diameter_mm if cut.shape == "circle" else length_mm(cut_contour(cut))
        return total

    @property
    def area_mm2(self) -> float:
        """Area of what is left: within the outline, less holes and cuts."""
        area = area_mm2(self.outline) - sum(math.pi * diameter**2 / 4 for _, diameter in self.holes)
        for cut in self.cuts:
            area -= math.pi * cut.diameter_mm**2 / 4 if cut.shape == "circle" else area_mm2(cut_contour(cut))
        return area


def cutting(layout: Layout, kerf_mm: float = 0.0) -> Cutting:
    """Return what is cut; a kerf (its full width) makes holes and cuts smaller by it, the outline larger by half of it.

    InputError when the layout cannot be drawn, or the kerf is negative, above 5 mm, or too wide for a hole, a cut or
    a notch of the outline.
    """
    check_drawable(layout)
    if not (math.isfinite(kerf_mm) and 0 <= kerf_mm <= MOST_KERF_MM):
        raise InputError(
            f"A kerf of {kerf_mm:g} mm cannot be allowed for: it must lie between 0 and {MOST_KERF_MM:g} mm. Give the "
            "full width of the cut, as the shop measured it."
        )
    outline = vertices_of(layout.panel)
    holes = tuple((button, button.hole_mm) for button in layout.buttons)
    nominal = Cutting(outline, holes, layout.panel.cuts)
    if kerf_mm == 0.0:
        return nominal
    for name, least in (
        *((f"the hole of {clean_label(button.label)}", button.hole_mm) for button in layout.buttons),
        *((f"the cut {clean_label(cut.name)}", _least_mm(cut)) for cut in layout.panel.cuts),
    ):
        if kerf_mm >= least:
            raise InputError(
                f"A kerf of {format_mm(kerf_mm)} mm leaves nothing of {name} ({format_mm(least)} mm). Check the kerf."
            )
    grown = offset(outline, kerf_mm / 2)
    if len(grown.contours) != 1 or not (grown.exact or _comes_back(outline, grown.contours[0], kerf_mm)):
        raise InputError(
            f"The outline has a place narrower than the kerf of {format_mm(kerf_mm)} mm, where the cutter would close "
            "it. Check the kerf, or leave it to the shop."
        )
    return Cutting(
        grown.contours[0],
        tuple((button, diameter - kerf_mm) for button, diameter in holes),
        tuple(_shrunk(cut, kerf_mm) for cut in layout.panel.cuts),
        kerf_mm,
        grown.exact,
    )


def rounded_corners(layout: Layout, kerf_mm: float) -> tuple[str, ...]:
    """Return in words where a round cutter or beam of this width leaves inner corners round, empty where nowhere.

    What it cannot reach is what closing the panel with its disc adds: grown by the radius, and shrunk again. Corners
    that keep less than 0.3 mm are not told: beams leave them so anyhow.
    """
    import shapely

    radius = kerf_mm / 2
    if radius < _TOLD_RADIUS_MM:
        return ()
    panel = layout.panel
    plate = shapely.Polygon(polyline(vertices_of(panel)))
    left = [("the outline", plate.buffer(radius, quad_segs=64).buffer(-radius, quad_segs=64).difference(plate))]
    for cut in panel.cuts:
        if cut.shape == "rectangle":
            opening = shapely.Polygon(polyline(cut_contour(cut)))
            reached = opening.buffer(-radius, quad_segs=64).buffer(radius, quad_segs=64)
            left.append((clean_label(cut.name) or "a cut", opening.difference(reached)))
    told = []
    for name, material in left:
        # A square corner keeps (1 - pi / 4) r² of material; slivers are the rounding of arcs.
        corners = sum(part.area > 0.05 * radius**2 for part in shapely.get_parts(material))
        if corners:
            told.append(f"{name} ({corners})")
    return tuple(told)


def corner_note(layout: Layout, kerf_mm: float) -> tuple[str, ...]:
    """Return the sentence that tells which inner corners a round cutter leaves round, if any."""
    corners = rounded_corners(layout, kerf_mm)
    return (f"Inner corners keep a radius of {format_mm(kerf_mm / 2)} mm: {', '.join(corners)}.",) if corners else ()


def _comes_back(outline: Contour, grown: Contour, kerf_mm: float) -> bool:
    """Tell whether a cut along the grown line leaves the panel: a notch that the cutter closes would be missing."""
    import shapely

    left = shapely.Polygon(polyline(grown)).buffer(-kerf_mm / 2, join_style="mitre")
    return bool(left.symmetric_difference(shapely.Polygon(polyline(outline))).area < _LOST_MM2)


def _least_mm(cut: Cut) -> float:
    return cut.diameter_mm if cut.shape == "circle" else min(cut.size_mm)


def _shrunk(cut: Cut, kerf_mm: float) -> Cut:
    if cut.shape == "circle":
        return replace(cut, diameter_mm=cut.diameter_mm - kerf_mm)
    width, height = cut.size_mm
    radius = max(cut.corner_radius_mm - kerf_mm / 2, 0.0)
    return replace(cut, size_mm=(width - kerf_mm, height - kerf_mm), corner_radius_mm=radius)
