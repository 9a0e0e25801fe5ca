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

from handcapture.errors import InputError
from handcapture.journal import photos
from handcapture.journal.colour_profile import plain_profile
from handcapture.journal.photos import KeptPhoto, _profile_segments, without_personal_data
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


@pytest.mark.parametrize("marker", [0xC8, 0xDC, 0xDE, 0xDF, 0xF0, 0xF7, 0xFD, 0x02, 0xBF])
def test_segments_that_nothing_needs_do_not_stay(marker: int, tmp_path: Path) -> None:
    """DNL, EXP, JPGn, reserved ones (ITU-T T.81, table B.1): some decoders skip them, whatever they hold."""
    data = jpeg(3)
    whole = data[:2] + segment(marker, SECRET) + data[2:]
    try:
        _, kept, _ = kept_of(whole, tmp_path)
    except InputError:
        return
    assert SECRET[:12] not in kept.data


def test_a_table_that_several_tags_share_is_written_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Written three times, this one would need more segments than can be numbered."""
    entries = {name: table_tag(b"mft2") for name in (b"A2B0", b"A2B1", b"A2B2")}
    profile = profile_of({**WIDE, **entries}, 2, b"Lab ")
    shared = plain_profile(profile)
    assert shared is not None
    assert len(shared) < len(profile) / 2
    before, after = (as_srgb(p, Image.new("RGB", (2, 2), (200, 100, 50))) for p in (profile, shared))
    np.testing.assert_array_equal(before, after)
    monkeypatch.setattr(photos, "plain_profile", lambda profile: bytes(256 * 65_519))
    assert _profile_segments([bytes((1, 1)) + profile]) == []


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


# Colour profiles, written here after ICC.1:2022 and by LittleCMS (through Pillow), which also judges them.


def tag_table(tags: dict[bytes, bytes]) -> bytes:
    """Return the tags behind the header, with secrets between and behind them."""
    place, table, bodies = 132 + 12 * len(tags), b"", b""
    for name, body in tags.items():
        table += struct.pack(">4sII", name, place + len(bodies), len(body))
        bodies += body + b"\0" * (-len(body) % 4) + SECRET.ljust(24, b".")
    return struct.pack(">I", len(tags)) + table + bodies


def profile_of(
    tags: dict[bytes, bytes], version: int = 2, connection: bytes = b"XYZ ", space: bytes = b"RGB "
) -> bytes:
    """Return a profile with these tags, and with a secret wherever a header and texts can hold one."""
    header = bytearray(128)
    header[4:8], header[8], header[12:16] = SECRET[:4], version, b"mntr"
    header[16:20], header[20:24], header[36:40] = space, connection, b"acsp"
    header[24:36] = struct.pack(">6H", 2031, 5, 6, 7, 8, 9)
    header[48:56], header[80:84], header[100:128] = SECRET[:8], SECRET[4:8], SECRET.ljust(28)
    header[68:80] = struct.pack(">3i", 0xF6D6, 0x10000, 0xD32D)
    wide = SECRET.decode().encode("utf-16-be")
    told = b"mluc\0\0\0\0" + struct.pack(">II4sII", 1, 12, b"enUS", len(wide), 28) + wide
    old = b"desc\0\0\0\0" + struct.pack(">I", len(SECRET) + 1) + SECRET + b"\0" * 79
    text = told if version == 4 else old
    plain = told if version == 4 else b"text\0\0\0\0" + SECRET + b"\0"
    named = {b"desc": text, b"cprt": plain, b"dmdd": text, b"dmnd": text, b"pRiV": b"data\0\0\0\0" + SECRET}
    whole = bytes(header) + tag_table({**named, **tags})
    return struct.pack(">I", len(whole)) + whole[4:]


def fixed(*values: float) -> bytes:
    return struct.pack(f">{len(values)}i", *(round(65536 * value) for value in values))


def xyz(*values: float) -> bytes:
    return b"XYZ \0\0\0\0" + fixed(*values)


def gamma_table(exponent: float) -> bytes:
    values = np.round(65535 * np.linspace(0, 1, 300) ** exponent).astype(">u2")
    return b"curv\0\0\0\0" + struct.pack(">I", len(values)) + values.tobytes()


# Display P3's primaries on D50 (from memory: ICC registry) and sRGB's curve as a formula (IEC 61966-2-1).
WIDE = {
    b"wtpt": xyz(0.9642, 1.0, 0.8249),
    b"rXYZ": xyz(0.5151, 0.2412, -0.0011),
    b"gXYZ": xyz(0.2920, 0.6922, 0.0419),
    b"bXYZ": xyz(0.1571, 0.0666, 0.7841),
    b"chad": b"sf32\0\0\0\0" + fixed(1.0479, 0.0229, -0.0502, 0.0296, 0.9904, -0.0171, -0.0092, 0.0151, 0.7517),
}
FORMULA = b"para\0\0\0\0\0\3" + SECRET[:2] + fixed(2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045)
STRAIGHT = struct.pack(">9i", *(65536 * int(k % 4 == 0) for k in range(9)))


def cube(points: int) -> np.ndarray:
    """Return an invented table from R, G, B to three numbers within 0 to 1, blue fastest."""
    r, g, b = np.meshgrid(*[np.linspace(0, 1, points)] * 3, indexing="ij")
    lightness = 0.2 * r + 0.7 * g + 0.1 * b
    return np.stack([lightness, 0.5 + 0.3 * (r - g), 0.5 + 0.3 * (g - b)], axis=-1)


def table_tag(kind: bytes) -> bytes:
    """Return A2B0: tables of 8 or 16 bit, or steps of which each is told by its place."""
    if kind == b"mft1":
        ramp = bytes(range(256)) * 3
        body = np.round(255 * cube(9)).astype(np.uint8).tobytes()
        return b"mft1\0\0\0\0\3\3\x09" + SECRET[:1] + STRAIGHT + ramp + body + ramp
    if kind == b"mft2":
        ramp = np.round(np.linspace(0, 65535, 4)).astype(">u2").tobytes() * 3
        body = np.round(65280 * cube(9)).astype(">u2").tobytes()
        return b"mft2\0\0\0\0\3\3\x09" + SECRET[:1] + STRAIGHT + struct.pack(">HH", 4, 4) + ramp + body + ramp
    curve = (FORMULA + b"\0" * (-len(FORMULA) % 4)) * 3
    line = (b"curv\0\0\0\0\0\0\0\0") * 3
    matrix = fixed(0.9, 0.1, 0.0, 0.0, 1.0, 0.0, 0.0, 0.1, 0.9, 0.0, 0.01, 0.0)
    grid = bytes([9] * 3 + [0] * 13) + b"\2" + SECRET[:3] + np.round(65535 * cube(9)).astype(">u2").tobytes()
    parts, places, out = [line, matrix, line, grid, curve], [], SECRET.ljust(24)
    for part in parts:
        places.append(32 + len(out))
        out += part + b"\0" * (-len(part) % 4) + SECRET.ljust(24)
    return b"mAB \0\0\0\0\3\3" + SECRET[:2] + struct.pack(">5I", *places) + out


def curves(body: bytes) -> dict[bytes, bytes]:
    return dict.fromkeys((b"rTRC", b"gTRC", b"bTRC"), body)


def pillows() -> bytes:
    """Return the sRGB profile of LittleCMS with a secret in a private tag and in its description."""
    from PIL import ImageCms

    data = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    (count,) = struct.unpack_from(">I", data, 128)
    entries = [struct.unpack_from(">4sII", data, 132 + 12 * k) for k in range(count)]
    return profile_of({n: data[at : at + size] for n, at, size in entries if n not in (b"desc", b"cprt")}, data[8])


PROFILES = {
    "LittleCMS": pillows,
    "formulas": lambda: profile_of({**WIDE, **curves(FORMULA)}, 4),
    "curves": lambda: profile_of({**WIDE, **curves(gamma_table(1.8))}),
    "one number": lambda: profile_of({**WIDE, **curves(b"curv\0\0\0\0\0\0\0\1\2\x33")}),
    "8 bit": lambda: profile_of({**WIDE, b"A2B0": table_tag(b"mft1")}, 2, b"Lab "),
    "16 bit": lambda: profile_of({**WIDE, b"A2B0": table_tag(b"mft2")}, 2, b"Lab "),
    "steps": lambda: profile_of({**WIDE, b"A2B0": table_tag(b"mAB ")}, 4, b"Lab "),
    "both": lambda: profile_of({**WIDE, **curves(gamma_table(2.2)), b"A2B0": table_tag(b"mft2")}, 2, b"Lab "),
    "grey": lambda: profile_of({b"wtpt": WIDE[b"wtpt"], b"kTRC": gamma_table(1.5)}, 2, b"XYZ ", b"GRAY"),
}


def as_srgb(profile: bytes, values: Image.Image) -> np.ndarray:
    from PIL import ImageCms

    source = ImageCms.ImageCmsProfile(io.BytesIO(profile))
    turned = ImageCms.profileToProfile(values, source, ImageCms.createProfile("sRGB"), outputMode="RGB")
    assert turned is not None
    return np.asarray(turned).astype(int)


def words_of(secret: bytes) -> list[bytes]:
    """Return every piece of four letters of a secret, in one and two bytes a letter."""
    pieces = [secret[k : k + 4] for k in range(len(secret) - 3)]
    return [coded for p in pieces for coded in (p, p.decode().encode("utf-16-be"), p.decode().encode("utf-16-le"))]


@pytest.mark.parametrize("name", PROFILES)
def test_colours_stay_and_what_a_profile_tells_beside_them_goes(name: str, tmp_path: Path) -> None:
    """LittleCMS turns 4096 values to sRGB by the old profile and by the copy's."""
    profile = PROFILES[name]()
    mode = "L" if name == "grey" else "RGB"
    data = jpeg(1, mode, icc_profile=profile)
    assert SECRET in data
    _, kept, _ = kept_of(data, tmp_path)
    assert kept.suffix == ".jpg"
    plain = Image.open(io.BytesIO(kept.data)).info["icc_profile"]
    assert not [word for word in words_of(SECRET) if word in plain]
    reserved = (b"\0\3" + SECRET[:2], b"\2" + SECRET[:3], b"\3\3\x09" + SECRET[:1], b"\3\3" + SECRET[:2])
    assert not [piece for piece in reserved if piece in plain], "nor in bytes that mean nothing"
    assert SECRET[:8] not in kept.data
    assert struct.pack(">H", 2031) not in plain[:128]
    values = np.random.default_rng(1).integers(0, 256, (64, 64, 3)).astype(np.uint8)
    values[0, :, :] = np.linspace(0, 255, 64)[:, None]
    picture = Image.fromarray(values).convert(mode)
    before, after = as_srgb(profile, picture), as_srgb(plain, picture)
    assert np.abs(before - after).max() <= 1
    assert np.ptp(before) > 100
    if name not in ("LittleCMS", "grey"):
        assert np.abs(before - values).max() > 20, "a profile that changes nothing would show nothing"
    # Once plain it stays as it is, and LittleCMS reads its texts.
    from PIL import ImageCms

    from handcapture.journal.colour_profile import plain_profile

    assert plain_profile(plain) == plain
    described = ImageCms.getProfileDescription(ImageCms.ImageCmsProfile(io.BytesIO(plain)))
    assert described.strip() == "Colours of the photo"


def test_a_long_profile_comes_in_parts_and_goes_out_in_parts(tmp_path: Path) -> None:
    """More than one segment holds: 40³ points of 16 bit are 384 kB."""
    points = 40
    ramp = np.round(np.linspace(0, 65535, 4)).astype(">u2").tobytes() * 3
    body = np.round(65280 * cube(points)).astype(">u2").tobytes()
    tag = b"mft2\0\0\0\0\3\3" + bytes([points, 0]) + STRAIGHT + struct.pack(">HH", 4, 4) + ramp + body + ramp
    profile = profile_of({**WIDE, b"A2B0": tag}, 2, b"Lab ")
    data = jpeg(1, icc_profile=profile)
    assert data.count(b"ICC_PROFILE\0") > 5
    _, kept, _ = kept_of(data, tmp_path)
    plain = Image.open(io.BytesIO(kept.data)).info["icc_profile"]
    assert len(plain) > 380_000
    assert SECRET not in kept.data
    values = Image.fromarray(np.random.default_rng(2).integers(0, 256, (32, 32, 3)).astype(np.uint8))
    np.testing.assert_allclose(as_srgb(plain, values), as_srgb(profile, values), atol=1)


def damaged_profiles() -> dict[str, bytes]:
    good = PROFILES["steps"]()
    return {
        "text": SECRET * 20,
        "another kind": good[:12] + b"link" + good[16:],
        "cut off": good[:-4000],
        "many tags": good[:128] + b"\xff\xff\xff\xff" + good[132:],
        "a curve without end": profile_of({**WIDE, **curves(b"curv\0\0\0\0\xff\xff\xff\xff" + SECRET)}),
        "a strange curve": profile_of({**WIDE, **curves(b"para\0\0\0\0\0\7\0\0" + SECRET)}),
        "text for a curve": profile_of({**WIDE, **curves(b"text\0\0\0\0" + SECRET)}),
        "a grid without end": profile_of({b"A2B0": b"mft2\0\0\0\0\x0f\x0f\xff\0" + SECRET * 9}, 2, b"Lab "),
    }


@pytest.mark.parametrize("name", damaged_profiles())
def test_what_is_no_profile_goes(name: str, tmp_path: Path) -> None:
    _, kept, again = kept_of(jpeg(1, icc_profile=damaged_profiles()[name]), tmp_path)
    assert kept.suffix == ".jpg"
    assert b"ICC_PROFILE" not in kept.data
    assert SECRET not in kept.data
    assert again.pixels_bgr.shape == (SIZE[1], SIZE[0], 3)


@pytest.mark.parametrize("numbers", [b"\1\2", b"\2\1", b"\0\0", b""])
def test_parts_of_a_profile_that_do_not_make_a_whole_go(numbers: bytes) -> None:
    """No decoder uses them, and today's reader refuses such a photo before it is kept."""
    assert _profile_segments([b"\1\1" + PROFILES["curves"]()])
    assert _profile_segments([numbers + PROFILES["curves"]()]) == []
    assert _profile_segments([numbers] * 300) == []


@settings(max_examples=60, deadline=None)
@given(name=st.sampled_from(list(PROFILES)), cuts=st.lists(st.tuples(st.integers(0, 4000), st.binary(max_size=6))))
def test_any_damage_of_a_profile_is_no_error(name: str, cuts: list[tuple[int, bytes]]) -> None:
    from handcapture.journal.colour_profile import plain_profile

    data = bytearray(PROFILES[name]())
    for place, body in cuts:
        data[place : place + len(body)] = body
    plain = plain_profile(bytes(data))
    assert plain is None or plain_profile(plain) == plain


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
