"""All recipes on one joint set of draws, until each is stable; then value, spread, interval and budget."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from ctmeasure.anatomy.landmarks import LandmarkSet
from ctmeasure.anatomy.vocabulary import Side, landmark_terms, structure_terms
from ctmeasure.planning.measurands import batch
from ctmeasure.planning.measurands.batch import Floats
from ctmeasure.planning.measurands.draws import BLOCK_DRAWS, NORMAL_95, SCALE, JointDraws
from ctmeasure.planning.measurands.registry import TUBES, Recipe
from ctmeasure.planning.measurands.scene import Scene
from ctmeasure.progress import Progress, no_progress
from ctmeasure.uncertainty.distance import SHORT_IN_UNCERTAINTIES, distance_cdf, distance_quantile
from ctmeasure.uncertainty.estimate import Contribution, Estimate
from ctmeasure.uncertainty.intervals import coverage_interval
from ctmeasure.uncertainty.monte_carlo import numerical_tolerance

BUDGET_DRAWS = 4000
"""Draws for each line of a budget: its parts are then known to about one percent, and are scaled to their sum."""
NOISE_RADIUS = {3: 2.795483, 2: 2.447747}
"""In units of s: 95 % of the lengths measured where there is no length at all (Maxwell in 3-D, Rayleigh in 2-D)."""
SHORT_FLAGS = {3: "shorter than the placement noise", 2: "smaller than the placement noise"}
COINCIDE_FLAG = "not measured: points that coincide give no direction"
FEW_FLAG = "two or three repeats: uncertainty from quantiles"
TWO_PLACES_FLAG = "two places on the tube are near-equal: the draws jump between them, u and interval do not match"
MATCHING = (0.8, 1.25)
"""Half an interval against 1.96 u: outside these the draws are no longer one hill."""
LOPSIDED = 2.0
"""One half of an interval against the other: beyond this the draws run off to one side."""
NEGLIGIBLE = 0.02
"""A joint (not additive) effect below this part of the standard uncertainty squared gets no line of its own."""
ROUNDING = 1e-9
"""A part below this share of the standard uncertainty is rounding, not an effect."""


@dataclass(frozen=True, eq=False)
class Outcome:
    """One recipe's result: estimate, and its draws with the bias of drawing around the estimate taken off."""

    recipe: Recipe
    estimate: Estimate | None
    samples: Floats
    flags: tuple[str, ...] = ()


@dataclass(eq=False)
class _Tally:
    """Draws of one recipe so far."""

    recipe: Recipe
    value: float
    vector: Floats
    few: bool
    robust: bool
    blocks: list[Floats] = field(default_factory=list)
    summaries: list[tuple[float, ...]] = field(default_factory=list)
    covariance: Floats = field(default_factory=lambda: np.zeros((3, 3)))
    settled: bool = False

    def add(self, scene: Scene, digits: int) -> None:
        drawn, vectors = _scaled(self.recipe, scene)
        if not self.blocks and self.recipe.kind != "signed":
            self.covariance = _covariance(vectors, self.robust)
        self.blocks.append(drawn)
        self.summaries.append(_summary(drawn, self.robust))
        self.settled = _stable(self.summaries, digits)

    @property
    def component_s(self) -> float:
        """Standard deviation per direction of the vector whose length is measured."""
        return float(np.sqrt(np.trace(self.covariance) / _directions(self.recipe)))

    @property
    def short_s(self) -> float:
        """The same, or the one along the measured direction where that is larger."""
        along = float(self.vector @ self.covariance @ self.vector) / max(self.value**2, 1e-30)
        return max(math.sqrt(max(along, 0.0)), self.component_s)


def inverted_interval(value: float, s: float, *, dimensions: int) -> tuple[float, float]:
    """95 % interval of a true length from a measured one, by inverting the distribution of the measured length.

    Parameters
    ----------
    value
        Measured length (mm of a distance, degrees of an angle).
    s
        Standard deviation per direction of the difference, in the same unit; above zero.
    dimensions
        3 for a distance, 2 for an angle.

    Returns
    -------
    low, high
        ``low`` is 0 when even no length at all could read this much. A value below what no length reads half of the
        time gets the upper end of that reading, as in `ctmeasure.uncertainty.distance.distance_interval`, with which
        this agrees for a round covariance in three dimensions.

    Notes
    -----
    Where the scatter is not alike in all directions, ``s`` is the larger of the one along the measured direction and
    the root mean square; the general inversion (one to two orders slower) is left to single distances.

    Example
    -------
    >>> low, high = inverted_interval(0.5, 0.08**0.5, dimensions=3)
    >>> round(low, 3), round(high, 3)
    (0.0, 0.935)
    """
    from scipy.optimize import brentq

    def below(length: float, reading: float) -> float:
        return float(distance_cdf(reading, length, sigma_mm=s, dimensions=dimensions))

    top = value + 8.0 * s
    low = 0.0 if 1.0 - below(0.0, value) >= 0.025 else brentq(lambda d: 0.975 - below(d, value), 0.0, top)
    reading = max(value, distance_quantile(0.5, 0.0, sigma_mm=s, dimensions=dimensions))
    return float(low), float(brentq(lambda d: below(d, reading) - 0.025, 0.0, top))


def _summary(drawn: Floats, robust: bool) -> tuple[float, ...]:
    """Centre, spread and interval ends of one block; from quantiles alone where the variance is infinite."""
    low, high = (float(end) for end in coverage_interval(drawn))
    if robust:
        return float(np.median(drawn)), (high - low) / (2.0 * NORMAL_95), low, high
    return float(drawn.mean()), float(drawn.std(ddof=1)), low, high


def _stable(summaries: list[tuple[float, ...]], digits: int) -> bool:
    """JCGM 101 clause 7.9.4: twice the standard deviation of each average is at most the numerical tolerance."""
    blocks = len(summaries)
    if blocks < 2:
        return False
    table = np.array(summaries)
    scatter = 2.0 * np.std(table, axis=0, ddof=1) / np.sqrt(blocks)
    return bool(np.all(scatter <= numerical_tolerance(float(table[:, 1].mean()), digits)))


def _covariance(vectors: Floats, robust: bool) -> Floats:
    if len(vectors) < 2:
        return np.zeros((3, 3))
    if robust:
        return np.diag([_spread(c, robust) ** 2 for c in vectors.T])
    return np.cov(vectors, rowvar=False)


def evaluate(
    recipes: Sequence[Recipe],
    landmarks: LandmarkSet,
    *,
    side: Side,
    draws: JointDraws,
    digits: int,
    draws_maximum: int,
    progress: Progress = no_progress,
) -> tuple[Outcome, ...]:
    """Evaluate recipes on the joint draws.

    Parameters
    ----------
    recipes
        What to compute.
    landmarks, side, draws
        The ear and its draws.
    digits
        Significant digits of the standard uncertainty that must be stable.
    draws_maximum
        Draws at most.
    progress
        Listener; may cancel.

    Returns
    -------
    tuple of Outcome
        In the order of the recipes.

    Raises
    ------
    ctmeasure.errors.Cancelled
        When the listener asks to stop.

    Notes
    -----
    Every recipe sees the same blocks in the same order and stops at the first block at which it is stable itself, so
    one more landmark or measurand changes no other's result.

    References
    ----------
    JCGM 101:2008, clause 7.9 (adaptive procedure) and 7.7 (coverage interval).
    """
    mean = Scene(landmarks, side, draws=draws)
    tallies = [_tally(r, mean) for r in recipes]
    pending = [t for t in tallies if np.isfinite(t.value)]
    most = max(draws_maximum // BLOCK_DRAWS, 2)
    for block in range(most):
        progress("measuring", block / most)
        scene = Scene(landmarks, side, draws=draws, block=block, mean=mean)
        scene.draw_ahead(source for tally in pending for source in tally.recipe.sources)
        for tally in pending:
            tally.add(scene, digits)
        pending = [t for t in pending if not t.settled]
        if not pending:
            break
    parts = _parts(tallies, mean)
    return tuple(_outcome(t, p, draws) for t, p in zip(tallies, parts, strict=True))


def _tally(recipe: Recipe, mean: Scene) -> _Tally:
    with np.errstate(invalid="ignore", divide="ignore"):
        drawn, vectors = _scaled(recipe, mean)
    few = any(mean.draws.few_repeats(source) for source in recipe.sources)
    vector = vectors[0] if recipe.kind != "signed" else np.zeros(3)
    return _Tally(recipe, float(drawn[0]), vector, few, few or recipe.ratio)


def _scaled(recipe: Recipe, scene: Scene) -> tuple[Floats, Floats]:
    """Draws of the measurand, and what was computed before its length was taken."""
    out = recipe.compute(scene)
    drawn = out if recipe.kind == "signed" else batch.length(out)
    return (drawn * scene.scale() if recipe.unit == "mm" else drawn), out


def _directions(recipe: Recipe) -> int:
    return 2 if recipe.kind == "angle" else 3


def _spread(drawn: Floats, robust: bool) -> float:
    if drawn.size < 2:
        return 0.0
    if robust:
        low, high = coverage_interval(drawn)
        return float(high - low) / (2.0 * NORMAL_95)
    return float(drawn.std(ddof=1))


def _parts(tallies: Sequence[_Tally], mean: Scene) -> list[dict[str, float]]:
    """Spread of each measurand when one input is drawn alone; input by input, so that one scene is kept at a time."""
    parts: list[dict[str, float]] = [dict.fromkeys(tally.recipe.all_sources, 0.0) for tally in tallies]
    for source in dict.fromkeys(source for tally in tallies for source in tally.recipe.all_sources):
        alone = Scene(
            mean.landmarks, mean.side, draws=mean.draws, block=0, only=source, count=BUDGET_DRAWS, mean=mean
        )  # fmt: skip
        for tally, part in zip(tallies, parts, strict=True):
            if source in part and tally.blocks:
                part[source] = _spread(_scaled(tally.recipe, alone)[0], tally.robust)
    return parts


def _outcome(tally: _Tally, parts: dict[str, float], draws: JointDraws) -> Outcome:
    recipe = tally.recipe
    if not tally.blocks:
        return Outcome(recipe, None, np.empty(0), (*recipe.flags, COINCIDE_FLAG))
    drawn = np.concatenate(tally.blocks)
    u = _spread(drawn, tally.robust)
    low, high = (float(end) for end in coverage_interval(drawn))
    bias = _summary(drawn, tally.robust)[0] - tally.value
    flags = list(recipe.flags)
    how = "interval from the joint draws"
    if recipe.kind != "signed" and tally.value < SHORT_IN_UNCERTAINTIES * tally.component_s:
        how = "interval by inverting the distribution of the measured length"
        low, high = inverted_interval(tally.value, tally.short_s, dimensions=_directions(recipe))
        high = min(high, 180.0) if recipe.kind == "angle" else high
        if tally.value < NOISE_RADIUS[_directions(recipe)] * tally.component_s:
            flags.append(SHORT_FLAGS[_directions(recipe)])
    else:
        low, high = low - bias, high - bias
        if set(recipe.sources) & set(TUBES) and not tally.robust and two_hills(tally.value, u, low, high):
            flags.append(TWO_PLACES_FLAG)
    if tally.few:
        flags.append(FEW_FLAG)
    stop = "stable" if tally.settled else "at the most draws"
    method = f"between mean points; {how}; adaptive Monte Carlo ({stop})"
    budget = _budget(u, parts, draws)
    estimate = Estimate(
        tally.value, u, low, high, recipe.unit, method, budget, tuple(flags), draws=len(drawn), seed=draws.seed
    )
    return Outcome(recipe, estimate, drawn - bias, tuple(flags))


def two_hills(value: float, u: float, low: float, high: float) -> bool:
    """Whether a 95 % interval contradicts its standard uncertainty or lies lopsided around its value.

    Example
    -------
    >>> two_hills(0.0, 1.0, -1.96, 1.96), two_hills(-1.57, 0.25, -1.89, -1.26), two_hills(0.41, 0.6, -1.7, 1.01)
    (False, True, True)
    """
    if u <= 0.0:
        return False
    match = (high - low) / (2.0 * NORMAL_95 * u)
    below, above = max(value - low, ROUNDING), max(high - value, ROUNDING)
    return not MATCHING[0] <= match <= MATCHING[1] or max(below, above) > LOPSIDED * min(below, above)


def _budget(u: float, parts: dict[str, float], draws: JointDraws) -> tuple[Contribution, ...]:
    """Each input varied alone on the same kind of draws; scaled or completed so that the parts make up the whole."""
    total = sum(p**2 for p in parts.values())
    factor = 1.0
    rest = u**2 - total
    if total > 0.0 and rest < NEGLIGIBLE * u**2:
        factor, rest = u / np.sqrt(total), 0.0
    lines = [Contribution(measured_words(s, draws), factor * p) for s, p in parts.items() if p > ROUNDING * u]
    if rest > 0.0:
        lines.append(Contribution("inputs acting together (not additive)", float(np.sqrt(rest))))
    return tuple(lines)


def measured_words(source: str, draws: JointDraws) -> str:
    """An input as a budget names it: found in the image, or placed by somebody who was measured."""
    words = source_words(source, found=frozenset(draws.found))
    term = draws.readers.get(source)
    return f"{words} ({term.words})" if term and source not in draws.found else words


def source_words(source: str, *, found: frozenset[str] = frozenset()) -> str:
    """An input as a budget names it; ``found``: landmarks found in the image and used."""
    if source in found:
        return f"{source} found in the image"
    if source == SCALE:
        return SCALE
    if source in landmark_terms():
        return f"placement of {source}"
    return f"surface of {source}" if source in structure_terms() else source
