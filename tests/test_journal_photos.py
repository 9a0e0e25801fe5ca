"""Kept photos: the same pixels, nothing personal. Markers: ITU-T T.81 table B.1; EXIF tags: CIPA DC-008."""

from __future__ import annotations

import hashlib
import io
import struct
import zlib
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image
from PIL.PngImagePlugin import PngInfo

from handcapture.journal.photos import KeptPhoto, without_personal_data
from handcapture.photo import Photo, read_photo

SIZE = (800, 600)
SECRET = b"backstage door, 12.34 N"
HEIC = Path(__file__).parent / "data" / "small.heic"


def picture() -> Image.Image:
    """An asymmetric picture, rough enough that its JPEG has stuffed bytes."""
    noise = np.random.default_rng(3).integers(0, 255, (SIZE[1], SIZE[0], 3)).astype(np.uint8)
    noise[:150, :200] = (250, 10, 10)
    return Image.fromarray(noise)


def exif(orientation: int = 1, by_sensor: bool = False) -> Image.Exif:
    """An EXIF block with where, when, who and with what, all invented."""
    block = Image.Exif()
    block[0x0112] = orientation
    block[0x010F], block[0x013B] = "Maker " + SECRET.decode(), SECRET.decode()
    inner = block.get_ifd(0x8769)
    inner[0x9003] = "2031:05:06 07:08:09"
    inner[0x9286] = b"ASCII\0\0\0" + SECRET
    inner[0xA431] = "SN-" + SECRET.decode()
    if by_sensor:
        inner[0x920A], inner[0xA20E], inner[0xA210], inner[0xA002] = 4.25, 1560.5, 3, SIZE[0]
    else:
        inner[0xA405] = 26
    place = block.get_ifd(0x8825)
    place[1], place[2], place[29] = "N", (12.0, 34.0, 56.0), "2031:05:06"
    return block


def jpeg(orientation: int = 1, mode: str = "RGB", by_sensor: bool = False, **options: object) -> bytes:
    out = io.BytesIO()
    picture().convert(mode).save(out, "JPEG", exif=exif(orientation, by_sensor), comment=SECRET, **options)
    return out.getvalue()


def segment(marker: int, body: bytes) -> bytes:
    return struct.pack(">BBH", 0xFF, marker, len(body) + 2) + body


def kept_of(data: bytes, folder: Path) -> tuple[Photo, KeptPhoto, Photo]:
    """Return a photo, its kept copy, and that copy read again."""
    path = folder / "photo"
    path.write_bytes(data)
    photo = read_photo(path)
    kept = without_personal_data(data, photo)
    copy = folder / f"copy{kept.suffix}"
    copy.write_bytes(kept.data)
    return photo, kept, read_photo(copy)


def check_same(photo: Photo, again: Photo, kept: KeptPhoto) -> None:
    np.testing.assert_array_equal(again.pixels_bgr, photo.pixels_bgr)
    if photo.focal_prior_px is None:
        assert again.focal_prior_px is None
    else:
        assert again.focal_prior_px == pytest.approx(photo.focal_prior_px, rel=1e-6)
        assert again.focal_prior_relative_sd == photo.focal_prior_relative_sd
    assert again.captured_at is None
    for word in (SECRET, b"2031", b"GPS", b"SN-", b"Maker"):
        assert word not in kept.data
    block = Image.open(io.BytesIO(kept.data)).getexif()
    assert set(block) <= {0x0112, 0x8769}
    assert set(block.get_ifd(0x8769)) <= {0xA405, 0x920A, 0xA20E, 0xA210}
    assert not block.get_ifd(0x8825)


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("by_sensor", [False, True])
def test_jpeg_keeps_pixels_and_orientation(orientation: int, by_sensor: bool, tmp_path: Path) -> None:
    data = jpeg(orientation, by_sensor=by_sensor)
    assert SECRET in data
    photo, kept, again = kept_of(data, tmp_path)
    assert kept.suffix == ".jpg"
    check_same(photo, again, kept)
    # Not decoded and encoded again: the scan is the same bytes.
    scan = data[data.index(b"\xff\xda") :]
    assert kept.data.endswith(scan)


@pytest.mark.parametrize(
    ("mode", "options"),
    [
        ("RGB", {"progressive": True}),
        ("RGB", {"restart_marker_blocks": 4}),
        ("RGB", {"subsampling": 0}),
        ("RGB", {"optimize": True, "quality": 30}),
        ("L", {}),
        ("CMYK", {}),
    ],
    ids=["progressive", "restarts", "full colour", "optimised", "grey", "four inks"],
)
def test_kinds_of_jpeg(mode: str, options: dict[str, object], tmp_path: Path) -> None:
    photo, kept, again = kept_of(jpeg(6, mode, **options), tmp_path)
    check_same(photo, again, kept)
    assert kept.suffix == (".png" if mode == "CMYK" else ".jpg")


def test_what_hides_in_other_segments_and_behind_the_end(tmp_path: Path) -> None:
    """XMP, a preview in JFIF, IPTC, a second picture with its own location, a film clip appended."""
    data = jpeg(3)
    jfif_end = 2 + 2 + struct.unpack(">H", data[4:6])[0]
    preview = b"JFIF\0\1\1\0\0\1\0\1\2\2" + SECRET[:12]
    hidden = (
        segment(0xE0, preview)
        + segment(0xE0, b"JFXX\0\x10" + SECRET)
        + segment(0xE1, b"http://ns.adobe.com/xap/1.0/\0<x>" + SECRET + b"</x>")
        + segment(0xED, b"Photoshop 3.0\0" + SECRET)
        + segment(0xE2, b"MPF\0" + SECRET)
        + segment(0xEF, SECRET)
        + segment(0xFE, SECRET)
    )
    whole = data[:2] + hidden + data[jfif_end:] + jpeg(1) + b"ftypmp42" + SECRET
    photo, kept, again = kept_of(whole, tmp_path)
    assert kept.suffix == ".jpg"
    check_same(photo, again, kept)
    assert SECRET[:12] not in kept.data
    assert kept.data.count(b"\xff\xd8\xff") == 1


def test_colour_profile_stays(tmp_path: Path) -> None:
    profile = b"an invented profile, no person in it" * 10
    data = jpeg(1, icc_profile=profile)
    _, kept, _ = kept_of(data, tmp_path)
    assert Image.open(io.BytesIO(kept.data)).info["icc_profile"] == profile


@pytest.mark.parametrize("kind", ["PNG", "WEBP", "TIFF"])
@pytest.mark.parametrize("orientation", [1, 6, 7])
def test_other_formats_become_png(kind: str, orientation: int, tmp_path: Path) -> None:
    out = io.BytesIO()
    options: dict[str, object] = {"exif": exif(orientation)}
    if kind == "WEBP":
        options["lossless"] = True
    if kind == "PNG":
        info = PngInfo()
        info.add_text("Comment", SECRET.decode())
        info.add_itxt("XML:com.adobe.xmp", SECRET.decode())
        options["pnginfo"] = info
    picture().save(out, kind, **options)
    photo, kept, again = kept_of(out.getvalue(), tmp_path)
    assert kept.suffix == ".png"
    check_same(photo, again, kept)


def test_heic_becomes_png(tmp_path: Path) -> None:
    photo, kept, again = kept_of(HEIC.read_bytes(), tmp_path)
    assert kept.suffix == ".png"
    check_same(photo, again, kept)
    assert photo.focal_prior_px is not None


def test_png_chunks_are_whole(tmp_path: Path) -> None:
    """Every chunk has the CRC that the PNG specification asks for, and none but these are there."""
    out = io.BytesIO()
    picture().save(out, "PNG", exif=exif(6))
    _, kept, _ = kept_of(out.getvalue(), tmp_path)
    place, names = 8, []
    while place < len(kept.data):
        length = struct.unpack(">I", kept.data[place : place + 4])[0]
        body = kept.data[place + 4 : place + 8 + length]
        assert struct.unpack(">I", kept.data[place + 8 + length : place + 12 + length])[0] == zlib.crc32(body)
        names.append(body[:4])
        place += 12 + length
    assert set(names) == {b"IHDR", b"eXIf", b"IDAT", b"IEND"}


def test_long_lenses_keep_their_prior(tmp_path: Path) -> None:
    block = exif(1, by_sensor=True)
    block.get_ifd(0x8769)[0x920A] = 16.0  # about 160 mm on a full frame
    out = io.BytesIO()
    picture().save(out, "JPEG", exif=block)
    photo, kept, again = kept_of(out.getvalue(), tmp_path)
    assert photo.focal_prior_px is not None
    assert photo.focal_prior_px / np.hypot(*SIZE) * 43.267 > 100
    check_same(photo, again, kept)


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    junk=st.lists(
        st.tuples(st.sampled_from([*range(0xE1, 0xF0), 0xFE]), st.binary(min_size=0, max_size=300)), max_size=5
    ),
    tail=st.binary(max_size=50),
    fill=st.integers(0, 3),
)
def test_any_further_segments_go(junk: list[tuple[int, bytes]], tail: bytes, fill: int, tmp_path: Path) -> None:
    data = jpeg(8)
    jfif_end = 2 + 2 + struct.unpack(">H", data[4:6])[0]
    more = b"".join(
        b"\xff" * fill + segment(marker, SECRET + body) for marker, body in junk if body[:5] not in (b"Adobe",)
    )
    photo, kept, again = kept_of(data[:jfif_end] + more + data[jfif_end:] + tail, tmp_path)
    assert kept.suffix == ".jpg"
    check_same(photo, again, kept)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(place=st.integers(0, 30_000), value=st.integers(0, 255))
def test_damaged_photos_are_kept_as_they_are_seen_or_refused(place: int, value: int, tmp_path: Path) -> None:
    """Where a damaged JPEG can be read at all, the copy shows the same pixels."""
    data = bytearray(jpeg(6, quality=50))
    data[place % len(data)] = value
    path = tmp_path / "photo.jpg"
    path.write_bytes(bytes(data))
    try:
        photo = read_photo(path)
    except ValueError:
        return
    kept = without_personal_data(bytes(data), photo)
    copy = tmp_path / f"{hashlib.sha256(kept.data).hexdigest()}{kept.suffix}"
    copy.write_bytes(kept.data)
    np.testing.assert_array_equal(read_photo(copy).pixels_bgr, photo.pixels_bgr)
