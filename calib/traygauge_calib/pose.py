"""Where the camera was: pose, focal length, distortion, print stretch and curl together, from the ring.

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

#: Places in a parameter vector: rotation vector, translation (mm), focal length (px), principal point (px),
#: k1, k2, stretch across and down, curl (mm at the board's rim, terms u², uv, v²), ink (px).
ROTATION, PLACE, FOCAL, PRINCIPAL, K1, K2 = slice(0, 3), slice(3, 6), 6, slice(7, 9), 9, 10
STRETCH, CURL, INK, COUNT = slice(11, 13), slice(13, 16), 16, 17

#: The fit ends with a step of so many standard deviations: each step leaves a tenth of the error or less.
LAST_STEP = 0.05


@dataclass(frozen=True)
class Priors:
    """What is believed before the ring is looked at: value and standard uncertainty.

    Parameters
    ----------
    focal_px, u_focal : focal length, px; its uncertainty, relative.
    principal_px, u_principal_px : principal point, px.
    k1, k2, u_k1, u_k2 : radial distortion (OpenCV's terms).
    stretch, u_stretch : (across, down) true length / nominal length of the print.
    u_curl_mm : how far the paper may rise from a plane at the board's rim.
    u_ink_px : how far all edges may be moved towards the bright side by ink, threshold or tone curve.
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
    u_curl_mm: float = 0.2
    u_ink_px: float = 0.5

    def values(self) -> FloatArray:
        """Return what is believed of the parameters behind the pose, ndarray of shape (11,)."""
        flat = (0.0, 0.0, 0.0, 0.0)
        return np.array([self.focal_px, *self.principal_px, self.k1, self.k2, *self.stretch, *flat])

    def sigmas(self) -> FloatArray:
        """Return their standard uncertainties, ndarray of shape (11,)."""
        focal, point, curl = self.u_focal * self.focal_px, self.u_principal_px, self.u_curl_mm
        return np.array(
            [focal, point, point, self.u_k1, self.u_k2, *self.u_stretch, curl, curl, curl, self.u_ink_px]
        )


@dataclass(frozen=True, eq=False)
class Marks:
    """Places of the sheet seen in the photo.

    Parameters
    ----------
    points_mm : ndarray (N, 2), nominal sheet points, before the print's stretch.
    points_px : ndarray (N, 2), where they are seen.
    normals_px : ndarray (N, 2): of an edge the unit vector across it, towards the bright side, since only the
        place across is seen; zeros for a corner, which is seen both ways.
    """

    points_mm: FloatArray
    points_px: FloatArray
    normals_px: FloatArray

    @classmethod
    def corners(cls, points_mm: FloatArray, points_px: FloatArray) -> Marks:
        """Return marks that are all corners."""
        return cls(points_mm, points_px, np.zeros_like(points_px))

    def __add__(self, other: Marks) -> Marks:
        """Return both together."""
        return Marks(
            np.concatenate([self.points_mm, other.points_mm]),
            np.concatenate([self.points_px, other.points_px]),
            np.concatenate([self.normals_px, other.normals_px]),
        )


@dataclass(frozen=True, eq=False)
class PoseFit:
    """A fitted camera and how well it is known.

    Parameters
    ----------
    parameters : ndarray (17,), in the order given at the head of this file.
    covariance : ndarray (17, 17).
    weights : ndarray (N,), 0 (thrown out as an outlier) to 1.
    corner_sigma_px, edge_sigma_px : standard deviation of one coordinate of a corner, of the place of an edge.
    """

    parameters: FloatArray
    covariance: FloatArray
    weights: FloatArray
    corner_sigma_px: float
    edge_sigma_px: float

    @property
    def camera(self) -> PerspectiveCamera:
        """Return the camera, in true millimetres of the sheet."""
        return camera_of(self.parameters)

    @property
    def stretch(self) -> tuple[float, float]:
        """Return (across, down): true over nominal length of the print."""
        return float(self.parameters[11]), float(self.parameters[12])

    def pull(self, priors: Priors) -> float:
        """Return how far the ring pulled focal length or principal point off what was believed, in its sigmas."""
        off = (self.parameters[6:9] - priors.values()[:3]) / priors.sigmas()[:3]
        return float(np.abs(off).max())

    @property
    def curl_mm(self) -> float:
        """Return by how much the paper rises or falls between the board's middle and its rim, mm.

        A bowl looks like lens distortion and cannot be told from it; but paper bends along one direction
        only, so that what is seen of the bend across that direction gives the whole.
        """
        a, b, c = self.parameters[CURL]
        return float(np.hypot(a - c, b))


def camera_of(parameters: FloatArray) -> PerspectiveCamera:
    """Return the camera that a parameter vector of shape (17,) stands for."""
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
    marks: Marks,
    board_mm: tuple[float, float],
    priors: Priors,
    *,
    least_sigma_px: float = 0.03,
    start: FloatArray | None = None,
    rounds: int = 12,
) -> PoseFit:
    """Return the camera that best explains the marks.

    Parameters
    ----------
    board_mm : (width, height) of the board, for the curl's terms.
    priors : what is believed beforehand.
    least_sigma_px : least standard deviation of a mark; the scatter found replaces it where larger.
    start : parameters (17,) to start from; None: from the marks' homography.
    rounds : at most so many steps.

    Returns
    -------
    PoseFit
        Marks farther off than a few robust standard deviations count less and less (Tukey's biweight).
    """
    theta = _start(marks, priors) if start is None else start.copy()
    believed, belief = priors.values(), priors.sigmas()
    edge = np.asarray(marks.normals_px.any(1), bool)
    for _ in range(rounds):
        residuals, jacobian = _misfit(theta, marks, board_mm, edge)
        weights, sigma = _robust(residuals, edge, least_sigma_px)
        rows, wrong = _weighted(residuals, jacobian, weights, sigma, (believed - theta[6:]) / belief, belief)
        normal = rows.T @ rows
        step = np.linalg.solve(normal, rows.T @ wrong)
        covariance = np.asarray(np.linalg.inv(normal), float)
        # the whole step is shortened, never the focal length's alone: focal length over height is well known
        theta = theta + step * min(1.0, 0.25 * theta[FOCAL] / max(abs(step[FOCAL]), 1e-9))
        if np.all(np.abs(step) < LAST_STEP * np.sqrt(np.diag(covariance))):
            break
    spread = [float(sigma[side][0]) if side.any() else float("nan") for side in (~edge, edge)]
    return PoseFit(theta, covariance, weights, *spread)


def _misfit(
    theta: FloatArray, marks: Marks, board_mm: tuple[float, float], edge: npt.NDArray[np.bool_]
) -> tuple[FloatArray, FloatArray]:
    """Return residuals (N, 2) and the Jacobian (N, 2, 17) of the predicted places."""
    half = np.asarray(board_mm) / 2.0
    u, v = ((marks.points_mm - half) / half).T
    bends = np.stack([u * u, u * v, v * v], 1)
    solid = np.column_stack([marks.points_mm * theta[STRETCH], -bends @ theta[CURL]])
    focal, (cx, cy) = theta[FOCAL], theta[PRINCIPAL]
    matrix = np.array([[focal, 0.0, cx], [0.0, focal, cy], [0.0, 0.0, 1.0]])
    terms = np.array([theta[K1], theta[K2], 0.0, 0.0])
    seen, raw = cv2.projectPoints(solid, theta[ROTATION], theta[PLACE], matrix, terms)
    raw = raw.reshape(-1, 2, raw.shape[1])
    moved = raw[..., 3:6] @ np.asarray(cv2.Rodrigues(theta[ROTATION])[0], float)
    jacobian = np.empty((len(solid), 2, COUNT))
    jacobian[..., :6] = raw[..., :6]
    jacobian[..., FOCAL] = raw[..., 6] + raw[..., 7]
    jacobian[..., 7:11] = raw[..., 8:12]
    jacobian[..., STRETCH] = moved[..., :2] * marks.points_mm[:, None]
    jacobian[..., CURL] = -moved[..., 2:] * bends[:, None]
    jacobian[..., INK] = marks.normals_px
    residuals = marks.points_px - seen.reshape(-1, 2) - theta[INK] * marks.normals_px
    across = marks.normals_px[edge]
    residuals[edge] = across * (residuals[edge] * across).sum(1, keepdims=True)
    jacobian[edge] = across[:, :, None] * (across[:, None] @ jacobian[edge])
    return residuals, jacobian


def _robust(
    residuals: FloatArray, edge: npt.NDArray[np.bool_], least_px: float
) -> tuple[FloatArray, FloatArray]:
    """Return Tukey weights (N,) and each mark's standard deviation (N,), px, found for either kind."""
    size = np.hypot(residuals[:, 0], residuals[:, 1])
    sigma = np.full(len(size), least_px)
    # medians of a Rayleigh and of a half-normal distribution; 4.685 sigma is Tukey's usual bound
    for side, median in ((~edge, 1.17741), (edge, 0.67449)):
        if side.any():
            sigma[side] = max(least_px, float(np.median(size[side])) / median)
    inside = np.clip(1.0 - (size / (4.685 * sigma * np.where(edge, 1.0, 1.2))) ** 2, 0.0, None)
    return inside**2, sigma


def _weighted(
    residuals: FloatArray,
    jacobian: FloatArray,
    weights: FloatArray,
    sigma: FloatArray,
    pull: FloatArray,
    belief: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Return the rows and right-hand side of the weighted problem, priors behind the marks."""
    root = np.sqrt(weights) / sigma
    rows = np.concatenate(
        [(jacobian * root[:, None, None]).reshape(-1, COUNT), np.eye(COUNT)[6:] / belief[:, None]]
    )
    return rows, np.concatenate([(residuals * root[:, None]).ravel(), pull])


def _start(marks: Marks, priors: Priors) -> FloatArray:
    """Return parameters from the corners' homography, robust against false ones."""
    corner = ~marks.normals_px.any(1)
    points_mm, points_px = marks.points_mm[corner], marks.points_px[corner]
    matrix, _ = cv2.findHomography(points_mm, points_px, cv2.RANSAC, 0.01 * float(np.ptp(points_px)) + 2.0)
    if matrix is None:
        raise ValueError("the points do not lie on a plane seen in perspective")
    focal, (cx, cy) = priors.focal_px, priors.principal_px
    columns = np.linalg.inv(np.array([[focal, 0, cx], [0, focal, cy], [0, 0, 1.0]])) @ matrix
    columns *= np.sign(columns[2, 2]) / np.sqrt(np.linalg.norm(columns[:, 0]) * np.linalg.norm(columns[:, 1]))
    frame = np.column_stack([columns[:, 0], columns[:, 1], np.cross(columns[:, 0], columns[:, 1])])
    left, _, right = np.linalg.svd(frame)
    vector = np.asarray(cv2.Rodrigues(left @ right)[0], float).ravel()
    return np.concatenate([vector, columns[:, 2], priors.values()])
