"""One curve for pictures of one lens setting from their own lines, from as many starts as it takes.

Where the lines meet hangs on the focal length: a file that does not tell it, or that was cut from a larger
frame, makes a single start end in a wrong valley. So other focal lengths are tried, and the answer that
explains the lines best is kept.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from . import lens_lines
from .edges import Edges
from .lens_curve import NO_CURVE, TERMS, Curve, fitted_curve
from .lens_lines import Prior
from .results import NotFound
from .room_fit import FOCAL_SIGMA, RoomFit, View, ViewFit, fit_rooms

# 24 mm times or by this: 17 and 34 mm, the ends of wide zooms; a frame cut to 70 % looks 1.43 times longer
STRETCHES = (0.7, 1.43)
# log likelihood by which another focal length must beat the one that the file tells: without, with a level
CLEARLY_BETTER = (2.0, 6.0)
FEWEST_LINES = 40  # segments of a picture that are worth another start

ViewUnder = Callable[[Curve, float, float | None], list[View]]


@dataclass(frozen=True)
class Search:
    """The curve, or why none is kept, and every picture's fit under it (or under none)."""

    curve: Curve | NotFound
    views: list[ViewFit]
    bow_percent: float
    evidence: float


def search(
    edges: Sequence[Edges],
    views_under: ViewUnder,
    is_level: Callable[[RoomFit], bool],
    *,
    size: tuple[int, int],
    is_guess: bool,
) -> Search:
    """Fit one curve to all pictures of a lens setting.

    Parameters
    ----------
    edges : of each picture
    views_under : the pictures' views under a curve, with their focal lengths stretched, and the focal
        length's own uncertainty (None keeps what each file allows)
    is_level : whether a fit gives at least one picture a level that can be believed
    size : (width, height) of the frame
    is_guess : the files do not tell the focal length

    Returns
    -------
    Search
    """
    first = lens_lines.first_guess(edges, lens_lines.load_priors()[-1])
    found = _from(first, views_under, is_level, size, 1.0, None)
    if not is_guess and (found.is_settled or max(len(v.segments) for v in found.started) < FEWEST_LINES):
        return found.search
    others = [t for t in _others(found, first, views_under, is_level, size) if t.is_settled]
    if not is_guess:
        others = [t for t in others if t.cost < found.cost - CLEARLY_BETTER[found.is_level]]
    elif not found.is_settled and others:
        return min(others, key=lambda t: t.cost).search
    return min([found, *others], key=lambda t: t.cost).search


@dataclass(frozen=True)
class _Try:
    search: Search
    started: list[View]
    is_level: bool
    cost: float  # negative log likelihood of lines, lens and focal lengths
    fit: RoomFit

    @property
    def is_settled(self) -> bool:
        return self.is_level and isinstance(self.search.curve, Curve)


def _others(
    found: _Try,
    first: np.ndarray,
    views_under: ViewUnder,
    is_level: Callable[[RoomFit], bool],
    size: tuple[int, int],
) -> Iterator[_Try]:
    for stretch in STRETCHES:
        yield _from(first, views_under, is_level, size, stretch, found.fit)


def _from(
    first: np.ndarray,
    views_under: ViewUnder,
    is_level: Callable[[RoomFit], bool],
    size: tuple[int, int],
    stretch: float,
    reference: RoomFit | None,
) -> _Try:
    """One start: fits of both forms of the curve and of none, and what they come to."""
    sigma = None if stretch == 1.0 else FOCAL_SIGMA["guess"]
    even, ptlens = lens_lines.load_priors()
    views = views_under(fitted_curve(first, source="lines"), stretch, sigma)
    free = fit_rooms(views, first, ptlens, reference=reference)
    reference = reference or free
    plain = fit_rooms(views, first, even, reference=reference)
    none = fit_rooms(
        views_under(NO_CURVE, stretch, sigma), np.zeros(TERMS), ptlens, fixed=NO_CURVE, reference=reference
    )
    costs = [_cost(f, p) for f, p in ((plain, even), (free, ptlens))]
    fit = free if costs[0] - costs[1] > lens_lines.FORM_MARGIN else plain
    levelled = is_level(fit)
    evidence = none.cost - fit.cost
    if levelled:
        curve = lens_lines.decide(fit.coefficients, fit.covariance, evidence, fit.chains, len(views), size)
    else:
        curve = NotFound("no picture has upright and level lines to judge a curve by")
    kept = isinstance(curve, Curve)
    bow = float(np.abs(lens_lines.bow_percent(fit.coefficients, size)).max())
    answer = Search(curve, fit.views if kept else none.views, bow, evidence)
    away = [np.log(v.focal / s.focal) / s.focal_sigma for v, s in zip(fit.views, views, strict=True)]
    return _Try(answer, views, levelled, min(costs) + 0.5 * float(np.log1p(np.square(away)).sum()), fit)


def _cost(fit: RoomFit, prior: Prior) -> float:
    return fit.cost + lens_lines.complexity(fit.coefficients, fit.covariance, prior)
