"""The list of what there is to place, and the box under it for what is in hand; planning and practice share both."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from qtpy.QtCore import Qt
from qtpy.QtWidgets import (
    QHBoxLayout,
    QHeaderView,
    QInputDialog,
    QLabel,
    QPushButton,
    QSizePolicy,
    QTreeWidget,
    QTreeWidgetItem,
    QVBoxLayout,
    QWidget,
)

from ctmeasure.anatomy.landmarks import LARGEST_STATED_MM

from . import acts
from .checklist import NOT_ENTERED, Row, item_of
from .convert import EchoGuard
from .drawing_view import Drawing
from .one_line import OneLine
from .scene import HOLE_REF
from .style import LARGER, named
from .workbench import Workbench

ITEM_ID = 256
"""Qt's first role for data of one's own."""


NEXT_PX = 22
"""Height of the button beside the name: no taller than the name, or the sentence under it would be cut."""


class ItemList(QTreeWidget):
    """Rows of the checklist; a click begins to place.

    Parameters
    ----------
    workbench
        Whom to ask.
    """

    def __init__(self, workbench: Workbench) -> None:
        super().__init__()
        self._workbench = workbench
        self._guard = EchoGuard()
        self.setHeaderLabels(["place", "state", "mm"])
        self.headerItem().setToolTip(2, "doubt: standard uncertainty an axis")
        self.setRootIsDecorated(False)
        self.setUniformRowHeights(True)
        self.setMinimumHeight(44)
        header = self.header()
        header.setSectionResizeMode(0, QHeaderView.ResizeMode.Stretch)
        header.setSectionResizeMode(1, QHeaderView.ResizeMode.ResizeToContents)
        header.setSectionResizeMode(2, QHeaderView.ResizeMode.ResizeToContents)
        header.setStretchLastSection(False)
        self.setHeaderHidden(True)
        self.itemClicked.connect(lambda row, _column: workbench.start_placing(row.data(0, ITEM_ID)))

    def show_rows(self, rows: Sequence[Row]) -> None:
        """Show these; the one in hand is marked."""
        wanted = [
            (row.item.id, row.item.label + (" *" if row.item.needed else ""), row.state, row.doubt) for row in rows
        ]
        in_hand, _ = acts.in_hand(self._workbench)
        with self._guard.writing():
            if self._shown() != wanted:
                self.clear()
                for item_id, label, state, doubt in wanted:
                    self._add(item_id, [label, state, doubt])
            at = next((i for i, (item_id, *_) in enumerate(wanted) if item_id == in_hand), None)
            self.setCurrentItem(None if at is None else self.topLevelItem(at))

    def _shown(self) -> list[tuple[str, ...]]:
        found = (self.topLevelItem(i) for i in range(self.topLevelItemCount()))
        return [(item.data(0, ITEM_ID), item.text(0), item.text(1), item.text(2)) for item in found]

    def _add(self, item_id: str, texts: list[str]) -> None:
        entry = QTreeWidgetItem(texts)
        entry.setData(0, ITEM_ID, item_id)
        entry.setToolTip(0, item_of(item_id).sentence)
        if texts[1] == NOT_ENTERED:
            font = entry.font(0)
            font.setItalic(True)
            entry.setFont(1, font)
        self.addTopLevelItem(entry)


class HandBox(QWidget):
    """What is in hand: its drawing, its sentence, and what can be said about it.

    Parameters
    ----------
    workbench
        Whom to ask.
    """

    def __init__(self, workbench: Workbench) -> None:
        super().__init__()
        self._workbench = workbench
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 3, 0, 0)
        column.setSpacing(3)
        row = QHBoxLayout()
        self.drawing = Drawing()
        row.addWidget(self.drawing)
        words = QVBoxLayout()
        words.setSpacing(1)
        self.name = named(QLabel(), "question")
        self.name.setWordWrap(True)
        self.next = _button("Next", workbench.place_next, "The next thing nobody has said anything about (N)")
        self.next.setStyleSheet("padding: 0 6px;")
        self.next.setMaximumHeight(NEXT_PX)
        named_row = QHBoxLayout()
        named_row.addWidget(self.name, 1)
        named_row.addWidget(self.next)
        self.sentence = text_label("answer")
        self.sentence.setAlignment(Qt.AlignmentFlag.AlignTop)
        self.sentence.setMinimumHeight(30)
        self.sentence.setMaximumHeight(self.drawing.height() - 22)
        words.addLayout(named_row)
        words.addWidget(self.sentence, 1)
        row.addLayout(words, 1)
        column.addLayout(row)
        self.point = named(OneLine(), "hint")
        column.addWidget(self.point)
        bench = workbench
        self.again = _button("Again", self._place_again, "Place it once more: repeats give its doubt")
        self.unsure = _button("Unsure", self._unsure, "How far off it may be, beyond how it was placed")
        self.absent = _button("Absent", lambda: bench.set_status("absent"), "It is not there (A)")
        self.unseen = _button(
            "Not seen", lambda: bench.set_status("not_seen"), "It may be there, the scan does not show it (U)"
        )
        self.remove = _button("Clear", lambda: acts.remove(bench), "As if nobody had said anything")
        self._buttons = (self.again, self.unsure, self.absent, self.unseen, self.remove)
        row_of_buttons = QHBoxLayout()
        row_of_buttons.setSpacing(3)
        for button in self._buttons:
            row_of_buttons.addWidget(button)
        column.addLayout(row_of_buttons)

    def set_large(self, large: bool) -> None:
        """With type twice as large the drawing and its sentence give way to the answers."""
        self.drawing.setVisible(not large)
        self.sentence.setVisible(not large)
        self.next.setMaximumHeight(NEXT_PX * (LARGER if large else 1))

    def _place_again(self) -> None:
        bench = self._workbench
        name = bench.placing.item.id if bench.placing else bench.selected[0] if bench.selected else ""
        if name in bench.case.landmarks and bench.case.landmarks.placed(name):
            bench.start_placing(name, again=True)
        else:
            bench.say("only a placed landmark can be placed again")

    def _unsure(self) -> None:
        bench = self._workbench
        name, _ = acts.in_hand(bench)
        stated = bench.case.landmarks[name].stated_u_mm if name in bench.case.landmarks else 0.0
        u_mm, agreed = QInputDialog.getDouble(
            self, "Unsure", "Standard uncertainty an axis on top of how it was placed, mm (0: none)",
            stated or 0.5, 0.0, LARGEST_STATED_MM, 1,
        )  # fmt: skip
        if agreed:
            acts.set_doubt(bench, u_mm)

    def show_hand(self) -> None:
        """Bring every word up to date."""
        workbench = self._workbench
        name, _ = acts.in_hand(workbench)
        hole = workbench.selected is not None and workbench.selected[0].startswith(HOLE_REF)
        for button in self._buttons:
            has = bool(name) or (hole and button is self.remove)
            button.setEnabled(has and not workbench.session.read_only)
        if not name:
            self.drawing.show_item(None, workbench.case.side)
            self.name.setText("Nothing in hand")
            self.sentence.setText("Choose from the list, click a cross, or press Next.")
        else:
            item = item_of(name)
            self.drawing.show_item(item, workbench.case.side)
            doing = (
                "" if workbench.placing is None else f" ({item.clicks_words(workbench.placing.clicks(workbench.case))})"
            )
            self.name.setText(item.label[:1].upper() + item.label[1:])
            self.sentence.setText(item.sentence + doing)
        words = workbench.selected_words()
        self.point.show_words(words, words)


def _button(words: str, act: Callable[[], object], tip: str) -> QPushButton:
    button = QPushButton(words)
    button.setToolTip(tip)
    button.setStyleSheet("padding: 3px 4px;")
    button.clicked.connect(lambda _=False: act())
    return button


def text_label(name: str) -> QLabel:
    """A label of plain text that wraps and takes the room it needs."""
    return as_text(QLabel(), name)


def as_text(label: QLabel, name: str) -> QLabel:
    """Make a label one of those."""
    named(label, name)
    label.setWordWrap(True)
    label.setTextFormat(Qt.TextFormat.PlainText)
    label.setSizePolicy(QSizePolicy.Policy.Preferred, QSizePolicy.Policy.Minimum)
    return label
