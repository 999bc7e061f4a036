"""What the user knows about the ear and the scan does not say: entered, never guessed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from types import MappingProxyType
from typing import Any, Literal

from ctmeasure.anatomy.clock import checked_side
from ctmeasure.anatomy.tabledata import table_rows
from ctmeasure.anatomy.vocabulary import Side
from ctmeasure.errors import SettingsError

Finding = Literal["present", "absent", "not_seen"]
FINDINGS: tuple[Finding, ...] = ("present", "absent", "not_seen")
YesNo = Literal["yes", "no", "unknown"]
YES_NO: tuple[YesNo, ...] = ("yes", "no", "unknown")
WallFinding = Literal["intact", "eroded_scutum", "taken_down", "rebuilt", "earlier_holes", "not_seen"]
WALL_FINDINGS: tuple[WallFinding, ...] = (
    "intact",
    "eroded_scutum",
    "taken_down",
    "rebuilt",
    "earlier_holes",
    "not_seen",
)


@lru_cache(maxsize=1)
def finding_labels() -> dict[str, str]:
    """Finding id to its words, in the order of page one.

    Example
    -------
    >>> finding_labels()["narrow_niche"]
    'narrow oval-window niche'
    """
    return {row["id"]: row["label"] for row in table_rows("findings.csv")}


@dataclass(frozen=True, slots=True)
class WallState:
    """A finding about the canal wall between two wall angles (start included, end excluded); 0 to 360 is all round."""

    start_deg: float
    end_deg: float
    finding: WallFinding

    @property
    def all_round(self) -> bool:
        """Whether the finding holds for the whole wall."""
        return abs(self.end_deg - self.start_deg) >= 360.0


@dataclass(frozen=True, slots=True)
class CaseFacts:
    """Facts and findings of one ear. Everything not entered stays ``unknown`` or ``not_seen``.

    Example
    -------
    >>> CaseFacts(side="right").only_hearing_ear
    'unknown'
    """

    side: Side | None = None
    only_hearing_ear: YesNo = "unknown"
    facial_function: str = "not entered"
    earlier_operations: tuple[str, ...] = ()
    nerve_seen_bare: YesNo = "unknown"
    chorda_cut: YesNo = "unknown"
    wall_taken_down: YesNo = "unknown"
    footplate_mobility: Literal["mobile", "fixed", "unknown"] = "unknown"
    implant_material: str = "not entered"
    operated_since_scan: YesNo = "unknown"
    findings: Mapping[str, Finding] = field(default_factory=dict)
    canal_wall: tuple[WallState, ...] = ()

    def __post_init__(self) -> None:
        object.__setattr__(self, "findings", MappingProxyType(dict(self.findings)))

    def __hash__(self) -> int:
        return hash((self.side, self.facial_function, tuple(sorted(self.findings.items())), self.canal_wall))

    def finding(self, finding_id: str) -> Finding:
        """One finding; ``not_seen`` when nobody has entered it."""
        return self.findings.get(finding_id, "not_seen")

    @property
    def plan_is_void(self) -> bool:
        """An operation since the scan makes every plan from it void."""
        return self.operated_since_scan == "yes"


def facts_from_mapping(data: Mapping[str, Any]) -> CaseFacts:
    """Facts from a parsed TOML or JSON table.

    Parameters
    ----------
    data
        Keys are the field names of `CaseFacts`; ``findings`` is a table of finding ids; ``canal_wall`` a table
        from a range of wall angles such as ``"330-30"`` to a wall finding. Booleans mean yes and no.

    Returns
    -------
    CaseFacts

    Raises
    ------
    SettingsError
        For an unknown key, finding or word.

    Example
    -------
    >>> facts_from_mapping({"side": "left", "chorda_cut": True, "findings": {"scutum": "absent"}}).chorda_cut
    'yes'
    """
    known = set(CaseFacts.__dataclass_fields__)
    for key in data:
        if key not in known:
            raise SettingsError(f"unknown fact '{key}'", expected=", ".join(sorted(known)), action="correct the facts")
    values: dict[str, Any] = dict(data)
    if values.get("side") is not None and "side" in values:
        values["side"] = checked_side(str(values["side"]))
    for key in ("only_hearing_ear", "nerve_seen_bare", "chorda_cut", "wall_taken_down", "operated_since_scan"):
        if key in values:
            values[key] = _yes_no(key, values[key])
    if "footplate_mobility" in values:
        _one_of("footplate_mobility", values["footplate_mobility"], ("mobile", "fixed", "unknown"))
    if "earlier_operations" in values:
        values["earlier_operations"] = tuple(str(text) for text in values["earlier_operations"])
    findings = dict(values.get("findings") or {})
    for key, word in findings.items():
        _one_of("finding", key, tuple(finding_labels()))
        _one_of(f"finding '{key}'", word, FINDINGS)
    values["findings"] = findings
    values["canal_wall"] = tuple(_wall_state(key, word) for key, word in dict(values.get("canal_wall") or {}).items())
    return CaseFacts(**values)


def facts_to_mapping(facts: CaseFacts) -> dict[str, Any]:
    """The inverse of `facts_from_mapping`.

    Example
    -------
    >>> facts_from_mapping(facts_to_mapping(CaseFacts(side="left"))) == CaseFacts(side="left")
    True
    """
    data: dict[str, Any] = {name: getattr(facts, name) for name in CaseFacts.__dataclass_fields__}
    data["earlier_operations"] = list(facts.earlier_operations)
    data["findings"] = dict(facts.findings)
    data["canal_wall"] = {f"{s.start_deg:g}-{s.end_deg:g}": s.finding for s in facts.canal_wall}
    return data


def _yes_no(key: str, value: Any) -> YesNo:
    if isinstance(value, bool):
        return "yes" if value else "no"
    _one_of(key, value, YES_NO)
    return value


def _one_of(key: str, value: Any, allowed: tuple[str, ...]) -> None:
    if value not in allowed:
        raise SettingsError(f"{key} is '{value}'", expected=" or ".join(allowed), action="correct the facts")


def _wall_state(key: str, word: str) -> WallState:
    _one_of(f"canal_wall '{key}'", word, WALL_FINDINGS)
    try:
        start, end = (float(part) for part in key.split("-"))
    except ValueError:
        raise SettingsError(
            f"canal_wall range '{key}'", expected="two wall angles such as '330-30'", action="correct the facts"
        ) from None
    if end - start >= 360.0:
        return WallState(0.0, 360.0, word)  # type: ignore[arg-type]
    return WallState(start % 360.0, end % 360.0, word)  # type: ignore[arg-type]
