"""Contrast of the report's colours and its 95 % ellipses against published definitions and tables."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from ctmeasure.report.figures.canvas import ACCENT, INK, PAPER, SOFT_INK
from ctmeasure.report.figures.looks import VERDICT_LOOKS
from ctmeasure.report.figures.marks import ELLIPSE_95


def relative_luminance(colour: str) -> float:
    """WCAG 2.2 definition of relative luminance (https://www.w3.org/TR/WCAG22/#dfn-relative-luminance)."""
    channels = np.array([int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)])
    linear = np.where(channels <= 0.04045, channels / 12.92, ((channels + 0.055) / 1.055) ** 2.4)
    return float(linear @ [0.2126, 0.7152, 0.0722])


def contrast(first: str, second: str) -> float:
    """WCAG 2.2 definition of contrast ratio (https://www.w3.org/TR/WCAG22/#dfn-contrast-ratio)."""
    low, high = sorted((relative_luminance(first), relative_luminance(second)))
    return (high + 0.05) / (low + 0.05)


def test_the_formula_gives_the_published_ends():
    """WCAG 2.2: contrast ratios range from 1 to 21 (black on white)."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#777777", "#777777") == 1.0


@pytest.mark.parametrize("colour", [INK, SOFT_INK, ACCENT])
def test_text_on_paper_has_enough_contrast(colour):
    """WCAG 2.2 success criterion 1.4.3: at least 4.5 to 1 for text."""
    assert contrast(colour, PAPER) >= 4.5


@pytest.mark.parametrize("verdict", VERDICT_LOOKS)
def test_a_pattern_stands_out_from_its_ground(verdict):
    """WCAG 2.2 success criterion 1.4.11: at least 3 to 1 for graphics needed to understand."""
    look = VERDICT_LOOKS[verdict]
    assert contrast(look.ink, look.fill or PAPER) >= 3.0


def test_coloured_verdicts_keep_apart_in_grey():
    """Printed without colour the fills still differ; 0.15 of the luminance range is our own choice, no source."""
    fills = [relative_luminance(look.fill) for look in VERDICT_LOOKS.values() if look.fill]
    assert all(abs(a - b) > 0.15 for a, b in itertools.combinations(fills, 2))


def test_the_ellipse_holds_95_percent():
    """Chi-square, 2 degrees of freedom, upper 0.05: 5.991 (NIST/SEMATECH e-Handbook, 1.3.6.7.4)."""
    assert pytest.approx(5.991, abs=5e-4) == ELLIPSE_95**2
