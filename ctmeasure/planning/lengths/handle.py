"""Where the tip of a replaced malleus handle is planned, and what handle joins it to two holes in the canal wall."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from ctmeasure.anatomy.landmarks import PointLps
from ctmeasure.anatomy.mirrored import MIRRORED_U_MM
from ctmeasure.errors import GeometryError
from ctmeasure.planning.lengths.inputs import LengthInput
from ctmeasure.planning.measurands import batch
from ctmeasure.planning.measurands.annulus import RimEllipse, rim_ellipse
from ctmeasure.planning.measurands.batch import Floats
from ctmeasure.planning.measurands.inputs import as_point
from ctmeasure.planning.measurands.measure import joint_draws
from ctmeasure.planning.measurands.registry import CANAL, Context
from ctmeasure.planning.measurands.scene import Scene

TIP = "planned handle position"
"""Latent input: how well the planned tip is reached in the ear."""
ENTRIES = "planned holes"
"""Latent input: how well the planned entry points are reached in the ear."""
MIRRORED = "mirrored healthy umbo"
PROMONTORY_UNCHECKED = "distance to the promontory not checked: promontory not placed"
BENT_FLAG = "alternative: tip bent out to the lateralised drum"


@dataclass(frozen=True, eq=False)
class HandlePlan:
    """The planned tip.

    Parameters
    ----------
    aim
        "mirrored healthy umbo", "1 mm medial to the rim plane" or "bent out to the drum".
    flags
        What must be said beside it.
    moved_mm
        How far the tip was moved out along the annulus normal to keep off the promontory.
    sources
        Inputs it depends on.
    """

    aim: str
    flags: tuple[str, ...]
    moved_mm: float
    sources: tuple[str, ...]
    _given: LengthInput
    _ellipse: RimEllipse | None

    def tip_lps(self, scene: Scene) -> Floats:
        """The planned tip in every draw, shape (draws, 3), LPS mm."""
        settings = self._given.measure.settings
        noise = settings.handle_placement_u_mm * scene.normals(TIP, 3)
        if self.aim == BENT_FLAG:
            return scene.point("drum_centre") + noise
        normal = scene.annulus_plane().normal_lps
        if self._given.mirrored_umbo_lps is not None:
            # How it was placed in the other ear, and how far the two ears of one head differ.
            placing = math.hypot(scene.draws.placement_u_mm("umbo"), MIRRORED_U_MM) * scene.normals(MIRRORED, 3)
            aimed = as_point(self._given.mirrored_umbo_lps) + placing
        else:
            centre = self._ellipse.centre(scene) if self._ellipse else scene.annulus_plane().point_lps
            aimed = centre - settings.handle_tip_medial_mm * normal
        return aimed + self.moved_mm * normal + noise


@dataclass(frozen=True, eq=False)
class HandleGeometry:
    """What a handle on two holes needs, for the mean points, mm; top is the midpoint between the entries."""

    tip_lps: Floats
    top_lps: Floats
    entries_lps: Floats
    length_mm: float
    hole_span_mm: float
    arm_reach_mm: float


def planned_handle(given: LengthInput, context: Context, *, bent: bool = False) -> HandlePlan | tuple[str, ...]:
    """The planned handle position, or the inputs it still needs.

    Parameters
    ----------
    given
        The ear, with the mirrored umbo where there is one.
    context
        Its frames.
    bent
        The flagged alternative: tip bent out to the lateralised drum instead of the drum taken down to the rim.

    Returns
    -------
    HandlePlan or tuple of str
        Missing inputs in the second case.

    Notes
    -----
    Default: drum taken down to the rim; tip at the mirrored healthy umbo, else ``handle_tip_medial_mm`` medial to the
    annulus plane under the rim's centre; moved out along the annulus normal until it is ``handle_promontory_mm`` off
    the promontory.
    """
    missing = context.missing("annulus", *CANAL, *(("drum_centre",) if bent else ()))
    if missing:
        return missing
    if bent:
        return HandlePlan(BENT_FLAG, (BENT_FLAG,), 0.0, ("drum_centre", TIP), given, None)
    ellipse = _ellipse_or_none(context)
    sources: tuple[str, ...]
    if given.mirrored_umbo_lps is not None:
        aim, sources = MIRRORED, (MIRRORED, "annulus", *CANAL, TIP)
    else:
        sources = ("annulus", *CANAL, TIP)
        aim = f"{given.measure.settings.handle_tip_medial_mm:g} mm medial to the rim plane"
    plan = HandlePlan(aim, (f"tip aimed at: {aim}", *context.ring_flags()), 0.0, sources, given, ellipse)
    moved, words = _off_promontory(plan, context)
    return HandlePlan(aim, (*plan.flags, *words), moved, sources, given, ellipse)


def planned_tip_lps(given: LengthInput) -> PointLps | None:
    """Where the default handle tip is planned, for the mean points; None when an input is missing.

    Parameters
    ----------
    given
        The ear.

    Returns
    -------
    tuple of three floats or None
        LPS mm.

    Raises
    ------
    ctmeasure.errors.LandmarkError
        When landmarks contradict each other.
    """
    context = Context(given.measure, joint_draws(given.measure))
    plan = planned_handle(given, context)
    if not isinstance(plan, HandlePlan):
        return None
    x, y, z = (float(value) for value in plan.tip_lps(context.mean)[0])
    return (x, y, z)


def _ellipse_or_none(context: Context) -> RimEllipse | None:
    try:
        return rim_ellipse(context.mean.rim()[0])
    except GeometryError:
        return None


def _off_promontory(plan: HandlePlan, context: Context) -> tuple[float, tuple[str, ...]]:
    """How far out along the annulus normal the tip must go to keep its distance from the promontory."""
    keep = context.given.settings.handle_promontory_mm
    if not context.has("promontory"):
        return 0.0, (PROMONTORY_UNCHECKED,)
    normal = context.mean.annulus_plane().normal_lps[0]
    offset = plan.tip_lps(context.mean)[0] - context.mean.point("promontory")[0]
    along = float(offset @ normal)
    across_squared = float(offset @ offset) - along**2
    if across_squared >= keep**2:
        return 0.0, ()
    # Medial of the promontory's most lateral point is inside it, however far.
    moved = float(np.sqrt(keep**2 - across_squared)) - along
    if moved <= 0.0:
        return 0.0, ()
    return moved, (f"tip moved {moved:.2f} mm out to stay {keep:g} mm off the promontory",)


def hole_entries(given: LengthInput, context: Context, scene: Scene) -> Floats | None:
    """Entry points of the two holes in every draw, shape (draws, 2, 3): the chosen pair, else the anchors; or None."""
    if given.pair_entries_lps is not None:
        u = given.measure.settings.hole_placement_u_mm
        noise = u * scene.normals(ENTRIES, 6).reshape(-1, 2, 3)
        return np.array(given.pair_entries_lps, dtype=np.float64) + noise
    if context.missing("anchor_1", "anchor_2"):
        return None
    return np.stack(np.broadcast_arrays(scene.point("anchor_1"), scene.point("anchor_2")), axis=1)


def entry_sources(given: LengthInput) -> tuple[str, ...]:
    """Inputs that the entry points depend on."""
    return (ENTRIES,) if given.pair_entries_lps is not None else ("anchor_1", "anchor_2")


def handle_vectors(given: LengthInput, context: Context, plan: HandlePlan, scene: Scene) -> Floats:
    """From the midpoint of the holes to the planned tip in every draw, shape (draws, 3)."""
    entries = hole_entries(given, context, scene)
    assert entries is not None
    return plan.tip_lps(scene) - entries.mean(axis=1)


def handle_geometry(given: LengthInput, context: Context, plan: HandlePlan) -> HandleGeometry | None:
    """Tip, top, handle length, hole span and arm reach for the mean points; None without two holes."""
    entries = hole_entries(given, context, context.mean)
    if entries is None:
        return None
    tip = plan.tip_lps(context.mean)[0]
    top = entries[0].mean(axis=0)
    span = float(batch.length(entries[:, 1] - entries[:, 0])[0])
    reach = float(max(np.linalg.norm(entries[0] - top, axis=1)))
    return HandleGeometry(tip, top, entries[0], float(np.linalg.norm(tip - top)), span, reach)
