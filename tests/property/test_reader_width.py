"""Every shown interval that hangs on a hand widens with the measured reader; synthetic scatter narrows none."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest
from ear_marks import right_ear
from hypothesis import given, settings
from hypothesis import strategies as st
from report_fabricated import fabricated_case

from ctmeasure.anatomy.vocabulary import landmark_terms
from ctmeasure.app.live import live_numbers
from ctmeasure.case.doubts import case_geometry, landmark_doubts, placed_u_mm
from ctmeasure.case.hole_words import from_mark
from ctmeasure.case.holes import pair_holes
from ctmeasure.case.model import Case
from ctmeasure.planning.lengths.inputs import LengthInput
from ctmeasure.planning.lengths.sizes import plan_lengths
from ctmeasure.planning.measurands.inputs import MeasureInput
from ctmeasure.planning.measurands.measure import measure
from ctmeasure.planning.reader_model import ReaderLandmark, ReaderModel
from ctmeasure.uncertainty.estimate import Estimate

DRAWN = 0.04
"""Widths come from ten thousand draws or more: their own error is below this share."""
UMBO = (-43.0, 10.0, 60.0)
RINGS = ("annulus", "lateral_semicircular_canal")
MEASURED = (
    *RINGS, "drum_centre", "stapes_head", "canal_medial", "canal_lateral", "umbo",
    *(f"footplate_{end}" for end in ("centre", "anterior", "posterior", "superior", "inferior")),
)  # fmt: skip


def reader(covariance: np.ndarray, bias: np.ndarray, *, origin: str = "experts", times: float = 1.0) -> ReaderModel:
    """One hand at every measured landmark, ``times`` as wide."""
    matrix = tuple(tuple(float(v) for v in row) for row in covariance * times**2)
    off = tuple(float(v) for v in bias * times)
    each = float(np.sqrt(np.trace(covariance) / 3.0)) * times
    rows = (ReaderLandmark(name, 16, off, matrix, each if name in RINGS else None) for name in MEASURED)  # type: ignore[arg-type]
    return ReaderModel("R1", origin, tuple(rows))


@st.composite
def hands(draw: st.DrawFn) -> tuple[np.ndarray, np.ndarray]:
    """Any bias up to 0.5 mm and any covariance with axes of 0.05 to 0.6 mm."""
    number = st.floats(-0.5, 0.5)
    bias = np.array([draw(number) for _ in range(3)])
    sd = np.diag([draw(st.floats(0.05, 0.6)) for _ in range(3)])
    turn, _ = np.linalg.qr(np.random.default_rng(draw(st.integers(0, 999))).standard_normal((3, 3)))
    return turn @ sd**2 @ turn.T, bias


def estimates(model: ReaderModel | None) -> Iterator[tuple[str, Estimate]]:
    """Every measurand, length now and length after the handle has settled."""
    given_ = MeasureInput(right_ear(), "right", seed=1, reader_model=model)
    for item in measure(given_):
        if item.estimate is not None:
            yield f"{item.id} {item.qualifier}", item.estimate
    found = plan_lengths(LengthInput(measure=given_, mirrored_umbo_lps=UMBO))
    for row in found.staged:
        name = f"{row.reconstruction} {row.lateral_contact} {row.medial_contact}"
        yield name, row.now
        if row.later is not None:
            yield f"{name}, later", row.later


def test_twice_the_reader_widens_every_number_that_hangs_on_a_hand() -> None:
    hand = np.diag([0.25, 0.16, 0.2]), np.array([0.1, 0.0, -0.2])
    once, twice = dict(estimates(reader(*hand))), dict(estimates(reader(*hand, times=2.0)))
    assert set(once) == set(twice)
    hung = {name for name, e in once.items() if any("placement" in p.source or "umbo" in p.source for p in e.budget)}
    assert len(hung) > 15
    assert any(name.endswith("later") for name in hung)
    for name in hung:
        assert twice[name].standard_uncertainty > 1.02 * once[name].standard_uncertainty, name
        assert twice[name].high_95 - twice[name].low_95 > once[name].high_95 - once[name].low_95, name


@pytest.mark.parametrize("sd_mm", [0.02, 0.1, 0.5])
def test_scatter_of_synthetic_ears_narrows_no_number(sd_mm: float) -> None:
    model = reader(sd_mm**2 * np.eye(3), np.zeros(3), origin="synthetic")
    plain, own = dict(estimates(None)), dict(estimates(model))
    for name, estimate in plain.items():
        assert own[name].standard_uncertainty > (1.0 - DRAWN) * estimate.standard_uncertainty, name
        assert own[name].high_95 - own[name].low_95 > (1.0 - DRAWN) * (estimate.high_95 - estimate.low_95), name


def shown(case: Case) -> dict[str, float]:
    """Widths that the window and the words of a case show: ellipses, live numbers, the rim at a hole, placing."""
    found = {}
    for name in case.landmarks:
        mark = case.landmarks[name]
        if mark.is_placed:
            found[f"ellipse of {name}"] = float(np.linalg.eigvalsh(landmark_doubts(case, mark)[0].covariance_lps).min())
    for number in live_numbers(case, case_geometry(case)):
        found[f"live {number.id} {number.qualifier}"] = number.high_95 - number.low_95
    assert case.results is not None
    for hole in pair_holes(case, case.results.pairs[0]):
        found[f"rim at {hole.clock_hour}"] = hole.rim.standard_uncertainty
    for name in landmark_terms():
        found[f"placing {name}"] = placed_u_mm(case, name)
    return found


@given(hand=hands())
@settings(max_examples=6, deadline=None)
def test_what_window_and_words_show_widens_with_the_reader_and_never_narrows(hand: tuple[np.ndarray, ...]) -> None:
    case = fabricated_case()
    plain = shown(replace(case, reader_model=None))
    once = shown(replace(case, reader_model=reader(*hand)))
    twice = shown(replace(case, reader_model=reader(*hand, times=2.0)))
    synthetic = shown(replace(case, reader_model=reader(*hand, origin="synthetic")))
    for name, width in plain.items():
        assert twice[name] >= (1.0 - DRAWN) * once[name], name
        assert synthetic[name] >= (1.0 - DRAWN) * width, name
    for name in MEASURED:
        assert twice[f"placing {name}"] > once[f"placing {name}"]
    assert max(twice[n] / once[n] for n in plain if n.startswith("rim")) > 1.0


def test_the_way_from_a_mark_says_whose_doubt_it_is() -> None:
    case = fabricated_case()
    wide = replace(case, reader_model=reader(0.81 * np.eye(3), np.zeros(3)))
    entry = case.landmarks.point_lps("drum_centre") + np.array([0.0, 2.0, 0.0])
    assert "placed to 0.3" in from_mark(case, "drum_centre", entry, None)
    assert "placed to 1.0" in from_mark(wide, "drum_centre", entry, None)
