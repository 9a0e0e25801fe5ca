"""Where every mark of every sheet stands, in millimetres.

Sheet frame: origin at the sheet's top-left corner, x right, y down towards the person. A sheet carries a
ring of chessboard cells, one cell wide, with a numbered marker in every white cell and a narrow strip of the
same chessboard outside it. Where four cells of the chessboard meet is a *saddle*: the point a photo locates
best. A few small saddles stand in the quiet interior and show whether the paper is flat. Sheets of a pair
carry no ring along the seam, so that the thumbs rest on quiet paper.

This module only states geometry; it draws nothing but the plain raster that other stages compare with.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from handcapture.errors import InputError

FloatArray = NDArray[np.float64]

CELL_MM: Final = 17.0
MARKER_MM: Final = 13.0
STRIP_MM: Final = 4.0
LEAST_MARGIN_MM: Final = 6.0
"""Home printers leave up to about 6 mm of the edge blank (common practice, no source)."""
DOT_SQUARE_MM: Final = 2.2
"""Side of the two squares that make an interior saddle."""
DOT_PITCH_CELLS: Final = 2
RULE_MM: Final = 150.0
CARD_MM: Final = (85.60, 53.98)
"""ISO/IEC 7810 ID-1, nominal."""
MARKER_DICTIONARY: Final = cv2.aruco.DICT_5X5_1000
MARKER_MODULES: Final = 7
IDS_PER_SHEET: Final = 48


@dataclass(frozen=True)
class Rectangle:
    """An axis-parallel rectangle in a sheet frame, mm."""

    x_mm: float
    y_mm: float
    width_mm: float
    height_mm: float


@dataclass(frozen=True)
class Marker:
    """A numbered marker: its corners (4, 2) in mm, clockwise from the top left as printed."""

    number: int
    corners_mm: tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class Sheet:
    """One sheet of paper and the marks on it."""

    name: str
    title: str
    width_mm: float
    height_mm: float
    first_number: int
    seam: str | None = None
    """The side ("left" or "right") where another sheet joins; no ring runs along it."""

    @property
    def columns(self) -> int:
        """Cells across."""
        return int((self.width_mm - 2 * (LEAST_MARGIN_MM + STRIP_MM)) // CELL_MM)

    @property
    def rows(self) -> int:
        """Cells down."""
        return int((self.height_mm - 2 * (LEAST_MARGIN_MM + STRIP_MM)) // CELL_MM)

    @property
    def grid_origin_mm(self) -> tuple[float, float]:
        """Top-left corner of the ring of cells (the strip lies outside it)."""
        return (
            (self.width_mm - self.columns * CELL_MM) / 2,
            (self.height_mm - self.rows * CELL_MM) / 2,
        )

    def _in_ring(self, i: int, j: int) -> bool:
        """Tell whether chessboard cell (column i, row j) is printed; -1 and columns/rows are the strip."""
        nx, ny = self.columns, self.rows
        if self.seam == "left" and i < 0:
            return False
        if self.seam == "right" and i >= nx:
            return False
        on_left = i <= 0 and self.seam != "left"
        on_right = i >= nx - 1 and self.seam != "right"
        return on_left or on_right or j <= 0 or j >= ny - 1

    def _cell(self, i: int, j: int) -> Rectangle:
        x0, y0 = self.grid_origin_mm
        nx, ny = self.columns, self.rows
        left = x0 - STRIP_MM if i < 0 else x0 + i * CELL_MM
        top = y0 - STRIP_MM if j < 0 else y0 + j * CELL_MM
        width = STRIP_MM if i in (-1, nx) else CELL_MM
        height = STRIP_MM if j in (-1, ny) else CELL_MM
        return Rectangle(left, top, width, height)

    @cached_property
    def black_cells(self) -> tuple[Rectangle, ...]:
        """The black cells of the chessboard ring, the strip included."""
        return tuple(
            self._cell(i, j)
            for j in range(-1, self.rows + 1)
            for i in range(-1, self.columns + 1)
            if (i + j) % 2 and self._in_ring(i, j)
        )

    @cached_property
    def markers(self) -> tuple[Marker, ...]:
        """The markers, numbered row by row from `first_number`."""
        inset = (CELL_MM - MARKER_MM) / 2
        found: list[Marker] = []
        for j in range(self.rows):
            for i in range(self.columns):
                if (i + j) % 2 == 0 and self._in_ring(i, j):
                    cell = self._cell(i, j)
                    x, y = cell.x_mm + inset, cell.y_mm + inset
                    corners = ((x, y), (x + MARKER_MM, y), (x + MARKER_MM, y + MARKER_MM), (x, y + MARKER_MM))
                    found.append(Marker(self.first_number + len(found), corners))
        return tuple(found)

    @cached_property
    def ring_saddles_mm(self) -> FloatArray:
        """Saddles of the ring, (N, 2): the lattice points whose four cells are all printed."""
        x0, y0 = self.grid_origin_mm
        points = [
            (x0 + i * CELL_MM, y0 + j * CELL_MM)
            for j in range(self.rows + 1)
            for i in range(self.columns + 1)
            if all(self._in_ring(i + di, j + dj) for di in (-1, 0) for dj in (-1, 0))
        ]
        return np.array(points, dtype=np.float64)

    @cached_property
    def dots_mm(self) -> FloatArray:
        """The small saddles of the interior, (N, 2)."""
        x0, y0 = self.grid_origin_mm
        nx, ny = self.columns, self.rows
        columns = range(2, nx - 1, DOT_PITCH_CELLS)
        if self.seam == "left":
            columns = range(nx % 2, nx - 1, DOT_PITCH_CELLS)
        elif self.seam == "right":
            columns = range(2, nx + 1, DOT_PITCH_CELLS)
        card = self.card_place
        points = []
        for j in range(2, ny - 1, DOT_PITCH_CELLS):
            for i in columns:
                x, y = x0 + i * CELL_MM, y0 + j * CELL_MM
                near_card = card is not None and (
                    card.x_mm - 6 < x < card.x_mm + card.width_mm + 6
                    and card.y_mm - 6 < y < card.y_mm + card.height_mm + 6
                )
                if not near_card:
                    points.append((x, y))
        return np.array(points, dtype=np.float64)

    @cached_property
    def dot_squares(self) -> tuple[Rectangle, ...]:
        """The squares that make the interior saddles: one up left, one down right of each point."""
        s = DOT_SQUARE_MM
        squares = []
        for x, y in self.dots_mm:
            squares += [Rectangle(float(x) - s, float(y) - s, s, s), Rectangle(float(x), float(y), s, s)]
        return tuple(squares)

    @property
    def interior(self) -> Rectangle:
        """The quiet paper inside the ring."""
        x0, y0 = self.grid_origin_mm
        left = x0 + CELL_MM if self.seam != "left" else 0.0
        right = x0 + (self.columns - 1) * CELL_MM if self.seam != "right" else self.width_mm
        top, bottom = y0 + CELL_MM, y0 + (self.rows - 1) * CELL_MM
        return Rectangle(left, top, right - left, bottom - top)

    @property
    def card_place(self) -> Rectangle | None:
        """Where an ID-1 card is laid to check the print scale; none on the second sheet of a pair."""
        if self.seam == "left":
            return None
        inside = self.interior
        left = inside.x_mm + (inside.width_mm - CARD_MM[0]) / 2
        if self.seam == "right":
            left = inside.x_mm + inside.width_mm - CARD_MM[0] - 12.0
        return Rectangle(left, inside.y_mm + 7.0, *CARD_MM)

    @property
    def rule_x_mm(self) -> tuple[tuple[float, float], tuple[float, float]]:
        """End points of the 150 mm rule along x."""
        inside = self.interior
        x = inside.x_mm + (inside.width_mm - RULE_MM) / 2
        y = inside.y_mm + inside.height_mm - 7.0
        return (x, y), (x + RULE_MM, y)

    @property
    def rule_y_mm(self) -> tuple[tuple[float, float], tuple[float, float]]:
        """End points of the 150 mm rule along y."""
        inside = self.interior
        x = inside.x_mm + inside.width_mm - 6.0 if self.seam == "left" else inside.x_mm + 6.0
        y = inside.y_mm + (inside.height_mm - RULE_MM) / 2
        return (x, y), (x, y + RULE_MM)


@dataclass(frozen=True)
class Mat:
    """One sheet, or two side by side. The mat frame is the frame of the first sheet."""

    name: str
    title: str
    sheets: tuple[Sheet, ...]

    @property
    def nominal_offsets_mm(self) -> tuple[tuple[float, float], ...]:
        """Where each sheet's top-left corner lies in the mat frame when the sheets touch exactly."""
        offsets, x = [], 0.0
        for sheet in self.sheets:
            offsets.append((x, 0.0))
            x += sheet.width_mm
        return tuple(offsets)

    @property
    def size_mm(self) -> tuple[float, float]:
        """Width and height of the whole mat."""
        return sum(s.width_mm for s in self.sheets), max(s.height_mm for s in self.sheets)


# ISO 216 (A3, A4) and ANSI/ASME Y14.1 A and B sizes (Letter, Tabloid), in mm.
_A4, _LETTER, _A3, _TABLOID = (297.0, 210.0), (279.4, 215.9), (420.0, 297.0), (431.8, 279.4)


def _single(name: str, title: str, size: tuple[float, float], block: int) -> Mat:
    return Mat(name, title, (Sheet(name, title, *size, first_number=block * IDS_PER_SHEET),))


def _pair(name: str, title: str, size: tuple[float, float], block: int) -> Mat:
    height, width = size
    left = Sheet(f"{name}-1", f"{title}, left sheet", width, height, block * IDS_PER_SHEET, "right")
    right = Sheet(f"{name}-2", f"{title}, right sheet", width, height, (block + 1) * IDS_PER_SHEET, "left")
    return Mat(name, f"{title} pair", (left, right))


MATS: Final[dict[str, Mat]] = {
    mat.name: mat
    for mat in (
        _single("a4", "A4", _A4, 0),
        _single("letter", "Letter", _LETTER, 1),
        _single("a3", "A3", _A3, 2),
        _single("tabloid", "Tabloid", _TABLOID, 3),
        _pair("a4-pair", "A4", _A4, 4),
        _pair("letter-pair", "Letter", _LETTER, 6),
    )
}


def mat_by_name(name: str) -> Mat:
    """Return the mat called `name`; InputError names the choices when there is none."""
    try:
        return MATS[name.lower()]
    except KeyError:
        raise InputError(f"There is no mat called {name!r}. Choose one of: {', '.join(MATS)}.") from None


@lru_cache(maxsize=1)
def marker_dictionary() -> cv2.aruco.Dictionary:
    """Return the dictionary of marker patterns."""
    return cv2.aruco.getPredefinedDictionary(MARKER_DICTIONARY)


def marker_modules(number: int) -> NDArray[np.bool_]:
    """Return the (7, 7) pattern of marker `number`, its black border included; True is black."""
    bits = cv2.aruco.generateImageMarker(marker_dictionary(), number, MARKER_MODULES)
    return np.equal(np.asarray(bits, dtype=np.uint8), 0)


def black_rectangles(sheet: Sheet) -> tuple[Rectangle, ...]:
    """Return every black rectangle of the sheet's measuring marks: ring, marker modules, dots.

    Runs of black modules in a row are merged, and each module row is one rectangle high.
    """
    module = MARKER_MM / MARKER_MODULES
    found = list(sheet.black_cells)
    for marker in sheet.markers:
        x0, y0 = marker.corners_mm[0]
        for row, bits in enumerate(marker_modules(marker.number)):
            edges = np.flatnonzero(np.diff(np.r_[0, bits.astype(np.int8), 0]))
            for start, stop in edges.reshape(-1, 2):
                found.append(
                    Rectangle(x0 + float(start) * module, y0 + row * module, float(stop - start) * module, module)
                )
    return (*found, *sheet.dot_squares)


def sheet_raster(sheet: Sheet, px_per_mm: float) -> NDArray[np.uint8]:
    """Return the measuring marks as a grey picture, 255 paper and 0 black, anti-aliased.

    Pixel (column c, row r) is centred on ((c + 0.5) / px_per_mm, (r + 0.5) / px_per_mm) mm.
    """
    width, height = round(sheet.width_mm * px_per_mm), round(sheet.height_mm * px_per_mm)
    ink = np.zeros((height, width), dtype=np.float64)

    def cover(start_mm: float, length_mm: float, count: int) -> FloatArray:
        edges = np.arange(count + 1) - start_mm * px_per_mm
        return np.diff(np.clip(edges, 0.0, length_mm * px_per_mm))

    for r in black_rectangles(sheet):
        rows, columns = cover(r.y_mm, r.height_mm, height), cover(r.x_mm, r.width_mm, width)
        rs, cs = np.flatnonzero(rows), np.flatnonzero(columns)
        if rs.size and cs.size:
            ink[rs[0] : rs[-1] + 1, cs[0] : cs[-1] + 1] += np.outer(
                rows[rs[0] : rs[-1] + 1], columns[cs[0] : cs[-1] + 1]
            )
    return (255.0 * (1.0 - np.clip(ink, 0.0, 1.0)) + 0.5).astype(np.uint8)
