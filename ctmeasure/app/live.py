"""The few numbers that follow a point while it is moved: few draws, no budget, in milliseconds."""

from __future__ import annotations

from dataclasses import dataclass

from ctmeasure.app.holes import HOLES, holes_key
from ctmeasure.app.memory import Memory
from ctmeasure.case.model import Case, SiteRequest
from ctmeasure.errors import CtmeasureError
from ctmeasure.planning.measurands import batch, distances, drum
from ctmeasure.planning.measurands.inputs import MeasureInput
from ctmeasure.planning.measurands.measure import joint_draws
from ctmeasure.planning.measurands.registry import Context, Recipe
from ctmeasure.planning.measurands.scene import Scene
from ctmeasure.planning.results import SiteResult
from ctmeasure.uncertainty.intervals import coverage_interval
from ctmeasure.volume.geometry import Geometry

THEMES = (drum, distances)
DRAWS = 2000
"""Enough for the ends of a 95 % interval to about a twentieth of the standard uncertainty."""


@dataclass(frozen=True, slots=True)
class LiveNumber:
    """One measurand as it stands right now, mm, with a 95 % interval of few draws."""

    id: str
    qualifier: str
    value_mm: float
    low_95: float
    high_95: float


def live_numbers(case: Case, geometry: Geometry) -> tuple[LiveNumber, ...]:
    """Drum lateralisation and the straight distances of a case, from fewer draws than a plan takes.

    Parameters
    ----------
    case
        As it stands, perhaps in the middle of a drag.
    geometry
        Grid of its scan.

    Returns
    -------
    tuple of LiveNumber
        Those that can be given; the value is between the mean points, exactly as in a plan.

    Raises
    ------
    Nothing.

    Notes
    -----
    Two thousand draws and the plain coverage interval: a number near zero gets its proper, wider interval only
    in the plan. It is shown as preliminary and replaced when the plan is there.
    """
    spread = case.fitness.point_spread_mm if case.fitness is not None else None
    given = MeasureInput(
        landmarks=case.landmarks,
        side=case.side,
        settings=case.settings,
        seed=case.seed,
        geometry=geometry,
        psf_fwhm_mm=spread,
        reader_model=case.reader_model,
    )
    try:
        draws = joint_draws(given)
        context = Context(given, draws)
        recipes = [item for theme in THEMES for item in theme.recipes(context) if isinstance(item, Recipe)]
        mean = Scene(case.landmarks, case.side, draws=draws)
        scene = Scene(case.landmarks, case.side, draws=draws, block=0, count=DRAWS, mean=mean)
        scene.draw_ahead(source for recipe in recipes for source in recipe.sources)
        return tuple(_number(recipe, mean, scene) for recipe in recipes)
    except CtmeasureError:
        return ()


def dragged_hole(case: Case, site: SiteRequest, memory: Memory) -> SiteResult | None:
    """One hole where it is being dragged to, assessed in the drill plan that was last computed.

    Parameters
    ----------
    case
        As it stands; what the holes it asks for are does not matter.
    site
        The hole as it would be if it were let go here.
    memory
        Of the computation (`compute_case`).

    Returns
    -------
    SiteResult or None
        From fewer draws than a plan takes, without what would change the answer. None where no drill plan of these
        marks, facts and settings has been computed, or the point is no number.

    Raises
    ------
    Nothing.
    """
    if not memory.knows(HOLES, holes_key(case)):
        return None
    session = memory.last(HOLES)
    try:
        return session.reassess(site) if session is not None else None
    except CtmeasureError:
        return None


def _number(recipe: Recipe, mean: Scene, scene: Scene) -> LiveNumber:
    value, drawn = float(_length(recipe, mean)[0]), _length(recipe, scene)
    low, high = coverage_interval(drawn)
    bias = float(drawn.mean()) - value
    return LiveNumber(recipe.id, recipe.qualifier, value, float(low) - bias, float(high) - bias)


def _length(recipe: Recipe, scene: Scene) -> batch.Floats:
    """The measurand on every draw of a scene."""
    found = recipe.compute(scene)
    return found if recipe.kind == "signed" else batch.length(found)
