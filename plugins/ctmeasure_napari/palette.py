"""Commands of the toolkit's palette: each does what the menu's entry of the same words does, in the window in front."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING
from weakref import WeakSet

from ctmeasure.errors import CtmeasureError

if TYPE_CHECKING:
    from .menus import Menus

OPEN: WeakSet[Menus] = WeakSet()
"""The menus of the windows that are open."""
ENTRIES: list[str] = []
"""The menu's words of every command below."""


def _front() -> Menus:
    """The menus of the window in front."""
    found = sorted((menus for menus in OPEN if menus.is_open), key=lambda menus: menus.in_front)
    if not found:
        raise CtmeasureError("no ear is open", expected="an open window", action="open a sample or a scan first")
    return found[-1]


def _does(words: str) -> Callable[[], None]:
    def act() -> None:
        _front().acts[words]()

    ENTRIES.append(words)
    act.__doc__ = f"{words} in the window in front."
    return act


save_case = _does("Save the case")
save_case_as = _does("Save the case as...")
write_report = _does("Write the report...")
all_numbers = _does("All numbers")
suggest_the_rest = _does("Suggest the rest")
snap_clicks = _does("Snap what is clicked")
snap_in_hand = _does("Snap the point in hand")
along_the_nerve = _does("Along the nerve")
two_readers = _does("Two readers")
conference = _does("Conference")
keep_view = _does("Keep this view for the conference...")
key_views = _does("Key views...")
large_type = _does("Large type")
keys = _does("Keys")
