"""One ear, complete: the ordered painted elements, ready to be rendered, asked and traced."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from ctmeasure_samples import cavity, implants, inner_ear, kernels, nerves, ossicles, skull
from ctmeasure_samples.elements import EXIT_SPACES, MATERIALS, Element
from ctmeasure_samples.layout import Layout, make_layout
from ctmeasure_samples.parameters import EarParameters, HeadParameters
from ctmeasure_samples.shapes import compile_shapes

# An air gap of this length counts as the exit of a hole even when it is no named space.
EXIT_GAP_MM = 1.0
# Spaces that end the wall however short the way through them; cells, marrow and clefts must be EXIT_GAP_MM long.
OPEN_SPACES = EXIT_SPACES - {"mastoid cell", "closed cell or marrow", "suture"}
NO_EXIT = "no exit within arm length"
# A ray may start this far outside the bone (in the lining or by rounding) and still counts from the bone's surface.
START_TOLERANCE_MM = 0.5
MAX_RUNS = 400


@dataclass(frozen=True)
class WallReading:
    """True wall along one ray (mm): bone to the first gap, bone and small gaps to the exit, and what lies there."""

    to_first_gap_mm: float
    to_exit_mm: float
    far_side: str


@dataclass(frozen=True, eq=False)
class EarModel:
    """An ear without a side: its layout and its painted elements, first painted first.

    Attributes
    ----------
    parameters, head, layout
        What it was built from.
    elements
        Painted in order; later ones cover earlier ones.
    """

    parameters: EarParameters
    head: HeadParameters
    layout: Layout
    elements: tuple[Element, ...]
    program: tuple[np.ndarray, ...] = field(repr=False)
    boxes: np.ndarray = field(repr=False)

    def element(self, name: str) -> Element:
        """Element of a name."""
        for element in self.elements:
            if element.name == name:
                return element
        raise KeyError(name)

    def has(self, name: str) -> bool:
        """Whether an element of that name is painted."""
        return any(e.name == name for e in self.elements)

    def at(self, points: np.ndarray) -> list[Element | None]:
        """Element that holds each point (n, 3); None in the open air around the head."""
        flat = np.ascontiguousarray(np.asarray(points, dtype=np.float64).reshape(-1, 3))
        found = kernels.top_elements(*self.program, self.boxes, flat)
        return [self.elements[i] if i >= 0 else None for i in found]

    def levels(self) -> np.ndarray:
        """Grey level (HU) of each element."""
        p = self.parameters
        own = {"cortical": p.cortical_hu, "capsule": p.capsule_hu}
        out = []
        for e in self.elements:
            level = MATERIALS[e.material].level_hu
            out.append(own[e.material] if level is None else level)
        return np.array(out, dtype=np.float64)

    def texture_sds(self) -> np.ndarray:
        """Relative SD of the slow and the fine field for each element (n, 2)."""
        rows = [(MATERIALS[e.material].slow_sd, MATERIALS[e.material].fine_sd) for e in self.elements]
        table = np.array(rows, dtype=np.float64)
        cortical = np.array([e.material == "cortical" for e in self.elements])
        table[cortical, 0] = self.parameters.cortical_sd_share
        return table

    def runs(
        self, start: np.ndarray, direction: np.ndarray, length_mm: float
    ) -> list[tuple[Element | None, float, float]]:
        """What a ray passes: (element, from, to), surfaces exact to a micrometre."""
        d = np.asarray(direction, dtype=np.float64)
        d = d / np.linalg.norm(d)
        found, ends = kernels.trace_ray(
            *self.program, self.boxes, np.asarray(start, dtype=np.float64), d, float(length_mm), MAX_RUNS
        )
        out: list[tuple[Element | None, float, float]] = []
        begin = 0.0
        for index, end in zip(found, ends, strict=True):
            out.append((self.elements[index] if index >= 0 else None, begin, float(end)))
            begin = float(end)
        return out

    def wall_along(self, start: np.ndarray, direction: np.ndarray, length_mm: float = 12.0) -> WallReading:
        """Wall thickness along a ray from the bone surface.

        Parameters
        ----------
        start
            Point on the bony canal wall, ear frame, mm.
        direction
            Drill direction, ear frame, any length but zero.
        length_mm
            How far the ray goes (arm length).

        Returns
        -------
        WallReading
            `to_first_gap_mm` and `to_exit_mm` from the bone surface; `far_side` in the words of the trade.

        Raises
        ------
        Nothing.

        Notes
        -----
        Marrow is not bone. The wall ends at the first open space of the trade's list (`OPEN_SPACES`) however short the
        ray's way through it, else at the first gap of 1 mm or more; shorter cells, clefts and canals are small gaps and
        are passed. Where the ray ends in a tissue that the list has no word for (nerve, carotid, inner ear, soft
        tissue), the far side is that tissue's own name.
        """
        return read_wall(self.runs(start, direction, length_mm))


def read_wall(runs: list[tuple[Element | None, float, float]]) -> WallReading:
    """Turn the runs of a ray into the three wall readings."""
    merged: list[tuple[str, bool, float, float]] = []
    for element, begin, end in runs:
        bone = element is not None and element.is_bone
        space = "bone" if bone else ("outside" if element is None else element.space)
        if merged and merged[-1][0] == space:
            merged[-1] = (space, bone, merged[-1][2], end)
        else:
            merged.append((space, bone, begin, end))
    first_bone = next((i for i, r in enumerate(merged) if r[1]), None)
    if first_bone is None or merged[first_bone][2] > START_TOLERANCE_MM:
        space = merged[0][0]
        return WallReading(0.0, 0.0, space)
    surface = merged[first_bone][2]
    to_gap = merged[first_bone][3] - surface
    for space, bone, begin, end in merged[first_bone + 1 :]:
        if not bone and (space in OPEN_SPACES or end - begin >= EXIT_GAP_MM):
            return WallReading(to_gap, begin - surface, space)
    if merged[first_bone] is merged[-1]:
        to_gap = float("inf")
    return WallReading(to_gap, float("inf"), NO_EXIT)


def scene_of(elements: Sequence[Element], parameters: EarParameters | None = None) -> EarModel:
    """A scene of any painted elements (phantoms): rendered, asked and traced like an ear.

    Example
    -------
    >>> from ctmeasure_samples.shapes import ball
    >>> scene = scene_of([Element("ball", "cortical", "bone", ball((0, 0, 0), 2.0))])
    >>> scene.at([[0, 0, 1.9]])[0].name
    'ball'
    """
    parameters = EarParameters() if parameters is None else parameters
    program = compile_shapes([e.shape for e in elements])
    boxes = np.array([e.shape.box.ravel() for e in elements])
    return EarModel(parameters, HeadParameters(), make_layout(parameters), tuple(elements), program, boxes)


def build_ear(parameters: EarParameters, head: HeadParameters | None = None) -> EarModel:
    """Build one ear from its parameters.

    Parameters
    ----------
    parameters
        Anatomy and findings.
    head
        What both ears share (default: a plain head).

    Returns
    -------
    EarModel
        The ear in its own frame (x lateral, y posterior, z superior, origin at the rim's centre).

    Raises
    ------
    ValueError
        When a path cannot be built from the parameters.

    Example
    -------
    >>> ear = build_ear(EarParameters())
    >>> ear.at([[5.0, 0.6, 0.5]])[0].name
    'canal air'
    """
    head = HeadParameters() if head is None else head
    layout = make_layout(parameters)
    elements = [
        *skull.head_background(layout, head),
        *skull.bone_and_cells(layout),
        *skull.plates_and_sleeves(layout),
        *skull.brain_vessels_joint(layout, head),
        *cavity.air_spaces(layout),
        *cavity.fills(layout),
        *skull.tegmen_defect(layout),
        *inner_ear.capsule_elements(layout),
        *cavity.windows(layout),
        *nerves.nerve_walls(layout),
        *inner_ear.fluid_elements(layout),
        *cavity.canal_defects(layout),
        *cavity.canal_elements(layout),
        *cavity.drum_elements(layout),
        *ossicles.ossicle_elements(layout),
        *nerves.nerve_elements(layout),
        *skull.sutures(layout),
        *implants.implant_elements(layout),
    ]
    program = compile_shapes([e.shape for e in elements])
    boxes = np.array([e.shape.box.ravel() for e in elements])
    return EarModel(parameters, head, layout, tuple(elements), program, boxes)
