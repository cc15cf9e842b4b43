"""Several exposures of one view become one linear scene.

The scene is in the reference's exposure: 1.0 is where the reference clips, and the darkest frame carries on
above it. Exposures are merged by what they know (noise and clipping), never by how they look.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from .arrays import luminance, require_rgb
from .results import NotFound

READ_NOISE = (
    1.2e-3  # of the clipping level; typical 14-bit sensor, only the balance between frames hangs on it
)
SHOT_NOISE = 1.5e-4  # variance per unit of linear level, ditto
FADE_FROM, FADE_TO = 0.80, 0.94  # of the clipping level: a frame's say falls from full to none
MOVING_EV = 0.25  # disagreement between exposures that counts as motion (log2)
MASK_WIDTH = 900  # px; kernel sizes of the motion mask belong to it
LEAST_STEP = 0.005  # of the clipping level: smaller steps are noise and rounding
LEAST_MOVED = 2.5e-4  # of the frame: smaller spots are edges that do not quite meet
KNOWN_SHARE = 0.6  # of a level's pixels that must be exposed well in both frames to tell its response
HELD_MARGIN_PX = 9  # soft borders and motion blur round what moved are held too, at MASK_WIDTH


@dataclass(frozen=True)
class Merged:
    """One linear scene.

    Attributes
    ----------
    rgb_linear : (H, W, 3) float32, in the reference's exposure
    clip_level : float, where the darkest frame clips
    moving : (H, W) bool, taken from one frame
    """

    rgb_linear: np.ndarray
    clip_level: float
    moving: np.ndarray


class Merger:
    """Running weighted mean over frames, in bands of rows, in 8 bytes a pixel.

    The mean is kept as square roots in 16 bit: relative steps stay below .2 % from the brightest lamp to
    twelve stops under it. Add the reference first.

    Parameters
    ----------
    size : (width, height)
    clip_level : float
        Where the darkest frame clips, in units of the reference's clipping level.
    """

    def __init__(self, size: tuple[int, int], *, clip_level: float = 1.0) -> None:
        self.clip_level = float(clip_level)
        self._mean = np.zeros((size[1], size[0], 3), np.uint16)
        self._weight = np.zeros((size[1], size[0]), np.float16)
        self._scale = np.float32(65535 / np.sqrt(self.clip_level * 1.05))

    def add(
        self,
        row0: int,
        rgb_linear: np.ndarray,
        *,
        ev: float,
        is_darkest: bool = False,
        held: np.ndarray | None = None,
        is_holder: bool = False,
        valid: np.ndarray | None = None,
    ) -> None:
        """Add one frame's band of rows, already in the reference's geometry.

        Parameters
        ----------
        row0 : first row of the band
        rgb_linear : (H, W, 3) float32
            1.0 = this frame's own clipping level.
        ev : float
            Stops by which this frame is brighter than the reference.
        is_darkest : bool
            Its word is final where all others clip.
        held : (H, W) float32 in 0..1, optional
            Where things moved: 1 takes the pixel from the holder alone.
        is_holder : bool
            This frame is the one that moving things are taken from.
        valid : (H, W) bool, optional
            False where the frame does not reach (aligned frames leave edges open).
        """
        weight = frame_weight(rgb_linear, ev=ev, is_darkest=is_darkest)
        if held is not None:
            if is_holder:  # unless it is clipped there
                weight = weight + held * np.float32(1e3) * exposedness(rgb_linear)
            else:
                weight = weight * np.maximum((1 - held) ** 4, np.float32(1e-4))
        if valid is not None:
            weight = np.where(valid, weight, 0)
        rows = slice(row0, row0 + rgb_linear.shape[0])
        known = self._weight[rows].astype(np.float32)
        total = np.minimum(known + weight, 6e4)
        share = (weight / np.maximum(known + weight, 1e-9))[..., None]
        old = (self._mean[rows].astype(np.float32) / self._scale) ** 2
        scene = np.clip(rgb_linear * np.float32(2.0**-ev), 0, self.clip_level * 1.05)
        mean = old + (scene - old) * share
        self._mean[rows] = (np.sqrt(mean) * self._scale + 0.5).astype(np.uint16)
        self._weight[rows] = total.astype(np.float16)

    def rows(self, row0: int, row1: int) -> np.ndarray:
        """Merged rows as linear float32 in the reference's exposure."""
        return (self._mean[row0:row1].astype(np.float32) / self._scale) ** 2


def frame_weight(rgb_linear: np.ndarray, *, ev: float, is_darkest: bool) -> np.ndarray:
    """Say of one frame per pixel: the inverse variance of its scene estimate, none where it clips."""
    top = rgb_linear.max(-1)
    variance = READ_NOISE**2 + SHOT_NOISE * np.clip(top, 0, 1)
    weight = np.float32(4.0**ev) * np.float32(READ_NOISE**2) / variance
    # where all are clipped the darkest alone must speak: mixed with the others a lamp would look unclipped
    floor = np.float32(1e-4 if is_darkest else 1e-7)
    return weight * np.maximum(exposedness(rgb_linear), 1e-3 if is_darkest else 0.0) + floor


def exposedness(rgb_linear: np.ndarray) -> np.ndarray:
    """1 where no channel is near clipping, falling smoothly to 0."""
    share = np.clip((FADE_TO - rgb_linear.max(-1)) / np.float32(FADE_TO - FADE_FROM), 0, 1)
    return share * share * (3 - 2 * share)


def merge(frames: Sequence[np.ndarray], evs: Sequence[float], *, reference: int = 0) -> Merged:
    """Merge aligned frames held in memory; used for analysis and small pictures.

    Parameters
    ----------
    frames : (H, W, 3) float32 each, 1.0 = own clipping level, in the reference's geometry
    evs : stops by which each is brighter than the reference
    reference : index of the reference

    Returns
    -------
    Merged
    """
    for frame in frames:
        require_rgb(frame, name="frames", dtypes=(np.float32,))
    darkest = int(np.argmin(evs))
    height, width = frames[0].shape[:2]
    merger = Merger((width, height), clip_level=2.0 ** -min(evs))
    others = [i for i in range(len(frames)) if i != reference]
    moving = find_moving(frames[reference], [frames[i] for i in others], [evs[i] for i in others])
    held = held_mask(moving, (width, height))
    for i in [reference, *others]:
        merger.add(0, frames[i], ev=evs[i], is_darkest=i == darkest, held=held, is_holder=i == reference)
    return Merged(merger.rows(0, height), merger.clip_level, moving)


def exposure_difference(reference: np.ndarray, other: np.ndarray) -> float:
    """Stops by which `other` is brighter, from the pictures alone.

    The median of log2 ratios where both frames are well exposed; when they hardly overlap, the ratio at
    which one's dark end meets the other's bright end.
    """
    a, b = luminance(reference), luminance(other)
    good = (reference.max(-1) < 0.9) & (other.max(-1) < 0.9) & (a > 0.004) & (b > 0.004)
    if good.mean() > 0.01:
        return float(np.median(np.log2(b[good] / a[good])))
    return float(np.log2(max(float(np.median(b)), 1e-4) / max(float(np.median(a)), 1e-4)))


def refine_difference(reference: np.ndarray, other: np.ndarray, *, told_ev: float) -> float:
    """The measured exposure difference where it is near the one told by EXIF, else the told one.

    Shutters and apertures are off by up to a sixth of a stop; edges between exposures show it.
    """
    measured = exposure_difference(reference, other)
    return measured if abs(measured - told_ev) < 0.25 else told_ev


def find_moving(reference: np.ndarray, others: Sequence[np.ndarray], evs: Sequence[float]) -> np.ndarray:
    """Mask of things that moved between the frames.

    Parameters
    ----------
    reference, others : (H, W, 3) float32, aligned, 1.0 = own clipping level
    evs : stops by which each of `others` is brighter than the reference

    Returns
    -------
    (H, W) bool
    """
    height, width = reference.shape[:2]
    scale = min(1.0, MASK_WIDTH / width)
    size = (max(1, round(width * scale)), max(1, round(height * scale)))
    ref = cv2.resize(reference, size, interpolation=cv2.INTER_AREA) if scale < 1 else reference
    found = np.zeros((size[1], size[0]), np.uint8)
    for other, ev in zip(others, evs, strict=True):
        frame = cv2.resize(other, size, interpolation=cv2.INTER_AREA) if scale < 1 else other
        found |= _disagreement(ref, frame, ev)
    if scale < 1:
        return cv2.resize(found, (width, height), interpolation=cv2.INTER_NEAREST) > 0
    return found > 0


def _disagreement(ref: np.ndarray, frame: np.ndarray, ev: float) -> np.ndarray:
    """Places where two exposures contradict each other beyond noise, as uint8."""
    scene_ref, scene = (cv2.GaussianBlur(x, (0, 0), 1.2) for x in (ref, frame * np.float32(2.0**-ev)))
    near = np.ones((7, 7), np.uint8)  # the blur carries clipped values this far
    clipped = np.maximum(ref.max(-1), frame.max(-1)) >= 0.93
    both = cv2.dilate(clipped.astype(np.uint8), near) == 0
    coarser = np.float32(max(1.0, 2.0**-ev))  # the darker frame's steps, in the reference's exposure
    floor = np.float32(1e-3) * coarser
    ratio = np.log2((np.maximum(scene, 0) + floor) / (np.maximum(scene_ref, 0) + floor))
    ratio = np.abs(_less_response(ratio, luminance(scene_ref), both))
    ratio = np.where(np.abs(scene - scene_ref) > np.float32(LEAST_STEP) * coarser, ratio, 0).max(-1)
    told = np.where(both, ratio, 0)
    # clipped in one although the other says it cannot be
    predicted, predicted_ref = scene_ref.max(-1) * 2.0**ev, scene.max(-1)
    told = np.where((frame.max(-1) > 0.97) & (predicted < 0.7) & (ref.max(-1) < 0.93), 1, told)
    told = np.where((ref.max(-1) > 0.97) & (predicted_ref < 0.7) & (frame.max(-1) < 0.93), 1, told)
    # not clipped in one channel although the other says that it must be
    fell = ((frame < 0.8) & (scene_ref * 2.0**ev > 1.25)) | ((ref < 0.8) & (scene > 1.25))
    fell = cv2.erode(fell.max(-1).astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    return _whole_things(((told > MOVING_EV) | fell).astype(np.uint8))


def _whole_things(mask: np.ndarray) -> np.ndarray:
    """Specks and thin lines taken out, gaps and enclosed holes closed."""
    mask = cv2.morphologyEx(mask, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (13, 13))
    mask = cv2.morphologyEx(mask, cv2.MORPH_CLOSE, disc)
    mask = cv2.morphologyEx(mask, cv2.MORPH_OPEN, np.ones((5, 5), np.uint8))
    outlines, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    whole = np.zeros_like(mask)
    for outline in outlines:
        if cv2.contourArea(outline) > LEAST_MOVED * mask.size:
            cv2.drawContours(whole, [outline], -1, 1, -1)
    return cv2.erode(whole, np.ones((3, 3), np.uint8))  # the smoothing before widened it by that


def held_mask(moving: np.ndarray, size: tuple[int, int]) -> np.ndarray:
    """A mask of what moved, brought to `size` with its soft borders inside, float32 in 0..1."""
    margin = max(1, round(HELD_MARGIN_PX * moving.shape[1] / MASK_WIDTH)) // 2 * 2 + 1
    wide = cv2.dilate(moving.astype(np.uint8), np.ones((margin, margin), np.uint8)).astype(np.float32)
    enlarged = cv2.resize(wide, size, interpolation=cv2.INTER_LINEAR)
    return cv2.GaussianBlur(enlarged, (0, 0), 1.5)


def _less_response(ratio: np.ndarray, level: np.ndarray, usable: np.ndarray) -> np.ndarray:
    """Take out what hangs on the level alone: a file's tone curve, a shutter that is a little off.

    What moved is a small part of each level, so the level's median is the still part's. It is not where most
    of a level is clipped or black in the other frame: there, the next level that is known speaks.
    """
    if usable.sum() < 2000:
        return ratio
    logs = np.log2(np.maximum(level, 2.0**-10))
    inside = logs[usable]
    edges = np.unique(np.percentile(inside, np.linspace(0, 100, 13)))
    if len(edges) < 4:
        return ratio - np.median(ratio[usable], axis=0)
    middles = (edges[:-1] + edges[1:]) / 2
    place = np.clip(np.searchsorted(edges, inside) - 1, 0, len(middles) - 1)
    shown = np.histogram(logs, edges)[0]
    known = np.bincount(place, minlength=len(middles)) > KNOWN_SHARE * shown
    if not known.any():
        return ratio - np.median(ratio[usable], axis=0)
    medians = np.array([np.median(ratio[usable][place == k], axis=0) for k in np.nonzero(known)[0]])
    told = np.stack([np.interp(logs, middles[known], medians[:, c]) for c in range(3)], -1)
    return ratio - told.astype(np.float32)


def find_view(rgb_linear: np.ndarray) -> np.ndarray | NotFound:
    """Mask of the view through windows: large, far brighter than the room, cool or clipped.

    Returns
    -------
    (H, W) bool, or NotFound where nothing is much brighter than the room
    """
    level = np.log2(np.maximum(luminance(rgb_linear), 2.0**-12))
    room = float(np.percentile(level, 60))
    bright = (level > min(room + 1.5, -0.15)).astype(np.uint8)
    bright = cv2.morphologyEx(bright, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    count, labels, stats, _ = cv2.connectedComponentsWithStats(bright, connectivity=8)
    view = np.zeros(level.shape, bool)
    for k in range(1, count):
        part = labels == k
        red, _, blue = np.median(rgb_linear[part], axis=0)
        if stats[k, cv2.CC_STAT_AREA] > 0.002 * level.size and blue > 0.75 * red:
            view |= part
    return view if view.any() else NotFound("nothing in the frame is much brighter than the room")
