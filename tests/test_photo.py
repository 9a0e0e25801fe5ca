"""Reading photos. EXIF tags: CIPA DC-008 (0x0112 orientation, 0xA405 focal length in 35 mm film, 0x9003)."""

import contextlib
import io
import os
import struct
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from helpers_web import until
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image, ImageOps

from handcapture import heif
from handcapture.errors import InputError, InstallationError
from handcapture.photo import Photo, read_photo

SIZE = (800, 600)


def picture() -> Image.Image:
    """An asymmetric picture: red top-left corner, green right half, a gradient."""
    x = np.linspace(0, 200, SIZE[0]).astype(np.uint8)
    pixels = np.stack([np.tile(x, (SIZE[1], 1)), np.full(SIZE[::-1], 60), np.full(SIZE[::-1], 90)], -1)
    pixels[:150, :200] = (250, 10, 10)
    return Image.fromarray(pixels.astype(np.uint8))


def jpeg(orientation: int = 1) -> bytes:
    exif = Image.Exif()
    exif[0x0112] = orientation
    inner = exif.get_ifd(0x8769)
    inner[0xA405] = 26
    inner[0x9003] = "2026:03:04 05:06:07"
    gps = exif.get_ifd(0x8825)
    gps[1], gps[2] = "N", (12.0, 34.0, 56.0)
    out = io.BytesIO()
    picture().save(out, "JPEG", quality=95, exif=exif, subsampling=0)
    return out.getvalue()


def read(data: bytes, folder: Path, name: str = "photo.jpg") -> Photo:
    path = folder / name
    path.write_bytes(data)
    return read_photo(path)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_upright_whatever_the_orientation(orientation: int, tmp_path: Path) -> None:
    """Pillow's exif_transpose is the independent reference."""
    data = jpeg(orientation)
    expected = np.asarray(ImageOps.exif_transpose(Image.open(io.BytesIO(data))).convert("RGB"))[..., ::-1]
    got = read(data, tmp_path).pixels_bgr
    assert got.shape == expected.shape
    assert np.abs(got.astype(int) - expected.astype(int)).max() <= 2


def test_focal_time_hash_and_no_location(tmp_path: Path) -> None:
    photo = read(jpeg(6), tmp_path)
    assert photo.focal_prior_px == pytest.approx(26 * 1000 / 43.267)
    assert photo.captured_at == "2026-03-04T05:06:07"
    assert len(photo.sha256) == 64
    kept = {k: v for k, v in vars(photo).items() if k != "pixels_bgr"}
    assert "34" not in str(kept["captured_at"])
    assert set(kept) == {"name", "sha256", "focal_prior_px", "focal_prior_relative_sd", "captured_at"}


@pytest.mark.parametrize("kind", ["PNG", "WEBP", "TIFF", "JPEG"])
def test_formats_are_told_by_content(kind: str, tmp_path: Path) -> None:
    out = io.BytesIO()
    picture().save(out, kind, **({"lossless": True} if kind == "WEBP" else {}))
    got = read(out.getvalue(), tmp_path, "no-extension").pixels_bgr
    assert np.abs(got[300, 100].astype(int) - np.asarray(picture())[300, 100, ::-1]).max() <= 3


@pytest.mark.parametrize("mode", ["L", "P", "RGBA", "LA", "CMYK", "I;16"])
def test_modes(mode: str, tmp_path: Path) -> None:
    source = picture()
    if mode == "I;16":
        source = Image.fromarray((np.asarray(source.convert("L")).astype(np.uint16)) * 257)
    else:
        source = source.convert(mode)
    out = io.BytesIO()
    source.save(out, "TIFF")
    assert read(out.getvalue(), tmp_path).pixels_bgr.shape == (600, 800, 3)


def _animation() -> bytes:
    out = io.BytesIO()
    picture().save(out, "WEBP", save_all=True, append_images=[picture().rotate(180)], duration=100)
    return out.getvalue()


def _png(size: tuple[int, int]) -> bytes:
    out = io.BytesIO()
    Image.new("1", size).save(out, "PNG")
    return out.getvalue()


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "empty"),
        (b"not a picture at all", "not a photo"),
        (jpeg()[:4000], "cut short"),
        (_animation(), "animation"),
        (_png((9000, 6000)), "limit is 50"),
        (_png((400, 300)), "too few pixels"),
    ],
    ids=["empty", "text", "truncated", "animated", "huge", "tiny"],
)
def test_refusals_are_sentences(data: bytes, words: str, tmp_path: Path) -> None:
    with pytest.raises(InputError, match=words) as caught:
        read(data, tmp_path)
    assert "photo.jpg" in str(caught.value)


@pytest.mark.parametrize("share", [0.3, 0.5, 0.7, 0.9])
def test_a_picture_of_which_a_part_is_missing_is_refused(share: float, tmp_path: Path) -> None:
    """What a card reader's repair leaves: the file ends as it should, and a decoder fills up what is missing."""
    data = jpeg()
    with pytest.raises(InputError, match="damaged"):
        read(data[: int(len(data) * share)] + b"\xff\xd9", tmp_path)


def test_a_block_of_the_disk_that_is_lost_is_refused(tmp_path: Path) -> None:
    data = (Path(__file__).parents[1] / "samples" / "rest_1.jpg").read_bytes()
    for share in (0.3, 0.5, 0.7, 0.9):
        at = int(len(data) * share) // 512 * 512
        for lost in (bytes(512), b"\xaa" * 512, data[:512]):
            with pytest.raises(InputError, match="damaged"):
                read(data[:at] + lost + data[at + 512 :], tmp_path)


def test_zeros_before_the_end_do_no_harm(tmp_path: Path) -> None:
    data = jpeg()
    padded = read(data[:-2] + bytes(36) + data[-2:], tmp_path)
    assert np.array_equal(padded.pixels_bgr, read(data, tmp_path).pixels_bgr)
    assert np.array_equal(read(data + b"more, as phones add it", tmp_path).pixels_bgr, padded.pixels_bgr)


@pytest.mark.parametrize("mode", ["RGB", "L", "CMYK"])
@pytest.mark.parametrize("progressive", [False, True])
def test_jpegs_are_decoded_as_another_library_does(mode: str, progressive: bool, tmp_path: Path) -> None:
    """Pillow is that library: the standard (ITU-T T.81) lets decoders differ by rounding."""
    out = io.BytesIO()
    picture().convert(mode).save(out, "JPEG", quality=90, progressive=progressive)
    theirs = np.asarray(Image.open(io.BytesIO(out.getvalue())).convert("RGB"))[..., ::-1].astype(int)
    assert np.abs(read(out.getvalue(), tmp_path).pixels_bgr - theirs).max() <= 2
    cut = out.getvalue()[: len(out.getvalue()) * 6 // 10] + b"\xff\xd9"
    with pytest.raises(InputError, match="damaged"):
        read(cut, tmp_path)


def test_missing_and_folder(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="does not exist"):
        read_photo(tmp_path / "nothing.jpg")
    with pytest.raises(InputError, match="folder"):
        read_photo(tmp_path)


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(place=st.integers(0, 20_000), value=st.integers(0, 255), cut=st.booleans())
def test_damage_gives_a_photo_or_a_sentence(place: int, value: int, cut: bool, tmp_path: Path) -> None:
    data = bytearray(jpeg())
    place %= len(data)
    if cut:
        data = data[:place]
    else:
        data[place] = value
    with contextlib.suppress(InputError):
        assert isinstance(read(bytes(data), tmp_path), Photo)


HEIC = Path(__file__).parent / "data" / "small.heic"
"""The picture of `picture()` as HEIC, with a focal length of 26 mm and a made-up location in its EXIF block."""


def test_heic() -> None:
    photo = read_photo(HEIC)
    assert photo.size_px == SIZE
    assert photo.focal_prior_px == pytest.approx(26 * 1000 / 43.267)
    expected = np.asarray(picture())[..., ::-1].astype(int)
    assert np.abs(photo.pixels_bgr.astype(int) - expected).mean() < 4


def test_heic_is_measured_before_it_is_decoded(monkeypatch: pytest.MonkeyPatch) -> None:
    child = heif._CHILD.replace("bytes(found.data)", "1 / 0")
    assert child != heif._CHILD
    monkeypatch.setattr(heif, "_CHILD", child)
    with pytest.raises(InputError, match="ZeroDivisionError"):
        read_photo(HEIC)
    monkeypatch.setattr("handcapture.photo.MOST_PIXELS", 400_000)
    with pytest.raises(InputError, match="megapixels"):
        read_photo(HEIC)


def _runs(number: int) -> bool:
    """Return whether a process does, other than one that waits for somebody to take note of its end."""
    try:
        return "\nState:\tZ" not in Path(f"/proc/{number}/status").read_text()
    except OSError:
        return False


@pytest.mark.skipif(sys.platform != "linux", reason="looks at processes as Linux shows them")
def test_a_heic_decoder_that_never_ends_ends_itself(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whoever waits for it may be killed before, by the end of a batch's worker say: nobody else would end it then."""
    lost = heif._CHILD.replace(
        "pixels = bytes(found.data)", f"open({str(tmp_path / 'there')!r}, 'w')\n        while 1: 1"
    )
    assert lost != heif._CHILD
    monkeypatch.setattr(heif, "_CHILD", lost)
    monkeypatch.setattr(heif, "_SECONDS", 2)
    code = (
        "import subprocess, sys; child = subprocess.Popen(sys.argv[1:], stdin=subprocess.PIPE, stderr=-1); "
        "print(child.pid, flush=True); child.communicate(sys.stdin.buffer.read())"
    )
    command = [sys.executable, "-c", code, sys.executable, "-P", "-c", lost, "1", "100000000", "2"]
    waiting = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE)
    assert waiting.stdin is not None
    assert waiting.stdout is not None
    decoder = int(waiting.stdout.readline())
    waiting.stdin.write(HEIC.read_bytes())
    waiting.stdin.close()
    until(lambda: (tmp_path / "there").exists(), 30)
    waiting.kill()
    waiting.wait()
    waiting.stdout.close()
    until(lambda: not _runs(decoder), 30)
    with pytest.raises(InputError, match="nothing came of it within"):
        read_photo(HEIC)


def test_a_heic_that_brings_its_decoder_down_is_refused() -> None:
    """A type of an item that is no text: pi-heif 1.4 follows a pointer to nowhere."""
    with pytest.raises(InputError, match=r"cannot be decoded \(its decoder broke down on it"):
        read_photo(HEIC.parent / "corpus" / "photo_heic-type.jpg")


def test_without_its_decoder_a_heic_is_not_to_blame(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(heif, "_CHILD", heif._CHILD.replace("import pi_heif", "import no_such_decoder"))
    with pytest.raises(InstallationError, match="no_such_decoder"):
        read_photo(HEIC)


def _pages(count: int) -> bytes:
    """Return a TIFF of one picture and a chain of small pages behind it (TIFF 6.0, section 2)."""
    out = io.BytesIO()
    Image.new("L", (1000, 1000)).save(out, "TIFF")
    data = bytearray(out.getvalue())
    at = int.from_bytes(data[4:8], "little")
    link = at + 2 + 12 * int.from_bytes(data[at : at + 2], "little")
    for _ in range(count):
        data[link : link + 4] = len(data).to_bytes(4, "little")
        page = b"".join(struct.pack("<HHII", tag, 3, 1, 1) for tag in (256, 257))
        data += struct.pack("<H", 2) + page + bytes(4)
        link = len(data) - 4
    return bytes(data)


def test_pages_of_a_tiff_are_not_counted(tmp_path: Path) -> None:
    """To count them takes the square of their number; one is read, one whose second is damaged told."""
    assert read(_pages(0), tmp_path, "one.tif").size_px == (1000, 1000)
    start = time.monotonic()
    with pytest.raises(InputError, match=r"cannot be decoded|several pictures"):
        read(_pages(60_000), tmp_path, "many.tif")
    assert time.monotonic() - start < 10
    two = io.BytesIO()
    Image.new("L", (1000, 1000)).save(two, "TIFF", save_all=True, append_images=[Image.new("L", (9, 9))])
    with pytest.raises(InputError, match="several pictures"):
        read(two.getvalue(), tmp_path, "two.tif")


def test_damaged_heic(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"broken\.heic"):
        read(HEIC.read_bytes()[:2000], tmp_path, "broken.heic")


@pytest.mark.parametrize(
    ("tags", "expected"),
    [
        # A sensor of 6.17 mm (1/2.3 inch, from memory) and 4000 pixels: 648 pixels per mm at full size.
        ({0x920A: 5.0, 0xA20E: 4000 / 6.17 * 25.4, 0xA210: 2, 0xA002: 4000}, 5.0 * 4000 / 6.17 * 800 / 4000),
        ({0x920A: 5.0, 0xA20E: 4000 / 6.17 * 10.0, 0xA210: 3, 0xA002: 4000}, 5.0 * 4000 / 6.17 * 800 / 4000),
        ({0x920A: 5.0, 0xA20E: 800 / 6.17 * 25.4, 0xA210: 2}, 5.0 * 800 / 6.17),
        ({0x920A: 5.0}, None),
        ({0x920A: 5.0, 0xA20E: 1e9, 0xA210: 2}, None),
        ({0x920A: 5.0, 0xA20E: 800 / 6.17 * 25.4, 0xA210: 7}, None),
    ],
    ids=["inch, shrunk", "cm, shrunk", "full size", "no resolution", "absurd", "unknown unit"],
)
def test_focal_length_by_the_sensor(tmp_path: Path, tags: dict[int, float], expected: float | None) -> None:
    """CIPA DC-008: FocalLength, FocalPlaneXResolution, FocalPlaneResolutionUnit, PixelXDimension."""
    assert SIZE[0] == 800
    exif = Image.Exif()
    exif.get_ifd(0x8769).update(tags)
    out = io.BytesIO()
    picture().save(out, "JPEG", exif=exif)
    photo = read(out.getvalue(), tmp_path)
    if expected is None:
        assert photo.focal_prior_px is None
        return
    assert photo.focal_prior_px == pytest.approx(expected, rel=1e-3)
    assert photo.focal_prior_relative_sd > 0.05


def test_a_picture_of_thousands_of_scans_is_refused(tmp_path: Path) -> None:
    """Each scan costs the decoder a pass over all pixels: minutes for a file of some hundred kilobytes."""
    out = io.BytesIO()
    Image.new("RGB", (900, 700)).save(out, "JPEG", progressive=True)
    data = out.getvalue()
    (tmp_path / "x.jpg").write_bytes(data)
    assert read_photo(tmp_path / "x.jpg").size_px == (900, 700)
    start = data.rindex(b"\xff\xda")
    (tmp_path / "x.jpg").write_bytes(data[:start] + data[start:-2] * 3000 + b"\xff\xd9")
    with pytest.raises(InputError, match="more scans than any camera"):
        read_photo(tmp_path / "x.jpg")


@pytest.mark.skipif(sys.platform != "linux", reason="names are text there")
def test_a_name_that_is_no_text_can_be_written(tmp_path: Path) -> None:
    """From an old disk: read all the same, a question mark in place of what nobody can read."""
    path = tmp_path / os.fsdecode(b"ba\xe4.jpg")
    path.write_bytes((Path(__file__).resolve().parents[1] / "samples" / "rest_1.jpg").read_bytes())
    assert read_photo(path).name == "ba?.jpg"
