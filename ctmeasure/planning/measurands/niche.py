"""The oval-window niche and the line a prosthesis takes through it."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from ctmeasure.planning.measurands import batch
from ctmeasure.planning.measurands.batch import Floats, NearestOnTube
from ctmeasure.planning.measurands.inputs import NicheRims, as_point
from ctmeasure.planning.measurands.registry import Context, Found, Recipe
from ctmeasure.planning.measurands.scene import Scene

RIMS = "niche rims"
"""Latent input: how well the two rims were found in the scan."""
NICHE_REACH_MM = 4.0
"""The niche is looked at along the footplate normal up to here: deeper than any niche, short of the drum [P]."""
FROM_LANDMARKS_FLAG = "promontory is its most lateral point and not the rim of the niche: take as an upper limit"
LATERAL_CONTACTS = {
    "handle": "handle_contact|handle_tip",
    "umbo": "umbo",
    "drum": "drum_contact|drum_centre",
    "incus": "incus_contact|incus_long_process",
}
"""Where a prosthesis line can start, in the order in which they are preferred."""


def recipes(context: Context) -> list[Found]:
    """Recipes of the niche, of the prosthesis axis, and of the facial canal beside them."""
    return [*_tilts(context), *_niche(context), _overhang(context), _to_facial(context)]


def _tilts(context: Context) -> list[Found]:
    missing = context.footplate_missing()
    contacts = {name: context.first(ids) for name, ids in LATERAL_CONTACTS.items()}
    if missing or not any(contacts.values()):
        wanted = missing or ("|".join(LATERAL_CONTACTS.values()),)
        return [context.not_measured("prosthesis_axis_tilt", needs=wanted)]
    found: list[Found] = []
    for name, contact in contacts.items():
        if contact is not None:
            sources = (contact, *context.footplate_sources())
            found.append(
                Recipe("prosthesis_axis_tilt", f"{name} to footplate", "angle", sources, _tilt(contact), unit="deg")
            )
    return found


def _tilt(contact: str) -> Callable[[Scene], Floats]:
    def turn(scene: Scene) -> Floats:
        axis = scene.point(contact) - scene.point("footplate_centre")
        return batch.turn_vectors_deg(scene.footplate_plane().normal_lps, axis)

    return turn


def _across_niche(scene: Scene) -> Floats:
    """Unit vector across the niche, superior: the footplate's short axis, in its plane."""
    normal = scene.footplate_plane().normal_lps
    if scene.landmarks.placed("footplate_superior", "footplate_inferior"):
        up = scene.point("footplate_superior") - scene.point("footplate_inferior")
    else:
        up = scene.canal().superior_lps
    return batch.unit(up - batch.dot(up, normal)[:, None] * normal)


def _beside(context: Context, start: Floats, end: Floats) -> NearestOnTube:
    tube, radii = context.tube("facial_nerve")
    start, end = (np.ascontiguousarray(a) for a in np.broadcast_arrays(start, end))
    return batch.nearest_tube_to_path(start, end, tube, radii)


def _facial_rim(context: Context, scene: Scene) -> Floats:
    """The point of the facial canal's wall that overhangs the footplate normal, shape (draws, 3)."""
    plane = scene.footplate_plane()
    start, end = plane.point_lps, plane.point_lps + NICHE_REACH_MM * plane.normal_lps
    near = _beside(context, start, end)
    foot = start + batch.dot(near.centre_lps - start, plane.normal_lps)[:, None] * plane.normal_lps
    radius = near.radius_mm + scene.surface("facial_nerve")
    return near.centre_lps + batch.unit(foot - near.centre_lps) * radius[:, None]


def _niche(context: Context) -> list[Found]:
    ids = ("oval_window_niche_height", "niche_depth")
    rims = context.given.niche
    plane_missing = context.footplate_missing()
    sources = context.footplate_sources()
    if rims is not None:
        height = Recipe(ids[0], "from the scan", "distance", (RIMS,), lambda scene: _scan_rims(rims, scene)[2])
        if plane_missing:
            return [height, context.not_measured(ids[1], needs=plane_missing)]

        def depth(scene: Scene) -> Floats:
            return _depth(scene, *_scan_rims(rims, scene)[:2])

        return [height, Recipe(ids[1], "from the scan", "signed", (RIMS, *sources), depth, ratio=True)]
    missing = (*plane_missing, *context.missing("facial_nerve", "promontory"))
    if missing:
        return [context.not_measured(i, needs=missing) for i in ids]
    sources = (*sources, "facial_nerve", "promontory")

    def across(scene: Scene) -> Floats:
        return batch.dot(_facial_rim(context, scene) - scene.point("promontory"), _across_niche(scene))

    def deep(scene: Scene) -> Floats:
        return _depth(scene, _facial_rim(context, scene), scene.point("promontory"))

    flags = (FROM_LANDMARKS_FLAG,)
    return [
        Recipe(ids[0], "from landmarks", "signed", sources, across, flags=flags),
        Recipe(ids[1], "from landmarks", "signed", sources, deep, flags=flags, ratio=True),
    ]


def _scan_rims(rims: NicheRims, scene: Scene) -> tuple[Floats, Floats, Floats]:
    noise = rims.u_mm * scene.normals(RIMS, 6)
    facial = as_point(rims.facial_rim_lps) + noise[:, :3]
    promontory = as_point(rims.promontory_rim_lps) + noise[:, 3:]
    return facial, promontory, facial - promontory


def _depth(scene: Scene, facial_lps: Floats, promontory_lps: Floats) -> Floats:
    """From the footplate centre along its normal to where the normal passes the line joining the two rims."""
    plane = scene.footplate_plane()
    across = promontory_lps - facial_lps
    start = facial_lps - plane.point_lps
    normal = plane.normal_lps
    b, c = batch.dot(normal, across), batch.dot(across, across)
    d, e = batch.dot(normal, start), batch.dot(across, start)
    return (c * d - b * e) / (c - b * b)


def _overhang(context: Context) -> Found:
    missing = (*context.footplate_missing(), *context.missing("facial_nerve"))
    contact = next((one for one in map(context.first, LATERAL_CONTACTS.values()) if one), None)
    if missing or contact is None:
        wanted = missing or ("|".join(LATERAL_CONTACTS.values()),)
        return context.not_measured("facial_overhang", needs=wanted)
    sources = (contact, *context.footplate_sources(), "facial_nerve")
    return Recipe("facial_overhang", f"axis from {contact}", "signed", sources, _reach_over(context, contact))


def _reach_over(context: Context, contact: str) -> Callable[[Scene], Floats]:
    def reach(scene: Scene) -> Floats:
        start, end = scene.point("footplate_centre"), scene.point(contact)
        near = _beside(context, start, end)
        axis = batch.unit(end - start)
        off = near.centre_lps - start
        off = off - batch.dot(off, axis)[:, None] * axis
        side = np.where(batch.dot(off, _across_niche(scene)) < 0.0, -1.0, 1.0)
        return near.radius_mm + scene.surface("facial_nerve") - side * batch.length(off)

    return reach


def _to_facial(context: Context) -> Found:
    missing = context.missing("footplate_centre", "facial_nerve")
    if missing:
        return context.not_measured("footplate_to_facial_nerve", needs=missing)

    def gap(scene: Scene) -> Floats:
        near = batch.nearest_on_tube(scene.point("footplate_centre"), *context.tube("facial_nerve"))
        return near.gap_mm - scene.surface("facial_nerve")

    return Recipe("footplate_to_facial_nerve", "", "signed", ("footplate_centre", "facial_nerve"), gap)
