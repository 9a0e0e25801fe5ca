"""Compose phone photos: printed sheets on a table, under the synthetic hands of a reference scene.

The scene gives the hands, the shadow they cast, the light on the table, the camera and the truth. Everything
is added up in linear light, then goes through a lens, a sensor and a JPEG coder. The first sheet's frame (mm,
x right, y down from its top-left corner) is the mat frame in which the truth is stated.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any, Final, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
Picture = NDArray[np.float32]
Bytes = NDArray[np.uint8]
TableKind = Literal["plain", "wood", "speckle"]
Orientation = Literal[1, 3, 6, 8]
"""EXIF's tag: how the stored picture is turned (1 upright, 3 upside down, 6 and 8 on a side)."""

PAPER_BLACK: Final = 30
PAPER_WHITE: Final = 238
"""sRGB codes of printed black and of plain paper (from memory, no source)."""
RASTER_PX_PER_MM: Final = 8.0
FULL_FRAME_DIAGONAL_MM: Final = 43.267
_LENS_GRID_PX: Final = 8


@dataclass(frozen=True, eq=False)
class Paper:
    """A printed sheet on the table: its picture (grey), its size, where its middle lies and how it is turned.

    `middle_mm` is in the table frame (x right, y up); `turn_deg` is counter-clockwise as seen.
    """

    picture: Bytes
    size_mm: tuple[float, float]
    middle_mm: tuple[float, float] = (0.0, 0.0)
    turn_deg: float = 0.0

    def to_table(self) -> FloatArray:
        """Return the matrix (3, 3) from sheet mm (x right, y down) to table mm (x right, y up)."""
        cos, sin = np.cos(np.radians(self.turn_deg)), np.sin(np.radians(self.turn_deg))
        centred = np.array([[1, 0, -self.size_mm[0] / 2], [0, -1, self.size_mm[1] / 2], [0, 0, 1.0]])
        placed = np.array([[cos, -sin, self.middle_mm[0]], [sin, cos, self.middle_mm[1]], [0, 0, 1.0]])
        return np.asarray(placed @ centred, dtype=np.float64)


@dataclass(frozen=True)
class Look:
    """How the photo is taken. Noise is a standard deviation at middle grey, of 1; gains are red, green, blue."""

    table_bgr: tuple[int, int, int] = (96, 120, 150)
    table_kind: TableKind = "wood"
    k1: float = 0.0
    exposure: float = 1.0
    gains_rgb: tuple[float, float, float] = (1.0, 1.0, 1.0)
    vignette: float = 0.25
    blur_px: float = 0.6
    noise: float = 0.006
    sharpen: float = 0.4
    jpeg_quality: int = 90
    orientation: Orientation = 1
    focal_in_exif: bool = True
    seed: int = 0


def linear(codes: Any) -> Picture:
    """Return linear light for sRGB codes, 0 to 1 (IEC 61966-2-1)."""
    codes = np.asarray(codes)
    return np.asarray(np.where(codes <= 0.04045, codes / 12.92, ((codes + 0.055) / 1.055) ** 2.4), np.float32)


def coded(light: Picture) -> Picture:
    """Return sRGB codes, 0 to 1, for linear light (IEC 61966-2-1)."""
    light = np.clip(light, 0, 1)
    return np.asarray(np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055), np.float32)


_LINEAR: Final = linear(np.arange(256) / 255.0)


def compose(
    scene: Path,
    papers: list[Paper],
    look: Look = Look(),
    shrink: int = 1,
) -> tuple[Bytes, dict[str, Any]]:
    """Return the upright photo (BGR) and the truth, with contacts in the mat frame as `contact_mat_mm`.

    `shrink` gives a picture smaller by a whole factor, for quick tests; the truth's `K` is then shrunk as well.
    """
    truth: dict[str, Any] = json.loads((scene / "truth.json").read_text())
    layers = json.loads((scene / "layers.json").read_text())
    size = (truth["image_size"][0] // shrink, truth["image_size"][1] // shrink)
    smaller = np.array([[1 / shrink, 0, (1 / shrink - 1) / 2], [0, 1 / shrink, (1 / shrink - 1) / 2], [0, 0, 1.0]])
    camera = smaller @ np.array(truth["K"])
    rotation, shift = np.array(truth["R"]), np.array(truth["t"])
    table_to_px = camera @ np.c_[rotation[:, 0], rotation[:, 1], shift]
    rng = np.random.default_rng(look.seed)

    ground = _table(look, table_to_px, size)
    for paper in papers:
        _lay(ground, paper, table_to_px, size)
    light = cv2.GaussianBlur(_layer(scene / "light.png"), (0, 0), 2)
    ground *= cv2.resize(linear(light), size, interpolation=cv2.INTER_CUBIC)
    shadow = linear(_layer(scene / "shadow.webp")[..., :1])
    shadow = np.clip(cv2.resize(shadow, size, interpolation=cv2.INTER_CUBIC), 0, 1)
    ground *= shadow[..., None] / layers["plane_albedo"]
    hands, cover = _hands(scene, layers, size)
    photo = hands + ground * (1 - cover)

    if look.k1:
        photo = _bend(photo, camera, look.k1)
    photo = _develop(photo, look, rng)
    truth["K"], truth["image_size"], truth["dist"] = camera.tolist(), list(size), [look.k1, 0, 0, 0, 0]
    truth["look"] = asdict(look)
    truth["sheets"] = [{"size_mm": paper.size_mm, "sheet_to_table": paper.to_table().tolist()} for paper in papers]
    if papers:
        _state_in_mat_frame(truth, papers[0])
    return photo, truth


def _state_in_mat_frame(truth: dict[str, Any], first: Paper) -> None:
    to_mat = np.linalg.inv(first.to_table())
    for hand in truth["hands"].values():
        for finger in hand["fingers"].values():
            for name in ("contact", "tip"):
                x, y, _ = to_mat @ [*finger[f"{name}_mm"][:2], 1.0]
                finger[f"{name}_mat_mm"] = [round(float(x), 4), round(float(y), 4)]


def _layer(path: Path) -> Picture:
    picture = cv2.imread(str(path), cv2.IMREAD_UNCHANGED)
    if picture is None:
        raise FileNotFoundError(path)
    return np.asarray(picture, np.float32) / np.float32(255)


def _table(look: Look, table_to_px: FloatArray, size: tuple[int, int]) -> Picture:
    """Return the bare table in linear light: one colour, streaked like planks or speckled like stone."""
    half_mm, rng = 1000, np.random.default_rng(look.seed + 1)
    side = 2 * half_mm
    top = np.empty((side, side, 3), np.float32)
    top[:] = _LINEAR[np.array(look.table_bgr)]
    if look.table_kind != "plain":
        pattern = np.zeros((side, side), np.float32)
        for fineness in (1, 3, 9):
            across, along = (3 * fineness, 60 * fineness) if look.table_kind == "wood" else (110 * fineness,) * 2
            grains = rng.normal(0, 1, (min(along, side), min(across, side))).astype(np.float32)
            pattern += cv2.resize(grains, (side, side), interpolation=cv2.INTER_CUBIC) / fineness
        strength = 0.15 if look.table_kind == "wood" else 0.07
        top *= (1 + strength * pattern / pattern.std())[..., None]
        if look.table_kind == "wood":
            for row in range(int(rng.uniform(0, 140)), side - 2, 140):
                top[row : row + 2] *= 0.45
    px_to_mm = np.array([[1, 0, -half_mm], [0, -1, half_mm], [0, 0, 1.0]])
    seen = cv2.warpPerspective(
        top, table_to_px @ px_to_mm, size, flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
    )
    return np.clip(seen, 0, 1).astype(np.float32)


def _lay(ground: Picture, paper: Paper, table_to_px: FloatArray, size: tuple[int, int]) -> None:
    """Lay a sheet on the ground, in place."""
    width, height = paper.size_mm
    sheet_to_px = table_to_px @ paper.to_table()
    corners = cv2.perspectiveTransform(
        np.array([[[0, 0], [width, 0], [width, height], [0, height]]], float), sheet_to_px
    )[0]
    px_per_mm = max(np.linalg.norm(corners[1] - corners[0]), np.linalg.norm(corners[2] - corners[3])) / width
    picture = _LINEAR[paper.picture]
    # Fine enough for the photo, and no finer: a warp alone would alias.
    excess = picture.shape[1] / width / (1.5 * px_per_mm)
    if excess > 1:
        smaller = cv2.resize(picture, None, fx=1 / excess, fy=1 / excess, interpolation=cv2.INTER_AREA)
        picture = np.asarray(smaller, np.float32)
    rows, columns = picture.shape
    px_to_mm = np.array(
        [[width / columns, 0, 0.5 * width / columns], [0, height / rows, 0.5 * height / rows], [0, 0, 1]]
    )
    twice = np.array([[2, 0, 0.5], [0, 2, 0.5], [0, 0, 1.0]])
    seen = cv2.warpPerspective(
        picture,
        twice @ sheet_to_px @ px_to_mm,
        (2 * size[0], 2 * size[1]),
        flags=cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    seen = cv2.resize(seen, size, interpolation=cv2.INTER_AREA)
    cover = np.zeros((size[1], size[0]), np.uint8)
    cv2.fillConvexPoly(cover, np.round((corners + 0.5) * 256 - 128).astype(np.int32), 255, cv2.LINE_AA, 8)
    share = cover.astype(np.float32) / 255
    ground *= (1 - share)[..., None]
    ground += (np.clip(seen, 0, 1) * share)[..., None]


def _hands(scene: Path, layers: dict[str, Any], size: tuple[int, int]) -> tuple[Picture, Picture]:
    """Return the hands in linear light, premultiplied, and how much they cover (height, width, 1)."""
    left, top, width, height = layers["hand_box"]
    full = np.zeros((layers["render_size"][1], layers["render_size"][0], 4), np.float32)
    full[top : top + height, left : left + width] = _layer(scene / "hand.webp")
    cover = full[..., 3:]
    mixed = np.concatenate([linear(full[..., :3]) * cover, cover], axis=2)
    # The rendered outline steps by whole pixels: soften it, and only it, before it is enlarged.
    soft = cv2.GaussianBlur(mixed, (0, 0), 0.8)
    rim = cv2.dilate(((cover > 0.02) & (cover < 0.98)).astype(np.uint8)[..., 0], np.ones((3, 3), np.uint8))
    share = cv2.GaussianBlur(rim.astype(np.float32), (0, 0), 0.8)[..., None]
    mixed = cv2.resize(mixed + share * (soft - mixed), size, interpolation=cv2.INTER_CUBIC)
    return np.clip(mixed[..., :3], 0, None), np.clip(mixed[..., 3:], 0, 1)


def _bend(photo: Picture, camera: FloatArray, k1: float) -> Picture:
    """Apply a radial lens term to an ideal picture. The map is smooth, so it is solved on a coarse grid."""
    height, width = photo.shape[:2]
    x = np.arange(0, width + _LENS_GRID_PX, _LENS_GRID_PX)
    y = np.arange(0, height + _LENS_GRID_PX, _LENS_GRID_PX)
    grid = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 1, 2).astype(np.float64)
    lens = np.array([k1, 0, 0, 0, 0], float)
    stop = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 40, 1e-9)
    ideal = (
        cv2.undistortPoints(grid, camera, lens, P=camera, criteria=stop).reshape(len(y), len(x), 2).astype(np.float32)
    )
    rows, columns = np.mgrid[0:height, 0:width].astype(np.float32) / _LENS_GRID_PX
    from_x, from_y = (cv2.remap(ideal[..., k], columns, rows, cv2.INTER_LINEAR) for k in (0, 1))
    return np.asarray(cv2.remap(photo, from_x, from_y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE), np.float32)


def _develop(photo: Picture, look: Look, rng: np.random.Generator) -> Bytes:
    """Carry linear light through vignette, white balance, blur, coding, noise and sharpening to 8 bits."""
    height, width = photo.shape[:2]
    rows, columns = np.ogrid[0:height, 0:width]
    radius2 = ((columns - width / 2) ** 2 + (rows - height / 2) ** 2) / ((width / 2) ** 2 + (height / 2) ** 2)
    photo = photo * (1 - look.vignette * radius2[..., None]).astype(np.float32)
    photo *= np.array(look.gains_rgb[::-1], np.float32) * np.float32(look.exposure)
    if look.blur_px:
        photo = np.asarray(cv2.GaussianBlur(photo, (0, 0), look.blur_px), np.float32)
    codes = coded(photo)
    if look.noise:
        grain = rng.standard_normal(codes.shape, dtype=np.float32)
        coarse = rng.standard_normal((height // 4, width // 4, 3), dtype=np.float32)
        codes += look.noise * (0.8 * grain + cv2.resize(coarse, (width, height))) * (1.5 - codes)
    if look.sharpen:
        codes += look.sharpen * (codes - cv2.GaussianBlur(codes, (0, 0), 1.6))
    return (np.clip(codes, 0, 1) * 255 + 0.5).astype(np.uint8)


def jpeg(photo: Bytes, look: Look, focal_35mm: float) -> bytes:
    """Return the photo as a phone stores it: turned as `look.orientation` undoes, with focal length in EXIF."""
    import io

    from PIL import Image

    stored = {
        1: photo,
        3: cv2.rotate(photo, cv2.ROTATE_180),
        6: cv2.rotate(photo, cv2.ROTATE_90_COUNTERCLOCKWISE),
        8: cv2.rotate(photo, cv2.ROTATE_90_CLOCKWISE),
    }[look.orientation]
    exif = Image.Exif()
    exif[0x0112] = look.orientation
    if look.focal_in_exif:
        exif.get_ifd(0x8769)[0xA405] = round(focal_35mm)
    out = io.BytesIO()
    Image.fromarray(np.ascontiguousarray(stored[..., ::-1])).save(out, "JPEG", quality=look.jpeg_quality, exif=exif)
    return out.getvalue()


@lru_cache(maxsize=8)
def printed_sheets(mat_name: str) -> tuple[Bytes, ...]:
    """Return every page of a mat as it comes from the printer: rendered from our PDF, words and rules and all."""
    import pypdfium2  # type: ignore[import-untyped]

    from handcapture.mat.geometry import MATS
    from handcapture.mat.printing import mat_pdf

    pages = pypdfium2.PdfDocument(mat_pdf(MATS[mat_name]))
    spread = (PAPER_WHITE - PAPER_BLACK) / 255
    pictures = []
    for page in pages:
        grey = page.render(scale=RASTER_PX_PER_MM * 25.4 / 72, grayscale=True).to_numpy()
        pictures.append((grey.reshape(grey.shape[:2]) * spread + PAPER_BLACK + 0.5).astype(np.uint8))
    return tuple(pictures)


def lay_mat(
    mat_name: str, gap_mm: float = 0.0, skew_deg: float = 0.0, middle_mm: tuple[float, float] = (0.0, 0.0)
) -> list[Paper]:
    """Return the papers of a mat, its middle at `middle_mm` of the table.

    The second sheet of a pair lies `gap_mm` off the first one and is turned clockwise by `skew_deg`.
    """
    from handcapture.mat.geometry import MATS

    sheets = MATS[mat_name].sheets
    pictures = printed_sheets(mat_name)
    sizes = [(sheet.width_mm, sheet.height_mm) for sheet in sheets]
    if len(sheets) == 1:
        return [Paper(pictures[0], sizes[0], middle_mm)]
    (left_width, _), (right_width, _) = sizes
    x, y = middle_mm
    return [
        Paper(pictures[0], sizes[0], (x - left_width / 2, y)),
        Paper(pictures[1], sizes[1], (x + gap_mm + right_width / 2, y), -skew_deg),
    ]
