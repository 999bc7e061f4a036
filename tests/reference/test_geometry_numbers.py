"""Geometry against closed forms and published points: distances, circles, ellipses, rigid fits, planes, curves."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import minimize
from scipy.spatial.transform import Rotation

from ctmeasure.errors import GeometryError
from ctmeasure.geometry import rigid
from ctmeasure.geometry.capsules import segment_segment, tube_clearance
from ctmeasure.geometry.ellipses import cone_lateral_area_mm2, fit_ellipse_2d, fit_ellipse_3d
from ctmeasure.geometry.fits import fit_circle_2d, fit_plane, taubin_circle
from ctmeasure.geometry.frames import Plane
from ctmeasure.geometry.lines import fit_line
from ctmeasure.geometry.polylines import (
    arc_lengths_mm,
    resample_polyline,
    rotation_minimising_frames,
    tangent_at,
    vertex_tangents,
)
from ctmeasure.geometry.vectors import angle_at_deg, angle_deg
from ctmeasure.kernels.distances import segment_segment_distance
from ctmeasure.uncertainty.distributions import generator


def test_segment_pair(row_segment_pairs: dict) -> None:
    row = row_segment_pairs
    ends = [np.asarray(row[k]) for k in ("p1", "q1", "p2", "q2")]
    found = [float(x) for x in segment_segment(ends[0], ends[1], p2_lps=ends[2], q2_lps=ends[3])]
    compiled = [
        float(x[0]) for x in segment_segment_distance(ends[0][None], ends[1][None], p2=ends[2][None], q2=ends[3][None])
    ]
    for distance, s, t in (found, compiled):
        assert distance == pytest.approx(row["distance"], abs=row["tolerance"])
        for value, wanted in ((s, row["s"]), (t, row["t"])):
            if wanted != "":
                assert value == pytest.approx(wanted, abs=row["tolerance"])

    def squared(x: np.ndarray) -> float:
        gap = ends[0] + x[0] * (ends[1] - ends[0]) - ends[2] - x[1] * (ends[3] - ends[2])
        return float(gap @ gap)

    searched = minimize(squared, [0.4, 0.6], bounds=[(0, 1), (0, 1)], tol=1e-14).fun
    assert found[0] == pytest.approx(np.sqrt(searched), abs=1e-4)


GANDER = [[1, 7], [2, 6], [5, 8], [7, 7], [9, 5], [3, 7]]


def test_circle(row_circles: dict) -> None:
    if row_circles["method"] == "taubin":
        centre, radius = taubin_circle(GANDER)
    else:
        fit = fit_circle_2d(GANDER, shortest_arc_deg=0.0)
        centre, radius = fit.centre, fit.radius_mm
        assert 6 * fit.rms_mm**2 == pytest.approx(1.22760, abs=6e-6)  # the same paper's sum of squares
    assert centre == pytest.approx(row_circles["centre"], abs=row_circles["tolerance"])
    assert radius == pytest.approx(row_circles["radius"], abs=row_circles["tolerance"])


def test_shape(row_shapes: dict) -> None:
    row = row_shapes
    if row["quantity"] == "cone_area":
        found = cone_lateral_area_mm2(row["a"], row["b"])
    else:
        angle = np.linspace(0.1, 2 * np.pi, 14, endpoint=False)
        turn = Rotation.from_rotvec([0.3, -0.8, 0.4]).as_matrix()
        outline = np.column_stack([row["a"] / 2 * np.cos(angle), row["b"] / 2 * np.sin(angle), np.zeros_like(angle)])
        fit = fit_ellipse_3d(outline @ turn.T + [3.0, -40.0, 900.0])
        assert fit.diameter_max_mm == pytest.approx(row["a"], abs=1e-6)
        assert fit.diameter_min_mm == pytest.approx(row["b"], abs=1e-6)
        found = fit.area_mm2 if row["quantity"] == "ellipse_area" else fit.perimeter_mm
    assert found == pytest.approx(row["expected"], abs=row["tolerance"])


def test_footplate_margin_beside_a_piston() -> None:
    # Short axis 1.33 mm of Sorge et al. (2018), doi:10.1055/s-0038-1640619, and a 0.6 mm piston in the centre.
    angle = np.linspace(0.0, 2 * np.pi, 12, endpoint=False)
    fit = fit_ellipse_2d(np.column_stack([2.95 / 2 * np.cos(angle), 1.33 / 2 * np.sin(angle)]))
    assert (fit.diameter_min_mm - 0.6) / 2 == pytest.approx(0.365, abs=1e-6)


def test_landmark_triangle(row_triangles: dict) -> None:
    a, b, c = row_triangles["sides"]  # a lies opposite the first angle
    first = np.zeros(3)
    cosine = (b**2 + c**2 - a**2) / (2 * b * c)
    second = np.array([c, 0.0, 0.0])
    third = b * np.array([cosine, np.sqrt(1 - cosine**2), 0.0])
    turn = Rotation.from_rotvec([1.0, 0.4, -0.2])
    p, q, r = turn.apply(np.stack([first, second, third])) + np.array([25.0, -30.0, 110.0])
    assert [np.linalg.norm(q - r), np.linalg.norm(p - r), np.linalg.norm(p - q)] == pytest.approx([a, b, c], abs=0.01)
    found = [float(angle_at_deg(p, q, r)), float(angle_at_deg(r, p, q)), float(angle_at_deg(q, p, r))]
    expected = np.atleast_1d(row_triangles["angles"])
    assert sorted(found, reverse=True)[0] == pytest.approx(expected[0], abs=row_triangles["tolerance"])
    if len(expected) == 3:
        assert sorted(found) == pytest.approx(sorted(expected), abs=row_triangles["tolerance"])
    assert sum(found) == pytest.approx(180.0, abs=1e-9)


def test_facial_canal_segments_sum_to_the_published_total() -> None:
    # Means of 47 subjects, doi:10.15953/j.ctta.2026.163: 2.89 + 2.52 + 11.75 + 16.06 against a total of 33.31 mm.
    bends = Rotation.from_euler("xyz", [[0, 0, 0], [0, 70, 0], [0, 70, 66], [0, 4, 66]], degrees=True)
    steps = bends.apply([[0, 0, 1.0]] * 4) * np.array([2.89, 2.52, 11.75, 16.06])[:, None]
    path = np.concatenate([[[0, 0, 0]], np.cumsum(steps, axis=0)])
    length = float(arc_lengths_mm(resample_polyline(path, 0.25))[-1])
    assert length == pytest.approx(33.22, rel=0.005)
    assert float(arc_lengths_mm(path)[-1]) == pytest.approx(33.31, abs=0.1)


def test_second_genu_angle() -> None:
    # 114 degrees: facial-canal CT without dehiscence, mean; the path here is two straight limbs.
    limb = np.array([np.sin(np.radians(114)), 0.0, np.cos(np.radians(114))])
    path = np.concatenate([np.linspace([0, 0, 9.0], [0, 0, 0], 30)[:-1], np.linspace([0, 0, 0], 9 * limb, 30)])
    before, after = tangent_at(path, [4.0, 14.0], half_window_mm=1.0)
    assert 180.0 - float(angle_deg(before, after)) == pytest.approx(114.0, abs=1.0)


def test_reference_planes() -> None:
    # Tilts 44 and 12 degrees of the stapes plane, Rousset et al. (2014), 208 CTs: acos(cos 44 cos 12) = 45.3 degrees.
    tilted = Rotation.from_euler("xy", [44, 12], degrees=True).apply([0, 0, 1.0])
    assert float(angle_deg([0, 0, 1.0], tilted)) == pytest.approx(45.3, abs=0.1)


def test_three_canal_planes() -> None:
    # Angles between the canals: Lee et al. (2013), doi:10.1002/ar.22664: 92.1, 84.4, 86.2 degrees.
    ab, ac, bc = np.cos(np.radians([92.1, 84.4, 86.2]))
    normals = np.linalg.cholesky(np.array([[1, ab, ac], [ab, 1, bc], [ac, bc, 1]]))
    fitted = []
    for normal in normals:
        basis = np.linalg.svd(normal[None])[2][1:]
        angle = np.radians(np.arange(0, 250, 25.0))
        ring = 3.2 * (np.cos(angle)[:, None] * basis[0] + np.sin(angle)[:, None] * basis[1]) + [30, 5, 80]
        fitted.append(fit_plane(ring, towards_lps=normal).plane.normal_lps)
    found = [float(angle_deg(fitted[i], fitted[j])) for i, j in ((0, 1), (0, 2), (1, 2))]
    assert found == pytest.approx([92.1, 84.4, 86.2], abs=1e-6)


@pytest.mark.parametrize(
    ("normal", "expected"),
    [
        ([-0.58954, 0.78750, -0.17971], 36.8),
        ([-0.58905, -0.78928, -0.17334], 36.7),
        ([-0.69611, -0.66820, -0.26257], 46.2),
    ],
)
def test_vertical_canal_traces(normal: list[float], expected: float) -> None:
    # Mean canal normals of Della Santina et al. (2005), PMC2504595, in Reid's frame (+X nasal, +Y left).
    trace = np.cross(normal, [0, 0, 1.0])
    to_sagittal = float(angle_deg(trace, [1.0, 0, 0]))
    assert min(to_sagittal, 180.0 - to_sagittal) == pytest.approx(expected, abs=0.06)


def test_canal_angles_from_mean_normals() -> None:
    # Della Santina et al. (2005), PMC2504595: left anterior, left horizontal, left posterior.
    la, lh, lp = [-0.58954, 0.78750, -0.17971], [-0.31645, -0.04108, 0.94772], [-0.69611, -0.66820, -0.26257]
    rh = [-0.32891, 0.03566, 0.94369]
    found = [float(angle_deg(a, b)) for a, b in ((la, lp), (la, lh), (lh, lp))]
    assert found == pytest.approx([93.94, 90.92, 90.06], abs=0.01)
    tilts = [float(angle_deg(n, [0, 0, 1.0])) for n in (lh, rh)]
    assert tilts == pytest.approx([18.61, 19.32], abs=0.01)


def test_signed_nerve_position_and_needed_clearance() -> None:
    # Merati et al. (2021), PMID 32809103: 3.66 mm behind the rim, 0.03 mm medial of the annulus plane.
    annulus = Plane([0, 0, 0], [0, 0, 1.0])
    nerve = np.array([1.0, 3.66, -0.03])
    assert float(annulus.signed_distance_mm(nerve)) == pytest.approx(-0.03, abs=1e-12)
    tube = np.array([[-3, 3.66, -0.03], [3, 3.66, -0.03]])
    gap, _ = tube_clearance([[0, 0, 0]], [[0, 0, 2.0]], bur_radius_mm=0.3, tube_lps=tube, tube_radius_mm=[0.7, 0.7])
    assert float(gap[0]) == pytest.approx(np.hypot(3.66, 0.0) - 1.0, abs=0.02)


CROSS = np.array([[30, 0, 0], [-30, 0, 0], [0, 30, 0], [0, -30, 0.0]])
MIDDLE_EAR = np.array([[0, 0, 0], [8, 0, 0], [0, 10, 0], [0, 0, 12], [6, 8, 4], [10, 3, 9.0]])


@pytest.mark.parametrize(
    ("fiducials", "fle", "target", "tre"),
    [(CROSS, 0.3, [0, 0, 50], 0.32532), (MIDDLE_EAR, 0.5, [4, 4, 4], 0.20462), (MIDDLE_EAR, 0.5, [4, 4, -12], 0.47514)],
)
def test_target_registration_error(fiducials: np.ndarray, fle: float, target: list[float], tre: float) -> None:
    # Closed form of Fitzpatrick, West, Maurer (1998), doi:10.1109/42.736021; and by the linearised covariance.
    assert float(rigid.expected_tre_mm(fiducials, target, fle_mm=fle)) == pytest.approx(tre, abs=1e-5)
    covariance = rigid.target_covariance(fiducials, target, fle_covariance=np.eye(3) * fle**2 / 3)
    assert np.sqrt(np.trace(covariance)) == pytest.approx(tre, abs=2e-5)


@pytest.mark.parametrize(("fle", "count", "fre"), [(0.3, 4, 0.21213), (0.5, 6, 0.40825)])
def test_fiducial_registration_error(fle: float, count: int, fre: float) -> None:
    # Sibson (1979), doi:10.1111/j.2517-6161.1979.tb01076.x: <FRE^2> = (1 - 2/N) <FLE^2>.
    assert rigid.expected_fre_mm(fle, count) == pytest.approx(fre, abs=1e-5)


def test_registration_error_by_simulation() -> None:
    # Same sources; 4000 simulated fits of the cross with 0.3 mm: rms TRE 0.325, rms FRE 0.212, uncorrelated.
    rng = generator(2)
    tre, fre = [], []
    for noise in rng.normal(0.0, 0.3 / 3**0.5, (4000, 4, 3)):
        fit = rigid.fit_rigid(CROSS, CROSS + noise)
        fre.append(fit.fre_mm)
        tre.append(np.linalg.norm(fit.apply([0, 0, 50.0]) - [0, 0, 50.0]))
    assert np.sqrt(np.mean(np.square(tre))) == pytest.approx(0.32532, abs=0.008)
    assert np.sqrt(np.mean(np.square(fre))) == pytest.approx(0.21213, abs=0.004)
    assert abs(np.corrcoef(tre, fre)[0, 1]) < 0.06


CORNER = np.array([[0, 0, 0], [10, 0, 0], [0, 20, 0], [0, 0, 30.0]])


def test_exact_rigid_fit() -> None:
    moved = [[10, -5, 2], [18.660254037844386, 0, 2], [0, 12.320508075688775, 2], [10, -5, 32]]
    fit = rigid.fit_rigid(CORNER, moved)
    half = np.sqrt(3) / 2
    assert fit.rotation == pytest.approx(np.array([[half, -0.5, 0], [0.5, half, 0], [0, 0, 1]]), abs=1e-12)
    assert fit.translation_mm == pytest.approx([10, -5, 2], abs=1e-12)


def test_mirror_image_is_refused_with_its_residual() -> None:
    # Umeyama (1991), doi:10.1109/34.88573: the best proper rotation leaves 6.71 mm.
    with pytest.raises(GeometryError, match=r"6\.71 mm.*left/right mix-up"):
        rigid.fit_rigid(CORNER, CORNER * [-1, 1, 1])
    centred = CORNER - CORNER.mean(axis=0)
    rotation, signed = rigid.proper_rotation(centred, centred * [-1, 1, 1], weights=np.full(4, 0.25))
    residual = np.sqrt(np.mean(np.sum((centred @ rotation.T - centred * [-1, 1, 1]) ** 2, axis=1)))
    assert residual == pytest.approx(6.71302, abs=1e-5)
    assert signed[2] < 0.0


def test_umeyama_example() -> None:
    # Umeyama (1991), doi:10.1109/34.88573, section IV: rotation, scale 0.721, mean squared residual 0.533.
    a, b = np.array([[0, 0], [1, 0], [0, 2.0]]), np.array([[0, 0], [-1, 0], [0, 2.0]])
    rotation, signed = rigid.proper_rotation(a - a.mean(0), b - b.mean(0), weights=np.full(3, 1 / 3))
    assert rotation == pytest.approx(np.array([[0.83205, 0.55470], [-0.55470, 0.83205]]), abs=1e-5)
    spread_a, spread_b = (np.mean(np.sum((x - x.mean(0)) ** 2, axis=1)) for x in (a, b))
    scale = signed.sum() / spread_a
    assert scale == pytest.approx(0.72111, abs=1e-5)
    assert b.mean(0) - scale * rotation @ a.mean(0) == pytest.approx([-0.8, 0.4], abs=1e-5)
    assert spread_b - signed.sum() ** 2 / spread_a == pytest.approx(0.53333, abs=1e-5)


def test_goodness_of_fit() -> None:
    # Sibson (1979): N FRE^2 / (FLE^2 / 3) = 35.28 on 12 degrees of freedom; chi square table p = 0.00042.
    assert rigid.fre_p_value(0.70, 6, fle_mm=0.5) == pytest.approx(0.00042, abs=5e-6)


def test_annulus_plane_uncertainty() -> None:
    # Least squares with isotropic noise (closed form): 12 points on R 4.5 mm, 0.2 mm each.
    angle = np.arange(12) * np.pi / 6
    ring = 4.5 * np.column_stack([np.cos(angle), np.sin(angle), np.zeros(12)])
    fit = fit_plane(ring)
    assert fit.spread_mm2 == pytest.approx([121.5, 121.5])
    assert fit.tilt_sd_deg(0.2) == pytest.approx([1.0396, 1.0396], abs=1e-4)
    assert np.linalg.norm(fit.tilt_sd_deg(0.2)) == pytest.approx(1.4704, abs=2e-4)
    assert fit.height_sd_mm([[0, 0, 0], [4.5, 0, 0]], sigma_mm=0.2) == pytest.approx([0.05774, 0.1], abs=1e-5)
    rng = generator(4)
    tilts = [
        fit_plane(ring + rng.normal(0, 0.2, ring.shape), towards_lps=[0, 0, 1]).plane.normal_lps[:2]
        for _ in range(2000)
    ]
    assert np.degrees(np.std(tilts, axis=0)) == pytest.approx([1.04, 1.04], abs=0.06)


def test_axis_of_eleven_centroids() -> None:
    # Least squares (closed form): 11 points 1 mm apart, 0.05 mm each: 0.05 / sqrt(110) rad.
    fit = fit_line([[0, 0, z] for z in range(11)])
    assert fit.tilt_sd_deg(0.05) == pytest.approx(0.2731, abs=1e-4)


def test_semicircular_canal_plane_of_eight_points() -> None:
    # Least squares (closed form): 8 points all round a 3 mm radius, 0.15 mm each: tilt 1.43 degrees per axis.
    angle = np.arange(8) * np.pi / 4
    fit = fit_plane(3.0 * np.column_stack([np.cos(angle), np.sin(angle), np.zeros(8)]))
    assert fit.tilt_sd_deg(0.15) == pytest.approx([1.43, 1.43], abs=0.005)


def test_short_arcs_give_no_radius() -> None:
    rng = generator(6)
    angle = np.radians(np.linspace(0, 100, 13))
    arc = 4.5 * np.column_stack([np.cos(angle), np.sin(angle)]) + rng.normal(0, 0.05, (13, 2))
    with pytest.raises(GeometryError, match="120 degrees"):
        fit_circle_2d(arc)


def test_taubin_stays_centred_on_a_third_of_a_circle() -> None:
    # Chernov (2010), ch. 5 (Taubin nearly unbiased); 13 points on 120 degrees of R 4.5, noise 0.15: mean 4.51.
    rng = generator(8)
    angle = np.radians(np.linspace(0, 120, 13))
    arc = 4.5 * np.column_stack([np.cos(angle), np.sin(angle)])
    radii = [taubin_circle(arc + rng.normal(0, 0.15, arc.shape))[1] for _ in range(2000)]
    assert np.mean(radii) == pytest.approx(4.51, abs=0.02)


HELIX_PITCH = 2.0 / (2.0 * np.pi)


def _helix(per_turn: int) -> np.ndarray:
    t = np.linspace(0.0, 4.0 * np.pi, 2 * per_turn + 1)
    return np.column_stack([3.0 * np.cos(t), 3.0 * np.sin(t), HELIX_PITCH * t])


@pytest.mark.parametrize(("per_turn", "short_percent"), [(8, 2.52), (16, 0.634), (32, 0.159), (64, 0.0397)])
def test_helix_length(per_turn: int, short_percent: float) -> None:
    # Helix R 3, pitch 2, two turns: 4 pi sqrt(R^2 + (p/2pi)^2) = 37.910725 mm; chords fall short by the angle step.
    length = float(arc_lengths_mm(_helix(per_turn))[-1])
    assert 100.0 * (1.0 - length / 37.910725) == pytest.approx(short_percent, rel=5e-3)


def test_frame_does_not_twist_on_a_helix() -> None:
    # Frenet axes turn against the rotation-minimising frame by torsion x length = 1.325891 rad (Bishop (1975),
    # doi:10.2307/2319846).
    points = _helix(200)
    t = np.linspace(0.0, 4.0 * np.pi, len(points))
    inward = np.column_stack([-np.cos(t), -np.sin(t), np.zeros_like(t)])
    frames = rotation_minimising_frames(points, first_hint_lps=inward[0])
    in_frame = np.einsum("ni,nji->nj", inward, frames)
    twist = np.unwrap(np.arctan2(in_frame[:, 1], in_frame[:, 0]))
    assert twist[-1] - twist[0] == pytest.approx(1.325891, abs=2e-3)
    exact = np.column_stack([-3.0 * np.sin(t), 3.0 * np.cos(t), np.full_like(t, HELIX_PITCH)])
    assert float(np.max(angle_deg(vertex_tangents(points), exact))) < 0.06
