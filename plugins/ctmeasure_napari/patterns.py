"""The four verdict looks as pictures: what is painted on the map is folded onto the canal wall in 3-D unchanged."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ctmeasure.planning.results import Verdict
from ctmeasure.report.figures.looks import VERDICT_LOOKS

Bytes = npt.NDArray[np.uint8]

PERIOD_PX = 12
"""Pattern repeat; cells are whole pixels, so patterns run on across cells."""
GROUND = (236, 237, 239)
"""Where a verdict has no colour of its own."""


def rgb(colour: str) -> tuple[int, int, int]:
    """A hash colour as three numbers.

    Example
    -------
    >>> rgb("#0a141e")
    (10, 20, 30)
    """
    return int(colour[1:3], 16), int(colour[3:5], 16), int(colour[5:7], 16)


def pattern(verdict: Verdict, rows: npt.NDArray[np.intp], columns: npt.NDArray[np.intp]) -> Bytes:
    """The look of one verdict at some pixels of a picture.

    Parameters
    ----------
    verdict
        Which.
    rows, columns
        Pixel positions, same shape.

    Returns
    -------
    numpy.ndarray
        Shape (..., 3), uint8.
    """
    look = VERDICT_LOOKS[verdict]
    down, across = rows % PERIOD_PX, columns % PERIOD_PX
    ink = {
        "clear": (down % PERIOD_PX < 2) & ((across + PERIOD_PX // 2 * ((rows // PERIOD_PX) % 2)) % PERIOD_PX < 2),
        "caution": (rows + columns) % PERIOD_PX < 3,
        "keep out": columns % (PERIOD_PX // 2) < 2,
        "not assessed": ((rows + columns) % PERIOD_PX < 1) | ((rows - columns) % PERIOD_PX < 1),
    }[verdict]
    ground = np.array(rgb(look.fill) if look.fill else GROUND, np.uint8)
    return np.where(ink[..., None], np.array(rgb(look.ink), np.uint8), ground)


def painted(verdicts: npt.NDArray[np.str_], *, cell_px: tuple[int, int]) -> Bytes:
    """A grid of verdicts as a picture.

    Parameters
    ----------
    verdicts
        Shape (rows, columns); an empty word is a place without a verdict and is painted as "not assessed".
    cell_px
        Rows and columns of pixels of one cell.

    Returns
    -------
    numpy.ndarray
        Shape (rows * cell_px[0], columns * cell_px[1], 3), uint8.

    Example
    -------
    >>> painted(np.array([["clear", "keep out"]]), cell_px=(4, 6)).shape
    (4, 12, 3)
    """
    large = np.repeat(np.repeat(verdicts, cell_px[0], axis=0), cell_px[1], axis=1)
    rows, columns = np.indices(large.shape)
    picture = pattern("not assessed", rows, columns)
    for verdict in VERDICT_LOOKS:
        here = large == verdict
        picture[here] = pattern(verdict, rows[here], columns[here])
    return picture
