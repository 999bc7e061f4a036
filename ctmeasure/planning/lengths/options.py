"""Which reconstructions are open in this ear, what each needs first, the published class, and what contradicts itself.

Nothing here recommends one: the list is what the marks and the surgeon's findings leave open.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from ctmeasure.anatomy.facts import CaseFacts
from ctmeasure.anatomy.landmarks import LandmarkSet
from ctmeasure.anatomy.structures import Structure
from ctmeasure.planning.lengths.gates import GATE_FINDINGS, MOBILITY_FLAG, PISTON_OPEN_GATES
from ctmeasure.planning.results import Measurement, OptionsFound, ReconstructionOption

HANDLE_IDS = ("umbo", "malleus_lateral_process")
NEW_HANDLE_IDS = ("handle_tip", "handle_contact", "handle_top")
INCUS_IDS = ("incus_long_process", "incus_contact")
CLASS_SOURCE = (
    "ossicular classes after Austin and Kartush, as in Kartush 1994 (Otolaryngol Clin North Am 27:689) and "
    "Becvarovski, Kartush 2001 (Laryngoscope 111:1806)"
)
CLASSES = {
    (True, True): "A: malleus handle and stapes arch present",
    (True, False): "B: malleus handle present, stapes arch absent",
    (False, True): "C: malleus handle absent, stapes arch present",
    (False, False): "D: malleus handle and stapes arch absent",
}
INTACT_CLASS = "0: malleus handle, incus and stapes arch present"
NO_OPERATION_OPTION = ReconstructionOption(
    "no operation", "no operation: hearing aid or bone-conduction device", "always"
)
STAGE_NEED = "its own stage: the handle settles before the length is taken"
NARROW_NICHE_MM = 1.4
"""Upper end of the published cut-offs (Ukkola-Pons et al. 2013, DOI 10.3174/ajnr.A3354)."""


def part_of_chain(landmarks: LandmarkSet, ids: Sequence[str]) -> bool | None:
    """Whether a part is there: any point placed or partial; False when absent; None when unknown or one is not seen."""
    states = {landmarks.status(i) for i in ids}
    if states & {"placed", "partial"}:
        return True
    return False if "absent" in states and "not_seen" not in states else None


def ossicle_class(landmarks: LandmarkSet) -> str:
    """The published class of the chain from the marks; why not, when a part is not known.

    Example
    -------
    >>> from ctmeasure.anatomy.landmarks import Landmark
    >>> ossicle_class(LandmarkSet([Landmark("umbo", "absent"), Landmark("stapes_head", "absent")]))
    'D: malleus handle and stapes arch absent'
    """
    handle, arch = part_of_chain(landmarks, HANDLE_IDS), part_of_chain(landmarks, ("stapes_head",))
    replaced = part_of_chain(landmarks, NEW_HANDLE_IDS)
    unknown = [name for name, there in (("malleus handle", handle), ("stapes arch", arch)) if there is None]
    if unknown:
        return f"not classed: {' and '.join(unknown)} not entered or not seen"
    if handle and arch and part_of_chain(landmarks, INCUS_IDS):
        return INTACT_CLASS
    words = CLASSES[bool(handle), bool(arch)]
    return f"{words} (a replaced handle lies in the ear; the class counts the natural one)" if replaced else words


def find_options(
    landmarks: LandmarkSet,
    structures: Sequence[Structure],
    facts: CaseFacts,
    measurements: Sequence[Measurement] = (),
) -> OptionsFound:
    """Every option of this ear.

    Parameters
    ----------
    landmarks, structures
        With their statuses.
    facts
        The surgeon's findings.
    measurements
        For a measured niche against the finding about it.

    Returns
    -------
    OptionsFound
        "No operation" is always the last option.

    Raises
    ------
    Nothing.

    Notes
    -----
    An option is not open only when something it needs is known to be absent; unknown things are needs. Mobility is
    never read from CT.
    """
    options = (
        _handle(landmarks, facts),
        _total(landmarks, facts),
        _partial(landmarks),
        _piston(landmarks, facts),
        NO_OPERATION_OPTION,
    )
    return OptionsFound(
        options, ossicle_class(landmarks), CLASS_SOURCE, contradictions(landmarks, structures, facts, measurements)
    )


def _option(
    name: str, words: str, parts: Mapping[str, bool | None], needs: Sequence[str] = (), *,
    against: Sequence[str] = (), gates: Sequence[str] = (),
) -> ReconstructionOption:  # fmt: skip
    """Not open when a part is absent; what is unknown is needed first."""
    gone = tuple(f"{part} absent" for part, there in parts.items() if there is False)
    unknown = [f"{part}: place it, or enter absent" for part, there in parts.items() if there is None]
    wanted = (*unknown, *needs)
    state = "not open" if gone else "needs" if wanted else "open"
    return ReconstructionOption(name, words, state, wanted, (*gone, *against), tuple(gates))  # type: ignore[arg-type]


def _lateral(landmarks: LandmarkSet) -> bool | None:
    """Whether there is anything to carry the lateral end: a handle, a replaced handle, or the drum."""
    found = [part_of_chain(landmarks, ids) for ids in (HANDLE_IDS, NEW_HANDLE_IDS, ("drum_centre", "drum_contact"))]
    return True if True in found else None if None in found else False


def _handle(landmarks: LandmarkSet, facts: CaseFacts) -> ReconstructionOption:
    holes = landmarks.placed("anchor_1", "anchor_2")
    there = part_of_chain(landmarks, HANDLE_IDS)
    needs = [] if holes else ["two holes that keep every margin (a pair of the plan, or anchor_1 and anchor_2)"]
    if facts.finding("aeration") == "not_seen":
        needs.append("whether the middle ear is aerated")
    against = ["malleus handle present: nothing to replace"] if there else []
    against += ["middle ear not aerated"] if facts.finding("aeration") == "absent" else []
    against += ["canal wall taken down: nothing holds a handle there"] if facts.wall_taken_down == "yes" else []
    option = _option(
        "handle", "rebuild the malleus handle on two holes in the canal wall", {}, (*needs, STAGE_NEED), against=against
    )
    if there:
        return ReconstructionOption(option.id, option.words, "not open", option.needs, option.against)
    return option


def _total(landmarks: LandmarkSet, facts: CaseFacts) -> ReconstructionOption:
    parts = {"footplate": part_of_chain(landmarks, ("footplate_centre",)), "lateral contact": _lateral(landmarks)}
    needs = [] if facts.footplate_mobility == "mobile" else [MOBILITY_FLAG]
    against = ["footplate fixed by earlier notes"] if facts.footplate_mobility == "fixed" else []
    return _option("total", "total: handle, umbo or drum to footplate", parts, needs, against=against)


def _partial(landmarks: LandmarkSet) -> ReconstructionOption:
    parts = {"stapes arch": part_of_chain(landmarks, ("stapes_head",)), "lateral contact": _lateral(landmarks)}
    needs = ["stapes mobile and its arch whole, by touch"]
    return _option("partial", "partial: handle, umbo or drum to stapes head", parts, needs)


def _piston(landmarks: LandmarkSet, facts: CaseFacts) -> ReconstructionOption:
    carriers = [part_of_chain(landmarks, ids) for ids in (INCUS_IDS, NEW_HANDLE_IDS, ("malleus_neck",))]
    carrier = True if True in carriers else None if None in carriers else False
    parts = {"footplate": part_of_chain(landmarks, ("footplate_centre",)), "incus, handle or malleus neck": carrier}
    against = ["only hearing ear"] if facts.only_hearing_ear == "yes" else []
    against += [words for key, words in GATE_FINDINGS.items() if facts.finding(key) == "present"]
    gates = [f"only hearing ear: {facts.only_hearing_ear}"]
    gates += [f"{words}: {facts.finding(key).replace('_', ' ')}" for key, words in GATE_FINDINGS.items()]
    return _option(
        "piston", "piston through an opened footplate", parts, [PISTON_OPEN_GATES], against=against, gates=gates
    )


def contradictions(
    landmarks: LandmarkSet,
    structures: Sequence[Structure],
    facts: CaseFacts,
    measurements: Sequence[Measurement] = (),
) -> tuple[str, ...]:
    """Marks and findings that cannot both be true, a line each.

    Example
    -------
    >>> from ctmeasure.anatomy.landmarks import Landmark, Placement
    >>> marks = LandmarkSet([Landmark("stapes_head", "absent"),
    ...     Landmark("incudostapedial_joint", "placed", (Placement((0.0, 0.0, 0.0)),))])
    >>> contradictions(marks, (), CaseFacts())
    ('incudostapedial joint placed, stapes arch absent',)
    """
    there = {name: part_of_chain(landmarks, ids) for name, ids in _PARTS.items()}
    found = [words for words, wrong in _chain_rules(there) if wrong]
    chorda = next((item for item in structures if item.id == "chorda_tympani"), None)
    if facts.chorda_cut == "yes" and (there["chorda entry"] or (chorda is not None and chorda.is_marked)):
        found.append("chorda cut by earlier notes, and marked as placed")
    if facts.nerve_seen_bare == "yes" and facts.finding("facial_dehiscence") == "absent":
        found.append("nerve seen bare by earlier notes, and dehiscent facial canal absent")
    if facts.finding("scutum") == "present" and any(w.finding == "eroded_scutum" for w in facts.canal_wall):
        found.append("scutum present, and canal wall entered as eroded scutum")
    soft = [facts.finding(f"soft_tissue_{place}") for place in ("attic", "niche", "mesotympanum")]
    if facts.finding("aeration") == "present" and soft == ["present"] * 3:
        found.append("middle ear aerated, and soft tissue in attic, niche and mesotympanum")
    found += _niche_against_finding(facts, measurements)
    return tuple(found)


_PARTS = {
    "malleus handle": HANDLE_IDS,
    "umbo": ("umbo",),
    "replaced handle": NEW_HANDLE_IDS,
    "handle tip": ("handle_tip",),
    "handle contact": ("handle_contact",),
    "incus": INCUS_IDS,
    "incus body": ("incus_short_process",),
    "joint": ("incudostapedial_joint",),
    "stapes arch": ("stapes_head",),
    "chorda entry": ("chorda_entry",),
    "old prosthesis": ("old_prosthesis",),
}


def _chain_rules(there: Mapping[str, bool | None]) -> tuple[tuple[str, bool], ...]:
    """What of the chain cannot be there together, in words, and whether it is so here."""

    def both(one: str, other: str) -> bool:
        return bool(there[one]) and bool(there[other])

    def without(one: str, other: str) -> bool:
        return bool(there[one]) and there[other] is False

    return (
        ("incudostapedial joint placed, stapes arch absent", without("joint", "stapes arch")),
        ("incudostapedial joint placed, long process of the incus absent", without("joint", "incus")),
        ("umbo and a replaced handle both placed", both("umbo", "replaced handle")),
        ("handle contact placed, handle tip absent", without("handle contact", "handle tip")),
    )


def _niche_against_finding(facts: CaseFacts, measurements: Sequence[Measurement]) -> list[str]:
    """A niche entered as narrow that measures wide, or the other way round, outside the interval.

    Notes
    -----
    A height from landmarks is an upper limit, so it can only contradict a finding of "not narrow".
    """
    finding = facts.findings.get("narrow_niche")
    heights = [m for m in measurements if m.id == "oval_window_niche_height" and m.estimate is not None]
    if not heights or heights[0].estimate is None or finding not in ("present", "absent"):
        return []
    estimate, from_scan = heights[0].estimate, heights[0].qualifier == "from the scan"
    words = f"{estimate.value:.1f} mm ({estimate.low_95:.1f} to {estimate.high_95:.1f})"
    if finding == "present" and from_scan and estimate.low_95 > NARROW_NICHE_MM:
        return [f"narrow niche present, and it measures {words}, above the cut-off of {NARROW_NICHE_MM:g} mm"]
    if finding == "absent" and estimate.high_95 < NARROW_NICHE_MM:
        return [f"narrow niche absent, and it measures {words}, below the cut-off of {NARROW_NICHE_MM:g} mm"]
    return []
