"""The contour of the margin: where on the unrolled wall clearance equals the margin that holds there."""

from __future__ import annotations

import numpy as np

from ctmeasure.report.figures.wall import Floats, WallScene, dial

MARGIN_WORDS = "the contour of the margin, where clearance equals the margin that holds at that place"
SHORTEST_LINE = 2
"""Points a line needs."""


def margin_lines(scene: WallScene) -> list[Floats]:
    """The lines on which the least of clearance less margin, over all marked structures, is nought.

    Parameters
    ----------
    scene
        The wall with its cells.

    Returns
    -------
    list of numpy.ndarray
        Shape (n, 2) each: hours along the dial (see `dial`), mm from the rim. Empty where no cell says how far its
        clearance is from its margin.

    Raises
    ------
    Nothing.

    Notes
    -----
    Between the middles of neighbouring cells the number is taken as linear. Margins jump where the posterior wall
    begins, and so may the line. Cells without a number have none around them.
    """
    from contourpy import contour_generator

    table = scene.table("over_margin_mm")
    if not np.isfinite(table).any() or min(table.shape) < SHORTEST_LINE:
        return []
    hours = dial(scene.wall_angles_deg, scene.side)
    order = np.argsort(hours)
    # A column of each end once more beyond the other, so that lines run to the seam at 6 o'clock.
    order = np.concatenate([order[-1:], order, order[:1]])
    at = hours[order].copy()
    at[0] -= 12.0
    at[-1] += 12.0
    found = contour_generator(at, scene.rims_mm, np.ma.masked_invalid(table[:, order])).lines(0.0)
    lines = [np.asarray(line, dtype=np.float64) for line in found]
    return [np.clip(line, (0.0, -np.inf), (12.0, np.inf)) for line in lines if len(line) >= SHORTEST_LINE]
