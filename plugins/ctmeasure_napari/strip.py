"""The narrow strip beside the large picture: two planes and the 3-D picture, each of which can take the large place."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from functools import partial

from qtpy.QtCore import Qt, QTimer
from qtpy.QtWidgets import QComboBox, QHBoxLayout, QPushButton, QVBoxLayout, QWidget

from .bars import RESIZE_MS, PlaneChooser
from .style import named
from .workbench import Workbench

STRIP_PX = 246
LARGE_SOLID_PX = 640
"""Width of the strip while the 3-D picture has the large place."""


class SideStrip(QWidget):
    """The two planes beside the large one, each under its chooser, and the 3-D picture under its own.

    Parameters
    ----------
    workbench
        Whom to ask.
    canvases
        Canvases of the two planes.
    solid
        Holds the canvas of the 3-D picture.
    look_from
        Turns the 3-D picture: called with the name of a direction.
    """

    def __init__(
        self,
        workbench: Workbench,
        canvases: tuple[QWidget, QWidget],
        solid: QWidget,
        look_from: Callable[[str], None],
    ) -> None:
        super().__init__()
        self.setAttribute(Qt.WidgetAttribute.WA_StyledBackground, True)
        named(self)
        self.setFixedWidth(STRIP_PX)
        column = QVBoxLayout(self)
        column.setContentsMargins(4, 2, 4, 0)
        column.setSpacing(2)
        self.planes: list[PlaneChooser] = []
        self.gives_way: list[QWidget] = []
        self.narrowed: list[QWidget] = []
        self.solid_is_large = False
        self._flat: list[QWidget] = []
        for number, canvas in enumerate(canvases, start=1):
            chooser = PlaneChooser(workbench, number)
            row = self._row(chooser, partial(workbench.swap, number), "Exchange with the large picture")
            self._add(column, row, canvas)
            self._flat += [row, canvas]
            self.planes.append(chooser)
        self.eyes = QComboBox()
        self.eyes.setToolTip("From where the 3-D picture is looked at; drag it to turn it")
        self.eyes.activated.connect(lambda i: look_from(self.eyes.itemText(i)))
        self._add(column, self._row(self.eyes, self.enlarge_solid, "Make the 3-D picture large, or small again"), solid)

    def _row(self, chooser: QComboBox, swap: Callable[[], None], tip: str) -> QWidget:
        holder = QWidget()
        row = QHBoxLayout(holder)
        row.setContentsMargins(0, 0, 0, 0)
        row.setSpacing(3)
        row.addWidget(chooser, 1)
        button = QPushButton("Swap")
        button.setToolTip(tip)
        button.setStyleSheet("padding: 3px 6px;")
        button.clicked.connect(lambda _=False: swap())
        row.addWidget(button)
        return holder

    @staticmethod
    def _add(column: QVBoxLayout, row: QWidget, canvas: QWidget) -> None:
        column.addWidget(row)
        canvas.setMinimumSize(100, 100)
        column.addWidget(canvas, 1)

    def enlarge_solid(self) -> None:
        """The 3-D picture takes the large place, and gives it back when asked again; the window keeps its size."""
        self.solid_is_large = not self.solid_is_large
        size = self.window().size()
        if self.solid_is_large:
            self._give_way(False)
            self._narrow(LARGE_SOLID_PX)
        else:
            # first narrow, then show: the other way round the window would grow for a moment, and stay so
            self._narrow(STRIP_PX)
            QTimer.singleShot(0, self._all_back)
        QTimer.singleShot(RESIZE_MS, lambda: self.window().resize(size))

    def _all_back(self) -> None:
        self._give_way(not self.solid_is_large)

    def _give_way(self, shown: bool) -> None:
        for widget in (*self._flat, *self.gives_way):
            widget.setVisible(shown)

    def _narrow(self, width_px: int) -> None:
        for dock in self.narrowed:  # a dock remembers how wide its content once had to be
            dock.setMinimumWidth(0)
        self.setFixedWidth(width_px)

    def forget(self) -> None:
        """Let go of the canvases when the window closes: they end with it, and not with whoever still holds the bar."""
        self._flat.clear()
        self.gives_way.clear()
        self.narrowed.clear()

    def show_eyes(self, names: Iterable[str]) -> None:
        """The directions there are."""
        wanted = list(names)
        if [self.eyes.itemText(i) for i in range(self.eyes.count())] != wanted:
            at = self.eyes.currentText()
            self.eyes.clear()
            self.eyes.addItems(wanted)
            self.eyes.setCurrentIndex(max(self.eyes.findText(at), 0))
