"""Where the camera stood above the card: pose and focal length from the card's corners.

A pinhole camera with square pixels and its principal point in the middle of the frame. The focal
length of the EXIF is a prior, not a fact: a cropped or zoomed photo contradicts it, and then the
corners are believed.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_FRAME_35MM_DIAGONAL_MM = 43.267
"""Diagonal of the 36 mm x 24 mm frame that a 35 mm equivalent focal length refers to."""
_USUAL_FOCAL_35MM = 26.0
"""Main camera of a phone (common practice, no source); taken where the EXIF is silent."""
_LOG_FOCAL_SD = {"exif": 0.02, "assumed": 0.12}
"""Relative spread of the true focal length about the prior."""
_CORNER_SD_PX = 0.20
"""Spread of one marker corner, in pixels of the photo as read (measured on rendered photos)."""
_WARP_SD_MM = 1.2
"""Height of one marker off the plane of a card that lies as flat as cards do."""
_CONTRADICTED = 16.0
"""Drop of chi squared on freeing the focal length beyond which the EXIF is not believed."""
_LOG_FOCAL_LIMIT = np.log(4.0)
_INSET_SD = 2.0
"""Prior spread of the inset, in corner spreads: blur rounds all corners of a marker inwards."""
_STEPS = 12


@dataclass(frozen=True, eq=False)
class Pose:
    """A camera above a card.

    Parameters
    ----------
    camera_matrix
        ``(3, 3)``, pixels of the full-size photo.
    rotation, translation
        Card frame (mm) to camera frame: ``(3, 3)`` and ``(3,)`` in mm.
    covariance
        ``(7, 7)`` of rotation vector, translation and log focal length, card warp included.
    focal_source
        ``exif``, ``fitted`` (the corners contradict the EXIF) or ``assumed``.
    rms_px
        Root mean square of the corner residuals, full-size pixels.
    """

    camera_matrix: Array
    rotation: Array
    translation: Array
    covariance: Array
    focal_source: str
    rms_px: float

    @property
    def homography(self) -> Array:
        """``(3, 3)``, card millimetres to full-size pixels."""
        columns = np.column_stack([self.rotation[:, 0], self.rotation[:, 1], self.translation])
        h = self.camera_matrix @ columns
        return np.asarray(h / h[2, 2], dtype=np.float64)


def focal_px(focal_35mm: float, size_px: tuple[int, int]) -> float:
    """Return the focal length in pixels of a 35 mm equivalent; ``size_px`` is width, height."""
    return float(focal_35mm * np.hypot(*size_px) / _FRAME_35MM_DIAGONAL_MM)


def _rodrigues(vector: Array) -> Array:
    import cv2

    return np.asarray(cv2.Rodrigues(vector)[0], dtype=np.float64)


def _matrix(focal: float, size_px: tuple[int, int]) -> Array:
    width, height = size_px
    return np.array(
        [[focal, 0.0, (width - 1) / 2], [0.0, focal, (height - 1) / 2], [0.0, 0.0, 1.0]]
    )


def _project(points: Array, p: Array, size_px: tuple[int, int]) -> tuple[Array, Array]:
    """Return pixels ``(2n,)`` of card points ``(n, 3)`` and their ``(2n, 7)`` derivatives."""
    import cv2

    focal = float(np.exp(p[6]))
    pixels, jacobian = cv2.projectPoints(points, p[:3], p[3:6], _matrix(focal, size_px), None)
    by_focal = focal * (jacobian[:, 6] + jacobian[:, 7])
    seen = np.asarray(pixels, dtype=np.float64).reshape(-1)
    return seen, np.asarray(np.column_stack([jacobian[:, :6], by_focal]), dtype=np.float64)


@dataclass(frozen=True, eq=False)
class _Problem:
    points: Array  # (n, 3) mm
    pixels: Array  # (2n,)
    corners: int  # of one marker; points of the same marker stand in a row
    inward: Array  # (2n,) unit steps from each corner to the middle of its marker
    sd: float
    size_px: tuple[int, int]
    log_focal: float
    log_focal_sd: float
    last: dict[bytes, tuple[Array, Array]] = field(default_factory=dict)

    def project(self, p: Array) -> tuple[Array, Array]:
        """Return pixels and derivatives of all points; the last pose is asked for again."""
        key = p.tobytes()
        if key not in self.last:
            self.last.clear()
            self.last[key] = _project(self.points, p, self.size_px)
        return self.last[key]

    def chi2(self, p: Array) -> float:
        residual = self.residual(p) / self.sd
        prior = (p[6] - self.log_focal) / self.log_focal_sd
        inset = p[7] / (_INSET_SD * self.sd)
        return float(residual @ residual + prior**2 + inset**2)

    def residual(self, p: Array) -> Array:
        seen, _ = self.project(p)
        return np.asarray(self.pixels - seen - p[7] * self.inward, dtype=np.float64)

    def normal(self, p: Array) -> tuple[Array, Array]:
        weighted = self.jacobian(p) / self.sd
        gradient = weighted.T @ (self.residual(p) / self.sd)
        hessian = weighted.T @ weighted
        hessian[6, 6] += 1.0 / self.log_focal_sd**2
        gradient[6] += (self.log_focal - p[6]) / self.log_focal_sd**2
        hessian[7, 7] += 1.0 / (_INSET_SD * self.sd) ** 2
        gradient[7] -= p[7] / (_INSET_SD * self.sd) ** 2
        return hessian, gradient

    def jacobian(self, p: Array) -> Array:
        return np.column_stack([self.project(p)[1], self.inward])

    def solve(self, start: Array) -> Array:
        p, best, damping = start, self.chi2(start), 1e-6
        for _ in range(_STEPS):
            hessian, gradient = self.normal(p)
            step = np.linalg.solve(hessian + damping * np.diag(np.diag(hessian)), gradient)
            trial = p + step
            trial[6] = np.clip(
                trial[6], self.log_focal - _LOG_FOCAL_LIMIT, self.log_focal + _LOG_FOCAL_LIMIT
            )
            value = self.chi2(trial)
            if value < best:
                done = best - value < 1e-3
                p, best, damping = trial, value, damping / 10
                if done:
                    break
            else:
                damping = max(damping * 30, 1e-6)
                if damping > 1e6:
                    break
        return p


def _starts(problem: _Problem, focal: float) -> list[Array]:
    """Return both poses that a plane seen under perspective may have."""
    import cv2

    found = cv2.solvePnPGeneric(
        problem.points,
        problem.pixels.reshape(-1, 1, 2),
        _matrix(focal, problem.size_px),
        None,
        flags=cv2.SOLVEPNP_IPPE,
    )
    return [
        np.r_[r.ravel(), t.ravel(), np.log(focal), 0.0]
        for r, t in zip(found[1], found[2], strict=True)
    ]


def _warp_covariance(problem: _Problem, p: Array, inverse: Array, warp_sd_mm: float) -> Array:
    """Return what markers (four corners each) that lie off the plane do to the pose."""
    jacobian = problem.jacobian(p) / problem.sd
    lift = np.zeros_like(problem.points)
    lift[:, 2] = 1.0
    raised, _ = _project(problem.points + lift, p, problem.size_px)
    flat, _ = problem.project(p)
    moved = (raised - flat) / problem.sd
    markers = np.repeat(np.arange(len(problem.points) // problem.corners), 2 * problem.corners)
    effect = np.stack(
        [inverse @ jacobian.T @ (moved * (markers == m)) for m in range(markers[-1] + 1)], axis=1
    )
    return np.asarray(warp_sd_mm**2 * effect @ effect.T, dtype=np.float64)


def solve_pose(
    points_mm: Array,
    pixels: Array,
    size_px: tuple[int, int],
    *,
    focal_35mm: float | None,
    pixel_step: float = 1.0,
) -> Pose:
    """Return the pose of the camera.

    Parameters
    ----------
    points_mm
        ``(m, k, 2)`` points on the card: of m markers k corners each, or of m patches the middle.
    pixels
        ``(m, k, 2)`` where they are seen, full-size pixels.
    size_px
        Width and height of the full-size photo.
    focal_35mm
        35 mm equivalent focal length of the EXIF; ``None`` where it is unknown.
    pixel_step
        Full-size pixels to a pixel of the photo in which the corners were found.
    """
    source = "assumed" if focal_35mm is None else "exif"
    focal = focal_px(focal_35mm or _USUAL_FOCAL_35MM, size_px)
    flat = points_mm.reshape(-1, 2)
    problem = _Problem(
        points=np.column_stack([flat, np.zeros(len(flat))]),
        pixels=np.asarray(pixels, dtype=np.float64).reshape(-1),
        corners=points_mm.shape[1],
        inward=_inward(pixels),
        sd=_CORNER_SD_PX * pixel_step,
        size_px=size_px,
        log_focal=float(np.log(focal)),
        log_focal_sd=_LOG_FOCAL_SD[source],
    )
    p, best = _best(problem, focal)
    if source == "exif" and best > len(problem.pixels):
        free = replace(problem, log_focal_sd=1.0)
        # Lens distortion and a warped card inflate all residuals alike: judge by their spread.
        q, loose = _best(free, float(np.exp(p[6])))
        dof = max(len(problem.pixels) - 8, 1)
        if (best - loose) / max(loose / dof, 1.0) > _CONTRADICTED:
            problem, p, source, best = free, q, "fitted", loose
    return _pose(problem, p, source, best)


def _inward(pixels: Array) -> Array:
    step = pixels.mean(axis=1, keepdims=True) - pixels
    length = np.maximum(np.linalg.norm(step, axis=2, keepdims=True), 1e-9)
    return np.asarray((step / length).reshape(-1), dtype=np.float64)


def _best(problem: _Problem, focal: float) -> tuple[Array, float]:
    solved = [problem.solve(start) for start in _starts(problem, focal)]
    values = [problem.chi2(p) for p in solved]
    return solved[int(np.argmin(values))], min(values)


def _pose(problem: _Problem, p: Array, source: str, chi2: float) -> Pose:
    hessian, _ = problem.normal(p)
    inverse = np.asarray(np.linalg.inv(hessian), dtype=np.float64)
    spread = float(max(chi2 / max(len(problem.pixels) - 8, 1), 1.0))
    # Residuals beyond what corners scatter tell of a warped card: allow for more of the same.
    warp_mm = _WARP_SD_MM * float(np.sqrt(min(spread, 9.0)))
    covariance = inverse * spread + _warp_covariance(problem, p, inverse, warp_mm)
    return Pose(
        camera_matrix=_matrix(float(np.exp(p[6])), problem.size_px),
        rotation=_rodrigues(p[:3]),
        translation=p[3:6].copy(),
        covariance=covariance[:7, :7],
        focal_source=source,
        rms_px=float(np.sqrt(np.mean(problem.residual(p) ** 2))),
    )


def local_scale(homography: Array, points_mm: Array) -> Array:
    """Return full-size pixels a millimetre at card points ``(n, 2)``: root of the area scale."""
    x = np.column_stack([points_mm, np.ones(len(points_mm))])
    depth = x @ homography[2]
    return np.asarray(
        np.sqrt(np.abs(np.linalg.det(homography)) / np.abs(depth) ** 3), dtype=np.float64
    )


def tilt_deg(rotation: Array) -> float:
    """Return the angle between the line of sight and the card's normal, degrees."""
    return float(np.degrees(np.arccos(np.clip(abs(rotation[2, 2]), 0.0, 1.0))))


def pose_errors(
    pose: Pose, size_px: tuple[int, int], at_mm: tuple[float, float]
) -> tuple[float, float, float]:
    """Return mm per pixel at a point, its standard error, and that of the tilt in degrees."""
    import cv2

    p = np.r_[
        cv2.Rodrigues(pose.rotation)[0].ravel(),
        pose.translation,
        np.log(pose.camera_matrix[0, 0]),
    ]

    def figures(q: Array) -> Array:
        rotation = _rodrigues(q[:3])
        columns = np.column_stack([rotation[:, 0], rotation[:, 1], q[3:6]])
        h = _matrix(float(np.exp(q[6])), size_px) @ columns
        scale = local_scale(h, np.array([at_mm]))[0]
        # The direction of the normal, not its angle: the angle has no slope at nadir.
        return np.array([1.0 / scale, *rotation[:, 2]])

    sd = np.sqrt(np.diag(pose.covariance))
    base = figures(p)
    slopes = np.stack(
        [(figures(p + step) - base) / step[n] for n, step in enumerate(np.diag(sd * 0.1 + 1e-12))],
        axis=1,
    )
    covariance = slopes @ pose.covariance @ slopes.T
    tilt_se = np.degrees(np.sqrt(max(np.trace(covariance[1:, 1:]) / 2, 0.0)))
    return float(base[0]), float(np.sqrt(max(covariance[0, 0], 0.0))), float(tilt_se)
