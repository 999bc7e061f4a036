"""Shapes with exact surfaces, and how they are put together.

A `Shape` is a small tree: primitives joined by union, intersection and subtraction (each with an optional blending
radius) and grown by millimetres. All coordinates are millimetres in one ear's own frame (see `frame.py`).

Example
-------
>>> import numpy as np
>>> bowl = ball((0.0, 0.0, 0.0), 2.0) - ball((0.0, 0.0, 1.5), 1.0)
>>> bool(bowl.distance(np.array([[0.0, 0.0, -1.0]]))[0] < 0.0)
True
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from ctmeasure_samples import kernels

Vector = Sequence[float] | np.ndarray

# A box this large stands for "no limit".
UNLIMITED_MM = 1.0e4
# Cells per side of a foam's repeating block.
FOAM_CELLS = 16


@dataclass(frozen=True, eq=False)
class Primitive:
    """One elementary shape: its kind, its numbers, a box that holds it, and how far off its distances may be.

    `stretch`: a distance is never larger than the true one times this.
    """

    kind: int
    numbers: np.ndarray
    box: np.ndarray
    stretch: float = 1.0


@dataclass(frozen=True, eq=False)
class Shape:
    """A tree of primitives in postfix order.

    Attributes
    ----------
    steps
        Postfix program: primitives, and (operation, argument) pairs.
    box
        Low and high corner (2, 3) of a box that holds the inside.
    """

    steps: tuple[Primitive | tuple[int, float], ...]
    box: np.ndarray

    def union(self, other: Shape, blend_mm: float = 0.0) -> Shape:
        """Inside either; the crease is rounded over `blend_mm`."""
        box = np.array([np.minimum(self.box[0], other.box[0]), np.maximum(self.box[1], other.box[1])])
        if blend_mm > 0.0:
            box = box + np.array([[-0.25], [0.25]]) * blend_mm
        return Shape((*self.steps, *other.steps, (kernels.OP_UNION, blend_mm)), box)

    def intersect(self, other: Shape, blend_mm: float = 0.0) -> Shape:
        """Inside both."""
        box = np.array([np.maximum(self.box[0], other.box[0]), np.minimum(self.box[1], other.box[1])])
        box[1] = np.maximum(box[1], box[0])
        guard = (kernels.OP_GUARD, float(len(other.steps) + 1))
        return Shape((*self.steps, guard, *other.steps, (kernels.OP_INTERSECT, blend_mm)), box)

    def subtract(self, other: Shape, blend_mm: float = 0.0) -> Shape:
        """Inside this one and not inside the other."""
        guard = (kernels.OP_GUARD, float(len(other.steps) + 1))
        return Shape((*self.steps, guard, *other.steps, (kernels.OP_SUBTRACT, blend_mm)), self.box)

    def grow(self, by_mm: float) -> Shape:
        """Move the surface outwards by `by_mm` (negative: inwards)."""
        return Shape((*self.steps, (kernels.OP_GROW, by_mm)), self.box + np.array([[-1.0], [1.0]]) * max(by_mm, 0.0))

    def __or__(self, other: Shape) -> Shape:
        return self.union(other)

    def __and__(self, other: Shape) -> Shape:
        return self.intersect(other)

    def __sub__(self, other: Shape) -> Shape:
        return self.subtract(other)

    def distance(self, points: np.ndarray) -> np.ndarray:
        """Signed distance (mm, negative inside) at points (..., 3)."""
        points = np.asarray(points, dtype=np.float64)
        flat = np.ascontiguousarray(points.reshape(-1, 3))
        return kernels.distances_at(0, *self._program, flat).reshape(points.shape[:-1])

    @property
    def stretch(self) -> float:
        """A distance of this shape is never larger than the true one times this."""
        return max(step.stretch for step in self.steps if isinstance(step, Primitive))

    @cached_property
    def _program(self) -> tuple[np.ndarray, ...]:
        return compile_shapes([self])


def compile_shapes(shapes: Sequence[Shape]) -> tuple[np.ndarray, ...]:
    """Flatten shapes to the arrays the kernels run: starts, ops, args, kinds, offsets, numbers."""
    starts = [0]
    ops: list[int] = []
    args: list[float] = []
    kinds: list[int] = []
    offsets: list[int] = []
    numbers: list[np.ndarray] = []
    seen: dict[int, int] = {}
    total = 0
    for shape in shapes:
        for step in shape.steps:
            if isinstance(step, Primitive):
                if id(step) not in seen:
                    seen[id(step)] = len(kinds)
                    kinds.append(step.kind)
                    offsets.append(total)
                    numbers.append(step.numbers)
                    total += len(step.numbers)
                ops.append(kernels.OP_SHAPE)
                args.append(float(seen[id(step)]))
            else:
                ops.append(step[0])
                args.append(step[1])
        starts.append(len(ops))
    return (
        np.array(starts, np.int64),
        np.array(ops, np.int64),
        np.array(args, np.float64),
        np.array(kinds, np.int64),
        np.array(offsets, np.int64),
        np.concatenate(numbers).astype(np.float64) if numbers else np.zeros(1),
    )


def unit(vector: Vector) -> np.ndarray:
    """Vector of length one."""
    v = np.asarray(vector, dtype=np.float64)
    return v / np.linalg.norm(v)


def axes_from(third: Vector, hint: Vector = (0.0, 1.0, 0.0)) -> np.ndarray:
    """Right-handed axes (rows) whose third is given and whose first lies as near as possible to `hint`."""
    c = unit(third)
    a = np.asarray(hint, dtype=np.float64)
    a = unit(a - c * float(a @ c))
    return np.array([a, np.cross(c, a), c])


def _single(
    kind: int, numbers: Sequence[float] | np.ndarray, low: Vector, high: Vector, *, stretch: float = 1.0
) -> Shape:
    box = np.array([low, high], dtype=np.float64)
    primitive = Primitive(kind, np.asarray(numbers, dtype=np.float64), box, stretch)
    return Shape((primitive,), box)


def _unlimited() -> tuple[np.ndarray, np.ndarray]:
    return np.full(3, -UNLIMITED_MM), np.full(3, UNLIMITED_MM)


def ellipsoid(centre: Vector, semi_axes_mm: Vector, axes: np.ndarray | None = None) -> Shape:
    """Ellipsoid with semi-axes along the rows of `axes` (default: the frame's own axes)."""
    c = np.asarray(centre, dtype=np.float64)
    r = np.asarray(semi_axes_mm, dtype=np.float64)
    m = np.eye(3) if axes is None else np.asarray(axes, dtype=np.float64)
    reach = np.sqrt(((m.T * r) ** 2).sum(axis=1))
    numbers = np.concatenate([c, m.ravel(), r])
    return _single(kernels.ELLIPSOID, numbers, c - reach, c + reach, stretch=float(r.max() / r.min()))


def ball(centre: Vector, radius_mm: float) -> Shape:
    """Ball."""
    return tube([centre], [radius_mm])


def tube(points: Sequence[Vector] | np.ndarray, radii_mm: Sequence[float] | np.ndarray | float) -> Shape:
    """Round tube along a polyline, a radius at every vertex, round ends."""
    p = np.asarray(points, dtype=np.float64).reshape(-1, 3)
    r = np.broadcast_to(np.asarray(radii_mm, dtype=np.float64), (len(p),))
    rows = np.concatenate([p, r[:, None]], axis=1)
    low = (p - r[:, None]).min(axis=0)
    high = (p + r[:, None]).max(axis=0)
    balls = []
    for first in range(0, max(len(p) - 1, 1), kernels.TUBE_GROUP):
        part = slice(first, first + kernels.TUBE_GROUP + 1)
        centre = 0.5 * (p[part].min(axis=0) + p[part].max(axis=0))
        balls.append([*centre, float((np.linalg.norm(p[part] - centre, axis=1) + r[part]).max())])
    numbers = np.concatenate([[len(p), len(balls)], np.ravel(balls), rows.ravel()])
    taper = 0.0
    if len(p) > 1:
        taper = float(np.max(np.abs(np.diff(r)) / np.maximum(np.linalg.norm(np.diff(p, axis=0), axis=1), 1e-6)))
    return _single(kernels.ROUND_TUBE, numbers, low, high, stretch=1.0 + taper)


def capsule(start: Vector, end: Vector, radius_mm: float, end_radius_mm: float | None = None) -> Shape:
    """Capsule, tapered when an end radius is given."""
    return tube([start, end], [radius_mm, radius_mm if end_radius_mm is None else end_radius_mm])


def half_space(point: Vector, outward: Vector) -> Shape:
    """Everything on the side of a plane that `outward` points away from."""
    numbers = np.concatenate([np.asarray(point, dtype=np.float64), unit(outward)])
    return _single(kernels.PLANE, numbers, *_unlimited())


def above(level_mm: float, bumps: Sequence[tuple[float, float, float, float, float]] = (), **slopes: float) -> Shape:
    """Everything above an uneven floor.

    Parameters
    ----------
    level_mm
        Height of the floor at x = y = 0.
    bumps
        Rows of (height, x, y, width in x, width in y): Gaussian hills (negative: hollows).
    slopes
        `slope_x`, `slope_y`: rise per millimetre.
    """
    slope_x, slope_y = slopes.get("slope_x", 0.0), slopes.get("slope_y", 0.0)
    rows = np.asarray(bumps, dtype=np.float64).reshape(-1, 5)
    # The steepest flank of exp(-(d/s)^2) is sqrt(2/e)/s per unit height; the typical flank sets the scale.
    steep = np.hypot(slope_x, slope_y)
    if len(rows):
        steep += 0.5 * float(np.max(np.abs(rows[:, 0]) * 0.8578 / np.minimum(rows[:, 3], rows[:, 4])))
    scale = 1.0 / np.sqrt(1.0 + steep**2)
    steepest = float(
        np.hypot(slope_x, slope_y) + np.sum(np.abs(rows[:, 0]) * 0.8578 / np.minimum(rows[:, 3], rows[:, 4]))
    )
    numbers = np.concatenate([[level_mm, slope_x, slope_y, scale, len(rows)], rows.ravel()])
    # Hills add up only where they overlap: half the sum of all flanks is never reached in practice.
    stretch = float(np.sqrt(1.0 + (0.5 * steepest) ** 2) * scale)
    return _single(kernels.HEIGHT_FIELD, numbers, *_unlimited(), stretch=max(1.0, stretch))


def elliptic_cylinder(
    centre: Vector, axes: np.ndarray, semi_axes_mm: tuple[float, float], half_length_mm: float, widening: float = 0.0
) -> Shape:
    """Flat-ended cylinder along the third row of `axes`; both semi-axes grow by `widening` per millimetre along it."""
    c = np.asarray(centre, dtype=np.float64)
    m = np.asarray(axes, dtype=np.float64)
    grown = np.array([*semi_axes_mm, half_length_mm]) + np.array([1.0, 1.0, 0.0]) * abs(widening) * half_length_mm
    reach = np.abs(m.T * grown).sum(axis=1)
    numbers = np.concatenate([c, m.ravel(), [*semi_axes_mm, half_length_mm, widening]])
    ratio = max(semi_axes_mm) / min(semi_axes_mm)
    return _single(kernels.ELLIPTIC_CYLINDER, numbers, c - reach, c + reach, stretch=ratio + abs(widening))


def box(centre: Vector, axes: np.ndarray, half_sizes_mm: Vector, rounding_mm: float = 0.0) -> Shape:
    """Block with edges along the rows of `axes`."""
    c = np.asarray(centre, dtype=np.float64)
    m = np.asarray(axes, dtype=np.float64)
    h = np.asarray(half_sizes_mm, dtype=np.float64)
    reach = np.abs(m.T * h).sum(axis=1)
    return _single(kernels.BOX, np.concatenate([c, m.ravel(), h, [rounding_mm]]), c - reach, c + reach)


def foam(
    cell_mm: float,
    septum_mm: float,
    *,
    seed: int,
    closed_share: float = 0.0,
    missing_walls: float = 0.0,
    jitter: float = 0.45,
) -> Shape:
    """Air cells of about `cell_mm` between walls of `septum_mm`, everywhere; intersect it with a region.

    The pattern repeats after FOAM_CELLS cells.
    """
    rng = np.random.default_rng([91, seed % 100_000_000])
    table = np.empty((FOAM_CELLS**3, 4))
    table[:, :3] = 0.5 + jitter * rng.uniform(-1.0, 1.0, (len(table), 3))
    table[:, 3] = rng.random(len(table)) < closed_share
    numbers = np.concatenate([[cell_mm, 0.5 * septum_mm, missing_walls, FOAM_CELLS], table.ravel()])
    return _single(kernels.FOAM, numbers, *_unlimited())


def drum_sheet(
    centre: Vector,
    axes: np.ndarray,
    semi_axes_mm: tuple[float, float],
    umbo_share: tuple[float, float],
    outer_heights_mm: Sequence[float] | np.ndarray,
    inner_heights_mm: Sequence[float] | np.ndarray,
) -> Shape:
    """Layer between two surfaces given as heights over the rim plane.

    Parameters
    ----------
    centre, axes
        Rim centre; rows: in-plane axis a, in-plane axis b, outward normal.
    semi_axes_mm
        Of the rim ellipse along a and b.
    umbo_share
        Place of the cone's tip in units of the semi-axes.
    outer_heights_mm, inner_heights_mm
        Heights along the normal at equal steps from the tip (first) to the rim (last); beyond the rim the last holds.
    """
    c = np.asarray(centre, dtype=np.float64)
    outer = np.asarray(outer_heights_mm, dtype=np.float64)
    inner = np.asarray(inner_heights_mm, dtype=np.float64)
    numbers = np.concatenate([c, np.asarray(axes).ravel(), [*semi_axes_mm, *umbo_share, len(outer)], outer, inner])
    reach = 1.6 * max(semi_axes_mm) + float(np.abs(np.concatenate([outer, inner])).max())
    step = min(semi_axes_mm) / (len(outer) - 1)
    steepest = float(max(np.abs(np.diff(outer)).max(), np.abs(np.diff(inner)).max())) / step
    return _single(kernels.DRUM, numbers, c - reach, c + reach, stretch=1.3 * float(np.hypot(1.0, steepest)))


def canal_tube(
    centres: np.ndarray,
    superior: np.ndarray,
    posterior: np.ndarray,
    semi_axes_mm: np.ndarray,
    *,
    plate_mm: np.ndarray | None = None,
    depth_step_mm: float = 1.0,
    rim_normal: Vector = (1.0, 0.0, 0.0),
    rim_offset_mm: float = 0.0,
) -> Shape:
    """Elliptical tube along a polyline, optionally grown by a plate whose thickness varies.

    Parameters
    ----------
    centres, superior, posterior
        Polyline (n, 3) and unit cross-section axes (n, 3).
    semi_axes_mm
        (n, 2): superior and posterior semi-axis at every vertex.
    plate_mm
        Thickness (angles, depths): angle 0 superior, rising towards posterior, full circle; depth 0 at the rim.
    depth_step_mm
        Step of the depth axis of `plate_mm`.
    rim_normal
        Normal of the rim plane; depth is measured along the first tangent from that plane.
    rim_offset_mm
        Depth of the first vertex (negative: medial of the rim).
    """
    p = np.asarray(centres, dtype=np.float64)
    tangent = unit(p[1] - p[0])
    normal = unit(rim_normal)
    rows = np.concatenate([p, superior, posterior, semi_axes_mm], axis=1)
    table = np.zeros((0, 0)) if plate_mm is None else np.asarray(plate_mm, dtype=np.float64)
    head = [len(p), table.shape[0], table.shape[1], depth_step_mm, *normal, 1.0 / float(normal @ tangent)]
    tail = np.concatenate([[rim_offset_mm], table.ravel()])
    reach = semi_axes_mm.max(axis=1, keepdims=True) + (float(table.max()) if table.size else 0.0)
    ratio = float((semi_axes_mm.max(axis=1) / semi_axes_mm.min(axis=1)).max())
    if table.size:
        arc = 2.0 * np.pi / table.shape[0] * float(semi_axes_mm.min())
        around = float(np.abs(np.diff(table, axis=0, append=table[:1])).max()) / arc
        along = float(np.abs(np.diff(table, axis=1)).max()) / depth_step_mm
        ratio += float(np.hypot(around, along))
    numbers = np.concatenate([head, rows.ravel(), tail])
    return _single(kernels.CANAL, numbers, (p - reach).min(axis=0), (p + reach).max(axis=0), stretch=ratio)


def smooth_path(points: Sequence[Vector] | np.ndarray, step_mm: float = 0.6) -> np.ndarray:
    """Points at about equal steps along a centripetal interpolating curve through the given points."""
    from scipy.interpolate import PchipInterpolator, make_interp_spline

    p = np.asarray(points, dtype=np.float64)
    chord = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(p, axis=0), axis=1) ** 0.5)])
    curve = make_interp_spline(chord, p, k=min(3, len(p) - 1))
    dense = curve(np.linspace(0.0, chord[-1], 40 * len(p)))
    arc = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(dense, axis=0), axis=1))])
    count = max(int(np.ceil(arc[-1] / step_mm)) + 1, 3)
    return PchipInterpolator(arc, dense)(np.linspace(0.0, arc[-1], count))
