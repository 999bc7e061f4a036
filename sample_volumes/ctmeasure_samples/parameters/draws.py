"""Random ears and scanners: dimensions drawn from published distributions.

Every drawn parameter carries the publication its distribution comes from; "own choice" marks what no publication gives.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ctmeasure_samples.parameters.records import EarParameters, ScannerParameters, WallState

# A draw further out than this many standard deviations is drawn again: ears in the tails are rare, not impossible.
DRAW_LIMIT_SD = 2.2


def _normal(rng: np.random.Generator, mean: float, sd: float, low: float = -np.inf, high: float = np.inf) -> float:
    """One value of a normal distribution cut at DRAW_LIMIT_SD standard deviations and at hard limits."""
    while True:
        z = float(rng.standard_normal())
        value = mean + sd * z
        if abs(z) <= DRAW_LIMIT_SD and low <= value <= high:
            return value


def _pick(rng: np.random.Generator, options: dict[str, float]) -> str:
    """One key, drawn with the given weights."""
    names = list(options)
    weights = np.array([options[n] for n in names])
    return names[int(rng.choice(len(names), p=weights / weights.sum()))]


def healthy_ear(seed: int) -> EarParameters:
    """Draw a healthy ear.

    Parameters
    ----------
    seed
        Same seed, same ear.

    Returns
    -------
    EarParameters
        Dimensions drawn from published distributions.

    Raises
    ------
    Nothing.

    Notes
    -----
    Dimensions are drawn independently, except where the anatomy would otherwise contradict itself.

    Example
    -------
    >>> healthy_ear(3) == healthy_ear(3)
    True
    """
    rng = np.random.default_rng([20251, seed])
    # Canal area at the annulus 56 (SD 8) mm2, 66 ears: Hear Res 2023, PMID 37201272; height 9.3 (median):
    # Caliskan, Cetin, Akkasoglu 2020, DOI 10.28982/josam.676938.
    rim_height = _normal(rng, 9.1, 0.4, 8.3, 10.0)
    rim_width = _normal(rng, 8.3, 0.35, 7.6, 9.0)
    # Mastoid wall states and pneumatisation: own choice.
    pneumatisation = float(rng.uniform(0.35, 1.0))
    return EarParameters(
        seed=seed,
        rim_height_mm=rim_height,
        rim_width_mm=rim_width,
        # Drum 140 degrees to the upper wall (DOI 10.3109/9780849375989-8), about 55 to the axis (from memory).
        rim_facing_down_deg=_normal(rng, 24.0, 2.5),
        rim_facing_forward_deg=_normal(rng, 13.0, 2.0),
        canal_up_deg=_normal(rng, 6.0, 2.0),
        canal_back_deg=_normal(rng, 4.0, 1.5),
        # Isthmus 6.8 (0.97) x 5.2 (0.76), 200 sides: El-Anwar et al. 2023, DOI 10.1055/s-0042-1758213.
        isthmus_height_mm=_normal(rng, 6.8, 0.6, 5.9, 7.6),
        isthmus_width_mm=_normal(rng, 5.4, 0.5, 4.7, 6.3),
        # Length 31.4 (3.1), 66 ears: Hear Res 2023, PMID 37201272. Bony part 16: normal-value list.
        canal_length_mm=_normal(rng, 31.4, 2.0, 27.5, 35.0),
        bony_length_mm=_normal(rng, 16.0, 0.8),
        bend_mm=_normal(rng, 2.6, 0.5),
        canal_skin_mm=float(rng.uniform(0.1, 0.2)),
        # Walls 1.92 (0.60), 2.54 (0.74), 9.16 (2.20), 349 patients: Atlanoglu & Topuz 2022, J Korean Assoc Oral
        # Maxillofac Surg 48(3).
        anterior_superior_wall_mm=_normal(rng, 1.92, 0.6, 0.7, 3.3),
        anterior_inferior_wall_mm=_normal(rng, 2.54, 0.74, 0.9, 4.2),
        inferior_wall_mm=_normal(rng, 9.16, 2.2, 5.0, 13.0),
        # No publication gives the upper and posterior plate near the rim: own choice.
        superior_plate_mm=float(rng.uniform(0.5, 1.6)),
        posterior_plate_mm=float(rng.uniform(0.6, 2.6)),
        # Cone depth 1.54 (Skrodzka & Modlawska 2014), literature 1.42-2.0.
        umbo_depth_mm=_normal(rng, 1.7, 0.15, 1.42, 2.0),
        # Thickness 0.132: Skrodzka & Modlawska 2014; 0.1: normal-value list.
        drum_thickness_mm=float(rng.uniform(0.10, 0.15)),
        # Centre width 2, attic 6: Mansour, Magnan et al. 2013, DOI 10.1007/978-3-642-36967-4_2. Spread: own choice.
        umbo_to_promontory_mm=_normal(rng, 2.0, 0.2, 1.6, 2.5),
        attic_width_mm=_normal(rng, 6.2, 0.4, 5.4, 7.0),
        # Hypotympanum 2 (0.44-6.40): J Laryngol Otol 2015, subannular tube insertion.
        hypotympanum_depth_mm=_normal(rng, 2.0, 0.8, 0.6, 4.0),
        # Cochleariform process to tegmen 1.5-10.3: J Clin Pract Res 2009 31(3):201-207. Mean and plate: own choice.
        tegmen_height_mm=_normal(rng, 6.0, 0.6, 4.8, 7.5),
        tegmen_plate_mm=float(rng.uniform(0.5, 1.5)),
        # Stapes 3.43 (3.20-3.80): Calligas & Todd 2018.
        stapes_height_mm=_normal(rng, 3.43, 0.14, 3.2, 3.75),
        # Footplate 2.93 (0.17) x 1.46 (0.08) x 0.30 (0.11): Gong et al. 2024, PMID 37622391; 0.22 (0.06): Eur J Radiol
        # 2021, DOI 10.1016/j.ejrad.2021.109786; 2.71 x 1.23: Calligas & Todd 2018.
        footplate_length_mm=_normal(rng, 2.85, 0.14, 2.55, 3.2),
        footplate_width_mm=_normal(rng, 1.38, 0.08, 1.2, 1.6),
        footplate_thickness_mm=_normal(rng, 0.25, 0.05, 0.15, 0.4),
        footplate_depth_mm=_normal(rng, 5.5, 0.25),
        # Cochlear height 5.1 (4.4-5.9), lateral-canal island 3.7 (2.6-4.8): Purcell et al. 2006.
        inner_ear_scale=_normal(rng, 1.0, 0.03, 0.94, 1.06),
        lateral_canal_tilt_deg=(_normal(rng, 0.0, 2.0), _normal(rng, 0.0, 2.0)),
        # Footplate centre to facial canal 1.60 (0.34), 30 ears: Gong et al. 2024.
        footplate_to_facial_mm=_normal(rng, 1.6, 0.2, 1.2, 2.0),
        # Facial nerve as small as 1.0 across; labyrinthine canal 0.97 (0.35): Fondjo et al. (AJNS).
        facial_radius_mm=_normal(rng, 0.62, 0.05, 0.52, 0.74),
        # 3.66 (0.76) and -0.03 (0.81), 129 CTs: Merati et al. 2021, PMID 32809103.
        posterior_wall_to_facial_mm=_normal(rng, 3.66, 0.6, 2.6, 5.0),
        facial_beyond_rim_plane_mm=_normal(rng, -0.03, 0.7, -1.5, 1.5),
        # 114.0 (9.9) to 117.8 (9.6): Tanrivermis Sayit et al. 2019.
        second_genu_deg=_normal(rng, 115.0, 5.0, 104.0, 126.0),
        # 2.89 (2.31-3.64), 2.52 (0.86), 11.75 (2.16), 16.06 (2.07), 47 subjects: DOI 10.15953/j.ctta.2026.163.
        labyrinthine_length_mm=_normal(rng, 2.89, 0.25, 2.35, 3.4),
        geniculate_length_mm=_normal(rng, 2.52, 0.25, 2.0, 3.0),
        tympanic_length_mm=_normal(rng, 11.75, 0.8, 10.2, 13.3),
        mastoid_length_mm=_normal(rng, 15.0, 1.2, 12.8, 17.4),
        # Dehiscent tympanic segment, clinical 6-33 %, length 0.4-2.64: Eur Arch Otorhinolaryngol 2020,
        # DOI 10.1007/s00405-020-06013-8; Takahashi & Sando 1992.
        facial_dehiscence_mm=float(rng.uniform(0.6, 2.6)) if rng.random() < 0.2 else 0.0,
        # Entry at 62 (10) % of drum height, origin 3.2 (1.8) above the foramen: McManus et al. 2012,
        # DOI 10.1007/s00276-012-0941-z.
        chorda_entry_share=_normal(rng, 0.62, 0.06, 0.5, 0.75),
        chorda_origin_above_foramen_mm=_normal(rng, 3.6, 1.2, 1.5, 6.0),
        # Jugular fossa to drum 5.58 (2.43), 120 bones; bulb above the inferior annulus in 9.5 %:
        # DOI 10.1097/MAO.0b013e318259b6e7.
        jugular_bulb_top_mm=-3.2 if rng.random() < 0.095 else _normal(rng, -7.2, 1.0, -9.5, -5.4),
        jugular_bulb_radius_mm=_normal(rng, 4.0, 0.5, 3.0, 5.0),
        # Facial nerve to anterior sigmoid sinus 8.66 (2.71) / 7.74 (1.99), 40 patients: Shen et al. 2017,
        # DOI 10.16066/j.1672-7002.2017.10.004.
        sigmoid_behind_facial_mm=_normal(rng, 8.2, 1.6, 5.5, 11.5),
        pneumatisation=pneumatisation,
        cell_mm=float(rng.uniform(1.2, 2.8)),
        septum_mm=float(rng.uniform(0.25, 0.55)),
        closed_cells=float(rng.uniform(0.05, 0.35)),
        # Bone values within an ear vary by 8 % (own choice); otic capsule 1980-2187 HU in the literature.
        cortical_hu=_normal(rng, 1650.0, 0.08 * 1650.0),
        capsule_hu=_normal(rng, 2150.0, 90.0),
    )


def random_ear(seed: int) -> EarParameters:
    """Draw an ear that needs a reconstruction: some of the chain lost, the drum perhaps too far out, the wall altered.

    Parameters
    ----------
    seed
        Same seed, same ear.

    Returns
    -------
    EarParameters
        A healthy ear's dimensions with findings of an operated ear.

    Raises
    ------
    Nothing.

    Notes
    -----
    How often each finding occurs is our own choice, so that every finding is met within a few dozen ears.

    Example
    -------
    >>> random_ear(1).seed
    1
    """
    base = healthy_ear(seed)
    rng = np.random.default_rng([20252, seed])
    malleus = _pick(rng, {"present": 0.25, "eroded": 0.2, "absent": 0.55})
    incus = _pick(rng, {"present": 0.15, "eroded": 0.25, "absent": 0.6})
    arch = _pick(rng, {"present": 0.4, "eroded": 0.3, "absent": 0.3})
    drum = "lateralised" if malleus == "absent" and rng.random() < 0.6 else "conical"
    wall: list[WallState] = []
    for centre in (350.0, 50.0, 90.0, 130.0):
        plate = float(np.exp(rng.uniform(np.log(0.3), np.log(4.0))))
        kind = _pick(rng, {"solid": 0.45, "cellular": 0.55})
        wall.append(WallState(kind, centre, 40.0, plate))  # type: ignore[arg-type]
    if rng.random() < 0.2:
        wall.append(WallState("scutum_eroded", 0.0, 60.0))
    if rng.random() < 0.1:
        wall.append(WallState("taken_down", 60.0, 90.0))
    if rng.random() < 0.15:
        wall.append(
            WallState("earlier_hole", float(rng.uniform(-30, 40) % 360), rim_distance_mm=float(rng.uniform(1.2, 3)))
        )
    if rng.random() < 0.35:
        wall.append(WallState("suture", float(rng.choice([40.0, 140.0, 310.0]))))
    fills = tuple(f for f in ("attic", "niche", "mesotympanum", "mastoid") if rng.random() < 0.18)
    return replace(
        base,
        malleus=malleus,  # type: ignore[arg-type]
        incus=incus,  # type: ignore[arg-type]
        stapes_arch=arch,  # type: ignore[arg-type]
        drum=drum,  # type: ignore[arg-type]
        drum_lateralisation_mm=float(rng.uniform(1.0, 3.2)),
        drum_thickness_mm=float(rng.uniform(0.12, 0.5)),
        anterior_blunting_mm=float(rng.uniform(0.0, 1.5)) if drum == "conical" else 0.0,
        wall=tuple(wall),
        fills=fills,
        chorda="divided" if rng.random() < 0.25 else "present",
        tegmen_defect=rng.random() < 0.08,
        old_strut=incus == "absent" and rng.random() < 0.25,
    )


def random_scanner(seed: int) -> ScannerParameters:
    """Draw a scanner setting; half of them have a sharp kernel with overshoot.

    Parameters
    ----------
    seed
        Same seed, same setting.

    Returns
    -------
    ScannerParameters
        Voxel 0.15-0.45 mm, slice 0.2-0.7 mm, point spread never under 1.2 steps.

    Raises
    ------
    Nothing.

    Example
    -------
    >>> 0.1 <= random_scanner(5).spacing_mm[1] <= 0.6
    True
    """
    rng = np.random.default_rng([20253, seed])
    in_plane = float(rng.uniform(0.15, 0.45))
    step = float(rng.uniform(0.2, 0.7))
    sharp = bool(seed % 2)
    return ScannerParameters(
        spacing_mm=(round(step, 2), round(in_plane, 3), round(in_plane, 3)),
        # Conventional 0.40-0.45 mm, ultra-high-resolution 0.15-0.20 mm: Loureiro 2023, DOI 10.7874/jao.2022.00346.
        fwhm_in_plane_mm=max(float(rng.uniform(0.3, 0.55)), 1.2 * in_plane),
        fwhm_through_plane_mm=max(float(rng.uniform(0.4, 0.75)), 1.2 * step),
        overshoot=float(rng.uniform(0.3, 0.9)) if sharp else 0.0,
        noise_hu=float(rng.uniform(30.0, 110.0)),
        noise_fwhm_mm=1.3 * in_plane if sharp else 1.8 * in_plane,
        kernel="BONE-SHARP" if sharp else "BONE-SMOOTH",
        seed=seed,
    )
