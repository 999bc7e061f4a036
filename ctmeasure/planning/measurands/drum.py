"""The drum: how far out it lies, how far the handle lies in, how thick the sheet is."""

from __future__ import annotations

from collections.abc import Callable

from ctmeasure.planning.measurands import batch
from ctmeasure.planning.measurands.batch import Floats
from ctmeasure.planning.measurands.inputs import DrumSheet, as_point
from ctmeasure.planning.measurands.registry import CANAL, Context, Found, Recipe
from ctmeasure.planning.measurands.scene import Scene
from ctmeasure.planning.results import Measurement

FACE = "drum lateral face"
"""Latent input: how well the outer face was found in the scan."""
PLANE = ("annulus", *CANAL)


def recipes(context: Context) -> list[Found]:
    """Recipes of `drum_lateralisation`, `handle_medialisation`, `drum_thickness` and `anterior_blunting`."""
    return [
        *_medial_face(context),
        *_lateral_face(context),
        _handle(context),
        _thickness(context),
        _blunting(context),
    ]


def height_over_annulus(point: Callable[[Scene], Floats]) -> Callable[[Scene], Floats]:
    """Signed distance of a point from the annulus plane, outwards positive."""
    return lambda scene: scene.annulus_plane().signed_distance_mm(point(scene))


def height_along_axis(point: Callable[[Scene], Floats]) -> Callable[[Scene], Floats]:
    """The same along the canal axis: from the annulus plane to the point, in the direction u."""

    def along(scene: Scene) -> Floats:
        plane = scene.annulus_plane()
        return plane.signed_distance_mm(point(scene)) / batch.dot(plane.normal_lps, scene.canal().axis_lps)

    return along


def _pair(context: Context, face: str, sources: tuple[str, ...], point: Callable[[Scene], Floats]) -> list[Found]:
    flags = context.ring_flags()
    return [
        Recipe(
            "drum_lateralisation",
            f"{face} perpendicular",
            "signed",
            (*sources, "annulus"),
            height_over_annulus(point),
            flags=flags,
            published=face == "medial face",
        ),
        Recipe(
            "drum_lateralisation",
            f"{face} along axis",
            "signed",
            (*sources, *PLANE),
            height_along_axis(point),
            flags=flags,
            published=False,
        ),
    ]


def _medial_face(context: Context) -> list[Found]:
    missing = context.missing("drum_centre", *PLANE)
    if missing:
        return [
            context.not_measured("drum_lateralisation", f"medial face {way}", needs=missing)
            for way in ("perpendicular", "along axis")
        ]
    return _pair(context, "medial face", ("drum_centre",), lambda scene: scene.point("drum_centre"))


def _lateral_face(context: Context) -> list[Found]:
    missing = context.missing(*PLANE)
    sheet = context.given.drum
    if missing or sheet is None or sheet.lateral_face_lps is None:
        why = "not measured: needs the outer face of the drum found in the scan"
        return [
            context.not_measured("drum_lateralisation", f"lateral face {way}", needs=missing, why=why)
            for way in ("perpendicular", "along axis")
        ]
    return _pair(context, "lateral face", (FACE,), _face_point(sheet))


def _face_point(sheet: DrumSheet) -> Callable[[Scene], Floats]:
    assert sheet.lateral_face_lps is not None
    face, u = as_point(sheet.lateral_face_lps), sheet.lateral_face_u_mm
    return lambda scene: face + u * scene.normals(FACE, 3)


def _handle(context: Context) -> Found:
    missing = context.missing("handle_tip", *PLANE)
    if missing:
        return context.not_measured("handle_medialisation", needs=missing)
    compute = height_over_annulus(lambda scene: scene.point("handle_tip"))
    return Recipe("handle_medialisation", "", "signed", ("handle_tip", "annulus"), compute, flags=context.ring_flags())


def _thickness(context: Context) -> Measurement:
    sheet = context.given.drum or _sheet_from_profile(context)
    if isinstance(sheet, str):
        return context.not_measured("drum_thickness", why=sheet)
    missing = context.not_measured("drum_thickness", why=f"class: {sheet.thickness_class}")
    if sheet.thickness is None:
        return missing
    return Measurement(
        missing.id, f"class: {sheet.thickness_class}", sheet.thickness, ("scan", "drum_centre"), (), missing.definition
    )


def _sheet_from_profile(context: Context) -> DrumSheet | str:
    from ctmeasure.planning.measurands.drum_profile import sheet_from_profile

    given = context.given
    if given.volume is None:
        return "not measured: needs the scan"
    missing = context.missing("drum_centre", *PLANE)
    if missing:
        return context.not_measured("drum_thickness", needs=missing).flags[0]
    normal = context.mean.annulus_plane().normal_lps[0]
    centre = context.mean.point("drum_centre")[0]
    return sheet_from_profile(given.volume, centre, normal_lps=normal, psf_fwhm_mm=given.psf_fwhm_mm)


def _blunting(context: Context) -> Measurement:
    sheet = context.given.drum
    if sheet is None or sheet.anterior_blunting is None:
        why = (
            "needs the outer face of the drum found in the scan" if sheet is None else "the anterior angle is not read"
        )
        return context.not_measured("anterior_blunting", why=f"not measured: {why}")
    term = context.not_measured("anterior_blunting", why="")
    return Measurement(term.id, "", sheet.anterior_blunting, ("scan", "annulus"), (), term.definition)
