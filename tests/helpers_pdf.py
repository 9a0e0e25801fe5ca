"""Reading printed drawings back: pages as pictures, and circles measured in them."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pypdfium2 as pdfium

MM_PER_POINT = 25.4 / 72


def open_pdf(data):
    return pdfium.PdfDocument(data)


def page_size_mm(page):
    return tuple(side * MM_PER_POINT for side in page.get_size())


@dataclass
class Picture:
    """A page, or a window of it, as grey pixels; page coordinates in mm, y down."""

    grey: np.ndarray
    first_px: np.ndarray
    px_per_mm: np.ndarray

    def at(self, points_mm):
        """Return the grey values of the pixels that hold the points (..., 2)."""
        columns_rows = np.floor(np.asarray(points_mm) * self.px_per_mm).astype(int) - self.first_px
        return self.grey[columns_rows[..., 1], columns_rows[..., 0]]


def picture_of(page, dpi, window_mm=None):
    """Return the page, or its window (left, top, right, bottom), as pdfium draws it."""
    scale = dpi / 72
    size = np.array(page.get_size())
    # pypdfium2 rounds the whole page and what it cuts off up to whole pixels, and fits the page to that.
    px_per_mm = np.ceil(size * scale) / (size * MM_PER_POINT)
    if window_mm is None:
        crop = (0.0, 0.0, 0.0, 0.0)
    else:
        left, top, right, bottom = (edge / MM_PER_POINT for edge in window_mm)
        crop = (left, size[1] - bottom, size[0] - right, top)  # cut off: left, bottom, right, top
    grey = page.render(scale=scale, crop=crop, grayscale=True).to_numpy().squeeze()
    return Picture(grey, np.array([math.ceil(crop[0] * scale), math.ceil(crop[3] * scale)]), px_per_mm)


def measure_circle(page, centre_mm, radius_mm, dpi=600):
    """Return centre (x, y) and diameter in mm of the circle drawn near the given one.

    The line is followed along rays; its place on each ray is the centre of gravity of the ink within 0.8 mm.
    Rays on which other ink (quarter marks, text) or none is met are left out. The circle is the least-squares
    one (Kåsa 1976, "A circle fitting procedure and its error analysis").
    """
    centre = np.asarray(centre_mm, dtype=float)
    around = radius_mm + 1.5
    picture = picture_of(page, dpi, (*(centre - around), *(centre + around)))
    angles = np.arange(0.0, 360.0, 0.5)
    angles = np.radians(angles[np.abs((angles + 45) % 90 - 45) > 6])  # not along the quarter marks
    directions = np.column_stack([np.cos(angles), np.sin(angles)])
    distances = radius_mm + np.arange(-0.8, 0.8, 0.02)
    ink = 255.0 - picture.at(centre + directions[:, None] * distances[:, None])
    total = ink.sum(axis=1)
    width_mm = total / max(ink.max(), 1.0) * 0.02
    clean = (width_mm > 0.1) & (width_mm < 0.5)
    assert clean.mean() > 0.4, "no circle is drawn there"
    points = directions[clean] * (ink[clean] @ distances / total[clean])[:, None]
    for _ in range(3):  # rays that graze other ink or the end of the line are dropped
        system = np.column_stack([2 * points, np.ones(len(points))])
        (dx, dy, rest), *_ = np.linalg.lstsq(system, (points**2).sum(axis=1), rcond=None)
        radius = math.sqrt(rest + dx**2 + dy**2)
        off_mm = np.abs(np.hypot(*(points - (dx, dy)).T) - radius)
        points = points[off_mm <= max(0.02, 2.5 * float(np.median(off_mm)))]
    return (centre[0] + dx, centre[1] + dy), 2 * radius
