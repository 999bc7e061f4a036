"""What must be said beside a reconstruction: gates of an opened footplate, what CT cannot show."""

from __future__ import annotations

from ctmeasure.anatomy.facts import CaseFacts

MOBILITY_FLAG = "footplate mobility is never read from CT: test it in the ear"
PISTON_OPTION = "option only: gates to pass first"
PISTON_OPEN_GATES = (
    "gates nobody has confirmed: dry ear, closed drum, no infection, usually its own stage, round window"
)
POSTERIOR_FLAG = (
    "not in the posterior third: 0.58 mm to the utricle (Backous et al. 1999, Ann Otol Rhinol Laryngol 108:548)"
)
PROTRUSION_CAUTION_MM = 0.5
"""Deeper than this is cautioned (Pauw, Pollak, Fisch 1991, DOI 10.1177/000348949110001203)."""
PROTRUSION_REFUSED_MM = 1.0
"""Deeper than this is refused (same source)."""
LEAST_P_DEEP = 0.001
"""A smaller chance of reaching too deep is not written out."""
GATE_FINDINGS = {
    "narrow_niche": "narrow niche",
    "facial_dehiscence": "dehiscent or overhanging facial nerve",
    "wide_vestibular_aqueduct": "gusher sign: wide vestibular aqueduct",
    "wide_internal_canal_fundus": "gusher sign: wide fundus of the internal canal",
    "soft_tissue_niche": "soft tissue in the niche",
}
"""Findings that stand against opening a footplate when present, and leave a gate open when not seen."""


def piston_flags(facts: CaseFacts) -> tuple[str, ...]:
    """Gates of a piston from facts and findings: against, open, or (absent) passed.

    Example
    -------
    >>> piston_flags(CaseFacts(only_hearing_ear="yes"))[1]
    'against: only hearing ear'
    """
    against = [words for key, words in GATE_FINDINGS.items() if facts.finding(key) == "present"]
    unknown = [words for key, words in GATE_FINDINGS.items() if facts.finding(key) == "not_seen"]
    if facts.only_hearing_ear == "yes":
        against.insert(0, "only hearing ear")
    elif facts.only_hearing_ear == "unknown":
        unknown.insert(0, "only hearing ear")
    flags = [PISTON_OPTION]
    flags += [f"against: {', '.join(against)}"] if against else []
    flags += [f"gates not assessed: {', '.join(unknown)}"] if unknown else []
    return (*flags, PISTON_OPEN_GATES, POSTERIOR_FLAG)


def footplate_flags(facts: CaseFacts) -> tuple[str, ...]:
    """What is known about the footplate's mobility, never from the scan."""
    if facts.footplate_mobility == "unknown":
        return (MOBILITY_FLAG,)
    return (MOBILITY_FLAG, f"earlier notes: footplate {facts.footplate_mobility}")


def protrusion_flags(protrusion_mm: float, p_too_deep: float = 0.0) -> tuple[str, ...]:
    """How deep a piston would reach past the inner face of the footplate if the needed length is right.

    ``p_too_deep`` is the probability that it would reach deeper than the refused depth.

    Example
    -------
    >>> protrusion_flags(0.4), protrusion_flags(0.4, 0.08), protrusion_flags(1.1)[0].startswith("refused")
    ((), ('P(deeper than 1 mm) = 0.080',), True)
    """
    return (*_depth_words(protrusion_mm), *_chance_words(p_too_deep))


def _chance_words(p_too_deep: float) -> tuple[str, ...]:
    if p_too_deep < LEAST_P_DEEP:
        return ()
    return (f"P(deeper than {PROTRUSION_REFUSED_MM:g} mm) = {p_too_deep:.3f}",)


def _depth_words(protrusion_mm: float) -> tuple[str, ...]:
    words = f"protrusion {protrusion_mm:.2f} mm"
    source = "Pauw et al. 1991"
    if protrusion_mm > PROTRUSION_REFUSED_MM:
        return (f"refused: {words}, more than {PROTRUSION_REFUSED_MM:g} mm ({source})",)
    if protrusion_mm > PROTRUSION_CAUTION_MM:
        return (f"caution: {words}, more than {PROTRUSION_CAUTION_MM:g} mm ({source})",)
    if protrusion_mm < 0.0:
        return (f"refused: too short to pass the footplate, {words}",)
    return ()
