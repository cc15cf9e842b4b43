"""Does a lens's known curve straighten this very picture? Against no curve, and against any curve at all.

A file may name a lens whose curve the camera has taken out already, may be cut from a larger frame, or the
database may know another copy of the lens. Its own lines tell: with the right curve they agree, and a free
fit from there finds little more.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from .lens_curve import NO_CURVE, TERMS, Curve, fit_form
from .lens_lines import Prior, complexity
from .results import NotFound
from .room_fit import RoomFit, View, fit_rooms

# Log likelihoods by edges and segments of drawn rooms with 28 lenses: gain over no curve, and what a free fit
# finds better. The right curve: 19 to 800, below -6. One taken out before: below -10, 5 to 300. Wrong lenses
# and frames cut to 70 %: up to 80; better from -4, above 0 wherever they would bend lines by .3 % of the
# height. A picture without lines comes to 0 and 0.
LEAST_GAIN = -3.0
LEAST_GAIN_DEVELOPED = 3.0  # a camera may have straightened its JPEG: there the lines must ask for the curve
MOST_BETTER = -0.6
SURE_GAIN, SURE_BETTER = 10.0, -4.6  # by segments alone, before the longer search for edges
FREE_ROUNDS = (1.0, 1.0, 1.0)


@dataclass(frozen=True)
class Check:
    """What a picture's lines say of a known curve."""

    fit: RoomFit
    gain: float  # over no curve
    better: float  # of the best curve over this one, less what its freedom is worth

    @property
    def is_sure(self) -> bool:
        """Certain enough to spare the longer search."""
        return self.gain > SURE_GAIN and self.better < SURE_BETTER

    def objection(self, name: str, *, developed: bool) -> NotFound | None:
        """Why the curve is not kept, or None."""
        words = f"(evidence {self.gain:.0f})"
        if self.gain < LEAST_GAIN:
            return NotFound(f"{name} bends this picture's lines {words}")
        if self.better > MOST_BETTER:
            return NotFound(f"another curve than {name} straightens this picture {words}")
        if developed and self.gain < LEAST_GAIN_DEVELOPED:
            return NotFound(f"the camera may have taken {name}'s curve out already {words}")
        return None


def fit_under(view: View, curve: Curve, prior: Prior) -> RoomFit:
    """Fit one picture's level and focal length under a known curve."""
    return fit_rooms([view], np.zeros(TERMS), prior, fixed=curve)


def check(view_under: Callable[[Curve], View], curve: Curve, prior: Prior) -> Check:
    """Fit one picture under the curve, under none, and free from there.

    Parameters
    ----------
    view_under : the picture's view with its axes found under a curve
    curve : from the lens database
    prior : of the free fit
    """
    view = view_under(curve)
    known = fit_under(view, curve, prior)
    none = fit_rooms([view_under(NO_CURVE)], np.zeros(TERMS), prior, fixed=NO_CURVE, reference=known)
    start = fit_form(curve)
    better = 0.0
    if start is not None:
        there = replace(view, axes=known.views[0].axes, focal=known.views[0].focal)
        free = fit_rooms([there], start, prior, reference=known, rounds=FREE_ROUNDS)
        better = known.cost - free.cost - complexity(free.coefficients, free.covariance, prior)
    return Check(known, none.cost - known.cost, better)
