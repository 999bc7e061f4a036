"""Compiled kernels of the synthetic ear: arrays in, arrays out."""

from ctmeasure_samples.kernels.painting import paint, sample_axis
from ctmeasure_samples.kernels.primitives import (
    BOX,
    CANAL,
    DRUM,
    ELLIPSOID,
    ELLIPTIC_CYLINDER,
    FOAM,
    HEIGHT_FIELD,
    PLANE,
    ROUND_TUBE,
    TUBE_GROUP,
)
from ctmeasure_samples.kernels.scenes import (
    OP_GROW,
    OP_GUARD,
    OP_INTERSECT,
    OP_SHAPE,
    OP_SUBTRACT,
    OP_UNION,
    distances_at,
    top_elements,
    trace_ray,
)

__all__ = [
    "BOX",
    "CANAL",
    "DRUM",
    "ELLIPSOID",
    "ELLIPTIC_CYLINDER",
    "FOAM",
    "HEIGHT_FIELD",
    "OP_GROW",
    "OP_GUARD",
    "OP_INTERSECT",
    "OP_SHAPE",
    "OP_SUBTRACT",
    "OP_UNION",
    "PLANE",
    "ROUND_TUBE",
    "TUBE_GROUP",
    "distances_at",
    "paint",
    "sample_axis",
    "top_elements",
    "trace_ray",
]
