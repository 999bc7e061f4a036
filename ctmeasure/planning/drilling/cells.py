"""Cells of the map as records, made from arrays: what many cells share is found once."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Sequence
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from ctmeasure.anatomy.clock import clock_hour
from ctmeasure.anatomy.landmarks import PointLps
from ctmeasure.imaging.wall_path import STATES
from ctmeasure.planning.drilling.clearances import NO_END_FLAG, clearance_u_mm
from ctmeasure.planning.drilling.directions import BLOCKED, UNKNOWN
from ctmeasure.planning.drilling.far_words import names_any
from ctmeasure.planning.drilling.largest import largest_below, largest_contact, least_gap, least_over_margin
from ctmeasure.planning.drilling.places import SHORT_TIP_FLAG, Places
from ctmeasure.planning.drilling.risk import StructureRisk
from ctmeasure.planning.drilling.scene import TAKEN_DOWN_FLAG, Scene
from ctmeasure.planning.drilling.shaft import HIDDEN_FLAG, SHAFT_FLAG
from ctmeasure.planning.drilling.sites import ACCESS_UNKNOWN_FLAG, BRIDGED_FLAG, NOT_MARKED, UNREACHABLE_FLAG
from ctmeasure.planning.drilling.verdict import (
    ANGLE_FLAG,
    ANGLE_REFUSED_FLAG,
    UNSURE_EXIT_FLAG,
    UNSURE_FAR_SIDES,
    place_verdict,
)
from ctmeasure.planning.results import ThicknessState, Verdict, ZoneCell, worst

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Key = TypeVar("Key", bound=Hashable)
Value = TypeVar("Value")


def empty_cell(scene: Scene, angle: float, rim: float, status: str) -> ZoneCell:
    """A cell without a wall: not assessed, and why."""
    state: ThicknessState = "not assessed" if status == "outside scan" else "no wall found"
    return ZoneCell(
        float(angle), float(clock_hour(angle, scene.canal.side)), float(rim), None, None, None, None, None,
        state, None, "not assessed", None, "", None, None, None, "not assessed", (*scene.barred, status),
    )  # fmt: skip


def wall_cells(
    scene: Scene,
    places: Places,
    risks: tuple[StructureRisk, ...],
    *,
    missing: Sequence[tuple[str, ...]],
    touched: Sequence[tuple[str, ...]],
    status: NDArray[np.str_],
) -> list[ZoneCell]:
    """The cells of places on the wall.

    Parameters
    ----------
    scene, places, risks
        The ear, the places and every structure's risk there.
    missing, touched
        Place by place: what is not marked, and what shank or shaft would touch.
    status
        Shape (n,): how the wall was found there.

    Returns
    -------
    list of ZoneCell

    Raises
    ------
    Nothing.
    """
    n, settings, psi = len(places), scene.settings, places.angle_to_normal_deg
    angles, far = places.wall_angle_deg.tolist(), places.far_side.tolist()
    finding = _once(angles, scene.finding_flags)
    down = np.array(_once(angles, scene.taken_down), np.bool_).reshape(n)
    unsure = np.array(_once(far, lambda words: names_any(words, UNSURE_FAR_SIDES)), np.bool_).reshape(n)
    refused = psi > settings.angle_refused_deg
    steep = psi > settings.angle_caution_deg
    flags = [[*scene.barred, *(NOT_MARKED + words for words in lacks)] for lacks in missing]
    for word, rows in (
        (NO_END_FLAG, ~places.ends),
        (ANGLE_REFUSED_FLAG, refused),
        (ANGLE_FLAG, steep & ~refused),
        (UNREACHABLE_FLAG, places.reachable == BLOCKED),
        (ACCESS_UNKNOWN_FLAG, places.reachable == UNKNOWN),
        (SHORT_TIP_FLAG, places.tip_too_short),
        (UNSURE_EXIT_FLAG, unsure),
        (TAKEN_DOWN_FLAG, down),
        (BRIDGED_FLAG, status == "gap"),
        ("under soft tissue", status == "soft tissue"),
        (HIDDEN_FLAG, places.in_sight == 0),
    ):
        for row in np.flatnonzero(rows):
            flags[row].append(word)
    for own, path, found, met in zip(flags, _path_flags(places), finding, touched, strict=True):
        own += [*path, *found, *(SHAFT_FLAG + words for words in met)]
    limited = np.array([bool(f or t) for f, t in zip(finding, touched, strict=True)], np.bool_).reshape(n)
    limited |= (status == "gap") | places.paths.ambiguous
    barred = (down | bool(scene.barred)).tolist()
    lacking = [bool(words) for words in missing]
    keys = zip(
        _worst_structures(risks, n), lacking, places.ends.tolist(), far, steep.tolist(), refused.tolist(), barred,
        limited.tolist(), strict=True,
    )  # fmt: skip
    verdicts = _once(list(keys), _verdict_of)
    return _records(scene, places, risks, flags, verdicts)


def _once(keys: Sequence[Key], make: Callable[[Key], Value]) -> list[Value]:
    """One value a key, each made once."""
    made = {key: make(key) for key in dict.fromkeys(keys)}
    return [made[key] for key in keys]


def _path_flags(places: Places) -> list[tuple[str, ...]]:
    """Flags of the bone paths; paths alike in what flags tell have the same."""
    paths = places.paths
    alike = (paths.state, paths.small_gaps, paths.ambiguous, paths.left_scan, paths.no_exit)
    keys = list(zip(*(column.tolist() for column in alike), strict=True))
    first: dict[Hashable, int] = {}
    for row, key in enumerate(keys):
        first.setdefault(key, row)
    return _once(keys, lambda key: paths.flags(first[key]))


def _worst_structures(risks: tuple[StructureRisk, ...], n: int) -> list[Verdict]:
    """The worst verdict over the structures that have a say at each place; "not assessed" where there is none."""
    said: list[Iterable[Verdict | None]] = [
        risk.verdicts
        if risk.obstacle.measured
        else [v if risk.counts(i) else None for i, v in enumerate(risk.verdicts)]
        for risk in risks
    ]
    return _once(
        list(zip(*said, strict=True)) if said else [()] * n, lambda some: worst(*(v for v in some if v is not None))
    )


def _verdict_of(key: tuple[Verdict, bool, bool, str, bool, bool, bool, bool]) -> Verdict:
    structures, missing, ends, far, steep, refused, barred, limited = key
    return place_verdict(
        (structures,), missing=missing, end_known=ends, far_side=far, steep=steep, refused=refused, barred=barred,
        limited=limited,
    )  # fmt: skip


def _records(
    scene: Scene,
    places: Places,
    risks: tuple[StructureRisk, ...],
    flags: list[list[str]],
    verdicts: list[Verdict],
) -> list[ZoneCell]:
    n, paths = len(places), places.paths
    nearest, tightest = least_gap(risks, n), least_over_margin(risks, n)
    contact, below = largest_contact(risks, n), largest_below(risks, n)
    # The largest share of draws names the riskiest; where there are only limits, what is next to its margin.
    riskiest = np.where(below.which >= 0, below.which, tightest.which)
    names = np.array([*(risk.obstacle.id for risk in risks), ""])
    central = np.stack([*(risk.central_mm for risk in risks), np.full(n, np.nan)])
    for row in np.flatnonzero(places.ends).tolist():
        for which in (int(nearest.which[row]), int(riskiest[row])):
            flags[row] += risks[which].flags(row) if which >= 0 else ()
        # A centre line without radius has no gap; what is known of it is said all the same.
        for risk in risks:
            if not risk.obstacle.measured and risk.counts(row):
                flags[row] += risk.flags(row)
    words: list[ThicknessState] = [STATES[state] for state in places.state.tolist()]  # type: ignore[misc]
    sides = {0: False, 1: True}
    columns = (
        places.wall_angle_deg.tolist(), clock_hour(places.wall_angle_deg, scene.canal.side).tolist(),
        places.rim_distance_mm.tolist(), places.depth_mm.tolist(), _points(places.entry_lps),
        _points(places.direction_lps), places.angle_to_normal_deg.tolist(), _given(paths.to_first_gap_mm), words,
        _given(paths.to_exit_mm), places.far_side.tolist(),
        [{BLOCKED: False, UNKNOWN: None}.get(state, True) for state in places.reachable.tolist()],
        names[nearest.which].tolist(), _given(nearest.value_mm), _given(contact.p), _given(below.p), verdicts,
        [tuple(dict.fromkeys(own)) for own in flags], [sides.get(seen) for seen in places.in_sight.tolist()],
        _given(places.freedom), _given(tightest.value_mm), names[riskiest].tolist(),
        _given(central[riskiest, np.arange(n)]), below.is_limit.tolist(), contact.is_limit.tolist(),
        _given(below.upper), _given(contact.upper), _given(clearance_u_mm(scene, places.bores, risks, nearest.which)),
        _given(paths.to_first_gap_u_mm), _given(np.maximum(paths.to_first_gap_low_mm, 0.0)),
        _given(paths.to_first_gap_high_mm), _given(paths.to_exit_u_mm),
    )  # fmt: skip
    return [ZoneCell(*row) for row in zip(*columns, strict=True)]


def _given(values: Floats) -> list[float | None]:
    return [value if known else None for value, known in zip(values.tolist(), np.isfinite(values), strict=True)]


def _points(values: Floats) -> list[PointLps]:
    return [(x, y, z) for x, y, z in values.tolist()]
