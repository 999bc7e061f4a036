"""Parameters of an ear, a head and a scanner, and random draws of them."""

from ctmeasure_samples.parameters.draws import healthy_ear, random_ear, random_scanner
from ctmeasure_samples.parameters.records import (
    EarParameters,
    HeadParameters,
    Ossicle,
    ScannerParameters,
    StrutState,
    WallKind,
    WallState,
)

__all__ = [
    "EarParameters",
    "HeadParameters",
    "Ossicle",
    "ScannerParameters",
    "StrutState",
    "WallKind",
    "WallState",
    "healthy_ear",
    "random_ear",
    "random_scanner",
]
