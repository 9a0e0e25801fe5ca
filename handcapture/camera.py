"""The camera over the mat: pinhole, one radial lens term, pose; heights, parallax and propagated uncertainty.

The mat frame (x right, y down, z up) is left-handed. The camera works on (x, y, -z), which is right-handed:
``X_cam = R (x, y, -z) + t`` with R a proper rotation. Pixels: (0, 0) is the centre of the top-left pixel.
Functions map arrays of points: (N, 3) mm, (N, 2) mm or (N, 2) px.

References
----------
Pinhole and radial term: Zhang, Z. (2000), A flexible new technique for camera calibration, IEEE PAMI 22(11),
1330-1334.

"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from handcapture.errors import PhotoError

FloatArray = NDArray[np.float64]

PARAMETERS: Final = (
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

_Z_DOWN: Final = np.array([1.0, 1.0, -1.0])


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
        """Return the vector (10,) named by PARAMETERS; its rotation vector is at most a half turn long."""
        vector = np.asarray(cv2.Rodrigues(self.rotation)[0], dtype=np.float64).ravel()
        parts = ([np.log(self.focal_px)], self.centre_px, [self.k1], vector, self.translation_mm)
        return np.concatenate(parts, dtype=np.float64)

    def project(self, points_mm: FloatArray) -> FloatArray:
        """Mat points (N, 3), z up, to pixels (N, 2). PhotoError for a point that is not before the camera."""
        seen = np.asarray(points_mm, dtype=np.float64) * _Z_DOWN @ self.rotation.T + self.translation_mm
        if not (seen[:, 2] > 0).all():
            raise PhotoError(
                "A place that should be shown lies behind the camera: the photo was taken too obliquely. "
                "Take it from above the middle of the mat."
            )
        plane = seen[:, :2] / seen[:, 2:]
        radius2 = (plane**2).sum(axis=1, keepdims=True)
        return np.asarray(plane * (1 + self.k1 * radius2) * self.focal_px + self.centre_px, dtype=np.float64)

    def at_height(self, points_px: FloatArray, z_mm: float | FloatArray) -> FloatArray:
        """Pixels (N, 2) to the mat points (N, 2) where their rays cross height `z_mm` (scalar or (N,)).

        PhotoError when a pixel looks past the horizon, so that its ray never comes down to that height.
        """
        rays = self._rays(np.asarray(points_px, dtype=np.float64))
        origin = -self.rotation.T @ self.translation_mm
        fall = rays[:, 2]
        if not (fall * (-np.asarray(z_mm, dtype=np.float64) - origin[2]) > 0).all():
            raise PhotoError(
                "A place in the photo lies at or above the horizon of the mat: the photo was taken too "
                "obliquely. Take it from above the middle of the mat."
            )
        reach = (-np.asarray(z_mm, dtype=np.float64) - origin[2]) / fall
        return np.asarray(origin[:2] + rays[:, :2] * reach[:, None], dtype=np.float64)

    def _rays(self, points_px: FloatArray) -> FloatArray:
        """Directions (N, 3) of the pixels' rays, in the frame (x, y, -z), not normalised."""
        bent = (points_px - self.centre_px) / self.focal_px
        bent_radius = np.linalg.norm(bent, axis=1)
        # Newton on r (1 + k1 r²) = r_bent approaches from one side for either sign of k1, never overshooting.
        radius = bent_radius.copy()
        for _ in range(20):
            miss = radius * (1 + self.k1 * radius**2) - bent_radius
            if np.abs(miss).max(initial=0.0) < 1e-14:
                break
            radius = radius - miss / (1 + 3 * self.k1 * radius**2)
        if not (np.abs(radius * (1 + self.k1 * radius**2) - bent_radius) < 1e-9).all():
            raise PhotoError(
                "The lens bends the picture's corners more than can be undone. Use the phone's main camera "
                "without a wide-angle or macro setting."
            )
        straight = bent / (1 + self.k1 * radius**2)[:, None]
        return np.asarray(np.c_[straight, np.ones(len(straight))] @ self.rotation, dtype=np.float64)

    def derivatives(self, points_mm: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return `projection_derivatives` at this camera's `parameters`."""
        return projection_derivatives(self.parameters(), points_mm)

    @cached_property
    def centre_mm(self) -> FloatArray:
        """Where the camera stands: x, y and height (3,), mat frame."""
        return np.asarray(-self.rotation.T @ self.translation_mm * _Z_DOWN, dtype=np.float64)

    @property
    def tilt_deg(self) -> float:
        """Angle between the optical axis and the mat's normal."""
        return float(np.degrees(np.arctan2(np.hypot(*self.rotation[2, :2]), self.rotation[2, 2])))

    def mm_per_px(self, point_mm: FloatArray) -> float:
        """Return the scale on the mat at a point (2,): square root of the area that one pixel covers."""
        _, _, by_point = self.derivatives(np.r_[point_mm, 0.0][None])
        return float(1 / np.sqrt(abs(np.linalg.det(by_point[0, :, :2]))))


def projection_derivatives(parameters: FloatArray, points_mm: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the pixels (N, 2) of points (N, 3), with their derivatives by the parameters (N, 2, 10) and by
    the point (N, 2, 3).

    The parameters (10,) are taken as they are: a solver may let the rotation vector grow beyond a half turn.
    The points are not checked to lie before the camera.
    """
    p = np.asarray(parameters, dtype=np.float64)
    focal, k1 = float(np.exp(p[0])), float(p[3])
    matrix, by_vector = cv2.Rodrigues(p[4:7])
    rotation = np.asarray(matrix, dtype=np.float64)
    rotation_by_vector = np.asarray(by_vector, dtype=np.float64).reshape(3, 3, 3)  # [component, row, column]
    turned = np.asarray(points_mm, dtype=np.float64) * _Z_DOWN
    seen = turned @ rotation.T + p[7:10]
    depth = seen[:, 2]
    plane = seen[:, :2] / depth[:, None]
    radius2 = (plane**2).sum(axis=1)
    growth = 1 + k1 * radius2
    from_centre = focal * growth[:, None] * plane

    by_plane = 2 * k1 * focal * plane[:, :, None] * plane[:, None, :]
    by_plane += (focal * growth)[:, None, None] * np.eye(2)
    by_seen = np.empty((len(plane), 2, 3))
    by_seen[:, :, :2] = by_plane / depth[:, None, None]
    by_seen[:, :, 2] = -np.einsum("nij,nj->ni", by_plane, plane) / depth[:, None]

    by_parameters = np.empty((len(plane), 2, len(PARAMETERS)))
    by_parameters[:, :, 0] = from_centre
    by_parameters[:, :, 1:3] = np.eye(2)
    by_parameters[:, :, 3] = focal * radius2[:, None] * plane
    by_parameters[:, :, 4:7] = by_seen @ np.einsum("wab,nb->naw", rotation_by_vector, turned)
    by_parameters[:, :, 7:10] = by_seen
    return from_centre + p[1:3], by_parameters, by_seen @ (rotation * _Z_DOWN)


def at_height_derivatives(
    camera: Camera, points_px: FloatArray, z_mm: float | FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the derivatives of `Camera.at_height` by the camera's parameters (N, 2, 10), by the pixel
    (N, 2, 2) and by the height (N, 2).

    By the implicit function theorem on ``project(at_height(p, z), z) = p``. Stacked over points, the first
    gives the covariance *between* points, which share the camera's errors.
    """
    points = camera.at_height(points_px, z_mm)
    height = np.broadcast_to(np.asarray(z_mm, dtype=np.float64), (len(points),))
    _, by_parameters, by_point = camera.derivatives(np.c_[points, height])
    by_pixel = np.asarray(np.linalg.inv(by_point[:, :, :2]), dtype=np.float64)
    return (
        np.asarray(-by_pixel @ by_parameters, dtype=np.float64),
        by_pixel,
        np.asarray(-np.einsum("nij,nj->ni", by_pixel, by_point[:, :, 2]), dtype=np.float64),
    )


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
    by_parameters, by_pixel, by_height = at_height_derivatives(camera, points_px, z_mm)
    covariance = by_parameters @ parameter_covariance @ by_parameters.transpose(0, 2, 1)
    if px_covariance is not None:
        covariance = covariance + by_pixel @ px_covariance @ by_pixel.transpose(0, 2, 1)
    if z_sd_mm:
        covariance = covariance + z_sd_mm**2 * by_height[:, :, None] * by_height[:, None, :]
    return np.asarray(covariance, dtype=np.float64)
