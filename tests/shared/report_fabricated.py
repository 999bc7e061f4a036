"""An invented ear with invented results: smooth made-up functions, nobody's anatomy, only there to be printed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ctmeasure.anatomy.clock import clock_hour
from ctmeasure.anatomy.facts import CaseFacts, WallState
from ctmeasure.anatomy.landmarks import Landmark, LandmarkSet, Placement
from ctmeasure.anatomy.structures import Patch, Structure, Tube
from ctmeasure.anatomy.vocabulary import Side
from ctmeasure.case.model import Case, HistoryEntry, ScanReference, SiteRequest
from ctmeasure.planning.results import (
    ANY,
    Attention,
    Clearance,
    HolePair,
    LengthRow,
    Measurement,
    PlanResult,
    SiteResult,
    Verdict,
    WallPath,
    ZoneCell,
)
from ctmeasure.planning.settings import Settings
from ctmeasure.uncertainty.estimate import Contribution, Estimate
from ctmeasure.volume.geometry import Geometry
from ctmeasure.volume.volume import ScanSource, Volume

CENTRE_LPS = np.array([-42.0, 12.0, 30.0])
RIM_RADIUS_MM = 4.5
SCAN_HASH = "ab" * 32


def out_of_ear(side: Side) -> float:
    """Sign of x out of the ear."""
    return -1.0 if side == "right" else 1.0


def at(side: Side, angle_deg: float, radius: float, depth: float) -> tuple[float, float, float]:
    """Point of the invented ear: canal along x, superior +z, posterior +y."""
    turn = np.radians(angle_deg)
    centre = CENTRE_LPS * (1.0 if side == "right" else np.array([-1.0, 1.0, 1.0]))
    offset = np.array([out_of_ear(side) * depth, radius * np.sin(turn), radius * np.cos(turn)])
    x, y, z = centre + offset
    return float(x), float(y), float(z)


def outwards(side: Side, angle_deg: float) -> tuple[float, float, float]:
    """Unit vector across the canal towards the wall."""
    x, y, z = np.subtract(at(side, angle_deg, 2.0, 0.0), at(side, angle_deg, 1.0, 0.0)).tolist()
    return x, y, z


def estimate(value: float, u: float, unit: str = "mm", *, budget: tuple[tuple[str, float], ...] = ()) -> Estimate:
    """An estimate with a symmetric interval."""
    return Estimate(
        value,
        u,
        value - 1.96 * u,
        value + 1.96 * u,
        unit,
        "invented",
        tuple(Contribution(*b) for b in budget),
        (),
        20000,
        7,
    )


def landmarks(side: Side) -> LandmarkSet:
    """Rim, axis, drum, footplate and what a surgeon sees."""
    rim = tuple(
        Placement(at(side, a, RIM_RADIUS_MM, 0.35 * np.cos(np.radians(a))), index=i)
        for i, a in enumerate((24, 60, 96, 132, 168, 204, 240, 276, 312, 336))
    )
    points = {
        "canal_medial": (0, 0.0, 0.0),
        "canal_lateral": (0, 0.0, 7.0),
        "drum_centre": (200, 0.6, 2.3),
        "footplate_centre": (30, 2.2, -3.4),
        "footplate_anterior": (340, 2.4, -3.2),
        "footplate_posterior": (70, 2.6, -3.6),
        "footplate_superior": (30, 2.9, -3.3),
        "footplate_inferior": (32, 1.5, -3.5),
        "anterior_tympanic_spine": (337, 4.5, 0.3),
        "posterior_tympanic_spine": (23, 4.5, 0.3),
        "chorda_entry": (78, 4.4, -0.2),
        "promontory": (190, 1.0, -2.2),
    }
    placed = [Landmark(i, "placed", (Placement(at(side, *p)),)) for i, p in points.items()]
    ring = tuple(
        Placement(tuple(np.add(at(side, 40, 7.0, -6.0), (2.5 * np.cos(t), 2.5 * np.sin(t), 0.0)).tolist()), index=i)  # type: ignore[arg-type]
        for i, t in enumerate(np.linspace(0.4, 4.4, 5))
    )
    return LandmarkSet(
        [
            Landmark("annulus", "placed", rim),
            *placed,
            Landmark("lateral_semicircular_canal", "placed", ring),
            Landmark("umbo", "absent"),
            Landmark("malleus_lateral_process", "absent"),
            Landmark("malleus_neck", "absent"),
            Landmark("incus_long_process", "absent"),
            Landmark("stapes_head", "not_seen"),
        ]
    )


def structures(side: Side) -> tuple[Structure, ...]:
    """Facial canal, chorda and a tegmen patch."""
    facial = (
        (345, 3.2, -4.5), (10, 4.0, -4.4), (40, 5.2, -4.2), (70, 6.6, -3.2), (95, 7.8, -1.6),
        (112, 8.6, 0.2), (122, 9.4, 1.8), (130, 10.6, 3.2),
    )  # fmt: skip
    chorda = ((122, 9.4, 1.8), (108, 7.6, 1.1), (92, 5.8, 0.5), (78, 4.5, -0.2), (50, 3.4, -0.9), (10, 2.6, -1.2))
    tegmen = tuple(at(side, a, 10.5, d) for a in (335, 350, 5, 20) for d in (-3.0, 0.0, 3.0, 6.0))
    return (
        Tube("facial_nerve", "placed", tuple(at(side, *p) for p in facial), 0.15, "R2", tuple([0.7] * len(facial))),
        Tube("chorda_tympani", "placed", tuple(at(side, *p) for p in chorda), None, "R2", tuple([0.25] * len(chorda))),
        Patch("tegmen", "placed", tegmen),
    )


def cell_verdict(angle: float, rim: float) -> Verdict:
    """Made-up verdicts with all four looks."""
    if 205 <= angle < 300:
        return "not assessed"
    distance = np.hypot((angle - 118) / 14, (rim - 2.2) / 1.6)
    if 75 < angle < 165:
        return "keep out" if distance < 1.25 else "caution"
    if angle >= 300 or angle < 52:
        return "clear" if 0.9 <= rim <= 5.5 else "caution"
    return "caution"


MARGIN_MM = 1.4


def gap_mm(angle, rim):  # type: ignore[no-untyped-def]
    """Made-up clearance: a dip around one place of the wall."""
    return 3.2 - 3.6 * np.exp(-(((angle - 118) / 40) ** 2) - ((rim - 2.2) / 3.0) ** 2)


def zone(side: Side, settings: Settings) -> tuple[ZoneCell, ...]:
    """The whole map."""
    cells = []
    for angle in np.arange(0.0, 360.0, settings.map_angle_step_deg):
        for rim in np.arange(0.0, 8.01, settings.map_rim_step_mm):
            verdict = cell_verdict(angle, rim)
            known = verdict != "not assessed"
            thick = 1.5 + 1.1 * np.cos(np.radians(angle - 40)) + 0.16 * rim
            gap = gap_mm(angle, rim)
            cells.append(
                ZoneCell(
                    float(angle), float(clock_hour(angle, side)), float(rim), float(rim), at(side, angle, 4.6, rim),
                    outwards(side, angle), 20.0, float(max(thick, 0.1)) if known else None,
                    "model dependent" if known else "not assessed", float(thick + 0.2) if known else None,
                    "attic" if known else "no exit within arm length", True, "facial_nerve" if known else "",
                    float(gap) if known else None, 1e-5 if known else None, 0.002 if known else None, verdict,
                    over_margin_mm=float(gap - MARGIN_MM) if known else None,
                )
            )  # fmt: skip
    return tuple(cells)


def pair(side: Side, rank: int, angles: tuple[float, float], rims: tuple[float, float], verdict: Verdict) -> HolePair:
    """Two invented holes."""
    hours = tuple(float(h) for h in clock_hour(np.array(angles), side))
    entries = [at(side, a, 4.6, r + 0.35) for a, r in zip(angles, rims, strict=True)]
    directions = [outwards(side, a) for a in angles]
    return HolePair(
        rank, entries[0], directions[0], entries[1], directions[1], hours, angles, rims, (1.42, 1.73),  # type: ignore[arg-type]
        3.41, 2.6, 2.9, 1.31, "chorda_tympani", 0.0004, at(side, 190, 0.5, -1.0), verdict,
        "widest least clearance among pairs that keep every margin",
    )  # fmt: skip


def site(side: Side, name: str, angle: float, rim: float, verdict: Verdict) -> SiteResult:
    """One asked-for hole."""
    known = verdict != "not assessed"
    rows = (
        Clearance("facial_nerve", estimate(4.06, 0.33), 0.0, 0.0002, 1.4, 0.001, "clear", 20000),
        Clearance("chorda_tympani", estimate(1.31, 0.21), 0.0, 0.004, 0.5, 0.05, "clear", 20000),
    ) if known else (
        Clearance("joint_fossa", None, None, None, 1.0, 0.01, "not assessed", 0, ("joint fossa not marked",)),
    )  # fmt: skip
    overall = Clearance(ANY, None, 0.0003 if known else None, 0.004 if known else None, None, None, verdict)
    wall = (
        WallPath(estimate(1.42, 0.16), "model dependent", 1.55, "attic", 0.2, ("model dependent",))
        if known
        else WallPath(None, "not assessed", None, "no exit within arm length", None, ("wall end not resolved",))
    )
    direction = outwards(side, angle)
    return SiteResult(
        name, at(side, angle, 4.6, rim + 0.3), direction, 0.12, angle, float(clock_hour(angle, side)), rim, rim, 12.0,  # type: ignore[arg-type]
        wall, 2.85 if known else None, True, rows, overall, () if known else ("joint fossa not marked",),
    )  # fmt: skip


def length_rows() -> tuple[LengthRow, ...]:
    """Sizes of a planned total prosthesis, and one refused row."""
    from scipy.stats import norm

    needed = estimate(4.58, 0.24, budget=(("placement of footplate centre", 0.17), ("planned handle position", 0.15)))
    sizes = np.arange(3.75, 5.51, 0.25)
    short = [float(norm.sf(s, 4.58 - 0.25, 0.24)) for s in sizes]
    long = [float(norm.cdf(s, 4.58 + 0.25, 0.24)) for s in sizes]
    fits = [1 - a - b for a, b in zip(short, long, strict=True)]
    rank = {i: n + 1 for n, i in enumerate(np.argsort([-f for f in fits]))}
    planned = [
        LengthRow(
            "total",
            "as planned",
            "handle contact",
            "footplate centre",
            needed,
            float(s),
            short[i],
            fits[i],
            long[i],
            rank[i],
        )
        for i, s in enumerate(sizes)
    ]
    refused = LengthRow(
        "total", "as it lies on this scan", "drum centre", "footplate centre", estimate(6.1, 0.3),
        None, None, None, None, None, ("no size: the drum lies too far out and is taken down",),
    )  # fmt: skip
    return (*planned, refused)


def fabricated_result(side: Side, settings: Settings) -> PlanResult:
    """A whole invented plan."""
    budget = (("placement of drum centre", 0.12), ("placement of the rim", 0.07), ("scanner scale", 0.01))
    measured = (
        Measurement(
            "drum_lateralisation",
            "perpendicular to the rim plane",
            estimate(2.4, 0.15, budget=budget),
            ("annulus", "drum_centre"),
        ),
        Measurement("drum_lateralisation", "along the canal axis", estimate(2.6, 0.16), ("annulus", "drum_centre")),
        Measurement("drum_thickness", "", None, ("drum_centre",), ("below resolution",)),
        Measurement("drum_to_promontory", "", estimate(4.5, 0.4), ("drum_centre", "promontory")),
        Measurement("drum_to_footplate", "", estimate(6.1, 0.3), ("drum_centre", "footplate_centre")),
        Measurement("umbo_to_footplate", "", None, ("umbo", "footplate_centre"), ("umbo absent",)),
        Measurement("prosthesis_axis_tilt", "", estimate(18.0, 4.0, "deg"), ("drum_centre", "footplate_centre")),
    )
    return PlanResult(
        measurements=measured,
        sites=(site(side, "upper", 350.0, 1.6, "clear"), site(side, "lower front", 250.0, 2.0, "not assessed")),
        zone=zone(side, settings),
        pairs=(
            pair(side, 1, (335.0, 20.0), (1.6, 1.8), "clear"),
            pair(side, 2, (322.0, 8.0), (2.4, 2.2), "clear"),
            pair(side, 3, (328.0, 12.0), (1.5, 2.0), "caution"),
        ),
        pairs_reason="",
        lengths=length_rows(),
        wall_map=None,
        attention=(Attention("site not assessed", "site 'lower front'", "mark the joint fossa"),),
        warnings=("noise 61 HU: thin walls are model dependent",),
        not_assessed=("lower front wall: joint fossa not marked", "front wall: carotid canal not marked"),
        seed=7,
        version="0.1.0",
        provenance={"software": "ctmeasure 0.1.0", "draws": 20000},
    )


def fabricated_case(side: Side = "right", **changes: object) -> Case:
    """The invented case."""
    settings = Settings()
    result = fabricated_result(side, settings)
    facts = CaseFacts(
        side=side,
        only_hearing_ear="no",
        facial_function="normal",
        earlier_operations=("2 operations, the last in another hospital", "incus removed"),
        nerve_seen_bare="no",
        chorda_cut="unknown",
        wall_taken_down="no",
        footplate_mobility="unknown",
        operated_since_scan="no",
        findings={"aeration": "present", "soft_tissue_attic": "absent", "scutum": "present", "tegmen_defect": "absent"},
        canal_wall=(WallState(330.0, 30.0, "intact"),),
    )
    reference = ScanReference(
        "2.25.123456789", "2.25.987654321", "2.25.555", SCAN_HASH, "temporal bone, invented", "sharp", "CT", "HU",
        "20240311", "SAMPLE-01", (60, 120, 120), (0.4, 0.3, 0.3), 0.4,
        tuple(tuple(r) for r in geometry(side).affine_lps.tolist()),
    )  # fmt: skip
    case = Case(
        side=side,
        scan=reference,
        facts=facts,
        landmarks=landmarks(side),
        structures=structures(side),
        sites=(SiteRequest("upper", result.sites[0].entry_lps), SiteRequest("lower front", result.sites[1].entry_lps)),
        settings=settings,
        results=result,
        history=(HistoryEntry("2024-05-01T10:00:00Z", "planned", {"seed": 7}),),
        seed=7,
    )
    return replace(case, **changes)  # type: ignore[arg-type]


def geometry(side: Side) -> Geometry:
    """A grid around the invented ear."""
    affine = np.eye(4)
    affine[:3, 0], affine[:3, 1], affine[:3, 2] = (0, 0, 0.4), (0, 0.3, 0), (0.3, 0, 0)
    centre = CENTRE_LPS * (1.0 if side == "right" else np.array([-1.0, 1.0, 1.0]))
    affine[:3, 3] = centre - np.array([0.3 * 60, 0.3 * 60, 0.4 * 40])
    return Geometry((80, 120, 120), affine, "2.25.555")


def fabricated_volume(side: Side = "right") -> Volume:
    """Voxels of an invented tube of bone: air in the middle, bone around it, soft tissue further out."""
    grid = geometry(side)
    k, j, i = np.meshgrid(*(np.arange(n, dtype=np.float64) for n in grid.shape_kji), indexing="ij")
    points = grid.to_lps(np.stack([k, j, i], axis=-1))
    centre = CENTRE_LPS * (1.0 if side == "right" else np.array([-1.0, 1.0, 1.0]))
    offset = points - centre
    radius = np.hypot(offset[..., 1], offset[..., 2])
    values = np.where(radius < 4.6, -1000.0, np.where(radius < 8.0, 1700.0, 200.0))
    cells = (np.sin(offset * 2.2).prod(axis=-1) > 0.12) & (radius > 6.4)
    values = np.where(cells, -800.0, values) + np.random.default_rng(3).normal(0.0, 60.0, values.shape)
    source = ScanSource(
        series_uid="2.25.123456789",
        study_uid="2.25.987654321",
        content_hash=SCAN_HASH,
        spacing_mm=(0.4, 0.3, 0.3),
        modality="CT",
        date="20240311",
        patient_pseudonym="SAMPLE-01",
    )
    return Volume(grid, values.astype(np.int16), source)
