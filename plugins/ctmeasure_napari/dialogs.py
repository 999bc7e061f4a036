"""Small windows beside the main one: the full table of numbers, two readers, the cheat sheet."""

from __future__ import annotations

from qtpy.QtCore import Qt
from qtpy.QtWidgets import (
    QComboBox,
    QDialog,
    QHBoxLayout,
    QHeaderView,
    QInputDialog,
    QLabel,
    QLineEdit,
    QListWidget,
    QPushButton,
    QTextBrowser,
    QTreeWidget,
    QTreeWidgetItem,
    QVBoxLayout,
    QWidget,
)

from ctmeasure.case.words import mm

from .conference import UNNAMED, Stepper, compare, readers
from .conference_view import Conference
from .hands import SHORTCUTS
from .numbers import Number, numbers
from .style import named
from .workbench import Workbench


def _dialog(parent: QWidget, title: str, width: int, height: int) -> QDialog:
    dialog = named(QDialog(parent))
    dialog.setWindowTitle(title)
    dialog.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
    dialog.setAttribute(Qt.WidgetAttribute.WA_StyledBackground, True)
    dialog.resize(width, height)
    return dialog


def table(headings: list[str]) -> QTreeWidget:
    """A plain table whose first column takes the room that is left."""
    tree = QTreeWidget()
    tree.setHeaderLabels(headings)
    tree.setRootIsDecorated(False)
    tree.setUniformRowHeights(True)
    tree.header().setStretchLastSection(False)
    tree.header().setSectionResizeMode(0, QHeaderView.ResizeMode.Stretch)
    for column in range(1, len(headings)):
        tree.header().setSectionResizeMode(column, QHeaderView.ResizeMode.ResizeToContents)
    return tree


class NumbersDialog:
    """The full table; a click on a number shows what it was computed from.

    Parameters
    ----------
    workbench
        Whose case.
    parent
        The window.
    question
        Only the numbers of this question at first; 0 shows all.
    """

    def __init__(self, workbench: Workbench, parent: QWidget, *, question: int = 0) -> None:
        self.dialog = _dialog(parent, "Numbers", 860, 560)
        self._rows: list[Number] = []
        self._question = question
        column = QVBoxLayout(self.dialog)
        self.wanted = QLineEdit()
        self.wanted.setPlaceholderText("only numbers with these words")
        self.wanted.textChanged.connect(self._show)
        column.addWidget(self.wanted)
        self.tree = table(["number", "value", "95 % interval"])
        self.tree.currentItemChanged.connect(self._explain)
        column.addWidget(self.tree, 3)
        self.details = QTextBrowser()
        column.addWidget(self.details, 2)
        self._all = numbers(workbench.case)
        if not self._all:
            self.details.setPlainText("Nothing is computed yet.")
        self._show()
        self.dialog.show()

    def _show(self) -> None:
        words = self.wanted.text().lower().split()
        self._rows = [
            row
            for row in self._all
            if all(word in row.name.lower() for word in words)
            and (words or not self._question or row.question == self._question)
        ]
        self.tree.clear()
        for row in self._rows:
            self.tree.addTopLevelItem(QTreeWidgetItem([row.name, row.value, row.interval]))
        if self._rows:
            self.tree.setCurrentItem(self.tree.topLevelItem(0))

    def _explain(self, item: QTreeWidgetItem | None) -> None:
        if item is not None:
            row = self._rows[self.tree.indexOfTopLevelItem(item)]
            self.details.setPlainText(
                "\n".join((f"{row.name}: {row.value}" + (f" ({row.interval})" if row.interval else ""), *row.details))
            )


def show_keys(parent: QWidget) -> QDialog:
    """The cheat sheet."""
    dialog = _dialog(parent, "Keys", 620, 480)
    column = QVBoxLayout(dialog)
    tree = table(["what it does", "key or mouse"])
    for keys, words in SHORTCUTS:
        tree.addTopLevelItem(QTreeWidgetItem([words, keys]))
    column.addWidget(tree)
    dialog.show()
    return dialog


class ViewsDialog:
    """The key views of a conference: look at one, name it, take it out, change their order.

    Parameters
    ----------
    conference
        Whose views.
    parent
        The window.
    """

    def __init__(self, conference: Conference, parent: QWidget) -> None:
        self._conference = conference
        self.dialog = _dialog(parent, "Key views", 460, 360)
        column = QVBoxLayout(self.dialog)
        self.list = QListWidget()
        self.list.currentRowChanged.connect(self._look)
        column.addWidget(self.list)
        row = QHBoxLayout()
        for words, act in (
            ("Earlier", lambda: self.change(conference.stepper.moved(-1))),
            ("Later", lambda: self.change(conference.stepper.moved(1))),
            ("Name...", self._name),
            ("Remove", lambda: self.change(conference.stepper.without_view())),
        ):
            button = QPushButton(words)
            button.clicked.connect(lambda _=False, act=act: act())
            row.addWidget(button)
        column.addLayout(row)
        self._show()
        self.dialog.show()

    def _show(self) -> None:
        stepper = self._conference.stepper
        self.list.blockSignals(True)
        self.list.clear()
        self.list.addItems([f"{n}  {view.caption}" for n, view in enumerate(stepper.views, start=1)])
        self.list.setCurrentRow(stepper.at if stepper.views else -1)
        self.list.blockSignals(False)

    def _look(self, row: int) -> None:
        if row >= 0:
            self._conference.step(row - self._conference.stepper.at)

    def change(self, stepper: Stepper) -> None:
        """Other views or another order."""
        if self._conference.stepper.views:
            self._conference.change(stepper)
            self._show()

    def _name(self) -> None:
        stepper = self._conference.stepper
        if stepper.views:
            old = stepper.views[stepper.at].caption
            caption, agreed = QInputDialog.getText(self.dialog, "Name of the view", "Caption", text=old)
            if agreed:
                self.change(stepper.named(caption))


class ReadersDialog:
    """Two readers side by side: how far apart their points are, and what that changes.

    Parameters
    ----------
    workbench
        Whose case.
    parent
        The window.
    """

    def __init__(self, workbench: Workbench, parent: QWidget) -> None:
        self._workbench = workbench
        self.dialog = _dialog(parent, "Two readers", 760, 560)
        self._readers = readers(workbench.case)
        column = QVBoxLayout(self.dialog)
        row = QHBoxLayout()
        self.choices = [self._chooser(row, n) for n in range(2)]
        column.addLayout(row)
        self.points = table(["point", "apart, mm"])
        self.changes = table(["number", "first", "second", "difference, mm"])
        self.words = QLabel()
        self.words.setWordWrap(True)
        for widget in (self.words, self.points, self.changes):
            column.addWidget(widget)
        self._show()
        self.dialog.show()

    def _chooser(self, row: QHBoxLayout, number: int) -> QComboBox:
        box = QComboBox()
        box.addItems([name or UNNAMED for name in self._readers])
        box.setCurrentIndex(min(number, len(self._readers) - 1))
        box.activated.connect(lambda _: self._show())
        row.addWidget(box, 1)
        return box

    def _show(self) -> None:
        self.points.clear()
        self.changes.clear()
        if len(self._readers) < 2:
            self.words.setText("Only one reader has placed points in this case.")
            return
        first, second = (self._readers[box.currentIndex()] for box in self.choices)
        found = compare(self._workbench.case, first, second, geometry=self._workbench.volume.geometry)
        self.words.setText("Points that both placed, farthest apart first; and what each reader's points alone give.")
        for point in found.differences:
            self.points.addTopLevelItem(QTreeWidgetItem([point.label, f"{point.distance_mm:.2f}"]))
        for change in found.consequences:
            cells = [f"{mm(n.value_mm)} ({mm(n.low_95)} to {mm(n.high_95)})" for n in (change.first, change.second)]
            self.changes.addTopLevelItem(QTreeWidgetItem([change.name, *cells, f"{change.difference_mm:+.2f}"]))
