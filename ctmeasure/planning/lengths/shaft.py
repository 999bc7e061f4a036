"""The straight line a device takes from its medial to its lateral contact: its tilt, what it passes, the niche."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from ctmeasure.planning.lengths.catalogue import Catalogue
from ctmeasure.planning.lengths.inputs import LengthInput
from ctmeasure.planning.lengths.spans import Span
from ctmeasure.planning.measurands import batch, niche
from ctmeasure.planning.measurands.batch import Floats
from ctmeasure.planning.measurands.evaluate import evaluate
from ctmeasure.planning.measurands.inputs import NicheRims, as_point, needs_flag
from ctmeasure.planning.measurands.registry import CANAL, Context, Kind, Recipe
from ctmeasure.planning.measurands.scene import Scene
from ctmeasure.planning.results import ShaftCheck
from ctmeasure.progress import Progress

FOOTPLATE_TILT = "tilt to the footplate normal"
DRUM_TILT = "tilt to the normal of the drum's rim"
FACIAL_GAP = "gap of the shaft to the facial canal"
PROMONTORY_GAP = "gap of the shaft to the promontory"
NICHE_GAP = "gap of the shaft to the rims of the niche"
SHOE_ROOM = "room of the shoe in the niche"
NICHE_HEIGHT = "niche height"
TOUCH = "touches"
TOO_WIDE = "shoe wider than the niche"
BELOW_CUT_OFF = "below the cut-off of {:g} mm"
NICHE_CUT_OFFS = (
    (
        1.4,
        "Ukkola-Pons et al. 2013, AJNR 34:1082-1085, DOI 10.3174/ajnr.A3354: normal 1.8, narrow 1.1, cut-off 1.3-1.4",
    ),
    (1.325, "Indian J Otolaryngol Head Neck Surg 2021, DOI 10.1007/s12070-021-02428-9: cut-off in otosclerosis"),
)
"""Niche heights below which surgeons met a narrow niche, and who found them (coronal CT against surgery)."""
ONE_POINT_FLAG = "promontory is one clicked point: between it and the niche nothing was looked at"
NO_RIMS_FLAG = "not assessed: the rims of the niche were not found in the scan"
STRAIGHT_FLAG = "straight line between the contacts; a bent shaft runs elsewhere"


@dataclass(frozen=True, eq=False)
class _Ask:
    """One check of one span: a recipe, or the flags that say why there is none."""

    span: Span
    what: str
    recipe: Recipe | None
    flags: tuple[str, ...] = ()
    below: float | None = None
    words: str = ""


def shaft_checks(
    given: LengthInput, context: Context, spans: Sequence[Span], catalogues: Sequence[Catalogue], progress: Progress
) -> tuple[ShaftCheck, ...]:
    """Everything that was looked at along the line of each span.

    Parameters
    ----------
    given, context
        The ear.
    spans
        Offered spans with a lateral contact.
    catalogues
        For the diameters of shaft and shoe.
    progress
        Listener; may cancel.

    Returns
    -------
    tuple of ShaftCheck
        What could not be assessed is listed with the reason, never left out. The niche's height stands once, the room
        of the shoe in it once a reconstruction.

    Raises
    ------
    ctmeasure.errors.Cancelled
        When the listener asks to stop.

    Notes
    -----
    The line is straight from mean point to mean point, and displaced with both ends in the joint draws; its radius is
    half the largest shaft of the catalogues. Nothing along it was looked at but what is listed.
    """
    asks = [ask for span in spans for ask in _asks(given, context, span, catalogues)]
    for number, span in enumerate(_first_of_each(s for s in spans if s.medial == "footplate_centre")):
        shoe = device_diameters_mm(given, span.reconstruction, catalogues)[1]
        asks += _niche_room(given, context, span, shoe)[0 if number == 0 else -1 :]
    asked = [ask for ask in asks if ask.recipe is not None]
    outcomes = evaluate(
        [ask.recipe for ask in asked if ask.recipe is not None],
        given.measure.landmarks,
        side=given.measure.side,
        draws=context.draws,
        digits=given.measure.settings.confidence_digits,
        draws_maximum=given.measure.settings.draws_maximum,
        progress=progress,
    )
    found = dict(zip(map(id, asked), outcomes, strict=True))
    checks = []
    for ask in asks:
        span, outcome = ask.span, found.get(id(ask))
        bare = ShaftCheck(span.reconstruction, span.geometry, span.lateral, span.medial, ask.what, None)
        if outcome is None or outcome.estimate is None:
            checks.append(replace(bare, flags=(*(outcome.flags if outcome else ()), *ask.flags)))
            continue
        bad = None if ask.below is None else float(np.mean(outcome.samples < ask.below))
        flags = tuple(dict.fromkeys((*ask.flags, *outcome.flags)))
        checks.append(replace(bare, estimate=outcome.estimate, p_bad=bad, p_bad_words=ask.words, flags=flags))
    return tuple(checks)


def _asks(given: LengthInput, context: Context, span: Span, catalogues: Sequence[Catalogue]) -> list[_Ask]:
    shaft, _ = device_diameters_mm(given, span.reconstruction, catalogues)
    asks = [_tilt(context, span, FOOTPLATE_TILT), _tilt(context, span, DRUM_TILT)]
    return [*asks, _facial(context, span, shaft), _promontory(context, span, shaft), _rims(given, span, shaft)]


def _first_of_each(spans: Iterable[Span]) -> list[Span]:
    """One span a reconstruction: the niche is the same for all of its lateral contacts."""
    found: dict[str, Span] = {}
    for span in spans:
        found.setdefault(span.reconstruction, span)
    return list(found.values())


def device_diameters_mm(
    given: LengthInput, reconstruction: str, catalogues: Sequence[Catalogue]
) -> tuple[float, float]:
    """Widest shaft and shoe stated for a reconstruction, else the settings; a piston is its own shoe."""
    settings = given.measure.settings
    implants = [implant for catalogue in catalogues for implant in catalogue.implants_of(reconstruction)]
    shafts = [i.shaft_diameter_mm for i in implants if i.shaft_diameter_mm is not None]
    shoes = [i.shoe_diameter_mm for i in implants if i.shoe_diameter_mm is not None]
    shaft = max(shafts, default=settings.shaft_diameter_mm)
    return shaft, max(shoes, default=shaft if reconstruction == "piston" else settings.shoe_diameter_mm)


def _recipe(span: Span, what: str, kind: Kind, more: tuple[str, ...], compute: Callable[[Scene], Floats]) -> Recipe:
    unit = "deg" if kind == "angle" else "mm"
    sources = tuple(dict.fromkeys((*span.sources, *more)))
    return Recipe(span.reconstruction, what, kind, sources, compute, unit=unit, published=False)


def _ends(span: Span, scene: Scene) -> tuple[Floats, Floats]:
    assert span.lateral_at is not None
    return scene.point(span.medial), span.lateral_at(scene)


def _tilt(context: Context, span: Span, what: str) -> _Ask:
    to_plate = what == FOOTPLATE_TILT
    missing = context.footplate_missing() if to_plate else context.missing("annulus", *CANAL)
    if missing:
        return _Ask(span, what, None, (needs_flag(context.given, *missing),))

    def turn(scene: Scene) -> Floats:
        plane = scene.footplate_plane() if to_plate else scene.annulus_plane()
        start, end = _ends(span, scene)
        return batch.turn_vectors_deg(plane.normal_lps, end - start)

    more = context.footplate_sources() if to_plate else ("annulus",)
    return _Ask(span, what, _recipe(span, what, "angle", more, turn))


def _facial(context: Context, span: Span, shaft_mm: float) -> _Ask:
    missing = context.missing("facial_nerve")
    if missing:
        return _Ask(span, FACIAL_GAP, None, (needs_flag(context.given, *missing),))
    tube, radii = context.tube("facial_nerve")

    def gap(scene: Scene) -> Floats:
        start, end = (np.ascontiguousarray(a) for a in np.broadcast_arrays(*_ends(span, scene)))
        near = batch.nearest_tube_to_path(start, end, tube, radii)
        return near.gap_mm - scene.surface("facial_nerve") - 0.5 * shaft_mm

    recipe = _recipe(span, FACIAL_GAP, "signed", ("facial_nerve",), gap)
    return _Ask(span, FACIAL_GAP, recipe, (f"shaft {shaft_mm:g} mm", STRAIGHT_FLAG), 0.0, TOUCH)


def _promontory(context: Context, span: Span, shaft_mm: float) -> _Ask:
    missing = context.missing("promontory")
    if missing:
        return _Ask(span, PROMONTORY_GAP, None, (needs_flag(context.given, *missing),))

    def gap(scene: Scene) -> Floats:
        return point_to_segment_mm(scene.point("promontory"), *_ends(span, scene)) - 0.5 * shaft_mm

    recipe = _recipe(span, PROMONTORY_GAP, "signed", ("promontory",), gap)
    return _Ask(span, PROMONTORY_GAP, recipe, (f"shaft {shaft_mm:g} mm", ONE_POINT_FLAG), 0.0, TOUCH)


def point_to_segment_mm(points_lps: Floats, start_lps: Floats, end_lps: Floats) -> Floats:
    """Distance of one point a draw from the segment of that draw; arrays (draws, 3) that broadcast.

    Example
    -------
    >>> ends = np.array([[0.0, 0.0, 0.0]]), np.array([[0.0, 0.0, 4.0]])
    >>> point_to_segment_mm(np.array([[3.0, 0.0, 8.0], [0.0, 2.0, 1.0]]), *ends)
    array([5., 2.])
    """
    along = end_lps - start_lps
    share = np.clip(batch.dot(points_lps - start_lps, along) / batch.dot(along, along), 0.0, 1.0)
    return batch.length(points_lps - (start_lps + share[..., None] * along))


def _rims(given: LengthInput, span: Span, shaft_mm: float) -> _Ask:
    rims = given.measure.niche
    if rims is None:
        return _Ask(span, NICHE_GAP, None, (NO_RIMS_FLAG,))

    def gap(scene: Scene) -> Floats:
        start, end = _ends(span, scene)
        gaps = (point_to_segment_mm(point, start, end) for point in _rim_points(rims, scene))
        return np.minimum(*gaps) - 0.5 * shaft_mm

    recipe = _recipe(span, NICHE_GAP, "signed", (niche.RIMS,), gap)
    return _Ask(span, NICHE_GAP, recipe, (f"shaft {shaft_mm:g} mm",), 0.0, TOUCH)


def _rim_points(rims: NicheRims, scene: Scene) -> tuple[Floats, Floats]:
    noise = rims.u_mm * scene.normals(niche.RIMS, 6)
    return as_point(rims.facial_rim_lps) + noise[:, :3], as_point(rims.promontory_rim_lps) + noise[:, 3:]


def _niche_room(given: LengthInput, context: Context, span: Span, shoe_mm: float) -> list[_Ask]:
    """Niche height against the published cut-offs, and what it leaves beside the shoe."""
    found = [item for item in niche.recipes(context) if item.id == "oval_window_niche_height"]
    height = next((item for item in found if isinstance(item, Recipe)), None)
    if height is None:
        why = tuple(flag for item in found for flag in item.flags)
        return [_Ask(span, what, None, why) for what in (NICHE_HEIGHT, SHOE_ROOM)]

    def tall(scene: Scene) -> Floats:
        out = height.compute(scene)
        return batch.length(out) if height.kind == "distance" else out

    def room(scene: Scene) -> Floats:
        return tall(scene) - shoe_mm

    def recipe(what: str, compute: Callable[[Scene], Floats]) -> Recipe:
        return Recipe(span.reconstruction, what, "signed", height.sources, compute, flags=height.flags, published=False)

    asks = [
        _Ask(span, NICHE_HEIGHT, recipe(NICHE_HEIGHT, tall), (source,), cut, BELOW_CUT_OFF.format(cut))
        for cut, source in NICHE_CUT_OFFS
    ]
    return [*asks, _Ask(span, SHOE_ROOM, recipe(SHOE_ROOM, room), (f"shoe {shoe_mm:g} mm",), 0.0, TOO_WIDE)]
