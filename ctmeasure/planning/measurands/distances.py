"""Straight distances between two named points; which two stands in the table of measurands."""

from __future__ import annotations

from ctmeasure.planning.measurands.batch import Floats
from ctmeasure.planning.measurands.registry import Context, Found, Recipe, measurand_terms
from ctmeasure.planning.measurands.scene import Scene


def recipes(context: Context) -> list[Found]:
    """Recipes of every measurand of kind "distance" in the table."""
    found: list[Found] = []
    for term in measurand_terms().values():
        if term.kind != "distance":
            continue
        missing = context.missing(*term.inputs)
        if missing:
            found.append(context.not_measured(term.id, needs=missing))
            continue
        first, second = (context.first(item) for item in term.inputs)
        assert first is not None
        assert second is not None
        found.append(Recipe(term.id, "", "distance", (first, second), _between(first, second)))
    return found


def _between(first: str, second: str):  # type: ignore[no-untyped-def]
    def vectors(scene: Scene) -> Floats:
        return scene.point(second) - scene.point(first)

    return vectors
