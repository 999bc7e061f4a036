"""From a case to plain layer descriptions of one plane: the only place that decides what is drawn and how."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from ctmeasure.report.figures.marks import ellipse_95
from ctmeasure.volume.reformat import PlaneSpec

from . import looks
from .convert import flat_from_lps
from .layers import Lines, PaneLayers, Picture, Word
from .looks import RGBA
from .scene import BodyMark, CaseScene, PointMark, PointRef
from .solids import cut

Floats = npt.NDArray[np.float64]
Piece = tuple[Floats, RGBA]

ELLIPSE_CORNERS = 32
TICK_MM = 0.3
"""Half length of a tick."""
LINE_WITHIN_MM = 3.0
"""A structure's centre line is drawn where it runs this close to the plane."""
HOLE_LINE_WITHIN_MM = 0.5
"""The same for a hole: there may be many, and only those in the plane are looked at."""
SLACK_MM = 0.01
"""The crosshair ends exactly on the edge; rounding must not drop it."""
EDGE_PX = 26.0
"""Words keep this far from the left and right edge, where the letters stand."""
HEAD_PX = 34.0
"""Words keep this far below the upper edge, where its letter and the side stand."""
LETTER_WIDTH_PX = 8.2
WORD_HEIGHT_PX = 19.0
"""Size of a letter of the pane's words on the screen, only used to keep words apart."""
EDGES = ("left", "right", "top", "bottom")


@dataclass(frozen=True, eq=False, slots=True)
class PaneView:
    """How one pane looks at the case.

    ``values`` is the reformat along ``plane``; ``focus_lps`` the crosshair; ``selected`` the landmark point in hand;
    ``held_at_lps`` where that point is being dragged to, before it is let go; ``px_per_mm`` the zoom; ``brief`` writes
    only the side into the corner and leaves out the structures' names; ``draft_lps`` (n, 3) are clicks of something
    that is not whole yet; ``caption`` is written under the plane's name; ``type_scale`` is how much larger than usual
    words are written.
    """

    plane: PlaneSpec
    values: npt.NDArray[np.float32]
    focus_lps: Floats
    window: tuple[float, float]
    px_per_mm: float = 15.0
    selected: PointRef | None = None
    held_at_lps: Floats | None = None
    names: bool = False
    brief: bool = False
    draft_lps: Floats | None = None
    caption: str = ""
    type_scale: float = 1.0


def render(scene: CaseScene, view: PaneView) -> PaneLayers:
    """Describe one pane.

    Parameters
    ----------
    scene
        The marks of the case (`ctmeasure_napari.scene.case_scene`).
    view
        The plane and how it is looked at.

    Returns
    -------
    PaneLayers
        Plain data, for the adapter to show.

    Raises
    ------
    Nothing.

    Notes
    -----
    Landmarks are projected along the normal, fade with distance from the plane (`ctmeasure_napari.looks.strength`)
    and are hidden beyond 1.5 mm. Structures and holes are cut exactly.
    """
    plane = view.plane
    pieces: list[Piece] = [(_crosshair(view), looks.NEUTRAL)]
    words: list[Word] = []
    for body in scene.bodies:
        found, word = _body(body, plane)
        pieces += found
        words += [word] if word and (view.names or not view.brief) else []
    named: set[str] = set()
    held: dict[PointRef, tuple[float, float]] = {}
    at_lps = np.array([_at(mark, view) for mark in scene.points]).reshape(-1, 3)
    away_mm, flat = plane.offset_mm(at_lps), flat_from_lps(plane, at_lps)
    for mark, away, (down, right) in zip(scene.points, away_mm, flat, strict=True):
        strength = looks.strength(float(away))
        if strength > 0.0:
            held[mark.ref] = (float(down), float(right))
            _landmark(mark, held[mark.ref], strength, view, pieces, words, named)
    if view.draft_lps is not None and len(view.draft_lps):
        pieces += _draft(view.draft_lps, plane)
    return PaneLayers(
        picture=_picture(view),
        lines=_joined(pieces, plane),
        words=_apart(words, view.px_per_mm / view.type_scale, plane),
        edges={edge: plane.edge_letters(edge)[:2] for edge in EDGES},  # type: ignore[arg-type]
        title=scene.title.split()[0]
        if view.brief
        else "\n".join(t for t in (scene.title, plane.name, view.caption) if t),
        held=held,
    )


def _picture(view: PaneView) -> Picture:
    plane = view.plane
    half = (np.asarray(plane.shape) - 1) / 2.0 * plane.pixel_mm
    low = np.float32(view.window[0])
    values = np.where(np.isfinite(view.values), view.values, low).astype(np.float32, copy=False)
    return Picture(values, (-float(half[0]), -float(half[1])), plane.pixel_mm, view.window)


def _crosshair(view: PaneView) -> Floats:
    """Four arms through the focus with a free middle."""
    down, right = flat_from_lps(view.plane, view.focus_lps)
    half_down, half_right = view.plane.height_mm / 2.0, view.plane.width_mm / 2.0
    gap = looks.CROSSHAIR_GAP_MM
    return np.array(
        [
            [[-half_down, right], [down - gap, right]],
            [[down + gap, right], [half_down, right]],
            [[down, -half_right], [down, right - gap]],
            [[down, right + gap], [down, half_right]],
        ]
    )


def _body(body: BodyMark, plane: PlaneSpec) -> tuple[list[Piece], Word | None]:
    colour = looks.HOLE if body.kind == "hole" else looks.STRUCTURE
    pieces: list[Piece] = []
    wall = cut(body.solid, plane) if body.solid is not None else np.empty((0, 2, 2))
    if len(wall):
        pieces.append((wall, colour))
    if body.kind in ("tube", "hole"):
        within = HOLE_LINE_WITHIN_MM if body.kind == "hole" else LINE_WITHIN_MM
        pieces.append((_centre_line(body.line_lps, plane, within), looks.faded(colour, 0.75)))
    if body.solid is None:
        pieces.append((_ticks(body.line_lps, plane), colour))
    shown = np.concatenate([p.reshape(-1, 2) for p, _ in pieces]) if pieces else np.empty((0, 2))
    anchor = wall.reshape(-1, 2) if len(wall) else shown
    inside = anchor[(np.abs(anchor) < [plane.height_mm / 2.0, plane.width_mm / 2.0]).all(axis=1)]
    if not len(inside) or (body.solid is not None and not len(wall)):
        return pieces, None
    top = inside[np.argmin(inside[:, 0])]
    return pieces, Word(body.label, (float(top[0]), float(top[1])), colour)


def _centre_line(line_lps: Floats, plane: PlaneSpec, within_mm: float) -> Floats:
    """The parts of a centre line near the plane, broken into dashes so that it never looks like a wall."""
    lengths = np.append(0.0, np.cumsum(np.linalg.norm(np.diff(line_lps, axis=0), axis=1)))
    at = np.arange(0.0, lengths[-1], 0.5)
    starts = np.stack([np.interp(at, lengths, line_lps[:, axis]) for axis in range(3)], axis=1)
    ends = np.stack([np.interp(at + 0.3, lengths, line_lps[:, axis]) for axis in range(3)], axis=1)
    near = (np.abs(plane.offset_mm(starts)) < within_mm) & (np.abs(plane.offset_mm(ends)) < within_mm)
    return np.stack([flat_from_lps(plane, starts[near]), flat_from_lps(plane, ends[near])], axis=1)


def _ticks(points_lps: Floats, plane: PlaneSpec) -> Floats:
    """A short upright tick at every marked point near the plane, for what has no surface yet."""
    near = points_lps[np.abs(plane.offset_mm(points_lps)) < looks.HIDDEN_BEYOND_MM]
    flat = flat_from_lps(plane, near).reshape(-1, 2)
    half = np.array([TICK_MM, 0.0])
    return np.stack([flat - half, flat + half], axis=1)


def _at(mark: PointMark, view: PaneView) -> Floats:
    """Where a point is, or is being dragged to."""
    dragged = mark.ref == view.selected and view.held_at_lps is not None
    return view.held_at_lps if dragged else mark.point_lps  # type: ignore[return-value]


def _landmark(
    mark: PointMark,
    at_flat: tuple[float, float],
    strength: float,
    view: PaneView,
    pieces: list[Piece],
    words: list[Word],
    named: set[str],
) -> None:
    """Draw one landmark point: its cross, its ellipse, its name."""
    selected = mark.ref == view.selected
    if mark.kind == "suggested":
        # hollow: no cross, a small open diamond in its doubt, broken, until somebody accepts it
        assert mark.covariance is not None
        colour = looks.faded(looks.LANDMARK, strength)
        pieces.append((_diamond(*at_flat, selected), colour))
        pieces.append((_ellipse(mark.covariance, view.plane, *at_flat)[::2], looks.faded(colour, 0.8)))
        if selected or (view.names and mark.ref[0] not in named):
            named.add(mark.ref[0])
            words.insert(0 if selected else len(words), Word(mark.label, at_flat, looks.LANDMARK, 24.0))
        return
    if mark.kind != "landmark" and not selected:
        at = np.array(at_flat)
        half = np.array([TICK_MM, 0.0])
        own = looks.STRUCTURE if mark.kind == "structure" else looks.HOLE
        pieces.append((np.stack([at - half, at + half])[None], looks.faded(own, strength)))
        return
    colour = looks.faded(looks.LANDMARK, strength)
    pieces.append((_cross(*at_flat, selected), colour))
    if mark.covariance is not None:
        pieces.append((_ellipse(mark.covariance, view.plane, *at_flat), looks.faded(colour, 0.9)))
    if selected or (view.names and mark.kind == "landmark" and mark.ref[0] not in named):
        named.add(mark.ref[0])  # a ring is named once
        words.insert(0 if selected else len(words), Word(mark.label, at_flat, looks.LANDMARK, 24.0))


def _draft(points_lps: Floats, plane: PlaneSpec) -> list[Piece]:
    """Small open squares at the clicks and a broken line through them in order."""
    flat, away = flat_from_lps(plane, points_lps), np.abs(plane.offset_mm(points_lps))
    pieces: list[Piece] = []
    for (down, right), distance in zip(flat, away, strict=True):
        a = TICK_MM
        corners = np.array([[down - a, right - a], [down - a, right + a], [down + a, right + a], [down + a, right - a]])
        strength = max(looks.strength(float(distance)), looks.FAINTEST)
        pieces.append((np.stack([corners, np.roll(corners, -1, axis=0)], axis=1), looks.faded(looks.DRAFT, strength)))
    if len(points_lps) > 1:
        pieces.append((_centre_line(points_lps, plane, np.inf), looks.faded(looks.DRAFT, 0.8)))
    return pieces


def _diamond(down: float, right: float, selected: bool) -> Floats:
    arm = looks.SELECTED_CROSS_MM if selected else looks.CROSS_MM
    corners = np.array([[down - arm, right], [down, right + arm], [down + arm, right], [down, right - arm]])
    return np.stack([corners, np.roll(corners, -1, axis=0)], axis=1)


def _cross(down: float, right: float, selected: bool) -> Floats:
    arm = looks.SELECTED_CROSS_MM if selected else looks.CROSS_MM
    return np.array(
        [[[down - arm, right], [down + arm, right]], [[down, right - arm], [down, right + arm]]], dtype=np.float64
    )


def _ellipse(covariance: Floats, plane: PlaneSpec, down: float, right: float) -> Floats:
    major, minor, tilt_deg = ellipse_95(covariance, plane.right_lps, plane.down_lps)
    turn = np.linspace(0.0, 2.0 * np.pi, ELLIPSE_CORNERS + 1)
    tilt = np.radians(tilt_deg)
    along, across = major * np.cos(turn), minor * np.sin(turn)
    outline = np.stack(
        [down + along * np.sin(tilt) + across * np.cos(tilt), right + along * np.cos(tilt) - across * np.sin(tilt)],
        axis=1,
    )
    return np.stack([outline[:-1], outline[1:]], axis=1)


def _joined(pieces: list[Piece], plane: PlaneSpec) -> Lines:
    """All pieces that touch the picture; beyond its edge there is nothing to compare a line with."""
    parts = [(np.asarray(p, dtype=np.float64).reshape(-1, 2, 2), colour) for p, colour in pieces]
    lines = np.concatenate([p for p, _ in parts])
    colours = np.concatenate([np.tile(colour, (len(p), 1)) for p, colour in parts])
    half = np.array([plane.height_mm, plane.width_mm]) / 2.0
    inside = (np.abs(lines) <= half + SLACK_MM).all(axis=2).any(axis=1)
    return Lines(lines[inside], colours[inside])


def _apart(words: list[Word], px_per_mm: float, plane: PlaneSpec) -> tuple[Word, ...]:
    """The words in order of importance, leaving out any that would cover an earlier one or leave the picture."""
    kept: list[Word] = []
    boxes: list[tuple[float, float, float]] = []
    for word in words:
        half = 0.5 * LETTER_WIDTH_PX * len(word.text)
        y, x = word.at_flat[0] * px_per_mm - word.lift_px, word.at_flat[1] * px_per_mm
        y = max(y, HEAD_PX - plane.height_mm / 2.0 * px_per_mm)
        limit = plane.width_mm / 2.0 * px_per_mm - half - EDGE_PX
        x = min(max(x, -limit), limit) if limit > 0 else 0.0
        if any(
            abs(y - other_y) < WORD_HEIGHT_PX and abs(x - other_x) < half + other for other_y, other_x, other in boxes
        ):
            continue
        boxes.append((y, x, half))
        kept.append(replace(word, at_flat=((y + word.lift_px) / px_per_mm, x / px_per_mm)))
    return tuple(kept)
