"""An old prosthesis measured from a click near each of its ends."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ctmeasure.anatomy.frames import CanalFrame
from ctmeasure.anatomy.tabledata import table_rows
from ctmeasure.errors import ScanError
from ctmeasure.geometry.vectors import angle_deg
from ctmeasure.imaging.levels import FWHM_PER_SIGMA, POINT_SPREAD_FLAG, point_spread
from ctmeasure.imaging.metal.fit import StrutFit, fit_strut
from ctmeasure.imaging.metal.halo import DENSE_HU, metal_components, unit_of
from ctmeasure.imaging.metal.pieces import Blur
from ctmeasure.imaging.metal.surroundings import Block, block_around
from ctmeasure.progress import Progress, no_progress
from ctmeasure.uncertainty.estimate import Contribution, Estimate
from ctmeasure.volume.quality import METAL_HU, ScanFitness
from ctmeasure.volume.volume import Volume

Floats = NDArray[np.float64]

MARGIN_MM = 4.0
LEAST_RADIUS_U, LEAST_RADIUS_MM = 3.0, 0.05
"""A rod thinner than this many of its own uncertainties, or than this, is none (synthetic ears: 0.1 mm is seen)."""
END_FROM_CLICK_MM = 0.9
"""An end farther than this from every click is flagged (clicks scatter by 0.3 mm an axis): the fit may be astray."""
SHORTEST_MM = 0.8
"""Two clicks nearer together than this are one place."""
END_MODEL_U_MM = 0.08
"""How far an end is found from where it is beyond what the fit itself says, per end (rms on 29 synthetic ears)."""
THIN_SHARP_U_MM = 0.12
"""A bare rod too dark to be cut off, under a kernel that overshoots, is read this uncertain (rms on synthetic ears)."""
SCALE_U = 0.005
"""Relative standard uncertainty of the scanner's own scale (our choice)."""
SHAFT_MODEL_SHARE = 0.12
"""A shaft thinner than the blur is known by its brightness: the metal's own density stays in doubt by about this."""
HEAD_MODEL_U_MM = 0.04
CUT_OFF_FLAG = "metal cut off at the top of the scale"
THIN_FLAG = "shaft below resolution: its diameter comes from its brightness, for titanium"
MIDDLE_EAR_DEPTH_MM = (-11.0, 3.5)
MIDDLE_EAR_RADIUS_MM = 8.0
"""Where metal that nobody marked is named: depth along the canal axis, distance from it (our choice)."""


@dataclass(frozen=True, slots=True, eq=False)
class Prosthesis:
    """A prosthesis as the scan shows it.

    Parameters
    ----------
    fit
        The fitted rod and head.
    length, shaft_diameter, head_diameter
        Estimates in mm; head_diameter None without a head.
    foot_u_mm, top_u_mm
        Standard uncertainty of each end along the axis.
    flags
        What to keep in mind.
    """

    fit: StrutFit
    length: Estimate
    shaft_diameter: Estimate
    head_diameter: Estimate | None
    foot_u_mm: float
    top_u_mm: float
    flags: tuple[str, ...] = ()

    @property
    def foot_lps(self) -> Floats:
        """Medial end of the metal on its axis."""
        return self.fit.foot_lps

    @property
    def top_lps(self) -> Floats:
        """The other end: outer face of the head, where there is one."""
        return self.fit.top_lps

    @property
    def axis_lps(self) -> Floats:
        """Unit vector from foot to top."""
        return self.fit.axis_lps

    def tilt(self, normal_lps: ArrayLike, *, normal_u_deg: float, against: str) -> Estimate:
        """Angle between its axis and a normal, folded to 0-90 degrees.

        The interval comes from a two-dimensional normal error of the direction, whose mean length is not zero.
        """
        normal = np.asarray(normal_lps, dtype=np.float64)
        angle = float(angle_deg(self.axis_lps, normal))
        angle = min(angle, 180.0 - angle)
        across = self.fit.covariance[:3, :3] + self.fit.covariance[3:, 3:]
        side = np.eye(3) - np.outer(self.axis_lps, self.axis_lps)
        own = math.degrees(math.sqrt(max(float(np.trace(side @ across @ side)) / 2.0, 0.0)) / self.fit.length_mm)
        u = math.hypot(own, normal_u_deg)
        low, high = max(angle - 1.96 * u, 0.0), min(angle + 1.96 * u, 90.0)
        if angle < 2.0 * u:
            low, high = 0.0, min(math.hypot(angle, 2.45 * u), 90.0)
        budget = (Contribution("axis of the metal", own), Contribution(against, normal_u_deg))
        return Estimate(angle, u, low, high, "deg", f"angle of the fitted axis to the {against}", budget, self.flags)


def metal_on_ct_words(what: str) -> str:
    """Published bias of metal on CT, to stand beside a number: "length", "width" or "intrusion".

    Example
    -------
    >>> metal_on_ct_words("length")[:54]
    'published: metal on CT reads 0.125 mm (6.25%) too long'
    """
    row = next(row for row in table_rows("metal_on_ct.csv") if row["what"] == what)
    return f"published: metal on CT reads {row['bias_mm']} mm ({row['bias_percent']}%) {row['word']} ({row['source']})"


def measure_prosthesis(
    volume: Volume, clicks_lps: ArrayLike, *, fitness: ScanFitness, progress: Progress = no_progress
) -> Prosthesis:
    """Measure a prosthesis.

    Parameters
    ----------
    volume
        The scan.
    clicks_lps
        Shape (n, 3), LPS mm: one near each end (of more, the two farthest apart count).
    fitness
        What the scan is good for: its point spread and noise.
    progress
        May stop it.

    Returns
    -------
    Prosthesis
        With a head, the top is at the head; else the top is the second click's end.

    Raises
    ------
    ScanError
        When there is no metal at the clicks, they lie outside the scan, or all in one place.
    ctmeasure.errors.Cancelled
        When the listener asks to stop.

    Notes
    -----
    A rod and a disc seen through the scan's blur, values cut off where the scan cuts them off, are fitted to all voxels
    around: no threshold anywhere. Blur and kernel overshoot are refined on the metal itself. From one click the two
    ends cannot be told (half of them were found more than 0.3 mm off on synthetic ears), so a second one is asked for.

    References
    ----------
    ``anatomy/tables/metal_on_ct.csv`` holds what is published on metal lengths read from CT.
    """
    clicks = np.asarray(clicks_lps, dtype=np.float64).reshape(-1, 3)
    if not len(clicks) or not np.isfinite(clicks).all() or not np.all(volume.geometry.contains_lps(clicks)):
        raise ScanError("clicks outside the scan", expected="one or two points on the metal", action="click on it")
    ends = _two_ends(clicks)
    if ends is None:
        raise ScanError(
            "the prosthesis is marked at one place, which does not tell its two ends",
            expected="a click near each end",
            action="click its other end too",
        )
    block, blur = metal_block(volume, np.array(ends), fitness=fitness)
    fit = fit_strut(block, *ends, blur=blur, progress=progress)
    if fit.radius_mm < max(LEAST_RADIUS_U * fit.radius_u_mm, LEAST_RADIUS_MM) or fit.length_mm < SHORTEST_MM:
        raise ScanError(
            "no metal brighter than what lies around it between the clicks",
            expected="a rod, with or without a head",
            action="click both of its ends",
        )
    flags = (POINT_SPREAD_FLAG,) if point_spread(volume, fitness).assumed else ()
    away = max(float(np.linalg.norm(clicks - end, axis=1).min()) for end in (fit.foot_lps, fit.top_lps))
    astray = away > END_FROM_CLICK_MM
    if astray:
        flags = (*flags, f"an end lies {away:.1f} mm from the nearest click: look at it in the scan")
    return _measured(fit, volume, flags, astray_mm=away if astray else 0.0)


def metal_block(volume: Volume, points_lps: Floats, *, fitness: ScanFitness) -> tuple[Block, Blur]:
    """The box of a scan around points on metal, and the blur found on bone.

    Parameters
    ----------
    volume, fitness
        The scan and what it is good for.
    points_lps
        Shape (n, 3), LPS mm.

    Returns
    -------
    Block, Blur

    Raises
    ------
    ScanError
        When the points lie outside the scan.
    """
    spread = point_spread(volume, fitness)
    unit, air = unit_of(fitness, intensity_unit=volume.source.intensity_unit)
    dense = air + unit * (DENSE_HU + 1000.0)
    block = block_around(volume, points_lps, margin_mm=MARGIN_MM, noise=fitness.noise_hu, unit=unit, dense=dense)
    blur = Blur(spread.in_plane_mm / FWHM_PER_SIGMA, spread.through_plane_mm / FWHM_PER_SIGMA, spread.slice_normal_lps)
    return block, blur


def _whole(volume: Volume, fit: StrutFit) -> bool:
    return bool(np.all(volume.geometry.contains_lps(np.array([fit.foot_lps, fit.top_lps]))))


def _measured(fit: StrutFit, volume: Volume, said: tuple[str, ...], *, astray_mm: float) -> Prosthesis:
    length = fit.length_mm
    parts = [
        Contribution("fit: noise, streaks, blur, what the metal hides", fit.length_u_mm),
        Contribution("shape of the two ends", math.sqrt(2.0) * END_MODEL_U_MM),
        Contribution("scale of the scanner", SCALE_U * length),
    ]
    if not fit.has_head and not fit.cut_off and fit.blur.overshoot > 0.0:
        parts.append(Contribution("thin bare rod under a sharp kernel", THIN_SHARP_U_MM))
    if astray_mm:
        parts.append(Contribution("fit and clicks disagree", 0.5 * astray_mm))
    u = math.sqrt(sum(part.standard_uncertainty**2 for part in parts))
    flags = [*said, *([CUT_OFF_FLAG] if fit.cut_off else [])]
    flags += [] if _whole(volume, fit) else ["a part of it lies outside the scan"]
    axis = fit.axis_lps
    ends = [
        math.hypot(math.sqrt(max(float(axis @ fit.covariance[part, part] @ axis), 0.0)), END_MODEL_U_MM)
        for part in (slice(0, 3), slice(3, 6))
    ]
    method = "blurred rod" + (" and disc" if fit.has_head else "") + " fitted to the voxels"
    shaft_u = math.hypot(2.0 * fit.radius_u_mm, SHAFT_MODEL_SHARE * 2.0 * fit.radius_mm)
    thin = (THIN_FLAG,) if fit.radius_mm < 1.5 * fit.blur.in_plane_sd_mm else ()
    head = None
    if fit.has_head:
        head = _estimate(2.0 * fit.head_radius_mm, math.hypot(2.0 * fit.head_radius_u_mm, HEAD_MODEL_U_MM), method)
        head = head.with_flags(*flags)
    return Prosthesis(
        fit,
        _estimate(length, u, method, tuple(parts)).with_flags(*flags, metal_on_ct_words("length")),
        _estimate(2.0 * fit.radius_mm, shaft_u, method).with_flags(*flags, *thin, metal_on_ct_words("width")),
        head,
        ends[0],
        ends[1],
        tuple(flags),
    )


def _estimate(value: float, u: float, method: str, budget: tuple[Contribution, ...] = ()) -> Estimate:
    return Estimate(value, u, max(value - 1.96 * u, 0.0), value + 1.96 * u, "mm", method, budget)


def _two_ends(clicks: Floats) -> tuple[Floats, Floats] | None:
    """The two clicks farthest apart, in their order; None when they are one place."""
    apart = np.linalg.norm(clicks[:, None] - clicks[None], axis=2)
    a, b = np.unravel_index(int(np.argmax(apart)), apart.shape)
    return (clicks[min(a, b)], clicks[max(a, b)]) if apart[a, b] > SHORTEST_MM else None


def unmarked_metal_lps(volume: Volume, canal: CanalFrame, *, fitness: ScanFitness) -> list[Floats]:
    """Middles of the groups of metal voxels in the middle ear, largest first, LPS mm; empty is "none seen".

    Parameters
    ----------
    volume, fitness
        The scan and what it is good for.
    canal
        The canal frame.

    Returns
    -------
    list of numpy.ndarray

    Raises
    ------
    Nothing.
    """
    unit, air = unit_of(fitness, intensity_unit=volume.source.intensity_unit)
    middles = [g.mean(axis=0) for g in metal_components(volume, threshold=air + unit * (METAL_HU + 1000.0))]
    return [m for m in middles if _in_middle_ear(m, canal)]


def _in_middle_ear(middle_lps: Floats, canal: CanalFrame) -> bool:
    depth, radius = float(canal.depth_mm(middle_lps)), float(canal.radius_mm(middle_lps))
    return MIDDLE_EAR_DEPTH_MM[0] < depth < MIDDLE_EAR_DEPTH_MM[1] and radius < MIDDLE_EAR_RADIUS_MM


def marked_axis_lps(found: Prosthesis) -> Floats:
    """Points along the axis of a measured prosthesis, shape (n, 3): metal however dark a thin rod reads."""
    return np.asarray(found.foot_lps + np.linspace(0.0, 1.0, 25)[:, None] * (found.top_lps - found.foot_lps))
