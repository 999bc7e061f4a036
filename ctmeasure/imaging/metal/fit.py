"""A rod with or without a flat head, fitted to a scan that blurs it and may cut its values off."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ctmeasure.errors import ScanError
from ctmeasure.imaging.metal.forms import BareRod, Form, Headed, head_normal
from ctmeasure.imaging.metal.pieces import Blur, Pieces, blurred
from ctmeasure.imaging.metal.surroundings import Block, fill_beneath
from ctmeasure.progress import Progress, no_progress

Floats = NDArray[np.float64]

REACH_MM = 1.2
"""Voxels farther than this from the metal say nothing about it: five standard deviations of a usual blur."""
ROUNDS = 2
"""Each round fits the metal, then takes what it hides from its surroundings anew."""
CLICK_SD_MM = 0.5
"""An end lies within so much of its click, per axis: scatter of clicks, and what a person takes for the end."""
CLICK_REACH_MM = 1.2
"""An end is looked for no farther than this from its click, along each axis of the scan."""
USUAL_RADIUS_MM, RADIUS_LOG_SD = 0.2, 0.5
"""Shaft radius expected before looking (our choice, no source)."""
USUAL_STEP_HU, STEP_LOG_SD = 10_000.0, 0.30
"""Titanium above air: 4.5 g/cm3, 0.41 to 0.55 cm2/g at 80 to 70 keV, against water (mass attenuation from memory)."""
SPREAD_LOG_SD = 0.10
OVERSHOOT_SD = 0.5
"""Share of a sharp kernel's negative part: 0 to 1 (our choice)."""
STREAK_HU = 60.0
"""Streaks around metal add about this much to the noise (our choice)."""
MODEL_SHARE = 0.03
"""Share of the metal's own excess that a Gaussian blur leaves unexplained (our choice)."""
HIDDEN_SHARE = 0.5
"""Of the unevenness around metal, what hides under it may differ by this much."""
CORRELATED = 3.0
"""Noise is alike in neighbouring voxels: they count for a third of their number (found on synthetic ears)."""
HEAD_GAIN = 25.0
"""A head must lower the misfit by this much, about four parameters at five standard deviations."""

LEAST_HEAD_MM, WIDER = 0.5, 1.8
"""A head is wider than this, and than so many shafts; less is the shape of an end (our choice)."""
HIDDEN_MM = 0.6
"""Unevenness of the tissue around an end is read within this distance of it."""
BESIDE_MM, BESIDE_ALONG_MM = 0.7, 0.4
"""A ring this far from the axis tells a head from a bare end: shafts are thinner, heads wider (our choice)."""
BESIDE_LEAST_HU = 1000.0
"""A ring darker than this over air holds no head: a head as thin as 0.1 mm reads more."""
BESIDE_SURE_HU = 1500.0
"""Two ends whose rings differ by more than this leave no doubt which one carries the head."""

FOOT, TOP = slice(0, 3), slice(3, 6)
RADIUS, STEP, IN_PLANE, THROUGH, OVERSHOOT = 6, 7, 8, 9, 10
HIDDEN = slice(11, 13)
OWN = slice(13, None)


@dataclass(frozen=True, slots=True, eq=False)
class StrutFit:
    """A fitted rod.

    Parameters
    ----------
    foot_lps, top_lps
        Ends of the metal on its axis, LPS mm; the top is the outer face of the head where there is one.
    covariance
        Shape (6, 6), mm2: of foot, then top.
    radius_mm, radius_u_mm
        Of the shaft.
    form, own, own_u
        Which form was fitted, its own numbers, and their standard uncertainties.
    blur
        The blur found with it.
    step
        Metal above what lies around it, in the scan's unit: known from its slopes where values are cut off.
    hidden
        Shape (2,): how far the tissue under foot and top differs from its surroundings, in their unevenness.
    misfit
        Root mean square of the weighted residuals; 1 is as expected.
    cut_off
        Whether values were cut off inside the metal.
    """

    foot_lps: Floats
    top_lps: Floats
    covariance: Floats
    radius_mm: float
    radius_u_mm: float
    form: Form
    own: Floats
    own_u: Floats
    blur: Blur
    misfit: float
    step: float
    hidden: Floats
    cut_off: bool

    @property
    def length_mm(self) -> float:
        """From end to end."""
        return float(np.linalg.norm(self.top_lps - self.foot_lps))

    @property
    def axis_lps(self) -> Floats:
        """Unit vector from foot to top."""
        return (self.top_lps - self.foot_lps) / self.length_mm

    @property
    def length_u_mm(self) -> float:
        """Standard uncertainty of the length, from the fit alone."""
        along = np.concatenate([-self.axis_lps, self.axis_lps])
        return math.sqrt(float(along @ self.covariance @ along))

    @property
    def has_head(self) -> bool:
        """Whether a head was found."""
        return isinstance(self.form, Headed)

    @property
    def head_radius_mm(self) -> float:
        """Radius of the head; only where there is one."""
        return math.exp(float(self.own[0]))

    @property
    def head_radius_u_mm(self) -> float:
        """Its standard uncertainty, from the fit alone."""
        return self.head_radius_mm * float(self.own_u[0])

    @property
    def head_thickness_mm(self) -> float:
        """Thickness of the head, which rests on what titanium reads; only where there is one."""
        return math.exp(float(self.own[1]))

    @property
    def head_normal_lps(self) -> Floats:
        """Unit normal of the head, away from the shaft; only where there is one."""
        return head_normal(self.top_lps - self.foot_lps, self.own)

    def pieces(self) -> Pieces:
        """The metal it stands for."""
        return self.form.pieces(self.foot_lps, self.top_lps, radius_mm=self.radius_mm, own=self.own)

    def seen(self) -> Pieces:
        """The part of it around which voxels were looked at."""
        return self.form.seen(self.foot_lps, self.top_lps, radius_mm=self.radius_mm, own=self.own)


def fit_strut(
    block: Block, foot_lps: Floats, top_lps: Floats, *, blur: Blur, progress: Progress = no_progress
) -> StrutFit:
    """Fit a rod, with a head at either end if the scan shows one.

    Parameters
    ----------
    block
        The scan around the metal, with its noise and levels.
    foot_lps, top_lps
        Shape (3,), LPS mm: about where its ends are, within a millimetre.
    blur
        The scan's blur as found on bone; the metal itself refines it.
    progress
        May stop it.

    Returns
    -------
    StrutFit
        With a head, the top is at the head.

    Raises
    ------
    ScanError
        When the two ends are the same, or no metal shows between them.
    ctmeasure.errors.Cancelled
        When the listener asks to stop.

    Notes
    -----
    Both ends come from all voxels around them: a rod thinner than the blur and cut off at the top of the scale still
    shows where it ends by the slopes below. Robust (soft L1), so that streaks and uneven surroundings weigh little.
    """
    foot, top = np.asarray(foot_lps, dtype=np.float64), np.asarray(top_lps, dtype=np.float64)
    if np.linalg.norm(top - foot) < 0.5:
        raise ScanError("two ends less than 0.5 mm apart", expected="two clicks on the two ends", action="click again")
    progress("metal: bare rod", 0.0)
    bare = fit_form(block, foot, top, blur=blur, form=BareRod(), rounds=1)
    low, high = bare.foot_lps, bare.top_lps
    if np.linalg.norm(high - low) < 0.3:
        raise ScanError("no rod of metal between the two clicks", expected="metal", action="click on both of its ends")
    progress("metal: head", 0.3)
    ways = [(low, high, (foot, top)), (high, low, (top, foot))]
    brighter = _beside(block, high, high - low) - _beside(block, low, high - low)
    if abs(brighter) > BESIDE_SURE_HU * block.unit:
        ways = ways[:1] if brighter > 0.0 else ways[1:]
    air = max(block.lowest, float(np.percentile(block.values, 2.0)))
    ways = [way for way in ways if _beside(block, way[1], high - low) > air + BESIDE_LEAST_HU * block.unit]
    if not ways:
        return fit_form(block, low, high, blur=bare.blur, form=BareRod(), clicks_lps=(foot, top), rounds=1)
    headed = [
        fit_form(block, start, end, blur=bare.blur, form=Headed(), clicks_lps=clicks) for start, end, clicks in ways
    ]
    wider = headed[0]
    headed.sort(key=lambda item: _misfit(block, item, wider))
    progress("metal: head or none", 0.7)
    chosen = headed[0]
    wide = chosen.head_radius_mm > max(LEAST_HEAD_MM, WIDER * chosen.radius_mm)
    if not wide or _misfit(block, chosen, chosen) > _misfit(block, bare, chosen) - HEAD_GAIN:
        chosen = fit_form(block, low, high, blur=bare.blur, form=BareRod(), clicks_lps=(foot, top))
    progress("metal: fitted", 1.0)
    return chosen


def _beside(block: Block, end: Floats, axis: Floats) -> float:
    """How bright it is around an end, where only a head could be metal."""
    off = block.points_lps - end
    along = off @ (axis / np.linalg.norm(axis))
    across = np.linalg.norm(off - along[:, None] * (axis / np.linalg.norm(axis)), axis=1)
    ring = (np.abs(along) < BESIDE_ALONG_MM) & (np.abs(across - BESIDE_MM) < 0.2)
    return float(block.values[ring].mean()) if ring.any() else -np.inf


def _misfit(block: Block, item: StrutFit, wider: StrutFit) -> float:
    """Soft misfit of one fit over the voxels that another one's metal changes, in squared standard deviations."""
    near = block.near(wider.seen(), REACH_MM)
    excess = item.step * blurred(block.points_lps[near.around], item.pieces(), blur=item.blur)
    beneath, unevenness = fill_beneath(block, near, excess)
    inner = np.searchsorted(near.around, near.inner)
    ends = np.array([item.foot_lps, item.top_lps])
    level = beneath + item.hidden @ _hidden(ends, block.points_lps[near.inner], unevenness) + excess[inner]
    model = np.clip(level, block.lowest, block.highest)
    rest = (model - block.values[near.inner]) / _sd(block, unevenness, excess[inner])
    return float((2.0 * (np.sqrt(1.0 + rest**2 / CORRELATED) - 1.0)).sum())


def _sd(block: Block, unevenness: Floats, excess: Floats) -> Floats:
    """Standard deviation of what a voxel reads about the model."""
    streaks, hidden, share = STREAK_HU * block.unit, HIDDEN_SHARE * unevenness, MODEL_SHARE * np.abs(excess)
    return np.sqrt(block.noise**2 + streaks**2 + hidden**2 + share**2)


def fit_form(
    block: Block,
    foot_lps: Floats,
    top_lps: Floats,
    *,
    blur: Blur,
    form: Form,
    clicks_lps: tuple[Floats, Floats] | None = None,
    rounds: int = ROUNDS,
) -> StrutFit:
    """Fit one form.

    Parameters
    ----------
    block
        The scan around the metal.
    foot_lps, top_lps
        Shape (3,): where the fit starts.
    blur
        The blur it starts from.
    form
        What is fitted.
    clicks_lps
        Where foot and top were clicked; None: where the fit starts.
    rounds
        How often what the metal hides is taken anew.

    Returns
    -------
    StrutFit

    Raises
    ------
    Nothing.
    """
    from scipy.optimize import least_squares

    prior, prior_sd = _prior(*(clicks_lps or (foot_lps, top_lps)), blur, form)
    p = prior.copy()
    p[FOOT], p[TOP] = foot_lps, top_lps
    lower, upper = np.full(len(p), -np.inf), np.full(len(p), np.inf)
    lower[OVERSHOOT] = -1e-9
    lower[:6], upper[:6] = prior[:6] - CLICK_REACH_MM, prior[:6] + CLICK_REACH_MM
    lower[RADIUS], upper[RADIUS] = math.log(0.04), math.log(0.8)

    def excess_of(q: Floats, points: Floats) -> Floats:
        pieces = form.pieces(q[FOOT], q[TOP], radius_mm=math.exp(q[RADIUS]), own=q[OWN])
        return block.unit * math.exp(q[STEP]) * blurred(points, pieces, blur=_blur_of(q, blur))

    for _ in range(rounds):
        near = block.near(form.seen(p[FOOT], p[TOP], radius_mm=math.exp(p[RADIUS]), own=p[OWN]), REACH_MM)
        beneath, unevenness = fill_beneath(block, near, excess_of(p, block.points_lps[near.around]))
        points, values = block.points_lps[near.inner], block.values[near.inner]

        hidden = _hidden(np.array([p[FOOT], p[TOP]]), points, unevenness)

        def model(q: Floats, points: Floats = points, beneath: Floats = beneath, hidden: Floats = hidden) -> Floats:
            level = beneath + q[HIDDEN] @ hidden + excess_of(q, points)
            return np.clip(level, block.lowest, block.highest)

        sd = _sd(block, unevenness, excess_of(p, points))

        def residual(q: Floats, values: Floats = values, sd: Floats = sd) -> Floats:
            return np.concatenate([(model(q) - values) / sd / math.sqrt(CORRELATED), (q - prior) / prior_sd])

        fit = least_squares(
            residual, np.clip(p, lower + 1e-6, upper - 1e-6), loss="soft_l1", bounds=(lower, upper),
            x_scale=np.minimum(prior_sd, 0.3), max_nfev=15, xtol=1e-3, ftol=1e-3,
        )  # fmt: skip
        p = fit.x
    count = len(values)
    plain = fit.fun[:count] * math.sqrt(CORRELATED)
    misfit = 1.4826 * float(np.median(np.abs(plain)))
    covariance = np.linalg.pinv(fit.jac.T @ fit.jac) * max(misfit, 1.0) ** 2
    sd = np.sqrt(np.diag(covariance))
    radius = math.exp(p[RADIUS])
    return StrutFit(
        p[FOOT],
        p[TOP],
        covariance[:6, :6],
        radius,
        radius * float(sd[RADIUS]),
        form,
        p[OWN],
        sd[OWN],
        _blur_of(p, blur),
        misfit,
        block.unit * math.exp(p[STEP]),
        p[HIDDEN],
        bool(np.isfinite(block.highest) and (values >= block.highest).any()),
    )


def _hidden(ends: Floats, points: Floats, unevenness: Floats) -> Floats:
    """What may hide under each end, shape (2, n): tissue brighter or darker than its surroundings, fading out."""
    rows = []
    for end in ends:
        apart = np.linalg.norm(points - end, axis=1)
        close = apart < HIDDEN_MM
        uneven = float(unevenness[close].mean()) if close.any() else 0.0
        rows.append(uneven * np.exp(-0.5 * (apart / HIDDEN_MM) ** 2))
    return np.array(rows)


def _blur_of(p: Floats, blur: Blur) -> Blur:
    return Blur(math.exp(p[IN_PLANE]), math.exp(p[THROUGH]), blur.slice_normal_lps, max(float(p[OVERSHOOT]), 0.0))


def _prior(foot: Floats, top: Floats, blur: Blur, form: Form) -> tuple[Floats, Floats]:
    """What is expected before looking, and how far each number may wander from it (standard deviations)."""
    values = [*foot, *top, math.log(USUAL_RADIUS_MM), math.log(USUAL_STEP_HU)]
    values += [math.log(blur.in_plane_sd_mm), math.log(blur.through_sd_mm), blur.overshoot]
    values += [0.0, 0.0]
    sds = [CLICK_SD_MM] * 6 + [RADIUS_LOG_SD, STEP_LOG_SD, SPREAD_LOG_SD, SPREAD_LOG_SD, OVERSHOOT_SD, 1.0, 1.0]
    own, own_sd = form.prior()
    return np.array([*values, *own]), np.array([*sds, *own_sd])
