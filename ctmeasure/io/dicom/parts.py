"""Several acquisitions under one series: taken apart by what differs, or by runs of slice numbers."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Sequence
from itertools import pairwise

from ctmeasure.errors import ScanError
from ctmeasure.io.dicom.headers import Common, SliceHeader
from ctmeasure.io.dicom.order import Arrangement, arrange, without_copies

LEAST_PART = 3
"""Fewer slices than this that do not belong are strays, and a stray is a fault of the series, not a second scan."""

MOST_PARTS = 12
"""More parts than this are no acquisitions (our own choice)."""


def _picture(common: Common) -> tuple[object, ...]:
    """What must be the same in one stack of pictures (PS3.3 C.7.6.2), rounded as a writer would round it."""
    spacing = None if common.spacing_mm is None else tuple(round(value, 4) for value in common.spacing_mm)
    turned = None if common.orientation is None else tuple(round(value, 3) + 0.0 for value in common.orientation)
    return (
        common.rows,
        common.columns,
        spacing,
        turned,
        common.kernel,
        common.frame_of_reference_uid,
        common.slice_thickness_mm,
        common.rescale_type,
        common.stack,
    )


def _acquisition(common: Common) -> tuple[object, ...]:
    return (common.acquisition, *_picture(common))


def taken_apart(headers: Sequence[SliceHeader]) -> list[tuple[list[SliceHeader], Arrangement | ScanError]]:
    """Split a series that is no single stack into its acquisitions.

    Parameters
    ----------
    headers
        All slices of a series that `arrange` refused as a whole.

    Returns
    -------
    list
        The slices of each part, with its order or why it is not usable either; empty when the series does not come
        apart into acquisitions. By lowest slice number, so that the numbering is always the same.

    Raises
    ------
    ValueError
        Never.

    Notes
    -----
    Slices of several patients or studies, or two different slices under one identifier, are never split: there the
    series itself is not to be trusted. A gap splits nothing: it is a slice that is missing until shown otherwise.

    References
    ----------
    DICOM PS3.3 C.7.3.1 (a series may hold several acquisitions), C.7.6.16.2.2 (stacks of a multi-frame object).
    """
    if len({(header.common.patient_key, header.common.study_uid) for header in headers}) > 1:
        return []
    try:
        slices = without_copies(headers, [])
    except ScanError:
        return []
    for rule in (_picture, _acquisition):
        groups = _grouped(slices, rule)
        if not _acceptable(groups):
            continue
        parts: list[tuple[list[SliceHeader], Arrangement | ScanError]] = []
        for group in groups:
            order = _ordered(group)
            runs = _runs(group) if isinstance(order, ScanError) else []
            parts += _whole(runs) or [(group, order)]
        if any(isinstance(order, Arrangement) for _, order in parts):
            return sorted(parts, key=_number)
    return sorted(_whole(_runs(slices)), key=_number)


def _grouped(slices: Sequence[SliceHeader], rule: Callable[[Common], object]) -> list[list[SliceHeader]]:
    groups: dict[object, list[SliceHeader]] = defaultdict(list)
    for header in slices:
        groups[rule(header.common)].append(header)
    return list(groups.values())


def _acceptable(groups: Sequence[Sequence[SliceHeader]]) -> bool:
    return 2 <= len(groups) <= MOST_PARTS and all(len(group) >= LEAST_PART for group in groups)


def _ordered(group: Sequence[SliceHeader]) -> Arrangement | ScanError:
    try:
        return arrange(group)
    except ScanError as error:
        return error


def _whole(groups: list[list[SliceHeader]]) -> list[tuple[list[SliceHeader], Arrangement | ScanError]]:
    """Take runs only when every one of them is a stack: a doubled slice must not pass for an acquisition."""
    if not _acceptable(groups):
        return []
    parts = [(group, _ordered(group)) for group in groups]
    return list(parts) if all(isinstance(order, Arrangement) for _, order in parts) else []


def _runs(slices: Sequence[SliceHeader]) -> list[list[SliceHeader]]:
    """Cut the slices, in number order, where their positions jump back to begin again."""
    if any(header.instance is None or header.position is None for header in slices):
        return []
    orientation = slices[0].common.orientation
    if orientation is None:
        return []
    a, b = orientation[:3], orientation[3:]
    normal = (a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0])
    numbered = sorted(slices, key=lambda header: header.instance or 0)

    def along(header: SliceHeader) -> float:
        return sum(p * n for p, n in zip(header.position or (0.0, 0.0, 0.0), normal, strict=True))

    runs: list[list[SliceHeader]] = []
    direction = 0.0
    for header in numbered:
        step = along(header) - along(runs[-1][-1]) if runs else 0.0
        if not runs or step * direction < 0 or (step == 0.0 and direction != 0.0):
            runs.append([])
            direction = 0.0
        elif direction == 0.0:
            direction = step
        runs[-1].append(header)
    places = [[along(header) for header in run] for run in runs]
    return runs if all(_scanned_again(*pair) for pair in pairwise(places)) else []


def _scanned_again(one: list[float], other: list[float]) -> bool:
    """Whether two runs cover a stretch twice: a slice that is doubled is no second acquisition."""
    low, high = max(min(one), min(other)), min(max(one), max(other))
    return all(sum(low <= place <= high for place in run) >= LEAST_PART for run in (one, other))


def _number(part: tuple[list[SliceHeader], object]) -> tuple[int, int]:
    numbers = [header.instance for header in part[0] if header.instance is not None]
    return (min(numbers, default=0), len(part[0]))
