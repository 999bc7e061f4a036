"""Lengths, audiometry and scores against publications; each row has its source."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from ctmeasure.anatomy.landmarks import Landmark, LandmarkSet, Placement
from ctmeasure.planning.hearing import Audiogram, Threshold, average, hearing_sheet
from ctmeasure.planning.lengths.gates import PROTRUSION_CAUTION_MM, PROTRUSION_REFUSED_MM
from ctmeasure.planning.lengths.inputs import LengthInput
from ctmeasure.planning.lengths.shaft import NICHE_CUT_OFFS, NICHE_HEIGHT, SHOE_ROOM
from ctmeasure.planning.lengths.sizes import candidate_lengths, plan_lengths
from ctmeasure.planning.measurands.inputs import MeasureInput, NicheRims
from ctmeasure.planning.measurands.measure import measure
from ctmeasure.planning.risk_scores import risk_scores
from ctmeasure.planning.settings import Settings

HERTZ = (500, 1000, 2000, 3000, 4000)


def _ear(points: dict[str, tuple[float, float, float]], **changes: Any) -> MeasureInput:
    marks = [Landmark(name, "placed", (Placement(point),)) for name, point in points.items()]
    settings = Settings(placement_noise_mm=0.1, draws_maximum=20_000)
    return MeasureInput(LandmarkSet(marks), "left", settings=settings, **changes)


def _test(when: str, air: np.ndarray, bone: np.ndarray) -> Audiogram:
    levels = [*zip(["air"] * 5, HERTZ, air, strict=True), *zip(["bone"] * 5, HERTZ, bone, strict=True)]
    return Audiogram(when, tuple(Threshold(c, f, float(v)) for c, f, v in levels))  # type: ignore[arg-type]


def test_audiometry(row_audiometry: dict[str, Any]) -> None:
    row = row_audiometry
    tests = tuple(_test(when, row[f"air_{when}"], row[f"bone_{when}"]) for when in ("before", "after"))
    sheet = hearing_sheet(tests, Settings())
    found = {"before": sheet.before, "after": sheet.after, "": sheet.change}
    values = [n.estimate.value for part in found.values() for n in part if n.estimate]
    air_b, _, gap_b, tone_b, air_a, _, gap_a, tone_a, closed, gained = values
    names = ("average_air_before", "gap_before", "tone_before", "average_air_after", "gap_after", "tone_after")
    expected = [row[name] for name in names] + [row["closed"], row["gained"]]
    assert [air_b, gap_b, tone_b, air_a, gap_a, tone_a, closed, gained] == pytest.approx(expected, abs=row["tolerance"])


def test_averages(row_audiometry_averages: dict[str, Any]) -> None:
    row = row_audiometry_averages
    levels = zip(row["hertz"], row["levels"], strict=True)
    test = Audiogram("before", tuple(Threshold("air", int(f), float(v)) for f, v in levels))
    found = average(test, "air", Settings())
    assert found.estimate is not None
    assert found.estimate.value == pytest.approx(row["expected"], abs=row["tolerance"])
    assert bool(found.flags) == (3000 not in row["hertz"])


def test_sums_of_scores(row_risk_sums: dict[str, Any]) -> None:
    row = row_risk_sums
    states = dict(pair.split("=") for pair in row["states"].split())
    scores = {s.id: s for s in risk_scores({f"{row['score']}.{k}": v for k, v in states.items()})}
    score = scores[row["score"]]
    assert score.total == row["total"]
    assert score.maxima[0] == row["maximum"]
    most = {item: max(int(points) for points in _points(row["score"], item)) for item in states}
    assert sum(most.values()) == row["maximum"]


def _points(score: str, item: str) -> list[str]:
    from ctmeasure.anatomy.facts import risk_item_states

    return [state["points"] for state in risk_item_states()[f"{score}.{item}"].values()]


def test_distances_of_dissection_and_scan(row_length_anchors: dict[str, Any]) -> None:
    """An ear with the dissected distance measures it; the published reading of the scan lies inside its interval."""
    row = row_length_anchors
    direction = np.array([0.48, -0.6, 0.64])
    start = tuple((row["dissection"] * direction).tolist())
    found = measure(_ear({row["lateral"]: start, row["medial"]: (0.0, 0.0, 0.0)}))
    name = f"{row['lateral']}_to_{row['medial'].removesuffix('_centre')}"
    (estimate,) = [m.estimate for m in found if m.id == name]
    assert estimate is not None
    assert estimate.value == pytest.approx(row["dissection"], abs=1e-9)
    assert estimate.low_95 <= row["scan"] <= estimate.high_95
    assert abs(row["scan"] - row["dissection"]) < row["tolerance"]


def test_piston_lengths(row_piston_lengths: dict[str, Any]) -> None:
    """Distance plus footplate and protrusion (0.25 + 0.4 mm, our own) lies where pistons of that distance were."""
    row = row_piston_lengths
    lateral = "incus_contact" if row["distance"] < 5 else "malleus_neck"
    given = LengthInput(_ear({lateral: (row["distance"], 0.0, 0.0), "footplate_centre": (0.0, 0.0, 0.0)}))
    rows = [r for r in candidate_lengths(given) if r.reconstruction == "piston" and r.size_mm is not None]
    assert rows[0].needed is not None
    assert rows[0].needed.value == pytest.approx(row["distance"] + 0.65, abs=1e-9)
    assert row["low"] - row["tolerance"] <= rows[0].needed.value <= row["high"] + row["tolerance"]


def test_safe_depths_of_a_piston_and_how_near_the_utricle_is() -> None:
    """0.5 mm over the whole footplate and never deeper than 1.0 mm (Pauw, Pollak, Fisch 1991, DOI
    10.1177/000348949110001203); least distance to the utricle 0.58, to the saccule 0.76 mm (same source): the cautioned
    depth keeps off both, the refused depth does not."""
    assert (PROTRUSION_CAUTION_MM, PROTRUSION_REFUSED_MM) == (0.5, 1.0)
    assert PROTRUSION_CAUTION_MM < 0.58 < 0.76 < PROTRUSION_REFUSED_MM


@pytest.mark.parametrize(("height_mm", "narrow"), [(1.8, False), (1.1, True), (1.29, True)])
def test_niches_of_the_published_studies_fall_on_their_side_of_the_cut_offs(height_mm: float, narrow: bool) -> None:
    """Normal 1.8 and narrow 1.1 mm (Ukkola-Pons et al. 2013, DOI 10.3174/ajnr.A3354); 1.29 mm in otosclerosis against
    1.325 (DOI 10.1007/s12070-021-02428-9)."""
    rims = NicheRims((0.8, 0.0, height_mm / 2), (0.8, 0.0, -height_mm / 2), 0.02)
    points = {"incus_contact": (3.8, 0.0, 0.0), "footplate_centre": (0.0, 0.0, 0.0)}
    checks = [c for c in plan_lengths(LengthInput(_ear(points, niche=rims))).shafts if c.what == NICHE_HEIGHT]
    assert [cut for cut, _ in NICHE_CUT_OFFS] == [1.4, 1.325]
    assert len(checks) == 2
    for check in checks:
        assert check.estimate is not None
        assert check.estimate.value == pytest.approx(height_mm)
        assert (check.p_bad or 0.0) > 0.5 if narrow else (check.p_bad or 0.0) < 0.01


def test_a_0_6_mm_piston_leaves_0_365_mm_to_each_long_edge() -> None:
    """Footplate 1.33 mm wide (Sorge et al. 2018, DOI 10.1055/s-0038-1640619): (1.33 - 0.6) / 2; taken as the niche."""
    from ctmeasure.planning.lengths.catalogue_toml import catalogue_from_toml

    text = '[[size]]\nreconstruction = "piston"\nlabel_mm = [4.0, 4.5]\noffset_mm = 0\nshaft_diameter_mm = 0.6'
    rims = NicheRims((0.8, 0.0, 0.665), (0.8, 0.0, -0.665), 0.02)
    points = {"incus_contact": (3.8, 0.0, 0.0), "footplate_centre": (0.0, 0.0, 0.0)}
    given = LengthInput(_ear(points, niche=rims), catalogues=(catalogue_from_toml(text),))
    (room,) = [c for c in plan_lengths(given).shafts if c.what == SHOE_ROOM]
    assert room.estimate is not None
    assert room.estimate.value / 2 == pytest.approx(0.365, abs=0.005)
