"""The verdict rule, case by case."""

from __future__ import annotations

import numpy as np
import pytest

from ctmeasure.planning.drilling.verdict import is_posterior, place_verdict, structure_verdict, structure_verdicts
from ctmeasure.planning.settings import Settings


@pytest.mark.parametrize(
    ("central", "margin", "p_contact", "upper_below", "risk", "verdict"),
    [
        (3.0, 1.0, 0.0, 0.0009, 0.001, "clear"),
        (3.0, 1.0, 0.0, 0.001, 0.001, "clear"),  # at most the accepted risk
        (3.0, 1.0, 0.0, 0.0011, 0.001, "caution"),
        (1.2, 1.0, 0.0009, 0.3, 0.001, "caution"),
        (1.2, 1.0, 0.0011, 0.3, 0.001, "keep out"),  # contact exceeds the accepted risk
        (0.99, 1.0, 0.0, 0.5, 0.001, "keep out"),  # central clearance under the margin
        (1.0, 1.0, 0.0, 0.5, 0.001, "caution"),  # exactly the margin is not under it
        (0.6, 0.5, 0.04, 0.4, 0.05, "caution"),  # the chorda's larger accepted risk
        (-0.2, 0.5, 0.7, 0.9, 0.05, "keep out"),
    ],
)
def test_one_structure(central, margin, p_contact, upper_below, risk, verdict):
    found = structure_verdict(central, margin, p_contact=p_contact, upper_below_margin=upper_below, accepted_risk=risk)
    assert found == verdict


@pytest.mark.parametrize(
    ("structures", "changes", "verdict"),
    [
        (("clear", "clear"), {}, "clear"),
        (("clear", "caution"), {}, "caution"),
        (("clear", "keep out"), {}, "keep out"),
        ((), {}, "not assessed"),  # nothing marked is never clear
        (("clear",), {"missing": True}, "not assessed"),
        (("caution",), {"missing": True}, "not assessed"),
        (("keep out",), {"missing": True}, "keep out"),  # a known contact outranks a gap in knowledge
        (("clear",), {"end_known": False}, "not assessed"),
        (("clear",), {"far_side": "joint"}, "keep out"),
        (("clear",), {"far_side": "dura"}, "keep out"),
        (("clear",), {"far_side": "vein"}, "keep out"),
        (("clear",), {"far_side": "soft tissue"}, "caution"),  # no recognised space: bone may go on behind
        (("clear",), {"far_side": "closed cell or marrow"}, "caution"),
        (("clear",), {"far_side": "mastoid cell"}, "clear"),
        (("clear",), {"steep": True, "refused": True}, "keep out"),
        (("clear",), {"steep": True}, "caution"),
        (("clear",), {"limited": True}, "caution"),
        (("clear",), {"barred": True}, "not assessed"),
        (("keep out",), {"barred": True}, "not assessed"),
    ],
)
def test_worst_over_a_place(structures, changes, verdict):
    given = {"missing": False, "end_known": True, "far_side": "attic", "steep": False} | changes
    assert place_verdict(structures, **given) == verdict


@pytest.mark.parametrize(
    ("angle", "posterior"), [(44.9, False), (45.0, True), (90.0, True), (165.0, True), (165.1, False), (405.0, True)]
)
def test_larger_facial_margin_on_the_posterior_wall(angle, posterior):
    """1.4 mm behind: Merati et al. 2021, Surg Radiol Anat 43:145, PMID 32809103."""
    assert bool(is_posterior(angle)) is posterior
    margin = Settings().margin_mm("facial_canal_mm", posterior=posterior)
    assert margin == (1.4 if posterior else 1.0)


def test_many_verdicts_at_once_are_those_of_the_rule_one_by_one():
    rng = np.random.default_rng(3)
    n = 400
    central, margin = rng.uniform(-1, 4, n), rng.choice([0.5, 1.0, 1.4], n)
    contact, upper = rng.uniform(0, 0.02, n), rng.uniform(0, 0.02, n)
    upper[:100], contact[:100] = np.nan, np.nan
    found = structure_verdicts(
        central, margin, p_contact=contact, upper_below_margin=upper, accepted_risk=0.01, measured=True
    )
    for i in range(n):
        assert found[i] == structure_verdict(
            central[i], margin[i], p_contact=contact[i], upper_below_margin=upper[i], accepted_risk=0.01
        )
    assert {"clear", "caution", "keep out"} == set(found)


def test_without_a_clearance_or_a_radius_nothing_is_clear():
    central, margin, zero = np.array([np.nan, 0.4, 3.0]), np.ones(3), np.zeros(3)
    for measured, expected in (
        (True, ("not assessed", "keep out", "clear")),
        (False, ("not assessed", "keep out", "not assessed")),
    ):
        found = structure_verdicts(
            central, margin, p_contact=zero, upper_below_margin=zero, accepted_risk=0.01, measured=measured
        )
        assert found == expected
