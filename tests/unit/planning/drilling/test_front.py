"""The Pareto front beside a search over all pairs of things."""

from __future__ import annotations

import numpy as np
import pytest

from ctmeasure.planning.drilling.feasible import feasible_cells
from ctmeasure.planning.drilling.front import on_front
from ctmeasure.planning.drilling.pair_record import with_caution
from ctmeasure.planning.drilling.pairs import _joined, rank_pairs


def beaten(table: np.ndarray) -> np.ndarray:
    """Straight from the definition: some other is nowhere worse and somewhere better."""
    return np.array([bool(((table <= row).all(axis=1) & (table < row).any(axis=1)).any()) for row in table])


@pytest.mark.parametrize(("things", "respects", "levels"), [(1, 3, 4), (200, 2, 30), (400, 4, 6), (300, 5, 40)])
def test_front_is_what_the_definition_says(things, respects, levels):
    table = np.random.default_rng(things).integers(-levels, levels, (things, respects))
    assert on_front(list(table.T)).tolist() == (~beaten(table)).tolist()


def test_nothing_has_no_front():
    assert len(on_front([np.zeros(0, np.int64)] * 2)) == 0


def test_a_listed_pair_is_on_the_front_of_all_pairs_that_fit(scene, zone, ear):
    tip = ear.canal.point_lps(0.0, 0.0, -1.0)
    pairs, reason = rank_pairs(scene, zone, handle_tip=lambda a, b: tuple(map(float, tip)))
    keep, _ = feasible_cells(scene, zone)
    middle = 0.5 * (scene.settings.thickness_low_mm + scene.settings.thickness_high_mm)

    def cost(i, j):
        """As stated: verdict; risk in factors of three; clearance, bone and handle position in tenths of a mm."""
        a, b = keep.entry[i], keep.entry[j]
        along = (b - a) / np.linalg.norm(b - a)
        p = max(min(keep.p_any[i] + keep.p_any[j], 1.0), 1e-4)
        return (
            float(with_caution(scene, keep, np.array([i]), np.array([j]))[0]),
            np.floor(np.log(p / 1e-4) / np.log(3.0)),
            -np.round(10.0 * min(keep.clearance[i], keep.clearance[j])),
            np.round(10.0 * max(abs(keep.thickness[i] - middle), abs(keep.thickness[j] - middle))),
            np.round(10.0 * abs((tip - 0.5 * (a + b)) @ along)),
        )

    first, second, _ = _joined(scene, keep)
    every = np.array([cost(i, j) for i, j in zip(first, second, strict=True)])
    row = {cell.entry_lps: n for n, cell in enumerate(keep.cells)}
    for pair in pairs:
        mine = np.array(cost(row[pair.entry_1_lps], row[pair.entry_2_lps]))
        lost = bool(((every <= mine).all(axis=1) & (every < mine).any(axis=1)).any())
        assert pair.on_front == (not lost)
        assert ("on the front" in pair.reason) == pair.on_front
    assert any(pair.on_front for pair in pairs)
    assert any(not pair.on_front for pair in pairs)
    assert f"{int((~beaten(every)).sum())} on the front" in reason
