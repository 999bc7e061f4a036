"""Published risk scores as their items: what was entered, its points, and a sum only when every item is there.

No score predicts hearing here, and none changes any number of the plan.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from ctmeasure.anatomy.facts import risk_item_states
from ctmeasure.anatomy.tabledata import table_rows

NO_PREDICTION = "a score of published items: no hearing result is predicted from it"


@dataclass(frozen=True, slots=True)
class RiskItem:
    """One item of one score; ``state`` empty and ``points`` None when nobody entered it."""

    id: str
    words: str
    state: str
    points: int | None
    how_found: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True)
class RiskScore:
    """One published score with its items.

    ``total`` is None while an item is missing; ``maxima`` are those that publications state, the one its items add up
    to first.
    """

    id: str
    words: str
    items: tuple[RiskItem, ...]
    total: int | None
    maxima: tuple[int, ...]
    maximum_note: str
    bands: str
    source: str

    @property
    def missing(self) -> tuple[str, ...]:
        """Words of the items nobody entered."""
        return tuple(item.words for item in self.items if item.points is None)

    @property
    def entered(self) -> bool:
        """Whether any item was entered."""
        return len(self.missing) < len(self.items)


def risk_scores(risk_items: Mapping[str, str]) -> tuple[RiskScore, ...]:
    """Every score of the table.

    Parameters
    ----------
    risk_items
        ``score.item`` to state, as in `ctmeasure.anatomy.facts.CaseFacts.risk_items`.

    Returns
    -------
    tuple of RiskScore

    Raises
    ------
    Nothing.

    Example
    -------
    >>> items = {"oops.drainage": "none", "oops.mucosa": "normal", "oops.ossicles": "malleus_present",
    ...     "oops.surgery": "no_mastoidectomy", "oops.revision": "no"}
    >>> risk_scores(items)[0].total
    1
    """
    return tuple(_score(row, risk_items) for row in table_rows("risk_scores.csv"))


def _score(row: Mapping[str, str], risk_items: Mapping[str, str]) -> RiskScore:
    items = []
    for key, states in risk_item_states().items():
        score, _, item = key.partition(".")
        if score != row["score"]:
            continue
        state = states.get(risk_items.get(key, ""))
        first = next(iter(states.values()))
        items.append(
            RiskItem(item, first["item_words"], "", None)
            if state is None
            else RiskItem(
                item, state["item_words"], state["state_words"], int(state["points"]), state["how_found"], state["note"]
            )
        )
    points = [item.points for item in items if item.points is not None]
    return RiskScore(
        row["score"], row["words"], tuple(items), sum(points) if len(points) == len(items) else None,
        tuple(int(part) for part in row["published_maxima"].split(";")), row["maximum_note"], row["bands"],
        row["source"],
    )  # fmt: skip
