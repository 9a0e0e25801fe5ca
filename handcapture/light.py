"""Light and the values of a picture: the sRGB transfer curve, IEC 61966-2-1."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

_CODES = np.arange(256) / 255.0
LINEAR: Final[NDArray[np.float64]] = np.where(_CODES <= 0.04045, _CODES / 12.92, ((_CODES + 0.055) / 1.055) ** 2.4)
"""Linear light (256,), 0 to 1, for each value of a picture."""
LINEAR_32: Final[NDArray[np.float32]] = LINEAR.astype(np.float32)
"""The same in single precision, for whole pictures."""
