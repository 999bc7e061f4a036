"""What a pane hands on of the mouse; no toolkit."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

Flat = tuple[float, float]
"""A position on a pane: mm down, mm right of the plane's centre."""


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
