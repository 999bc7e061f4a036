"""Probability that a drilled hole comes too near: one joint set of draws, and a bound that spares most of them."""

from __future__ import annotations

import math
import zlib
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from ctmeasure.anatomy.frames import CanalFrame
from ctmeasure.planning.drilling.bores import TRAVEL, TRAVEL_Z, Bores
from ctmeasure.planning.drilling.structures import Obstacle
from ctmeasure.planning.settings import Settings
from ctmeasure.volume.sampling import in_threads

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

BLOCK = 1000
"""Draws are made in blocks of this many, each from its own seed, so that any number of them can be asked for again."""
RADIUS_SHARE = 0.5
"""Of a structure's surface uncertainty, this share is one of its radius and the rest (root sum of squares) a shift."""
BOUND_SPLIT = 1e-6
"""Probability given away to each of the side events of `displacement_bound`."""
FEW_DRAWS = 250
"""Draws where the verdict is settled without them: enough for a number to show, with its upper limit where small."""
FEW_UPPER = 1.0 - 0.025 ** (1.0 / FEW_DRAWS)
"""Clopper-Pearson upper limit of so few draws without an event (0.0146)."""
PATHS_AT_ONCE = 300
"""Bores drawn together: keeps the drawn paths of one block under 20 MB."""
GAPS_WORTH_A_THREAD = 10_000
"""Drawn clearances worth handing to another thread."""
TAIL = 0.025
"""Tail of the Clopper-Pearson 95 % interval, which decides at the last look at the draws."""
EARLY_TAILS = 0.005
"""Shared by all earlier looks: stopping as soon as the 95 % interval allows would take a place just over the accepted
risk for clear in 5 to 8 % instead of 2.5 % (computed for 20,000 and 200,000 draws)."""
STRETCH_SHARE = 0.1
"""Of the probability that settles a structure, this share is given away to a travel beyond the path of `drawn_out`."""
SETTLED_BELOW = 0.1
"""A bound under this share of the accepted risk settles a structure "by a wide margin", without draws."""


@dataclass(frozen=True, slots=True)
class SharedDraws:
    """Standard normal draws by block, made on demand and the same for every hole, structure order and thread count.

    Registration and scanner scale are shared by all structures and holes; each structure has its own shift and radius
    draw, named by its id; each hole of a pair its own hand.
    """

    seed: int
    _kept: dict[tuple[str, int], Floats] = field(default_factory=dict)

    def block(self, name: str, number: int, columns: int) -> Floats:
        """Block `number` of the draws called `name`, shape (BLOCK, columns)."""
        key = (name, number)
        if key not in self._kept:
            sequence = np.random.SeedSequence(self.seed, spawn_key=(zlib.crc32(name.encode()), number))
            self._kept[key] = np.random.Generator(np.random.PCG64(sequence)).standard_normal((BLOCK, columns))
        return self._kept[key]


@dataclass(frozen=True, slots=True, eq=False)
class Doubts:
    """What is drawn besides the hand: registration, scanner scale, and each structure's surface."""

    draws: SharedDraws
    canal: CanalFrame
    scale_u: float
    registration_u_mm: float = 0.0

    def structure(self, obstacle: Obstacle, number: int) -> tuple[Floats, Floats]:
        """Shift (BLOCK, 3) LPS and radius change (BLOCK,) of a structure in one block, registration included."""
        own = self.draws.block(f"structure {obstacle.id}", number, 4)
        common = self.draws.block("registration", number, 4)
        shift = obstacle.surface_u_mm * math.sqrt(1.0 - RADIUS_SHARE**2) * own[:, :3]
        shift = shift + self.registration_u_mm * common[:, :3]
        axes = np.stack([self.canal.superior_lps, self.canal.posterior_lps, self.canal.axis_lps])
        return np.ascontiguousarray(shift @ axes), obstacle.surface_u_mm * RADIUS_SHARE * own[:, 3]

    def scale(self, number: int) -> Floats:
        """Factor by which this scan's lengths may be wrong, shape (BLOCK,)."""
        return 1.0 + self.scale_u * self.draws.block("registration", number, 4)[:, 3]

    def gaps(
        self,
        bores: Bores,
        obstacle: Obstacle,
        number: int,
        *,
        bur_radius_mm: float,
        limit_mm: Floats | None = None,
        enough_mm: Floats | float | None = None,
        hole: int = 1,
        draws: int = BLOCK,
    ) -> Floats:
        """Drawn clearances of bores to one structure in one block.

        Parameters
        ----------
        bores, obstacle, number
            Planned bores, the structure, the block.
        bur_radius_mm
            Radius of the bur.
        limit_mm
            Shape (n,): clearances at or above this are given as this, which saves most of the work; None: all exact.
        enough_mm
            One number or one a bore: a clearance is then only told from this and from the limit, not given.
        hole
            Which hand of a pair.
        draws
            Only the first so many of the block.

        Returns
        -------
        numpy.ndarray
            Shape (n, draws), mm.

        Raises
        ------
        ValueError
            When shapes disagree.
        """
        from ctmeasure.kernels.drilling import HAND_COLUMNS, drawn_gaps

        hand = self.draws.block(f"hand of hole {hole}", number, HAND_COLUMNS)[:draws]
        shift, widening = (part[:draws] for part in self.structure(obstacle, number))
        scale, vectors, n = self.scale(number)[:draws], bores.vectors, len(bores)
        limit = np.full(n, np.inf) if limit_mm is None else np.ascontiguousarray(limit_mm, dtype=np.float64)
        enough = np.broadcast_to(np.float64(-np.inf) if enough_mm is None else enough_mm, n).astype(np.float64)
        gaps = np.empty((n, draws))
        in_threads(
            lambda start, stop: drawn_gaps(
                vectors, bores.depth, bores.sd, hand, shift, widening, scale, bur_radius_mm, limit, enough,
                *obstacle.elements, gaps, start, stop,
            ),
            n * draws,
            smallest=GAPS_WORTH_A_THREAD,
        )  # fmt: skip
        return gaps


def displacement_bound(
    distance_mm: Floats, bores: Bores, *, obstacle: Obstacle, doubts: Doubts, central_mm: Floats, bur_radius_mm: float
) -> Floats:
    """Proven upper bound of the probability that the clearance shrinks by `distance_mm` or more.

    Parameters
    ----------
    distance_mm
        Shape (n,): central clearance less the limit (margin, or 0 for contact).
    bores
        The planned bores.
    obstacle
        The structure.
    doubts
        What is drawn.
    central_mm
        Central clearance, shape (n,).
    bur_radius_mm
        Radius of the bur.

    Returns
    -------
    numpy.ndarray
        Shape (n,), at most 1.

    Raises
    ------
    ValueError
        When shapes disagree.

    Notes
    -----
    Moving both ends of a segment by at most h changes its distance to anything by at most h, since every point moves
    by a convex combination of the two. Relative to the structure the near end moves by a Gaussian vector; the far end
    by a Gaussian vector plus a remainder of at most L a^2 / 2 + |dL| (1 + a), where a is the drawn tilt and dL the
    drawn change of travel, at most the largest of its table. Giving `BOUND_SPLIT` away to each of large a, and a large
    radius and scale change, the union bound over the two ends, each with P(|G| > h) <= Q(3/2, h^2 / (2 s^2)), the tail
    of chi with three degrees of freedom (Q: regularised upper incomplete gamma function), for the largest standard
    deviation s of G, holds without any draw.
    """
    # The special functions themselves: the statistics package takes half a second to import.
    from scipy.special import gammaincc, ndtri

    place, surface, skid, tilt = bores.sd[:, :4].T
    travel = np.abs(bores.sd[:, TRAVEL]).max(axis=1)
    own = obstacle.surface_u_mm * math.sqrt(1.0 - RADIUS_SHARE**2)
    shared = own**2 + doubts.registration_u_mm**2
    near_sd = np.sqrt(np.maximum(place**2 + skid**2, surface**2) + shared)
    far_sd = np.sqrt(near_sd**2 + (bores.depth * tilt) ** 2)
    side = -float(ndtri(BOUND_SPLIT / 2.0))
    radius = side * (obstacle.surface_u_mm * RADIUS_SHARE)
    scale = side * doubts.scale_u * (np.maximum(central_mm, 0.0) + bur_radius_mm)
    a = tilt * math.sqrt(-2.0 * math.log(BOUND_SPLIT))
    left = np.maximum(distance_mm - radius - scale, 0.0)
    far_left = np.maximum(left - (bores.depth * a**2 / 2.0 + travel * (1.0 + a)), 0.0)
    bound = (
        4.0 * BOUND_SPLIT
        + gammaincc(1.5, 0.5 * (left / np.maximum(near_sd, 1e-12)) ** 2)
        + gammaincc(1.5, 0.5 * (far_left / np.maximum(far_sd, 1e-12)) ** 2)
    )
    return np.minimum(bound, 1.0)


def drawn_out(bores: Bores, tail: Floats) -> Bores:
    """Bores so long that no drawn travel exceeds them but with a probability of `tail`, shape (n,), and none is drawn.

    Parameters
    ----------
    bores
        The planned bores.
    tail
        Shape (n,), above 0.

    Returns
    -------
    Bores

    Raises
    ------
    ValueError
        When shapes disagree.

    Notes
    -----
    A drawn path of no more than that travel is a part of the path drawn out, its ends moved as `displacement_bound` has
    it without a change of travel. So that bound for these bores, plus the tail, holds for the bores as well: it spares
    draws where the exit is unsure and nothing lies in the way of the drill.
    """
    from scipy.special import ndtri

    sd = bores.sd.copy()
    longest = [np.interp(-ndtri(t), TRAVEL_Z, row) for t, row in zip(tail, sd[:, TRAVEL], strict=True)]
    sd[:, TRAVEL] = 0.0
    return replace(bores, depth=bores.depth + np.maximum(longest, 0.0), sd=sd)


@dataclass(frozen=True, slots=True, eq=False)
class Counts:
    """Events among draws for n bores and one structure: contact, below margin; and how many draws each had."""

    contact: Ints
    below: Ints
    draws: Ints


def doubling(maximum: int) -> tuple[int, ...]:
    """Numbers of blocks after which the draws are looked at: 1, 2, 4, ... up to the largest allowed number of draws.

    Example
    -------
    >>> doubling(5000)
    (1, 2, 4, 5)
    """
    last = max(maximum // BLOCK, 1)
    steps = []
    blocks = 1
    while blocks < last:
        steps.append(blocks)
        blocks *= 2
    return (*steps, last)


def decided(events: Ints, draws: int, risk: Floats, *, tail: float = TAIL) -> NDArray[np.bool_]:
    """Whether the Clopper-Pearson interval of events / draws excludes the accepted risk; shape of `events`.

    Parameters
    ----------
    events
        Counts.
    draws
        Number of draws.
    risk
        Accepted risk, broadcast against `events`.
    tail
        Probability left out at either end of the interval.

    Returns
    -------
    numpy.ndarray

    Raises
    ------
    ValueError
        When shapes disagree.

    Notes
    -----
    The draws are looked at after every doubling. An early look therefore uses a wider interval: all early looks share
    `EARLY_TAILS`, so that a place just over the accepted risk is taken for clear in at most 3 % (union bound).
    """
    low, high = clopper_pearson_arrays(events, draws, tail=tail)
    return (high <= risk) | (low > risk)


def clopper_pearson_arrays(events: Ints, draws: int | Ints, *, tail: float = TAIL) -> tuple[Floats, Floats]:
    """Clopper-Pearson interval for many counts at once, 95 % unless another tail is given.

    Parameters
    ----------
    events, draws
        Counts and numbers of draws, broadcast.
    tail
        Probability left out at either end.

    Returns
    -------
    low, high

    Raises
    ------
    ValueError
        When shapes disagree.

    References
    ----------
    Clopper CJ, Pearson ES (1934) Biometrika 26:404, doi:10.1093/biomet/26.4.404.

    Example
    -------
    >>> import numpy as np
    >>> low, high = clopper_pearson_arrays(np.array([0, 81]), np.array([20, 263]))
    >>> high.round(4).tolist(), low.round(4).tolist()
    ([0.1684, 0.3676], [0.0, 0.2527])
    """
    from scipy.special import betaincinv

    k, n = np.broadcast_arrays(np.asarray(events, dtype=np.float64), np.asarray(draws, dtype=np.float64))
    with np.errstate(invalid="ignore"):
        low = np.where(k > 0, betaincinv(np.maximum(k, 1e-9), n - k + 1.0, tail), 0.0)
        high = np.where(k < n, betaincinv(k + 1.0, np.maximum(n - k, 1e-9), 1.0 - tail), 1.0)
    return low, high


def count_until_decided(
    bores: Bores,
    obstacle: Obstacle,
    *,
    margins_mm: Floats,
    risk: float,
    doubts: Doubts,
    settings: Settings,
    maximum: int,
    few: NDArray[np.bool_],
) -> Counts:
    """Draw until each bore's contact and margin probabilities are decided against the accepted risk.

    Parameters
    ----------
    bores, obstacle
        Planned bores and one structure.
    margins_mm
        Margin per bore, shape (n,).
    risk
        Accepted risk.
    doubts
        What is drawn.
    settings
        Bur radius.
    maximum
        Draws at most.
    few
        Bores whose verdict does not hang on the draws: `FEW_DRAWS` each, for a number to show.

    Returns
    -------
    Counts

    Raises
    ------
    GeometryError
        When shapes disagree.
    """
    from ctmeasure.kernels.drilling import count_below

    n = len(bores)
    counts = np.zeros((n, 2), np.int64)
    draws = np.zeros(n, np.int64)
    limits = np.column_stack([np.zeros(n), margins_mm])
    settled_rows = np.flatnonzero(few)
    if len(settled_rows):
        gaps = doubts.gaps(
            bores.take(settled_rows), obstacle, 0, bur_radius_mm=settings.bur_radius_mm,
            limit_mm=limits[settled_rows, 1], enough_mm=0.0, draws=FEW_DRAWS,
        )  # fmt: skip
        tally = np.zeros((len(settled_rows), 2), np.int64)
        count_below(gaps, limits[settled_rows], tally)
        counts[settled_rows], draws[settled_rows] = tally, FEW_DRAWS
    active = np.flatnonzero(~few)
    done, looks = 0, doubling(maximum)
    for target in looks:
        if len(active) == 0:
            break
        for first in range(0, len(active), PATHS_AT_ONCE):
            rows = active[first : first + PATHS_AT_ONCE]
            part, tally = bores.take(rows), np.zeros((len(rows), 2), np.int64)
            for number in range(done, target):
                gaps = doubts.gaps(
                    part,
                    obstacle,
                    number,
                    bur_radius_mm=settings.bur_radius_mm,
                    limit_mm=limits[rows, 1],
                    enough_mm=0.0,
                )
                count_below(gaps, limits[rows], tally)
            counts[rows] += tally
        done = target
        draws[active] = done * BLOCK
        tail = TAIL if target == looks[-1] else EARLY_TAILS / (len(looks) - 1)
        settled = decided(counts[active], done * BLOCK, np.asarray(risk), tail=tail).all(axis=1)
        active = active[~settled]
    return Counts(counts[:, 0], counts[:, 1], draws)
