"""Write a sample's input tables: landmarks, structures, sites, facts, and the truth as JSON."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from ctmeasure_samples import implants
from ctmeasure_samples.landmarks import TruePoint
from ctmeasure_samples.parameters import EarParameters
from ctmeasure_samples.scanner import Grid
from ctmeasure_samples.truth import EarTruth

# What the demonstration marks; the carotid canal stays unmarked, so that one sector is "not assessed".
MARKED_STRUCTURES = (
    "facial_nerve",
    "chorda_tympani",
    "lateral_semicircular_canal",
    "tegmen",
    "joint_fossa",
    "sigmoid_sinus",
    "jugular_bulb",
    "ossicle_remnant",
    "old_prosthesis",
    "earlier_hole",
)
FEWEST_MARKS = {"tube": 2, "patch": 3, "ball": 1}
"""With fewer points inside the scan a structure of that shape is not marked at all."""
LANDMARK_COLUMNS = ("id", "index", "x_mm", "y_mm", "z_mm", "observer", "repeat", "status")
STRUCTURE_COLUMNS = ("id", "index", "x_mm", "y_mm", "z_mm", "radius_mm", "shape", "confirmed_by", "u_mm", "status")
SITE_COLUMNS = ("id", "x_mm", "y_mm", "z_mm", "dx", "dy", "dz")
SITE_LEAN = 0.53
"""Candidate holes are aimed 62 degrees off the canal axis, which a tip bent by 60 degrees reaches."""
# Vertices of a tube beyond this are left out of a table: a person would not click more.
TABLE_TUBE_STEP_MM = 1.0


@dataclass(frozen=True, slots=True)
class CandidateHole:
    """A candidate hole of the sites table.

    Attributes
    ----------
    id
        Its name in the table.
    wall_angle_deg, rim_distance_mm
        Entry point.
    towards_nerve
        Aim at the facial canal instead of drilling as usual.
    """

    id: str
    wall_angle_deg: float
    rim_distance_mm: float
    towards_nerve: bool = False


def demo_sites(parameters: EarParameters) -> tuple[CandidateHole, ...]:
    """Two plausible holes, one more behind, one at the nerve, one where the carotid is not marked."""
    front, back = parameters.handle_hole_angles_deg
    return (
        CandidateHole("anterior_hole", front, parameters.handle_rim_distance_mm),
        CandidateHole("posterior_hole", back, parameters.handle_rim_distance_mm),
        CandidateHole("superior_hole", 355.0, 2.0),
        CandidateHole("further_behind", 55.0, 2.0),
        CandidateHole("at_the_nerve", 115.0, 1.0, towards_nerve=True),
        CandidateHole("inferior_anterior", 240.0, 2.0),
    )


def site_ray_lps(truth: EarTruth, hole: CandidateHole) -> tuple[np.ndarray, np.ndarray]:
    """Entry point and unit drill direction of a candidate hole, LPS."""
    layout = truth.ear.layout
    entry = layout.wall_point(hole.wall_angle_deg, hole.rim_distance_mm)
    if hole.towards_nerve:
        nearest = layout.facial_path[int(np.argmin(np.linalg.norm(layout.facial_path - entry, axis=1)))]
        direction = (nearest - entry) / np.linalg.norm(nearest - entry)
    else:
        direction = implants.drill_direction(layout, hole.wall_angle_deg, lean=SITE_LEAN)
    return truth.placement.to_lps(entry), truth.placement.directions_to_lps(direction)


def _text(values: Iterable[float]) -> list[str]:
    return [f"{v:.4f}" for v in values]


def _write_csv(path: Path, columns: Sequence[str], rows: Iterable[Sequence[str]]) -> None:
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.writer(stream, lineterminator="\n")
        writer.writerow(columns)
        writer.writerows(rows)


def write_landmarks(
    truth: EarTruth,
    path: Path,
    *,
    noise_mm: float = 0.0,
    observers: Sequence[str] = ("reviewer-1",),
    repeats: int = 1,
    seed: int = 0,
) -> None:
    """Write a landmark table, with clicks as scattered as asked.

    Parameters
    ----------
    truth
        The ear.
    path
        File to write.
    noise_mm
        Standard deviation of a click per axis; 0: exact.
    observers, repeats
        Pseudonyms, and how often each places every landmark.
    seed
        Of the scatter.

    Raises
    ------
    OSError
        When the file cannot be written.
    """
    rng = np.random.default_rng([66, seed])
    rows: list[list[str]] = []
    for name, mark in truth.landmarks.items():
        if mark.status in ("absent", "not_seen"):
            rows.append([name, "0", "", "", "", observers[0], "0", mark.status])
            continue
        for observer in observers:
            for repeat in range(repeats):
                rows += _placed_rows(mark, observer, repeat, noise_mm, rng)
    _write_csv(path, LANDMARK_COLUMNS, rows)


def _placed_rows(
    mark: TruePoint, observer: str, repeat: int, noise_mm: float, rng: np.random.Generator
) -> list[list[str]]:
    points = mark.points + noise_mm * rng.standard_normal(mark.points.shape)
    if mark.id.startswith("anchor_"):
        # The direction is set, not clicked: it keeps its true angle.
        points[1] = points[0] + (mark.points[1] - mark.points[0])
    return [[mark.id, str(i), *_text(p), observer, str(repeat), mark.status] for i, p in enumerate(points)]


def write_structures(
    truth: EarTruth,
    path: Path,
    *,
    names: Sequence[str] = MARKED_STRUCTURES,
    confirmed_by: str = "reviewer-1",
    noise_mm: float = 0.0,
    seed: int = 0,
    grid: Grid | None = None,
) -> None:
    """Write a structure table: tubes with radii, patches, the bulb; absent ones with their status.

    With a grid only what lies inside the scan is marked, as a person would: the longest stretch of a tube and what is
    there of a patch ("partial"), or "not_seen".

    Raises
    ------
    OSError
        When the file cannot be written.
    """
    rng = np.random.default_rng([67, seed])
    rows: list[list[str]] = []
    for name in names:
        s = truth.structures[name]
        if s.status == "absent":
            rows.append([name, "0", "", "", "", "", s.shape, confirmed_by, "", "absent"])
            continue
        keep = _table_vertices(s.points) if s.shape == "tube" else np.arange(len(s.points))
        points = s.points[keep] + noise_mm * rng.standard_normal((len(keep), 3))
        seen = np.arange(len(keep)) if grid is None else _inside(points, grid, in_order=s.shape == "tube")
        if len(seen) < FEWEST_MARKS[s.shape]:
            rows.append([name, "0", "", "", "", "", s.shape, confirmed_by, "", "not_seen"])
            continue
        status = s.status if len(seen) == len(keep) else "partial"
        for index, vertex in enumerate(seen):
            radius = "" if s.shape == "patch" else f"{s.radii[keep[vertex]]:.4f}"
            rows.append([name, str(index), *_text(points[vertex]), radius, s.shape, confirmed_by, "", status])
    _write_csv(path, STRUCTURE_COLUMNS, rows)


def _inside(points_lps: np.ndarray, grid: Grid, *, in_order: bool) -> np.ndarray:
    """Which points lie in the scan; of points in order the longest run."""
    index = grid.to_kji(points_lps)
    there = np.all((index >= 0.0) & (index <= np.array(grid.shape_kji) - 1.0), axis=1)
    found = np.flatnonzero(there)
    if not in_order or not len(found):
        return found
    runs = np.split(found, np.flatnonzero(np.diff(found) > 1) + 1)
    return max(runs, key=len)


def _table_vertices(points: np.ndarray) -> np.ndarray:
    """Vertices about a millimetre apart, both ends kept."""
    arc = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
    count = max(int(arc[-1] / TABLE_TUBE_STEP_MM) + 1, 3)
    return np.unique(np.searchsorted(arc, np.linspace(0.0, arc[-1], count)).clip(0, len(points) - 1))


def write_sites(truth: EarTruth, path: Path, *, holes: Sequence[CandidateHole] | None = None) -> None:
    """Write a table of candidate holes.

    Raises
    ------
    OSError
        When the file cannot be written.
    """
    rows = []
    for hole in demo_sites(truth.ear.parameters) if holes is None else holes:
        entry, direction = site_ray_lps(truth, hole)
        rows.append([hole.id, *_text(entry), *[f"{d:.6f}" for d in direction]])
    _write_csv(path, SITE_COLUMNS, rows)


def facts_text(truth: EarTruth, *, operations: Sequence[str] = ()) -> str:
    """Facts and findings of this ear as TOML."""
    p = truth.ear.parameters
    kinds = {s.kind for s in p.wall}
    words = {True: "present", False: "absent"}
    findings = {
        "aeration": words["mesotympanum" not in p.fills],
        "soft_tissue_attic": words["attic" in p.fills],
        "soft_tissue_niche": words["niche" in p.fills],
        "soft_tissue_mesotympanum": words["mesotympanum" in p.fills],
        "scutum": words["scutum_eroded" not in kinds],
        "tegmen_defect": words[p.tegmen_defect],
        "lateral_canal_fistula": "absent",
        "facial_dehiscence": words[p.facial_dehiscence_mm > 0.0],
        "high_jugular_bulb": words[p.jugular_bulb_top_mm > truth.ear.layout.rim_bottom_z],
        "carotid_variant": "absent",
        "narrow_niche": "absent",
    }
    wall = {"0-360": "intact"}
    if "taken_down" in kinds:
        wall = {"0-110": "taken_down", "110-360": "intact"}
    elif "earlier_hole" in kinds:
        wall = {"0-60": "earlier_holes", "60-300": "intact", "300-360": "earlier_holes"}
    elif "scutum_eroded" in kinds:
        wall = {"0-30": "eroded_scutum", "30-330": "intact", "330-360": "eroded_scutum"}
    lines = [
        f'side = "{truth.side}"',
        "only_hearing_ear = false",
        'facial_function = "normal on both sides"',
        f"earlier_operations = {json.dumps(list(operations))}",
        "nerve_seen_bare = false",
        f"chorda_cut = {'true' if p.chorda == 'divided' else 'false'}",
        f"wall_taken_down = {'true' if 'taken_down' in kinds else 'false'}",
        'footplate_mobility = "unknown"',
        "operated_since_scan = false",
        "",
        "[findings]",
        *[f'{k} = "{v}"' for k, v in findings.items()],
        "",
        "[canal_wall]",
        *[f'"{k}" = "{v}"' for k, v in wall.items()],
    ]
    return "\n".join(lines) + "\n"


def truth_dict(truth: EarTruth) -> dict[str, object]:
    """Truth with the walls along the candidate holes."""
    data = truth.to_dict()
    walls = []
    for hole in demo_sites(truth.ear.parameters):
        entry, direction = site_ray_lps(truth, hole)
        reading = truth.wall_thickness_along(entry, direction)[0]
        finite = {
            k: (round(v, 4) if np.isfinite(v) else None)
            for k, v in (("to_first_gap_mm", reading.to_first_gap_mm), ("to_exit_mm", reading.to_exit_mm))
        }
        walls.append({"id": hole.id, **finite, "far_side": reading.far_side})
    data["sites"] = walls
    return data


def write_tables(
    truth: EarTruth,
    folder: Path,
    *,
    noise_mm: float = 0.0,
    operations: Sequence[str] = (),
    confirmed_by: str = "reviewer-1",
    seed: int = 0,
    grid: Grid | None = None,
) -> None:
    """Write landmarks.csv, structures.csv, sites.csv, facts.toml and truth.json of one ear.

    Parameters
    ----------
    truth
        The ear.
    folder
        Made when missing.
    noise_mm
        Scatter of the landmark clicks per axis.
    operations
        Earlier operations for the facts.
    confirmed_by
        Pseudonym of who confirmed the structures ("" for nobody).
    seed
        Of the scatter.
    grid
        Of the scan: structures are marked only inside it. Without it everything is marked.

    Raises
    ------
    OSError
        When the folder cannot be written.
    """
    folder.mkdir(parents=True, exist_ok=True)
    write_landmarks(truth, folder / "landmarks.csv", noise_mm=noise_mm, seed=seed)
    write_structures(truth, folder / "structures.csv", confirmed_by=confirmed_by, grid=grid)
    write_sites(truth, folder / "sites.csv")
    (folder / "facts.toml").write_text(facts_text(truth, operations=operations), encoding="utf-8")
    write_json(truth_dict(truth), folder / "truth.json")


def write_json(data: object, path: Path) -> None:
    """Write JSON with sorted keys, one line per top-level part's element kept short."""
    path.write_text(json.dumps(data, sort_keys=True, separators=(",", ":")) + "\n", encoding="utf-8")
