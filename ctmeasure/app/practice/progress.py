"""One person's progress over the attempts that count: learning curve, bias and scatter, CUSUM, agreement, what next."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from ctmeasure.anatomy.vocabulary import landmark_terms
from ctmeasure.planning.scoring.terms import practice_terms
from ctmeasure.uncertainty.observer.agreement import agreement
from ctmeasure.uncertainty.observer.cusum import CusumDesign, CusumPath, cusum_path
from ctmeasure.uncertainty.observer.differences import limits_of_agreement
from ctmeasure.uncertainty.observer.learning import LearningDesign, LearningPath, learning_path
from ctmeasure.uncertainty.observer.radial import radial_errors
from ctmeasure.uncertainty.observer.reader import LEAST_PLACEMENTS, reader_spread

if TYPE_CHECKING:
    from ctmeasure.store.attempts import AttemptRecord, ScoreRecord
    from ctmeasure.store.database import Store

DESIGN = CusumDesign()
"""Failure rates 0.05 (acceptable) and 0.15 (not), both errors 0.1."""
LEARNING = LearningDesign()
"""The same rates; within the 24 ears of a set at most one in ten who fail at 0.15 is called competent."""
WINDOW = 8
"""Placements that bias and scatter over time are taken from: a standard deviation is then known to about a quarter."""
FEW_LENGTHS = 3
"""Fewer ears give no limits of agreement."""
PARTS = ("lateral_mm", "posterior_mm", "superior_mm")


@dataclass(frozen=True, slots=True)
class AttemptRow:
    """One handed-in attempt; ``counts`` is False for a repeat after the reference was seen."""

    task: str
    number: int
    handed_in_at: str
    active_s: float
    level: str
    composite: float | None
    mean_error_mm: float | None
    failed: bool
    dangers: tuple[str, ...]
    flags: tuple[str, ...]
    counts: bool


@dataclass(frozen=True, slots=True)
class Spell:
    """Bias and SD, lateral, posterior, superior, mm, of the `WINDOW` placements that end with the ``last`` (from 1)."""

    last: int
    bias_mm: tuple[float, ...]
    sd_mm: tuple[float, ...]


def over_time(parts_mm: Sequence[Sequence[float]]) -> tuple[Spell, ...]:
    """Bias and scatter as they change; none with fewer than `WINDOW` placements.

    Example
    -------
    >>> [spell.bias_mm[0] for spell in over_time([[0.8, 0, 0]] + 8 * [[0.0, 0, 0]])]
    [0.1, 0.0]
    """
    found = []
    for last in range(WINDOW, len(parts_mm) + 1):
        rows = np.array(parts_mm[last - WINDOW : last], dtype=np.float64)
        bias, sd = rows.mean(axis=0), rows.std(axis=0, ddof=1)
        found.append(Spell(last, tuple(map(float, bias)), tuple(map(float, sd))))
    return tuple(found)


@dataclass(frozen=True, slots=True)
class LandmarkProgress:
    """One landmark over all counting attempts; bias and SD in lateral, posterior, superior (None: too few)."""

    id: str
    errors_mm: tuple[float, ...]
    outside: int
    wrong_status: int
    bias_mm: tuple[float, ...] | None
    sd_mm: tuple[float, ...] | None
    cusum: CusumPath
    learning: LearningPath
    parts_mm: tuple[tuple[float, ...], ...] = ()

    @property
    def over_time(self) -> tuple[Spell, ...]:
        """Bias and scatter of every run of `WINDOW` placements, the oldest first."""
        return over_time(self.parts_mm)


@dataclass(frozen=True, slots=True)
class LengthAgreement:
    """Needed lengths from the person's marks against the reference: bias and limits with intervals, ICC(2,1), SEM."""

    ears: int
    bias_mm: float
    bias_95: tuple[float, float]
    limits_mm: tuple[float, float]
    low_95: tuple[float, float]
    high_95: tuple[float, float]
    icc: float | None
    icc_95: tuple[float, float] | None
    sem_mm: float | None


@dataclass(frozen=True, slots=True)
class ReaderProgress:
    """Everything the progress page says about one person."""

    reader: str
    attempts: tuple[AttemptRow, ...]
    landmarks: tuple[LandmarkProgress, ...]
    cusum: CusumPath
    learning: LearningPath
    lengths: LengthAgreement | None
    drills: tuple[tuple[str, str, int, int], ...]
    next_step: str
    length_pairs: tuple[tuple[float, float], ...] = ()


def counted(store: Store, reader: str) -> tuple[tuple[AttemptRecord, ScoreRecord], ...]:
    """A person's handed-in and scored attempts with the score that counts (the first), in order."""
    from ctmeasure.store.attempts import HANDED_IN, attempts, scores

    found = []
    for record in attempts(store, reader=reader):
        kept = scores(store, record.id) if record.state == HANDED_IN else ()
        if kept:
            found.append((record, kept[0]))
    return tuple(found)


def reader_progress(store: Store, reader: str) -> ReaderProgress:
    """Progress of one person.

    Parameters
    ----------
    store, reader
        Database and pseudonym.

    Returns
    -------
    ReaderProgress

    Raises
    ------
    ctmeasure.store.database.StoreError
        When nobody is known by that pseudonym.
    """
    from ctmeasure.store.attempts import REPEAT_FLAG, drills

    pairs = counted(store, reader)
    rows = tuple(_row(record, score, REPEAT_FLAG not in record.flags) for record, score in pairs)
    contents = [score.content for (_, score), row in zip(pairs, rows, strict=True) if row.counts]
    landmarks = tuple(found for name in landmark_terms() if (found := landmark_progress(name, contents)) is not None)
    failed = [row.failed for row in rows if row.counts]
    return ReaderProgress(
        reader,
        rows,
        landmarks,
        cusum_path(failed, DESIGN),
        learning_path(failed, LEARNING),
        length_agreement(contents),
        drills(store, reader),
        _next_step(rows, landmarks),
        tuple(pair for content in contents if (pair := length_pairs(content)) is not None),
    )


def _row(record: AttemptRecord, score: ScoreRecord, counts: bool) -> AttemptRow:
    content = score.content
    errors = [p["radial_mm"] for p in content["points"] if p["radial_mm"] is not None]
    return AttemptRow(
        record.task, record.number, record.handed_in_at or "", record.active_s, content["level"], content["composite"],
        float(np.mean(errors)) if errors else None, content["failed"], tuple(content["dangers"]), record.flags, counts,
    )  # fmt: skip


def landmark_progress(landmark_id: str, contents: Sequence[dict[str, Any]]) -> LandmarkProgress | None:
    """One landmark over scored attempts; None when no attempt asked for it."""
    from ctmeasure.planning.scoring.points import outcome

    points = [p for content in contents for p in content["points"] if p["id"] == landmark_id]
    outcomes = [outcome(p["expected"], p["given"]) for p in points]
    judged = [(p, word) for p, word in zip(points, outcomes, strict=True) if word != "open"]
    if not judged:
        return None
    placed = [p for p, _ in judged if p["radial_mm"] is not None]
    vectors = np.array([[p[part] for part in PARTS] for p in placed])
    spread = reader_spread(vectors) if len(placed) >= LEAST_PLACEMENTS else None
    wrong = sum(word in ("missed", "invented", "unanswered", "mistaken") for _, word in judged)
    failures = [p["inside"] is False or word in ("missed", "invented", "unanswered") for p, word in judged]
    return LandmarkProgress(
        landmark_id,
        tuple(p["radial_mm"] for p in placed),
        sum(p["inside"] is False for p in placed),
        wrong,
        tuple(float(v) for v in spread.bias_mm) if spread else None,
        tuple(float(v) for v in np.sqrt(np.diag(spread.covariance_mm2))) if spread else None,
        cusum_path(failures, DESIGN),
        learning_path(failures, LEARNING),
        tuple(tuple(float(v) for v in row) for row in vectors.tolist()),
    )


def length_pairs(content: dict[str, Any]) -> tuple[float, float] | None:
    """Needed length from the attempt and from the reference, of the first reconstruction both give."""
    lengths = (content.get("consequences") or {}).get("lengths") or []
    return (lengths[0]["attempt_mm"], lengths[0]["reference_mm"]) if lengths else None


def length_agreement(contents: Sequence[dict[str, Any]]) -> LengthAgreement | None:
    """Agreement of needed lengths with the reference; None with fewer than three ears."""
    pairs = np.array([pair for content in contents if (pair := length_pairs(content)) is not None]).reshape(-1, 2)
    if len(pairs) < FEW_LENGTHS:
        return None
    limits = limits_of_agreement(pairs[:, 0], pairs[:, 1])
    found = agreement(pairs) if np.ptp(pairs) > 0.0 else None
    return LengthAgreement(
        len(pairs), limits.bias, limits.bias_95, (limits.low, limits.high), limits.low_95, limits.high_95,
        found.absolute.value if found else None,
        (found.absolute.low_95, found.absolute.high_95) if found else None, found.sem_agreement if found else None,
    )  # fmt: skip


def hardest(landmarks: Sequence[LandmarkProgress]) -> LandmarkProgress | None:
    """The landmark that fails most often, by its share of failures; None when none fails."""

    def share(item: LandmarkProgress) -> float:
        tries = len(item.errors_mm) + item.wrong_status
        return (item.outside + item.wrong_status) / tries if tries else 0.0

    failing = [item for item in landmarks if share(item) > 0.0]
    return max(failing, key=lambda item: (share(item), len(item.errors_mm)), default=None)


def _next_step(rows: Sequence[AttemptRow], landmarks: Sequence[LandmarkProgress]) -> str:
    if not any(row.counts for row in rows):
        return "hand in a first attempt"
    last = [words for row in rows[-3:] for words in row.dangers]
    if any("left for right" in words for words in last):
        return "drill the clock hours of right and left ears before the next ear (practice drill clock)"
    if last:
        return "look for what lies behind each hole before you choose it (practice drill behind)"
    worst = hardest(landmarks)
    if worst is None:
        return "every landmark was inside its limit: go on to a harder level"
    label = landmark_terms()[worst.id].label
    tries = len(worst.errors_mm) + worst.wrong_status
    failed = worst.outside + worst.wrong_status
    return f"practise the {label} next ({failed} of {tries} failed): {practice_terms()[worst.id].mistake}"


def progress_lines(found: ReaderProgress) -> tuple[str, ...]:
    """The progress of a person in words."""
    lines = [f"{found.reader}: {sum(r.counts for r in found.attempts)} attempts that count"]
    for row in found.attempts:
        error = f"mean error {row.mean_error_mm:.2f} mm" if row.mean_error_mm is not None else "nothing to measure"
        composite = f", score {row.composite:.0f}" if row.composite is not None else ""
        dangers = f", {len(row.dangers)} dangerous" if row.dangers else ""
        repeat = "" if row.counts else " (a repeat; not counted)"
        lines.append(f"  {row.task} ({row.level or 'no level'}): {error}{composite}{dangers}{repeat}")
    for item in found.landmarks:
        lines.append(f"  {landmark_terms()[item.id].label}: {_landmark_words(item)}")
    lines += [learning_words(found.learning), cusum_words(found.cusum)]
    if found.lengths:
        lines.append(length_words(found.lengths))
    lines += [f"drill {kind}: {right} of {asked} right" for _, kind, right, asked in found.drills[-3:]]
    lines.append(f"next: {found.next_step}")
    return tuple(lines)


def _landmark_words(item: LandmarkProgress) -> str:
    if not item.errors_mm:
        return f"{item.wrong_status} wrong statuses"
    errors = radial_errors(item.errors_mm)
    success = errors.success[1]
    words = (
        f"{errors.count} placed, mean {errors.mean_mm:.2f} mm, {success.within}/{success.count} within "
        f"{success.radius_mm:g} mm ({success.low_95:.2f} to {success.high_95:.2f})"
    )
    if item.bias_mm is not None and item.sd_mm is not None:
        bias = "/".join(f"{v:+.2f}" for v in item.bias_mm)
        sd = "/".join(f"{v:.2f}" for v in item.sd_mm)
        words += f", bias {bias}, SD {sd} mm (lateral/posterior/superior)"
    return words + (f", {item.wrong_status} wrong statuses" if item.wrong_status else "")


def learning_words(path: LearningPath) -> str:
    """Whether competence has been shown, with the limit and what it rests on."""
    rates = f"acceptable {LEARNING.acceptable_rate:g}, unacceptable {LEARNING.unacceptable_rate:g}"
    design = (
        f"limit {LEARNING.limit:.2f} ({rates}; false competence at most {LEARNING.false_competence:g} in "
        f"{LEARNING.attempts} attempts)"
    )
    if not path.values:
        return f"learning curve (LC-CUSUM): no attempt yet; {design}"
    reached = f"competence shown at attempt {path.competent_at[-1] + 1}" if path.competent_at else "not shown yet"
    return f"learning curve (LC-CUSUM) {path.values[-1]:.2f}: {reached}; {design}"


def cusum_words(path: CusumPath) -> str:
    """Where the cumulative sum stands, with its limits."""
    rates = f"acceptable {DESIGN.acceptable_rate:g}, unacceptable {DESIGN.unacceptable_rate:g}"
    limits = f"limits {DESIGN.lower_limit:.2f} and {DESIGN.upper_limit:.2f} ({rates})"
    if not path.values:
        return f"CUSUM: no attempt yet; {limits}"
    last = max((*path.acceptable_at, *path.unacceptable_at), default=None)
    if last is None:
        state = "undecided"
    elif last in path.acceptable_at:
        state = f"failure rate acceptable at attempt {last + 1}"
    else:
        state = f"failure rate not acceptable at attempt {last + 1}; of a beginner this says 'not yet'"
    return f"CUSUM {path.values[-1]:.2f}: {state}; {limits}"


def length_words(found: LengthAgreement) -> str:
    """Agreement of lengths in one sentence, each number with its interval."""
    icc = ""
    if found.icc is not None and found.icc_95 is not None and found.sem_mm is not None:
        low, high = found.icc_95
        icc = f"; ICC(2,1) {found.icc:.2f} ({low:.2f} to {high:.2f}), "
        icc += f"standard error of measurement {found.sem_mm:.2f} mm"
    return (
        f"lengths against the reference, {found.ears} ears: bias {found.bias_mm:+.2f} mm "
        f"({found.bias_95[0]:+.2f} to {found.bias_95[1]:+.2f}), limits of agreement {found.limits_mm[0]:+.2f} "
        f"({found.low_95[0]:+.2f} to {found.low_95[1]:+.2f}) and {found.limits_mm[1]:+.2f} "
        f"({found.high_95[0]:+.2f} to {found.high_95[1]:+.2f}) mm{icc}"
    )


def progress_as_dict(found: ReaderProgress) -> dict[str, Any]:
    """The progress as plain JSON values."""
    return asdict(found)


def stored_lines(record: AttemptRecord, kept: Sequence[ScoreRecord]) -> tuple[str, ...]:
    """A stored score in words; later scorings stand beside the one that counts."""
    content = kept[0].content
    composite = content["composite"]
    lines = [f"task {record.task}, handed in {record.handed_in_at}"]
    lines.append(f"score {composite:.0f}" if composite is not None else "no landmark to score")
    lines += [f"DANGEROUS: {words}" for words in content["dangers"]]
    lines += content["sentences"]
    for later in kept[1:]:
        other = later.content["composite"]
        shown = f"{other:.0f}" if other is not None else "none"
        lines.append(f"scored again on {later.at} by version {later.version}: {shown}; the first score counts")
    if content["special"]:
        lines.append(f"this ear: {content['special']}")
    return (*lines, *record.flags)
