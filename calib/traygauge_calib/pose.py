"""Where the camera was: pose, focal length, distortion and print stretch together, from known points of the ring.

Robust weighted least squares with Gaussian priors for what a plane seen from above says little about
(focal length, principal point, stretch of the print); the covariance of the answer tells what came of it.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from traygauge_calib.camera import PerspectiveCamera

FloatArray = npt.NDArray[np.float64]

#: Order of the parameters.
ROTATION, PLACE, FOCAL, PRINCIPAL, K1, K2, STRETCH = (
    slice(0, 3),
    slice(3, 6),
    6,
    slice(7, 9),
    9,
    10,
    slice(11, 13),
)
COUNT = 13


@dataclass(frozen=True)
class Priors:
    """What is believed before the ring is looked at: value and standard uncertainty.

    Parameters
    ----------
    focal_px, u_focal : focal length, px; its uncertainty relative.
    principal_px, u_principal_px : principal point, px.
    k1, k2, u_k1, u_k2 : radial distortion (OpenCV's terms).
    stretch, u_stretch : (across, down) true length / nominal length of the print.
    """

    focal_px: float
    u_focal: float
    principal_px: tuple[float, float]
    u_principal_px: float
    k1: float = 0.0
    k2: float = 0.0
    u_k1: float = 0.05
    u_k2: float = 0.02
    stretch: tuple[float, float] = (1.0, 1.0)
    u_stretch: tuple[float, float] = (0.002, 0.002)

    def values(self) -> FloatArray:
        """Return the seven believed values, ndarray of shape (7,), in the parameters' order."""
        return np.array([self.focal_px, *self.principal_px, self.k1, self.k2, *self.stretch])

    def sigmas(self) -> FloatArray:
        """Return their standard uncertainties, ndarray of shape (7,)."""
        u_focal, u_point = self.u_focal * self.focal_px, self.u_principal_px
        return np.array([u_focal, u_point, u_point, self.u_k1, self.u_k2, *self.u_stretch])


@dataclass(frozen=True, eq=False)
class PoseFit:
    """A fitted camera and how well it is known.

    Parameters
    ----------
    parameters : ndarray (13,): rotation vector, translation (mm), focal length (px), principal point (px),
        k1, k2, stretch across and down.
    covariance : ndarray (13, 13).
    residuals_px : ndarray (N, 2), seen minus predicted.
    kept : ndarray (N,), bool: points that took part (not thrown out as outliers).
    sigma_px : standard deviation of one coordinate of a kept point.
    """

    parameters: FloatArray
    covariance: FloatArray
    residuals_px: FloatArray
    kept: npt.NDArray[np.bool_]
    sigma_px: float

    @property
    def camera(self) -> PerspectiveCamera:
        """Return the camera, in true millimetres of the sheet."""
        return camera_of(self.parameters)

    @property
    def stretch(self) -> tuple[float, float]:
        """Return (across, down): true over nominal length of the print."""
        return float(self.parameters[11]), float(self.parameters[12])


def camera_of(parameters: FloatArray) -> PerspectiveCamera:
    """Return the camera that a parameter vector of shape (13,) stands for."""
    rotation = np.asarray(cv2.Rodrigues(parameters[ROTATION])[0], float)
    centre = -rotation.T @ parameters[PLACE]
    return PerspectiveCamera(
        focal_px=float(parameters[FOCAL]),
        principal_px=(float(parameters[7]), float(parameters[8])),
        distortion=(float(parameters[K1]), float(parameters[K2])),
        rotation=rotation,
        centre_mm=np.array([centre[0], centre[1], -centre[2]]),
    )


def fit_pose(
    points_mm: FloatArray,
    points_px: FloatArray,
    priors: Priors,
    *,
    sigma_px: float = 0.1,
    heights_mm: FloatArray | None = None,
    start: FloatArray | None = None,
    rounds: int = 12,
) -> PoseFit:
    """Return the camera that best explains the points.

    Parameters
    ----------
    points_mm : ndarray (N, 2), nominal sheet points, before the print's stretch.
    points_px : ndarray (N, 2), where they are seen.
    priors : what is believed beforehand.
    sigma_px : least standard deviation of one coordinate; the scatter found replaces it where larger.
    heights_mm : ndarray (N,), height of each point over the paper's plane; None: flat.
    start : parameters (13,) to start from; None: from the points' homography.
    rounds : at most so many steps.

    Returns
    -------
    PoseFit
        Points farther off than 4 robust standard deviations count less and less (Tukey's biweight).
    """
    heights = np.zeros(len(points_mm)) if heights_mm is None else heights_mm
    theta = _start(points_mm, points_px, priors) if start is None else start.copy()
    believed, belief = priors.values(), priors.sigmas()
    weights, scatter, damping = np.ones(len(points_mm)), sigma_px, 1e-9
    for _ in range(rounds):
        seen, jacobian = _project(theta, points_mm, heights)
        residuals = points_px - seen
        weights, scatter = _robust(residuals, sigma_px)
        root = np.repeat(np.sqrt(weights) / scatter, 2)
        rows = np.vstack([jacobian * root[:, None], np.eye(COUNT)[6:] / belief[:, None]])
        wrong = np.concatenate([residuals.ravel() * root, (believed - theta[6:]) / belief])
        normal = rows.T @ rows
        step = np.linalg.solve(normal + damping * np.diag(np.diag(normal)), rows.T @ wrong)
        theta = theta + step
        if np.all(np.abs(step) < 1e-7 * (1.0 + np.abs(theta))):
            break
    seen, jacobian = _project(theta, points_mm, heights)
    residuals = points_px - seen
    weights, scatter = _robust(residuals, sigma_px)
    root = np.repeat(np.sqrt(weights) / scatter, 2)
    rows = np.vstack([jacobian * root[:, None], np.eye(COUNT)[6:] / belief[:, None]])
    return PoseFit(theta, np.linalg.inv(rows.T @ rows), residuals, weights > 0.05, scatter)


def _project(
    theta: FloatArray, points_mm: FloatArray, heights_mm: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return photo points (N, 2) and their Jacobian (2 N, 13)."""
    stretch = theta[STRETCH]
    solid = np.column_stack([points_mm * stretch, -heights_mm])
    focal, (cx, cy) = theta[FOCAL], theta[PRINCIPAL]
    matrix = np.array([[focal, 0.0, cx], [0.0, focal, cy], [0.0, 0.0, 1.0]])
    terms = np.array([theta[K1], theta[K2], 0.0, 0.0])
    seen, raw = cv2.projectPoints(solid, theta[ROTATION], theta[PLACE], matrix, terms)
    rotation = np.asarray(cv2.Rodrigues(theta[ROTATION])[0], float)
    jacobian = np.empty((2 * len(solid), COUNT))
    jacobian[:, :6] = raw[:, :6]
    jacobian[:, FOCAL] = raw[:, 6] + raw[:, 7]
    jacobian[:, 7:11] = raw[:, 8:12]
    for column, axis in ((11, 0), (12, 1)):
        jacobian[:, column] = (raw[:, 3:6] @ rotation[:, axis]) * np.repeat(points_mm[:, axis], 2)
    return np.asarray(seen, float).reshape(-1, 2), jacobian


def _robust(residuals: FloatArray, least_px: float) -> tuple[FloatArray, float]:
    """Return Tukey weights (N,) and the scatter of one coordinate, px."""
    size = np.hypot(residuals[:, 0], residuals[:, 1])
    scatter = max(least_px, float(np.median(size)) / 1.17741)  # median of a Rayleigh distribution
    inside = np.clip(1.0 - (size / (4.685 * 1.2 * scatter)) ** 2, 0.0, None)
    return inside**2, scatter


def _start(points_mm: FloatArray, points_px: FloatArray, priors: Priors) -> FloatArray:
    """Return parameters from the points' homography, robust against false ones."""
    matrix, _ = cv2.findHomography(points_mm, points_px, cv2.RANSAC, 0.01 * float(np.ptp(points_px)) + 2.0)
    if matrix is None:
        raise ValueError("the points do not lie on a plane seen in perspective")
    focal, (cx, cy) = priors.focal_px, priors.principal_px
    columns = np.linalg.inv(np.array([[focal, 0, cx], [0, focal, cy], [0, 0, 1.0]])) @ matrix
    columns *= np.sign(columns[2, 2]) / np.sqrt(np.linalg.norm(columns[:, 0]) * np.linalg.norm(columns[:, 1]))
    frame = np.column_stack([columns[:, 0], columns[:, 1], np.cross(columns[:, 0], columns[:, 1])])
    left, _, right = np.linalg.svd(frame)
    vector = cv2.Rodrigues(left @ right)[0].ravel()
    return np.concatenate([vector, columns[:, 2], priors.values()])
