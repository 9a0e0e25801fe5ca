"""The probability that a fingertip comes down within a disc."""

from __future__ import annotations

from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from handcapture.layout.model import Part

FloatArray = NDArray[np.float64]

RIM_ALLOWANCE_MM = 3.0
"""Plungers are about this much smaller than their hole (common practice, no source; check the part's drawing)."""
AIM_SHARE: Final = (0.10, 0.05)
"""Deviation of an aimed movement along and across, as shares of its length: fingers that reach for a button without
looking (our own assumption; that the deviation grows with the length is Schmidt and others 1979, from memory)."""


def plunger_mm(hole_mm: float, part: Part | None = None) -> float:
    """Return the diameter of what moves in a hole: the part's own where it is known, else the hole's less the usual."""
    if part is not None and part.plunger_mm > 0:
        return part.plunger_mm
    return max(hole_mm - RIM_ALLOWANCE_MM, 0.0)


def landing_probability(offset_mm: FloatArray, covariance_mm2: FloatArray, radius_mm: float) -> float:
    """Return the mass of a bivariate normal in a disc: mean `offset_mm` (2,) from the disc's centre.

    The inner integral over one principal axis is the error function; the outer is Gauss-Legendre quadrature.
    """
    from scipy.special import ndtr

    if radius_mm <= 0:
        return 0.0
    values, vectors = np.linalg.eigh(covariance_mm2)
    sd = np.sqrt(np.maximum(values, 1e-12))
    mean = vectors.T @ offset_mm
    nodes, weights = _nodes()
    # The outer variable is the axis with the wider spread, so that its density is smooth over the nodes.
    low, high = max(-radius_mm, mean[1] - 9 * sd[1]), min(radius_mm, mean[1] + 9 * sd[1])
    if high <= low:
        return 0.0
    y = (high + low) / 2 + (high - low) / 2 * nodes
    half = np.sqrt(np.maximum(radius_mm**2 - y**2, 0.0))
    inner = ndtr((half - mean[0]) / sd[0]) - ndtr((-half - mean[0]) / sd[0])
    density = np.exp(-0.5 * ((y - mean[1]) / sd[1]) ** 2) / (sd[1] * np.sqrt(2 * np.pi))
    return float(np.clip((high - low) / 2 * (weights * inner * density).sum(), 0.0, 1.0))


@lru_cache(maxsize=1)
def _nodes() -> tuple[FloatArray, FloatArray]:
    nodes, weights = np.polynomial.legendre.leggauss(120)
    return nodes, weights


def aimed_mm2(reach: FloatArray, way_mm: float) -> FloatArray:
    """Return the covariance (2, 2) of a movement along the unit vector `reach`."""
    axes = np.stack([reach, [-reach[1], reach[0]]])
    return np.asarray(axes.T @ np.diag(np.square(np.array(AIM_SHARE) * way_mm)) @ axes, dtype=np.float64)
