"""The handle of a pair of holes, measured between the same points as everything else, each number with its interval."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from ctmeasure.planning.lengths.handle import HandlePlan, entry_sources, handle_vectors, planned_handle
from ctmeasure.planning.lengths.inputs import LengthInput
from ctmeasure.planning.lengths.shaft import FOOTPLATE_TILT
from ctmeasure.planning.lengths.spans import AS_PLANNED
from ctmeasure.planning.measurands import batch
from ctmeasure.planning.measurands.batch import Floats
from ctmeasure.planning.measurands.evaluate import evaluate
from ctmeasure.planning.measurands.measure import joint_draws
from ctmeasure.planning.measurands.registry import Context, Kind, Recipe
from ctmeasure.planning.measurands.scene import Scene
from ctmeasure.planning.results import HandlePosition, HolePair, LengthRow, ShaftCheck
from ctmeasure.uncertainty.estimate import Estimate

PLANNED_TIP = "planned handle tip"
LENGTH, AXIS, PROMONTORY, TOTAL, TILT = "length", "axis", "promontory", "total", "tilt"


def handle_doubts(
    given: LengthInput, pairs: Sequence[HolePair], *, rows: Sequence[LengthRow] = (), shafts: Sequence[ShaftCheck] = ()
) -> tuple[HolePair, ...]:
    """The pairs, their handles measured between the points that lengths are measured between.

    Parameters
    ----------
    given
        The ear as lengths are measured in it: a landmark found in the image stands in for its click.
    pairs
        Ranked; those with a handle and two holes are measured anew.
    rows, shafts
        Lengths and shafts of this plan: a later total prosthesis and its tilt are theirs, so that one quantity has one
        number.

    Returns
    -------
    tuple of HolePair
        Every handle with its values anew; of the first pair and the first that keeps every margin with intervals.

    Raises
    ------
    LandmarkError
        When landmarks contradict each other.
    """
    named = {id(pair) for pair in (*pairs[:1], *[p for p in pairs if p.verdict == "clear"][:1])}
    return tuple(
        replace(pair, handle=_measured(given, pair, pair.handle, rows, shafts, doubts=id(pair) in named))
        if pair.handle is not None
        else pair
        for pair in pairs
    )


def _measured(
    given: LengthInput,
    pair: HolePair,
    handle: HandlePosition,
    rows: Sequence[LengthRow],
    shafts: Sequence[ShaftCheck],
    *,
    doubts: bool,
) -> HandlePosition:
    ear = replace(given, pair_entries_lps=(pair.entry_1_lps, pair.entry_2_lps))
    context = Context(ear.measure, joint_draws(ear.measure))
    plan = planned_handle(ear, context)
    if not isinstance(plan, HandlePlan):
        return handle
    recipes = _recipes(ear, context, plan)
    if doubts:
        settings = ear.measure.settings
        outcomes = evaluate(
            list(recipes.values()), ear.measure.landmarks, side=ear.measure.side, draws=context.draws,
            digits=settings.confidence_digits, draws_maximum=settings.draws_maximum,
        )  # fmt: skip
        found = {name: outcome.estimate for name, outcome in zip(recipes, outcomes, strict=True)}
        found |= _of_plan(rows, shafts)
        return replace(
            _with_values(handle, {name: one.value for name, one in found.items() if one is not None}),
            length=found.get(LENGTH), to_promontory=found.get(PROMONTORY), axis_to_footplate=found.get(AXIS),
            total=found.get(TOTAL), total_tilt=found.get(TILT),
        )  # fmt: skip
    return _with_values(handle, {name: _at_the_mean(recipe, context.mean) for name, recipe in recipes.items()})


def _with_values(handle: HandlePosition, values: dict[str, float]) -> HandlePosition:
    return replace(
        handle,
        length_mm=values.get(LENGTH, handle.length_mm),
        to_promontory_mm=values.get(PROMONTORY, handle.to_promontory_mm),
        axis_to_footplate_deg=values.get(AXIS, handle.axis_to_footplate_deg),
        total_mm=values.get(TOTAL, handle.total_mm),
        total_tilt_deg=values.get(TILT, handle.total_tilt_deg),
    )


def _of_plan(rows: Sequence[LengthRow], shafts: Sequence[ShaftCheck]) -> dict[str, Estimate | None]:
    """What the plan already holds: a total from the planned tip, and its tilt."""
    found: dict[str, Estimate | None] = {}
    for row in rows:
        if row.geometry != AS_PLANNED or row.needed is None:
            continue
        if row.reconstruction == "total" and row.lateral_contact == PLANNED_TIP:
            found.setdefault(TOTAL, row.needed)
    for check in shafts:
        of = (check.reconstruction, check.geometry, check.lateral_contact, check.what)
        if of == ("total", AS_PLANNED, PLANNED_TIP, FOOTPLATE_TILT) and check.estimate is not None:
            found.setdefault(TILT, check.estimate)
    return found


def _recipes(given: LengthInput, context: Context, plan: HandlePlan) -> dict[str, Recipe]:
    """What can be measured of a handle here."""
    holes = (*plan.sources, *entry_sources(given))

    def along(scene: Scene) -> Floats:
        return handle_vectors(given, context, plan, scene)

    found = {LENGTH: _recipe("handle length", "distance", holes, along)}
    if context.has("promontory"):
        found[PROMONTORY] = _recipe(
            "handle tip to promontory", "distance", (*plan.sources, "promontory"),
            lambda scene: plan.tip_lps(scene) - scene.point("promontory"),
        )  # fmt: skip
    if not context.footplate_missing():
        plate = context.footplate_sources()
        found[TOTAL] = _recipe(
            "handle tip to footplate", "distance", (*plan.sources, "footplate_centre"),
            lambda scene: plan.tip_lps(scene) - scene.point("footplate_centre"),
        )  # fmt: skip
        found[TILT] = _recipe(
            "tilt of a later total", "angle", (*plan.sources, *plate),
            lambda scene: batch.turn_vectors_deg(
                scene.footplate_plane().normal_lps, plan.tip_lps(scene) - scene.point("footplate_centre")
            ),
        )  # fmt: skip
        found[AXIS] = _recipe(
            "handle to the plane of the footplate", "signed", (*holes, *plate),
            lambda scene: abs(
                90.0 - batch.length(batch.turn_vectors_deg(scene.footplate_plane().normal_lps, along(scene)))
            ),
            unit="deg",
        )  # fmt: skip
    return found


def _recipe(
    words: str, kind: Kind, sources: tuple[str, ...], compute: Callable[[Scene], Floats], *, unit: str = ""
) -> Recipe:
    unit = unit or ("deg" if kind == "angle" else "mm")
    return Recipe("handle", words, kind, tuple(dict.fromkeys(sources)), compute, unit=unit, published=False)


def _at_the_mean(recipe: Recipe, mean: Scene) -> float:
    out = recipe.compute(mean)
    return float((out if recipe.kind == "signed" else batch.length(out))[0])
