"""A mean ear with its spread, laid through the first clicks: where every other landmark is to be expected."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from ctmeasure.anatomy.landmarks import LandmarkSet
from ctmeasure.anatomy.tabledata import table_rows
from ctmeasure.anatomy.vocabulary import Side
from ctmeasure.errors import LandmarkError

Floats = NDArray[np.float64]
Place = tuple[str, int]

CLICK_SD_MM = 0.35
"""A click is off by about 0.3 mm per axis (our choice); a little more, since no real ear is one of the table's."""
POSE_SD_RAD = 0.35
"""How far a head lies turned in the scanner, and the lateral canal in the head (our choice)."""
ROUNDS = 10
WIDENED = 1.3
"""The spread of a generator's ears understates that of people's (our choice): every suggestion's doubt is widened."""
LEAST_CLICKS = 3
FIRST_CLICKS = (
    "canal_medial", "canal_lateral", "footplate_centre", "annulus", "lateral_semicircular_canal",
    "superior_semicircular_canal", "umbo", "promontory", "round_window", "stapes_head", "malleus_lateral_process",
    "malleus_neck", "incus_short_process", "cochleariform_process", "pyramidal_eminence", "second_genu",
)  # fmt: skip
"""Clicks that the mean ear is laid through: points of bone and ossicles that keep their place."""


@dataclass(frozen=True, slots=True, eq=False)
class MeanEar:
    """Means (n, 3), loadings (n, 3, k) and rests (n, 3) of places, ear frame mm (x out, y posterior, z superior)."""

    places: tuple[Place, ...]
    mean: Floats
    loadings: Floats
    rest: Floats
    rim_angles_deg: Floats

    def at(self, place: Place) -> int:
        """Row of a place."""
        return self.places.index(place)

    def indices(self, name: str) -> tuple[int, ...]:
        """Rows of every place of one id."""
        return tuple(n for n, (other, _) in enumerate(self.places) if other == name)


@lru_cache(maxsize=1)
def mean_ear() -> MeanEar:
    """The shipped table; made by ``python -m ctmeasure_samples mean-ear``.

    Example
    -------
    >>> len(mean_ear().indices("annulus"))
    16
    """
    rows = table_rows("mean_ear.csv")
    names = tuple((row["id"], int(row["index"])) for row in rows[::3])
    loadings = np.array([[float(v) for k, v in row.items() if k[0] == "c"] for row in rows])
    angles = np.array([float(row["wall_angle_deg"]) for row in rows[::3] if row["wall_angle_deg"]])
    return MeanEar(
        names,
        np.array([float(row["mean_mm"]) for row in rows]).reshape(-1, 3),
        loadings.reshape(len(names), 3, -1),
        np.array([float(row["rest_mm"]) for row in rows]).reshape(-1, 3),
        angles,
    )


@dataclass(frozen=True, slots=True, eq=False)
class LaidEar:
    """The mean ear fitted to clicks.

    Parameters
    ----------
    points_lps, covariances
        Shape (n, 3) and (n, 3, 3): every place of the table, mm and mm2.
    axes_lps
        Rows x (out), y (posterior), z (superior) of the ear in LPS; of a right ear left-handed.
    rms_mm
        How well the clicks agree with it.
    """

    ear: MeanEar
    points_lps: Floats
    covariances: Floats
    axes_lps: Floats
    rms_mm: float

    def point_lps(self, name: str, index: int = 0) -> Floats:
        """Expected place of one landmark."""
        return self.points_lps[self.ear.at((name, index))]

    def covariance(self, name: str, index: int = 0) -> Floats:
        """Its covariance."""
        return self.covariances[self.ear.at((name, index))]


def lay_mean_ear(landmarks: LandmarkSet, side: Side) -> LaidEar:
    """Lay the mean ear through what is placed.

    Parameters
    ----------
    landmarks
        At least ``canal_medial``, ``canal_lateral`` and one of `FIRST_CLICKS` more.
    side
        The ear's side.

    Returns
    -------
    LaidEar

    Raises
    ------
    LandmarkError
        When too little is placed.

    Notes
    -----
    Rigid pose and shape together by least squares: the shape's components have unit variance in the table, the pose a
    weak prior from the scanner's directions. Points of the rim are compared at their own wall angle.
    """
    from scipy.optimize import least_squares
    from scipy.spatial.transform import Rotation

    used = [name for name in FIRST_CLICKS if landmarks.placed(name)]
    if not landmarks.placed("canal_medial", "canal_lateral") or len(used) < LEAST_CLICKS:
        raise LandmarkError(
            f"{len(used)} of the first clicks placed",
            expected="canal_medial, canal_lateral, footplate_centre, and the drum rim or the umbo",
            action="place these first",
        )
    ear = mean_ear()
    out = np.diag([1.0 if side == "left" else -1.0, 1.0, 1.0])
    count = ear.loadings.shape[2]
    origin = landmarks.point_lps("canal_medial")
    state = np.zeros(6 + count)
    for _ in range(ROUNDS):
        rows, weights, clicks = _compared(ear, landmarks, used, state, out, origin)

        def residual(p: Floats, rows: Floats = rows, weights: Floats = weights, clicks: Floats = clicks) -> Floats:
            turn = Rotation.from_rotvec(p[:3]).as_matrix() @ out
            shape = rows[..., 0] + rows[..., 1:] @ p[6:]
            off = (shape @ turn.T + p[3:6] + origin - clicks) * weights
            return np.concatenate([off.ravel(), p[:3] / POSE_SD_RAD, p[6:]])

        fit = least_squares(residual, state, method="lm")
        state = fit.x
    turn = Rotation.from_rotvec(state[:3]).as_matrix() @ out
    covariance = np.linalg.inv(fit.jac.T @ fit.jac + 1e-9 * np.eye(len(state)))
    points = (ear.mean + ear.loadings @ state[6:]) @ turn.T
    covariances = _covariances(ear, turn, points, covariance)
    off = fit.fun[: rows.shape[0] * 3].reshape(-1, 3) / weights
    rms = float(np.sqrt((off**2).sum(axis=1).mean()))
    return LaidEar(ear, points + state[3:6] + origin, covariances, turn.T, rms)


def _covariances(ear: MeanEar, turn: Floats, points: Floats, covariance: Floats) -> Floats:
    out = np.empty((len(points), 3, 3))
    for n, point in enumerate(points):
        # derivative by a small further turn about the fitted one, by the shift, by the components
        cross = np.array([[0, point[2], -point[1]], [-point[2], 0, point[0]], [point[1], -point[0], 0]])
        by = np.concatenate([cross, np.eye(3), turn @ ear.loadings[n]], axis=1)
        rest = turn @ np.diag(ear.rest[n] ** 2) @ turn.T
        out[n] = WIDENED**2 * (by @ covariance @ by.T + rest)
    return out


def _compared(
    ear: MeanEar, landmarks: LandmarkSet, used: list[str], state: Floats, out: Floats, origin: Floats
) -> tuple[Floats, Floats, Floats]:
    """Mean and loadings (n, 3, 1 + k) against weights (n, 3) and clicks (n, 3)."""
    from scipy.spatial.transform import Rotation

    turn = Rotation.from_rotvec(state[:3]).as_matrix() @ out
    rows, weights, clicks = [], [], []
    full = np.concatenate([ear.mean[..., None], ear.loadings], axis=2)
    for name in used:
        index = list(ear.indices(name))
        points = landmarks[name].points_lps
        if name == "annulus":
            own = (points - state[3:6] - origin) @ turn
            table = _rim_rows(ear, full[index], own)
            rest = np.full((len(points), 3), 0.1)
        elif len(index) > 1:
            table, points, rest = _curve_rows(ear, full[index], points, state, turn, origin)
        else:
            table, rest = full[index], ear.rest[index]
        rows.append(table)
        clicks.append(points)
        weights.append(1.0 / np.hypot(rest, CLICK_SD_MM))
    return np.concatenate(rows), np.concatenate(weights), np.concatenate(clicks)


def _rim_rows(ear: MeanEar, table: Floats, own: Floats) -> Floats:
    """Rows of the rim at the wall angles of clicks in the ear's frame; between neighbours by shares."""
    mean = table[..., 0]
    axis = mean.mean(axis=0)
    angle = np.mod(np.degrees(np.arctan2(own[:, 1] - axis[1], own[:, 2] - axis[2])), 360.0)
    known = np.mod(np.degrees(np.arctan2(mean[:, 1] - axis[1], mean[:, 2] - axis[2])), 360.0)
    order = np.argsort(known)
    known = np.concatenate([known[order[-1:]] - 360.0, known[order], known[order[:1]] + 360.0])
    order = np.concatenate([order[-1:], order, order[:1]])
    place = np.clip(np.searchsorted(known, angle) - 1, 0, len(known) - 2)
    share = ((angle - known[place]) / (known[place + 1] - known[place]))[:, None, None]
    return (1.0 - share) * table[order[place]] + share * table[order[place + 1]]


def _curve_rows(
    ear: MeanEar, table: Floats, points: Floats, state: Floats, turn: Floats, origin: Floats
) -> tuple[Floats, Floats, Floats]:
    """Rows of a curve at the places nearest to the clicks: along the curve a click says nothing."""
    own = (points - state[3:6] - origin) @ turn
    line = table[..., 0] + table[..., 1:] @ state[6:]
    fine = np.linspace(0.0, len(line) - 1.0, 8 * (len(line) - 1) + 1)
    low = np.minimum(fine.astype(int), len(line) - 2)
    share = (fine - low)[:, None, None]
    dense = (1.0 - share) * table[low] + share * table[low + 1]
    dense_line = (1.0 - share[..., 0]) * line[low] + share[..., 0] * line[low + 1]
    nearest = np.argmin(np.linalg.norm(own[:, None] - dense_line[None], axis=2), axis=1)
    return dense[nearest], points, np.full((len(points), 3), 0.15)
