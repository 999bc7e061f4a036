"""Reading CT series: what is there, which of it is a volume, and the volume."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from ctmeasure.io.dicom.crop import Crop
    from ctmeasure.io.dicom.find import SeriesRow, list_series
    from ctmeasure.io.dicom.load import LoadedSeries, load_series

__all__ = ["Crop", "LoadedSeries", "SeriesRow", "list_series", "load_series"]


def __getattr__(name: str) -> object:
    """Import late: pydicom costs more than the whole command line may take to start."""
    if name in ("SeriesRow", "list_series"):
        from ctmeasure.io.dicom import find

        return getattr(find, name)
    if name == "Crop":
        from ctmeasure.io.dicom import crop

        return crop.Crop
    if name in ("LoadedSeries", "load_series"):
        from ctmeasure.io.dicom import load

        return getattr(load, name)
    raise AttributeError(name)
