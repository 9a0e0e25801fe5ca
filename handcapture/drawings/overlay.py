"""The photo with what was measured drawn on it: the picture one checks a measurement by."""

from __future__ import annotations

import io
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal, Protocol

import cv2
import numpy as np
from numpy.typing import NDArray

from handcapture.drawings.common import (
    check_drawable,
    circle_points,
    clean_label,
    outline_points,
)
from handcapture.drawings.contours import cut_contour
from handcapture.drawings.labels import Box, Obstacles, Wanted, disc_array, nearest_point, place_labels
from handcapture.errors import InputError, PhotoError
from handcapture.fonts import font_file
from handcapture.layout.model import Cut, Layout
from handcapture.layout.outline import polyline
from handcapture.mat.geometry import MATS
from handcapture.names import Side
from handcapture.photo import Photo
from handcapture.placement import Contact, Placement
from handcapture.rest import Fingertip, Rest

if TYPE_CHECKING:
    from PIL.ImageDraw import ImageDraw
    from PIL.ImageFont import FreeTypeFont

ImageFormat = Literal["jpeg", "png"]
FloatArray = NDArray[np.float64]
Picture = NDArray[np.uint8]
Colour = tuple[int, int, int]
"""Blue, green, red."""

CHI_SQUARE_95: Final = -2.0 * math.log(0.05)
"""95 % quantile of chi-square with 2 degrees of freedom, 5.991: for 2 degrees it is -2 ln(1 - p)."""
SCALE_BAR_MM: Final = 50.0
WHITE: Final[Colour] = (255, 255, 255)
DARK: Final[Colour] = (24, 20, 16)
SIDE_COLOURS: Final[dict[Side, Colour]] = {"left": (233, 180, 86), "right": (0, 159, 230)}
"""Sky blue and orange, told apart by colour-blind eyes (Okabe and Ito 2008); the shapes differ as well."""
CHECK_COLOUR: Final[Colour] = (66, 228, 240)
"""Their yellow, for what a check tells: light enough to stand out from every skin by its dark edge."""


@dataclass(frozen=True, eq=False)
class Landing:
    """What a check tells of one hole, mat frame: where its finger lands, and by how much the hole should move.

    `mean_mm` (2,) with `covariance_mm2` (2, 2) of single landings; `move_mm` (2,) is None where the hole stays.
    """

    hole_mm: float
    centre_mm: FloatArray
    mean_mm: FloatArray
    covariance_mm2: FloatArray
    move_mm: FloatArray | None = None


class Projector(Protocol):
    """What the overlay needs of a camera."""

    def project(self, points_mm: FloatArray, /) -> FloatArray:
        """Return the pixels (N, 2) of points (N, 3) in the mat frame, z up."""
        ...


def draw_overlay(
    photo: Photo,
    camera: Projector,
    measured: Placement | Rest,
    layout: Layout | None = None,
    *,
    landings: Sequence[Landing] = (),
    image_format: ImageFormat = "jpeg",
    long_side_px: int = 2400,
) -> bytes:
    """Return the photo with contacts, their 95 % regions, finger names and a scale bar, as JPEG or PNG.

    With a layout its panel outline and holes are drawn where they would lie on the mat. Everything that lies
    on the mat is drawn in true perspective through `camera`, at z = 0. Contacts of the left hand are discs,
    those of the right hand diamonds; a hidden contact is hollow and its region dashed. The picture is shrunk
    to `long_side_px` at most, never enlarged, and carries no metadata but the program's name. `landings` add what a
    check of the layout's template tells: the region of 95 of 100 landings about their mean, the hole's centre, and
    where a hole should move.
    InputError when the layout or a contact cannot be drawn.
    """
    contacts: Sequence[Contact | Fingertip] = (
        measured.contacts if isinstance(measured, Placement) else measured.fingertips
    )
    for contact in contacts:
        if not (np.isfinite(contact.contact_mm).all() and np.isfinite(contact.covariance_mm2).all()):
            raise InputError(
                f"The {contact.side} {contact.finger} has no position that could be drawn. Measure the photo again."
            )
    if layout is not None:
        check_drawable(layout)

    # Lines are drawn at the photo's full size and shrunk with it, which smooths them; text is drawn last.
    full = _Canvas(photo.pixels_bgr.copy(), camera, unit=max(1.0, max(photo.size_px) / long_side_px))
    contacts = [c for c in contacts if full.in_reach(full.pixels(c.contact_mm[None]))]
    bar_mm = _scale_bar_place(contacts, layout, _mat_size_mm(measured), full)
    if layout is not None:
        _draw_layout(full, layout)
    if bar_mm is not None:
        _draw_scale_bar(full, bar_mm)
    for landing in landings:
        _draw_landing(full, landing)
    for contact in contacts:
        _draw_region(full, contact)
    for contact in contacts:
        _draw_marker(full, contact.side, full.pixels(contact.contact_mm[None])[0], 4.5, contact.hidden)

    shrunk = full.shrunk(long_side_px)
    _write_labels(shrunk, contacts, layout, bar_mm, landings)
    return _encoded(shrunk.picture, image_format)


def _encoded(picture: Picture, image_format: ImageFormat) -> bytes:
    """Return a picture as a file that names the program: by that it is told from a photo."""
    from PIL import Image
    from PIL.PngImagePlugin import PngInfo

    out = io.BytesIO()
    image = Image.fromarray(np.ascontiguousarray(picture[..., ::-1]))
    if image_format == "jpeg":
        image.save(out, "JPEG", quality=90, comment="handcapture")
    else:
        info = PngInfo()
        info.add_text("Software", "handcapture")
        image.save(out, "PNG", pnginfo=info)
    return out.getvalue()


def region_polygon_mm(centre_mm: FloatArray, covariance_mm2: FloatArray, count: int = 72) -> FloatArray:
    """Return the border of the 95 % region of a normal distribution as a polygon (count, 2), mat frame."""
    values, vectors = np.linalg.eigh(covariance_mm2)
    half_axes = np.sqrt(CHI_SQUARE_95 * np.clip(values, 0.0, None))
    circle = circle_points((0.0, 0.0), 1.0, count)
    return np.asarray(centre_mm + (circle * half_axes) @ vectors.T, dtype=np.float64)


class _Canvas:
    """A picture to draw on; widths and sizes are in units of the finished picture's pixels."""

    def __init__(self, picture: Picture, camera: Projector, unit: float, scale: float = 1.0) -> None:
        self.picture = picture
        self.camera = camera
        self.unit = unit
        self.scale = scale

    @property
    def size(self) -> tuple[int, int]:
        return self.picture.shape[1], self.picture.shape[0]

    def shrunk(self, long_side_px: int) -> _Canvas:
        """Return the canvas at the finished size; drawing goes on there with the same camera."""
        scale = min(1.0, long_side_px / max(self.size))
        width, height = (max(1, round(side * scale)) for side in self.size)
        picture = self.picture
        if scale < 1.0:
            picture = np.asarray(cv2.resize(picture, (width, height), interpolation=cv2.INTER_AREA), dtype=np.uint8)
        return _Canvas(picture, self.camera, unit=max(width, height) / 2400, scale=scale)

    def pixels(self, points_mm: FloatArray) -> FloatArray:
        """Project points (N, 2) of the mat to pixels (N, 2) of this canvas; centres of pixels at integers."""
        points = np.column_stack([points_mm, np.zeros(len(points_mm))])
        try:
            pixels = self.camera.project(points)
        except PhotoError:  # some lie beyond the horizon: leave those out, and only those
            pixels = np.concatenate([self._one(point) for point in points])
        return (np.asarray(pixels, dtype=np.float64) + 0.5) * self.scale - 0.5

    def _one(self, point: FloatArray) -> FloatArray:
        try:
            return self.camera.project(point[None])
        except PhotoError:
            return np.full((1, 2), np.nan)

    def in_reach(self, points: FloatArray) -> bool:
        """Tell whether points are near enough to the picture to be drawn (not beyond the horizon)."""
        return bool(np.isfinite(points).all() and np.abs(points).max(initial=0.0) < 20 * max(self.size))

    def line(
        self, points: FloatArray, colour: Colour, width: float, *, closed: bool = False, dash: float = 0.0
    ) -> None:
        if self.in_reach(points):
            path = np.vstack([points, points[:1]]) if closed else points
            pieces = [path] if dash == 0.0 else _dashes(path, dash * self.unit)
            fixed = [np.round(piece * 16).astype(np.int32) for piece in pieces]
            cv2.polylines(self.picture, fixed, False, colour, max(1, round(width * self.unit)), cv2.LINE_AA, 4)

    def haloed(
        self, points: FloatArray, colour: Colour, width: float, *, closed: bool = False, dash: float = 0.0
    ) -> None:
        """Draw a line with a dark edge, so that it shows on every ground."""
        self.line(points, DARK, width + 3.0, closed=closed, dash=dash)
        self.line(points, colour, width, closed=closed, dash=dash)

    def fill(self, points: FloatArray, colour: Colour, opacity: float = 1.0) -> None:
        if not self.in_reach(points):
            return
        low = np.clip(np.floor(points.min(axis=0)).astype(int) - 2, 0, None)
        high = np.clip(np.ceil(points.max(axis=0)).astype(int) + 3, 0, self.size)
        if (high <= low).any():
            return
        part = self.picture[low[1] : high[1], low[0] : high[0]]
        painted = part.copy()
        cv2.fillPoly(painted, [np.round((points - low) * 16).astype(np.int32)], colour, cv2.LINE_AA, 4)
        part[:] = cv2.addWeighted(painted, opacity, part, 1.0 - opacity, 0.0)


def _dashes(path: FloatArray, length: float) -> list[FloatArray]:
    """Return the pieces of a path that a dashed line shows: dashes of about `length`, gaps of 0.8 of it."""
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(path, axis=0).T))])
    count = max(4, round(along[-1] / (1.8 * length)))
    starts = np.arange(count) * along[-1] / count
    pieces = []
    for start in starts:
        places = np.linspace(start, start + along[-1] / count / 1.8, 6)
        pieces.append(np.column_stack([np.interp(places, along, path[:, axis]) for axis in (0, 1)]))
    return pieces


def _draw_layout(canvas: _Canvas, layout: Layout) -> None:
    origin = np.array(layout.panel_origin_mm)
    canvas.haloed(canvas.pixels(origin + outline_points(layout.panel)), WHITE, 2.0, closed=True)
    for cut in layout.panel.cuts:
        canvas.haloed(canvas.pixels(origin + _cut_points(cut)), WHITE, 1.5, closed=True)
    for button in layout.buttons:
        circle = origin + circle_points(button.centre_mm, button.hole_mm / 2)
        canvas.haloed(canvas.pixels(circle), WHITE, 3.0, closed=True)


def _cut_points(cut: Cut) -> FloatArray:
    if cut.shape == "circle":
        return circle_points(cut.centre_mm, cut.diameter_mm / 2)
    return polyline(cut_contour(cut))


def _draw_landing(canvas: _Canvas, landing: Landing) -> None:
    """Draw the region of landings, a cross at the hole's centre, and, where it should move, the new hole with an arrow.

    The arrow runs from rim to rim: at the centre the fingertip's own mark would cover it.
    """
    border = region_polygon_mm(landing.mean_mm, landing.covariance_mm2)
    canvas.haloed(canvas.pixels(border), CHECK_COLOUR, 2.0, closed=True, dash=7.0)
    for arm in (np.array([2.0, 0.0]), np.array([0.0, 2.0])):
        canvas.haloed(canvas.pixels(np.stack([landing.centre_mm - arm, landing.centre_mm + arm])), WHITE, 1.5)
    if landing.move_mm is None or float(np.hypot(*landing.move_mm)) < 0.1:
        return
    centre = landing.centre_mm + landing.move_mm
    circle = circle_points((float(centre[0]), float(centre[1])), landing.hole_mm / 2)
    canvas.haloed(canvas.pixels(circle), CHECK_COLOUR, 2.5, closed=True)
    ahead = landing.move_mm / np.hypot(*landing.move_mm)
    rim = landing.centre_mm + ahead * landing.hole_mm / 2
    _draw_arrow(canvas, canvas.pixels(np.stack([rim, rim + landing.move_mm])))


def _draw_arrow(canvas: _Canvas, ends_px: FloatArray) -> None:
    """Draw an arrow with a solid head, from one pixel to another, (2, 2)."""
    if not canvas.in_reach(ends_px):
        return
    start, end = ends_px
    length = float(np.hypot(*(end - start)))
    if length < 1e-6:
        return
    ahead = (end - start) / length
    aside = np.array([-ahead[1], ahead[0]])
    head = max(10.0 * canvas.unit, min(16.0 * canvas.unit, 0.6 * length))
    neck = end - head * ahead
    wings = np.stack([end, neck + 0.55 * head * aside, neck - 0.55 * head * aside])
    shaft = np.stack([start, neck if length > head else start])
    canvas.line(shaft, DARK, 8.0)
    canvas.line(wings, DARK, 5.0, closed=True)
    canvas.line(shaft, CHECK_COLOUR, 4.0)
    canvas.fill(wings, CHECK_COLOUR)


def _draw_region(canvas: _Canvas, contact: Contact | Fingertip) -> None:
    border = canvas.pixels(region_polygon_mm(contact.contact_mm, contact.covariance_mm2))
    colour = SIDE_COLOURS[contact.side]
    canvas.fill(border, colour, 0.15 if contact.hidden else 0.3)
    canvas.haloed(border, colour, 2.5, closed=True, dash=11.0 if contact.hidden else 0.0)


def _marker_polygon(side: Side, centre: FloatArray, radius: float) -> FloatArray:
    if side == "left":
        return circle_points((centre[0], centre[1]), radius, 32)
    return circle_points((centre[0], centre[1]), radius * 1.3, 4)


def _draw_marker(canvas: _Canvas, side: Side, centre: FloatArray, radius: float, hollow: bool) -> None:
    """Draw a disc for the left and a diamond for the right hand; hollow ones keep only their border."""
    shape = _marker_polygon(side, centre, radius * canvas.unit)
    if hollow:
        canvas.haloed(shape, SIDE_COLOURS[side], 2.0, closed=True)
        return
    canvas.line(shape, DARK, 4.0, closed=True)
    canvas.fill(shape, SIDE_COLOURS[side])
    canvas.line(shape, WHITE, 1.5, closed=True)


def _mat_size_mm(measured: Placement | Rest) -> tuple[float, float] | None:
    placements = (measured,) if isinstance(measured, Placement) else measured.placements
    for placement in placements:
        for source in placement.sources:
            if source.mat in MATS:
                return MATS[source.mat].size_mm
    return None


def _scale_bar_place(
    contacts: Sequence[Contact | Fingertip],
    layout: Layout | None,
    mat_size_mm: tuple[float, float] | None,
    canvas: _Canvas,
) -> tuple[float, float] | None:
    """Return where the scale bar begins, mm: on the mat, in the picture, near the fingers but clear of them.

    None when there is nothing to stand near, or no free place within the picture.
    """
    if not contacts:
        return None
    tips = np.array([contact.contact_mm for contact in contacts])
    low, high = tips.min(axis=0) - 120.0, tips.max(axis=0) + 120.0
    if mat_size_mm is not None:
        low, high = np.maximum(low, 32.0), np.minimum(high, np.array(mat_size_mm) - 32.0)
    grid = [
        np.arange(start, max(stop, start + 1), 4.0) for start, stop in zip(low, high - (SCALE_BAR_MM, 0.0), strict=True)
    ]
    starts = np.stack(np.meshgrid(*grid), axis=-1).reshape(-1, 2)
    along = np.linspace(-6.0, SCALE_BAR_MM + 6.0, 8)
    points = starts[:, None] + np.column_stack([along, np.zeros(8)])
    pixels = canvas.pixels(points.reshape(-1, 2)).reshape(points.shape)
    edge = 60.0 * canvas.unit
    size = np.array(canvas.size)
    clear = ((pixels > edge) & (pixels < size - edge)).all(axis=(1, 2))
    for contact in contacts:
        # The hand is taken as a band from beyond the fingertip back along the finger.
        back = 200.0 * np.asarray(contact.reach, dtype=np.float64)
        t = np.clip(((contact.contact_mm - points) @ back) / (back @ back), -0.07, 1.0)
        apart = np.linalg.norm(points - (contact.contact_mm - t[..., None] * back), axis=2)
        clear &= apart.min(axis=1) > 24.0
    if layout is not None:
        for button in layout.buttons:
            centre = np.array(button.centre_mm) + layout.panel_origin_mm
            clear &= np.linalg.norm(points - centre, axis=2).min(axis=1) > button.hole_mm / 2 + 8.0
    if not clear.any():
        return None
    distance = np.linalg.norm(points.mean(axis=1) - tips.mean(axis=0), axis=1)
    x, y = starts[int(np.argmin(np.where(clear, distance, np.inf)))]
    return float(x), float(y)


def _draw_scale_bar(canvas: _Canvas, start_mm: tuple[float, float]) -> None:
    """Draw a bar of five blocks of 10 mm, black and white, lying on the mat."""
    x, y = start_mm
    half, blocks = 1.25, 5
    step = SCALE_BAR_MM / blocks
    frame = np.array([(x, y - half), (x + SCALE_BAR_MM, y - half), (x + SCALE_BAR_MM, y + half), (x, y + half)])
    canvas.line(canvas.pixels(frame), DARK, 6.0, closed=True)
    canvas.line(canvas.pixels(frame), WHITE, 3.0, closed=True)
    for block in range(blocks):
        left, right = x + block * step, x + (block + 1) * step
        corners = np.array([(left, y - half), (right, y - half), (right, y + half), (left, y + half)])
        canvas.fill(canvas.pixels(corners), WHITE if block % 2 else DARK)


def _write_labels(
    canvas: _Canvas,
    contacts: Sequence[Contact | Fingertip],
    layout: Layout | None,
    bar_mm: tuple[float, float] | None,
    landings: Sequence[Landing],
) -> None:
    """Write finger names, the scale bar's length, hole labels and the legend on the finished picture."""
    from PIL import Image, ImageDraw, ImageFont

    type_px = max(11.0, 25.0 * canvas.unit)
    font = ImageFont.truetype(str(font_file(bold=True)), type_px)
    small = ImageFont.truetype(str(font_file()), 0.8 * type_px)
    ring_rows, notes = _hole_places(canvas, layout, small)

    boxes: list[Box] = []
    if bar_mm is not None:
        boxes.append(_scale_bar_box(canvas, bar_mm, type_px))
    legend_size, legend_rows = _legend(contacts, layout, small, landings)
    tips = canvas.pixels(np.array([contact.contact_mm for contact in contacts]).reshape(-1, 2))
    legend = _legend_box(canvas, legend_size, [*tips, *(row[:2] for row in ring_rows)], boxes)
    boxes.append(legend)
    for (x, y), text, note_px in notes:
        half = 0.5 * small.getlength(text) * note_px / small.size
        boxes.append((x - half, y - 0.6 * note_px, x + half, y + 0.6 * note_px))

    names = [f"{contact.finger}{', hidden' if contact.hidden else ''}" for contact in contacts]
    wanted, discs = [], []
    for contact, tip, name in zip(contacts, tips, names, strict=True):
        border = canvas.pixels(region_polygon_mm(contact.contact_mm, contact.covariance_mm2))
        radius = float(np.hypot(*(border - tip).T).max()) if canvas.in_reach(border) else 0.0
        radius = min(max(radius, 9.0 * canvas.unit), 60.0 * canvas.unit)
        ahead = canvas.pixels((contact.contact_mm + 5.0 * np.asarray(contact.reach))[None])[0] - tip
        size = (font.getlength(name) + 2.1 * type_px, 1.5 * type_px)
        wanted.append(Wanted((tip[0], tip[1]), radius, size, (ahead[0], ahead[1])))
        discs.append((tip[0], tip[1], radius))
    edge = 8.0 * canvas.unit
    bounds = (edge, edge, canvas.size[0] - edge, canvas.size[1] - edge)
    obstacles = Obstacles(disc_array(discs), disc_array(ring_rows), tuple(boxes), bounds)
    places = place_labels(wanted, obstacles, gap=10.0 * canvas.unit)

    for label, box in zip(wanted, places, strict=True):
        _draw_leader(canvas, label, box)
    for contact, box in zip(contacts, places, strict=True):
        canvas.fill(_rounded(box, 0.45 * type_px), DARK, 0.78)
        centre = np.array([box[0] + 0.85 * type_px, (box[1] + box[3]) / 2])
        _draw_swatch(canvas, contact.side, centre, 0.3 * type_px, contact.hidden)
    _draw_legend(canvas, legend, legend_rows, small)

    image = Image.fromarray(np.ascontiguousarray(canvas.picture[:, :, ::-1]))
    draw = ImageDraw.Draw(image)
    for name, box in zip(names, places, strict=True):
        draw.text((box[0] + 1.5 * type_px, (box[1] + box[3]) / 2), name, "white", font, anchor="lm")
    for middle, text, note_px in notes:
        _haloed_text(draw, middle, text, small.font_variant(size=note_px))
    if bar_mm is not None:
        left, _, right, bottom = boxes[0]
        _haloed_text(draw, ((left + right) / 2, bottom - 0.6 * type_px), f"{SCALE_BAR_MM:.0f} mm", font)
    for row, (_, text) in enumerate(legend_rows):
        y = legend[1] + (0.95 + 1.45 * row) * small.size
        draw.text((legend[0] + 2.6 * small.size, y), text, "white", small, anchor="lm")
    canvas.picture = np.ascontiguousarray(np.asarray(image)[:, :, ::-1])


def _haloed_text(draw: ImageDraw, middle: tuple[float, float], text: str, font: FreeTypeFont) -> None:
    width = max(1, round(0.12 * font.size))
    draw.text(middle, text, "white", font, anchor="mm", stroke_width=width, stroke_fill=(16, 20, 24))


def _rounded(box: Box, radius: float) -> FloatArray:
    """Return a box with rounded corners as a polygon."""
    left, top, right, bottom = box
    corners = [
        ((right - radius, top + radius), -90),
        ((right - radius, bottom - radius), 0),
        ((left + radius, bottom - radius), 90),
        ((left + radius, top + radius), 180),
    ]
    angles = np.linspace(0.0, 90.0, 8)
    turn = [
        np.array(centre) + radius * np.column_stack([np.cos(a), np.sin(a)])
        for centre, start in corners
        for a in [np.radians(start + angles)]
    ]
    return np.vstack(turn)


def _draw_leader(canvas: _Canvas, label: Wanted, box: Box) -> None:
    """Tie a label that stands apart to its contact."""
    end = nearest_point(box, label.anchor)
    distance = math.dist(end, label.anchor)
    if distance > label.radius + 4.0 * canvas.unit:
        start = np.array(label.anchor) + (np.array(end) - label.anchor) * label.radius / distance
        canvas.haloed(np.array([start, end]), WHITE, 1.5)


def _draw_swatch(canvas: _Canvas, side: Side, centre: FloatArray, radius: float, hollow: bool) -> None:
    shape = _marker_polygon(side, centre, radius)
    if hollow:
        canvas.line(shape, SIDE_COLOURS[side], 2.5, closed=True)
    else:
        canvas.fill(shape, SIDE_COLOURS[side])


def _scale_bar_box(canvas: _Canvas, start_mm: tuple[float, float], type_px: float) -> Box:
    """Return the box of the scale bar with its text below."""
    x, y = start_mm
    ends = canvas.pixels(
        np.array([(x, y - 2.0), (x + SCALE_BAR_MM, y - 2.0), (x, y + 2.0), (x + SCALE_BAR_MM, y + 2.0)])
    )
    left, top = ends.min(axis=0)
    right, bottom = ends.max(axis=0)
    return float(left), float(top), float(right), float(bottom) + 1.2 * type_px


Note = tuple[tuple[float, float], str, float]
"""The middle of a text in px, the text, and its type size in px."""


def _hole_places(
    canvas: _Canvas, layout: Layout | None, font: FreeTypeFont
) -> tuple[list[tuple[float, float, float]], list[Note]]:
    """Return the holes as rings (x, y, radius) px, and each one's label: inside, on the person's side."""
    rings: list[tuple[float, float, float]] = []
    notes: list[Note] = []
    if layout is None:
        return rings, notes
    for button in layout.buttons:
        centre = np.array(button.centre_mm) + layout.panel_origin_mm
        half = button.hole_mm / 2
        points = canvas.pixels(centre + np.array([(0, 0), (half, 0), (0, half), (0, 0.62 * half)]))
        middle, right, bottom, place = points
        radius = math.dist(middle, right)
        rings.append((float(middle[0]), float(middle[1]), (radius + math.dist(middle, bottom)) / 2))
        text = clean_label(button.label)
        type_px = min(float(font.size), font.size * 1.4 * radius / max(font.getlength(text), 1.0))
        if text and type_px >= 9.0:
            notes.append(((float(place[0]), float(place[1])), text, type_px))
    return rings, notes


LegendRow = tuple[Literal["left", "right", "region", "hidden", "hole", "landing", "move", "warning"], str]


def _legend(
    contacts: Sequence[Contact | Fingertip],
    layout: Layout | None,
    font: FreeTypeFont,
    landings: Sequence[Landing] = (),
) -> tuple[tuple[float, float], list[LegendRow]]:
    """Return the legend's size and its rows: only what the picture shows."""
    rows: list[LegendRow] = []
    if any(contact.side == "left" for contact in contacts):
        rows.append(("left", "left hand, contact"))
    if any(contact.side == "right" for contact in contacts):
        rows.append(("right", "right hand, contact"))
    if any(not contact.hidden for contact in contacts):
        rows.append(("region", "95 % region"))
    if any(contact.hidden for contact in contacts):
        rows.append(("hidden", "hidden: estimated, 95 % region"))
    if layout is not None and layout.buttons:
        rows.append(("hole", "hole as printed" if landings else "hole to be cut"))
    if landings:
        rows.append(("landing", "95 of 100 landings"))
    if any(landing.move_mm is not None for landing in landings):
        rows.append(("move", "where the hole should move"))
    if layout is not None and not layout.buildable:
        rows.append(("warning", "layout has errors: not to be built yet"))
    width = max((font.getlength(text) for _, text in rows), default=0.0) + 3.4 * font.size
    return (width, (1.45 * len(rows) + 0.45) * font.size), rows


def _legend_box(
    canvas: _Canvas,
    size: tuple[float, float],
    points: Sequence[Sequence[float] | FloatArray],
    boxes: list[Box],
) -> Box:
    """Return the corner of the picture that is farthest from what has been drawn."""
    edge = 16.0 * canvas.unit
    width, height = canvas.size
    occupied = [(float(p[0]), float(p[1])) for p in points]
    occupied += [((b[0] + b[2]) / 2, (b[1] + b[3]) / 2) for b in boxes]
    corners = [
        (x, y, x + size[0], y + size[1])
        for y in (edge, height - edge - size[1])
        for x in (edge, width - edge - size[0])
    ]

    def room(box: Box) -> float:
        return min((math.dist(nearest_point(box, point), point) for point in occupied), default=0.0)

    return max(corners, key=room)


def _draw_legend(canvas: _Canvas, box: Box, rows: list[LegendRow], font: FreeTypeFont) -> None:
    if not rows:
        return
    size = float(font.size)
    canvas.fill(_rounded(box, 0.5 * size), DARK, 0.78)
    for row, (kind, _) in enumerate(rows):
        centre = np.array([box[0] + 1.4 * size, box[1] + (0.95 + 1.45 * row) * size])
        ellipse = centre + circle_points((0.0, 0.0), 0.45 * size, 48) * (1.45, 1.0)
        if kind in ("left", "right"):
            _draw_swatch(canvas, "left" if kind == "left" else "right", centre, 0.36 * size, False)
        elif kind == "hole":
            canvas.line(centre + circle_points((0.0, 0.0), 0.45 * size, 48), WHITE, 2.5, closed=True)
        elif kind == "move":
            canvas.line(centre + circle_points((-0.25 * size, 0.0), 0.42 * size, 48), CHECK_COLOUR, 2.0, closed=True)
            _draw_arrow(canvas, centre + np.array([[-0.05 * size, 0.0], [0.95 * size, 0.0]]))
        elif kind == "warning":
            for sign in (1, -1):
                canvas.line(centre + 0.4 * size * np.array([[-1.0, -sign], [1.0, sign]]), CHECK_COLOUR, 2.5)
        elif kind == "landing":
            canvas.line(ellipse, CHECK_COLOUR, 2.0, closed=True, dash=5.0)
        else:
            canvas.line(ellipse, WHITE, 2.0, closed=True, dash=6.0 if kind == "hidden" else 0.0)
