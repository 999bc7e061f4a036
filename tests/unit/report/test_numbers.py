import pytest

from ctmeasure.report.numbers import NOT_GIVEN, fixed, flag_words, interval, probability, with_interval
from ctmeasure.report.words import in_words
from ctmeasure.uncertainty.estimate import Estimate

DRUM = Estimate(2.44, 0.15, 2.14, 2.74, "mm", "example")


def test_a_sentence_has_one_decimal_and_a_table_two():
    assert with_interval(DRUM, 1) == "2.4 mm (2.1 to 2.7)"
    assert with_interval(DRUM) == "2.44 mm (2.14 to 2.74)"


def test_minus_is_a_minus_sign_and_zero_has_none():
    assert fixed(-1.24, 1) == "\N{MINUS SIGN}1.2"
    assert fixed(-0.04, 1) == "0.0"
    assert interval(Estimate(0.0, 0.2, -0.4, 0.4, "mm", "example"), 1) == "\N{MINUS SIGN}0.4 to 0.4"


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0.0, "<1 in 1000"),
        (0.00099, "<1 in 1000"),
        (0.001, "0.001"),
        (0.0094, "0.009"),
        (0.05, "0.05"),
        (1.0, ">0.999"),
    ],
)
def test_probabilities_below_one_in_a_thousand_are_a_bound(value, text):
    assert probability(value) == text


def test_missing_numbers_never_print_as_a_number():
    assert probability(None) == probability(float("nan")) == fixed(None) == fixed(float("inf")) == NOT_GIVEN
    assert with_interval(None) == NOT_GIVEN


def test_flags_are_words_once_each():
    assert flag_words(("below_resolution", "coarse ring", "below_resolution")) == "below resolution; coarse ring"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("footplate_centre", "footplate centre"),
        ("facial_nerve", "facial canal"),
        ("annulus", "drum rim"),
        ("placement of footplate_superior", "placement of footplate upper edge"),
        ("surface of facial_nerve", "surface of facial canal"),
        ("annulus_to_footplate", "annulus to footplate"),
        ("not marked: joint fossa", "not marked: joint fossa"),
    ],
)
def test_ids_are_printed_as_their_labels(text, words):
    assert in_words(text) == words
