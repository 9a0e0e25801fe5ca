"""Fingers and sides, in the one order used everywhere, and what photos' files end in."""

from typing import Final, Literal, get_args

Side = Literal["left", "right"]
Finger = Literal["thumb", "index", "middle", "ring", "little"]

SIDES: Final[tuple[Side, ...]] = get_args(Side)
FINGERS: Final[tuple[Finger, ...]] = get_args(Finger)
PHOTO_SUFFIXES: Final = (".jpg", ".jpeg", ".jpe", ".jfif", ".png", ".heic", ".heif", ".tif", ".tiff", ".webp")
