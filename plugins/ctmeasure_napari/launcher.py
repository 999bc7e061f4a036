"""The dock widget of the plain viewer: opens a shipped sample in the window made for the job."""

from __future__ import annotations

from qtpy.QtCore import Qt
from qtpy.QtWidgets import QComboBox, QLabel, QPushButton, QVBoxLayout, QWidget

from ctmeasure.app.opened import open_sample
from ctmeasure.errors import CtmeasureError

from .style import named
from .window import CaseWindow, open_window


class Launcher(QWidget):
    """Choose a sample and open it in a window of its own.

    Notes
    -----
    A scan or a saved case is opened by ``ctmeasure view SCAN`` or ``ctmeasure view CASE --scan SCAN``.
    """

    def __init__(self) -> None:
        super().__init__()
        from ctmeasure_samples import SAMPLE_NAMES

        self.setAttribute(Qt.WidgetAttribute.WA_StyledBackground, True)
        named(self)
        self.opened: list[CaseWindow] = []
        column = QVBoxLayout(self)
        column.addWidget(named(QLabel("Measure an ear"), "question"))
        self.samples = QComboBox()
        self.samples.addItems(SAMPLE_NAMES)
        column.addWidget(self.samples)
        self.open = QPushButton("Open the sample")
        self.open.clicked.connect(lambda _=False: self.open_chosen())
        column.addWidget(self.open)
        self.words = named(QLabel("A scan or a saved case: ctmeasure view"), "hint")
        self.words.setWordWrap(True)
        column.addWidget(self.words)
        column.addStretch(1)

    def open_chosen(self) -> None:
        """Open the chosen sample; what went wrong is said in the widget."""
        try:
            case, volume = open_sample(self.samples.currentText())
        except CtmeasureError as error:
            self.words.setText(str(error))
            return
        self.opened.append(open_window(case=case, volume=volume, block=False))
