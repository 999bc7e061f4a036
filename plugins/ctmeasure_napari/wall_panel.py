"""The panel of the unrolled canal wall: the map, its legend, the choice of layers, what the cell in hand is."""

from __future__ import annotations

from qtpy.QtCore import Qt
from qtpy.QtWidgets import QComboBox, QHBoxLayout, QVBoxLayout, QWidget

from . import looks
from .legend import Legend
from .map_view import WallMap
from .one_line import OneLine
from .style import LARGER, named
from .wallmap import LAYERS, cell_words, step_words
from .workbench import Workbench

HEIGHT_PX = 176
"""Height of the panel."""


class WallPanel(QWidget):
    """The map under one line that says what the cell in hand is, with the choice of layers.

    Parameters
    ----------
    workbench
        What to show and whom to ask.
    """

    def __init__(self, workbench: Workbench) -> None:
        super().__init__()
        self._workbench = workbench
        self.setAttribute(Qt.WidgetAttribute.WA_StyledBackground, True)
        named(self)
        self.map = WallMap(workbench)
        self.words = named(OneLine(), "hint")
        self.legend = Legend()
        self.layers = QComboBox()
        self.layers.setSizeAdjustPolicy(QComboBox.SizeAdjustPolicy.AdjustToMinimumContentsLengthWithIcon)
        self.layers.setMinimumContentsLength(13)
        self.layers.addItems(list(LAYERS.values()))
        self.layers.setToolTip("What the map shows")
        self.layers.activated.connect(self._chosen)
        row = QHBoxLayout()
        row.setContentsMargins(0, 0, 0, 0)
        row.addWidget(self.legend)
        row.addWidget(self.words, 1)
        row.addWidget(self.layers)
        column = QVBoxLayout(self)
        column.setContentsMargins(6, 2, 4, 0)
        column.setSpacing(1)
        column.addLayout(row)
        column.addWidget(self.map, 1)
        self.setFixedHeight(HEIGHT_PX)
        workbench.listen(self.show_case)
        self.show_case()

    def set_large(self, large: bool) -> None:
        """Type twice as large, and room for it."""
        self.map.type_pt = looks.SMALLEST_TYPE_PT * (LARGER if large else 1)
        self.setFixedHeight(int(HEIGHT_PX * (1.4 if large else 1.0)))
        self.legend.setFixedHeight(40 if large else 20)
        self.layers.setMinimumContentsLength(7 if large else 13)  # the legend must never be cut

    def _chosen(self, index: int) -> None:
        self.map.layer = list(LAYERS)[index]
        self.show_case()

    def show_case(self) -> None:
        """Bring map and words up to date."""
        cell = self._workbench.wall_cell
        words = ""
        if cell is not None:
            words = cell_words(cell)
        elif self.map.layer in ("thickness", "risk"):
            unit = "mm, " if self.map.layer == "thickness" else ""
            words = f"{unit}dark to light: " + ", ".join(step_words(self.map.layer))
        elif self.map.layer != "verdict":
            words = "each shade another word: point at a place to read it"
        self.words.show_words(words, words)
        self.legend.setVisible(self.map.layer == "verdict" and cell is None)
        self.map.update()
