"""Every adjustable number with its default, unit and origin; printed in full in every report."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from typing import Any

from ctmeasure.errors import SettingsError
from ctmeasure.volume.gates import THICKEST_SLICE_MM

OWN = "our choice from common practice, no source"
RECONSTRUCTION_WORDS = ("not chosen", "handle", "total", "partial", "piston", "no operation")
IMAGE_WORDS = ("when they agree", "always", "never")
CONTACT_WORDS = ("not chosen", "planned handle", "handle", "umbo", "drum", "incus", "malleus neck")


def _setting(
    default: Any, *, unit: str, words: str, origin: str = OWN, low: float = 0.0, high: float = math.inf
) -> Any:
    metadata = {"unit": unit, "words": words, "origin": origin, "low": low, "high": high}
    return field(default=default, metadata=metadata)


@dataclass(frozen=True, slots=True)
class Settings:
    """All settings of a plan. Angles in degrees, lengths in mm; a name ends in its unit.

    Example
    -------
    >>> Settings().bur_diameter_mm, Settings().margin_mm("facial_canal_mm")
    (0.6, 1.0)
    """

    bur_diameter_mm: float = _setting(
        0.6, unit="mm", words="bur diameter", origin="common practice, no source", low=0.2, high=3
    )
    run_out_mm: float = _setting(0.0, unit="mm", words="run-out of the bur", high=0.5)
    plunge_mm: float = _setting(
        1.0, unit="mm", words="over-travel past the exit beyond the opening term r(1 + tan psi)", high=5
    )
    margin_facial_canal_mm: float = _setting(1.0, unit="mm", words="margin to the facial canal", high=10)
    margin_facial_posterior_mm: float = _setting(
        1.4,
        unit="mm",
        words="margin to the facial canal on the posterior wall (45 to 165 degrees)",
        origin="Merati et al. 2021, Surg Radiol Anat 43:145-151, PMID 32809103",
        high=10,
    )
    margin_chorda_mm: float = _setting(0.5, unit="mm", words="margin to the chorda tympani", high=10)
    margin_other_mm: float = _setting(1.0, unit="mm", words="margin to every other structure", high=10)
    risk_facial: float = _setting(0.001, unit="1", words="accepted risk, facial canal", low=1e-5, high=0.5)
    risk_dura_joint_vein: float = _setting(
        0.01, unit="1", words="accepted risk, dura, joint and vein", low=1e-5, high=0.5
    )
    risk_chorda: float = _setting(0.05, unit="1", words="accepted risk, chorda tympani", low=1e-5, high=0.5)
    risk_other: float = _setting(0.01, unit="1", words="accepted risk, every other structure", low=1e-5, high=0.5)
    risk_rim_breakout: float = _setting(
        0.05,
        unit="1",
        words="accepted share of holes that break out at the rim: one in twenty, for such a hole is lost",
        low=1e-4,
        high=1.0,
    )
    risk_span_outside: float = _setting(
        0.2,
        unit="1",
        words="accepted share of pairs drilled with a span outside its limits: one in five, for arms bend",
        low=1e-4,
        high=1.0,
    )
    placement_noise_mm: float = _setting(
        0.3, unit="mm", words="placement noise of a landmark, per axis, when nothing better is known", low=0.0, high=3
    )
    image_landmarks: str = _setting(
        "when they agree",
        unit="word",
        words="footplate and drum found in the image are used: when they agree (with the click), always, or never",
    )
    tube_surface_u_mm: float = _setting(
        0.15, unit="mm", words="standard uncertainty of a confirmed structure's surface", high=3
    )
    unconfirmed_tube_u_mm: float = _setting(0.30, unit="mm", words="the same for an unconfirmed tube", high=3)
    patch_surface_u_mm: float = _setting(
        0.25, unit="mm", words="standard uncertainty of a patch or ball surface", high=3
    )
    scanner_scale_u: float = _setting(
        0.003,
        unit="1",
        words="standard uncertainty of the scanner's length scale (relative)",
        origin="from memory, to be replaced by a phantom reading",
        high=0.05,
    )
    hole_placement_u_mm: float = _setting(
        0.5, unit="mm", words="hole placement in the ear, per axis along the wall", high=3
    )
    drill_angle_u_deg: float = _setting(5.0, unit="deg", words="angle of the drill", high=30)
    skid_mm: float = _setting(0.2, unit="mm", words="skid of the bur at entry, times tan psi", high=2)
    angle_caution_deg: float = _setting(45.0, unit="deg", words="angle to the wall normal: caution above", high=90)
    angle_refused_deg: float = _setting(65.0, unit="deg", words="angle to the wall normal: refused above", high=90)
    approach: str = _setting("transcanal", unit="word", words="approach: transcanal, endaural or retroauricular")
    speculum_inner_diameter_mm: float = _setting(5.0, unit="mm", words="speculum inner diameter", low=2, high=12)
    speculum_length_mm: float = _setting(35.0, unit="mm", words="speculum length", low=5, high=80)
    speculum_lean_deg: float = _setting(
        10.0, unit="deg", words="how far the soft canal lets a speculum lean off the bony canal's axis", high=30
    )
    canalplasty_mm: float = _setting(
        0.0, unit="mm", words="what-if: overhang of the canal drilled away before the holes, at most", high=4
    )
    instrument_bend_deg: float = _setting(60.0, unit="deg", words="bend of the angled tip", high=120)
    instrument_tip_length_mm: float = _setting(5.0, unit="mm", words="length of the angled tip", low=1, high=15)
    instrument_shaft_diameter_mm: float = _setting(1.6, unit="mm", words="shaft diameter", low=0.3, high=5)
    instrument_tip_shank_diameter_mm: float = _setting(0.5, unit="mm", words="tip shank diameter", low=0.2, high=3)
    rim_distance_low_mm: float = _setting(1.0, unit="mm", words="hole rim distance, lower limit", low=-3, high=12)
    rim_distance_high_mm: float = _setting(3.0, unit="mm", words="hole rim distance, upper limit", low=0, high=12)
    map_rim_low_mm: float = _setting(0.0, unit="mm", words="map shown from this rim distance", low=-3, high=12)
    map_rim_high_mm: float = _setting(8.0, unit="mm", words="map shown to this rim distance", low=1, high=16)
    map_angle_step_deg: float = _setting(4.0, unit="deg", words="map step around the wall", low=1, high=30)
    map_rim_step_mm: float = _setting(0.5, unit="mm", words="map step along the wall", low=0.1, high=2)
    sector_start_deg: float = _setting(315.0, unit="deg", words="preferred search sector, start (wall angle)", high=360)
    sector_end_deg: float = _setting(60.0, unit="deg", words="preferred search sector, end (wall angle)", high=360)
    thickness_low_mm: float = _setting(0.7, unit="mm", words="wall thickness for a hole, lower limit", high=10)
    thickness_high_mm: float = _setting(3.0, unit="mm", words="wall thickness for a hole, upper limit", high=20)
    span_low_mm: float = _setting(2.5, unit="mm", words="hole span, lower limit", high=20)
    span_high_mm: float = _setting(5.0, unit="mm", words="hole span, upper limit", high=20)
    bridge_mm: float = _setting(1.0, unit="mm", words="bone bridge between the holes at entry and at exit", high=10)
    fit_window_low_mm: float = _setting(-0.25, unit="mm", words="fit window, too short by at most", low=-2, high=0)
    fit_window_high_mm: float = _setting(0.25, unit="mm", words="fit window, too long by at most", low=0, high=2)
    fit_windows: str = _setting(
        "",
        unit="word",
        words="fit windows of their own, such as 'piston -0.25 0.1; handle -0.5 0.5' (empty: the above)",
    )
    length_step_mm: float = _setting(
        0.25, unit="mm", words="length step", origin="common practice, no source", low=0.05, high=1
    )
    cost_too_long: float = _setting(
        0.0, unit="1", words="cost of a mm too long (0: off, sizes rank by P(fits))", high=100
    )
    cost_too_short: float = _setting(0.0, unit="1", words="cost of a mm too short (0: off)", high=100)
    cartilage_under_drum_mm: float = _setting(0.5, unit="mm", words="cartilage under a drum", low=0.0, high=2)
    cartilage_u_mm: float = _setting(0.1, unit="mm", words="standard uncertainty of the cartilage", high=1)
    arm_reach_mm: float = _setting(
        6.0, unit="mm", words="longest arm of the handle: from its top to the hole and through the bone", high=20
    )
    dehiscence_bulge_mm: float = _setting(
        0.3, unit="mm", words="bulge allowed for a facial nerve entered as dehiscent or seen bare", high=2
    )
    seat_u_mm: float = _setting(0.05, unit="mm", words="standard uncertainty of how the implant seats", high=1)
    piston_protrusion_mm: float = _setting(
        0.4, unit="mm", words="piston protrusion past the inner face of the footplate", high=1.0
    )
    footplate_thickness_mm: float = _setting(
        0.25,
        unit="mm",
        words="footplate thickness assumed for a piston (below resolution on CT)",
        origin="between histology 0.12 (PMC13004908) and micro-CT 0.30 (PMID 37622391)",
        low=0.05,
        high=0.6,
    )
    handle_tip_medial_mm: float = _setting(
        1.0,
        unit="mm",
        words="planned handle tip medial to the annulus plane when no mirrored umbo is known",
        low=-3,
        high=4,
    )
    handle_promontory_mm: float = _setting(
        1.5, unit="mm", words="planned handle tip off the promontory, at least", high=4
    )
    handle_placement_u_mm: float = _setting(
        0.4, unit="mm", words="how well the planned handle position is reached, per axis", high=2
    )
    drum_as_it_lies_limit_mm: float = _setting(
        1.5, unit="mm", words="beyond this lateralisation no size is offered for a drum as it lies", high=5
    )
    reconstruction: str = _setting(
        "not chosen", unit="word", words="reconstruction chosen: handle, total, partial, piston or no operation"
    )
    lateral_contact: str = _setting(
        "not chosen", unit="word", words="its lateral contact: planned handle, handle, umbo, drum, incus, malleus neck"
    )
    shaft_diameter_mm: float = _setting(
        0.4, unit="mm", words="shaft diameter when the catalogue states none", low=0.1, high=2.5
    )
    shoe_diameter_mm: float = _setting(
        0.8, unit="mm", words="shoe diameter when the catalogue states none", low=0.2, high=4
    )
    audiometry_u_db: float = _setting(
        2.55,
        unit="dB",
        words="test-retest standard uncertainty of one hearing threshold (5 dB at 95 %)",
        origin="from memory",
        high=15,
    )
    slice_limit_mm: float = _setting(
        THICKEST_SLICE_MM, unit="mm", words="slice spacing above which no drill plan is given", low=0.2, high=2
    )
    exit_gap_mm: float = _setting(
        1.0, unit="mm", words="an air gap this long ends the path (exit space)", low=0.3, high=3
    )
    arm_length_mm: float = _setting(
        12.0, unit="mm", words="how far along the drill direction an exit is looked for", low=3, high=25
    )
    confidence_digits: int = _setting(
        1,
        unit="1",
        words="significant digits of the adaptive Monte Carlo (2 takes about ten times the draws)",
        origin="JCGM 101:2008 clause 7.9",
        low=1,
        high=3,
    )
    draws_maximum: int = _setting(200000, unit="1", words="draws at most", low=1000, high=2_000_000)

    def __post_init__(self) -> None:
        for item in fields(self):
            value = getattr(self, item.name)
            if isinstance(value, str):
                continue
            low, high = item.metadata["low"], item.metadata["high"]
            if not (isinstance(value, (int, float)) and math.isfinite(value) and low <= value <= high):
                raise SettingsError(
                    f"setting '{item.name}' is {value}",
                    expected=f"{low:g} to {high:g} {item.metadata['unit']}",
                    action="correct the settings",
                )
        if self.approach not in ("transcanal", "endaural", "retroauricular"):
            raise SettingsError(
                f"approach '{self.approach}'",
                expected="transcanal, endaural or retroauricular",
                action="correct the settings",
            )
        for name, words in (
            ("reconstruction", RECONSTRUCTION_WORDS),
            ("lateral_contact", CONTACT_WORDS),
            ("image_landmarks", IMAGE_WORDS),
        ):
            if getattr(self, name) not in words:
                raise SettingsError(
                    f"{name} '{getattr(self, name)}'", expected=", ".join(words), action="correct the settings"
                )
        fit_windows_of(self.fit_windows)
        for low_name, high_name in (
            ("rim_distance_low_mm", "rim_distance_high_mm"),
            ("map_rim_low_mm", "map_rim_high_mm"),
            ("thickness_low_mm", "thickness_high_mm"),
            ("span_low_mm", "span_high_mm"),
            ("angle_caution_deg", "angle_refused_deg"),
            ("instrument_shaft_diameter_mm", "speculum_inner_diameter_mm"),
        ):
            if not getattr(self, low_name) < getattr(self, high_name):
                raise SettingsError(
                    f"'{low_name}' {getattr(self, low_name):g} is not below '{high_name}' {getattr(self, high_name):g}",
                    expected="lower limit below upper limit",
                    action="correct the settings",
                )

    def fit_window_mm(self, reconstruction: str) -> tuple[float, float]:
        """Fit window of one reconstruction, too short and too long by at most, mm: its own, else the general one.

        Example
        -------
        >>> Settings(fit_windows="piston -0.25 0.1").fit_window_mm("piston"), Settings().fit_window_mm("piston")
        ((-0.25, 0.1), (-0.25, 0.25))
        """
        own = fit_windows_of(self.fit_windows) if self.fit_windows else {}
        return own.get(reconstruction, (self.fit_window_low_mm, self.fit_window_high_mm))

    @property
    def bur_radius_mm(self) -> float:
        """Radius that the bur sweeps, run-out included, mm."""
        return self.bur_diameter_mm / 2.0 + self.run_out_mm

    def margin_mm(self, margin_key: str, *, posterior: bool = False) -> float:
        """Margin of a structure by the key in its vocabulary row, mm; the facial canal's is larger at the back.

        Raises
        ------
        SettingsError
            For an unknown key.
        """
        known = {
            "facial_canal_mm": self.margin_facial_posterior_mm if posterior else self.margin_facial_canal_mm,
            "chorda_mm": self.margin_chorda_mm,
            "other_mm": self.margin_other_mm,
        }
        if margin_key not in known:
            raise SettingsError(f"unknown margin '{margin_key}'", expected=", ".join(known))
        return known[margin_key]

    def accepted_risk(self, risk_key: str) -> float:
        """Accepted risk by the key in the structure's vocabulary row.

        Raises
        ------
        SettingsError
            For an unknown key.
        """
        known = {
            "facial": self.risk_facial,
            "chorda": self.risk_chorda,
            "dura_joint_vein": self.risk_dura_joint_vein,
            "other": self.risk_other,
        }
        if risk_key not in known:
            raise SettingsError(f"unknown risk '{risk_key}'", expected=", ".join(known))
        return known[risk_key]


def fit_windows_of(text: str) -> dict[str, tuple[float, float]]:
    """Fit windows by reconstruction from the words of the setting.

    Parameters
    ----------
    text
        ``reconstruction low high``, separated by semicolons, mm; low from -2 to 0, high from 0 to 2.

    Returns
    -------
    dict

    Raises
    ------
    SettingsError
        When it is not understood.

    Example
    -------
    >>> fit_windows_of("piston -0.25 0.1; handle -0.5 0.5")["handle"]
    (-0.5, 0.5)
    """
    found: dict[str, tuple[float, float]] = {}
    for part in (piece.split() for piece in text.split(";") if piece.strip()):
        try:
            name, low, high = part[0], float(part[1]), float(part[2])
            good = len(part) == 3 and name in RECONSTRUCTION_WORDS[1:5] and name not in found
            good = good and -2.0 <= low <= 0.0 <= high <= 2.0
        except (IndexError, ValueError):
            good = False
        if not good:
            raise SettingsError(
                f"fit_windows has '{' '.join(part)}'",
                expected="such as 'piston -0.25 0.1; handle -0.5 0.5', each reconstruction once, in mm",
                action="correct the settings",
            )
        found[name] = (low, high)
    return found


@dataclass(frozen=True, slots=True)
class SettingRow:
    """One setting as printed in the report."""

    name: str
    words: str
    value: str
    unit: str
    origin: str
    changed: bool


def settings_from_mapping(data: Mapping[str, Any]) -> Settings:
    """Settings from a parsed TOML table; keys that are not given keep their default.

    Parameters
    ----------
    data
        Flat table: setting name to value.

    Returns
    -------
    Settings

    Raises
    ------
    SettingsError
        For an unknown name, a wrong type or a value out of range.

    Example
    -------
    >>> settings_from_mapping({"bur_diameter_mm": 0.5}).bur_radius_mm
    0.25
    """
    known = {item.name: item for item in fields(Settings)}
    values: dict[str, Any] = {}
    for name, value in data.items():
        if name not in known:
            import difflib

            near = difflib.get_close_matches(name, known, n=1)
            raise SettingsError(
                f"unknown setting '{name}'",
                expected="a setting printed in the report",
                action=f"did you mean '{near[0]}'?" if near else "remove it",
            )
        default: Any = known[name].default
        if not _same_kind(value, default):
            raise SettingsError(
                f"setting '{name}' is {value!r}", expected=f"a value such as {default!r}", action="correct it"
            )
        values[name] = value if isinstance(default, str) else type(default)(value)
    return replace(Settings(), **values)


def _same_kind(value: Any, default: Any) -> bool:
    """Whether a given value can stand for a default: text for text, a whole number for a whole number."""
    if isinstance(default, str) or isinstance(value, str):
        return isinstance(default, str) and isinstance(value, str)
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        return False
    return isinstance(default, float) or float(value).is_integer()


SAFETY_PREFIXES = {"margin_": -1, "risk_": 1, "hole_placement_u_mm": -1, "drill_angle_u_deg": -1, "plunge_mm": -1}
"""Settings that make verdicts more lenient when they go this way."""


def loosened(settings: Settings) -> tuple[str, ...]:
    """Safety settings that the user made more lenient than the default, a sentence each.

    Example
    -------
    >>> loosened(Settings(margin_chorda_mm=0.2))
    ('more lenient than the default: margin to the chorda tympani 0.2 mm (default 0.5)',)
    """
    found = []
    for item in fields(settings):
        way = next((w for prefix, w in SAFETY_PREFIXES.items() if item.name.startswith(prefix)), 0)
        value, default = getattr(settings, item.name), item.default
        if way and (value - default) * way > 0:
            unit = "" if item.metadata["unit"] == "1" else f" {item.metadata['unit']}"
            found.append(
                f"more lenient than the default: {item.metadata['words']} {value:g}{unit} (default {default:g})"
            )
    return tuple(found)


def setting_rows(settings: Settings) -> tuple[SettingRow, ...]:
    """Every setting with unit and origin, in the order of the class, for the report.

    Example
    -------
    >>> setting_rows(Settings())[0].value
    '0.6'
    """
    rows = []
    for item in fields(Settings):
        value = getattr(settings, item.name)
        changed = value != item.default
        origin = "set by the user" if changed else item.metadata["origin"]
        text = value if isinstance(value, str) else f"{value:g}"
        rows.append(SettingRow(item.name, item.metadata["words"], text, item.metadata["unit"], origin, changed))
    return tuple(rows)
