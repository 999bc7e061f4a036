"""What mouse and keys do in a pane. The workbench decides what happens; this only says what was meant."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import numpy as np

from . import acts, adapter, looks
from .convert import lps_from_flat
from .hooks import Flat, MouseHooks
from .panes import Floats, Pane
from .workbench import Workbench

TURN_DEG = 2.0
"""One press turns a free plane by this much."""
SHORTCUTS: tuple[tuple[str, str], ...] = (
    ("wheel, Page Up, Page Down", "move the plane"),
    ("Control and wheel", "zoom"),
    ("click", "put the crosshair there, or place the point"),
    ("drag a cross", "move the point"),
    ("drag with the right button", "grey window: across wider, down brighter"),
    ("double click on a small picture", "exchange it with the large one"),
    ("arrow keys, with shift", f"move the point in hand by {looks.NUDGE_MM:g} or {looks.LARGE_NUDGE_MM:g} mm"),
    ("N", "next thing to place"),
    ("Enter, Escape", "end placing, accept the suggestion in hand; nothing in hand"),
    ("A, U", "absent; not seen"),
    ("S", "snap the point in hand to what the image shows there"),
    ("Backspace", "take back what is in hand, a hole too"),
    ("Control Z, Control Shift Z", "undo; redo"),
    ("Alt and arrow keys", "turn the plane by hand"),
    ("W, T", "next grey window; next slab"),
    ("F", "show the whole picture"),
    ("F11", "full screen"),
)
"""The cheat sheet; every line is bound below or in the window."""


def connect(bench: Workbench, pane: Pane) -> None:
    """Give a pane its mouse and keys.

    Parameters
    ----------
    bench
        Who acts.
    pane
        Which.
    """
    pane.hooks = MouseHooks(
        take=lambda at: _take(bench, pane, at),
        drag=lambda at: _drag(bench, pane, at),
        drop=lambda at: _drop(bench, pane, at),
        click=lambda at: bench.clicked(pane, lps_from_flat(pane.values.spec, at)),
        shade=bench.drag_window,
        wheel=lambda notches, zoom, at: _wheel(bench, pane, notches, zoom, at),
        double_click=lambda at: _double_click(bench, pane),
    )
    pane.keys = _keys(bench, pane)
    adapter.listen_mouse(pane.model, pane.hooks)
    adapter.on_sight(pane.model, lambda: pane.marks_changed())
    adapter.on_size(pane.model, lambda: None if pane.zoomed else bench.fit(pane))
    adapter.bind_keys(pane.model, pane.keys)


def _keys(bench: Workbench, pane: Pane) -> dict[str, Callable[[], None]]:
    steps = {"Up": (-1.0, 0.0), "Down": (1.0, 0.0), "Left": (0.0, -1.0), "Right": (0.0, 1.0)}
    keys: dict[str, Callable[[], None]] = {}
    for key, (down, right) in steps.items():
        for prefix, by in (("", looks.NUDGE_MM), ("Shift-", looks.LARGE_NUDGE_MM)):
            keys[prefix + key] = partial(bench.nudge, pane, down_mm=down * by, right_mm=right * by)
        about = "right" if down else "down"
        keys["Alt-" + key] = partial(bench.turn, pane, about=about, by_deg=TURN_DEG * (down + right))
    return keys | {
        "PageUp": lambda: bench.step(pane, -looks.STEP_MM),
        "PageDown": lambda: bench.step(pane, looks.STEP_MM),
        "Escape": bench.let_go,
        "Enter": bench.end_placing,
        "N": bench.place_next,
        "A": lambda: bench.set_status("absent"),
        "U": lambda: bench.set_status("not_seen"),
        "S": lambda: acts.snap_in_hand(bench),
        "Backspace": lambda: acts.remove(bench),
        "W": bench.next_window,
        "T": bench.next_slab,
        "F": bench.fit_all,
        "Control-Z": bench.undo,
        "Control-Shift-Z": bench.redo,
    }


def _take(bench: Workbench, pane: Pane, at: Flat) -> bool:
    """Take hold of the nearest cross; while something is being placed, a click beside the point in hand places."""
    reach = looks.PICK_PX / adapter.zoom_of(pane.model)
    held = pane.shown.held if pane.shown else {}
    near = {ref: float(np.hypot(*np.subtract(at, flat))) for ref, flat in held.items() if bench.may_take(ref)}
    ref = min(near, key=near.__getitem__, default=None)
    if ref is None or near[ref] > reach:
        return False
    bench.select(ref)
    return True


def _drag(bench: Workbench, pane: Pane, at: Flat) -> None:
    if bench.selected is not None:
        bench.drag(pane, bench.selected, _dragged_lps(bench, pane, at))


def _drop(bench: Workbench, pane: Pane, at: Flat) -> None:
    pane.drag = None
    if bench.selected is not None:
        bench.move(bench.selected, _dragged_lps(bench, pane, at))


def _dragged_lps(bench: Workbench, pane: Pane, at: Flat) -> Floats:
    """Where the point in hand comes to lie: under the mouse, as far from the plane as it was."""
    assert bench.selected is not None
    mark = bench.scene.point(bench.selected)
    assert mark is not None
    plane = pane.values.spec
    return lps_from_flat(plane, at, offset_mm=plane.offset_mm(mark.point_lps))


def _double_click(bench: Workbench, pane: Pane) -> None:
    if pane is not bench.panes[0]:
        bench.swap(bench.panes.index(pane))


def _wheel(bench: Workbench, pane: Pane, notches: float, zoom: bool, at: Flat) -> None:
    if zoom:
        pane.zoomed = True
        adapter.zoom_by(pane.model, 1.15 ** float(np.clip(notches, -3, 3)), at)
    else:
        bench.step(pane, -looks.STEP_MM * float(np.clip(notches, -3, 3)))
