"""The tables of the scan, the settings and where everything comes from."""

from __future__ import annotations

from typing import Any

from ctmeasure.case.model import Case
from ctmeasure.planning.settings import setting_rows
from ctmeasure.report.content import Column, Table
from ctmeasure.report.numbers import fixed, unit_words
from ctmeasure.report.page_one import date_words
from ctmeasure.report.plain import plain

FITNESS_WORDS = {
    "spacing_mm": ("Spacing (slices, rows, columns)", "mm"),
    "coverage_mm": ("Extent of the scan (slices, rows, columns)", "mm"),
    "point_spread_in_plane_mm": ("Point spread in plane, full width at half maximum", "mm"),
    "point_spread_in_plane_u_mm": ("Its standard uncertainty", "mm"),
    "point_spread_through_plane_mm": ("Point spread through plane, full width at half maximum", "mm"),
    "point_spread_through_plane_u_mm": ("Its standard uncertainty, through plane", "mm"),
    "noise_hu": ("Noise (standard deviation)", "{unit}"),
    "overshoot_fraction": ("Overshoot at edges, share of the step", ""),
    "metal": ("Metal", ""),
    "clipped": ("Values of metal cut off", ""),
    "edges_used": ("Edges the point spread rests on", ""),
    "point_spread_flags": ("Said of the point spread", ""),
    "gates": ("What this scan rules out", ""),
    "warnings": ("Warnings of the scan", ""),
    "air_level": ("Air reads", "{unit}"),
    "soft_level": ("Soft tissue reads", "{unit}"),
    "bone_level": ("Bone reads", "{unit}"),
    "motion_slices": ("Slices where the picture jumps", ""),
    "supports": ("What this scan can be expected to give", ""),
}
"""What the fields of the fitness are called on paper, and their unit."""
BOX_FIELDS = ("spacing_mm", "coverage_mm")


def fitness_table(case: Case) -> Table:
    """What scan it is and what it is good for.

    Raises
    ------
    Nothing.
    """
    columns = (Column("Scan and fitness", share=1), Column("", share=3))
    k, j, i = case.scan.spacing_mm
    rows = [
        ("Series", case.scan.description or "no description"),
        ("Grid", f"{' x '.join(str(n) for n in case.scan.shape_kji)} (slices, rows, columns)"),
        ("Spacing, mm", f"{fixed(i)} x {fixed(j)} in plane, slices every {fixed(k)}"),
        ("Slice thickness, mm", fixed(case.scan.slice_thickness_mm)),
        ("Kernel", case.scan.kernel or "not stated"),
        ("Modality, unit", f"{case.scan.modality or 'not stated'}, {case.scan.intensity_unit}"),
        ("Scan date", date_words(case.scan.date)),
    ]
    if case.fitness is None:
        rows.append(("Fitness", "not assessed"))
    else:
        unit = case.scan.intensity_unit
        for name, value in plain(case.fitness).items():
            label, of = FITNESS_WORDS.get(name, (name.replace("_", " "), ""))
            shown = " x ".join(fixed(item) for item in value) if name in BOX_FIELDS else _words(value)
            after = f" {of.format(unit=unit)}" if of and value is not None else ""
            rows.append((label, shown + after))
    return Table("fitness", "Scan, fitness and gates", columns, tuple(rows))


def _words(value: Any) -> str:
    if value is None:
        return "not known"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return fixed(value)
    if isinstance(value, list):
        return "; ".join(_words(item) for item in value) if value else "none"
    if isinstance(value, dict):
        return "; ".join(f"{key.replace('_', ' ')} {_words(item)}" for key, item in value.items()) or "none"
    return str(value)


def settings_table(case: Case) -> Table:
    """Every setting with its origin.

    Raises
    ------
    Nothing.
    """
    columns = (
        Column("Setting", share=3),
        Column("Value", numeric=True, share=0.9),
        Column("Unit", share=0.6),
        Column("Origin", share=3.4),
    )
    rows = tuple(
        (row.words, row.value, unit_words(row.unit), row.origin.upper() if row.changed else row.origin)
        for row in setting_rows(case.settings)
    )
    return Table(
        "settings",
        "Settings and where each comes from",
        columns,
        rows,
        "SET BY THE USER, in capital letters: not the default.",
    )


def provenance_table(case: Case, fingerprint: str) -> Table:
    """Where scan, case and numbers come from.

    Raises
    ------
    Nothing.
    """
    columns = (Column("Provenance", share=1), Column("", share=3))
    result = case.results
    rows = [
        ("Series UID", case.scan.series_uid or "none"),
        ("Study UID", case.scan.study_uid or "none"),
        ("Frame of reference", case.scan.frame_of_reference_uid or "none"),
        ("Content hash (SHA-256)", case.scan.content_hash or "none"),
        ("Case", f"{fingerprint}, schema {case.schema_version}"),
        ("Software", f"ctmeasure {result.version}" if result else "nothing computed"),
        ("Seed", str(result.seed if result else case.seed)),
    ]
    if result:
        rows += [(key.replace("_", " "), _words(plain(value))) for key, value in result.provenance.items()]
    rows.append(("History (times are in case.json)", "; ".join(step.action for step in case.history) or "none"))
    return Table("provenance", "Provenance", columns, tuple(rows))
