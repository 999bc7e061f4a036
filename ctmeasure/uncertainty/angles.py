"""How placement noise of points turns into uncertainty of an angle."""

from __future__ import annotations

import math

from ctmeasure.uncertainty.estimate import EstimateError


def vertex_angle_sd_deg(angle_deg: float, sigma_mm: float, *, first_arm_mm: float, second_arm_mm: float) -> float:
    """Standard deviation of the angle at a vertex for isotropic noise of all three points, first order.

    Parameters
    ----------
    angle_deg
        The angle, 0 to 180 degrees.
    sigma_mm
        Standard deviation per point and axis.
    first_arm_mm, second_arm_mm
        Lengths of the arms.

    Returns
    -------
    float
        Degrees.

    Raises
    ------
    EstimateError
        When an arm is not positive or sigma negative.

    Notes
    -----
    sigma sqrt(2/a^2 + 2/c^2 - 2 cos(theta)/(a c)), the law of propagation for the two arms' turning; it fails when
    sigma is not small against the arms.

    References
    ----------
    JCGM 100:2008, equation 13.

    Example
    -------
    >>> round(vertex_angle_sd_deg(90.0, 0.2, first_arm_mm=5.0, second_arm_mm=5.0), 4)
    4.5837
    """
    if not (first_arm_mm > 0.0 and second_arm_mm > 0.0 and sigma_mm >= 0.0):
        raise EstimateError(
            f"arms of {first_arm_mm} and {second_arm_mm} mm, noise {sigma_mm} mm", expected="positive arms, noise >= 0"
        )
    a, c = first_arm_mm, second_arm_mm
    turn = 2.0 / a**2 + 2.0 / c**2 - 2.0 * math.cos(math.radians(angle_deg)) / (a * c)
    return math.degrees(sigma_mm * math.sqrt(max(turn, 0.0)))
