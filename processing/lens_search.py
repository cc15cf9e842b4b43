"""One curve for pictures of one lens setting from their own lines, from as many starts as it takes.

Where lines meet hangs on the focal length and on where the optical axis went through the frame: a file that
does not tell the one, or that was cut from a larger frame, makes a single start end in a wrong valley. So
others are tried, and the answer that explains the lines best is kept.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cache

import numpy as np

from . import lens_lines
from .edges import Edges
from .lens_curve import NO_CURVE, TERMS, Curve, fitted_curve
from .results import NotFound
from .room_fit import FOCAL_SIGMA, ROUNDS, RoomFit, View, ViewFit, cost_under, fit_rooms

GUESSES = (0.7, 0.84, 1.0, 1.2, 1.43)  # times 24 mm: 17 to 34 mm, the ends of wide zooms
CUT = 1.43  # a frame cut to 70 % looks so many times longer than its file tells
SHIFT_SIGMA = 0.03  # half diagonals: crops of levelled pictures lie 0 to .05 off the optical axis
SHIFT_COST = 3.0  # log likelihood by which a shift must explain the lines better
# log likelihood by which another focal length must beat the one that the file tells: without, with a level
CLEARLY_BETTER = (2.0, 6.0)
SHORT = ROUNDS[:3]  # enough to rank starts
ROUGH, FAR = 1.5, 3.0  # noise, standard deviations of the focal length: beyond, a first answer is doubted
FEWEST_LINES = 40  # segments of a picture that are worth another start


@dataclass(frozen=True)
class Start:
    """Where a fit begins: focal lengths times `stretch`; None keeps the uncertainty that each file allows."""

    stretch: float = 1.0
    focal_sigma: float | None = None
    shift_sigma: float = 0.0


OPEN = FOCAL_SIGMA["guess"]
AS_TOLD = Start()
GUESSED = (
    *(Start(stretch, OPEN) for stretch in GUESSES),
    *(Start(stretch, OPEN, SHIFT_SIGMA) for stretch in GUESSES[::2]),
)
MAYBE_CUT = (Start(1.0, None, SHIFT_SIGMA), Start(CUT, OPEN), Start(CUT, OPEN, SHIFT_SIGMA))
ViewsUnder = Callable[[Curve, Start], list[View]]
IsLevel = Callable[[RoomFit], bool]


@dataclass(frozen=True)
class Search:
    """The curve, or why none is kept, and every picture's fit under it (or under none)."""

    curve: Curve | NotFound
    views: list[ViewFit]
    bow_percent: float
    evidence: float
    is_level: bool

    @property
    def is_settled(self) -> bool:
        """A curve is kept."""
        return self.is_level and isinstance(self.curve, Curve)


def search(
    edges: Sequence[Edges],
    views_under: ViewsUnder,
    is_level: IsLevel,
    *,
    size: tuple[int, int],
    is_guess: bool,
) -> Search:
    """Fit one curve to all pictures of a lens setting.

    Parameters
    ----------
    edges : of each picture
    views_under : the pictures' views under a curve, from a start
    is_level : whether a fit gives at least one picture a level that can be believed
    size : (width, height) of the frame
    is_guess : the files do not tell the focal length
    """
    first = lens_lines.first_guess(edges, lens_lines.load_priors()[-1])
    told = _try(first, views_under, AS_TOLD)

    @cache
    def found() -> Search:
        return _settle(told, views_under, is_level, size)

    few = max(len(v.segments) for v in told.views) < FEWEST_LINES
    if not is_guess and (few or (not told.is_doubtful and found().is_settled)):
        return found()
    starts = GUESSED if is_guess else MAYBE_CUT
    tried = [told, *(_try(first, views_under, start, SHORT) for start in starts)]
    noises = [min(several) for several in zip(*(t.fit.noises for t in tried), strict=True)]
    costs = [t.cost(noises) for t in tried]
    best = int(np.argmin(costs))
    gain = costs[0] - costs[best]
    if best == 0 or (
        not is_guess and (gain < min(CLEARLY_BETTER) or gain < CLEARLY_BETTER[found().is_level])
    ):
        return found()
    other = _settle(_try(first, views_under, tried[best].start), views_under, is_level, size)
    return other if other.is_settled or (is_guess and other.is_level) else found()


@dataclass(frozen=True)
class _Try:
    """A start and the fit of the freer form of the curve from there."""

    first: np.ndarray
    start: Start
    views: list[View]
    fit: RoomFit

    @property
    def is_doubtful(self) -> bool:
        """The lines disagree, or ask for another focal length than the files tell."""
        away = [abs(p[3]) / v.focal_sigma for p, v in zip(self.fit.own, self.views, strict=True)]
        return min(self.fit.noises) > ROUGH or min(away) > FAR

    def cost(self, noises: Sequence[float]) -> float:
        """Negative log likelihood of lines, lens, focal lengths and shifts."""
        prior = lens_lines.load_priors()[-1]
        lens = lens_lines.complexity(self.fit.coefficients, self.fit.covariance, prior)
        sigma = np.array([v.focal_sigma for v in self.views])
        away = 0.5 * float(np.log1p((self.fit.own[:, 3] / sigma) ** 2).sum())
        if self.start.shift_sigma:
            away += 0.5 * float(((self.fit.own[:, 4:] / self.start.shift_sigma) ** 2).sum()) + SHIFT_COST
        return cost_under(self.fit, self.views, noises) + lens + away


def _try(first: np.ndarray, views_under: ViewsUnder, start: Start, rounds: Sequence[float] = ROUNDS) -> _Try:
    views = views_under(fitted_curve(first, source="lines"), start)
    return _Try(first, start, views, fit_rooms(views, first, lens_lines.load_priors()[-1], rounds=rounds))


def _settle(tried: _Try, views_under: ViewsUnder, is_level: IsLevel, size: tuple[int, int]) -> Search:
    """Compare both forms of the curve and none, and decide whether a curve is kept."""
    even, ptlens = lens_lines.load_priors()
    free = tried.fit
    plain = fit_rooms(tried.views, tried.first, even, reference=free)
    worth = [
        lens_lines.complexity(f.coefficients, f.covariance, p) for f, p in ((plain, even), (free, ptlens))
    ]
    is_free = plain.cost + worth[0] - free.cost - worth[1] > lens_lines.FORM_MARGIN
    fit = free if is_free else plain
    none = _without_curve(tried, views_under, fit)
    levelled = is_level(fit)
    evidence = none.cost - fit.cost
    curve: Curve | NotFound = NotFound("no picture has upright and level lines to judge a curve by")
    if levelled:
        curve = lens_lines.decide(
            fit.coefficients,
            fit.covariance,
            evidence,
            worth[1 if is_free else 0],
            chains=fit.chains,
            pictures=len(tried.views),
            size=size,
        )
    kept = isinstance(curve, Curve)
    bow = float(np.abs(lens_lines.bow_percent(fit.coefficients, size)).max())
    return Search(
        curve, fit.views if kept else none.views, bow, evidence, levelled if kept else is_level(none)
    )


def _without_curve(tried: _Try, views_under: ViewsUnder, fit: RoomFit) -> RoomFit:
    """The best fit without a curve: from the lines as they are, or from where the curve's fit ended.

    From a start of its own alone it may end in another valley, whose cost says nothing of the curve.
    """
    flat = views_under(NO_CURVE, tried.start)
    there = [
        replace(v, axes=f.axes, focal=f.focal) if f.axes is not None else v
        for v, f in zip(flat, fit.views, strict=True)
    ]
    starts = (flat, there)
    prior = lens_lines.load_priors()[-1]
    fits = [fit_rooms(v, np.zeros(TERMS), prior, fixed=NO_CURVE, reference=fit) for v in starts]
    return min(fits, key=lambda f: f.cost)
