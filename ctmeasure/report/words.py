"""Names of the vocabulary as people read them."""

from __future__ import annotations

import re
from functools import lru_cache

from ctmeasure.anatomy.vocabulary import landmark_terms, structure_terms


@lru_cache(maxsize=1)
def _labels() -> tuple[dict[str, str], re.Pattern[str]]:
    """The label of every id, and a pattern for those ids no ordinary word looks like."""
    labels = {term.id: term.label for term in landmark_terms().values()}
    labels |= {term.id: term.label for term in structure_terms().values()}
    spelled = "|".join(sorted((name for name in labels if "_" in name), key=len, reverse=True))
    return labels, re.compile(rf"\b(?:{spelled})\b")


def in_words(text: str) -> str:
    """A text with the vocabulary's ids replaced by their labels, and no underscore left.

    Parameters
    ----------
    text
        An id, or words with ids among them; an id of one word is replaced where it stands alone or after "of".

    Example
    -------
    >>> in_words("surface of facial_nerve"), in_words("placement of annulus"), in_words("annulus_to_footplate")
    ('surface of facial canal', 'placement of drum rim', 'annulus to footplate')
    """
    labels, spelled = _labels()
    if text in labels:
        return labels[text]
    head, of, last = text.rpartition(" of ")
    if of and last in labels:
        return f"{in_words(head)} of {labels[last]}"
    return spelled.sub(lambda found: labels[found.group()], text).replace("_", " ")
