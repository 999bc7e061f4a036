import io
import re
from dataclasses import replace

import pikepdf
import pytest
from pdfminer.high_level import extract_pages
from pdfminer.layout import LAParams, LTTextContainer

from ctmeasure.planning.cautions import SHORT_CAUTION, cautions
from ctmeasure.report.assemble import build_content
from ctmeasure.report.content import NumberBox, Pair, TextGroup
from ctmeasure.report.page_one import VOID_BANNER
from ctmeasure.report.pdf import render_pdf


def squeezed(text):
    return " ".join(text.replace("\N{LATIN SMALL LIGATURE FI}", "fi").split())


def pages_of(data):
    return [
        squeezed(" ".join(item.get_text() for item in page if isinstance(item, LTTextContainer)))
        for page in extract_pages(io.BytesIO(data), laparams=LAParams(boxes_flow=None))
    ]


@pytest.fixture(scope="module")
def pages(pdf):
    return pages_of(pdf)


def test_it_is_tagged_and_has_title_and_language(pdf):
    with pikepdf.open(io.BytesIO(pdf)) as document:
        assert bool(document.Root.MarkInfo.Marked)
        assert "/StructTreeRoot" in document.Root
        assert str(document.Root.Lang).startswith("en")
        assert str(document.docinfo["/Title"]) == "RIGHT ear, SAMPLE-01: measurement report"
        assert "/CreationDate" not in document.docinfo


def test_every_picture_has_words(pdf, content):
    def figures(node):
        kids = node.get("/K", None)
        found = [node] if node.get("/S", None) == "/Figure" else []
        for kid in kids if isinstance(kids, pikepdf.Array) else ([kids] if kids is not None else []):
            if isinstance(kid, pikepdf.Dictionary):
                found += figures(kid)
        return found

    with pikepdf.open(io.BytesIO(pdf)) as document:
        alts = [str(f.get("/Alt", "")) for f in figures(document.Root.StructTreeRoot)]
    assert len(alts) == len(content.images)
    assert all(len(alt) > 20 for alt in alts)


def test_every_page_carries_the_caution_and_the_side(pages):
    assert len(pages) >= 6
    for text in pages:
        assert SHORT_CAUTION in text
        assert "RIGHT ear" in text


def test_page_one_holds_the_five_answers_and_all_cautions(pages):
    for words in ("What is left?", "How far out is the drum?", "Where can the holes go?", "How long?", "What moved?"):
        assert words in pages[0]
    for caution in cautions():
        assert caution in pages[0]
    assert "2.4 mm outside the rim (2.1 to 2.7)" in pages[0]
    assert "joint fossa not marked" in pages[0]


def test_page_one_leaves_nothing_out_while_there_is_room(pages, content):
    assert "more: see" not in pages[0]
    for group in content.gaps:
        for item in group.items:
            assert squeezed(item) in pages[0]


def test_the_sheet_is_its_own_page(pages):
    (sheet,) = [text for text in pages if "Sheet for the operating room" in text]
    for words in (
        "Patient label here",
        "Time-out",
        "Sizes on the table",
        "Check in the ear",
        "12:50 o'clock, upper front wall",
    ):
        assert words in sheet
    assert "Settings" not in sheet


def bare(content, **changes):
    """The same report without pictures, which are slow to read back."""
    return replace(content, maps=(), pictures=(), charts=(), tables=content.tables[:1], **changes)


def test_a_full_sheet_still_fits_one_page(content):
    long = "a line about as long as those that describe a hole, with numbers, intervals and what lies behind; "
    full = replace(
        content.sheet,
        holes=tuple(f"{n}: {long}{long[:60]}" for n in range(7)),
        sizes=tuple(f"{n}: {long}{long[:60]}" for n in range(6)),
        checks=(*content.sheet.checks, f"CONTRADICTION {long}"),
        not_assessed=tuple(f"sector {n}: {long}" for n in range(4)),
    )
    pages = pages_of(render_pdf(bare(content, sheet=full)))
    (sheet,) = [text for text in pages if "Sheet for the operating room" in text]
    assert "sector 3" in sheet
    assert "surgeon and radiologist come first." in sheet  # the end of the last caution
    assert content.sheet.identity[1] in sheet


def test_a_void_plan_says_so_on_every_page(content):
    pages = pages_of(render_pdf(bare(content, banner=VOID_BANNER)))
    assert len(pages) >= 3
    for text in pages:
        assert "PLAN VOID" in text


def test_text_is_data_and_never_program(content):
    evil = '#panic("x") *bold* $x$ <label> @ref \\ " \' /* // `raw` #import "a.typ"'
    named = bare(
        content,
        title=evil,
        header_line=evil,
        identity=(Pair(evil, evil),) * 4,
        facts=(Pair(evil, evil),),
        numbers=(NumberBox(evil, evil, evil, evil),),
        gaps=(TextGroup(evil, (evil,)),),
        sheet=replace(content.sheet, holes=(evil,), time_out=(evil,)),
    )
    text = squeezed(" ".join(pages_of(render_pdf(named))))
    assert text.count('#panic("x") *bold* $x$ <label> @ref') >= 8


def test_scripts_of_names_are_printed(content):
    named = bare(content, header_line="SAMPLE Ж Ω é ł")
    assert "SAMPLE Ж Ω é ł" in pages_of(render_pdf(named))[0]


def crowded(content, count):
    """The same report with so many gaps and so long facts that page one cannot hold them all."""
    gaps = tuple(TextGroup(g.label, tuple(f"{g.label} item {i} of words" for i in range(count))) for g in content.gaps)
    facts = (*content.facts, Pair("Earlier operations", "; ".join(f"operation {i}" for i in range(count))))
    tables = tuple(table for table in content.tables if table.id in ("facts", "gaps"))
    return replace(content, maps=(), pictures=(), charts=(), gaps=gaps, facts=facts, tables=tables)


@pytest.mark.parametrize("count", [12, 400])
def test_page_one_keeps_its_cautions_however_much_was_not_assessed(content, count):
    pages = pages_of(render_pdf(crowded(content, count)))
    for caution in cautions():
        assert caution in pages[0]
    assert "Sheet for the operating room" in pages[1], "page one is one page"
    for group in content.gaps:
        assert f"{group.label}." in pages[0]
    if count > 12:
        assert re.search(r"\d+ more: see page \d", pages[0])


def test_what_page_one_leaves_out_is_printed_on_the_page_it_names(content, case):
    full = crowded(content, 60)
    rows = tuple((group.label, item) for group in full.gaps for item in group.items)
    tables = tuple(replace(table, rows=rows) if table.id == "gaps" else table for table in full.tables)
    pages = pages_of(render_pdf(replace(full, tables=tables)))
    (page,) = {int(found) for found in re.findall(r"more: see page (\d+)", pages[0])}
    assert "Not assessed, not given, warnings" in pages[page - 1]
    for _, item in rows:
        assert any(item in text for text in pages[page - 1 :])


def test_no_verdict_is_called_safe(pages):
    assert not [text for text in pages if " safe" in text.lower()]


def test_a_case_without_results_can_be_printed(case):
    unplanned = build_content(replace(case, results=None))
    assert "nothing has been computed yet" in pages_of(render_pdf(unplanned))[0]
