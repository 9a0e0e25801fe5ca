"""The drill table: hole centres from two edges of the panel, as CSV."""

from __future__ import annotations

import csv
import io
from typing import Final

from handcapture.drawings.common import build_warning, check_drawable, clean_label, revision_of
from handcapture.layout.model import Layout

COLUMNS: Final = (
    "label",
    "side",
    "finger",
    "row",
    "x_from_left_edge_mm",
    "y_from_bottom_edge_mm",
    "hole_diameter_mm",
    "kind",
    "cut_width_mm",
    "cut_height_mm",
    "cut_corner_radius_mm",
    "panel_width_mm",
    "panel_height_mm",
)
NOTE: Final = "panel seen from above, the person's edge at the bottom, nominal sizes in mm"


def note_header(layout: Layout) -> str:
    """Return the header of the last, empty column: the note that holds for the whole table."""
    warning = build_warning(layout)
    return f"note: {NOTE}, {revision_of(layout)}, by handcapture" + (f". {warning}" if warning else "")


def layout_drill_csv(layout: Layout) -> bytes:
    """Return the drill table of a layout: RFC 4180, UTF-8, decimal points, one line for each button and each cut.

    x and y of each centre are counted from the left and bottom edge of the panel's bounding box, seen from above: the
    same origin and axes as the DXF. A rectangular cut has no diameter but a size. The header of the last column, whose
    cells are empty, is the note. Texts that a spreadsheet would take for a formula get an apostrophe in front.
    """
    check_drawable(layout)
    panel = layout.panel
    text = io.StringIO(newline="")
    # All text is quoted: where a spreadsheet splits at semicolons, a label must not break into two cells.
    table = csv.writer(text, quoting=csv.QUOTE_NONNUMERIC)
    table.writerow([*COLUMNS, note_header(layout)])
    for button in layout.buttons:
        x, y = button.centre_mm
        words = [_harmless(clean_label(button.label, longest=None)), button.side, button.finger, button.row]
        numbers = _rounded(x, panel.height_mm - y, button.hole_mm)
        table.writerow([*words, *numbers, "button", "", "", "", *_rounded(panel.width_mm, panel.height_mm), ""])
    for cut in panel.cuts:
        x, y = cut.centre_mm
        size: list[float | str] = [""] * 4
        if cut.shape == "circle":
            size[0] = _rounded(cut.diameter_mm)[0]
        else:
            size[1:] = _rounded(*cut.size_mm, cut.corner_radius_mm)
        place = _rounded(x, panel.height_mm - y)
        whole = _rounded(panel.width_mm, panel.height_mm)
        name = _harmless(clean_label(cut.name, longest=None))
        table.writerow([name, "", "", "", *place, size[0], "cut", *size[1:], *whole, ""])
    return text.getvalue().encode("utf-8")


def _rounded(*numbers: float) -> list[float]:
    return [round(number, 3) + 0.0 for number in numbers]


def _harmless(text: str) -> str:
    """Return text that a spreadsheet reads as text (CWE-1236; the remedy is that of OWASP's "CSV Injection").

    Full-width forms of the formula signs count too: some spreadsheets fold them.
    """
    return f"'{text}" if text[:1] in tuple("=+-@＝＋－＠") else text
