"""The far-side part of the wall campaign: confusion matrix, and how often a dangerous space is named."""

from __future__ import annotations

from collections import Counter

import numpy as np

from ctmeasure.planning.drilling.far_words import spaces_of
from ctmeasure.planning.drilling.probability import clopper_pearson_arrays

Ear = dict[str, np.ndarray]
DANGEROUS = ("dura", "joint", "vein")
SAME = {"nerve": "facial canal", "carotid": "carotid canal", "inner ear": "lateral semicircular canal"}
SHORT = {"closed cell or marrow": "marrow", "no exit within arm length": "no exit", "mastoid cell": "cell"}
FEWEST = 10
"""Spaces met on fewer rays than this are pooled in the matrix."""


def judged(ear: Ear, *, alike: bool) -> np.ndarray:
    """Rays whose surface was found, that have a truth, and of which something is said."""
    kept = (ear["true_far"] != "") & (np.abs(ear["surface_error"]) < 0.5) & (ear["far"] != "not assessed")
    return kept & ear["alike"] if alike else kept


def _true(ear: Ear, kept: np.ndarray) -> list[str]:
    return [SAME.get(str(word), str(word)) for word in ear["true_far"][kept]]


def print_far_sides(ears: list[Ear]) -> None:
    """Print everything about far sides: over all rays, and over those whose truth is alike 0.15 mm beside them."""
    for alike in (False, True):
        words = "rays whose truth is alike within 0.15 mm" if alike else "all rays"
        for column, name in (("far", "with marks"), ("far_unmarked", "nothing marked")):
            pairs = _pairs(ears, column, alike=alike)
            print(f"far side, {name}, {words} ({len(pairs)}): likeliest right {_share(pairs, first=True)}, "
                  f"right one named {_share(pairs, first=False)}")  # fmt: skip
            for danger in DANGEROUS:
                print(f"  {danger}: {_sensitivity(pairs, danger)}")
        print_matrix([(true, named[0]) for _, true, named in _pairs(ears, "far", alike=alike)])


def _pairs(ears: list[Ear], column: str, *, alike: bool) -> list[tuple[int, str, tuple[str, ...]]]:
    """Ear, true space and named spaces of every judged ray."""
    return [
        (number, true, spaces_of(str(far)))
        for number, ear in enumerate(ears)
        for true, far in zip(_true(ear, judged(ear, alike=alike)), ear[column][judged(ear, alike=alike)], strict=True)
    ]


def _share(pairs: list[tuple[int, str, tuple[str, ...]]], *, first: bool) -> str:
    """Share right, with the 95 % interval of its bootstrap over ears."""
    ears = sorted({number for number, _, _ in pairs})
    right = np.array([[sum((t == n[0]) if first else (t in n) for k, t, n in pairs if k == e) for e in ears]])
    count = np.array([sum(k == e for k, _, _ in pairs) for e in ears])
    draws = np.random.default_rng(1).integers(0, len(ears), (1000, len(ears)))
    low, high = np.quantile(right[0][draws].sum(axis=1) / count[draws].sum(axis=1), [0.025, 0.975])
    return f"{right.sum() / count.sum():.3f} [{low:.3f}, {high:.3f}]"


def _sensitivity(pairs: list[tuple[int, str, tuple[str, ...]]], danger: str) -> str:
    """How often a true one is named at all, by ray and by ear (Clopper-Pearson), and named where there is none."""
    true = [(number, danger in named) for number, word, named in pairs if word == danger]
    others = [danger in named for _, word, named in pairs if word != danger]
    if not true:
        return "met by no ray"
    ears = {number for number, _ in true}
    whole = sum(all(hit for n, hit in true if n == number) for number in ears)
    low, high = (float(x[0]) for x in clopper_pearson_arrays(np.array([whole]), len(ears)))
    return (
        f"named on {sum(hit for _, hit in true)} of {len(true)} rays; never missed in {whole} of {len(ears)} ears "
        f"[{low:.2f}, {high:.2f}]; named on {np.mean(others):.1%} of {len(others)} other rays"
    )


def print_matrix(pairs: list[tuple[str, str]]) -> None:
    """Rows: truth; columns: likeliest name."""
    counts = Counter(true for true, _ in pairs) + Counter(named for _, named in pairs)
    names = [word for word, count in counts.most_common() if count >= FEWEST]
    cells = Counter((t if t in names else "other", n if n in names else "other") for t, n in pairs)
    names.append("other")
    print("    " + " ".join(f"{SHORT.get(n, n)[:9]:>9s}" for n in ["truth", *names]))
    for true in names:
        print("    " + " ".join([f"{SHORT.get(true, true)[:9]:>9s}", *(f"{cells[true, n]:9d}" for n in names)]))
