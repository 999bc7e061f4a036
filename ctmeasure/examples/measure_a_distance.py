"""A distance between two clicked points, with the interval that a short distance needs."""

from __future__ import annotations

import numpy as np

from ctmeasure.uncertainty.distance import distance_interval, first_order

PLACEMENT_NOISE_MM = 0.3
"""Standard uncertainty of each click along each axis."""


def main() -> None:
    """Print three distances and their 95 % intervals."""
    covariance = 2.0 * PLACEMENT_NOISE_MM**2 * np.eye(3)  # of the difference: both ends were clicked
    for distance_mm in (0.3, 1.0, 4.5):
        difference = np.array([0.0, 0.0, distance_mm])
        u, _ = first_order(difference, covariance)
        low, high = distance_interval(difference, covariance)
        print(f"reads {distance_mm:.1f} mm: u {u:.2f} mm, 95 % interval {low:.2f} to {high:.2f}")


if __name__ == "__main__":
    main()
