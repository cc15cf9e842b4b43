"""One curve for pictures of one lens setting from their own lines, from as many starts as it takes.

Where lines meet hangs on the focal length and on where the optical axis went through the frame: a file that
does not tell the one, or that was cut from a larger frame, makes a single start end in a wrong valley. So
others are tried, and the answer that explains the lines best is kept.

The bow of the lines alone tells where a lens's centre lies, within a tenth of the half diagonal. Of drawn
rooms it lies within .09 of the middle of whole frames, and mostly farther off in frames cut at one side.
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
FAR_SIGMA = 0.2  # half diagonals: windows of 70 % placed anywhere have their axis .21 and .14 off
# log odds against a cut before the lines are seen: where the file denies it, says nothing, or shows it
CUT_COST = {True: 3.0, None: 3.0, False: 0.0}
# forms of the curve (0 even powers, 1 ptlens) and half diagonals of the prior by which bow puts the axis; the
# first is asked whether a frame may be cut at all
GUESSED_BY = ((0, FAR_SIGMA), (1, FAR_SIGMA), (0, FAR_SIGMA / 2))
CENTRED = 0.08  # half diagonals: bow that puts the axis so near says that the frame is not cut at one side
ASKS, SAYS_NOTHING = 0.18, 0.47  # half diagonals: an axis so far off is looked into; at its limit it is none
SAME_SHIFT = 0.03
AGAIN = 2  # axes are found anew about a shift that was fitted
# log likelihood by which another focal length must beat the one that the file tells: without, with a level
CLEARLY_BETTER = (2.0, 6.0)
SHORT = ROUNDS[:3]  # enough to rank starts
ROUGH, FAR = 1.5, 3.0  # noise, standard deviations of the focal length: beyond, a first answer is doubted
FEWEST_LINES = 40  # segments of a picture that are worth another start


@dataclass(frozen=True)
class Start:
    """Where a fit begins: focal lengths times `stretch`, the axis at `shift`; None keeps the uncertainty that
    each file allows.
    """

    stretch: float = 1.0
    focal_sigma: float | None = None
    shift_sigma: float = 0.0
    shift: tuple[float, float] = (0.0, 0.0)

    @property
    def is_far(self) -> bool:
        """The axis may lie as far off the centre as in a frame cut at one side."""
        return self.shift_sigma >= FAR_SIGMA


OPEN = FOCAL_SIGMA["guess"]
AS_TOLD = Start()
GUESSED = (
    *(Start(stretch, OPEN) for stretch in GUESSES),
    *(Start(stretch, OPEN, SHIFT_SIGMA) for stretch in GUESSES[::2]),
)
MAYBE_CUT = (Start(1.0, None, SHIFT_SIGMA), Start(CUT, OPEN), Start(CUT, OPEN, SHIFT_SIGMA))
FAR_CUT = (1.0, CUT)  # stretches from which an axis far off the centre is looked for
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
    is_whole: bool | None = None,
) -> Search:
    """Fit one curve to all pictures of a lens setting.

    Parameters
    ----------
    edges : of each picture
    views_under : the pictures' views under a curve, from a start
    is_level : whether a fit gives at least one picture a level that can be believed
    size : (width, height) of the frame
    is_guess : the files do not tell the focal length
    is_whole : the files show that the frames are all that the lens drew, or (False) that they are cut
    """
    first = lens_lines.first_guess(edges, lens_lines.load_priors()[-1])
    told = _try(first, views_under, AS_TOLD)

    @cache
    def found() -> Search:
        return _settle(told, views_under, is_level, size)

    at_will = is_guess or is_whole is False  # the file says nothing that would have to be overruled
    few = max(len(v.segments) for v in told.views) < FEWEST_LINES
    far = _Far(edges, first) if not few and is_whole is not True else None
    may_be_cut = is_whole is False or (far is not None and far.asks)
    if not is_guess and (few or (not told.is_doubtful and not may_be_cut and found().is_settled)):
        return found()
    starts = [(first, start) for start in (GUESSED if is_guess else MAYBE_CUT)]
    if far is not None and (at_will or not far.is_centred):
        starts += far.starts(GUESSES[::2] if is_guess else FAR_CUT)
    tried = [told, *(_try(guess, views_under, start, SHORT) for guess, start in starts)]
    noises = [min(several) for several in zip(*(t.fit.noises for t in tried), strict=True)]
    costs = [t.cost(noises, CUT_COST[is_whole]) for t in tried]
    best = int(np.argmin(costs))
    gain = costs[0] - costs[best]
    if best == 0 or (not at_will and (gain < min(CLEARLY_BETTER) or gain < CLEARLY_BETTER[found().is_level])):
        return found()
    other = _settle(_from(tried[best], views_under), views_under, is_level, size)
    # a centred answer may be disproved though none is proved: then the picture keeps its bow
    is_disproved = tried[best].start.is_far and gain > max(CLEARLY_BETTER)
    return other if other.is_settled or is_disproved or (is_guess and other.is_level) else found()


class _Far:
    """Where the axis of a frame cut at one side may lie, by the bow of its edges alone."""

    def __init__(self, edges: Sequence[Edges], first: np.ndarray) -> None:
        self._edges, self._first = edges, first
        self._nearest = self._guess(*GUESSED_BY[0])

    @property
    def asks(self) -> bool:
        """Worth a closer look, whatever the centred fit says."""
        return bool(ASKS < np.hypot(*self._nearest[1]) < SAYS_NOTHING)

    @property
    def is_centred(self) -> bool:
        """Nothing to be looked for."""
        return bool(np.hypot(*self._nearest[1]) < CENTRED)

    def starts(self, stretches: Sequence[float]) -> list[tuple[np.ndarray, Start]]:
        """Coefficients and starts, each place of the axis once."""
        kept: list[tuple[np.ndarray, tuple[float, float]]] = []
        for k, (x, y) in [self._nearest, *(self._guess(*by) for by in GUESSED_BY[1:])]:
            if all(np.hypot(x - u, y - v) > SAME_SHIFT for _, (u, v) in kept):
                kept.append((k, (x, y)))
        return [(k, Start(stretch, OPEN, FAR_SIGMA, shift)) for stretch in stretches for k, shift in kept]

    def _guess(self, form: int, sigma: float) -> tuple[np.ndarray, tuple[float, float]]:
        return lens_lines.off_centre(self._edges, lens_lines.load_priors()[form], self._first, sigma)


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

    def cost(self, noises: Sequence[float], cut_cost: float) -> float:
        """Negative log likelihood of lines, lens, focal lengths and shifts; any shift adds `cut_cost`."""
        prior = lens_lines.load_priors()[-1]
        lens = lens_lines.complexity(self.fit.coefficients, self.fit.covariance, prior)
        sigma = np.array([v.focal_sigma for v in self.views])
        away = 0.5 * float(np.log1p((self.fit.own[:, 3] / sigma) ** 2).sum())
        if self.start.shift_sigma:
            away += self.fit.shift_cost + cut_cost
        return cost_under(self.fit, self.views, noises) + lens + away


def _try(first: np.ndarray, views_under: ViewsUnder, start: Start, rounds: Sequence[float] = ROUNDS) -> _Try:
    views = views_under(replace(fitted_curve(first, source="lines"), offset=start.shift), start)
    return _Try(first, start, views, fit_rooms(views, first, lens_lines.load_priors()[-1], rounds=rounds))


def _from(tried: _Try, views_under: ViewsUnder) -> _Try:
    """The whole fit from a start that did best; far off the centre from where the short one ended."""
    if not tried.start.is_far:
        return _try(tried.first, views_under, tried.start)
    for _ in range(AGAIN):
        fit = tried.fit
        x, y = np.mean([v.shift for v in fit.views], 0)
        stretch = tried.start.stretch * float(np.exp(fit.own[:, 3].mean()))
        start = replace(tried.start, stretch=stretch, shift=(float(x), float(y)))
        tried = _try(fit.coefficients, views_under, start)
    return tried


def _settle(tried: _Try, views_under: ViewsUnder, is_level: IsLevel, size: tuple[int, int]) -> Search:
    """Compare both forms of the curve and none, and decide whether a curve is kept."""
    even, ptlens = lens_lines.load_priors()
    free = tried.fit
    plain = fit_rooms(tried.views, tried.first, even, reference=free)
    worth = [
        lens_lines.complexity(f.coefficients, f.covariance, p) for f, p in ((plain, even), (free, ptlens))
    ]
    costs = [f.cost + f.shift_cost + w for f, w in zip((plain, free), worth, strict=True)]
    is_free = costs[0] - costs[1] > lens_lines.FORM_MARGIN
    fit = free if is_free else plain
    none = _without_curve(tried, views_under, fit)
    levelled = is_level(fit)
    evidence = none.cost + none.shift_cost - fit.cost - fit.shift_cost
    curve: Curve | NotFound = NotFound("no picture has upright and level lines to judge a curve by")
    if levelled:
        curve = _decided(fit, evidence, worth[1 if is_free else 0], size)
    kept = isinstance(curve, Curve)
    bow = float(np.abs(lens_lines.bow_percent(fit.coefficients, size)).max())
    return Search(
        curve, fit.views if kept else none.views, bow, evidence, levelled if kept else is_level(none)
    )


def _decided(fit: RoomFit, evidence: float, freedom: float, size: tuple[int, int]) -> Curve | NotFound:
    """The curve when it is certain in every picture; where the axis is open, its place has a say too."""
    decided = [
        lens_lines.decide(
            fit.coefficients,
            fit.covariance if v.bend_covariance is None else v.bend_covariance,
            evidence,
            freedom,
            chains=fit.chains,
            pictures=len(fit.views),
            size=size,
            shift=v.shift,
        )
        for v in fit.views
    ]
    return next((d for d in decided if not isinstance(d, Curve)), decided[0])


def _without_curve(tried: _Try, views_under: ViewsUnder, fit: RoomFit) -> RoomFit:
    """The best fit without a curve: from the lines as they are, or from where the curve's fit ended.

    From a start of its own alone it may end in another valley, whose cost says nothing of the curve.
    """
    flat = views_under(NO_CURVE, tried.start)
    there = [
        replace(v, axes=f.true_axes, focal=f.focal, shift=f.shift) if f.axes is not None else v
        for v, f in zip(flat, fit.views, strict=True)
    ]
    starts = (flat, there)
    prior = lens_lines.load_priors()[-1]
    fits = [fit_rooms(v, np.zeros(TERMS), prior, fixed=NO_CURVE, reference=fit) for v in starts]
    return min(fits, key=lambda f: f.cost + f.shift_cost)
