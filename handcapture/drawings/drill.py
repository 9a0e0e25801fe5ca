"""The drill table: hole centres from two edges of the panel, as CSV."""

from __future__ import annotations

import csv
import io
from typing import Final

from handcapture.drawings.common import check_drawable, clean_label
from handcapture.layout.model import Layout

COLUMNS: Final = (
    "label",
    "side",
    "finger",
    "row",
    "x_from_left_edge_mm",
    "y_from_bottom_edge_mm",
    "hole_diameter_mm",
    "panel_width_mm",
    "panel_height_mm",
    "note",
)
NOTE: Final = "panel seen from above, the person's edge at the bottom, nominal sizes in mm"


def layout_drill_csv(layout: Layout) -> bytes:
    """Return the drill table of a layout: RFC 4180, UTF-8, decimal points, one line for each button.

    x and y of each hole's centre are counted from the panel's left and bottom edge, seen from above: the same
    origin and axes as the DXF. Texts that a spreadsheet would take for a formula get an apostrophe in front.
    """
    check_drawable(layout)
    panel = layout.panel
    text = io.StringIO(newline="")
    # All text is quoted: where a spreadsheet splits at semicolons, a label must not break into two cells.
    table = csv.writer(text, quoting=csv.QUOTE_NONNUMERIC)
    table.writerow(COLUMNS)
    for button in layout.buttons:
        x, y = button.centre_mm
        numbers = (x, panel.height_mm - y, button.hole_mm, panel.width_mm, panel.height_mm)
        table.writerow(
            [
                _harmless(clean_label(button.label, longest=None)),
                button.side,
                button.finger,
                button.row,
                *(round(number, 3) + 0.0 for number in numbers),
                NOTE,
            ]
        )
    return text.getvalue().encode("utf-8")


def _harmless(text: str) -> str:
    """Return text that a spreadsheet reads as text (CWE-1236; the remedy is that of OWASP's "CSV Injection").

    Full-width forms of the formula signs count too: some spreadsheets fold them.
    """
    return f"'{text}" if text[:1] in tuple("=+-@＝＋－＠") else text
