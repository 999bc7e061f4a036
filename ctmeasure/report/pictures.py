"""Key pictures: reformats with their marks, named by the hash of what they show, so that none is ever silently old."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from ctmeasure.anatomy.frames import CanalFrame, canal_frame
from ctmeasure.anatomy.landmarks import PointLps
from ctmeasure.anatomy.planes import standard_planes
from ctmeasure.anatomy.structures import Ball, Patch, Tube
from ctmeasure.anatomy.vocabulary import landmark_term, landmark_terms, structure_term
from ctmeasure.case.doubts import landmark_doubts
from ctmeasure.case.holes import pair_holes
from ctmeasure.case.model import Case, Picture
from ctmeasure.errors import CtmeasureError
from ctmeasure.geometry.vectors import unit
from ctmeasure.progress import Progress, no_progress
from ctmeasure.report.doubts import drawn_covariance
from ctmeasure.report.figures.marks import HoleMark, Mark, PatchMark, SlicePlane, TubeMark
from ctmeasure.report.figures.slices import MARK_WITHIN_MM, mark_numbers, side_words, slice_picture
from ctmeasure.report.page_one import first_pair
from ctmeasure.report.plain import canonical_hash
from ctmeasure.report.scene import site_letters
from ctmeasure.volume.reformat import PlaneSpec, direction_letters, reformat
from ctmeasure.volume.volume import Volume

PICTURE_STYLE = 3
"""Raised when pictures are drawn differently, so that stored ones of the old look count as stale."""
HASH_LETTERS = 12
KEY_PLANES = (
    "canal_upright",
    "canal_level",
    "lateral_canal_coronal",
    "oval_window",
    "stapes_axial",
    "poschl",
    "stenvers",
    "lateral_canal_axial",
    "nerve_plane",
)
"""Standard planes for the picture page, after the planes through the first two holes, in order of use."""
PICTURES_ON_PAGE = 8
PAGE_ASPECT = 0.6
"""Height over width of a key picture: three rows of two fill one page of paper."""
LARGEST_FIELD_MM = 32.0
"""Field of a key picture: the middle ear and the bony canal."""
HOLE_FIELD_MM, HOLE_PIXEL_MM = 20.0, 0.05
AXIS_POINTS = ("canal_medial", "canal_lateral")
"""Points that only define the frame are not drawn: they lie in air and hide what is behind them."""


@dataclass(frozen=True, eq=False, slots=True)
class Overlay:
    """Everything that may be drawn over the reformats of one case."""

    marks: tuple[Mark, ...]
    tubes: tuple[TubeMark, ...]
    patches: tuple[PatchMark, ...]
    holes: tuple[HoleMark, ...]


def overlay(case: Case) -> Overlay:
    """Landmarks with their doubt, structures and drill paths of a case, as drawn.

    Raises
    ------
    Nothing.
    """
    marks: list[Mark] = []
    for landmark_id in landmark_terms():
        landmark = case.landmarks.get(landmark_id)
        if landmark is not None and landmark.is_placed and landmark_id not in AXIS_POINTS:
            label = landmark_term(landmark.id).label
            for doubt in landmark_doubts(case, landmark):
                marks.append(Mark(landmark.id, label, doubt.mean_lps, drawn_covariance(doubt)))
    tubes, patches = [], []
    for item in case.structures_in_plan:
        label = structure_term(item.id).label
        if isinstance(item, Tube) and item.is_marked:
            tubes.append(TubeMark(label, item.points_lps, item.radii))
        elif isinstance(item, Ball) and item.is_marked and item.radius_mm:
            twice = np.repeat(item.points_lps, 2, axis=0) + np.array([[0.0, 0, 0], [1e-6, 0, 0]])
            tubes.append(TubeMark(label, twice, np.full(2, item.radius_mm)))
        elif isinstance(item, Patch) and item.is_marked:
            patches.append(PatchMark.through(label, item.points_lps))
    return Overlay(tuple(marks), tuple(tubes), tuple(patches), _holes(case))


def _holes(case: Case) -> tuple[HoleMark, ...]:
    result = case.results
    if result is None:
        return ()
    radius = case.settings.bur_radius_mm
    letters = site_letters(case.results)
    found: list[HoleMark] = []
    pair = first_pair(result)
    if pair is not None:
        ends = ((pair.entry_1_lps, pair.direction_1_lps), (pair.entry_2_lps, pair.direction_2_lps))
        for letter, (entry, direction), hole in zip("ab", ends, pair_holes(case, pair), strict=True):
            travel = hole.bone_mm if hole.drill_mm is None else hole.drill_mm
            found.append(HoleMark(f"hole {pair.rank}{letter}", np.array(entry), unit(direction), travel, radius))
    for site in result.sites:
        travel = site.drill_depth_mm if site.drill_depth_mm is not None else 0.0
        found.append(
            HoleMark(f"hole {letters[site.id]}", np.array(site.entry_lps), unit(site.direction_lps), travel, radius)
        )
    return tuple(found)


def picture_specs(case: Case) -> dict[str, PlaneSpec]:
    """The planes worth showing for a case: through the first pair's holes, then the standard planes it allows.

    Parameters
    ----------
    case
        Any case.

    Returns
    -------
    dict
        Key (part of the file name) to plane; empty without a canal axis.
    """
    try:
        canal = canal_frame(case.landmarks, case.side)
        standard, _ = standard_planes(case.landmarks, canal)
    except CtmeasureError:
        return {}
    specs: dict[str, PlaneSpec] = {}
    pair = first_pair(case.results)
    if pair is not None:
        specs["hole_a"] = _hole_plane(f"through hole {pair.rank}a", pair.entry_1_lps, pair.direction_1_lps, canal)
        specs["hole_b"] = _hole_plane(f"through hole {pair.rank}b", pair.entry_2_lps, pair.direction_2_lps, canal)
    specs.update({key: _cropped(standard[key]) for key in KEY_PLANES if key in standard})
    return dict(list(specs.items())[:PICTURES_ON_PAGE])


def _cropped(spec: PlaneSpec) -> PlaneSpec:
    width = min(spec.width_mm, LARGEST_FIELD_MM)
    return replace(spec, width_mm=width, height_mm=PAGE_ASPECT * width)


def _hole_plane(name: str, entry: PointLps, direction: PointLps, canal: CanalFrame) -> PlaneSpec:
    """Plane that holds the drill path and runs along the canal; up in the picture is up in the head."""
    along = unit(direction)
    outwards = canal.axis_lps - (canal.axis_lps @ along) * along
    if np.linalg.norm(outwards) < 0.2:
        outwards = np.cross(along, canal.superior_lps)
    outwards = unit(outwards)
    right = outwards if outwards[0] > 0 else -outwards
    down = -along if along[2] > 0 else along
    centre = np.array(entry) + 1.0 * along
    recipe = "holds the drill path and runs along the canal axis"
    return PlaneSpec(name, recipe, centre, right, down, HOLE_FIELD_MM, PAGE_ASPECT * HOLE_FIELD_MM, HOLE_PIXEL_MM)


def made_from(case: Case, spec: PlaneSpec, marks_hash: str) -> str:
    """Hash of all that a picture shows: the scan's content, the plane's recipe and every mark.

    Parameters
    ----------
    case, spec
        The case and the plane.
    marks_hash
        `canonical_hash` of the case's `overlay`, the same for all its pictures.
    """
    return canonical_hash(
        {
            "style": PICTURE_STYLE,
            "scan": case.scan.content_hash,
            "unit": case.scan.intensity_unit,
            "side": case.side,
            "plane": spec.to_dict(),
            "marks": marks_hash,
        }
    )


def key_pictures(
    case: Case, volume: Volume, specs: Mapping[str, PlaneSpec] | None = None, *, progress: Progress = no_progress
) -> list[tuple[Picture, bytes]]:
    """Render the key pictures of a case from its scan.

    Parameters
    ----------
    case
        The case.
    volume
        Its scan.
    specs
        Planes by key; None takes `picture_specs`.
    progress
        Listener; may cancel.

    Returns
    -------
    list of (Picture, bytes)
        The stored form and the PNG file, in the order of the planes.

    Raises
    ------
    ctmeasure.errors.CaseError
        When the scan is not the case's.
    ctmeasure.errors.Cancelled
        When the listener stops it.
    """
    from ctmeasure.case.model import check_scan_belongs

    check_scan_belongs(case, volume)
    chosen = picture_specs(case) if specs is None else dict(specs)
    drawn = overlay(case)
    marks_hash = canonical_hash(drawn)
    found = []
    for i, (key, spec) in enumerate(chosen.items()):
        progress(f"drawing {spec.name}", i / len(chosen))
        plane = SlicePlane.of(reformat(volume, spec), unit=case.scan.intensity_unit)
        within = max(MARK_WITHIN_MM, spec.slab_mm / 2.0)
        data = slice_picture(
            plane,
            side=case.side,
            marks=drawn.marks,
            tubes=drawn.tubes,
            patches=drawn.patches,
            holes=drawn.holes,
            mark_within_mm=within,
        )
        found.append((_picture(case, key, plane, spec, drawn, within, made_from(case, spec, marks_hash)), data))
    return found


def _picture(
    case: Case, key: str, plane: SlicePlane, spec: PlaneSpec, drawn: Overlay, within_mm: float, digest: str
) -> Picture:
    slab = "single plane" if spec.slab_mm == 0 else f"{spec.slab_mm:g} mm slab, {spec.slab_mode}"
    edges = f"left edge {direction_letters(-spec.right_lps)}, top edge {direction_letters(-spec.down_lps)}"
    caption = (
        f"{spec.recipe[0].upper()}{spec.recipe[1:]}. {slab[0].upper()}{slab[1:]}; {edges}. "
        f"{_key_words(drawn, plane, within_mm)}"
    )
    title = f"{side_words(case.side)}, {spec.name}"
    return Picture(f"{key}-{digest[:HASH_LETTERS]}.png", title, caption, digest, spec.to_dict())


def _key_words(drawn: Overlay, plane: SlicePlane, within_mm: float) -> str:
    """The key to the numbers on a picture."""
    shown = [mark for mark in drawn.marks if plane.shows(mark.point_lps, within_mm=within_mm)]
    if not shown:
        return f"No landmark lies within {within_mm:g} mm."
    names = ", ".join(f"{number} {label}" for label, number in mark_numbers(shown).items())
    return f"Within {within_mm:g} mm: {names}."


def stored_pictures(case: Case, folder: Path) -> tuple[list[tuple[Picture, bytes]], list[str]]:
    """The stored pictures of a case that still show what the case says, and words for those that do not.

    Parameters
    ----------
    case
        The case.
    folder
        Where its figures were stored.

    Returns
    -------
    pictures, notes
        Pictures with their bytes; and one sentence for every stale or missing one.
    """
    marks_hash = canonical_hash(overlay(case))
    wanted = {key: (spec, made_from(case, spec, marks_hash)) for key, spec in picture_specs(case).items()}
    stored = {picture.made_from: picture for picture in case.pictures}
    by_plane = {str(picture.recipe.get("name", picture.title)) for picture in case.pictures}
    found, notes = [], []
    for spec, digest in wanted.values():
        picture = stored.get(digest)
        file = folder / Path(picture.file).name if picture is not None else None
        if picture is not None and file is not None and file.is_file():
            found.append((picture, file.read_bytes()))
        elif picture is not None:
            notes.append(f"{spec.name}: the stored picture is missing; give the scan to draw it again")
        elif spec.name in by_plane:
            notes.append(f"{spec.name}: the stored picture is stale (points, plan or scan changed since); not shown")
        else:
            notes.append(f"{spec.name}: never drawn; give the scan to draw it")
    return found, notes
