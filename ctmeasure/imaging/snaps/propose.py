"""Propose every remaining landmark from the first clicks: a mean ear, corrected by what the image shows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ctmeasure.anatomy.frames import CanalFrame, canal_frame, rim_points_lps
from ctmeasure.anatomy.landmarks import Landmark, LandmarkSet, Placement
from ctmeasure.anatomy.suggestions import NotProposed, Suggestion
from ctmeasure.anatomy.vocabulary import Side, landmark_terms
from ctmeasure.errors import CtmeasureError
from ctmeasure.imaging.ossicles.find import MOVES_WITH, OssicleFinding, find_ossicles
from ctmeasure.imaging.snaps.mean_ear import FIRST_CLICKS, LaidEar, lay_mean_ear
from ctmeasure.imaging.snaps.snap import Snap, agrees, fused, snap_to_edge, snap_to_ridge
from ctmeasure.imaging.tubes.tissue import TubeLevels, tube_levels
from ctmeasure.progress import Progress, no_progress, part_of
from ctmeasure.volume.quality import ScanFitness
from ctmeasure.volume.volume import Volume

Floats = NDArray[np.float64]

BLOCK_MM = 12.0
CANAL_RADIUS_MM = 0.52
FACIAL_RADIUS_MM = 0.65
WORST_U_MM = 1.2
"""A place less sure than this per axis is not proposed: a person finds it as fast."""
OTHER_MM = 0.8
"""The rim's radius is read this far out of the rim, its depth this far beyond its edge, in bone."""
RIM_SLANT_U_MM = 0.15
DRUM_U_MM = 0.3
"""The middle of a shallow drum is a matter of taste (found on synthetic ears)."""
NEVER = {
    "anchor_1": "holes are planned, not found", "anchor_2": "holes are planned, not found",
    "handle_tip": "a replaced handle is measured from two clicks", "handle_contact": "a choice of the surgeon",
    "handle_top": "a replaced handle is measured from two clicks",
    "old_prosthesis": "an implant is measured from two clicks",
    "spine_of_henle": "lies too far out to follow from these clicks",
    "drum_contact": "a choice of the surgeon",
}  # fmt: skip
STAPES = "stapes head"
OSSICLE_U_MM = 0.2
"""How well the middle of a process is read across it (our choice)."""
FOOTPLATE = (
    "footplate_centre",
    "footplate_anterior",
    "footplate_posterior",
    "footplate_superior",
    "footplate_inferior",
)


@dataclass(frozen=True, slots=True)
class Proposals:
    """Suggestions, what could not be suggested, and which ossicles the image shows."""

    suggestions: tuple[Suggestion, ...]
    not_proposed: tuple[NotProposed, ...]
    ossicles: tuple[OssicleFinding, ...] = ()


@dataclass(slots=True)
class _Place:
    """A place while it is worked on."""

    point: Floats
    covariance: Floats
    said: str = ""


Found = dict[tuple[str, int], _Place]


def propose(
    landmarks: LandmarkSet, side: Side, *, volume: Volume, fitness: ScanFitness, progress: Progress = no_progress
) -> Proposals:
    """Propose what is not placed yet.

    Parameters
    ----------
    landmarks
        The first clicks: ``canal_medial``, ``canal_lateral`` and at least one of ``footplate_centre``, ``annulus``,
        ``umbo``, ``lateral_semicircular_canal``; the more, the better.
    side
        The ear's side.
    volume, fitness
        The scan and what it is good for.
    progress
        May stop it.

    Returns
    -------
    Proposals
        Never what is placed or has a status already.

    Raises
    ------
    ctmeasure.errors.LandmarkError
        When too little is placed or it contradicts the side.
    ctmeasure.errors.ScanError
        When the clicks lie outside the scan.
    ctmeasure.errors.Cancelled
        When the listener asks to stop.

    Notes
    -----
    A mean ear is laid through the clicks; around each expected place the image is asked; what it shows (footplate,
    drum, rings of the inner ear, promontory, rim, facial canal) is combined with the expectation, and the mean ear is
    laid anew through clicks and findings together. What the image does not show keeps the mean ear's place and says so.
    """
    canal = canal_frame(landmarks, side)
    progress("suggestions: mean ear", 0.0)
    first = lay_mean_ear(landmarks, side)
    block = volume.crop_around(first.points_lps[_near(first)], margin_mm=1.5)
    levels = tube_levels(block, fitness)
    seen: Found = {}
    seen |= _footplate(block, landmarks, side, canal, fitness, first, part_of(progress, 0.05, 0.4))
    progress("suggestions: inner ear and rim", 0.4)
    _surfaces(block, levels, first, canal, seen)
    second = lay_mean_ear(_with(landmarks, seen), side)
    progress("suggestions: second look", 0.6)
    seen = {key: place for key, place in seen.items() if key[0] in FOOTPLATE}
    _surfaces(block, levels, second, canal, seen)
    seen |= _drum(block, landmarks, canal, fitness, seen, part_of(progress, 0.7, 0.95))
    final = lay_mean_ear(_with(landmarks, seen), side)
    ossicles = find_ossicles(volume, final, fitness=fitness)
    progress("suggestions: ready", 1.0)
    suggestions, missing = _listed(landmarks, final, seen, volume, ossicles)
    return Proposals(suggestions, missing, ossicles)


def _near(ear: LaidEar) -> list[int]:
    return [n for n, (name, _) in enumerate(ear.ear.places) if name != "spine_of_henle"]


def _with(landmarks: LandmarkSet, seen: Found) -> LandmarkSet:
    """The clicks with what the image showed beside them, for laying the mean ear only."""
    out = landmarks
    for name in {key[0] for key in seen}:
        own = sorted(key[1] for key in seen if key[0] == name)
        usable = name in FIRST_CLICKS and not landmarks.placed(name)
        if usable and (name != "annulus" or len(own) >= 4) and ("semicircular" not in name or len(own) >= 3):
            clicks = tuple(Placement(tuple(float(v) for v in seen[name, i].point), i) for i in own)  # type: ignore[arg-type]
            out = out.with_landmark(Landmark(name, "placed", clicks))
    if ("footplate_centre", 0) in seen and landmarks.placed("footplate_centre"):
        point = tuple(float(v) for v in seen["footplate_centre", 0].point)
        out = out.with_landmark(Landmark("footplate_centre", "placed", (Placement(point),)))  # type: ignore[arg-type]
    return out


def _footplate(
    block: Volume,
    landmarks: LandmarkSet,
    side: Side,
    canal: CanalFrame,
    fitness: ScanFitness,
    ear: LaidEar,
    progress: Progress,
) -> Found:
    from ctmeasure.imaging.footplate.find import find_footplate

    click = ear.point_lps("footplate_centre")
    if landmarks.placed("footplate_centre"):
        click = landmarks.point_lps("footplate_centre")
    try:
        plate = find_footplate(block, click, side=side, canal=canal, fitness=fitness, progress=progress)
    except CtmeasureError:
        return {}
    turn = plate.axes_lps
    flat = plate.covariance
    out: Found = {("footplate_centre", 0): _Place(plate.centre_lps, flat, "footplate found in its window")}
    for name, axis, sign in (("anterior", 0, -1), ("posterior", 0, 1), ("superior", 1, 1), ("inferior", 1, -1)):
        reach, tip = float(plate.half_axes_mm[axis]), float(plate.tilt_u_rad[axis])
        own = flat + float(plate.half_axes_u_mm[axis]) ** 2 * np.outer(turn[axis], turn[axis])
        own = own + (reach * tip) ** 2 * np.outer(turn[2], turn[2])
        point = plate.centre_lps + sign * reach * turn[axis]
        out[f"footplate_{name}", 0] = _Place(point, own, "end of the found footplate")
    return out


def _drum(
    block: Volume, landmarks: LandmarkSet, canal: CanalFrame, fitness: ScanFitness, seen: Found, progress: Progress
) -> Found:
    from ctmeasure.imaging.drum.find import find_drum

    if landmarks.placed("annulus"):
        rim = rim_points_lps(landmarks, canal)
    else:
        rim = np.array([place.point for (name, _), place in seen.items() if name == "annulus"])
    if len(rim) < 8:
        return {}
    try:
        drum = find_drum(block, rim, canal=canal, fitness=fitness, progress=progress)
    except CtmeasureError:
        return {}
    words = f"middle of the drum's medial surface ({drum.form})"
    return {("drum_centre", 0): _Place(drum.centre_lps, drum.covariance + DRUM_U_MM**2 * np.eye(3), words)}


def _surfaces(block: Volume, levels: TubeLevels, ear: LaidEar, canal: CanalFrame, seen: Found) -> None:
    """Rings of the inner ear, facial canal, promontory and rim, each where the image agrees with the mean ear."""
    for name, radius in (
        ("lateral_semicircular_canal", CANAL_RADIUS_MM),
        ("superior_semicircular_canal", CANAL_RADIUS_MM),
        ("facial_nerve", FACIAL_RADIUS_MM),
    ):
        rows = list(ear.ear.indices(name))
        way = np.gradient(ear.points_lps[rows], axis=0)
        for n, row in enumerate(rows):
            snap = snap_to_ridge(block, ear.points_lps[row], along_lps=way[n], radius_mm=radius, levels=levels)
            _take(ear, (name, n), snap, seen)
    inwards = -canal.axis_lps
    for name in ("promontory",):
        snap = snap_to_edge(block, ear.point_lps(name), along_lps=inwards, levels=levels)
        _take(ear, (name, 0), snap, seen)
    for n, row in enumerate(ear.ear.indices("annulus")):
        snap = _rim_snap(block, levels, ear.points_lps[row], canal)
        _take(ear, ("annulus", n), snap, seen)
    for name in ("anterior_tympanic_spine", "posterior_tympanic_spine"):
        snap = _rim_snap(block, levels, ear.point_lps(name), canal)
        _take(ear, (name, 0), snap, seen)


def _rim_snap(block: Volume, levels: TubeLevels, point: Floats, canal: CanalFrame) -> Snap:
    """The rim at one wall angle: its radius from the canal wall just outside, its depth from its medial face."""
    out, axis = canal.direction_lps(canal.wall_angle_deg(point)), canal.axis_lps
    wall = snap_to_edge(block, point + OTHER_MM * axis, along_lps=out, levels=levels)
    face = snap_to_edge(block, point + OTHER_MM * out, along_lps=axis, levels=levels)
    where, covariance = point, 9.0 * np.eye(3)
    if wall.found:
        where = where + float((wall.point_lps - point - OTHER_MM * axis) @ out) * out
        covariance = covariance - (9.0 - RIM_SLANT_U_MM**2) * np.outer(out, out)
    if face.found:
        where = where + float((face.point_lps - point - OTHER_MM * out) @ axis) * axis
        covariance = covariance - (9.0 - 4.0 * RIM_SLANT_U_MM**2) * np.outer(axis, axis)
    said = " and ".join(
        word for word, hit in (("canal wall", wall.found), ("medial edge of the rim", face.found)) if hit
    )
    found = wall.found or face.found
    return Snap(where, covariance, float(np.linalg.norm(where - point)), found, said or "no edge of bone")


def _take(ear: LaidEar, key: tuple[str, int], snap: Snap, seen: Found) -> None:
    """Keep a snap that lies where it may be expected, combined with the expectation."""
    expected, covariance = ear.point_lps(*key), ear.covariance(*key)
    if snap.found and agrees(expected, covariance, snap):
        seen[key] = _Place(*fused(expected, covariance, snap), snap.why)


def _ossicle(name: str, ear: LaidEar, ossicles: tuple[OssicleFinding, ...]) -> _Place | str:
    """Where a landmark of an ossicle is, or why it is not proposed."""
    item, sight = next((item, s) for item in ossicles for s in item.sights if s.part.name == MOVES_WITH[name])
    if name == "incudostapedial_joint" and not any(s.seen for i in ossicles for s in i.sights if s.part.name == STAPES):
        return "no stapes head is seen for the incus to join"
    if not sight.seen or item.state == "not seen":
        return f"{item.id}: {item.state}; {sight.words}"
    expected, covariance = ear.point_lps(name), ear.covariance(name)
    way = sight.part.end_lps - sight.part.start_lps
    if not way.any():
        return _Place(expected, covariance, sight.words)
    way = way / np.linalg.norm(way)
    across = OSSICLE_U_MM**2 * (np.eye(3) - np.outer(way, way)) + 9.0 * np.outer(way, way)
    snap = Snap(expected + sight.shift_lps, across, sight.moved_mm, True, sight.words)
    return _Place(*fused(expected, covariance, snap), sight.words)


def _listed(
    landmarks: LandmarkSet, ear: LaidEar, seen: Found, volume: Volume, ossicles: tuple[OssicleFinding, ...]
) -> tuple[tuple[Suggestion, ...], tuple[NotProposed, ...]]:
    suggestions: list[Suggestion] = []
    missing: list[NotProposed] = []
    for name in (*landmark_terms(), "facial_nerve"):
        if name in landmarks:
            continue
        rows = ear.ear.indices(name)
        if name in NEVER or not rows:
            missing.append(NotProposed(name, NEVER.get(name, "no place for it in the mean ear")))
            continue
        if name in MOVES_WITH:
            place = _ossicle(name, ear, ossicles)
            if isinstance(place, str):
                missing.append(NotProposed(name, place))
                continue
            seen = {**seen, (name, 0): place}
        expected = {key: _Place(ear.points_lps[r], ear.covariances[r]) for r in rows for key in [ear.ear.places[r]]}
        places = [seen.get(key, place) for key, place in expected.items()]
        points = np.array([place.point for place in places])
        u = [float(np.sqrt(np.trace(place.covariance) / 3.0)) for place in places]
        shown = [place.said for place in places if place.said]
        if not np.all(volume.geometry.contains_lps(points)):
            missing.append(NotProposed(name, "it would lie outside the scan"))
        elif max(u) > WORST_U_MM:
            missing.append(NotProposed(name, f"its place is not sure enough (u {max(u):.1f} mm)"))
        else:
            suggestions.append(_suggestion(name, points, u, shown))
    return tuple(suggestions), tuple(missing)


def _suggestion(name: str, points: Floats, u: list[float], shown: list[str]) -> Suggestion:
    words = "where a mean ear laid through the clicks has it; the image was not asked or does not show it"
    if shown:
        count = f" ({len(shown)} of {len(points)} points)" if len(points) > 1 else ""
        words = f"in the image: {shown[0]}{count}"
    where = tuple((float(x), float(y), float(z)) for x, y, z in points)
    return Suggestion(name, where, tuple(u), words, bool(shown), name == "facial_nerve")
