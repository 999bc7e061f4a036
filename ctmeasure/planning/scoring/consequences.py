"""What an attempt would have led to: the same planning, from the attempt's points and from the reference's."""

from __future__ import annotations

from dataclasses import dataclass

from ctmeasure.anatomy.vocabulary import landmark_terms, structure_terms
from ctmeasure.planning.results import Clearance, LengthRow, PlanResult


@dataclass(frozen=True, slots=True)
class LengthConsequence:
    """One reconstruction's needed length, mm, from the attempt and from the reference, with 95 % intervals."""

    reconstruction: str
    geometry: str
    lateral_contact: str
    medial_contact: str
    attempt_mm: float
    attempt_95: tuple[float, float]
    reference_mm: float
    reference_95: tuple[float, float]

    @property
    def too_long_mm(self) -> float:
        """By how much the attempt's length is too long; negative: too short."""
        return self.attempt_mm - self.reference_mm

    def words(self) -> str:
        """The sentence of the feedback."""
        way = "too long" if self.too_long_mm > 0 else "too short"
        gap = abs(self.too_long_mm)
        lead = f"your length would be {gap:.1f} mm {way}" if gap >= 0.05 else "your length would be the same"
        low, high = self.reference_95
        contacts = f"{self.lateral_contact} to {self.medial_contact}".replace("_", " ")
        what = f"{self.reconstruction}, {self.geometry}, {contacts}"
        return (
            f"{lead} ({what}: {self.attempt_mm:.2f} from your points, "
            f"{self.reference_mm:.2f} from the reference, {low:.2f} to {high:.2f})"
        )


@dataclass(frozen=True, slots=True)
class ChosenLength:
    """The length that was chosen, against what the reference needs."""

    chosen_mm: float
    needed_mm: float
    needed_95: tuple[float, float]
    reconstruction: str

    def words(self) -> str:
        """The sentence of the feedback."""
        gap = self.chosen_mm - self.needed_mm
        way = "longer" if gap > 0 else "shorter"
        low, high = self.needed_95
        return (
            f"the length you chose, {self.chosen_mm:.2f} mm, is {abs(gap):.1f} mm {way} than the reference needs "
            f"({self.reconstruction}: {self.needed_mm:.2f}, {low:.2f} to {high:.2f})"
        )


def hole_label(hole_id: str) -> str:
    """A chosen hole as people call it: one that was placed as a landmark has the label of that.

    Example
    -------
    >>> hole_label("anchor_1"), hole_label("upper")
    ('hole 1', 'upper')
    """
    return landmark_terms()[hole_id].label if hole_id in landmark_terms() else hole_id


@dataclass(frozen=True, slots=True)
class HoleConsequence:
    """One chosen hole: the gap it leaves by the attempt's marks and by the reference's.

    ``state`` is the verdict by the reference; ``met`` the structures the hole would touch by the reference.
    """

    hole: str
    structure: str
    attempt_mm: float | None
    reference_mm: float | None
    reference_95: tuple[float, float] | None
    p_contact: float | None
    state: str
    met: tuple[str, ...] = ()

    def words(self) -> str:
        """The sentence of the feedback; what was not assessed is never called clear."""
        label = structure_terms()[self.structure].label if self.structure in structure_terms() else self.structure
        hole = hole_label(self.hole)
        if self.reference_mm is None or self.reference_95 is None:
            return f"hole '{hole}': not assessed by the reference ({self.state})"
        low, high = self.reference_95
        verdict = "margin kept" if self.state == "clear" else self.state
        if self.reference_mm <= 0.0:
            lead = f"the hole you chose ('{hole}') meets the {label} by {-self.reference_mm:.1f} mm"
        else:
            lead = f"the hole you chose ('{hole}') leaves {self.reference_mm:.1f} mm to the {label}"
        yours = (
            f"by your marks it leaves {self.attempt_mm:.1f} mm"
            if self.attempt_mm is not None
            else f"by your marks the {label} was not assessed"
        )
        return f"{lead} ({low:.1f} to {high:.1f}; {verdict}); {yours}"


@dataclass(frozen=True, slots=True)
class Consequences:
    """Everything the two plans differ in that a surgeon would notice; ``not_given`` says what could not be compared."""

    lengths: tuple[LengthConsequence, ...] = ()
    chosen: ChosenLength | None = None
    holes: tuple[HoleConsequence, ...] = ()
    not_given: tuple[str, ...] = ()

    def sentences(self) -> tuple[str, ...]:
        """All of it in words, the choice first."""
        chosen = (self.chosen.words(),) if self.chosen else ()
        return (
            *chosen, *(item.words() for item in self.lengths), *(hole.words() for hole in self.holes), *self.not_given,
        )  # fmt: skip


def consequences(attempt: PlanResult | None, reference: PlanResult, *, chosen_mm: float | None = None) -> Consequences:
    """Compare two plans of one ear.

    Parameters
    ----------
    attempt
        From the attempt's marks with the chosen holes; None when they give no plan.
    reference
        From the reference's marks, with the attempt's holes.
    chosen_mm
        The length that was chosen.

    Returns
    -------
    Consequences

    Raises
    ------
    Nothing.
    """
    lengths, missing = _lengths(attempt, reference)
    chosen = _chosen(reference, chosen_mm)
    if chosen_mm is not None and chosen is None:
        missing.append("the length you chose: the reference gives no length to compare it with")
    return Consequences(lengths, chosen, _holes(attempt, reference), tuple(missing))


Key = tuple[str, str, str, str]
ORDER = ("total", "partial", "piston", "handle")
"""Which reconstruction a chosen length is taken to be for, the first that the reference gives."""


def _needed(result: PlanResult | None) -> dict[Key, LengthRow]:
    found: dict[Key, LengthRow] = {}
    for row in result.lengths if result is not None else ():
        if row.needed is not None:
            found.setdefault((row.reconstruction, row.geometry, row.lateral_contact, row.medial_contact), row)
    return found


def _lengths(attempt: PlanResult | None, reference: PlanResult) -> tuple[tuple[LengthConsequence, ...], list[str]]:
    mine, wanted = _needed(attempt), _needed(reference)
    found = []
    for key, row in wanted.items():
        if key in mine:
            a, b = mine[key].needed, row.needed
            assert a is not None
            assert b is not None
            found.append(LengthConsequence(*key, a.value, (a.low_95, a.high_95), b.value, (b.low_95, b.high_95)))
    missing = [
        f"{key[0]}, {key[1]}, {key[2]} to {key[3]}: your points give no length".replace("_", " ")
        for key in wanted
        if key not in mine
    ]
    if not wanted:
        missing = ["lengths: the reference gives none"]
    return tuple(found), missing


def _chosen(reference: PlanResult, chosen_mm: float | None) -> ChosenLength | None:
    """Against the reference's best-ranked reconstruction."""
    rows = [row for row in reference.lengths if row.needed is not None]
    if chosen_mm is None or not rows:
        return None
    wanted = min((row.reconstruction for row in rows), key=lambda name: (*ORDER, name).index(name))
    same = [row for row in rows if row.reconstruction == wanted]
    best = min(same, key=lambda row: row.rank if row.rank is not None else 10**6)
    assert best.needed is not None
    name = f"{best.reconstruction}, {best.geometry}"
    return ChosenLength(chosen_mm, best.needed.value, (best.needed.low_95, best.needed.high_95), name)


def _holes(attempt: PlanResult | None, reference: PlanResult) -> tuple[HoleConsequence, ...]:
    mine = {site.id: site for site in attempt.sites} if attempt is not None else {}
    found = []
    for site in reference.sites:
        known = [c for c in site.clearances if c.estimate is not None]
        if not known:
            found.append(HoleConsequence(site.id, "", None, None, None, None, site.verdict))
            continue
        nearest = min(known, key=_gap)
        assert nearest.estimate is not None
        same = mine.get(site.id)
        theirs = next((c for c in same.clearances if c.structure == nearest.structure), None) if same else None
        met = tuple(c.structure for c in known if _gap(c) <= 0.0)
        found.append(
            HoleConsequence(
                site.id,
                nearest.structure,
                theirs.estimate.value if theirs is not None and theirs.estimate is not None else None,
                nearest.estimate.value,
                (nearest.estimate.low_95, nearest.estimate.high_95),
                nearest.p_contact,
                site.verdict,
                met,
            )
        )
    return tuple(found)


def _gap(clearance: Clearance) -> float:
    return clearance.estimate.value if clearance.estimate is not None else float("inf")
