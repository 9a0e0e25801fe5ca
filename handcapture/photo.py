"""Read a photo: upright pixels, focal prior, hash and time; never a location.

Of the EXIF block (CIPA DC-008) only orientation, focal length and capture time are looked at. Digital zoom is
not undone: phones state the 35 mm equivalent after zooming, and where one does not, the pose solution finds it.
Without a 35 mm equivalent, focal length and sensor resolution tell the same, unless the picture was cropped or shrunk
by a program that left them as they were: hence with a wider deviation.
"""

from __future__ import annotations

import hashlib
import io
import warnings
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

from handcapture.documents import plain_text, read_bytes
from handcapture.errors import HandcaptureError, InputError, brief

if TYPE_CHECKING:
    from PIL import Image

LEAST_PIXELS: Final = 300_000
MOST_PIXELS: Final = 50_000_000
MOST_BYTES: Final = 100_000_000
FOCAL_RELATIVE_SD: Final = 0.03
SENSOR_FOCAL_RELATIVE_SD: Final = 0.06
FULL_FRAME_DIAGONAL_MM: Final = 43.267
_MOST_SCANS: Final = 100
"""A progressive JPEG has some ten; each costs the decoder a pass over the whole picture."""
_END: Final = b"\xff\xd9"
"""A JPEG's closing marker."""
_FORMATS: Final = ("JPEG", "PNG", "WEBP", "TIFF")
_ORIENTATION, _EXIF_BLOCK, _FOCAL_35MM, _TAKEN = 0x0112, 0x8769, 0xA405, 0x9003
_FOCAL, _SENSOR_PX_PER_UNIT, _SENSOR_UNIT, _WIDTH = 0x920A, 0xA20E, 0xA210, 0xA002
_UNIT_MM: Final = {2: 25.4, 3: 10.0}


@dataclass(frozen=True, eq=False)
class Photo:
    """One photo, upright.

    `pixels_bgr` is (height, width, 3) uint8, BGR. `name` is the bare file name. `focal_prior_px` is the focal
    length that the file states, in pixels of the upright picture, None when it states none;
    `focal_prior_relative_sd` is its relative standard deviation. `captured_at` is the camera's local time,
    ISO 8601, None when unknown.
    """

    pixels_bgr: NDArray[np.uint8]
    name: str
    sha256: str
    focal_prior_px: float | None
    focal_prior_relative_sd: float
    captured_at: str | None

    @property
    def size_px(self) -> tuple[int, int]:
        """Width and height."""
        return self.pixels_bgr.shape[1], self.pixels_bgr.shape[0]


def read_photo(path: Path) -> Photo:
    """Read a JPEG, PNG, WebP, TIFF or HEIC photo of 0.3 to 50 megapixels.

    The format is told by the content. InputError names the file, what is wrong and what to do.
    """
    return photo_of(read_bytes(path, MOST_BYTES, "a photo"), path)


def photo_of(data: bytes, path: Path) -> Photo:
    """Return the photo of a file's bytes; `path` names it, and is not looked at. InputError as `read_photo`."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        picture, is_heif = _open(data, path)
        _check_size(picture.size, path)
        orientation, focal, focal_sd, taken = _exif(picture)
        pixels = _decode(data, picture, path)
    if not is_heif:  # libheif turns the picture itself
        pixels = _turn(pixels, orientation)
    return Photo(
        pixels_bgr=np.ascontiguousarray(pixels),
        name=plain_text(path.name),
        sha256=hashlib.sha256(data).hexdigest(),
        focal_prior_px=focal,
        focal_prior_relative_sd=focal_sd,
        captured_at=taken,
    )


def _open(data: bytes, path: Path) -> tuple[Image.Image, bool]:
    from PIL import Image, UnidentifiedImageError

    Image.MAX_IMAGE_PIXELS = None  # our own limit has its own sentence, and is checked before decoding
    is_heif = data[4:8] == b"ftyp" and data[8:12] in (b"heic", b"heix", b"heim", b"heis", b"mif1", b"hevc", b"msf1")
    try:
        if is_heif:
            from handcapture.heif import decode_heif

            if data[8:12] in (b"hevc", b"msf1"):
                raise _refuse(path, "is a moving HEIC", "Export a single still photo.")
            size, decoded = decode_heif(data, LEAST_PIXELS, MOST_PIXELS)
            _check_size(size, path)
            assert decoded is not None
            return decoded, True
        picture = Image.open(io.BytesIO(data), formats=_FORMATS)
        several = picture.format != "MPO" and _has_second(picture)
    except UnidentifiedImageError:
        raise _refuse(path, "is not a photo that can be read", "Use a JPEG, PNG, WebP, TIFF or HEIC file.") from None
    except HandcaptureError:
        raise
    except Exception as error:  # decoders raise many kinds
        raise _refuse(path, f"cannot be decoded ({brief(error)})", "Copy it from the phone again.") from None
    if several:
        raise _refuse(path, "holds several pictures or an animation", "Export a single still photo.")
    return picture, False


def _has_second(picture: Image.Image) -> bool:
    """Return whether another picture follows. They are not counted: that may take hours, the square of their number."""
    try:
        picture.seek(1)
    except EOFError:
        picture.seek(0)
        return False
    return True


def _refuse(path: Path, what: str, remedy: str) -> InputError:
    return InputError(f"{path} {what}. {remedy}")


def _check_size(size: tuple[int, int], path: Path) -> None:
    width, height = size
    if width * height > MOST_PIXELS:
        raise _refuse(
            path,
            f"has {width * height / 1e6:.0f} megapixels; the limit is {MOST_PIXELS / 1e6:.0f}",
            "Set the phone to a smaller picture size, or shrink the photo.",
        )
    if width * height < LEAST_PIXELS:
        raise _refuse(
            path,
            f"has too few pixels ({width} x {height})",
            "Use the original photo from the phone, at least 3 megapixels, not a preview.",
        )


def _exif(picture: Image.Image) -> tuple[int, float | None, float, str | None]:
    """Return orientation, focal length in pixels, its relative sd, and capture time; a damaged block counts as none."""
    orientation, focal, focal_sd, taken = 1, None, FOCAL_RELATIVE_SD, None
    try:
        block = picture.getexif()
        orientation = int(block.get(_ORIENTATION, 1) or 1)
        inner = block.get_ifd(_EXIF_BLOCK)
        equivalent = float(inner.get(_FOCAL_35MM, 0) or 0)
        if 10.0 <= equivalent <= 200.0:
            focal = equivalent * float(np.hypot(*picture.size)) / FULL_FRAME_DIAGONAL_MM
        elif (sensor := _focal_by_sensor(inner, picture.size)) is not None:
            focal, focal_sd = sensor, SENSOR_FOCAL_RELATIVE_SD
        stamp = inner.get(_TAKEN)
        if isinstance(stamp, str):
            taken = datetime.strptime(stamp.strip("\0 "), "%Y:%m:%d %H:%M:%S").isoformat()
    except Exception:  # noqa: S110
        pass
    return orientation if 1 <= orientation <= 8 else 1, focal, focal_sd, taken


def _focal_by_sensor(inner: Any, size: tuple[int, int]) -> float | None:
    """Return the focal length in pixels of the picture from that in mm and the sensor's pixels per length.

    The resolution holds for a picture as wide as the block states; one that was shrunk since is scaled.
    """
    focal_mm, per_unit = float(inner.get(_FOCAL, 0) or 0), float(inner.get(_SENSOR_PX_PER_UNIT, 0) or 0)
    unit_mm = _UNIT_MM.get(int(inner.get(_SENSOR_UNIT, 2) or 2))
    width = float(inner.get(_WIDTH, 0) or 0) or float(size[0])
    if not (1.0 <= focal_mm <= 100.0 and per_unit > 0 and unit_mm):
        return None
    focal = focal_mm * per_unit / unit_mm * size[0] / width
    # As a share of the diagonal, what 10 to 200 mm are on a full frame.
    return focal if 10.0 <= focal / float(np.hypot(*size)) * FULL_FRAME_DIAGONAL_MM <= 200.0 else None


def _decode(data: bytes, picture: Image.Image, path: Path) -> NDArray[np.uint8]:
    """Return the pixels as stored, BGR."""
    try:
        if picture.format in ("JPEG", "MPO"):
            jpeg = _decode_jpeg(data, picture.mode in ("RGB", "L"), path)
            if jpeg.shape[1::-1] != picture.size:
                raise _refuse(path, "cannot be decoded", "Copy it from the phone again.")
            if jpeg.shape[2] == 3:
                return jpeg
        if picture.mode in ("I", "I;16", "I;16B", "I;16L"):
            grey = np.asarray(picture).astype(np.float64)
            return np.repeat((grey / 257.0 + 0.5).clip(0, 255).astype(np.uint8)[..., None], 3, axis=2)
        if picture.mode in ("RGBA", "LA", "PA") or "transparency" in picture.info:
            from PIL import Image

            picture = picture.convert("RGBA")
            picture = Image.alpha_composite(Image.new("RGBA", picture.size, "white"), picture)
        return np.asarray(np.asarray(picture.convert("RGB"))[..., ::-1], dtype=np.uint8)
    except InputError:
        raise
    except Exception as error:  # decoders raise many kinds
        raise _refuse(path, f"cannot be decoded ({brief(error)})", "Copy it from the phone again.") from None


def _decode_jpeg(data: bytes, is_plain: bool, path: Path) -> NDArray[np.uint8]:
    """Return a JPEG's pixels (height, width, 3), BGR, or, where it is not `is_plain`, its four inks.

    A decoder makes a picture of damaged data as well, whose parts may have moved: what it warns of is refused.
    """
    import simplejpeg

    if data.rstrip(b"\0")[-2:] != _END and _END not in data[-65536:]:
        raise _refuse(path, "is cut short", "Copy it from the phone again.")
    if data.count(b"\xff\xda") > _MOST_SCANS:
        raise _refuse(path, "has more scans than any camera writes", "Save it anew as a plain JPEG.")
    space = "BGR" if is_plain else "CMYK"
    try:
        try:
            return np.asarray(simplejpeg.decode_jpeg(data, space), dtype=np.uint8)
        except ValueError as error:
            if "extraneous bytes" not in str(error):
                raise
            # Some cameras fill up with zeros before the end: nothing is missing then. The first may belong to the data.
            unpadded = data[: data.rfind(_END)].rstrip(b"\0") + b"\0" + _END
            return np.asarray(simplejpeg.decode_jpeg(unpadded, space), dtype=np.uint8)
    except ValueError as error:
        raise _refuse(
            path,
            f"is damaged: parts of the picture are missing or out of place ({brief(error)})",
            "Copy it from the phone again.",
        ) from None


def _turn(pixels: NDArray[np.uint8], orientation: int) -> NDArray[np.uint8]:
    """Apply EXIF orientation 1 to 8."""
    if orientation in (2, 4, 5, 7):
        pixels = np.asarray(cv2.flip(pixels, 0 if orientation == 4 else 1), dtype=np.uint8)
    turns = {
        3: cv2.ROTATE_180,
        5: cv2.ROTATE_90_COUNTERCLOCKWISE,
        6: cv2.ROTATE_90_CLOCKWISE,
        7: cv2.ROTATE_90_CLOCKWISE,
        8: cv2.ROTATE_90_COUNTERCLOCKWISE,
    }
    if orientation in turns:
        pixels = np.asarray(cv2.rotate(pixels, turns[orientation]), dtype=np.uint8)
    return pixels
