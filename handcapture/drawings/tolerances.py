"""General tolerances of lengths: ISO 2768-1:1989, table 1."""

from __future__ import annotations

from typing import Final, Literal

from handcapture.errors import InputError

ToleranceClass = Literal["f", "m", "c"]
CLASS: Final[ToleranceClass] = "m"
"""The class that our sheets state: medium."""
NAME: Final = f"ISO 2768-1 {CLASS}"
LEAST_MM: Final = 0.5
_UP_TO_MM: Final = (3.0, 6.0, 30.0, 120.0, 400.0, 1000.0, 2000.0)
_DEVIATIONS_MM: Final[dict[ToleranceClass, tuple[float, ...]]] = {
    "f": (0.05, 0.05, 0.1, 0.15, 0.2, 0.3, 0.5),
    "m": (0.1, 0.1, 0.2, 0.3, 0.5, 0.8, 1.2),
    "c": (0.2, 0.3, 0.5, 0.8, 1.2, 2.0, 3.0),
}


def tolerance_mm(size_mm: float, tolerance_class: ToleranceClass = CLASS) -> float:
    """Return the permissible deviation, plus or minus, of a length; InputError below 0.5 and above 2000 mm.

    Below 0.5 mm the standard wants the tolerance beside the size; above 2000 mm no panel of ours is.
    """
    if size_mm >= LEAST_MM:
        for up_to, deviation in zip(_UP_TO_MM, _DEVIATIONS_MM[tolerance_class], strict=True):
            if size_mm <= up_to:
                return deviation
    raise InputError(f"ISO 2768-1 has no general tolerance for {size_mm:g} mm: it goes from 0.5 to 2000 mm here.")
