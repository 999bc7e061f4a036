"""The table of the wall campaign: bias, spread and coverage of surface and thickness, with intervals over ears."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable

import numpy as np
import wall_far_table

Ear = dict[str, np.ndarray]
RESAMPLES, FEW_RESAMPLES, FEW_EARS = 1000, 200, 50


def interval(ears: list[Ear], figure: Callable[[list[Ear]], float]) -> str:
    """A figure with the 95 % interval of its bootstrap over ears."""
    rng = np.random.default_rng(1)
    values = [
        figure([ears[i] for i in rng.integers(0, len(ears), len(ears))])
        for _ in range(RESAMPLES if len(ears) >= FEW_EARS else FEW_RESAMPLES)
    ]
    known = [v for v in values if np.isfinite(v)]
    if not known:
        return "no cells"
    low, high = np.quantile(known, [0.025, 0.975])
    return f"{figure(ears):+.3f} [{low:+.3f}, {high:+.3f}]"


Pick = Callable[[Ear], np.ndarray]


def pooled(pick: Pick, reduce: Callable[[np.ndarray], float]) -> Callable[[list[Ear]], float]:
    """A figure over the cells of all ears together."""

    def figure(ears: list[Ear]) -> float:
        values = np.concatenate([pick(ear) for ear in ears])
        return float(reduce(values)) if len(values) else float("nan")

    return figure


def _in_state(word: str) -> Pick:
    return lambda e: e["state"] == word


ROWS: tuple[tuple[str, bool, Pick], ...] = (
    ("all", False, lambda e: np.ones(len(e["first"]), bool)),
    ("one end possible", False, lambda e: ~e["ambiguous"]),
    ("several ends possible", False, lambda e: e["ambiguous"]),
    *((word, False, _in_state(word)) for word in ("resolved", "model dependent", "present, not resolved")),
    ("either reading", True, lambda e: np.ones(len(e["first"]), bool)),
    ("one end, either", True, lambda e: ~e["ambiguous"]),
)
"""Words, whether the nearer of both truths counts, and which rays."""


def print_table(ears: list[Ear]) -> None:
    """The table."""
    print(f"{len(ears)} ears, {sum(len(e['angle']) for e in ears)} rays")
    seconds = np.array([e["seconds"] for e in ears])
    print(f"wall and {np.mean([len(e['angle']) for e in ears]):.0f} rays: median {np.median(seconds[:, 0]):.2f} s, "
          f"processor {np.median(seconds[:, 1]):.2f} s an ear")  # fmt: skip
    for words, keep in (
        ("surface, air-lined, rim > 1 mm", lambda e: (e["status"] == "measured") & (e["rim"] > 1.0)),
        ("surface, rim zone (<= 1 mm), not bridged", lambda e: (e["rim"] <= 1.0) & (e["status"] != "gap")),
        ("surface, under soft tissue", lambda e: e["status"] == "soft tissue"),
    ):

        def error(e: Ear, keep: Pick = keep) -> np.ndarray:
            x = e["surface_error"][keep(e)]
            return x[np.isfinite(x)]

        print(f"{words:44s} bias {interval(ears, pooled(error, np.mean))}  95 % under "
              f"{interval(ears, pooled(error, lambda x: np.quantile(np.abs(x), 0.95)))}  cells "
              f"{sum(len(error(e)) for e in ears)}")  # fmt: skip
    for low, high in ((0.2, 0.5), (0.5, 1.0), (1.0, 2.0), (2.0, 3.0), (0.5, 3.0), (3.0, 6.0)):
        thickness_row(ears, low, high)
    exit_row(ears)
    wall_far_table.print_far_sides(ears)


def in_range(e: Ear, low: float, high: float) -> np.ndarray:
    """Rays whose true wall, along the normal, has that thickness, and whose surface was found at that wall."""
    true = e["true_first"] * np.cos(np.radians(e["tilt"]))
    return (true >= low) & (true < high) & (np.abs(e["surface_error"]) < 0.5)


def thickness_row(ears: list[Ear], low: float, high: float) -> None:
    """The lines of the table for a range of true thickness."""
    cells = sum(int(in_range(e, low, high).sum()) for e in ears)
    absent = sum(int((in_range(e, low, high) & (e["state"] == "no wall found")).sum()) for e in ears)

    def given(e: Ear) -> np.ndarray:
        return np.isfinite(e["first"])[in_range(e, low, high)]

    print(f"thickness {low:.1f}-{high:.1f} mm: rays {cells}, given {interval(ears, pooled(given, np.mean))}, called "
          f"absent {absent}")  # fmt: skip
    states = Counter(str(word) for e in ears for word in e["state"][in_range(e, low, high)])
    print("  " + ", ".join(f"{word} {count / max(cells, 1):.0%}" for word, count in states.most_common()))
    for words, either, of in ROWS:

        def kept(e: Ear, of: Pick = of) -> np.ndarray:
            return in_range(e, low, high) & np.isfinite(e["first"]) & of(e)

        if not sum(int(kept(e).sum()) for e in ears):
            continue

        def error(e: Ear, either: bool = either, kept: Pick = kept) -> np.ndarray:
            x, strict = e["first"] - e["true_first"], e["first"] - e["true_any"]
            return np.where(either & (np.abs(strict) < np.abs(x)), strict, x)[kept(e)]

        def held(e: Ear, either: bool = either, kept: Pick = kept) -> np.ndarray:
            inside = (e["first_low"] <= e["true_first"]) & (e["true_first"] <= e["first_high"])
            strict = (e["first_low"] <= e["true_any"]) & (e["true_any"] <= e["first_high"])
            return (inside | (either & strict))[kept(e)]

        def unseen(e: Ear, kept: Pick = kept) -> np.ndarray:
            return e["unseen"][kept(e)]

        def flips(e: Ear, kept: Pick = kept) -> np.ndarray:
            return e["flips"][kept(e)]

        def bound(e: Ear, kept: Pick = kept) -> np.ndarray:
            return e["bound"][kept(e)]

        def width(e: Ear, kept: Pick = kept) -> np.ndarray:
            return (e["first_high"] - e["first_low"])[kept(e)]

        print(
            f"  {words:22s} rays {sum(len(error(e)) for e in ears):6d} bias {interval(ears, pooled(error, np.mean))} "
            f"median {pooled(error, np.median)(ears):+.3f} rms {interval(ears, pooled(error, _rms))} "
            f"(layers {pooled(bound, np.median)(ears):.3f}, no method "
            f"{interval(ears, pooled(unseen, _root_mean))}, ends elsewhere on {pooled(flips, np.mean)(ears):.1%}) "
            f"95 % under {pooled(error, _most)(ears):.3f} interval holds {interval(ears, pooled(held, np.mean))} "
            f"width median {pooled(width, np.median)(ears):.2f} mean {pooled(width, np.mean)(ears):.2f}"
        )


def exit_row(ears: list[Ear]) -> None:
    """How far the exit is found from the true one, and how often its interval holds that."""

    def error(e: Ear) -> np.ndarray:
        x = (e["exit"] - e["true_exit"])[np.abs(e["surface_error"]) < 0.5]
        return x[np.isfinite(x)]

    def held(e: Ear) -> np.ndarray:
        kept = (np.abs(e["surface_error"]) < 0.5) & np.isfinite(e["exit"]) & np.isfinite(e["true_exit"])
        return (np.abs(e["exit"] - e["true_exit"]) < 1.96 * e["exit_u"])[kept]

    print(
        f"exit: rays {sum(len(error(e)) for e in ears)} median {pooled(error, np.median)(ears):+.3f} "
        f"within 0.3 mm {interval(ears, pooled(lambda e: np.abs(error(e)) < 0.3, np.mean))} "
        f"interval holds {interval(ears, pooled(held, np.mean))}"
    )


def _rms(values: np.ndarray) -> float:
    return float(np.sqrt(np.mean(values**2)))


def _root_mean(values: np.ndarray) -> float:
    return float(np.sqrt(np.nanmean(values))) if np.isfinite(values).any() else float("nan")


def _most(values: np.ndarray) -> float:
    return float(np.quantile(np.abs(values), 0.95))
