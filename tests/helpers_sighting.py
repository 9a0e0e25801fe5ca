"""Photos of printed sheets alone, made through a known camera."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from handcapture.camera import Camera
from handcapture.mat.geometry import CARD_MM, MATS, sheet_raster
from handcapture.mat.print_scale import PrintScale
from handcapture.photo import Photo

FloatArray = NDArray[np.float64]
Picture = NDArray[np.uint8]
SIZE = (2000, 1500)
FOCAL_PX = 1350.0
RASTER_PX_PER_MM = 8.0
_NODE_PX = 4


def camera_over(
    middle_mm: tuple[float, float] = (210.0, 148.5),
    height_mm: float = 420.0,
    tilt_deg: float = 8.0,
    towards_deg: float = 30.0,
    turn_deg: float = 0.0,
    k1: float = 0.0,
    focal_px: float = FOCAL_PX,
    size: tuple[int, int] = SIZE,
) -> Camera:
    """Return a camera that looks at `middle_mm` from `height_mm`, tilted, and turned about its own axis."""
    axis = np.radians(tilt_deg) * np.array([np.cos(np.radians(towards_deg)), np.sin(np.radians(towards_deg)), 0.0])
    rotation = cv2.Rodrigues(np.array([0.0, 0.0, np.radians(turn_deg)]))[0] @ cv2.Rodrigues(axis)[0]
    back = rotation.T @ np.array([0.0, 0.0, 1.0])
    centre = np.array([*middle_mm, 0.0]) - back * height_mm / back[2]
    middle_px = (np.array(size) - 1) / 2 + [3.0, -2.0]
    return Camera(focal_px, middle_px, k1, rotation, -rotation @ centre)


def picture_of(
    mat_name: str,
    camera: Camera,
    size: tuple[int, int] = SIZE,
    poses: Sequence[tuple[float, float, float]] | None = None,
    scale: PrintScale | None = None,
    bend: Callable[[FloatArray], FloatArray] | None = None,
    table: int = 110,
    unroll: Callable[[FloatArray], FloatArray] | None = None,
) -> Picture:
    """Return a grey picture of the mat's sheets.

    `poses`: corner x and y, mm, and turn in degrees for each sheet; side by side by default. `bend` gives the
    height of the paper, mm, at mat points (N, 2): its rays are cut there. `unroll` tells which point (N, 2) of flat
    paper lies at a mat point, where bending draws it in; without it the paper stretches.
    """
    mat, scale = MATS[mat_name], scale or PrintScale()
    if poses is None:
        poses = [(0.0, 0.0, 0.0), (mat.sheets[0].width_mm * scale.x, 0.0, 0.0)][: len(mat.sheets)]
    ground = _ground(camera, size, bend, unroll)
    picture = np.full(size[::-1], float(table), np.float32)
    for sheet, (x, y, turn_deg) in zip(mat.sheets, poses, strict=True):
        cos, sin = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
        on_sheet = (ground - [x, y]) @ np.array([[cos, -sin], [sin, cos]]) / [scale.x, scale.y]
        raster = 30 + 208 / 255 * sheet_raster(sheet, RASTER_PX_PER_MM).astype(np.float32)
        blur = 0.45 * RASTER_PX_PER_MM * camera.mm_per_px(np.array(mat.size_mm) / 2)
        raster = cv2.GaussianBlur(raster, (0, 0), blur)
        where = (on_sheet * RASTER_PX_PER_MM - 0.5).astype(np.float32)
        seen = cv2.remap(raster, where[..., 0], where[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        inside = ((on_sheet > 0) & (on_sheet < [sheet.width_mm, sheet.height_mm])).all(axis=-1)
        picture[inside] = seen[inside]
    return np.asarray(cv2.GaussianBlur(picture, (0, 0), 0.5) + 0.5, np.uint8)


@dataclass(frozen=True)
class DrawnCard:
    """A card to draw: colours are linear B, G, R of paper 1; place and turn count from the card's place.

    `raised` gives the height of the upper face, mm, at points (N, 2) of the card, its middle at (0, 0). `shadow_mm` is
    how far the lamp throws the shadow of the upper edge.
    """

    colour: tuple[float, float, float] = (0.3, 0.1, 0.05)
    wall: tuple[float, float, float] = (0.25, 0.1, 0.08)
    shift_mm: tuple[float, float] = (0.0, 0.0)
    turn_deg: float = 0.0
    size_mm: tuple[float, float] = CARD_MM
    contact: float = 0.3
    shadow_mm: tuple[float, float] = (0.0, 0.0)
    raised: Callable[[FloatArray], FloatArray] | None = None
    radius_mm: float = 3.18


def with_card(
    picture: Picture,
    mat_name: str,
    camera: Camera,
    card: DrawnCard,
    scale: PrintScale | None = None,
    blur_px: float = 0.6,
) -> Picture:
    """Return the grey picture as B, G, R with a card in its place, mixed in linear light, 4 by 4 rays per pixel.

    `scale` is that of the print: the card keeps its size. Thickness and radius: ISO/IEC 7810.
    """
    scale, fine = scale or PrintScale(), 4
    place = MATS[mat_name].sheets[0].card_place
    assert place is not None
    middle = np.array([place.x_mm + CARD_MM[0] / 2, place.y_mm + CARD_MM[1] / 2]) * [scale.x, scale.y] + card.shift_mm
    cos, sin = np.cos(np.radians(card.turn_deg)), np.sin(np.radians(card.turn_deg))
    turn = np.array([[cos, -sin], [sin, cos]])
    ends = middle + np.array([52.0, 36.0]) * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) @ turn.T
    box = camera.project(np.c_[ends, np.zeros(4)])
    x0, y0 = np.maximum(box.min(axis=0).astype(int), 0)
    x1, y1 = np.minimum(box.max(axis=0).astype(int), np.array(picture.shape[::-1]))
    nodes = np.stack(np.meshgrid(np.arange(x0 - 4, x1 + 9, 4), np.arange(y0 - 4, y1 + 9, 4)), axis=-1)
    pixels = nodes.reshape(-1, 2).astype(np.float64)
    columns = ((np.arange((x1 - x0) * fine) + 0.5) / fine - 0.5 + 4) / 4
    rows = ((np.arange((y1 - y0) * fine) + 0.5) / fine - 0.5 + 4) / 4
    where = np.meshgrid(columns.astype(np.float32), rows.astype(np.float32))

    def on_card(points: FloatArray) -> NDArray[np.float32]:
        local = ((points - middle) @ turn).reshape(*nodes.shape).astype(np.float32)
        return np.asarray(cv2.remap(local, *where, cv2.INTER_LINEAR), np.float32)

    top = camera.at_height(pixels, 0.76)
    if card.raised is not None:
        for _ in range(6):
            top = camera.at_height(pixels, card.raised((top - middle) @ turn))
    foot = on_card(camera.at_height(pixels, 0.0))
    on_top, over_foot = _outside(on_card(top), card) < 0, _outside(foot, card) < 0
    grey = _linear(picture[y0:y1, x0:x1])
    light = np.repeat(cv2.resize(grey, None, fx=fine, fy=fine, interpolation=cv2.INTER_LINEAR)[..., None], 3, axis=2)
    white = float(_linear(np.array([[238]], np.uint8))[0, 0])
    light *= (1 - card.contact * np.exp(-np.maximum(_outside(foot, card), 0) / 0.4))[..., None]
    if any(card.shadow_mm):
        thrown = _outside(foot - np.asarray(np.array(card.shadow_mm) @ turn, np.float32), card)
        light *= (1 - 0.45 / (1 + np.exp(np.clip(thrown / 0.06, -30, 30))))[..., None]
    light[over_foot] = np.array(card.wall) * white
    light[on_top] = np.array(card.colour) * white
    light = cv2.GaussianBlur(light, (0, 0), blur_px * fine)
    coarse = cv2.resize(light, (x1 - x0, y1 - y0), interpolation=cv2.INTER_AREA)
    result = np.repeat(picture[..., None], 3, axis=2)
    value = np.where(coarse <= 0.0031308, 12.92 * coarse, 1.055 * np.maximum(coarse, 1e-9) ** (1 / 2.4) - 0.055)
    result[y0:y1, x0:x1] = np.clip(255 * value + 0.5, 0, 255).astype(np.uint8)
    return result


def _linear(picture: Picture) -> NDArray[np.float32]:
    """Return linear light for the values of a picture (sRGB, IEC 61966-2-1)."""
    value = picture.astype(np.float32) / 255
    return np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4).astype(np.float32)


def _outside(points: NDArray[np.float32], card: DrawnCard) -> NDArray[np.float32]:
    """Return the distance of points (..., 2) from the rounded rectangle, negative inside."""
    q = np.abs(points) - np.asarray(card.size_mm, np.float32) / 2 + np.float32(card.radius_mm)
    reach = np.hypot(np.maximum(q[..., 0], 0), np.maximum(q[..., 1], 0))
    return np.asarray(reach + np.minimum(q.max(axis=-1), 0) - card.radius_mm, np.float32)


def _ground(
    camera: Camera,
    size: tuple[int, int],
    bend: Callable[[FloatArray], FloatArray] | None,
    unroll: Callable[[FloatArray], FloatArray] | None = None,
) -> FloatArray:
    """Return the mat point (rows, columns, 2) that each pixel sees; between every fourth pixel it is interpolated."""
    nodes = np.stack(np.meshgrid(*(_NODE_PX * np.arange(-1, n // _NODE_PX + 2) for n in size)), axis=-1)
    pixels = nodes.reshape(-1, 2).astype(np.float64)
    points = camera.at_height(pixels, 0.0)
    if bend is not None:
        for _ in range(4):
            points = camera.at_height(pixels, bend(points))
    if unroll is not None:
        points = unroll(points)
    columns, rows = ((np.arange(n, dtype=np.float32) / _NODE_PX + 1) for n in size)
    return np.asarray(cv2.remap(points.reshape(nodes.shape), *np.meshgrid(columns, rows), cv2.INTER_LINEAR), np.float64)


def photo_from(picture: Picture, noise: float = 2.0, seed: int = 0, focal_px: float | None = FOCAL_PX) -> Photo:
    """Return the picture, grey or B, G, R, with noise as a `Photo`."""
    rng = np.random.default_rng(seed)
    colours = picture if picture.ndim == 3 else picture[..., None]
    grainy = np.clip(colours + rng.normal(0, noise, (*picture.shape[:2], 3)), 0, 255)
    return Photo(np.asarray(grainy + 0.5, np.uint8), "photo.jpg", "0" * 64, focal_px, 0.03, None)


def misses_mm(found: Camera, known: Camera, points_mm: FloatArray, z_mm: float = 0.0) -> FloatArray:
    """Return how far off, on the mat, points (N, 2) at a height are placed when `known` made the picture."""
    pixels = known.project(np.column_stack([points_mm, np.full(len(points_mm), z_mm)]))
    return np.linalg.norm(found.at_height(pixels, z_mm) - points_mm, axis=1)


def grid(mat_name: str) -> FloatArray:
    """Return points (N, 2) all over the quiet part of a mat."""
    width, height = MATS[mat_name].size_mm
    return np.array([(u * width, v * height) for u in np.linspace(0.12, 0.88, 7) for v in np.linspace(0.15, 0.85, 5)])


@dataclass(frozen=True)
class DrawnBoard:
    """A board to draw on the mat: colours are shares of white in linear light, `holes_mm` x, y, diameter (N, 3).

    `floor` is a grey that lies in the holes instead of the mat; `thrown_mm` how far the lamp throws the shadow of the
    upper rim over the floor; `cables` lines (x, y, x, y, width) of light `cable` that lie on top.
    """

    box_mm: tuple[float, float, float, float]
    holes_mm: tuple[tuple[float, float, float], ...]
    thickness_mm: float
    light: float = 0.25
    wall: float = 0.12
    floor: float | None = None
    thrown_mm: tuple[float, float] = (0.0, 0.0)
    caps: bool = False
    cables: tuple[tuple[float, float, float, float, float], ...] = ()
    cable: float = 0.02


def with_board(picture: Picture, camera: Camera, board: DrawnBoard, blur_px: float = 0.6) -> Picture:
    """Return the grey picture with a board on the mat, mixed in linear light, 4 by 4 rays per pixel at its holes.

    With `caps`, discs of `thickness_mm` stand on a thin sheet instead of holes in a board.
    """
    fine, white = 4, float(_linear(np.array([[238]], np.uint8))[0, 0])
    light = _linear(picture)
    x0, y0, x1, y1 = board.box_mm
    corners = np.array([(x0, y0), (x1, y0), (x1, y1), (x0, y1)])
    foot = camera.project(np.c_[corners, np.zeros(4)])
    top = foot if board.caps else camera.project(np.c_[corners, np.full(4, board.thickness_mm)])
    under = light.copy()
    for outline, value in ((cv2.convexHull(np.r_[foot, top].astype(np.float32))[:, 0], board.wall), (top, board.light)):
        mask = np.zeros(light.shape, np.uint8)
        cv2.fillPoly(mask, [np.rint(outline * 16).astype(np.int32)], 255, cv2.LINE_AA, 4)
        light += (value * white - light) * (mask / np.float32(255))
    for x, y, diameter in board.holes_mm:
        reach = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * (diameter / 2 + 2 + board.thickness_mm)
        ends = [camera.project(np.c_[np.add(reach, [x, y]), np.full(4, z)]) for z in (0.0, board.thickness_mm)]
        low = np.maximum(np.floor(np.min(ends, axis=(0, 1))).astype(int), 0)
        high = np.minimum(np.ceil(np.max(ends, axis=(0, 1))).astype(int) + 1, np.array(light.shape[::-1]))
        size = (high - low) * fine
        columns, rows = ((np.arange(n) + 0.5) / fine - 0.5 + start for n, start in zip(size, low, strict=True))
        # Rays on a coarser grid, between whose nodes the camera is as good as linear.
        nodes = [np.linspace(values[0], values[-1], 24) for values in (columns, rows)]
        pixels = np.stack(np.meshgrid(*nodes), axis=-1).reshape(-1, 2)
        where = np.meshgrid(
            np.linspace(0, 23, size[0], dtype=np.float32), np.linspace(0, 23, size[1], dtype=np.float32)
        )

        def at(z: float, pixels: FloatArray = pixels, where: list[NDArray[np.float32]] = where) -> NDArray[np.float32]:
            points = camera.at_height(pixels, z).reshape(24, 24, 2).astype(np.float32)
            return np.asarray(cv2.remap(points, *where, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), np.float32)

        crop = slice(low[1], high[1]), slice(low[0], high[0])
        mix = cv2.resize(light[crop], None, fx=fine, fy=fine, interpolation=cv2.INTER_LINEAR)
        upper, lower = at(board.thickness_mm), at(0.0)
        middle = np.array([x, y], np.float32)
        on_top = np.linalg.norm(upper - middle, axis=-1) < diameter / 2
        at_foot = np.linalg.norm(lower - middle, axis=-1) < diameter / 2
        if board.caps:
            mix[at_foot] = board.wall * white
            for share in np.linspace(0, 1, 25):  # the side of the cap, swept
                mix[np.linalg.norm(lower * (1 - share) + upper * share - middle, axis=-1) < diameter / 2] = (
                    board.wall * white
                )
            mix[on_top] = (board.floor if board.floor is not None else 0.02) * white
        else:
            ground = cv2.resize(under[crop], None, fx=fine, fy=fine, interpolation=cv2.INTER_LINEAR)
            if board.floor is not None:
                ground[:] = board.floor * white
            ground = ground * (1 - 0.3 * np.exp(-np.maximum(diameter / 2 - np.linalg.norm(lower - middle, axis=-1), 0)))
            shaded = np.linalg.norm(lower - middle - np.float32(board.thrown_mm), axis=-1) > diameter / 2
            ground[shaded] *= 0.5 if any(board.thrown_mm) else 1.0
            mix[on_top] = board.wall * white
            mix[on_top & at_foot] = ground[on_top & at_foot]
        light[crop] = cv2.resize(mix, tuple(int(n) for n in high - low), interpolation=cv2.INTER_AREA)
    for xa, ya, xb, yb, width in board.cables:
        ends_px = camera.project(np.array([[xa, ya, board.thickness_mm], [xb, yb, board.thickness_mm]]))
        mask = np.zeros(light.shape, np.uint8)
        thick = max(1, round(width / camera.mm_per_px(np.array([xa, ya]))))
        a, b = ([int(v) for v in np.rint(end * 16)] for end in ends_px)
        cv2.line(mask, a, b, 255, thick, cv2.LINE_AA, 4)
        light += (board.cable * white - light) * (mask / np.float32(255))
    light = cv2.GaussianBlur(light, (0, 0), blur_px)
    value = np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 1e-9) ** (1 / 2.4) - 0.055)
    return np.asarray(np.clip(255 * value + 0.5, 0, 255), np.uint8)


def compressed(photo: Photo, quality: int = 90) -> Photo:
    """Return the photo as JPEG has it."""
    data = cv2.imencode(".jpg", photo.pixels_bgr, [cv2.IMWRITE_JPEG_QUALITY, quality])[1]
    return replace(photo, pixels_bgr=np.asarray(cv2.imdecode(data, cv2.IMREAD_COLOR), np.uint8))
