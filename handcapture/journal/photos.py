"""Kept photos: the same pixels, without where, when, by whom and with which camera.

A JPEG is copied segment by segment (ITU-T T.81, annex B), without decoding: what tells how to decode it stays, all
other application segments, comments, previews and whatever follows the end of the picture go. Its colour profile is
written anew (`colour_profile`). Every other format is decoded and written as PNG. The copy says anew which way is up,
and the focal length as 35 mm equivalent, so that it can be measured again with the same result.
"""

from __future__ import annotations

import io
import struct
import warnings
import zlib
from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np

from handcapture.errors import InputError
from handcapture.journal.colour_profile import plain_profile
from handcapture.photo import FULL_FRAME_DIAGONAL_MM, SENSOR_FOCAL_RELATIVE_SD, Photo

_ORIENTATION, _EXIF_BLOCK, _FOCAL_35MM = 0x0112, 0x8769, 0xA405
_FOCAL, _SENSOR_PX_PER_UNIT, _SENSOR_UNIT = 0x920A, 0xA20E, 0xA210
_CENTIMETRES: Final = 3
_SOI, _EOI, _SOS = 0xD8, 0xD9, 0xDA
_NEEDED: Final = frozenset({*range(0xC0, 0xC8), *range(0xC9, 0xD0), _SOS, 0xDB, 0xDD})
"""Frames, Huffman tables and arithmetic conditioning (T.81, table B.1: SOFn, DHT, DAC), SOS, DQT and DRI."""
_BARE_MARKERS: Final = frozenset({0x01, *range(0xD0, 0xD8)})
_PROFILE: Final = b"ICC_PROFILE\0"
_MOST_PARTS: Final = 255
_LONGEST_PART: Final = 65_519
"""Bytes of a profile that a segment takes (ICC.1:2022, B.4)."""


@dataclass(frozen=True)
class KeptPhoto:
    """The copy to keep: its bytes and the ending of its file name."""

    data: bytes
    suffix: str


def without_personal_data(data: bytes, photo: Photo) -> KeptPhoto:
    """Return a copy of the photo file `data` with the same pixels, and nothing else of it; `photo` is the file as read.

    InputError when the pixels cannot be written.
    """
    if data[:2] == b"\xff\xd8":
        stripped = _stripped_jpeg(data, _exif(photo, _orientation(data)))
        # Decoders forgive more than the standard allows; what does not come out the same is kept as PNG.
        if stripped is not None and _same_pixels(stripped, photo):
            return KeptPhoto(stripped, ".jpg")
    done, encoded = cv2.imencode(".png", photo.pixels_bgr)
    if not done:
        raise InputError(f"{photo.name} cannot be kept: its pixels could not be written as PNG. Keep it elsewhere.")
    return KeptPhoto(_with_exif_chunk(encoded.tobytes(), _exif(photo, 1)), ".png")


def _orientation(data: bytes) -> int:
    from PIL import Image

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            orientation = int(Image.open(io.BytesIO(data)).getexif().get(_ORIENTATION, 1) or 1)
    except Exception:  # a damaged block counts as none, as in `photo`
        return 1
    return orientation if 1 <= orientation <= 8 else 1


def _exif(photo: Photo, orientation: int) -> bytes:
    """Return an EXIF block with the orientation and what the focal prior was taken from."""
    from PIL import Image

    block = Image.Exif()
    block[_ORIENTATION] = orientation
    if photo.focal_prior_px is not None:
        inner = block.get_ifd(_EXIF_BLOCK)
        px_per_mm = float(np.hypot(*photo.size_px)) / FULL_FRAME_DIAGONAL_MM
        equivalent_mm = photo.focal_prior_px / px_per_mm
        if photo.focal_prior_relative_sd == SENSOR_FOCAL_RELATIVE_SD:
            half = 2.0 if equivalent_mm > 100.0 else 1.0  # lenses above 100 mm are not believed
            inner[_FOCAL] = equivalent_mm / half
            inner[_SENSOR_PX_PER_UNIT], inner[_SENSOR_UNIT] = 10.0 * px_per_mm * half, _CENTIMETRES
        else:
            inner[_FOCAL_35MM] = round(equivalent_mm)
    return block.tobytes()


def _stripped_jpeg(data: bytes, exif: bytes) -> bytes | None:
    """Return the JPEG's picture alone, None where its segments do not follow the standard."""
    out = [b"\xff\xd8"]
    described = False
    profile: list[bytes] = []
    place = 2
    while place + 4 <= len(data):
        if data[place] != 0xFF:
            return None
        marker = data[place + 1]
        if marker == 0xFF:  # a fill byte
            place += 1
            continue
        if marker == _EOI:
            break
        if marker in _BARE_MARKERS:
            place += 2
            continue
        length = struct.unpack(">H", data[place + 2 : place + 4])[0]
        body = data[place + 4 : place + 2 + length]
        if length < 2 or len(body) != length - 2 or marker == _SOI:
            return None
        kept = _kept_body(marker, body)
        if not described and marker != 0xE0:
            out.append(_segment(0xE1, exif))
            described = True
            behind = len(out)
        if marker == 0xE2 and body[:12] == _PROFILE:
            profile.append(body[12:])
        if kept is not None:
            out.append(_segment(marker, kept))
        place += 2 + length
        if marker == _SOS:
            end = _end_of_scan(data, place)
            out.append(data[place:end])
            place = end
    out.append(b"\xff\xd9")
    if profile:
        out[behind:behind] = _profile_segments(profile)
    return b"".join(out)


def _profile_segments(parts: list[bytes]) -> list[bytes]:
    """Return the segments with a plain profile; `parts` are the old one's, each behind its number and their count.

    None where it is not whole: no decoder uses it then.
    """
    ordered = sorted(parts, key=lambda part: part[:1])
    if [tuple(part[:2]) for part in ordered] != [(k, len(parts)) for k in range(1, len(parts) + 1)]:
        return []
    plain = plain_profile(b"".join(part[2:] for part in ordered)) or b""
    cut = [plain[k : k + _LONGEST_PART] for k in range(0, len(plain), _LONGEST_PART)]
    if len(cut) > _MOST_PARTS:
        return []
    return [_segment(0xE2, _PROFILE + bytes((k, len(cut))) + part) for k, part in enumerate(cut, start=1)]


def _kept_body(marker: int, body: bytes) -> bytes | None:
    """Return what stays of a segment: all that decoding needs."""
    if marker == 0xE0 and body[:5] == b"JFIF\0" and len(body) >= 14:
        return body[:12] + b"\0\0"  # without its preview
    if marker == 0xEE and body[:5] == b"Adobe" and len(body) >= 12:
        return body[:12]
    return body if marker in _NEEDED else None


def _segment(marker: int, body: bytes) -> bytes:
    return struct.pack(">BBH", 0xFF, marker, len(body) + 2) + body


def _end_of_scan(data: bytes, start: int) -> int:
    """Return where the next marker stands that is neither a stuffed byte nor a restart."""
    place = start
    while True:
        place = data.find(b"\xff", place)
        if place < 0 or place + 1 >= len(data):
            return len(data)
        following = data[place + 1]
        if following == 0 or 0xD0 <= following <= 0xD7:
            place += 2
        elif following == 0xFF:
            place += 1
        else:
            return place


def _same_pixels(data: bytes, photo: Photo) -> bool:
    pixels = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)  # turns it as the EXIF block says
    return pixels is not None and np.array_equal(pixels, photo.pixels_bgr)


def _with_exif_chunk(png: bytes, exif: bytes) -> bytes:
    """Put an eXIf chunk (PNG specification, third edition, 11.3.4.5) behind the header."""
    body = b"eXIf" + exif.removeprefix(b"Exif\0\0")
    chunk = struct.pack(">I", len(body) - 4) + body + struct.pack(">I", zlib.crc32(body))
    header_end = 8 + 25
    return png[:header_end] + chunk + png[header_end:]
