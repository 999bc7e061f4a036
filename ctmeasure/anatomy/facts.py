"""What the user knows about the ear and the scan does not say: entered, never guessed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from types import MappingProxyType
from typing import Any, Literal

from ctmeasure.anatomy.clock import checked_side, in_stretch
from ctmeasure.anatomy.tabledata import table_rows
from ctmeasure.anatomy.vocabulary import Side
from ctmeasure.errors import SettingsError

Finding = Literal["present", "absent", "not_seen"]
FINDINGS: tuple[Finding, ...] = ("present", "absent", "not_seen")
YesNo = Literal["yes", "no", "unknown"]
YES_NO: tuple[YesNo, ...] = ("yes", "no", "unknown")
YES_NO_FACTS = ("only_hearing_ear", "nerve_seen_bare", "chorda_cut", "wall_taken_down", "operated_since_scan")
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


@lru_cache(maxsize=1)
def risk_item_states() -> dict[str, dict[str, dict[str, str]]]:
    """``score.item`` to its states (row of the table by state word), in the order of the table.

    Example
    -------
    >>> sorted(risk_item_states()["oops.revision"])
    ['no', 'yes']
    """
    found: dict[str, dict[str, dict[str, str]]] = {}
    for row in table_rows("risk_items.csv"):
        found.setdefault(f"{row['score']}.{row['item']}", {})[row["state"]] = row
    return found


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
    risk_items: Mapping[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        object.__setattr__(self, "findings", MappingProxyType(dict(self.findings)))
        object.__setattr__(self, "risk_items", MappingProxyType(dict(self.risk_items)))

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
        from a range of wall angles such as ``"330-30"`` to a wall finding; ``risk_items`` a table of scores, each a
        table of items such as ``oops.revision = "yes"``. Booleans mean yes and no.

    Returns
    -------
    CaseFacts

    Raises
    ------
    SettingsError
        For an unknown key, finding or word, a value of the wrong kind, and facts that contradict each other.

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
    if values.get("side") is not None:
        values["side"] = checked_side(_text("side", values["side"]))
    for key in YES_NO_FACTS:
        if key in values:
            values[key] = _yes_no(key, values[key])
    if "footplate_mobility" in values:
        _one_of("footplate_mobility", values["footplate_mobility"], ("mobile", "fixed", "unknown"))
    for key in ("facial_function", "implant_material"):
        if key in values:
            values[key] = _text(key, values[key])
    if "earlier_operations" in values:
        values["earlier_operations"] = _texts("earlier_operations", values["earlier_operations"])
    findings = _word_table("findings", values.get("findings"), 'such as scutum = "absent"')
    for key, word in findings.items():
        _one_of("finding", key, tuple(finding_labels()))
        _one_of(f"finding '{key}'", word, FINDINGS)
    values["findings"] = findings
    ranges = _word_table("canal_wall", values.get("canal_wall"), 'such as "330-30" = "intact"')
    values["canal_wall"] = tuple(_wall_state(key, word) for key, word in ranges.items())
    values["risk_items"] = _risk_items(values.get("risk_items"))
    facts = CaseFacts(**values)
    check_facts_agree(facts)
    return facts


def check_facts_agree(facts: CaseFacts) -> None:
    """Refuse facts about the canal wall that cannot both be true.

    Parameters
    ----------
    facts
        The facts of one ear.

    Raises
    ------
    SettingsError
        When the wall was taken down and is intact all round, or one stretch is both intact and taken down.

    Example
    -------
    >>> check_facts_agree(CaseFacts(wall_taken_down="yes", canal_wall=(WallState(330.0, 30.0, "intact"),)))
    """
    intact = [state for state in facts.canal_wall if state.finding == "intact"]
    if facts.wall_taken_down == "yes" and _covers_all_round(intact):
        raise SettingsError(
            "wall_taken_down is 'yes' and canal_wall says intact all round",
            expected="one of the two",
            action="give the stretch that was taken down, or set wall_taken_down to 'no'",
        )
    for state in facts.canal_wall:
        for whole in intact:
            if state.finding == "taken_down" and _overlap(state, whole):
                raise SettingsError(
                    f"canal_wall says {_range_text(whole)} intact and {_range_text(state)} taken down",
                    expected="one finding a stretch of the wall",
                    action="correct the ranges",
                )


def _range_text(state: WallState) -> str:
    return f"{state.start_deg:g}-{state.end_deg:g}"


def _holds(state: WallState, angle_deg: float) -> bool:
    return in_stretch(angle_deg, state.start_deg, state.end_deg)


def _overlap(one: WallState, other: WallState) -> bool:
    """Two stretches share an angle exactly when one holds the start of the other."""
    return _holds(one, other.start_deg) or _holds(other, one.start_deg)


def _covers_all_round(states: list[WallState]) -> bool:
    """Whether stretches together leave no gap: then every end is inside, or at the start of, another one."""
    return bool(states) and all(
        state.all_round or any(other is not state and _holds(other, state.end_deg) for other in states)
        for state in states
    )


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
    data["risk_items"] = dict(facts.risk_items)
    data["canal_wall"] = {f"{s.start_deg:g}-{s.end_deg:g}": s.finding for s in facts.canal_wall}
    return data


def _risk_items(value: Any) -> dict[str, str]:
    """Items of published scores, ``score.item`` to state; nested tables and dotted keys mean the same."""
    flat: dict[str, Any] = {}
    for key, inner in value.items() if isinstance(value, Mapping) else ():
        if isinstance(inner, Mapping):
            flat |= {f"{key}.{item}": state for item, state in inner.items()}
        else:
            flat[str(key)] = inner
    if value is not None and not isinstance(value, Mapping):
        _word_table("risk_items", value, 'such as oops.revision = "yes"')
    states = risk_item_states()
    found = {}
    for key, state in flat.items():
        _one_of("risk item", key, tuple(states))
        word = ("yes" if state else "no") if isinstance(state, bool) else state
        _one_of(f"risk item '{key}'", word, tuple(states[key]))
        found[key] = word
    return found


def _yes_no(key: str, value: Any) -> YesNo:
    if isinstance(value, bool):
        return "yes" if value else "no"
    _one_of(key, value, YES_NO)
    return value


def _one_of(key: str, value: Any, allowed: tuple[str, ...]) -> None:
    if value not in allowed:
        raise SettingsError(f"{key} is '{value}'", expected=" or ".join(allowed), action="correct the facts")


def _text(key: str, value: Any) -> str:
    if not isinstance(value, str):
        raise SettingsError(f"{key} is {_shown(value)}", expected="a text in quotes", action="correct the facts")
    return value


def _texts(key: str, value: Any) -> tuple[str, ...]:
    if not isinstance(value, (list, tuple)) or not all(isinstance(item, str) for item in value):
        raise SettingsError(
            f"{key} is {_shown(value)}",
            expected='a list of texts such as ["first operation"]',
            action="correct the facts",
        )
    return tuple(value)


def _word_table(key: str, value: Any, example: str) -> dict[str, str]:
    """A table of words; empty when nothing was entered."""
    if value is None:
        return {}
    if not isinstance(value, Mapping) or not all(isinstance(word, str) for word in value.values()):
        raise SettingsError(
            f"{key} is {_shown(value)}", expected=f"a table of words {example}", action="correct the facts"
        )
    return {str(name): word for name, word in value.items()}


SHOWN_LETTERS = 60
"""How much of a wrong value a message repeats."""


def _shown(value: Any) -> str:
    text = repr(dict(value) if isinstance(value, Mapping) else value)
    return text if len(text) <= SHOWN_LETTERS else text[:SHOWN_LETTERS] + "..."


def _wall_state(key: str, word: str) -> WallState:
    """One stretch of the wall; angles beyond the circle and a stretch without length are refused, never guessed at."""
    _one_of(f"canal_wall '{key}'", word, WALL_FINDINGS)
    try:
        start, end = (float(part) for part in key.split("-"))
    except ValueError:
        start = end = -1.0
    on_circle = 0.0 <= start <= 360.0 and 0.0 <= end <= 360.0
    if (start, end) == (0.0, 360.0):
        return WallState(0.0, 360.0, word)  # type: ignore[arg-type]
    if not on_circle or start % 360.0 == end % 360.0:
        raise SettingsError(
            f"canal_wall range '{key}'",
            expected="two different wall angles from 0 to 360 such as '330-30', or '0-360' for all round",
            action="correct the facts",
        )
    return WallState(start % 360.0, end % 360.0, word)  # type: ignore[arg-type]
