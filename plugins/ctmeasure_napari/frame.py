"""The window's frame in the toolkit of widgets: docks, the bar along its lower edge, files dropped onto it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from qtpy.QtCore import QEvent, QObject, Qt
from qtpy.QtGui import QImage
from qtpy.QtOpenGLWidgets import QOpenGLWidget
from qtpy.QtWidgets import QApplication, QDockWidget, QMainWindow, QToolBar, QWidget

TOOLKIT_DOCKS = ("layer list", "layer controls", "console")


def arrange(dock: QDockWidget) -> QMainWindow:
    """Side docks over the full height; the toolkit's layer list, controls, console and status bar start hidden.

    Its own Window menu shows them again. Gives the window.
    """
    window: QMainWindow = dock.window()
    for corner, area in (
        (Qt.Corner.TopLeftCorner, Qt.DockWidgetArea.LeftDockWidgetArea),
        (Qt.Corner.TopRightCorner, Qt.DockWidgetArea.RightDockWidgetArea),
        (Qt.Corner.BottomLeftCorner, Qt.DockWidgetArea.LeftDockWidgetArea),
        (Qt.Corner.BottomRightCorner, Qt.DockWidgetArea.RightDockWidgetArea),
    ):
        window.setCorner(corner, area)
    for other in window.findChildren(QDockWidget):
        if other.objectName() in TOOLKIT_DOCKS:
            other.hide()
    # Not hidden: the toolkit would remember that for its own windows.
    window.statusBar().setMaximumHeight(0)
    return window


def canvas_in(widget: QWidget) -> QWidget:
    """The surface inside a widget that the toolkit draws on."""
    found: QWidget = widget.findChild(QOpenGLWidget)
    return found


def picture_of(widget: QWidget) -> npt.NDArray[np.uint8]:
    """A widget with everything that lies on it as it is seen: (rows, columns, 3)."""
    image = widget.grab().toImage().convertToFormat(QImage.Format.Format_RGB888)
    rows = np.frombuffer(image.constBits(), np.uint8).reshape(image.height(), image.bytesPerLine())
    return rows[:, : 3 * image.width()].reshape(image.height(), image.width(), 3).copy()


def add_lower_bar(window: QMainWindow, widget: QWidget) -> QToolBar:
    """Put a widget along the whole lower edge."""
    bar = QToolBar("Steps", window)
    bar.setObjectName("ctmeasure steps")
    bar.setMovable(False)
    bar.setFloatable(False)
    bar.setContextMenuPolicy(Qt.ContextMenuPolicy.PreventContextMenu)
    bar.setStyleSheet("QToolBar { border: none; padding: 0; margin: 0; spacing: 0; background: #23262b; }")
    bar.addWidget(widget)
    window.addToolBar(Qt.ToolBarArea.BottomToolBarArea, bar)
    return bar


def on_destroyed(dock: QDockWidget, listener: Callable[[], None]) -> None:
    """Call when a dock is destroyed with its window."""
    dock.destroyed.connect(lambda: listener())


def size_window(window: QWidget, width_px: int, height_px: int) -> None:
    """Give the window a size, not larger than the screen."""
    screen = QApplication.primaryScreen().availableGeometry()
    window.resize(min(width_px, screen.width()), min(height_px, screen.height()))


def narrow(window: QMainWindow) -> None:
    """Let every dock forget how large its content once had to be."""
    for dock in window.findChildren(QDockWidget):
        dock.setMinimumSize(0, 0)


class DropCatcher(QObject):
    """Takes files that are dropped anywhere onto a window before the toolkit loads them as layers of its own.

    Parameters
    ----------
    window
        The window.
    listener
        Called with the dropped paths.
    """

    def __init__(self, window: QMainWindow, listener: Callable[[list[Path]], None]) -> None:
        super().__init__(window)
        self._listener = listener
        window.setAcceptDrops(True)
        for widget in (window, *window.findChildren(QWidget)):
            if widget.acceptDrops():
                widget.installEventFilter(self)

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:
        """Take drags and drops of files; everything else goes on."""
        if event.type() in (QEvent.Type.DragEnter, QEvent.Type.DragMove, QEvent.Type.Drop):
            drop: Any = event
            paths = [Path(url.toLocalFile()) for url in drop.mimeData().urls() if url.isLocalFile()]
            if paths:
                drop.acceptProposedAction()
                if event.type() == QEvent.Type.Drop:
                    self._listener(paths)
                return True
        return bool(super().eventFilter(watched, event))
