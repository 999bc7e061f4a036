"""The 3-D picture of a case: follows the case, and looks from where it is told."""

from __future__ import annotations

import numpy as np
from qtpy.QtWidgets import QVBoxLayout, QWidget

from ctmeasure.report.figures.slices import side_words

from . import adapter
from .adapter import Model
from .bodies import Body, Eye, bone_body, case_bodies, eyes
from .workbench import Workbench


class SolidView:
    """Shows the bodies of a case.

    Parameters
    ----------
    workbench
        Whose case.
    model
        From `ctmeasure_napari.adapter.new_solid_model`.
    """

    def __init__(self, workbench: Workbench, model: Model) -> None:
        self._workbench = workbench
        self.model = model
        self.holder = QWidget()
        """Where its canvas goes: made when it is first shown, because that takes longer than the first picture."""
        QVBoxLayout(self.holder).setContentsMargins(0, 0, 0, 0)
        self.from_where = "from the front"
        self._bone: Body | None = None
        self._bone_of: tuple[float, ...] = ()
        self._shown: object = None
        adapter.on_size(model, lambda: self.look_from(self.from_where))

    @property
    def centre_lps(self) -> np.ndarray:
        """Middle of the picture: the middle of the large plane's own place."""
        scene = self._workbench.scene
        for name in ("footplate_centre", "drum_centre", "canal_medial"):
            mark = scene.point((name, 0))
            if mark is not None:
                return mark.point_lps
        return np.asarray(self._workbench.volume.geometry.centre_lps)

    @property
    def eyes(self) -> dict[str, Eye]:
        """The directions there are."""
        return eyes(self._workbench.case, self.centre_lps)

    def show_case(self) -> None:
        """Bring every body up to date; the bone only when its middle moved."""
        case = self._workbench.case
        if case is self._shown:
            return
        first = self._shown is None
        if first:
            self.holder.layout().addWidget(adapter.canvas_widget(self.model))
        self._shown = case
        centre = tuple(float(v) for v in np.round(self.centre_lps, 0))
        if centre != self._bone_of:
            # open at the front, so that one looks into the ear
            keep = np.array([0.0, 1.0, 0.0])
            self._bone = bone_body(self._workbench.volume, np.array(centre), keep_lps=keep)
            self._bone_of = centre
        bodies = case_bodies(case, self._workbench.scene)
        bone = (self._bone,) if self._bone is not None else ()
        adapter.show_bodies(self.model, (*bone, *bodies), title=side_words(case.side))
        if first:
            self.look_from(self.from_where)

    def look_from(self, name: str) -> None:
        """Look from a named direction."""
        found = self.eyes
        self.from_where = name if name in found else next(iter(found))
        adapter.look_from(self.model, found[self.from_where])
