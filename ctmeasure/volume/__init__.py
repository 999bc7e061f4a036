"""Voxels with a place in the patient: LPS geometry, sampling, oblique reformats, and what a scan is good for."""

from __future__ import annotations

from ctmeasure.volume.geometry import Geometry
from ctmeasure.volume.reformat import PlaneSpec, Reformat, reformat
from ctmeasure.volume.sampling import Samples, sample
from ctmeasure.volume.volume import ScanSource, Volume

__all__ = ["Geometry", "PlaneSpec", "Reformat", "Samples", "ScanSource", "Volume", "reformat", "sample"]
