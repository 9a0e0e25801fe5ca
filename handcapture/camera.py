"""The camera over the mat: pinhole, one radial lens term, pose; heights, parallax and propagated uncertainty.

The mat frame (x right, y down, z up) is left-handed. The camera works on (x, y, -z), which is right-handed:
``X_cam = R (x, y, -z) + t`` with R a proper rotation. Pixels: (0, 0) is the centre of the top-left pixel.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

PARAMETERS = (
    "log_focal",
    "centre_x_px",
    "centre_y_px",
    "k1",
    "rotation_x",
    "rotation_y",
    "rotation_z",
    "translation_x_mm",
    "translation_y_mm",
    "translation_z_mm",
)
"""The order of `Camera.parameters` and of every covariance of a camera."""


@dataclass(frozen=True, eq=False)
class Camera:
    """A pinhole camera with OpenCV's k1, posed over the mat plane.

    `centre_px` (2,), `rotation` (3, 3), `translation_mm` (3,). `k1` multiplies the squared distance from the
    axis in units of the focal length.
    """

    focal_px: float
    centre_px: FloatArray
    k1: float
    rotation: FloatArray
    translation_mm: FloatArray

    @classmethod
    def from_parameters(cls, parameters: FloatArray) -> Camera:
        """Build a camera from the vector (10,) that `parameters` returns."""
        p = np.asarray(parameters, dtype=np.float64)
        rotation = np.asarray(cv2.Rodrigues(p[4:7])[0], dtype=np.float64)
        return cls(float(np.exp(p[0])), p[1:3].copy(), float(p[3]), rotation, p[7:10].copy())

    def parameters(self) -> FloatArray:
        """Return the vector (10,) named by PARAMETERS."""
        vector = np.asarray(cv2.Rodrigues(self.rotation)[0], dtype=np.float64).ravel()
        return np.r_[np.log(self.focal_px), self.centre_px, self.k1, vector, self.translation_mm]

    def project(self, points_mm: FloatArray) -> FloatArray:
        """Mat points (N, 3), z up, to pixels (N, 2)."""
        points = np.asarray(points_mm, dtype=np.float64) * np.array([1.0, 1.0, -1.0])
        seen = points @ self.rotation.T + self.translation_mm
        plane = seen[:, :2] / seen[:, 2:]
        radius2 = (plane**2).sum(axis=1, keepdims=True)
        return np.asarray(plane * (1 + self.k1 * radius2) * self.focal_px + self.centre_px, dtype=np.float64)

    def at_height(self, points_px: FloatArray, z_mm: float | FloatArray) -> FloatArray:
        """Pixels (N, 2) to the mat points (N, 2) where their rays cross height `z_mm` (scalar or (N,))."""
        distorted = (np.asarray(points_px, dtype=np.float64) - self.centre_px) / self.focal_px
        plane = distorted.copy()
        for _ in range(12):  # contracts quickly for the mild lenses of phones
            plane = distorted / (1 + self.k1 * (plane**2).sum(axis=1, keepdims=True))
        rays = np.c_[plane, np.ones(len(plane))] @ self.rotation
        origin = -self.rotation.T @ self.translation_mm
        reach = (-np.asarray(z_mm, dtype=np.float64) - origin[2]) / rays[:, 2]
        return np.asarray(origin[:2] + rays[:, :2] * reach[:, None], dtype=np.float64)

    @cached_property
    def centre_mm(self) -> FloatArray:
        """Where the camera stands: x, y and height (3,), mat frame."""
        return np.asarray(
            -self.rotation.T @ self.translation_mm * np.array([1.0, 1.0, -1.0]), dtype=np.float64
        )

    @property
    def tilt_deg(self) -> float:
        """Angle between the optical axis and the mat's normal."""
        return float(np.degrees(np.arccos(np.clip(abs(self.rotation[2, 2]), 0.0, 1.0))))

    def mm_per_px(self, point_mm: FloatArray) -> float:
        """Return the scale on the mat at a point (2,): square root of the area that one pixel covers."""
        pixel = self.project(np.r_[point_mm, 0.0][None])
        corner = pixel + np.array([[-0.5, -0.5], [0.5, -0.5], [-0.5, 0.5]])
        a, b, c = self.at_height(corner, 0.0)
        (ux, uy), (vx, vy) = b - a, c - a
        return float(np.sqrt(abs(ux * vy - uy * vx)))


def at_height_covariance(
    camera: Camera,
    parameter_covariance: FloatArray,
    points_px: FloatArray,
    z_mm: float | FloatArray,
    px_covariance: FloatArray | None = None,
    z_sd_mm: float = 0.0,
) -> FloatArray:
    """Return the covariance (N, 2, 2), mm², of `Camera.at_height`, to first order.

    It carries the camera's parameters (covariance (10, 10), order of PARAMETERS), the pixels' own noise
    (N, 2, 2) or (2, 2), and an error of the height that is independent from point to point. It does not carry
    model error (curled paper, a lens with more than one term), nor the scale of the print.
    """
    points = np.asarray(points_px, dtype=np.float64)
    height = np.broadcast_to(np.asarray(z_mm, dtype=np.float64), (len(points),))
    vector = camera.parameters()
    steps = np.array([1e-5, 1e-2, 1e-2, 1e-5, 1e-6, 1e-6, 1e-6, 1e-3, 1e-3, 1e-3])
    jacobian = np.empty((len(points), 2, len(vector)))
    for k, step in enumerate(steps):
        shift = np.zeros(len(vector))
        shift[k] = step
        ahead = Camera.from_parameters(vector + shift).at_height(points, height)
        back = Camera.from_parameters(vector - shift).at_height(points, height)
        jacobian[:, :, k] = (ahead - back) / (2 * step)
    covariance = jacobian @ parameter_covariance @ jacobian.transpose(0, 2, 1)
    if px_covariance is not None:
        by_px = np.stack(
            [
                (camera.at_height(points + d, height) - camera.at_height(points - d, height)) / 0.02
                for d in (np.array([0.01, 0.0]), np.array([0.0, 0.01]))
            ],
            axis=-1,
        )
        covariance = covariance + by_px @ px_covariance @ by_px.transpose(0, 2, 1)
    if z_sd_mm:
        by_z = (camera.at_height(points, height + 0.05) - camera.at_height(points, height - 0.05)) / 0.1
        covariance = covariance + z_sd_mm**2 * by_z[:, :, None] * by_z[:, None, :]
    return np.asarray(covariance, dtype=np.float64)
