"""The shipped samples: what each one is, and how to make it (and any random case) again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from ctmeasure.progress import Progress, no_progress
from ctmeasure_samples.model import EarModel, build_ear
from ctmeasure_samples.parameters import (
    EarParameters,
    HeadParameters,
    ScannerParameters,
    WallState,
    healthy_ear,
    random_ear,
    random_scanner,
)
from ctmeasure_samples.placement import Side, place_ear
from ctmeasure_samples.scanner import Grid, make_grid, scan
from ctmeasure_samples.truth import EarTruth

# A random case is cropped to this around the middle ear (slices, rows, columns).
RANDOM_CROP_MM = (40.0, 40.0, 40.0)


@dataclass(frozen=True)
class SampleCase:
    """One sample, ready to be scanned: ears, head, scanner, grid and names.

    Attributes
    ----------
    name
        Folder name.
    title
        One line for a list.
    side
        The ear the case is about.
    ears
        Parameters by side; one or both.
    head, scanner
        Pose and setting.
    size_mm, centre_ear_mm
        Extent along slices, rows, columns, and the crop's middle in the case's ear frame; None: the head's midline.
    row_direction, column_direction
        Orientation of the slices.
    patient_id, patient_name, date
        Invented.
    operations
        Earlier operations, for the facts.
    """

    name: str
    title: str
    side: Side
    ears: tuple[tuple[Side, EarParameters], ...]
    head: HeadParameters
    scanner: ScannerParameters
    size_mm: tuple[float, float, float]
    centre_ear_mm: tuple[float, float, float] | None
    patient_id: str
    patient_name: str
    date: str
    operations: tuple[str, ...] = ()
    row_direction: tuple[float, float, float] = (1.0, 0.0, 0.0)
    column_direction: tuple[float, float, float] = (0.0, 1.0, 0.0)


def revision_parameters() -> EarParameters:
    """The diseased right ear of the planning scan."""
    return replace(
        healthy_ear(7),
        rim_height_mm=9.1,
        rim_width_mm=8.3,
        superior_plate_mm=1.0,
        posterior_plate_mm=1.5,
        anterior_superior_wall_mm=1.9,
        malleus="absent",
        incus="absent",
        stapes_arch="eroded",
        drum="lateralised",
        drum_lateralisation_mm=2.4,
        drum_thickness_mm=0.35,
        wall=(WallState("cellular", 85.0, 50.0, 1.0),),
        facial_dehiscence_mm=0.0,
        posterior_wall_to_facial_mm=3.6,
        facial_beyond_rim_plane_mm=0.1,
        second_genu_deg=115.0,
        chorda="present",
        jugular_bulb_top_mm=-7.5,
        pneumatisation=0.62,
        cell_mm=2.1,
        cortical_hu=1620.0,
        footplate_to_facial_mm=1.6,
    )


def healthy_parameters() -> EarParameters:
    """The healthy left ear of the same head: the mirror image with small differences."""
    right = revision_parameters()
    return replace(
        right,
        seed=1007,
        malleus="present",
        incus="present",
        stapes_arch="present",
        drum="conical",
        drum_thickness_mm=0.12,
        wall=(),
        rim_height_mm=9.2,
        facial_beyond_rim_plane_mm=-0.2,
        posterior_wall_to_facial_mm=3.8,
        pneumatisation=0.85,
        cell_mm=2.3,
        cortical_hu=1640.0,
        hypotympanum_depth_mm=right.hypotympanum_depth_mm + 0.3,
    )


def _cases() -> tuple[SampleCase, ...]:
    head = HeadParameters(yaw_deg=3.0, pitch_deg=-4.0, roll_deg=2.0, centre_lps=(4.0, -12.0, 21.0))
    later_head = replace(head, yaw_deg=-6.0, pitch_deg=5.0, roll_deg=-4.0, centre_lps=(-3.0, 9.0, -34.0))
    clinical = ScannerParameters(spacing_mm=(0.4, 0.3, 0.3), noise_hu=60.0, kernel="BONE-SMOOTH", seed=701)
    cone_beam = ScannerParameters(
        spacing_mm=(0.2, 0.2, 0.2),
        fwhm_in_plane_mm=0.32,
        fwhm_through_plane_mm=0.32,
        noise_hu=70.0,
        noise_fwhm_mm=0.34,
        clip_hu=(-1100.0, 4200.0),
        gain=0.82,
        offset=930.0,
        kernel="CONE-BEAM",
        seed=703,
    )
    right, left = revision_parameters(), healthy_parameters()
    with_handle = replace(right, drum="relaid", drum_thickness_mm=0.5, new_handle=True)
    single = healthy_ear(23)
    return (
        SampleCase(
            name="revision_ear",
            title="planning scan: right ear without malleus and incus, lateralised drum; left ear healthy",
            side="right",
            ears=(("right", right), ("left", left)),
            head=head,
            scanner=clinical,
            size_mm=(44.0, 57.0, 147.0),
            centre_ear_mm=None,
            patient_id="SAMPLE-01",
            patient_name="SAMPLE^ONE",
            date="20250310",
            operations=(
                "tympanoplasty with incus transposition",
                "second look, ossicular chain removed, facial nerve covered",
            ),
        ),
        SampleCase(
            name="revision_ear_later",
            title="the same right ear half a year later: new handle on two holes, drum re-laid, other head pose",
            side="right",
            ears=(("right", with_handle),),
            head=later_head,
            scanner=replace(clinical, seed=702, spacing_mm=(0.4, 0.32, 0.32)),
            size_mm=(44.0, 52.0, 58.0),
            centre_ear_mm=(-1.0, 3.0, 0.0),
            patient_id="SAMPLE-01",
            patient_name="SAMPLE^ONE",
            date="20250922",
            operations=("new malleus handle on two holes, drum re-laid with cartilage",),
            row_direction=(0.9975, 0.05, 0.05),
            column_direction=(-0.05, 0.9975, 0.05),
        ),
        SampleCase(
            name="cone_beam_ear",
            title="clean left ear on a cone-beam device, grey values not calibrated",
            side="left",
            ears=(("left", single),),
            head=replace(head, yaw_deg=-2.0, roll_deg=1.0, centre_lps=(-46.0, 0.0, 0.0)),
            scanner=cone_beam,
            size_mm=(36.0, 40.0, 42.0),
            centre_ear_mm=(0.0, 2.0, 0.0),
            patient_id="SAMPLE-02",
            patient_name="SAMPLE^TWO",
            date="20250514",
        ),
    )


def samples() -> dict[str, SampleCase]:
    """Shipped cases by name.

    Example
    -------
    >>> list(samples())
    ['revision_ear', 'revision_ear_later', 'cone_beam_ear']
    """
    return {case.name: case for case in _cases()}


def random_case(seed: int) -> SampleCase:
    """A random ear in a random scanner, cropped to 40 mm; side and head pose free.

    Parameters
    ----------
    seed
        Same seed, same case.

    Returns
    -------
    SampleCase
        Ready for `scan_case`.

    Raises
    ------
    Nothing.

    Example
    -------
    >>> random_case(4).scanner == random_case(4).scanner
    True
    """
    rng = np.random.default_rng([55, seed])
    side: Side = "left" if rng.random() < 0.5 else "right"
    head = HeadParameters(
        yaw_deg=float(rng.uniform(-12, 12)),
        pitch_deg=float(rng.uniform(-15, 15)),
        roll_deg=float(rng.uniform(-12, 12)),
        centre_lps=tuple(float(v) for v in rng.uniform(-40, 40, 3)),  # type: ignore[arg-type]
        rim_to_midline_mm=float(rng.uniform(43, 49)),
        lateral_canal_pitch_deg=float(rng.uniform(14, 24)),
        seed=seed,
    )
    return SampleCase(
        name=f"random_{seed}",
        title=f"random ear {seed}",
        side=side,
        ears=((side, random_ear(seed)),),
        head=head,
        scanner=random_scanner(seed),
        size_mm=RANDOM_CROP_MM,
        centre_ear_mm=(0.0, 2.0, 0.0),
        patient_id=f"SAMPLE-R{seed}",
        patient_name=f"SAMPLE^RANDOM {seed}",
        date="20250101",
    )


def case_truths(case: SampleCase) -> dict[Side, EarTruth]:
    """Truth of every ear of a case, by side."""
    return {side: EarTruth(build_ear(p, case.head), place_ear(case.head, side)) for side, p in case.ears}


def case_grid(case: SampleCase) -> Grid:
    """Voxel grid of a case."""
    from ctmeasure_samples.placement import head_pose

    if case.centre_ear_mm is None:
        centre = head_pose(case.head)[:3, :3] @ np.array([0.0, 3.0, 1.0]) + np.array(case.head.centre_lps)
    else:
        centre = place_ear(case.head, case.side).to_lps(np.array(case.centre_ear_mm))
    return make_grid(
        centre,
        case.size_mm,
        spacing_mm=case.scanner.spacing_mm,
        row_direction=case.row_direction,
        column_direction=case.column_direction,
    )


def scan_case(
    case: SampleCase, truths: dict[Side, EarTruth] | None = None, *, progress: Progress = no_progress
) -> tuple[np.ndarray, Grid]:
    """Scan a case.

    Parameters
    ----------
    case
        What to scan.
    truths
        From `case_truths`, when they are there already.
    progress
        Listener; may cancel.

    Returns
    -------
    (numpy.ndarray, Grid)
        int16 voxels and where they lie.

    Raises
    ------
    ctmeasure.errors.Cancelled
        When the listener stops it.
    """
    truths = case_truths(case) if truths is None else truths
    ears: Sequence[tuple[EarModel, object]] = [(t.ear, t.placement) for t in truths.values()]
    grid = case_grid(case)
    return scan(ears, grid, case.scanner, progress=progress), grid  # type: ignore[arg-type]


def generate(case: SampleCase, folder: Path, *, progress: Progress = no_progress) -> None:
    """Make one case from nothing: series, tables and truth.

    Parameters
    ----------
    case
        What to make.
    folder
        Its folder: DICOM files in `dicom/`, tables beside it, everything true in `truth/`.
    progress
        Listener; may cancel.

    Raises
    ------
    OSError
        When the folder cannot be written.
    ctmeasure.errors.Cancelled
        When the listener stops it.
    """
    from ctmeasure_samples.dicom import SeriesIdentity, write_series

    truths = case_truths(case)
    values, grid = scan_case(case, truths, progress=progress)
    identity = SeriesIdentity(case.name, "1", case.patient_id, case.patient_name, case.date, case.title[:64])
    write_series(values, grid, folder / "dicom", identity=identity, scanner=case.scanner)
    write_case_tables(case, truths, folder)


def write_case_tables(case: SampleCase, truths: dict[Side, EarTruth], folder: Path) -> None:
    """Write a case's input tables and its `truth/` (no scan).

    Parameters
    ----------
    case, truths
        The case and the truth of its ears.
    folder
        Made when missing.

    Raises
    ------
    OSError
        When the folder cannot be written.
    """
    from ctmeasure_samples.tables import truth_dict, write_json, write_landmarks, write_tables

    write_tables(truths[case.side], folder, operations=case.operations, grid=case_grid(case))
    (folder / "truth").mkdir(exist_ok=True)
    (folder / "truth.json").replace(folder / "truth" / f"truth_{case.side}.json")
    for side, truth in truths.items():
        if side != case.side:
            write_landmarks(truth, folder / f"landmarks_{side}.csv")
            write_json(truth_dict(truth), folder / "truth" / f"truth_{side}.json")
    write_json(scan_facts(case, case_grid(case)), folder / "truth" / "scan.json")


def scan_facts(case: SampleCase, grid: Grid) -> dict[str, object]:
    """Grid and scanner of a case as plain numbers."""
    s = case.scanner
    return {
        "name": case.name,
        "title": case.title,
        "side": case.side,
        "shape_kji": list(grid.shape_kji),
        "affine_lps": np.round(grid.affine_lps, 9).tolist(),
        "spacing_mm": list(s.spacing_mm),
        "fwhm_in_plane_mm": s.fwhm_in_plane_mm,
        "fwhm_through_plane_mm": s.fwhm_through_plane_mm,
        "noise_hu": s.noise_hu,
        "overshoot": s.overshoot,
        "gain": s.gain,
        "offset": s.offset,
    }


def series_bytes(folder: Path) -> int:
    """Size of all files of a sample."""
    return sum(f.stat().st_size for f in folder.rglob("*") if f.is_file())
