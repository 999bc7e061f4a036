"""Conference mode: key views stepped through by arrow keys, full screen, a pointer; nothing can be changed in it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from qtpy.QtCore import Qt
from qtpy.QtGui import QKeySequence, QShortcut
from qtpy.QtWidgets import QInputDialog

from .conference import KeyView, Stepper

if TYPE_CHECKING:
    from .window import CaseWindow

LOCKED = "conference: nothing can be changed"


class Conference:
    """The conference of one window.

    Parameters
    ----------
    window
        Whose.
    """

    def __init__(self, window: CaseWindow) -> None:
        self._window = window
        self.on = False
        self._was_locked = ""
        keeper = window.keeper
        self.stepper = Stepper.from_plain(keeper.kept_views if keeper is not None else ())
        self._keys = []
        for key, by in ((Qt.Key.Key_Right, 1), (Qt.Key.Key_Left, -1), (Qt.Key.Key_Space, 1)):
            shortcut = QShortcut(QKeySequence(key), window.main)
            shortcut.setEnabled(False)
            shortcut.activated.connect(lambda by=by: self.step(by))
            self._keys.append(shortcut)
        self._leave = QShortcut(QKeySequence(Qt.Key.Key_Escape), window.main)
        self._leave.setEnabled(False)
        self._leave.activated.connect(self.toggle)

    def keep_view(self, caption: str | None = None) -> None:
        """Keep the window as it looks now, with a caption."""
        if caption is None:
            caption, agreed = QInputDialog.getText(self._window.main, "Keep this view", "Caption")
            if not agreed:
                return
        self.change(self.stepper.with_view(KeyView(caption, self._window.workbench.look())))
        self._window.workbench.say(f"kept as view {len(self.stepper.views)}")

    def change(self, stepper: Stepper) -> None:
        """Other views, or another order: kept at once with the window."""
        self.stepper = stepper
        if self._window.keeper is not None:
            self._window.keeper.keep_views(stepper.plain())

    def toggle(self) -> None:
        """Enter or leave."""
        self.on = not self.on
        session, main = self._window.workbench.session, self._window.main
        if self.on:
            self._was_locked, session.read_only = session.read_only, LOCKED
            self._window.workbench.let_go()
            main.showFullScreen()
            main.setCursor(Qt.CursorShape.CrossCursor)
        else:
            session.read_only = self._was_locked
            main.showNormal()
            main.unsetCursor()
        for key in (*self._keys, self._leave):
            key.setEnabled(self.on)
        self._window.bottom.setEnabled(not self.on)
        if self.on and self.stepper.views:
            self.step(0)
        else:
            words = "conference: no views are kept yet; Escape leaves" if self.on else ""
            self._window.workbench.say(words)

    def step(self, by: int) -> None:
        """Show the view before or after, with its caption."""
        if not self.stepper.views:
            return
        self.stepper = self.stepper.step(by)
        self._window.workbench.look_like(self.stepper.views[self.stepper.at].look)
        self._window.workbench.say(self.stepper.words)
