"""Holes in the canal wall: the bone between two of them, and what was found along each of them."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from ctmeasure.planning.measurands import batch
from ctmeasure.planning.measurands.batch import Floats
from ctmeasure.planning.measurands.draws import NORMAL_95
from ctmeasure.planning.measurands.registry import Context, Found, Recipe, measurand_term
from ctmeasure.planning.measurands.scene import Scene
from ctmeasure.planning.results import Measurement, SiteResult
from ctmeasure.uncertainty.estimate import Contribution, Estimate

ANCHORS = ("anchor_1", "anchor_2")


def recipes(context: Context) -> list[Found]:
    """Recipes of `bone_bridge`, and the wall thickness and clearances of the holes that were assessed."""
    return [*_bridges(context), *_thicknesses(context), *_clearances(context)]


def _bridges(context: Context) -> list[Found]:
    missing = context.missing(*ANCHORS)
    if missing:
        return [context.not_measured("bone_bridge", where, needs=missing) for where in ("at entry", "at exit")]
    bur = context.given.settings.bur_diameter_mm

    def at_entry(scene: Scene) -> Floats:
        return batch.length(scene.point(ANCHORS[1]) - scene.point(ANCHORS[0])) - bur

    entry = Recipe("bone_bridge", "at entry", "signed", ANCHORS, at_entry)
    exits = [_exit_of(context, anchor) for anchor in ANCHORS]
    lacking = [anchor for anchor, found in zip(ANCHORS, exits, strict=True) if found is None]
    if lacking:
        why = f"not measured: needs the exit of {' and '.join(lacking)} (drill direction and wall found in the scan)"
        return [entry, context.not_measured("bone_bridge", "at exit", why=why)]
    first, second = exits
    assert first is not None
    assert second is not None
    return [
        entry,
        Recipe(
            "bone_bridge", "at exit", "signed", ANCHORS, lambda scene: batch.length(second(scene) - first(scene)) - bur
        ),
    ]


def _exit_of(context: Context, anchor: str) -> Callable[[Scene], Floats] | None:
    """Where a hole comes out: the drawn entry plus the assessed site's path to its exit, or None."""
    site = next((s for s in context.given.sites if s.id == anchor), None)
    if site is None or site.wall.to_exit_mm is None:
        return None
    path = site.wall.to_exit_mm * np.asarray(site.direction_lps, dtype=np.float64)
    return lambda scene: scene.point(anchor) + path


def _thicknesses(context: Context) -> list[Measurement]:
    if not context.given.sites:
        return [context.not_measured("wall_thickness", why="not measured: no hole was assessed")]
    return [item for site in context.given.sites for item in _thickness(context, site)]


def _thickness(context: Context, site: SiteResult) -> list[Measurement]:
    definition = measurand_term("wall_thickness").definition
    state, wall = f"class: {site.wall.state}", site.wall
    found = Measurement(
        "wall_thickness",
        f"{site.id} to_first_gap",
        wall.to_first_gap,
        (site.id, "scan"),
        (state, *wall.flags) if wall.to_first_gap is None else wall.flags,
        definition,
    )
    exit_estimate = None
    if wall.to_exit_mm is not None and wall.to_exit_u_mm is not None:
        value, u = wall.to_exit_mm, wall.to_exit_u_mm
        budget = (Contribution("edges in the scan", u),)
        exit_estimate = Estimate(
            value, u, max(value - NORMAL_95 * u, 0.0), value + NORMAL_95 * u, "mm", "edges in the scan", budget
        )
    flags = (f"far side: {wall.far_side}",) if exit_estimate else (f"not measured: far side {wall.far_side}",)
    to_exit = Measurement("wall_thickness", f"{site.id} to_exit", exit_estimate, (site.id, "scan"), flags, definition)
    return [found, to_exit]


def _clearances(context: Context) -> list[Measurement]:
    if not context.given.sites:
        return [context.not_measured("clearance", why="not measured: no hole was assessed")]
    definition = measurand_term("clearance").definition
    return [
        Measurement(
            "clearance",
            f"{site.id} {item.structure}",
            item.estimate,
            (site.id, item.structure),
            item.flags if item.estimate else (*item.flags, "not assessed"),
            definition,
        )
        for site in context.given.sites
        for item in site.clearances
    ]
