"""An old prosthesis over marked surfaces, and the halo's flag on what runs through it; numbers by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from ear_marks import CENTRE_LPS, right_ear

from ctmeasure.anatomy.frames import canal_frame, footplate_plane
from ctmeasure.anatomy.landmarks import LandmarkSet
from ctmeasure.imaging.metal.fit import StrutFit
from ctmeasure.imaging.metal.forms import BareRod
from ctmeasure.imaging.metal.halo import Halo
from ctmeasure.imaging.metal.pieces import Blur
from ctmeasure.imaging.metal.prosthesis import Prosthesis
from ctmeasure.planning.halo import HALO_FLAG, flag_measurements
from ctmeasure.planning.measurands.inputs import MeasureInput
from ctmeasure.planning.measurands.measure import measure
from ctmeasure.planning.measurands.scene import FOOTPLATE_RIM
from ctmeasure.planning.reader_model import ReaderLandmark, ReaderModel
from ctmeasure.planning.results import RefinedRecord
from ctmeasure.uncertainty.estimate import Estimate

FOOTPLATE = right_ear()["footplate_centre"].point_lps


def strut(foot: np.ndarray, top: np.ndarray, u_mm: float = 0.02) -> Prosthesis:
    """A bare rod between two points."""
    blur = Blur(0.19, 0.23, (0.0, 0.0, 1.0))
    none = np.zeros(0)
    fit = StrutFit(
        foot, top, u_mm**2 * np.eye(6), 0.2, 0.01, BareRod(), none, none, blur, 1.0, 10000.0, np.zeros(2), False
    )
    length = Estimate(fit.length_mm, 0.05, fit.length_mm - 0.1, fit.length_mm + 0.1, "mm", "test")
    return Prosthesis(fit, length, Estimate(0.4, 0.05, 0.3, 0.5, "mm", "test"), None, u_mm, u_mm)


def rows(foot_gap_mm: float, **changes: object) -> dict[tuple[str, str], object]:
    """Measurements of a rod that stands this far over the footplate along its normal."""
    marks = right_ear()
    normal = footplate_plane(marks, canal_frame(marks, "right")).normal_lps
    foot = FOOTPLATE + foot_gap_mm * normal
    given = MeasureInput(marks, "right", prosthesis=strut(foot, foot + 4.0 * normal))
    return {(m.id, m.qualifier): m for m in measure(replace(given, **changes))}  # type: ignore[arg-type]


def test_gap_over_the_footplate_and_what_may_be_said_of_contact() -> None:
    for gap, word in ((1.5, "apart"), (0.1, "cannot be told"), (-1.5, "reaches past")):
        found = rows(gap)["old_prosthesis_to_footplate", ""]
        assert found.estimate.value == pytest.approx(gap, abs=1e-6)  # type: ignore[attr-defined]
        assert word in ";".join(found.flags)  # type: ignore[attr-defined]


def test_tilt_of_a_rod_along_the_normal_is_nought_within_its_interval() -> None:
    tilt = rows(0.0)["old_prosthesis_tilt", "footplate normal"].estimate  # type: ignore[attr-defined]
    assert tilt.value == pytest.approx(0.0, abs=1e-3)
    assert tilt.low_95 == 0.0
    assert tilt.high_95 > 5.0


def test_a_footplate_found_in_the_image_serves_without_a_marked_rim() -> None:
    marks = right_ear()
    normal = footplate_plane(marks, canal_frame(marks, "right")).normal_lps
    marks = LandmarkSet([mark for name, mark in marks.items() if name not in FOOTPLATE_RIM])
    across = np.linalg.svd(normal[None])[2][1:]
    seen = RefinedRecord(
        "footplate_centre", True, "", tuple(FOOTPLATE), tuple(FOOTPLATE + 0.2 * normal),  # type: ignore[arg-type]
        tuple(tuple(row) for row in 0.1**2 * np.eye(3)), 0.2, tuple(normal), tuple(map(tuple, across)), (0.02, 0.02),
    )  # fmt: skip
    gap = rows(0.7, landmarks=marks, refined=(seen,))["old_prosthesis_to_footplate", ""].estimate  # type: ignore[attr-defined]
    assert gap.value == pytest.approx(0.5, abs=1e-6)
    # the rod's end 0.02, the plane's height 0.1
    assert gap.standard_uncertainty == pytest.approx(0.102, abs=1e-3)


def test_a_reader_measured_as_unsure_leaves_the_gap_less_sure() -> None:
    row = ReaderLandmark("footplate_centre", 40, (0.0, 0.0, 0.0), tuple(map(tuple, np.eye(3))))  # type: ignore[arg-type]
    wide = rows(1.5, reader_model=ReaderModel("R1", "synthetic", (row,)))["old_prosthesis_to_footplate", ""]
    plain = rows(1.5)["old_prosthesis_to_footplate", ""]
    assert wide.estimate.standard_uncertainty > 2.0 * plain.estimate.standard_uncertainty  # type: ignore[attr-defined]


def test_an_end_beside_the_footplate_is_not_compared_with_it() -> None:
    beside = strut(FOOTPLATE + np.array([0.0, 4.0, 0.0]), FOOTPLATE + np.array([-3.0, 4.0, 0.0]))
    found = rows(0.0, prosthesis=beside)["old_prosthesis_to_footplate", ""]
    assert found.estimate is None  # type: ignore[attr-defined]
    assert "beside the marked centre" in found.flags[0]  # type: ignore[attr-defined]


def test_without_a_prosthesis_every_row_says_why() -> None:
    found = measure(MeasureInput(LandmarkSet(), "right", prosthesis_why="old_prosthesis is absent"))
    own = [m for m in found if m.id.startswith("old_prosthesis_")]
    assert len(own) == 7
    assert {m.flags for m in own} == {("not measured: old_prosthesis is absent",)}


def test_only_paths_through_the_halo_are_flagged() -> None:
    marks = right_ear()
    measured = tuple(rows(0.0).values())
    between = 0.5 * (FOOTPLATE + marks["drum_centre"].point_lps)
    through = flag_measurements(measured, Halo(between[None, :]), landmarks=marks)  # type: ignore[arg-type]
    flagged = {m.id for m in through if HALO_FLAG in m.flags}
    assert "drum_to_footplate" in flagged
    assert not any(name.startswith("old_prosthesis") for name in flagged)
    assert all(HALO_FLAG in m.estimate.flags for m in through if m.id == "drum_to_footplate")  # type: ignore[union-attr]
    far = flag_measurements(measured, Halo(CENTRE_LPS[None, :] + 30.0), landmarks=marks)  # type: ignore[arg-type]
    assert far == measured
