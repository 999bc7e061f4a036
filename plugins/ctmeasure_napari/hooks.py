"""What a pane hands on of the mouse; no toolkit."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

Flat = tuple[float, float]
"""A position on a pane: mm down, mm right of the plane's centre."""
Px = tuple[float, float]
"""A position on the screen: pixels right, pixels down."""
DRAG_PX = 3.0
"""Less movement than this between press and release is a click."""


@dataclass(frozen=True, slots=True)
class MouseHooks:
    """What a pane does with the mouse. Positions are flat; ``take`` says whether something was taken hold of.

    ``shade`` is a drag with the right button: pixels right and pixels down since the last call.
    """

    take: Callable[[Flat], bool]
    drag: Callable[[Flat], None]
    drop: Callable[[Flat], None]
    click: Callable[[Flat], None]
    shade: Callable[[float, float], None]
    wheel: Callable[[float, bool, Flat], None]
    double_click: Callable[[Flat], None]


class Grip:
    """One press of a mouse button until it is let go: what it takes hold of, drags, shades or clicks.

    Parameters
    ----------
    hooks
        What to call.
    at
        Where it was pressed.
    px
        The same on the screen.
    right
        Whether it is the right button, which changes the grey window.
    """

    def __init__(self, hooks: MouseHooks, at: Flat, px: Px, *, right: bool) -> None:
        self._hooks, self._start, self._last, self._right = hooks, px, px, right
        self._moved = False
        self.taken = not right and hooks.take(at)

    @property
    def pans(self) -> bool:
        """Whether a drag moves the picture itself."""
        return not self._right and not self.taken

    def move(self, at: Flat, px: Px) -> bool:
        """The mouse moved with the button down; gives whether that meant something other than moving the picture."""
        self._moved = self._moved or max(abs(px[0] - self._start[0]), abs(px[1] - self._start[1])) > DRAG_PX
        if self._right:
            self._hooks.shade(px[0] - self._last[0], px[1] - self._last[1])
        elif self.taken and self._moved:
            self._hooks.drag(at)
        self._last = px
        return not self.pans and self._moved

    def end(self, at: Flat) -> None:
        """The button was let go."""
        if self._right:
            return
        if self.taken and self._moved:
            self._hooks.drop(at)
        elif not self._moved and not self.taken:
            self._hooks.click(at)
