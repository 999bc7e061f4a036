"""One entry for all measurands of an ear."""

from __future__ import annotations

from ctmeasure.anatomy.structures import Structure, Tube
from ctmeasure.planning.measurands import annulus, canal, distances, drum, metal, nerve, niche, wall
from ctmeasure.planning.measurands.draws import JointDraws
from ctmeasure.planning.measurands.evaluate import Outcome, evaluate
from ctmeasure.planning.measurands.inputs import MeasureInput
from ctmeasure.planning.measurands.published import range_flag
from ctmeasure.planning.measurands.registry import Context, Recipe, measurand_term, measurand_terms
from ctmeasure.planning.reader_model import reader_terms
from ctmeasure.planning.results import Measurement
from ctmeasure.planning.settings import Settings
from ctmeasure.progress import Progress, no_progress

THEMES = (drum, distances, annulus, niche, nerve, wall, metal)


def measure(given: MeasureInput, progress: Progress = no_progress) -> tuple[Measurement, ...]:
    """Every measurand of the table, in its order; what cannot be measured says why and is never left out.

    Parameters
    ----------
    given
        Landmarks, structures, settings, seed and whatever image analysis there is.
    progress
        Listener; may cancel.

    Returns
    -------
    tuple of Measurement
        ``estimate`` is None where the measurand could not be given; its flags then say what it needs.

    Raises
    ------
    LandmarkError
        When the canal axis contradicts the side.
    ctmeasure.errors.Cancelled
        When the listener asks to stop.

    Notes
    -----
    A distance's value is between the mean points; the draws give its spread and interval, and never its value.

    Example
    -------
    >>> from ctmeasure.anatomy.landmarks import Landmark, LandmarkSet, Placement
    >>> marks = LandmarkSet([Landmark("stapes_head", "placed", (Placement((3.4, 0.0, 0.0)),)),
    ...     Landmark("footplate_centre", "placed", (Placement((0.0, 0.0, 0.0)),)), Landmark("umbo", "absent")])
    >>> found = {m.id: m for m in measure(MeasureInput(marks, "left"))}
    >>> found["stapes_height"].estimate.value, found["umbo_to_footplate"].flags
    (3.4, ('needs: umbo (absent)',))
    """
    draws = joint_draws(given)
    context = Context(given, draws)
    found = [item for theme in THEMES for item in theme.recipes(context)]
    recipes = [item for item in found if isinstance(item, Recipe)]
    results = evaluate(
        recipes,
        given.landmarks,
        side=given.side,
        draws=draws,
        digits=given.settings.confidence_digits,
        draws_maximum=given.settings.draws_maximum,
        progress=progress,
    )
    outcomes = iter(results)
    rows = [_measurement(next(outcomes), given) if isinstance(item, Recipe) else item for item in found]
    rows.extend(canal.measurements(context))
    order = {measurand: position for position, measurand in enumerate(measurand_terms())}
    return tuple(sorted(rows, key=lambda row: order[row.id]))


def joint_draws(given: MeasureInput) -> JointDraws:
    """The one joint set of draws of an ear, the same for measurands and lengths."""
    return JointDraws(
        given.landmarks,
        given.settings,
        seed=given.seed,
        geometry=given.geometry,
        psf_fwhm_mm=given.psf_fwhm_mm,
        surfaces_u_mm={item.id: surface_u_mm(item, given.settings) for item in given.structures if item.is_marked},
        refined=given.refined,
        readers=reader_terms(
            given.reader_model, given.landmarks, given.side, floor_mm=given.settings.placement_noise_mm
        ),
    )


def surface_u_mm(structure: Structure, settings: Settings) -> float:
    """Standard uncertainty of a structure's surface: as given, else by shape and by whether a tube is confirmed."""
    if structure.surface_u_mm is not None:
        return structure.surface_u_mm
    if isinstance(structure, Tube):
        return settings.tube_surface_u_mm if structure.confirmed_by else settings.unconfirmed_tube_u_mm
    return settings.patch_surface_u_mm


def _measurement(outcome: Outcome, given: MeasureInput) -> Measurement:
    recipe = outcome.recipe
    partial = tuple(f"{s} marked as partial" for s in recipe.sources if given.landmarks.status(s) == "partial")
    estimate = outcome.estimate
    plausible = range_flag(recipe.id, estimate.value) if estimate and recipe.published else ""
    flags = tuple(dict.fromkeys((*outcome.flags, *partial, *((plausible,) if plausible else ()))))
    if estimate is not None:
        estimate = estimate.with_flags(*flags)
    return Measurement(
        recipe.id, recipe.qualifier, estimate, recipe.all_sources, flags, measurand_term(recipe.id).definition
    )
