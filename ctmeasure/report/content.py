"""What the report says, once: HTML and PDF print the same records."""

from __future__ import annotations

from dataclasses import dataclass

from ctmeasure.report.figures.canvas import Image


@dataclass(frozen=True, slots=True)
class Pair:
    """A label and what stands beside it."""

    label: str
    value: str


@dataclass(frozen=True, slots=True)
class TextGroup:
    """Sentences under one heading."""

    label: str
    items: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class NumberBox:
    """One of the numbers the room asks for, in large print, its interval beside it."""

    label: str
    value: str
    beside: str
    note: str = ""


@dataclass(frozen=True, slots=True)
class AnswerView:
    """One of the five questions with its answer, what is missing for it, and its small picture."""

    number: int
    question: str
    sentences: tuple[str, ...]
    missing: tuple[str, ...]
    image: Image


@dataclass(frozen=True, slots=True)
class Column:
    """A table column; ``numeric`` ones are set flush right, ``share`` is the width asked for."""

    label: str
    numeric: bool = False
    share: float = 1.0


@dataclass(frozen=True, slots=True)
class Table:
    """A table of finished text; ``empty`` is printed when it has no rows."""

    id: str
    title: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[str, ...], ...]
    note: str = ""
    empty: str = "none"


@dataclass(frozen=True, slots=True)
class Sheet:
    """The page for the operating room."""

    time_out: tuple[str, ...]
    holes: tuple[str, ...]
    sizes: tuple[str, ...]
    checks: tuple[str, ...]
    not_assessed: tuple[str, ...]
    cautions: tuple[str, ...]
    identity: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Content:
    """The whole report; ``fingerprint`` is the case's own, printed and written wherever pages are compared."""

    fingerprint: str
    title: str
    side: str
    banner: str
    short_caution: str
    header_line: str
    identity: tuple[Pair, ...]
    facts: tuple[Pair, ...]
    findings: tuple[Pair, ...]
    numbers: tuple[NumberBox, ...]
    answers: tuple[AnswerView, ...]
    gaps: tuple[TextGroup, ...]
    cautions: tuple[str, ...]
    maps: tuple[Image, ...]
    map_note: str
    pictures: tuple[Image, ...]
    picture_intro: str
    picture_notes: tuple[str, ...]
    charts: tuple[Image, ...]
    tables: tuple[Table, ...]
    sheet: Sheet
    hearing: tuple[Image, ...] = ()

    @property
    def images(self) -> tuple[Image, ...]:
        """Every picture once, in the order of the pages."""
        return (*(answer.image for answer in self.answers), *self.maps, *self.pictures, *self.charts, *self.hearing)
