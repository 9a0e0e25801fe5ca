"""Is this photo good, and what to do about it: one look at everything that spoils a measurement.

Blur is measured on the mat's own edges and saddles, light on its blank paper and on the fingers, all from small samples
of the full-size photo; nothing is converted or shrunk as a whole. Nothing here changes what was measured.

What it is not: it does not say how far off a fingertip is. That stands in each contact's own covariance.

References
----------
Edge spread from a known edge, every pixel at its true distance: ISO 12233 (slanted edge), here with a Gaussian fitted.
At the centre of a saddle, of two signs under a correlated blur: W. F. Sheppard (1899), E[sign X · sign Y] = 2/π asin ρ.

"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Final, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from handcapture.camera import at_height_covariance
from handcapture.mat.geometry import CELL_MM, Sheet, sheet_raster
from handcapture.mat.saddles import saddles_of
from handcapture.mat.sighting import NOTED_CROSSCHECK_MM, NOTED_LIFT_MM, SheetSighting, Sighting
from handcapture.photo import Photo
from handcapture.rest import Contact, Placement

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
Pixels = NDArray[np.uint8]
Grade = Literal["good", "fair", "poor"]
What = Literal["tilt", "height", "resolution", "sharpness", "exposure", "shadows", "mat", "hands", "paper"]

_CODES = np.arange(256) / 255.0
# The sRGB transfer curve, IEC 61966-2-1.
_LINEAR: Final = np.where(_CODES <= 0.04045, _CODES / 12.92, ((_CODES + 0.055) / 1.055) ** 2.4)

_EDGE_REACH_MM: Final = 3.6
_EDGE_HALF_LENGTH_MM: Final = 4.5
"""The outer edge of a black ring cell: 17 mm of black inside, 4 mm of white strip and the margin outside; the next black
squares of the strip begin 4 mm beyond what is looked at."""
_ACROSS, _ALONG = 37, 9
_MOST_EDGES_PER_AXIS: Final = 12
_QUADRANT_MM: Final = 1.4
"""Where the four quadrants of a ring saddle are sampled, along each axis: short of the marker, which begins at 2 mm."""


@dataclass(frozen=True, eq=False)
class Blur:
    """How a photo smears the mat's edges, as a Gaussian, in the middle of the mat.

    `covariance_mm2` (2, 2): mat frame; `major_px` and `minor_px` its widest and narrowest standard deviation in the
    photo, `major_mm` and `minor_mm` on the mat. `direction_deg` is that of the widest on the mat, from x towards y,
    0 to 180. It holds everything between print and file: lens, shake, sensor and what the phone did to the picture.
    """

    covariance_mm2: FloatArray
    major_px: float
    minor_px: float
    major_mm: float
    minor_mm: float
    direction_deg: float
    edges: int


def measure_blur(pixels_bgr: Pixels, sighting: Sighting) -> Blur | None:
    """Measure the blur on the outer edges of the ring's black cells, and at its saddles; None without such edges.

    Edges give the blur across them, along x and along y. Their correlation, which tells a shake along a diagonal from
    a lens out of focus, shows at the saddles: there it makes one pair of quadrants run into each other.
    """
    points, along, outward, axis = _outer_edges(sighting)
    if len(points) == 0:
        return None
    sd_mm, good = _edge_sds(pixels_bgr, sighting, points, along, outward)
    if not good.any():
        return None
    to_mm = np.linalg.inv(_px_per_mm(sighting, points))
    sd_px = sd_mm / np.linalg.norm(np.einsum("ni,nij->nj", outward, to_mm), axis=1)
    middle = np.array(sighting.mat.size_mm)[None] / 2
    middle_px_per_mm = _px_per_mm(sighting, middle)[0]
    reach = np.linalg.norm(np.linalg.inv(middle_px_per_mm), axis=1)
    per_axis = [float(np.median(sd_px[good & (axis == k)])) if (good & (axis == k)).any() else None for k in (0, 1)]
    known = [sd for sd in per_axis if sd is not None]
    sd = np.array([known[0] if value is None else value for value in per_axis]) * reach
    correlation = _saddle_correlation(pixels_bgr, sighting, sd) if len(known) == 2 else 0.0
    covariance = np.outer(sd, sd) * np.array([[1.0, correlation], [correlation, 1.0]])
    values, vectors = np.linalg.eigh(covariance)
    in_px = np.linalg.eigvalsh(middle_px_per_mm @ covariance @ middle_px_per_mm.T)
    widest = vectors[:, 1]
    return Blur(
        covariance_mm2=covariance,
        major_px=float(np.sqrt(in_px[1])),
        minor_px=float(np.sqrt(max(in_px[0], 0.0))),
        major_mm=float(np.sqrt(values[1])),
        minor_mm=float(np.sqrt(max(values[0], 0.0))),
        direction_deg=float(np.degrees(np.arctan2(widest[1], widest[0])) % 180.0),
        edges=int(good.sum()),
    )


def _px_per_mm(sighting: Sighting, points_mm: FloatArray) -> FloatArray:
    """Return the derivatives (N, 2, 2) of pixels by places on the mat (N, 2)."""
    return sighting.camera.derivatives(np.c_[points_mm, np.zeros(len(points_mm))])[2][:, :, :2]


def _directions(sheet: SheetSighting) -> FloatArray:
    """Return the sheet's x and y axes as unit vectors of the mat frame, rows of (2, 2)."""
    turn = np.radians(sheet.rotation_deg)
    cos, sin = np.cos(turn), np.sin(turn)
    return np.array([[cos, sin], [-sin, cos]])


def _outer_edges(sighting: Sighting) -> tuple[FloatArray, FloatArray, FloatArray, NDArray[np.intp]]:
    """Return middles, directions and outward normals (N, 2), mat frame, of seen edges, and their normal's axis (N,).

    Seen is an edge of which both ends are saddles that were used.
    """
    found: list[tuple[FloatArray, FloatArray, FloatArray, int]] = []
    for number, placed in enumerate(sighting.sheets):
        sheet, axes = placed.sheet, _directions(placed)
        mine = (sighting.marks.sheet == number) & ~sighting.marks.is_dot
        lattice = (sighting.marks.points_mm[mine] - np.array(sheet.grid_origin_mm)) / CELL_MM
        seen = {(int(i), int(j)) for i, j in np.rint(lattice)}
        for i, j, normal, sign in _black_border(sheet):
            start = (i, j)
            stop = (i + 1, j) if normal == 1 else (i, j + 1)
            if start in seen and stop in seen:
                middle = np.array(sheet.grid_origin_mm) + CELL_MM * (np.array(start) + np.array(stop)) / 2
                found.append((placed.to_mat(middle[None])[0], axes[1 - normal], sign * axes[normal], normal))
    chosen: list[tuple[FloatArray, FloatArray, FloatArray, int]] = []
    for normal in (0, 1):
        mine_too = [entry for entry in found if entry[3] == normal]
        keep = np.unique(np.linspace(0, len(mine_too) - 1, _MOST_EDGES_PER_AXIS).round().astype(int)) if mine_too else []
        chosen += [mine_too[int(k)] for k in keep]
    points, along, outward = (np.array([entry[k] for entry in chosen]).reshape(-1, 2) for k in (0, 1, 2))
    return points, along, outward, np.array([entry[3] for entry in chosen], dtype=np.intp)


@lru_cache(maxsize=16)
def _black_border(sheet: Sheet) -> tuple[tuple[int, int, int, float], ...]:
    """Return first lattice point, axis of the normal, and its outward sign, of black cells' edges on the ring's rim."""
    nx, ny = sheet.columns, sheet.rows
    edges = [(i, 0, 1, -1.0) for i in range(nx) if i % 2]
    edges += [(i, ny, 1, 1.0) for i in range(nx) if (i + ny - 1) % 2]
    if sheet.seam != "left":
        edges += [(0, j, 0, -1.0) for j in range(ny) if j % 2]
    if sheet.seam != "right":
        edges += [(nx, j, 0, 1.0) for j in range(ny) if (nx - 1 + j) % 2]
    return tuple(edges)


def _edge_sds(
    pixels_bgr: Pixels, sighting: Sighting, points: FloatArray, along: FloatArray, outward: FloatArray
) -> tuple[FloatArray, BoolArray]:
    """Fit a blurred step to every edge (N): its standard deviation, mm on the mat, and whether the fit holds.

    Every pixel counts at its own true distance from the edge, so that nothing is interpolated.
    """
    spread = np.linspace(-1.0, 1.0, _ACROSS)
    across = np.sign(spread) * spread**2 * _EDGE_REACH_MM  # dense where the step is
    beside = np.linspace(-_EDGE_HALF_LENGTH_MM, _EDGE_HALF_LENGTH_MM, _ALONG)
    places = (
        points[:, None, None] + across[:, None, None] * outward[:, None, None] + beside[:, None] * along[:, None, None]
    )
    exact = sighting.camera.project(np.c_[places.reshape(-1, 2), np.zeros(places.size // 2)])
    nearest = np.rint(exact).astype(np.intp)
    rows, columns = pixels_bgr.shape[:2]
    inside = ((nearest >= 0) & (nearest < [columns, rows])).all(axis=1)
    nearest = np.clip(nearest, 0, [columns - 1, rows - 1])
    to_mm = np.linalg.inv(_px_per_mm(sighting, points))
    normal_per_px = np.einsum("ni,nij->nj", outward, to_mm)
    off = (nearest - exact).reshape(len(points), -1, 2)
    distance = np.repeat(across, _ALONG)[None] + np.einsum("nsj,nj->ns", off, normal_per_px)
    light = _LINEAR[pixels_bgr[nearest[:, 1], nearest[:, 0], 1]].reshape(len(points), -1)
    sd, good = _fit_steps(distance, light)
    return sd, good & inside.reshape(len(points), -1).all(axis=1)


def _fit_steps(distance: FloatArray, light: FloatArray) -> tuple[FloatArray, BoolArray]:
    """Fit low + rise · Φ((distance - shift) / sd) to each row (N, samples), by Gauss-Newton on all rows at once."""
    from scipy.special import erf

    half = distance.shape[1] // 4
    order = np.argsort(distance, axis=1)
    ordered = np.take_along_axis(light, order, axis=1)
    low, high = ordered[:, :half].mean(axis=1), ordered[:, -half:].mean(axis=1)
    state = np.stack([low, high - low, np.zeros(len(low)), np.full(len(low), np.log(0.3))], axis=1)
    for _ in range(12):
        sd = np.exp(state[:, 3:])
        u = (distance - state[:, 2:3]) / sd
        step = 0.5 + 0.5 * erf(u / np.sqrt(2.0))
        bell = np.exp(-0.5 * u * u) / np.sqrt(2.0 * np.pi)
        miss = light - state[:, :1] - state[:, 1:2] * step
        slopes = np.stack([np.ones_like(u), step, -state[:, 1:2] * bell / sd, -state[:, 1:2] * bell * u], axis=2)
        normal = np.einsum("nsi,nsj->nij", slopes, slopes) + 1e-9 * np.eye(4)
        change = np.linalg.solve(normal, np.einsum("nsi,ns->ni", slopes, miss)[..., None])[..., 0]
        change[:, 2] = np.clip(change[:, 2], -0.3, 0.3)
        change[:, 3] = np.clip(change[:, 3], -0.7, 0.7)
        state = state + change
        state[:, 3] = np.clip(state[:, 3], np.log(0.005), np.log(4.0))
        if np.abs(change[:, 3]).max() < 1e-3:
            break
    rms = np.sqrt((miss**2).mean(axis=1))
    rise = state[:, 1]
    good = (rise > 0.004) & (rms < 0.12 * rise) & (np.abs(state[:, 2]) < 1.0) & (np.abs(change[:, 3]) < 0.05)
    return np.exp(state[:, 3]), good


def _saddle_correlation(pixels_bgr: Pixels, sighting: Sighting, sd_mm: FloatArray) -> float:
    """Return the correlation of a blur whose standard deviations along x and y are known, from the ring's saddles."""
    from scipy.special import erf

    centre_light: list[tuple[float, float]] = []
    spread = np.prod(erf(_QUADRANT_MM / np.sqrt(2.0) / np.maximum(sd_mm, 1e-3)))
    shift = np.array([[0, 0], [-1, -1], [1, 1], [1, -1], [-1, 1]]) * _QUADRANT_MM
    for number, placed in enumerate(sighting.sheets):
        mine = (sighting.marks.sheet == number) & ~sighting.marks.is_dot
        lattice = np.rint((sighting.marks.points_mm[mine] - np.array(placed.sheet.grid_origin_mm)) / CELL_MM)
        falling = lattice.sum(axis=1) % 2 == 1
        where = placed.to_mat(sighting.marks.points_mm[mine])
        steps = np.einsum("nij,kj->nki", _px_per_mm(sighting, where), shift @ _directions(placed))
        places = (sighting.marks.pixels[mine][:, None] + steps).astype(np.float32)
        light = _sampled(pixels_bgr, places)
        mid, rise = light[:, 1:].mean(axis=1), (light[:, 3:].mean(axis=1) - light[:, 1:3].mean(axis=1)) / 2
        sign = np.where(falling, 1.0, -1.0)  # falling: dark is up left and down right, so the others are light
        usable = rise * sign > 0.002
        value = (mid - light[:, 0]) / np.where(usable, np.abs(rise), 1.0) * spread
        centre_light += [(float(s), float(v)) for s, v in zip(sign[usable], value[usable], strict=True)]
    if not centre_light:
        return 0.0
    signs, values = np.array(centre_light).T
    if not ((signs > 0).any() and (signs < 0).any()):
        return 0.0
    # Whatever moves all centres alike, as tone curves do, cancels between the two kinds of saddle.
    agreement = (np.median(values[signs > 0]) - np.median(values[signs < 0])) / 2
    return float(np.clip(np.sin(np.pi / 2 * np.clip(agreement, -1, 1)), -0.98, 0.98))


def _sampled(pixels_bgr: Pixels, places: NDArray[np.float32]) -> FloatArray:
    """Return the green channel's linear light at places (..., 2), px, interpolated between its four pixels."""
    rows, columns = pixels_bgr.shape[:2]
    corner = np.clip(np.floor(places).astype(np.intp), 0, [columns - 2, rows - 2])
    share = np.clip(places - corner, 0.0, 1.0)
    x, y, u, v = corner[..., 0], corner[..., 1], share[..., 0], share[..., 1]
    light = [_LINEAR[pixels_bgr[y + dy, x + dx, 1]] for dy in (0, 1) for dx in (0, 1)]
    upper, lower = light[0] * (1 - u) + light[1] * u, light[2] * (1 - u) + light[3] * u
    return np.asarray(upper * (1 - v) + lower * v, dtype=np.float64)
