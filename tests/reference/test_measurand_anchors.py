"""Published distances, triangles, shapes and spreads, measured by the tool on landmark sets that have them exactly."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from ctmeasure.anatomy.landmarks import Landmark, LandmarkSet, Placement
from ctmeasure.geometry.vectors import angle_at_deg
from ctmeasure.planning.lengths.catalogue import CatalogueSize
from ctmeasure.planning.lengths.gates import protrusion_flags
from ctmeasure.planning.lengths.needed import needed_length
from ctmeasure.planning.lengths.ranking import rank_sizes
from ctmeasure.planning.lengths.stack import contact_stack
from ctmeasure.planning.measurands.draws import JointDraws
from ctmeasure.planning.measurands.evaluate import Outcome, inverted_interval
from ctmeasure.planning.measurands.inputs import MeasureInput
from ctmeasure.planning.measurands.measure import measure
from ctmeasure.planning.measurands.registry import Recipe
from ctmeasure.planning.results import Measurement
from ctmeasure.planning.settings import Settings
from ctmeasure.uncertainty.estimate import Estimate
from ctmeasure.uncertainty.intervals import clopper_pearson
from ctmeasure.volume.geometry import Geometry

QUICK = Settings(draws_maximum=20_000)


def _point(landmark_id: str, xyz: NDArray[np.float64] | tuple[float, ...]) -> Landmark:
    return Landmark(landmark_id, "placed", (Placement(tuple(float(x) for x in xyz)),))


def _measured(marks: list[Landmark], **given: object) -> dict[str, Measurement]:
    found: dict[str, Measurement] = {}
    for row in measure(MeasureInput(LandmarkSet(marks), "left", **{"settings": QUICK, **given})):  # type: ignore[arg-type]
        found.setdefault(row.id, row)
    return found


def _placed_triangle(row: dict[str, object]) -> dict[str, NDArray[np.float64]]:
    """Corners with the published sides, turned and moved into a place of no special kind."""
    base, left, right = (float(row[k]) for k in ("lateral_to_medial", "lateral_to_apex", "apex_to_medial"))  # type: ignore[arg-type]
    along = (base**2 + left**2 - right**2) / (2.0 * base)
    flat = np.array([[0.0, 0, 0], [base, 0, 0], [along, math.sqrt(left**2 - along**2), 0]])
    turn = np.linalg.qr(np.random.default_rng(8).normal(size=(3, 3)))[0]
    corners = flat @ turn.T + np.array([31.0, -12.0, 44.0])
    return dict(zip((str(row["lateral"]), str(row["medial"]), str(row["apex"])), corners, strict=True))


def test_published_triangles_come_back_as_distances_and_angles(row_measurand_triangles: dict[str, object]) -> None:
    row = row_measurand_triangles
    corners = _placed_triangle(row)
    found = _measured([_point(k, v) for k, v in corners.items()])
    whole = found["malleus_neck_to_footplate"].estimate
    assert whole is not None
    assert whole.value == pytest.approx(row["lateral_to_medial"], abs=0.01)
    apex = str(row["apex"])
    second = "stapes_height" if apex == "stapes_head" else "incus_to_footplate"
    part = found[second].estimate
    assert part is not None
    assert part.value == pytest.approx(row["apex_to_medial"], abs=0.01)
    if apex == "stapes_head":
        neck_head = found["malleus_neck_to_stapes_head"].estimate
        assert neck_head is not None
        assert neck_head.value == pytest.approx(row["lateral_to_apex"], abs=0.01)
    for name in ("lateral", "apex", "medial"):
        if row[f"angle_{name}"] != "":
            vertex = corners[str(row[name])]
            others = [c for k, c in corners.items() if k != str(row[name])]
            assert float(angle_at_deg(vertex, *others)) == pytest.approx(row[f"angle_{name}"], abs=row["tolerance_deg"])


def test_published_distances_carry_no_plausibility_flag_and_the_sketch_does() -> None:
    """Neck to head 3.40 lies inside its range; the textbook sketch 2 mm lateral, 4 mm anterior (4.47) does not.

    Sources: 2022, Acta Otorrinolaringol Esp, PII S0001651922001261; sketch: Ossiculoplasty chapter 20 (textbook).
    """
    near, far = (
        _measured([_point("malleus_neck", (d, 0, 0)), _point("stapes_head", (0, 0, 0))])["malleus_neck_to_stapes_head"]
        for d in (3.40, math.hypot(2, 4))
    )
    assert near.flags == ()
    assert far.flags[0].startswith("outside published range")


def test_spread_interval_and_bias_of_two_noisy_points(row_measurand_spread: dict[str, float]) -> None:
    row = row_measurand_spread
    settings = Settings(placement_noise_mm=row["point_sd"], scanner_scale_u=0.0)
    marks = [_point("stapes_head", (row["distance"], 0, 0)), _point("footplate_centre", (0, 0, 0))]
    found = _measured(marks, settings=settings)["stapes_height"].estimate
    assert found is not None
    assert found.value == pytest.approx(row["distance"], abs=1e-12)  # the bias of drawing must not reach the value
    assert found.standard_uncertainty == pytest.approx(row["spread"], abs=row["spread_tolerance"])
    draws = JointDraws(LandmarkSet(marks), settings, seed=0)
    ends = [draws.points_lps(i, 0, count=100_000)[:, 0] for i in ("stapes_head", "footplate_centre")]
    raw = np.linalg.norm(ends[0] - ends[1], axis=1)
    assert raw.mean() - row["distance"] == pytest.approx(row["bias"], abs=row["bias_tolerance"])
    if row["distance"] > 5 * row["spread"]:
        half = 1.96 * math.sqrt(2.0) * row["point_sd"]
        assert found.low_95 == pytest.approx(row["distance"] - half, abs=0.03 * half)
        assert found.high_95 == pytest.approx(row["distance"] + half, abs=0.03 * half)


def test_snapping_to_voxels_spreads_a_length_as_published(row_measurand_voxels: dict[str, float]) -> None:
    """The tool's standard uncertainty from the voxel term alone, and 4.5 mm segments really snapped to voxels."""
    row, rng = row_measurand_voxels, np.random.default_rng(4)
    grid = Geometry((99, 99, 99), np.diag([row["voxel"]] * 3 + [1.0])[[2, 1, 0, 3]])
    settings = Settings(placement_noise_mm=0.0, scanner_scale_u=0.0)
    direction = rng.normal(size=3)
    marks = [
        _point("stapes_head", direction / np.linalg.norm(direction) * 4.5),
        _point("footplate_centre", (0.0, 0, 0)),
    ]
    found = _measured(marks, settings=settings, geometry=grid, psf_fwhm_mm=(1e-9, 1e-9))["stapes_height"].estimate
    assert found is not None
    assert found.standard_uncertainty == pytest.approx(row["spread"], rel=0.03)
    start = rng.uniform(0, 10, (40_000, 3))
    way = rng.normal(size=(40_000, 3))
    end = start + 4.5 * way / np.linalg.norm(way, axis=1, keepdims=True)
    snapped = np.linalg.norm(
        np.round(end / row["voxel"]) * row["voxel"] - np.round(start / row["voxel"]) * row["voxel"], axis=1
    )
    assert snapped.std() == pytest.approx(row["spread"], rel=0.03)


def _ring(points: NDArray[np.float64]) -> Landmark:
    return Landmark("annulus", "placed", tuple(Placement(tuple(map(float, p)), index=k) for k, p in enumerate(points)))


def _rim(width_mm: float, height_mm: float, *, count: int = 12) -> NDArray[np.float64]:
    angle = np.arange(count) * 2 * np.pi / count + 0.07
    return np.column_stack([np.zeros(count), width_mm / 2 * np.sin(angle), height_mm / 2 * np.cos(angle)])


CANAL = [_point("canal_medial", (0, 0, 0)), _point("canal_lateral", (7, 0, 0))]


def test_annulus_ellipse_of_the_published_mean_diameters() -> None:
    """9.25 x 8.5 mm (anatomy review, DOI 10.3109/9780849375989-8): the tool's diameters give 61.75 mm2 within 0.5 %."""
    found = _measured([_ring(_rim(8.5, 9.25)), *CANAL])
    largest, smallest = found["annulus_diameter_max"].estimate, found["annulus_diameter_min"].estimate
    assert largest is not None
    assert smallest is not None
    assert math.pi / 4 * largest.value * smallest.value == pytest.approx(61.75, rel=0.005)


def test_annulus_of_the_published_cross_section_is_a_circle_of_8_44_mm() -> None:
    """56 mm2 at the annulus (2023, Hear Res, PMID 37201272) is a circle of 8.44 mm."""
    diameter = math.sqrt(4 * 56 / math.pi)
    found = _measured([_ring(_rim(diameter, diameter)), *CANAL])
    for which in ("annulus_diameter_max", "annulus_diameter_min"):
        estimate = found[which].estimate
        assert estimate is not None
        assert estimate.value == pytest.approx(8.44, abs=0.005)


def test_footplate_axes_give_the_elliptic_area_and_room_beside_a_piston() -> None:
    """2.95 x 1.33 mm: 3.08 mm2; a 0.6 mm piston leaves 0.365 mm (Sorge et al. 2018, DOI 10.1055/s-0038-1640619)."""
    marks = [
        _point("footplate_anterior", (1.0, 2.0, 3.0)),
        _point("footplate_posterior", (1.0, 4.95, 3.0)),
        _point("footplate_superior", (1.0, 3.4, 3.665)),
        _point("footplate_inferior", (1.0, 3.4, 2.335)),
    ]
    found = _measured(marks)
    long, wide = found["footplate_length"].estimate, found["footplate_width"].estimate
    assert long is not None
    assert wide is not None
    assert math.pi / 4 * long.value * wide.value == pytest.approx(3.08, rel=0.01)
    assert (wide.value - 0.6) / 2 == pytest.approx(0.365, abs=0.005)


def test_plane_turned_by_44_and_12_degrees_lies_45_3_degrees_off() -> None:
    """Two turns about orthogonal axes in the plane: cos = cos 44 cos 12 (spherical law of cosines)."""
    a, b = math.radians(44), math.radians(12)
    about_y = np.array([[math.cos(a), 0, math.sin(a)], [0, 1, 0], [-math.sin(a), 0, math.cos(a)]])
    about_z = np.array([[math.cos(b), -math.sin(b), 0], [math.sin(b), math.cos(b), 0], [0, 0, 1]])
    found = _measured([_ring(_rim(8.5, 9.25) @ (about_z @ about_y).T), *CANAL])["annulus_to_canal_angle"].estimate
    assert found is not None
    assert found.value == pytest.approx(45.3, abs=0.1)
    assert found.unit == "deg"


@pytest.mark.parametrize("distance", [0.5, 1.0, 2.0, 4.5])
def test_interval_of_a_distance_covers_its_truth(distance: float) -> None:
    """95 % interval of landmark pairs placed with noise of sd 0.2 mm per axis, 1000 ears each.

    The inversion (non-central chi, 3 degrees of freedom; Johnson, Kotz, Balakrishnan 1995, ch. 29) may cover more near
    zero, where the interval ends at zero, but never less: the 99 % sampling interval must reach 95 %.
    """
    rng, s, ears = np.random.default_rng(int(distance * 10)), 0.2 * math.sqrt(2.0), 1000
    readings = np.linalg.norm(rng.normal([distance, 0, 0], s, (ears, 3)), axis=1)
    hits = 0
    for reading in readings:
        low, high = inverted_interval(float(reading), s, dimensions=3)
        hits += low <= distance <= high
    low, high = clopper_pearson(hits, ears, confidence=0.99)
    assert high >= 0.95
    assert low <= (0.99 if distance < 1.0 else 0.955)


def test_interval_from_measure_covers_on_real_landmark_sets() -> None:
    """The whole way, 150 ears at 1 mm: placements drawn, measured by the tool, truth inside or not."""
    rng, ears, hits = np.random.default_rng(3), 150, 0
    settings = Settings(placement_noise_mm=0.2, draws_maximum=20_000, scanner_scale_u=0.0)
    for _ in range(ears):
        head, plate = rng.normal([1.0, 0, 0], 0.2), rng.normal([0.0, 0, 0], 0.2)
        found = _measured([_point("stapes_head", head), _point("footplate_centre", plate)], settings=settings)
        estimate = found["stapes_height"].estimate
        assert estimate is not None
        hits += estimate.low_95 <= 1.0 <= estimate.high_95
    assert clopper_pearson(hits, ears, confidence=0.99)[1] >= 0.95
    assert hits / ears >= 0.90


def test_contact_stack_of_the_worked_gap() -> None:
    """Gap 5.10 u 0.22, cartilage 0.50 u 0.10, seat u 0.05: needed 4.60 u 0.247 (JCGM 100 equation 10)."""
    samples = np.random.default_rng(0).normal(5.10, 0.22, 400_000)
    gap = Estimate(5.10, 0.22, 5.10 - 0.43, 5.10 + 0.43, "mm", "given", draws=len(samples), seed=1)
    recipe = Recipe("total", "", "distance", (), lambda scene: scene.point("umbo"))
    stack = contact_stack(Settings(), reconstruction="total", lateral="drum")
    needed, drawn = needed_length(Outcome(recipe, gap, samples), stack)
    assert needed.value == pytest.approx(4.60)
    assert needed.standard_uncertainty == pytest.approx(0.247, abs=5e-4)
    assert drawn.mean() == pytest.approx(4.60, abs=0.002)
    assert drawn.std() == pytest.approx(0.247, abs=0.001)
    assert needed.low_95 == pytest.approx(4.60 - 1.96 * 0.2468, abs=0.004)


def test_sizes_of_the_worked_length(row_fit_window: dict[str, float]) -> None:
    """Needed 4.60 u 0.25: P(short), P(fits), P(long) and loss 3 : 1 of every size, from draws."""
    row = row_fit_window
    samples = np.random.default_rng(7).normal(4.60, 0.25, 400_000)
    settings = Settings(cost_too_long=3.0, cost_too_short=1.0)
    (one,) = rank_sizes([CatalogueSize("total", row["size"], row["size"])], samples, settings)
    assert one.p_fits == pytest.approx(row["fits_narrow"], abs=0.003)
    assert one.p_long == pytest.approx(row["long"], abs=0.003)
    assert one.p_short == pytest.approx(row["short"], abs=0.003)
    assert one.loss == pytest.approx(row["loss"], abs=0.004)
    assert one.p_short + one.p_fits + one.p_long == pytest.approx(1.0, abs=1e-12)


def test_least_loss_prefers_the_shorter_size_of_the_worked_table() -> None:
    """Cost 3 : 1 puts 4.50 before 4.75 (Arrow, Harris, Marschak 1951, DOI 10.2307/1906813: quantile 0.25)."""
    samples = np.random.default_rng(7).normal(4.60, 0.25, 400_000)
    sizes = [CatalogueSize("total", s, s) for s in (4.0, 4.25, 4.5, 4.75, 5.0)]
    ranked = rank_sizes(sizes, samples, Settings(cost_too_long=3.0, cost_too_short=1.0))
    assert [one.size.label_mm for one in ranked] == [4.5, 4.25, 4.0, 4.75, 5.0]


@pytest.mark.parametrize(("depth_mm", "word"), [(0.5, ""), (0.6, "caution"), (1.0, "caution"), (1.01, "refused")])
def test_piston_depth_limits(depth_mm: float, word: str) -> None:
    """0.5 mm passes, over 1.0 mm is refused (Pauw, Pollak, Fisch 1991, DOI 10.1177/000348949110001203)."""
    flags = protrusion_flags(depth_mm)
    assert (flags[0].split(":")[0] if flags else "") == word
