"""Needed functional length: the distance between two contacts with its contact stack, as an estimate and as draws."""

from __future__ import annotations

import math

import numpy as np

from ctmeasure.planning.lengths.stack import ContactStack
from ctmeasure.planning.measurands.batch import Floats
from ctmeasure.planning.measurands.draws import NORMAL_95
from ctmeasure.planning.measurands.evaluate import Outcome
from ctmeasure.uncertainty.distance import SHORT_IN_UNCERTAINTIES
from ctmeasure.uncertainty.estimate import Contribution, Estimate
from ctmeasure.uncertainty.intervals import coverage_interval


def needed_length(outcome: Outcome, stack: ContactStack) -> tuple[Estimate, Floats]:
    """Needed functional length: the distance with its contact stack, as an estimate and as draws.

    Parameters
    ----------
    outcome
        The distance between the contact points.
    stack
        What lies between, and what reaches past.

    Returns
    -------
    Estimate, draws
        The value is distance plus stack. Where the distance is short, its interval (from inversion) is joined with the
        stack's part by squares; else the interval is that of the draws.
    """
    distance = outcome.estimate
    assert distance is not None
    shift = stack.effect_mm
    rng = np.random.Generator(np.random.PCG64(np.random.SeedSequence([(distance.seed or 0) % 2**64, 0x57AC])))
    samples = outcome.samples + shift
    for line in stack.lines:
        if line.u_mm > 0.0:
            samples = samples + line.u_mm * rng.standard_normal(len(samples))
    u = math.hypot(distance.standard_uncertainty, stack.u_mm)
    value = distance.value + shift
    if distance.value < SHORT_IN_UNCERTAINTIES * distance.standard_uncertainty:
        low = value - math.hypot(distance.value - distance.low_95, NORMAL_95 * stack.u_mm)
        high = value + math.hypot(distance.high_95 - distance.value, NORMAL_95 * stack.u_mm)
    else:
        low, high = (float(end) for end in coverage_interval(samples))
    lines = [Contribution(line.name, line.u_mm) for line in stack.lines if line.u_mm > 0.0]
    parts = [f"{line.name} {line.effect_mm:+g}" for line in stack.lines if line.effect_mm != 0.0]
    method = f"distance {distance.value:.2f} mm" + "".join(f"; {part} mm" for part in parts)
    estimate = Estimate(
        value,
        u,
        low,
        high,
        "mm",
        method,
        (*distance.budget, *lines),
        distance.flags,
        draws=distance.draws,
        seed=distance.seed,
    )
    return estimate, samples
