"""One style sheet for our own widgets: type of at least 11 points, neutral greys, states told by words and a border."""

from __future__ import annotations

from typing import TypeVar

from qtpy.QtWidgets import QLabel, QWidget

from .looks import SMALLEST_TYPE_PT

_Widget = TypeVar("_Widget", bound=QWidget)

NAME = "ctmeasure"
"""Object name under which the style holds; the toolkit's own widgets keep theirs."""
HEADING_PT = 12
SIDE_PT = 20

LARGER = 2
"""The large-type switch makes every size this many times as large."""


def sheet(*, large: bool = False) -> str:
    """The style sheet, in one of two sizes of type."""
    if not large:
        return SHEET
    found = SHEET
    for size in (SMALLEST_TYPE_PT, HEADING_PT, SIDE_PT):
        found = found.replace(f"font-size: {size}pt", f"font-size: {size * LARGER}.0pt")
    return found


SHEET = f"""
QWidget#{NAME} {{ background: #23262b; }}
QWidget#{NAME} QWidget {{ font-size: {SMALLEST_TYPE_PT}pt; color: #eceef0; background: transparent; }}
QWidget#{NAME} QLabel#side {{ font-size: {SIDE_PT}pt; font-weight: bold; color: #ffffff; }}
QWidget#{NAME} QLabel#question {{ font-size: {HEADING_PT}pt; font-weight: bold; color: #ffffff; }}
QWidget#{NAME} QLabel#missing {{ color: #c9ced6; font-style: italic; }}
QWidget#{NAME} QLabel#hint, QWidget#{NAME} QLabel#caution {{ color: #c9ced6; }}
QWidget#{NAME} QLabel#state {{ padding: 3px 7px; border-left: 4px solid #8d959e; background: #2d3138; }}
QWidget#{NAME} QLabel#state[stale="true"] {{ border-left: 4px solid #d6a23f; font-weight: bold; }}
QWidget#{NAME} QPushButton {{ padding: 4px 10px; background: #3b414a; border: 1px solid #59616c; border-radius: 3px; }}
QWidget#{NAME} QPushButton:hover {{ background: #4a525d; }}
QWidget#{NAME} QPushButton:pressed {{ background: #2d3138; }}
QWidget#{NAME} QPushButton:disabled {{ color: #7d858f; background: #2d3138; border-color: #3b414a; }}
QWidget#{NAME} QPushButton#asked {{ background: #d6a23f; color: #15171a; border-color: #d6a23f; font-weight: bold; }}
QWidget#{NAME} QComboBox {{ padding: 3px 8px; background: #3b414a; border: 1px solid #59616c; border-radius: 3px; }}
QWidget#{NAME} QComboBox QAbstractItemView {{ background: #2d3138; selection-background-color: #59616c; }}
QWidget#{NAME} QCheckBox {{ spacing: 6px; }}
QWidget#{NAME} QProgressBar {{ border: 1px solid #59616c; background: #2d3138; text-align: center; }}
QWidget#{NAME} QProgressBar::chunk {{ background: #59616c; }}
QWidget#{NAME} QPushButton#head {{ text-align: left; border: none; background: transparent; padding: 1px 0;
  font-size: {HEADING_PT}pt; font-weight: bold; color: #ffffff; }}
QWidget#{NAME} QPushButton#head:hover {{ background: #2d3138; }}
QWidget#{NAME} QTreeWidget {{ background: #1c1e22; border: 1px solid #3b414a; }}
QWidget#{NAME} QTreeWidget::item {{ padding: 1px 0; }}
QWidget#{NAME} QTreeWidget::item:selected {{ background: #59616c; color: #ffffff; }}
QWidget#{NAME} QTextBrowser {{ background: #1c1e22; border: 1px solid #3b414a; }}
QWidget#{NAME} QLineEdit {{ background: #1c1e22; border: 1px solid #59616c; padding: 2px 6px; }}
QWidget#{NAME} QFrame#rule {{ background: #3b414a; max-height: 1px; border: none; }}
"""


def named(widget: _Widget, name: str = NAME) -> _Widget:
    """Give a widget its object name (and, for a panel of ours, the style sheet)."""
    widget.setObjectName(name)
    if isinstance(widget, QLabel):
        widget.setIndent(0)  # else a label of larger type is set in further than its neighbours
    if name == NAME:
        widget.setStyleSheet(SHEET)
    return widget
