"""Where landmarks lie in the generator's ears on average, and how they vary together: the table behind suggestions.

python -m ctmeasure_samples mean-ear > ctmeasure/anatomy/tables/mean_ear.csv
"""

from __future__ import annotations

import numpy as np

from ctmeasure_samples import ossicles
from ctmeasure_samples.landmarks import NOTCH_FROM_DEG, NOTCH_TO_DEG, RIM_POINTS, true_landmarks
from ctmeasure_samples.layout import Layout, make_layout
from ctmeasure_samples.parameters import random_ear

FIRST_SEED, EARS = 500_001, 400
"""Ears that no campaign uses."""
COMPONENTS = 20
FACIAL_SHARES = (0.25, 0.4, 0.5, 0.6, 0.7, 0.8)
"""Places along the facial canal from its labyrinthine end to the stylomastoid foramen."""
LEFT_OUT = ("anchor_1", "anchor_2", "handle_top", "handle_tip", "handle_contact", "old_prosthesis", "spine_of_henle")
"""What a surgeon put there, and what lies too far out."""


def places(layout: Layout) -> dict[tuple[str, int], np.ndarray]:
    """Every place of the table in the ear's frame; ossicles where they are or would be."""
    found: dict[tuple[str, int], np.ndarray] = {}
    marks = true_landmarks(layout)
    malleus, incus = ossicles.malleus_points(layout), ossicles.incus_points(layout)
    would_be = {
        "umbo": malleus["umbo"],
        "malleus_lateral_process": malleus["lateral_process"],
        "malleus_neck": malleus["neck"],
        "malleus_head": malleus["head"],
        "incus_body": incus["body"],
        "incus_long_process": incus["tip"],
        "incus_contact": incus["contact"],
        "incus_short_process": incus["short"],
        "incudostapedial_joint": incus["joint"],
        "stapes_head": ossicles.stapes_head_point(layout),
    }
    for name, mark in marks.items():
        if name in LEFT_OUT or name in would_be or name == "chorda_entry":
            continue
        for index, point in enumerate(mark.points):
            found[name, index] = point
    from ctmeasure_samples.landmarks import chorda_entry

    found["chorda_entry", 0] = chorda_entry(layout)
    found.update({(name, 0): point for name, point in would_be.items()})
    path = layout.facial_path
    arc = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(path, axis=0), axis=1))])
    for index, share in enumerate(FACIAL_SHARES):
        found["facial_nerve", index] = np.array([np.interp(share * arc[-1], arc, path[:, a]) for a in range(3)])
    return found


def mean_ear_table() -> str:
    """The table as CSV: one row a coordinate with its mean, what the components leave over, and their loadings.

    Returns
    -------
    str
        Components have unit variance and are independent: coordinate = mean + loadings . components + rest.

    Raises
    ------
    Nothing.
    """
    ears = [places(make_layout(random_ear(FIRST_SEED + n))) for n in range(EARS)]
    keys = list(ears[0])
    data = np.array([[ear[key] for key in keys] for ear in ears]).reshape(EARS, -1)
    mean = data.mean(axis=0)
    _, sizes, ways = np.linalg.svd((data - mean) / np.sqrt(EARS - 1), full_matrices=False)
    loadings = ways[:COMPONENTS] * sizes[:COMPONENTS, None]
    rest = np.sqrt(np.maximum(data.var(axis=0, ddof=1) - (loadings**2).sum(axis=0), 0.0))
    angles = np.linspace(NOTCH_TO_DEG + 5.0, NOTCH_FROM_DEG - 5.0, RIM_POINTS)
    lines = ["id,index,wall_angle_deg,axis,mean_mm,rest_mm," + ",".join(f"c{n + 1}" for n in range(COMPONENTS))]
    for number, (name, index) in enumerate(keys):
        angle = f"{angles[index]:.3f}" if name == "annulus" else ""
        for a, axis in enumerate("xyz"):
            column = 3 * number + a
            numbers = ",".join(f"{value:.4f}" for value in loadings[:, column])
            lines.append(f"{name},{index},{angle},{axis},{mean[column]:.4f},{rest[column]:.4f},{numbers}")
    return "\n".join(lines) + "\n"
