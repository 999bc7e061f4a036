"""A line of words that never makes its panel wider."""

from __future__ import annotations

from qtpy.QtCore import Qt
from qtpy.QtGui import QResizeEvent
from qtpy.QtWidgets import QLabel, QSizePolicy


class OneLine(QLabel):
    """A line that ends in an ellipsis where it does not fit; the whole text shows when pointed at."""

    def __init__(self) -> None:
        super().__init__()
        self._words = ""
        self.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Fixed)

    def show_words(self, words: str, whole: str) -> None:
        """Show these words, and the whole text when pointed at."""
        self._words = words
        self.setToolTip(whole)
        self._fit()

    def resizeEvent(self, event: QResizeEvent) -> None:
        """Cut anew."""
        super().resizeEvent(event)
        self._fit()

    def _fit(self) -> None:
        self.setText(self.fontMetrics().elidedText(self._words, Qt.TextElideMode.ElideRight, max(self.width(), 40)))
