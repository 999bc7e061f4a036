import re
from dataclasses import replace
from html.parser import HTMLParser

import pytest

from ctmeasure.anatomy.facts import CaseFacts
from ctmeasure.planning.cautions import cautions
from ctmeasure.report.assemble import build_content
from ctmeasure.report.html import render_html

EVIL = "<script>alert(1)</script>&\"'"


class Reader(HTMLParser):
    """Collects tags, attributes and text."""

    def __init__(self):
        super().__init__()
        self.tags, self.text, self._skip = [], [], False

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        self._skip = tag == "style"

    def handle_endtag(self, tag):
        if tag == "style":
            self._skip = False

    def handle_data(self, data):
        if not self._skip:
            self.text.append(data)

    @property
    def words(self):
        return re.sub(r"\s+", " ", " ".join(self.text))


def read(html):
    reader = Reader()
    reader.feed(html)
    return reader


@pytest.fixture(scope="module")
def page(html):
    return read(html)


def test_nothing_is_fetched_from_outside(html, page):
    for tag, attrs in page.tags:
        for name in ("src", "href", "action", "data"):
            value = attrs.get(name)
            assert value is None or value.startswith(("data:", "#")), (tag, name, value)
    assert "url(" not in html
    assert "@import" not in html
    assert not [t for t, _ in page.tags if t in ("script", "link", "iframe", "object")]


def test_every_picture_has_words_and_tables_have_scoped_headers(page):
    pictures = [a for t, a in page.tags if t == "img"]
    assert len(pictures) == 5 + 7 + 8 + 1
    assert all(len(a["alt"]) > 20 for a in pictures)
    headers = [a for t, a in page.tags if t == "th"]
    assert headers
    assert all(a.get("scope") in ("col", "row") for a in headers)
    assert ("html", {"lang": "en"}) in page.tags


def test_the_side_comes_first_and_large(page):
    (first,) = [i for i, (t, _) in enumerate(page.tags) if t == "h1"]
    assert first < next(i for i, (t, _) in enumerate(page.tags) if t == "img")
    assert page.words.index("RIGHT ear") < page.words.index("Facts")


def test_all_cautions_and_questions_are_there_in_order(page):
    for caution in cautions():
        assert caution in page.words
    questions = ["What is left?", "How far out is the drum?", "Where can the holes go?", "How long?", "What moved?"]
    places = [page.words.index(q) for q in questions]
    assert places == sorted(places)


def test_numbers_stand_beside_their_intervals(page, case):
    for item in case.results.measurements:
        if item.estimate is not None:
            number = f"{item.estimate.value:.2f}"
            assert re.search(
                rf"{number}( degrees)? +[\d.]+ +{item.estimate.low_95:.2f} to {item.estimate.high_95:.2f}", page.words
            )
    assert "2.4 mm outside the rim (2.1 to 2.7)" in page.words
    assert "4.6 mm (4.1 to 5.1)" in page.words
    assert "4.06 3.41 to 4.71" in page.words


def test_a_verdict_is_never_called_safe(page):
    assert not re.search(r"\bsafe\b", page.words, re.IGNORECASE)
    assert "margin kept" in page.words
    assert not re.search(r"\bclear\b", page.words.replace("Structures to keep clear of", ""))


def test_missing_numbers_say_why_and_rare_ones_are_bounds(page):
    assert re.search(r"drum thickness not given +below resolution", page.words)
    assert "umbo absent" in page.words
    assert "<1 in 1000" in page.words


def test_not_seen_absent_and_not_entered_stay_apart(page):
    assert "stapes arch not seen" in page.words
    assert "malleus absent" in page.words
    assert "Not entered:" in page.words


def test_markup_in_any_text_is_escaped(mapless):
    case = mapless
    site = replace(case.results.sites[0], id=EVIL)
    named = replace(
        case,
        scan=replace(case.scan, pseudonym=EVIL, description=EVIL),
        facts=replace(case.facts, earlier_operations=(EVIL,), implant_material=EVIL),
        results=replace(case.results, sites=(site,), not_assessed=(EVIL,), provenance={EVIL: EVIL}),
    )
    reader = read(render_html(build_content(named)))
    assert not [t for t, _ in reader.tags if t == "script"]
    assert "<script>alert(1)</script>&\"'" in reader.words


def test_a_void_plan_says_so_at_the_top_on_the_sheet_and_in_the_footer(mapless):
    case = mapless
    void = replace(case, facts=replace(case.facts, operated_since_scan="yes"))
    words = read(render_html(build_content(void))).words
    assert words.count("PLAN VOID") == 4  # at the top, on the sheet, in its time-out and in the footer
    assert words.index("PLAN VOID") < words.index("Facts")


def test_a_case_without_results_still_prints(case):
    words = read(render_html(build_content(replace(case, results=None)))).words
    assert "nothing has been computed yet" in words
    assert "not given" in words


def test_an_empty_case_says_what_is_missing(case):
    from ctmeasure.anatomy.landmarks import LandmarkSet

    bare = replace(case, landmarks=LandmarkSet(), structures=(), facts=CaseFacts(side="right"))
    words = read(render_html(build_content(bare))).words
    assert "No map: the rim, the canal axis or the results are missing." in words
    assert "no structure marked" in words


def test_every_setting_is_printed_with_its_origin(page, case):
    from ctmeasure.planning.settings import setting_rows

    for row in setting_rows(case.settings):
        assert row.words in page.words
        assert row.origin in page.words


def test_a_pairs_own_clearance_interval_is_printed_on_page_one_the_sheet_and_in_the_table(mapless, fabricated):
    first, *others = mapless.results.pairs
    first = replace(first, clearance_mm=1.83, clearance=fabricated.estimate(1.83, 0.25))
    planned = replace(mapless, results=replace(mapless.results, pairs=(first, *others)))
    words = read(render_html(build_content(planned))).words
    assert "Least gap of both holes 1.8 mm 1.3 to 2.3; nearest at the mean: chorda tympani" in words
    assert "Least gap of both holes: 1.8 mm (1.3 to 2.3; nearest at the mean: chorda tympani)" in words
    assert "1.83 (1.34 to 2.32)" in words
