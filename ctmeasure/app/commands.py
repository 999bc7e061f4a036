"""What a person can do to a case. Each command makes the next case; nothing is changed in place."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Protocol

from ctmeasure.anatomy.facts import CaseFacts, check_facts_agree
from ctmeasure.anatomy.landmarks import Landmark, LandmarkSet, Placement, PointLps
from ctmeasure.anatomy.structures import Structure
from ctmeasure.anatomy.suggestions import Suggestion
from ctmeasure.anatomy.vocabulary import Status
from ctmeasure.case.model import Case, SiteRequest
from ctmeasure.errors import LandmarkError
from ctmeasure.planning.reader_model import ReaderModel
from ctmeasure.planning.settings import settings_from_mapping


class Command(Protocol):
    """One step a person takes; ``words`` name it in the undo list and the history."""

    @property
    def words(self) -> str:
        """The step in words."""
        ...

    def apply(self, case: Case) -> Case:
        """The next case."""
        ...


def without_results(case: Case) -> Case:
    """The case as it stands after an input changed: earlier results no longer belong to it."""
    return replace(case, results=None, pictures=())


def _with_landmark(case: Case, landmark: Landmark) -> Case:
    return without_results(replace(case, landmarks=case.landmarks.with_landmark(landmark)))


def _in_order(placements: Iterable[Placement]) -> tuple[Placement, ...]:
    return tuple(sorted(placements, key=lambda p: (p.index, p.repeat)))


@dataclass(frozen=True, slots=True)
class MoveLandmark:
    """Put one point of a landmark elsewhere; earlier repeats of that point are replaced by this placement."""

    id: str
    index: int
    position_lps: PointLps
    observer: str = ""

    @property
    def words(self) -> str:
        """The step in words."""
        return f"move {self.id} {self.index}"

    def apply(self, case: Case) -> Case:
        """The next case."""
        kept = case.landmarks[self.id].placements if self.id in case.landmarks else ()
        moved = Placement(self.position_lps, self.index, self.observer)
        placements = (*(p for p in kept if p.index != self.index), moved)
        ordered = _in_order(placements)
        status: Status = "placed"
        if self.id in case.landmarks and case.landmarks[self.id].status == "partial":
            status = "partial"
        stated = case.landmarks[self.id].stated_u_mm if self.id in case.landmarks else 0.0
        return _with_landmark(case, Landmark(self.id, status, ordered, stated))


@dataclass(frozen=True, slots=True)
class PlaceAgain:
    """Place one point once more, as if for the first time: the scatter of such repeats is its doubt (Type A)."""

    id: str
    index: int
    position_lps: PointLps
    observer: str = ""

    @property
    def words(self) -> str:
        """The step in words."""
        return f"place {self.id} {self.index} again"

    def apply(self, case: Case) -> Case:
        """The next case."""
        if not case.landmarks.placed(self.id):
            raise LandmarkError(f"'{self.id}' is not placed yet", expected="a first placement", action="place it first")
        landmark = case.landmarks[self.id]
        repeat = 1 + max((p.repeat for p in landmark.placements if p.index == self.index), default=-1)
        again = Placement(self.position_lps, self.index, self.observer, repeat)
        ordered = _in_order((*landmark.placements, again))
        return _with_landmark(case, replace(landmark, placements=ordered))


@dataclass(frozen=True, slots=True)
class PlaceRing:
    """Place a whole ring or list at once."""

    id: str
    positions_lps: tuple[PointLps, ...]
    observer: str = ""

    @property
    def words(self) -> str:
        """The step in words."""
        return f"place {self.id}"

    def apply(self, case: Case) -> Case:
        """The next case."""
        placements = tuple(Placement(p, i, self.observer) for i, p in enumerate(self.positions_lps))
        return _with_landmark(case, Landmark(self.id, "placed", placements))


@dataclass(frozen=True, slots=True)
class Suggest:
    """Keep suggestions beside the marks: shown, never computed from; results stay, since nothing they rest on moves."""

    suggestions: tuple[Suggestion, ...]

    @property
    def words(self) -> str:
        """The step in words."""
        return f"{len(self.suggestions)} suggestions"

    def apply(self, case: Case) -> Case:
        """The next case."""
        return replace(case, suggestions=self.suggestions)


@dataclass(frozen=True, slots=True)
class AcceptSuggestion:
    """Take one suggested landmark as placed by this observer."""

    id: str
    observer: str = ""

    @property
    def words(self) -> str:
        """The step in words."""
        return f"accept suggested {self.id}"

    def apply(self, case: Case) -> Case:
        """The next case."""
        found = next((s for s in case.suggestions if s.id == self.id), None)
        if found is None:
            raise LandmarkError(f"'{self.id}' is not suggested", expected="a suggestion of this case")
        if found.structure:
            raise LandmarkError(
                f"'{self.id}' is a structure", expected="a landmark", action="use its points as clicks to trace it"
            )
        rest = tuple(s for s in case.suggestions if s.id != self.id)
        return replace(PlaceRing(self.id, found.points_lps, self.observer).apply(case), suggestions=rest)


@dataclass(frozen=True, slots=True)
class SetStatus:
    """Say that a landmark is absent or not seen (its coordinates go)."""

    id: str
    status: Status

    @property
    def words(self) -> str:
        """The step in words."""
        return f"{self.id} {self.status.replace('_', ' ')}"

    def apply(self, case: Case) -> Case:
        """The next case."""
        kept = case.landmarks[self.id].placements if self.id in case.landmarks else ()
        placements = kept if self.status in ("placed", "partial") else ()
        return _with_landmark(case, Landmark(self.id, self.status, placements))


@dataclass(frozen=True, slots=True)
class SetDoubt:
    """Say that a placed landmark is less sure than its placing gives: a standard uncertainty per axis, mm, on top."""

    id: str
    stated_u_mm: float

    @property
    def words(self) -> str:
        """The step in words."""
        return f"{self.id} unsure by {self.stated_u_mm:g} mm" if self.stated_u_mm else f"{self.id} sure again"

    def apply(self, case: Case) -> Case:
        """The next case."""
        if not case.landmarks.placed(self.id):
            raise LandmarkError(f"'{self.id}' is not placed", expected="a placement", action="place it first")
        return _with_landmark(case, replace(case.landmarks[self.id], stated_u_mm=self.stated_u_mm))


@dataclass(frozen=True, slots=True)
class RemoveLandmark:
    """Take a landmark back: nobody has said anything about it."""

    id: str

    @property
    def words(self) -> str:
        """The step in words."""
        return f"remove {self.id}"

    def apply(self, case: Case) -> Case:
        """The next case."""
        kept = [mark for name, mark in case.landmarks.items() if name != self.id]
        return without_results(replace(case, landmarks=LandmarkSet(kept)))


@dataclass(frozen=True, slots=True)
class SetStructure:
    """Add or replace one structure to keep clear of."""

    structure: Structure

    @property
    def words(self) -> str:
        """The step in words."""
        return f"mark {self.structure.id}"

    def apply(self, case: Case) -> Case:
        """The next case."""
        kept = [s for s in case.structures if s.id != self.structure.id]
        return without_results(replace(case, structures=(*kept, self.structure)))


@dataclass(frozen=True, slots=True)
class RemoveStructure:
    """Take a structure back: nobody has said anything about it."""

    id: str

    @property
    def words(self) -> str:
        """The step in words."""
        return f"remove {self.id}"

    def apply(self, case: Case) -> Case:
        """The next case."""
        return without_results(replace(case, structures=tuple(s for s in case.structures if s.id != self.id)))


@dataclass(frozen=True, slots=True)
class MoveStructurePoint:
    """Put one point of a structure elsewhere."""

    id: str
    index: int
    position_lps: PointLps

    @property
    def words(self) -> str:
        """The step in words."""
        return f"move {self.id} {self.index}"

    def apply(self, case: Case) -> Case:
        """The next case."""
        moved: list[Structure] = []
        for structure in case.structures:
            if structure.id == self.id:
                if not 0 <= self.index < len(structure.points):
                    raise LandmarkError(
                        f"structure '{self.id}' has no point {self.index}", expected=f"0 to {len(structure.points) - 1}"
                    )
                points = list(structure.points)
                points[self.index] = self.position_lps
                structure = replace(structure, points=tuple(points))
            moved.append(structure)
        return without_results(replace(case, structures=tuple(moved)))


@dataclass(frozen=True, slots=True)
class SetSite:
    """Add or move a candidate hole."""

    site: SiteRequest

    @property
    def words(self) -> str:
        """The step in words."""
        return f"hole {self.site.id}"

    def apply(self, case: Case) -> Case:
        """The next case."""
        kept = [s for s in case.sites if s.id != self.site.id]
        return without_results(replace(case, sites=(*kept, self.site)))


@dataclass(frozen=True, slots=True)
class RemoveSite:
    """Take a candidate hole back."""

    id: str

    @property
    def words(self) -> str:
        """The step in words."""
        return f"remove hole {self.id}"

    def apply(self, case: Case) -> Case:
        """The next case."""
        return without_results(replace(case, sites=tuple(s for s in case.sites if s.id != self.id)))


@dataclass(frozen=True, slots=True)
class SetFacts:
    """Replace the facts and findings."""

    facts: CaseFacts

    @property
    def words(self) -> str:
        """The step in words."""
        return "facts and findings"

    def apply(self, case: Case) -> Case:
        """The next case."""
        check_facts_agree(self.facts)
        return without_results(replace(case, facts=self.facts))


@dataclass(frozen=True, slots=True)
class ChangeSetting:
    """Change one setting."""

    name: str
    value: float | int | str

    @property
    def words(self) -> str:
        """The step in words."""
        return f"{self.name} = {self.value}"

    def apply(self, case: Case) -> Case:
        """The next case."""
        changed = settings_from_mapping({self.name: self.value})
        return without_results(
            replace(case, settings=replace(case.settings, **{self.name: getattr(changed, self.name)}))
        )


@dataclass(frozen=True, slots=True)
class SetReaderModel:
    """Plan with the measured placement doubt of whoever places here; None goes back to the default noise."""

    model: ReaderModel | None

    @property
    def words(self) -> str:
        """The step in words."""
        return f"placement doubt of {self.model.reader}" if self.model else "default placement noise"

    def apply(self, case: Case) -> Case:
        """The next case."""
        return without_results(replace(case, reader_model=self.model))
