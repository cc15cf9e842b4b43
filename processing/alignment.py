"""Alignment of frames of one view: shift, small rotation, a knocked tripod."""

from dataclasses import asdict, dataclass
from typing import Any

import cv2
import numpy as np

from .arrays import luminance, require_rgb
from .blur import fine_left
from .overlay import Detail, detail, overlay

WORK_WIDTH = 1400  # px; SIFT at this width finds corners to about .1 px
STILL_PX = 0.15  # corner motion below which a frame is not resampled, in working px
TWO_WAY_PX = 1.0  # working px that frame over reference and reference over frame may differ by
LEFT_PX = 0.6  # working px by which tiles may still be off
NEAR_PX = 4.0  # working px: a frame this near is on its tripod; its highlights are worth a pixel of doubt
DOUBT_PX = 0.5  # working px that a corner may be uncertain by
LIMIT_SHARE = 0.08  # largest believable shift, share of the width (a knock of 100 px at 1800)
LIMIT_DEG = 2.0
MIN_MATCHES = 14
SHARP_LEFT = 0.88  # of the fine detail: sharp frames keep .97-1.0, a shake of .2 % of the width .78-.83
BLURRED = "it is blurred: shaken or out of focus"
BANDED = "bands of lamp flicker run across it"
TURNED_GAIN = 1.3  # times the matches of a rigid motion that a turned camera must explain
TURNED_STRETCH = 0.06  # by which a turn of LIMIT_SHARE may stretch the middle of a wide view
SCALE_LIMIT = 0.01  # a tripod does not zoom; more says the match is wrong


@dataclass(frozen=True)
class Alignment:
    """How one frame lies over the reference.

    Attributes
    ----------
    frame_to_reference : 3 x 3 nested tuple
        Points of the frame to points of the reference, full-size pixels, pixel centres at whole numbers.
    moved_px : float
        Largest motion of a corner, full-size pixels.
    score : float
        0..1: correlation of the aligned frames' structure.
    refused : str or None
        Why the frame cannot be used, in words; the matrix is then the identity.
    """

    frame_to_reference: tuple[tuple[float, ...], ...]
    moved_px: float
    score: float
    refused: str | None = None

    @property
    def code(self) -> str | None:
        """Code of `quality.NEEDS_LOOK` that a refused frame raises."""
        if self.refused is None:
            return None
        return {BLURRED: "shaken_frame", BANDED: "flicker"}.get(self.refused, "not_aligned")

    @property
    def matrix(self) -> np.ndarray:
        return np.array(self.frame_to_reference, np.float64)

    def to_json(self) -> dict[str, Any]:
        return asdict(self)

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> "Alignment":
        rows = tuple(tuple(row) for row in data["frame_to_reference"])
        return cls(**(data | {"frame_to_reference": rows}))


def align(
    reference: np.ndarray, other: np.ndarray, *, ev_difference: float, full_width: int | None = None
) -> Alignment:
    """Find the rigid motion (shift and rotation) of one frame against the reference.

    Parameters
    ----------
    reference, other : (H, W, 3) float32
        Linear sRGB of one size; anything from 600 px wide, about 1400 is best.
    ev_difference : float
        Stops by which `other` is brighter.
    full_width : int, optional
        Width of the full-size frames; the matrix is given in their pixels.

    Returns
    -------
    Alignment

    Source
    ------
    D. Lowe, IJCV 60 (2004) for the features; G. Evangelidis, E. Psarakis, PAMI 30 (2008) for the polish.
    """
    require_rgb(reference, name="reference", dtypes=(np.float32,))
    require_rgb(other, name="other", dtypes=(np.float32,))
    full_width = full_width or reference.shape[1]
    if reference.shape != other.shape:
        return _refused("the frames differ in size")
    scale = min(1.0, WORK_WIDTH / reference.shape[1])
    greys = [_grey(x, scale=scale, ev=e) for x, e in ((reference, 0.0), (other, ev_difference))]
    size = greys[0][0].shape[1], greys[0][0].shape[0]
    if _is_still(greys[0], greys[1]):
        matrix = np.eye(3)
    else:
        rough = _from_features(greys[0][0], greys[1][0])
        if isinstance(rough, str):
            return _refused(rough)
        details = [detail(*_exposed(x, scale=scale)) for x in (reference, other)]
        polished = _polish(details[0], details[1], rough)
        if isinstance(polished, str):
            return _refused(polished)
        matrix = polished
    moved = corner_motion(matrix, size)
    if moved < STILL_PX:
        matrix, moved = np.eye(3), 0.0
    shift, angle = _motion(matrix, size)
    if shift > LIMIT_SHARE * size[0] or abs(angle) > LIMIT_DEG:
        return _refused(
            f"it would have to move by {shift / size[0]:.1%} of the width and {angle:.1f} degrees"
        )
    score = _agreement(greys[0], greys[1], matrix)
    if score < 0.25:
        return _refused("its structures do not fit the reference")
    if _is_blurred(reference, other, matrix, scale=scale, ev=ev_difference):
        return _refused(BLURRED)
    zoom = full_width / size[0]
    return Alignment(_as_rows(rescale(matrix, zoom)), round(moved * zoom, 3), round(score, 3))


def rescale(matrix: np.ndarray, zoom: float) -> np.ndarray:
    """The same motion in a picture `zoom` times as large (pixel-area convention)."""
    up = np.array([[zoom, 0, (zoom - 1) / 2], [0, zoom, (zoom - 1) / 2], [0, 0, 1]])
    return up @ matrix @ np.linalg.inv(up)


def corner_motion(matrix: np.ndarray, size: tuple[int, int]) -> float:
    """Largest motion of the frame's corners, px."""
    width, height = size
    corners = np.array([[0, 0, 1], [width - 1, 0, 1], [0, height - 1, 1], [width - 1, height - 1, 1]], float)
    moved = corners @ matrix.T
    return float(np.hypot(*(moved[:, :2] / moved[:, 2:] - corners[:, :2]).T).max())


def _refused(why: str) -> Alignment:
    return Alignment(_as_rows(np.eye(3)), 0.0, 0.0, why)


def _as_rows(matrix: np.ndarray) -> tuple[tuple[float, ...], ...]:
    return tuple(tuple(float(v) for v in row) for row in matrix)


def _grey(rgb_linear: np.ndarray, *, scale: float, ev: float) -> tuple[np.ndarray, np.ndarray]:
    """Locally contrasted 8-bit grey and the mask of what is exposed well enough to be followed."""
    level, usable = _exposed(rgb_linear, scale=scale)
    even = np.clip(level * np.float32(2.0**-ev), 0, 4)  # to the reference's exposure
    encoded = np.clip(even / (even + np.float32(0.18)), 0, 1)  # bounded, monotone, keeps both ends
    grey = cv2.createCLAHE(4, (8, 8)).apply((encoded * 255 + 0.5).astype(np.uint8))
    return grey, usable.astype(np.uint8)


def _exposed(rgb_linear: np.ndarray, *, scale: float) -> tuple[np.ndarray, np.ndarray]:
    """Luminance at the working size, and the mask of what is neither clipped nor black."""
    small = rgb_linear
    if scale < 1:
        size = (round(rgb_linear.shape[1] * scale), round(rgb_linear.shape[0] * scale))
        small = cv2.resize(rgb_linear, size, interpolation=cv2.INTER_AREA)
    level = np.clip(luminance(small), 0, 1)
    return level, (small.max(-1) < 0.97) & (level > 0.002)


def _gradients(grey: np.ndarray) -> np.ndarray:
    """Gradient magnitude, locally normalised: comparable between exposures."""
    smooth = cv2.GaussianBlur(grey.astype(np.float32), (0, 0), 1.2)
    size = cv2.magnitude(cv2.Sobel(smooth, cv2.CV_32F, 1, 0), cv2.Sobel(smooth, cv2.CV_32F, 0, 1))
    return size / (cv2.blur(size, (31, 31)) + 4.0)


def _is_still(one: tuple[np.ndarray, np.ndarray], other: tuple[np.ndarray, np.ndarray]) -> bool:
    """True when tile by tile nothing has moved: the usual case, found without features."""
    a, b = (_gradients(x[0]) for x in (one, other))
    both = (one[1] & other[1]).astype(np.float32)
    a, b = a * both, b * both
    rows, cols = 4, 6
    height, width = a.shape[0] // rows, a.shape[1] // cols
    window = cv2.createHanningWindow((width, height), cv2.CV_32F)
    shifts = []
    for i in range(rows):
        for j in range(cols):
            tile = np.s_[i * height : (i + 1) * height, j * width : (j + 1) * width]
            if both[tile].mean() < 0.6 or a[tile].std() < 0.2:
                continue
            shift, response = cv2.phaseCorrelate(a[tile].copy(), b[tile].copy(), window)
            if response > 0.15:
                shifts.append(shift)
    if len(shifts) < 5:
        return False
    distance = np.hypot(*np.array(shifts).T)
    return bool(np.median(distance) < 0.12 and np.percentile(distance, 80) < 0.3)


def _from_features(reference: np.ndarray, other: np.ndarray) -> np.ndarray | str:
    """Rigid motion from matched features, or why there is none."""
    finder = cv2.SIFT.create(nfeatures=3000)
    ref_points, ref_features = finder.detectAndCompute(reference, None)
    points, features = finder.detectAndCompute(other, None)
    if ref_features is None or features is None or min(len(points), len(ref_points)) < MIN_MATCHES:
        return "it shows too little detail to be aligned"
    pairs = cv2.BFMatcher().knnMatch(features, ref_features, k=2)
    good = [p[0] for p in pairs if len(p) == 2 and p[0].distance < 0.8 * p[1].distance]
    if len(good) < MIN_MATCHES:
        return "too few details are found again in the reference"
    source = np.array([points[m.queryIdx].pt for m in good], np.float64)
    target = np.array([ref_points[m.trainIdx].pt for m in good], np.float64)
    model, inliers = cv2.estimateAffinePartial2D(
        source, target, ransacReprojThreshold=1.5, maxIters=5000, confidence=0.999
    )
    agreeing = 0 if model is None else int(inliers.sum())
    turned = _turned(source, target, agreeing)
    if turned is not None:
        return turned
    if agreeing < MIN_MATCHES:
        return "no single motion explains the matched details"
    if abs(np.hypot(model[0, 0], model[1, 0]) - 1) > SCALE_LIMIT:
        return "the frame is zoomed or seen from another place"
    keep = inliers.ravel() > 0
    return _rigid(source[keep], target[keep])


def _turned(source: np.ndarray, target: np.ndarray, agreeing: int) -> np.ndarray | None:
    """The homography of a camera that turned, where it explains far more matches than a rigid motion does."""
    found, inliers = cv2.findHomography(source, target, cv2.RANSAC, 2.0, maxIters=4000, confidence=0.999)
    if found is None or int(inliers.sum()) < max(2 * MIN_MATCHES, TURNED_GAIN * agreeing):
        return None
    centre = source.mean(0)
    around = centre + np.array([[-50.0, 0], [50, 0], [0, -50], [0, 50]])
    placed = cv2.perspectiveTransform(around[None], found)[0]
    lengths = [np.hypot(*(placed[1] - placed[0])) / 100, np.hypot(*(placed[3] - placed[2])) / 100]
    plausible = all(abs(length - 1) < TURNED_STRETCH for length in lengths)
    return np.asarray(found, np.float64) if plausible else None


def _rigid(source: np.ndarray, target: np.ndarray) -> np.ndarray:
    """Least-squares rotation and shift (Kabsch 1976)."""
    centre_s, centre_t = source.mean(0), target.mean(0)
    u, _, vt = np.linalg.svd((source - centre_s).T @ (target - centre_t))
    rotation = vt.T @ np.diag([1.0, np.sign(np.linalg.det(vt.T @ u.T))]) @ u.T
    matrix = np.eye(3)
    matrix[:2, :2], matrix[:2, 2] = rotation, centre_t - rotation @ centre_s
    return matrix


def _polish(one: Detail, other: Detail, rough: np.ndarray) -> np.ndarray | str:
    """Refine a rough frame-to-reference motion from both sides, or say why the two do not agree."""
    size = one.values.shape[1], one.values.shape[0]
    there = overlay(one, other, np.linalg.inv(rough))
    back = overlay(other, one, rough)
    is_near = corner_motion(rough, size) < NEAR_PX
    if there is None or back is None:
        if is_near:
            return rough
        return "too little of it is exposed like the reference to be laid over it"
    forward, backward = np.linalg.inv(there.reference_to_frame), back.reference_to_frame
    apart = corner_motion(forward @ np.linalg.inv(backward), size)
    doubt = max(there.doubt_px, back.doubt_px)
    if apart > TWO_WAY_PX or min(there.left_px, back.left_px) > LEFT_PX or doubt > DOUBT_PX:
        if is_near:
            return rough
        return "no single motion lays it over the reference"
    middle = (forward / forward[2, 2] + backward / backward[2, 2]) / 2
    return middle / middle[2, 2]


def _motion(matrix: np.ndarray, size: tuple[int, int]) -> tuple[float, float]:
    """Shift of the centre in px and rotation in degrees."""
    centre = np.array([(size[0] - 1) / 2, (size[1] - 1) / 2, 1.0])
    shift = (matrix @ centre - centre)[:2]
    return float(np.hypot(*shift)), float(np.degrees(np.arctan2(matrix[1, 0], matrix[0, 0])))


def _is_blurred(
    reference: np.ndarray, other: np.ndarray, matrix: np.ndarray, *, scale: float, ev: float
) -> bool:
    """Whether the second frame lacks fine detail that the first one shows, in any direction."""
    size = (round(reference.shape[1] * scale), round(reference.shape[0] * scale))
    one, two = (
        x if scale == 1 else cv2.resize(x, size, interpolation=cv2.INTER_AREA) for x in (reference, other)
    )
    if not np.allclose(matrix, np.eye(3)):
        two = cv2.warpPerspective(two, matrix, size, flags=cv2.INTER_CUBIC, borderValue=(1, 1, 1))
    return fine_left(one, two, ev=ev)[0] < SHARP_LEFT


def _agreement(
    one: tuple[np.ndarray, np.ndarray], other: tuple[np.ndarray, np.ndarray], matrix: np.ndarray
) -> float:
    """Correlation of the gradients after alignment, where both frames are well exposed."""
    size = one[0].shape[1], one[0].shape[0]
    grey, usable = other
    if not np.allclose(matrix, np.eye(3)):
        grey = cv2.warpPerspective(grey, matrix, size, flags=cv2.INTER_LINEAR)
        usable = cv2.warpPerspective(usable, matrix, size, flags=cv2.INTER_NEAREST)
    both = (one[1] & usable) > 0
    if both.mean() < 0.05:
        return 0.0
    a, b = _gradients(one[0])[both], _gradients(grey)[both]
    return float(np.corrcoef(a, b)[0, 1]) if a.std() > 0 and b.std() > 0 else 0.0
