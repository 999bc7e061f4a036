"""What a plan consists of: plain frozen records, from which every file, page and window is written."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from typing import Any, Literal

import numpy as np

from ctmeasure.anatomy.landmarks import PointLps
from ctmeasure.anatomy.structures import Tube
from ctmeasure.anatomy.vocabulary import Status
from ctmeasure.planning.stored_arrays import FloatArray, WordArray
from ctmeasure.uncertainty.estimate import Estimate

Verdict = Literal["clear", "caution", "keep out", "not assessed"]
VERDICTS: tuple[Verdict, ...] = ("clear", "caution", "not assessed", "keep out")
"""From best to worst, for combining over structures: a known contact outranks a gap in knowledge."""
VERDICT_WORDS: dict[str, str] = {
    "clear": "margin kept",
    "caution": "caution",
    "keep out": "keep out",
    "not assessed": "not assessed",
}
ThicknessState = Literal[
    "resolved", "model dependent", "present, not resolved", "below resolution", "no wall found", "not assessed"
]
ANY = "any"
"""Structure name of the row that combines all structures of a site."""


def worst(*verdicts: Verdict) -> Verdict:
    """The worst of several verdicts; with none given, ``not assessed``.

    Example
    -------
    >>> worst("clear", "not assessed", "caution"), worst("not assessed", "keep out"), worst()
    ('not assessed', 'keep out', 'not assessed')
    """
    return max(verdicts, key=VERDICTS.index, default="not assessed")


@dataclass(frozen=True, slots=True)
class Measurement:
    """One measurand of one ear; ``estimate`` is None when it could not be given, and ``flags`` say why."""

    id: str
    qualifier: str
    estimate: Estimate | None
    inputs: tuple[str, ...] = ()
    flags: tuple[str, ...] = ()
    definition: str = ""


@dataclass(frozen=True, slots=True)
class WallPath:
    """Bone along one drill direction, from the wall surface at the entry point."""

    to_first_gap: Estimate | None
    state: ThicknessState
    to_exit_mm: float | None
    far_side: str
    to_exit_u_mm: float | None = None
    flags: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Clearance:
    """Least gap between the swept bur and one structure (or `ANY`), with its probabilities and verdict."""

    structure: str
    estimate: Estimate | None
    p_contact: float | None
    p_below_margin: float | None
    margin_mm: float | None
    accepted_risk: float | None
    verdict: Verdict
    draws: int = 0
    flags: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Change:
    """What halving one doubt of a clearance would do: standard uncertainty, P(under the margin), verdict; and how."""

    structure: str
    doubt: str
    doubt_u_mm: float
    u_mm: float
    u_halved_mm: float
    p_below_margin: float
    p_halved: float
    verdict: Verdict
    verdict_halved: Verdict
    action: str


@dataclass(frozen=True, slots=True)
class SiteResult:
    """One candidate hole: where it is, what it goes through, what it comes near.

    ``in_sight``: whether the bur there is seen along a straight line from outside; ``freedom``: share of the drill
    directions within the refused angle that the instrument reaches; ``changes``: what would change the answer.
    """

    id: str
    entry_lps: PointLps
    direction_lps: PointLps
    moved_mm: float | None
    wall_angle_deg: float | None
    clock_hour: float | None
    rim_distance_mm: float | None
    depth_mm: float | None
    angle_to_normal_deg: float | None
    wall: WallPath
    drill_depth_mm: float | None
    reachable: bool | None
    clearances: tuple[Clearance, ...]
    overall: Clearance
    flags: tuple[str, ...] = ()
    in_sight: bool | None = None
    freedom: float | None = None
    changes: tuple[Change, ...] = ()
    p_breaks_out: float | None = None

    @property
    def verdict(self) -> Verdict:
        """The overall verdict."""
        return self.overall.verdict


@dataclass(frozen=True, slots=True)
class ZoneCell:
    """One cell of the canal-wall map.

    ``nearest_structure`` and ``clearance_mm`` are the least gap over all marked structures (at most that, and flagged,
    to a centre line without radius); ``over_margin_mm`` is the least of clearance less margin; None without any.
    ``p_contact`` and ``p_below_margin`` are each the largest over the structures, one by one: a share of draws, or
    an upper limit of them all where ``..._is_limit`` says so; ``..._upper`` are the largest 95 % upper limits (or
    proven bounds) either way. ``riskiest_structure`` has the largest share of draws under its margin; where there
    are only limits, it is the one with the least clearance less margin. Uncertainties are standard uncertainties,
    low and high a 95 % interval.
    """

    wall_angle_deg: float
    clock_hour: float
    rim_distance_mm: float
    depth_mm: float | None
    entry_lps: PointLps | None
    direction_lps: PointLps | None
    angle_to_normal_deg: float | None
    thickness_mm: float | None
    thickness_state: ThicknessState
    to_exit_mm: float | None
    far_side: str
    reachable: bool | None
    nearest_structure: str
    clearance_mm: float | None
    p_contact: float | None
    p_below_margin: float | None
    verdict: Verdict
    flags: tuple[str, ...] = ()
    in_sight: bool | None = None
    freedom: float | None = None
    over_margin_mm: float | None = None
    riskiest_structure: str = ""
    riskiest_clearance_mm: float | None = None
    p_below_is_limit: bool = False
    p_contact_is_limit: bool = False
    p_below_upper: float | None = None
    p_contact_upper: float | None = None
    clearance_u_mm: float | None = None
    thickness_u_mm: float | None = None
    thickness_low_mm: float | None = None
    thickness_high_mm: float | None = None
    to_exit_u_mm: float | None = None


@dataclass(frozen=True, slots=True)
class WallSector:
    """State of the canal wall in one sector: shown by the scan, entered, and the one that counts (the entry).

    ``bone_share`` is the share of places near the rim with a bone edge, ``rim_soft_share`` that of the rim zone where
    the edge lies under soft tissue; None where nothing was scanned.
    """

    clock: str
    start_deg: float
    end_deg: float
    shown: str
    bone_share: float | None
    entered: str
    state: str
    rim_soft_share: float | None
    differs: bool = False


@dataclass(frozen=True, slots=True)
class HandlePosition:
    """Where a handle on two holes would lie: top midway between the entries, the planned tip, and what follows from it.

    ``axis_to_footplate_deg`` is the angle of the handle's axis to the plane of the footplate, ``off_centre_mm`` how far
    the tip lies off the plane midway between the holes; ``total_mm`` and ``total_tilt_deg`` are distance and tilt (to
    the footplate's normal) of a later total prosthesis from tip to footplate. None where a landmark is missing.
    The estimates are the same numbers with their intervals, for the pairs that are named first.
    """

    top_lps: PointLps
    tip_lps: PointLps
    length_mm: float
    off_centre_mm: float
    to_promontory_mm: float | None
    axis_to_footplate_deg: float | None
    total_mm: float | None
    total_tilt_deg: float | None
    flags: tuple[str, ...] = ()
    length: Estimate | None = None
    to_promontory: Estimate | None = None
    axis_to_footplate: Estimate | None = None
    total: Estimate | None = None
    total_tilt: Estimate | None = None


@dataclass(frozen=True, slots=True)
class HolePair:
    """Two holes that go together, with the reason for their rank.

    ``clearance`` is the least gap of both holes to any structure with its interval; ``clearance_mm`` its value.
    ``p_breaks_out`` is the probability that an edge lies beyond the rim, hole by hole, ``p_span_outside`` that the
    span as drilled lies outside its limits; ``span``, ``bridge_entry`` and ``bridge_exit`` carry the doubt of the hand.
    ``bones`` are bone to the first gap with interval, hole by hole; ``arm_reaches_mm`` from the handle's top to each
    hole and through it; ``first_in`` which hole takes its arm first, with ``first_in_reason``; ``on_front`` whether no
    other pair that fits is at least as good in risk, clearance, thickness and handle position and better in one.
    """

    rank: int
    entry_1_lps: PointLps
    direction_1_lps: PointLps
    entry_2_lps: PointLps
    direction_2_lps: PointLps
    clock_hours: tuple[float, float]
    wall_angles_deg: tuple[float, float]
    rim_distances_mm: tuple[float, float]
    thicknesses_mm: tuple[float, float]
    span_mm: float
    bridge_entry_mm: float
    bridge_exit_mm: float | None
    clearance_mm: float | None
    nearest_structure: str
    p_any: float | None
    handle_tip_lps: PointLps | None
    verdict: Verdict
    reason: str
    clearance: Estimate | None = None
    bones: tuple[Estimate | None, Estimate | None] = (None, None)
    parallelism_deg: float | None = None
    arm_reaches_mm: tuple[float, float] | None = None
    first_in: int | None = None
    first_in_reason: str = ""
    on_front: bool = False
    handle: HandlePosition | None = None
    flags: tuple[str, ...] = ()
    p_breaks_out: tuple[float, float] | None = None
    p_span_outside: float | None = None
    span: Estimate | None = None
    bridge_entry: Estimate | None = None
    bridge_exit: Estimate | None = None


@dataclass(frozen=True, slots=True)
class LengthRow:
    """One candidate size of one reconstruction; ``size_mm`` None when no size may be offered, and ``flags`` say why.

    ``size_mm`` is what stands on the label, ``functional_mm`` its functional length; ``rank`` is among the sizes of
    one implant of one catalogue; ``expected_loss`` only when the surgeon has set both costs.
    """

    reconstruction: str
    geometry: str
    lateral_contact: str
    medial_contact: str
    needed: Estimate | None
    size_mm: float | None
    p_short: float | None
    p_fits: float | None
    p_long: float | None
    rank: int | None
    flags: tuple[str, ...] = ()
    catalogue: str = ""
    implant: str = ""
    functional_mm: float | None = None
    expected_loss: float | None = None


@dataclass(frozen=True, slots=True)
class ShaftCheck:
    """One thing that was looked at along the straight line of one reconstruction from medial to lateral contact.

    ``p_bad`` is the probability of what must not be (a touch, a shoe wider than its niche), in the words of
    ``p_bad_words``; None when it was not assessed, and ``flags`` say why.
    """

    reconstruction: str
    geometry: str
    lateral_contact: str
    medial_contact: str
    what: str
    estimate: Estimate | None
    p_bad: float | None = None
    p_bad_words: str = ""
    flags: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class StagedLength:
    """A needed length as it is known now, and as it is expected to be known once the handle has settled.

    ``later`` None when there is nothing to wait for (the contact was placed on this scan), and ``assumption`` says so.
    """

    reconstruction: str
    lateral_contact: str
    medial_contact: str
    now: Estimate
    later: Estimate | None
    assumption: str


@dataclass(frozen=True, slots=True)
class ReconstructionOption:
    """One thing that can be done with this ear, whether it is open, and what it needs first."""

    id: str
    words: str
    state: Literal["open", "needs", "not open", "always"]
    needs: tuple[str, ...] = ()
    against: tuple[str, ...] = ()
    gates: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class OptionsFound:
    """The reconstructions that are open, the published class of the ear, and findings that contradict each other."""

    options: tuple[ReconstructionOption, ...] = ()
    ossicle_class: str = ""
    class_source: str = ""
    contradictions: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Attention:
    """Something asked for that could not be given (exit code 1): the closed list of interface ``attention``."""

    kind: Literal[
        "landmark missing",
        "site not assessed",
        "fitness",
        "stale picture",
        "plan void",
        "length",
        "hearing",
        "contradiction",
    ]
    what: str
    action: str


@dataclass(frozen=True, slots=True, eq=False)
class CanalWallMap:
    """The bone surface of the canal in the unrolled grid, for drawing.

    Arrays have shape (angles, rims): ``points_lps`` (..., 3), ``status`` words per cell.
    """

    wall_angles_deg: FloatArray
    rim_distances_mm: FloatArray
    points_lps: FloatArray
    normals_lps: FloatArray
    status: WordArray
    rim_lps: FloatArray

    def __eq__(self, other: object) -> bool:
        """Equal arrays; missing numbers equal each other."""
        if not isinstance(other, CanalWallMap):
            return NotImplemented
        pairs = ((getattr(self, item.name), getattr(other, item.name)) for item in fields(self))
        return all(np.array_equal(a, b, equal_nan=a.dtype.kind == "f") for a, b in pairs)

    def __hash__(self) -> int:
        return hash((self.points_lps.tobytes(), self.status.tobytes()))


@dataclass(frozen=True, slots=True)
class TracedRecord:
    """A tube traced through the scan from its clicks: what the plan keeps clear of in their place."""

    id: str
    status: Status
    points_lps: tuple[PointLps, ...]
    radii_mm: tuple[float, ...]
    surface_u_mm: float
    confirmed_by: str
    flags: tuple[str, ...] = ()
    bulges_mm: tuple[float, ...] = ()

    def structure(self) -> Tube:
        """As a structure."""
        common = (self.id, self.status, self.points_lps, self.surface_u_mm, self.confirmed_by)
        return Tube(*common, self.radii_mm, self.bulges_mm)


ON_NORMAL = "drum_on_footplate_normal"
"""Id of a record that belongs to no placed landmark: where the footplate's normal meets the drum."""


@dataclass(frozen=True, slots=True)
class RefinedRecord:
    """A landmark looked for in the image beside the placed one, and which of the two the plan measures from.

    ``covariance_mm2`` (LPS) belongs to ``found_lps``; ``normal_lps`` and ``tilt_u_rad`` (towards the two
    ``across_lps``) to a plane found with it. ``details`` are pairs of words; ``suggested`` are points for landmarks of
    that name, which nothing is measured from until somebody accepts them. Of a ring ``points_lps`` and
    ``covariances_mm2`` are all its points, ``placed_lps`` and ``found_lps`` their means.
    """

    id: str
    used: bool
    why: str
    placed_lps: PointLps
    found_lps: PointLps | None = None
    covariance_mm2: tuple[PointLps, ...] = ()
    apart_mm: float | None = None
    normal_lps: PointLps | None = None
    across_lps: tuple[PointLps, ...] = ()
    tilt_u_rad: tuple[float, float] | None = None
    details: tuple[tuple[str, str], ...] = ()
    suggested: tuple[tuple[str, PointLps], ...] = ()
    flags: tuple[str, ...] = ()
    points_lps: tuple[PointLps, ...] = ()
    covariances_mm2: tuple[tuple[PointLps, ...], ...] = ()


@dataclass(frozen=True, slots=True)
class OssicleRecord:
    """An ossicle as the image shows it: ``state`` present, partial, absent or not seen, and the evidence in words."""

    id: str
    state: str
    evidence: str


@dataclass(frozen=True, slots=True)
class PlanResult:
    """Everything computed for one ear from one scan."""

    measurements: tuple[Measurement, ...]
    sites: tuple[SiteResult, ...]
    zone: tuple[ZoneCell, ...]
    pairs: tuple[HolePair, ...]
    pairs_reason: str
    lengths: tuple[LengthRow, ...]
    wall_map: CanalWallMap | None
    attention: tuple[Attention, ...]
    warnings: tuple[str, ...]
    not_assessed: tuple[str, ...]
    seed: int
    version: str
    provenance: Mapping[str, Any] = field(default_factory=dict)
    traced: tuple[TracedRecord, ...] = ()
    shafts: tuple[ShaftCheck, ...] = ()
    staged: tuple[StagedLength, ...] = ()
    options: OptionsFound = OptionsFound()
    refined: tuple[RefinedRecord, ...] = ()
    ossicles: tuple[OssicleRecord, ...] = ()
    what_ifs: tuple[str, ...] = ()
    wall_sectors: tuple[WallSector, ...] = ()

    def measurement(self, measurand_id: str, qualifier: str = "") -> Measurement | None:
        """The first measurement of that id (and qualifier, when one is given)."""
        for item in self.measurements:
            if item.id == measurand_id and qualifier in ("", item.qualifier):
                return item
        return None
