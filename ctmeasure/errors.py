"""What can go wrong, said so that the user knows what to do: what was found, what was expected, what to do."""

from __future__ import annotations


class CtmeasureError(ValueError):
    """Root of every error this project raises on purpose.

    Parameters
    ----------
    found
        What was found, in one clause.
    expected
        What was expected instead.
    action
        What the user can do about it.

    Example
    -------
    >>> str(CtmeasureError("ring of 2 points", expected="at least 8", action="place more points on the rim"))
    'ring of 2 points; expected at least 8; place more points on the rim'
    """

    def __init__(self, found: str, *, expected: str = "", action: str = "") -> None:
        self.found = found
        self.expected = expected
        self.action = action
        parts = [found]
        if expected:
            parts.append(f"expected {expected}")
        if action:
            parts.append(action)
        super().__init__("; ".join(parts))


class GeometryError(CtmeasureError):
    """Points, planes, frames or grids that do not define what was asked of them."""


class ScanError(CtmeasureError):
    """A series that is missing, mixed, damaged or not what it claims to be."""


class TableError(CtmeasureError):
    """An input table with a wrong header, id, number or status."""


class LandmarkError(CtmeasureError):
    """Landmarks that contradict each other, the side or the scan."""


class SettingsError(CtmeasureError):
    """A setting, fact or catalogue row that is unknown or out of range."""


class CaseError(CtmeasureError):
    """A saved case that is damaged, of another schema version, or of another scan."""


class OutputError(CtmeasureError):
    """An output folder that cannot be written or holds somebody else's files."""


class Cancelled(Exception):
    """Raised by a progress callback to stop long work; nothing half-written is left behind."""
