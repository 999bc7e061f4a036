"""Which reconstructions this ear can be asked about, between which contacts, as it lies and as planned."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import partial

from ctmeasure.planning.lengths.gates import footplate_flags, piston_flags
from ctmeasure.planning.lengths.handle import (
    BENT_FLAG,
    HandlePlan,
    entry_sources,
    handle_geometry,
    handle_vectors,
    planned_handle,
)
from ctmeasure.planning.lengths.inputs import LengthInput
from ctmeasure.planning.measurands.batch import Floats
from ctmeasure.planning.measurands.inputs import needs_flag
from ctmeasure.planning.measurands.registry import CANAL, Context
from ctmeasure.planning.measurands.scene import Scene
from ctmeasure.planning.results import ON_NORMAL
from ctmeasure.planning.settings import Settings

AS_IT_LIES = "as it lies on this scan"
AS_PLANNED = "as planned"
STRAIGHT = "drum on the footplate's normal"
FROM_SCAN_FLAG = "contact found in the scan where the footplate's normal meets the drum: nobody placed it"
UNKNOWN_LATERALISATION_FLAG = "not offered: how far out the drum lies is not known"
TAKEN_DOWN_FLAG = "drum is taken down: no size as it lies"
LATERAL_AS_IT_LIES = {
    "handle": "handle_contact|handle_tip",
    "umbo": "umbo",
    "drum": "drum_contact|drum_centre",
    "incus": "incus_contact|incus_long_process",
    "malleus neck": "malleus_neck",
}
SPANNED_BY = {
    "total": ("handle", "umbo", "drum"),
    "partial": ("handle", "umbo", "drum"),
    "piston": ("incus", "handle", "malleus neck"),
}
MEDIAL = {"total": "footplate_centre", "partial": "stapes_head", "piston": "footplate_centre"}


@dataclass(frozen=True, eq=False)
class Span:
    """One distance that a device has to bridge.

    ``lateral_kind`` chooses the contact stack. ``vectors`` is None when the distance cannot be given; ``offered`` False
    when it can, and no size may be offered for it. ``lateral_at`` gives the lateral contact in every draw, where the
    device is a straight shaft from ``medial`` to there; ``holes_mm`` is the hole span and arm reach of a handle.
    """

    reconstruction: str
    geometry: str
    lateral: str
    medial: str
    lateral_kind: str
    sources: tuple[str, ...] = ()
    vectors: Callable[[Scene], Floats] | None = None
    lateral_at: Callable[[Scene], Floats] | None = None
    offered: bool = True
    flags: tuple[str, ...] = ()
    holes_mm: tuple[float, float] | None = None


def spans(given: LengthInput, context: Context) -> list[Span]:
    """Every span of this ear, in the order of the table; what cannot be given says what it needs."""
    found = _handle_itself(given, context)
    for reconstruction in ("total", "partial", "piston"):
        medial = MEDIAL[reconstruction]
        flags = footplate_flags(given.facts)
        if reconstruction == "piston":
            flags = (*piston_flags(given.facts), *flags)
        if not context.has(medial):
            need = needs_flag(given.measure, medial)
            found.append(Span(reconstruction, "", "", medial, "", flags=(need, *flags)))
            continue
        found += _lying(context, reconstruction, medial, flags)
        if reconstruction == "total" and ON_NORMAL in context.draws.doubts:
            found.append(_straight(context, medial, flags))
        found += _planned(given, context, reconstruction, medial, flags)
    return found


PLANNED_HANDLE = "planned handle"
"""A lateral contact to choose besides those of `SPANNED_BY`: the handle as it is planned, not as it lies."""
NOT_CHOSEN = "not chosen"


def is_chosen(span: Span, settings: Settings) -> bool:
    """Whether the surgeon chose this reconstruction (and, when one is chosen, this lateral contact)."""
    if span.reconstruction != settings.reconstruction or span.lateral == STRAIGHT:
        return False  # nobody chose where the footplate's normal meets the drum
    kind = PLANNED_HANDLE if span.geometry == AS_PLANNED and span.lateral_kind == "handle" else span.lateral_kind
    return settings.lateral_contact in (NOT_CHOSEN, kind)


def unmet_choice(given: LengthInput, context: Context, offered: Iterable[tuple[str, str, str]]) -> str:
    """Why what the surgeon chose has no size, in one line; empty when it has one or nothing was chosen.

    Parameters
    ----------
    given, context
        The ear.
    offered
        Reconstruction, geometry and kind of lateral contact of every span with sizes.

    Returns
    -------
    str
    """
    settings = given.measure.settings
    chosen, contact = settings.reconstruction, settings.lateral_contact
    if chosen in (NOT_CHOSEN, "no operation"):
        return ""
    words = chosen if contact == NOT_CHOSEN else f"{chosen} from the {contact}"
    if contact not in (NOT_CHOSEN, PLANNED_HANDLE) and contact not in SPANNED_BY.get(chosen, ()):
        return f"chosen: {words}, which is no reconstruction: {chosen} starts at {' or '.join(SPANNED_BY[chosen])}"
    kept = [Span(kind, geometry, "", "", lateral) for kind, geometry, lateral in offered]
    if any(is_chosen(span, settings) for span in kept):
        return ""
    wanted = [MEDIAL[chosen]] if chosen in MEDIAL else []
    wanted += [LATERAL_AS_IT_LIES[contact]] if contact in LATERAL_AS_IT_LIES else []
    missing = context.missing(*wanted)
    return f"chosen: {words}, and no size can be given; " + (
        needs_flag(given.measure, *missing) if missing else "see its rows"
    )


def _handle_itself(given: LengthInput, context: Context) -> list[Span]:
    plan = planned_handle(given, context)
    if not isinstance(plan, HandlePlan):
        return [Span("handle", AS_PLANNED, "holes", "", "holes", flags=(needs_flag(given.measure, *plan),))]
    geometry = handle_geometry(given, context, plan)
    if geometry is None:
        need = "needs: a chosen pair of holes, or anchor_1 and anchor_2"
        return [Span("handle", AS_PLANNED, "holes", "planned handle tip", "holes", flags=(need, *plan.flags))]
    words = f"hole span {geometry.hole_span_mm:.2f} mm", f"arm reach {geometry.arm_reach_mm:.2f} mm"
    return [
        Span(
            "handle",
            AS_PLANNED,
            "midpoint of the holes",
            "planned handle tip",
            "holes",
            (*plan.sources, *entry_sources(given)),
            lambda scene: handle_vectors(given, context, plan, scene),
            flags=(*words, *plan.flags),
            holes_mm=(geometry.hole_span_mm, geometry.arm_reach_mm),
        )
    ]


def _lying(context: Context, reconstruction: str, medial: str, flags: tuple[str, ...]) -> list[Span]:
    found = []
    for kind in SPANNED_BY[reconstruction]:
        contact = context.first(LATERAL_AS_IT_LIES[kind])
        if contact is None:
            continue
        down = _not_as_it_lies(context) if kind == "drum" else ()
        found.append(
            Span(
                reconstruction,
                AS_IT_LIES,
                contact,
                medial,
                kind,
                (contact, medial),
                partial(_between, contact, medial),
                partial(_at, contact),
                offered=not down,
                flags=(*down, *flags),
            )
        )
    return found


def _straight(context: Context, medial: str, flags: tuple[str, ...]) -> Span:
    """A total prosthesis along the footplate's normal to where the scan shows the drum: no tilt, and no click on it."""
    down = _not_as_it_lies(context)
    return Span(
        "total",
        AS_IT_LIES,
        STRAIGHT,
        medial,
        "drum",
        (ON_NORMAL, medial),
        partial(_between, ON_NORMAL, medial),
        partial(_at, ON_NORMAL),
        offered=not down,
        flags=(*down, FROM_SCAN_FLAG, *flags),
    )


def _at(landmark_id: str, scene: Scene) -> Floats:
    return scene.point(landmark_id)


def _between(lateral: str, medial: str, scene: Scene) -> Floats:
    return scene.point(medial) - scene.point(lateral)


def _from_tip(plan: HandlePlan, medial: str, scene: Scene) -> Floats:
    return scene.point(medial) - plan.tip_lps(scene)


def _not_as_it_lies(context: Context) -> tuple[str, ...]:
    """Why no size is offered for the drum as it lies: it lies too far out, or nobody can tell whether it does."""
    limit = context.given.settings.drum_as_it_lies_limit_mm
    missing = context.missing("annulus", "drum_centre", *CANAL)
    if missing:
        return (UNKNOWN_LATERALISATION_FLAG, needs_flag(context.given, *missing))
    out = float(context.mean.annulus_plane().signed_distance_mm(context.mean.point("drum_centre"))[0])
    return (TAKEN_DOWN_FLAG, f"drum {out:.1f} mm out, limit {limit:g} mm") if out > limit else ()


def _planned(
    given: LengthInput, context: Context, reconstruction: str, medial: str, flags: tuple[str, ...]
) -> list[Span]:
    plans = [(AS_PLANNED, planned_handle(given, context))]
    if TAKEN_DOWN_FLAG in _not_as_it_lies(context):
        plans.append((AS_PLANNED, planned_handle(given, context, bent=True)))
    found = []
    for geometry, plan in plans:
        if not isinstance(plan, HandlePlan):
            found.append(
                Span(
                    reconstruction,
                    geometry,
                    "planned handle tip",
                    medial,
                    "handle",
                    flags=(needs_flag(given.measure, *plan), *flags),
                )
            )
            continue
        name = "planned handle tip, bent out to the drum" if plan.aim == BENT_FLAG else "planned handle tip"
        found.append(
            Span(
                reconstruction,
                geometry,
                name,
                medial,
                "handle",
                (*plan.sources, medial),
                partial(_from_tip, plan, medial),
                plan.tip_lps,
                flags=(*plan.flags, *flags),
            )
        )
    drum = context.first("drum_contact|drum_centre")
    if reconstruction != "piston" and drum and not context.missing("annulus", *CANAL):
        found.append(_relaid(reconstruction, medial, drum, (*context.ring_flags(), *flags)))
    return found


def _relaid(reconstruction: str, medial: str, drum: str, flags: tuple[str, ...]) -> Span:
    """Under a drum that is re-laid at the rim: its contact point moved onto the annulus plane."""

    def onto_rim(scene: Scene) -> Floats:
        plane = scene.annulus_plane()
        contact = scene.point(drum)
        return contact - plane.signed_distance_mm(contact)[:, None] * plane.normal_lps

    def vectors(scene: Scene) -> Floats:
        return scene.point(medial) - onto_rim(scene)

    return Span(
        reconstruction,
        AS_PLANNED,
        f"{drum} re-laid at the rim",
        medial,
        "drum",
        (drum, medial, "annulus"),
        vectors,
        onto_rim,
        flags=flags,
    )
