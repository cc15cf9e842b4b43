"""Pictures of circular fisheye lenses: a round picture on a dark frame."""

import numpy as np

from .lens_curve import frame

RAYS = 180
DARK_SHARE = 0.3  # of the inside's brightness, display-like grey: flare lights up the surround
STEP_PX = 2.0
AGREES = 0.04  # of the radius
FEWEST_RAYS = 0.25  # the frame may cut the circle at top and bottom
LEAST_AGREEING = 0.85
DARK_CORNERS = 3  # of four
STEEP = 0.5  # brightness just outside over just inside: a lens's fall-off is gentler than a circle's border
SMALLEST, LARGEST = 0.3, 0.97  # half diagonals


def find_circle(grey_u8: np.ndarray) -> float | None:
    """Radius of a picture circle inside the frame, half diagonals, or None when the frame is filled.

    Every ray from the centre that leaves the circle inside the frame must turn dark at the same radius and
    stay dark.

    Parameters
    ----------
    grey_u8 : (h, w) uint8 array, display-like
    """
    height, width = grey_u8.shape
    inside = float(np.median(grey_u8[height // 4 : -height // 4 : 8, width // 4 : -width // 4 : 8]))
    top, left = max(1, height // 40), max(1, width // 40)
    corners = [grey_u8[y, x] for y in (np.s_[:top], np.s_[-top:]) for x in (np.s_[:left], np.s_[-left:])]
    dark = sum(float(np.median(corner)) < DARK_SHARE * inside for corner in corners)
    if inside < 16 or dark < DARK_CORNERS:
        return None
    angles = np.arange(RAYS) / RAYS * 2 * np.pi
    way = np.stack([np.cos(angles), np.sin(angles)], 1)
    with np.errstate(divide="ignore"):
        reach = np.min(np.array([(width - 1) / 2, (height - 1) / 2]) / np.abs(way), 1)
    centre, half = frame((width, height))
    found = np.full(RAYS, np.nan)
    for i in range(RAYS):
        r = np.arange(0, reach[i], STEP_PX)
        xy = np.round(centre + r[:, None] * way[i]).astype(int)
        bright = np.flatnonzero(grey_u8[xy[:, 1], xy[:, 0]] > DARK_SHARE * inside)
        if len(bright) and bright[-1] < 0.97 * (len(r) - 1):
            found[i] = r[bright[-1]]
    seen = found[np.isfinite(found)]
    if len(seen) < FEWEST_RAYS * RAYS:
        return None
    radius = float(np.median(seen))
    # every ray long enough to leave the circle has to do so there; a few may meet a lamp's flare
    leaves = reach > radius * (1 + 2 * AGREES)
    agree = np.abs(found[leaves] / radius - 1) < AGREES
    if agree.mean() < LEAST_AGREEING or not SMALLEST < radius / half < LARGEST:
        return None
    beside = [_at(grey_u8, centre + share * radius * way[leaves]) for share in (0.93, 1.05)]
    return radius / half if beside[1] < STEEP * beside[0] else None


def _at(grey_u8: np.ndarray, xy: np.ndarray) -> float:
    """Median of the nearest pixels."""
    height, width = grey_u8.shape
    x, y = np.clip(np.round(xy), 0, (width - 1, height - 1)).astype(int).T
    return float(np.median(grey_u8[y, x]))
