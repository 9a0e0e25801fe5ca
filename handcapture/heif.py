"""HEIC pictures, decoded in a process of their own: damaged ones bring their decoder down, and what called it with it.

The process is this interpreter with nothing but the decoder; it costs a quarter of a second a picture.
"""

from __future__ import annotations

import json
import subprocess
import sys
from typing import TYPE_CHECKING, Final

from handcapture.errors import InputError, not_imported

if TYPE_CHECKING:
    from PIL import Image

_SECONDS: Final = 25
"""Longest that a picture may take; one of 50 megapixels takes some three. Batch ends its workers later than that."""
_NOTHING: Final = f"nothing came of it within {_SECONDS} s"
_CHILD: Final = """
import faulthandler, io, json, sys
# Whatever becomes of the process that waits for it, and however deep the decoder is lost in the file.
faulthandler.dump_traceback_later(float(sys.argv.pop()), exit=True)
def tell(**head):
    sys.stdout.buffer.write(json.dumps(head).encode() + b"\\n")
try:
    import pi_heif
except ImportError as error:
    tell(missing=str(error))
    sys.exit()
try:
    found = pi_heif.open_heif(io.BytesIO(sys.stdin.buffer.read()), convert_hdr_to_8bit=True)
    exif = found.info.get("exif") or b""
    size, (least, most) = found.size, map(int, sys.argv[1:])
    if least <= size[0] * size[1] <= most:
        pixels = bytes(found.data)  # decoded here, and not before
        tell(size=size, mode=found.mode, stride=found.stride, exif=len(exif))
        sys.stdout.buffer.write(exif)
        sys.stdout.buffer.write(pixels)
    else:
        tell(size=size)
except Exception as error:
    tell(error=f"{type(error).__name__}: {error}")
"""


def decode_heif(data: bytes, least_pixels: int, most_pixels: int) -> tuple[tuple[int, int], Image.Image | None]:
    """Return a HEIC picture's size and, where it has neither too few nor too many pixels, itself with its EXIF block.

    ValueError says why it cannot be decoded; InstallationError where the decoder cannot be loaded.
    """
    command = [sys.executable, "-P", "-c", _CHILD, str(least_pixels), str(most_pixels), str(_SECONDS)]
    try:
        done = subprocess.run(command, input=data, capture_output=True, timeout=_SECONDS + 5)  # noqa: S603 - code above
    except subprocess.TimeoutExpired:
        raise ValueError(_NOTHING) from None
    except OSError as error:
        raise InputError(f"No process can be started to decode a HEIC picture: {error.strerror or error}.") from None
    if done.returncode and b"Timeout (" in done.stderr:
        raise ValueError(_NOTHING)
    line, _, rest = done.stdout.partition(b"\n")
    try:
        head = json.loads(line)
    except ValueError:
        raise ValueError(f"its decoder broke down on it ({done.returncode})") from None
    if "missing" in head:
        raise not_imported(ImportError(head["missing"]))
    if "error" in head:
        raise ValueError(head["error"])
    size = head["size"][0], head["size"][1]
    if "mode" not in head:
        return size, None
    from PIL import Image

    picture = Image.frombytes(head["mode"], size, rest[head["exif"] :], "raw", head["mode"], head["stride"])
    if head["exif"]:
        picture.info["exif"] = rest[: head["exif"]]
    return size, picture
