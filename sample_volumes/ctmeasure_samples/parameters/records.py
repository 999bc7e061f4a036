"""The parameters of one ear, of a head and of a scanner; values are millimetres unless the name says otherwise."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Ossicle = Literal["present", "eroded", "absent"]
WallKind = Literal["solid", "cellular", "scutum_eroded", "taken_down", "earlier_hole", "suture"]


@dataclass(frozen=True, slots=True)
class WallState:
    """State of the bony canal wall in one sector.

    Attributes
    ----------
    kind
        solid, cellular, scutum_eroded, taken_down, earlier_hole or suture.
    centre_deg
        Wall angle of the sector's middle: 0 superior, 90 posterior, 180 inferior, 270 anterior.
    width_deg
        Width of the sector.
    plate_mm
        Bone between canal and what lies behind it, at the rim end of the sector (solid, cellular).
    rim_distance_mm
        Where an earlier hole was drilled.
    """

    kind: WallKind
    centre_deg: float
    width_deg: float = 40.0
    plate_mm: float = 1.0
    rim_distance_mm: float = 2.0


@dataclass(frozen=True, slots=True)
class StrutState:
    """An old total prosthesis of titanium: a flat-ended rod with a flat disc as its head.

    Attributes
    ----------
    place
        "standing" on the footplate, or "slipped" onto the floor of the middle ear.
    length_mm
        From the foot's end to the outer face of the head.
    shaft_radius_mm, head_radius_mm, head_thickness_mm
        Sizes; a head radius of 0 is a bare rod.
    gap_mm
        Between footplate and foot, where it stands.
    lean
        Leaning of the axis: parts posterior and superior for one part outwards.
    """

    place: Literal["standing", "slipped"] = "standing"
    length_mm: float = 4.5
    shaft_radius_mm: float = 0.2
    head_radius_mm: float = 1.3
    head_thickness_mm: float = 0.2
    gap_mm: float = 0.0
    lean: tuple[float, float] = (0.0, 0.0)


@dataclass(frozen=True, slots=True)
class EarParameters:
    """Anatomy and findings of one ear, without a side.

    The defaults are a plain healthy ear of mean dimensions.
    """

    seed: int = 0

    # Canal and rim
    rim_height_mm: float = 9.0
    rim_width_mm: float = 8.4
    rim_facing_down_deg: float = 24.0
    rim_facing_forward_deg: float = 13.0
    canal_up_deg: float = 6.0
    canal_back_deg: float = 4.0
    isthmus_height_mm: float = 6.9
    isthmus_width_mm: float = 5.7
    bony_length_mm: float = 16.0
    canal_length_mm: float = 31.0
    bend_mm: float = 2.6
    canal_skin_mm: float = 0.12
    anterior_superior_wall_mm: float = 1.92
    anterior_inferior_wall_mm: float = 2.54
    inferior_wall_mm: float = 9.2
    superior_plate_mm: float = 0.9
    posterior_plate_mm: float = 1.6
    wall: tuple[WallState, ...] = ()

    # Drum
    drum: Literal["conical", "lateralised", "relaid"] = "conical"
    umbo_depth_mm: float = 1.7
    drum_thickness_mm: float = 0.13
    drum_lateralisation_mm: float = 2.4
    anterior_blunting_mm: float = 0.0

    # Middle ear
    umbo_to_promontory_mm: float = 2.0
    hypotympanum_depth_mm: float = 2.0
    attic_width_mm: float = 6.4
    tegmen_height_mm: float = 6.0
    tegmen_plate_mm: float = 1.0
    tegmen_defect: bool = False
    fills: tuple[str, ...] = ()

    # Ossicles, footplate
    malleus: Ossicle = "present"
    incus: Ossicle = "present"
    stapes_arch: Ossicle = "present"
    stapes_height_mm: float = 3.43
    footplate_length_mm: float = 2.9
    footplate_width_mm: float = 1.4
    footplate_thickness_mm: float = 0.25
    footplate_depth_mm: float = 5.5
    inner_ear_scale: float = 1.0
    lateral_canal_tilt_deg: tuple[float, float] = (0.0, 0.0)

    # Facial nerve and chorda
    footplate_to_facial_mm: float = 1.6
    facial_radius_mm: float = 0.62
    posterior_wall_to_facial_mm: float = 3.66
    facial_beyond_rim_plane_mm: float = -0.03
    second_genu_deg: float = 114.0
    labyrinthine_length_mm: float = 2.89
    geniculate_length_mm: float = 2.52
    tympanic_length_mm: float = 11.75
    mastoid_length_mm: float = 14.5
    facial_dehiscence_mm: float = 0.0
    chorda: Literal["present", "divided"] = "present"
    chorda_entry_share: float = 0.62
    chorda_origin_above_foramen_mm: float = 4.0

    # Neighbours
    jugular_bulb_top_mm: float = -6.3
    jugular_bulb_radius_mm: float = 4.0
    sigmoid_behind_facial_mm: float = 8.2

    # Mastoid
    pneumatisation: float = 0.8
    cell_mm: float = 2.0
    septum_mm: float = 0.35
    closed_cells: float = 0.12

    # Implants
    old_strut: bool = False
    strut: StrutState | None = None
    new_handle: bool = False
    handle_hole_angles_deg: tuple[float, float] = (334.0, 18.0)
    handle_rim_distance_mm: float = 2.0

    # Grey levels
    cortical_hu: float = 1650.0
    capsule_hu: float = 2150.0
    cortical_sd_share: float = 0.08


@dataclass(frozen=True, slots=True)
class HeadParameters:
    """What both ears share: where they sit in the head and what surrounds them.

    Attributes
    ----------
    rim_to_midline_mm
        From the centre of the drum rim to the mid-sagittal plane.
    lateral_canal_pitch_deg
        How far the lateral-semicircular-canal plane is tipped, anterior up, against the head's horizontal.
    yaw_deg, pitch_deg, roll_deg
        Head pose in the scanner about the patient's superior, left and posterior axis.
    centre_lps
        Where the head's origin (midline, level of the rims) lies in the scanner.
    """

    rim_to_midline_mm: float = 46.0
    lateral_canal_pitch_deg: float = 19.0
    yaw_deg: float = 0.0
    pitch_deg: float = 0.0
    roll_deg: float = 0.0
    centre_lps: tuple[float, float, float] = (0.0, 0.0, 0.0)
    seed: int = 0


@dataclass(frozen=True, slots=True)
class ScannerParameters:
    """How the scanner sees: sampling, blur, noise, artefacts.

    Attributes
    ----------
    spacing_mm
        Slice step, row step, column step.
    fwhm_in_plane_mm, fwhm_through_plane_mm
        Gaussian point spread.
    overshoot
        Share of a wider negative Gaussian in plane (sharp kernel); 0: none.
    noise_hu, noise_fwhm_mm
        Standard deviation and correlation length (full width at half maximum) of the noise.
    clip_hu
        Lowest and highest value that is kept.
    streaks
        Streaks at metal.
    gain, offset
        Grey value = gain * HU + offset; (1, 0) is calibrated.
    kernel
        Name written to the series.
    """

    spacing_mm: tuple[float, float, float] = (0.4, 0.3, 0.3)
    fwhm_in_plane_mm: float = 0.46
    fwhm_through_plane_mm: float = 0.57
    overshoot: float = 0.0
    noise_hu: float = 60.0
    noise_fwhm_mm: float = 0.45
    clip_hu: tuple[float, float] = (-1024.0, 3071.0)
    streaks: bool = True
    gain: float = 1.0
    offset: float = 0.0
    kernel: str = "BONE-SMOOTH"
    seed: int = 0

    @property
    def calibrated(self) -> bool:
        """Whether grey values are Hounsfield units."""
        return self.gain == 1.0 and self.offset == 0.0
