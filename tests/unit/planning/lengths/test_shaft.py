"""What lies along the shaft, the plain statement, staged lengths, the surgeon's choice, several catalogues."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from ctmeasure.anatomy.structures import Tube
from ctmeasure.planning.lengths.catalogue_toml import catalogue_from_toml
from ctmeasure.planning.lengths.narrowing import SPAN_WORDS, choice_flags, narrowing_words
from ctmeasure.planning.lengths.shaft import (
    DRUM_TILT,
    FACIAL_GAP,
    FOOTPLATE_TILT,
    NICHE_GAP,
    NICHE_HEIGHT,
    PROMONTORY_GAP,
    SHOE_ROOM,
    point_to_segment_mm,
)
from ctmeasure.planning.lengths.sizes import plan_lengths
from ctmeasure.planning.lengths.spans import AS_IT_LIES, AS_PLANNED, Span
from ctmeasure.planning.lengths.staged import staged_length
from ctmeasure.planning.lengths.table import CHOSEN_FLAG
from ctmeasure.planning.measurands.inputs import NicheRims
from ctmeasure.planning.settings import Settings
from ctmeasure.uncertainty.estimate import Contribution, Estimate

PLATE = {
    "footplate_anterior": (-4, -1.45, 0),
    "footplate_posterior": (-4, 1.45, 0),
    "footplate_superior": (-4, 0, 0.7),
    "footplate_inferior": (-4, 0, -0.7),
}
FACIAL = Tube("facial_nerve", "placed", ((-3.0, -6.0, 2.0), (-3.0, 6.0, 2.0)), 0.1, "R1", (0.6, 0.6))


def along(given, reconstruction="total", geometry=AS_IT_LIES):  # type: ignore[no-untyped-def]
    found = plan_lengths(given).shafts
    return {c.what: c for c in found if (c.reconstruction, c.geometry) == (reconstruction, geometry)}


def with_facial(given, **changes):  # type: ignore[no-untyped-def]
    return replace(given, measure=replace(given.measure, structures=(FACIAL,), **changes))


def test_tilt_and_gaps_along_a_straight_shaft(make_lengths) -> None:  # type: ignore[no-untyped-def]
    """Drum contact (1, 0, 0) over the footplate at (-4, 0, 0): along x, so no tilt; canal 2.0 mm above at x = -3."""
    checks = along(with_facial(make_lengths(points={**PLATE, "drum_contact": (1.0, 0, 0)})))
    assert checks[FACIAL_GAP].estimate.value == pytest.approx(2.0 - 0.6 - 0.2)
    assert checks[PROMONTORY_GAP].estimate.value == pytest.approx(4.0 - 0.2)
    assert checks[FOOTPLATE_TILT].estimate.value == pytest.approx(0.0, abs=1e-9)
    assert checks[DRUM_TILT].estimate.value == pytest.approx(0.0, abs=1e-9)
    assert checks[FACIAL_GAP].p_bad == pytest.approx(0.0, abs=1e-3)


def test_tilt_is_the_angle_to_each_normal(make_lengths) -> None:  # type: ignore[no-untyped-def]
    """A contact 5 mm out and 2 mm back: atan(2/5)."""
    checks = along(make_lengths(points={**PLATE, "drum_contact": (1.0, 2.0, 0)}))
    for what in (FOOTPLATE_TILT, DRUM_TILT):
        assert checks[what].estimate.value == pytest.approx(math.degrees(math.atan2(2.0, 5.0)), abs=0.01)
        assert checks[what].estimate.unit == "deg"


def test_a_shaft_through_the_canal_touches_it(make_lengths) -> None:  # type: ignore[no-untyped-def]
    given = with_facial(make_lengths(points={**PLATE, "drum_contact": (1.0, 0, 10.0)}))
    check = along(given)[FACIAL_GAP]
    assert check.estimate.value < 0.0
    assert check.p_bad > 0.9


def test_what_was_not_marked_is_not_assessed(make_lengths) -> None:  # type: ignore[no-untyped-def]
    checks = along(make_lengths(status={"promontory": "not_seen"}))
    for what in (FOOTPLATE_TILT, FACIAL_GAP, PROMONTORY_GAP, NICHE_GAP, NICHE_HEIGHT, SHOE_ROOM):
        assert checks[what].estimate is None
        assert checks[what].p_bad is None
        assert checks[what].flags
    assert "promontory (not seen)" in checks[PROMONTORY_GAP].flags[0]


def test_niche_against_cut_offs_and_shoe(make_lengths) -> None:  # type: ignore[no-untyped-def]
    """Rims 1.0 mm above and 0.8 mm below the shaft: 1.8 mm high, 0.8 mm shoe leaves 1.0 mm, nearer rim 0.6 mm off."""
    rims = NicheRims((-3.2, 0.0, 1.0), (-3.2, 0.0, -0.8), 0.05)
    checks = along(with_facial(make_lengths(points=PLATE), niche=rims))
    assert checks[NICHE_HEIGHT].estimate.value == pytest.approx(1.8)
    assert checks[NICHE_HEIGHT].p_bad == pytest.approx(0.0, abs=1e-3)
    assert checks[SHOE_ROOM].estimate.value == pytest.approx(1.0)
    assert checks[NICHE_GAP].estimate.value == pytest.approx(0.8 - 0.2)


def test_a_narrow_niche_is_below_the_cut_off_and_too_small_for_a_wide_shoe(make_lengths) -> None:  # type: ignore[no-untyped-def]
    rims = NicheRims((-3.2, 0.0, 0.6), (-3.2, 0.0, -0.5), 0.02)
    text = '[[size]]\nreconstruction = "total"\nlabel_mm = [4.0, 4.5]\noffset_mm = 0\nshoe_diameter_mm = 1.3'
    given = make_lengths(points=PLATE, catalogues=(catalogue_from_toml(text),))
    checks = along(with_facial(given, niche=rims))
    assert checks[NICHE_HEIGHT].p_bad == pytest.approx(1.0)
    assert "below the cut-off of 1.325 mm" in checks[NICHE_HEIGHT].p_bad_words
    assert checks[SHOE_ROOM].estimate.value == pytest.approx(-0.2)
    assert checks[SHOE_ROOM].p_bad > 0.99


def test_distance_to_a_segment_from_beside_and_beyond() -> None:
    start, end = np.array([[0.0, 0, 0]]), np.array([[0.0, 0, 2.0]])
    points = np.array([[3.0, 4.0, 1.0], [0.0, 0.0, 5.0], [0.0, 3.0, -4.0]])
    assert point_to_segment_mm(points, start, end) == pytest.approx([5.0, 3.0, 5.0])


def test_the_plain_statement_counts_sizes_and_names_what_narrows() -> None:
    parts = (Contribution("planned handle position", 0.4), Contribution("placement of footplate_centre", 0.3))
    needed = Estimate(4.6, 0.5, 3.62, 5.58, "mm", "", parts)
    statement, narrows = choice_flags(needed, list(np.arange(2.5, 8.01, 0.25)))
    assert statement == f"{SPAN_WORDS}: the interval spans eight sizes, take a sizer"
    # 0.4^2 / 0.5^2 = 64 %; halved: sqrt(0.2^2 + 0.3^2) = 0.36
    assert "planned handle position (64 % of the variance)" in narrows
    assert "a scan once the handle has settled would narrow it" in narrows
    assert "0.36 instead of 0.50 mm" in narrows


def test_what_narrows_depends_on_where_the_doubt_comes_from() -> None:
    hand = Estimate(5.6, 0.5, 4.6, 6.6, "mm", "", (Contribution("planned handle position", 0.5),))
    assert "nothing on CT: it is how well the hand reaches the plan" in narrowing_words(hand, reconstruction="handle")
    assert "once the handle has settled" in narrowing_words(hand, reconstruction="total")
    image = Estimate(5.6, 0.5, 4.6, 6.6, "mm", "", (Contribution("drum_centre found in the image", 0.5),))
    assert "a sharper scan would narrow it" in narrowing_words(image)


def test_nothing_is_said_where_the_scan_can_choose() -> None:
    assert choice_flags(Estimate(4.6, 0.25, 4.1, 5.1, "mm", ""), [4.5]) == ()
    assert narrowing_words(Estimate(4.6, 0.3, 4.0, 5.2, "mm", "")) == ""


def test_staged_length_swaps_the_plan_for_one_placement(make_lengths) -> None:  # type: ignore[no-untyped-def]
    """Now: rim, hand 0.1 and so on. Later: footplate 0.1, placement 0.1, scale 0.3 % of 3 mm, seat 0.05."""
    staged = plan_lengths(make_lengths(settings=Settings(
        placement_noise_mm=0.1, draws_maximum=20_000, handle_placement_u_mm=0.4
    ))).staged  # fmt: skip
    (one,) = [s for s in staged if s.reconstruction == "total" and s.lateral_contact == "planned handle tip"]
    assert one.later.value == one.now.value
    assert one.later.standard_uncertainty == pytest.approx(math.sqrt(0.01 + 0.01 + 0.009**2 + 0.0025), rel=0.03)
    assert one.later.standard_uncertainty < one.now.standard_uncertainty
    assert one.assumption.startswith("assumed")
    (drum,) = [s for s in staged if s.reconstruction == "total" and s.lateral_contact == "drum_centre"]
    assert drum.later is None


def test_what_the_image_found_of_the_drum_goes_with_the_plan_of_the_handle() -> None:
    """0.3 (one placement) with 0.05 of the footplate and 0.05 of the seat are left."""
    sources = ("drum_centre", "planned handle position", "footplate_centre")
    span = Span("total", AS_PLANNED, "planned handle tip", "footplate_centre", "handle", sources)
    parts = ("drum_centre found in the image", "planned handle position", "footplate_centre found in the image", "seat")
    budget = tuple(Contribution(name, u) for name, u in zip(parts, (0.1, 0.4, 0.05, 0.05), strict=True))
    staged = staged_length(span, Estimate(5.0, 0.42, 4.2, 5.8, "mm", "", budget), 0.3)
    assert staged.later.standard_uncertainty == pytest.approx(math.sqrt(0.09 + 0.0025 + 0.0025))


def test_the_choice_of_the_surgeon_is_marked(make_lengths) -> None:  # type: ignore[no-untyped-def]
    settings = Settings(placement_noise_mm=0.1, draws_maximum=20_000, reconstruction="total", lateral_contact="drum")
    found = plan_lengths(make_lengths(settings=settings))
    assert found.unmet_choice == ""
    chosen = {(r.reconstruction, r.lateral_contact, r.geometry) for r in found.rows if CHOSEN_FLAG in r.flags}
    assert chosen == {
        ("total", "drum_centre", AS_IT_LIES), ("total", "drum_centre re-laid at the rim", AS_PLANNED),
    }  # fmt: skip


@pytest.mark.parametrize(
    ("reconstruction", "contact", "words"),
    [
        ("total", "handle", "chosen: total from the handle.*handle_contact .*handle_tip"),
        ("partial", "not chosen", "chosen: partial.*stapes_head"),
        ("piston", "umbo", "no reconstruction"),
        ("handle", "not chosen", "chosen: handle, and no size"),
    ],
)
def test_a_choice_that_cannot_be_met_is_one_line_and_the_rest_comes_out(
    make_lengths, reconstruction: str, contact: str, words: str
) -> None:  # type: ignore[no-untyped-def]
    settings = Settings(
        placement_noise_mm=0.1, draws_maximum=20_000, reconstruction=reconstruction, lateral_contact=contact
    )
    found = plan_lengths(make_lengths(settings=settings, status={"handle_tip": "absent"}))
    import re

    assert re.search(words, found.unmet_choice)
    assert "\n" not in found.unmet_choice
    assert any(row.size_mm is not None for row in found.rows)


def test_catalogues_side_by_side_are_ranked_each_by_itself(make_lengths) -> None:  # type: ignore[no-untyped-def]
    one = catalogue_from_toml(
        'name = "one"\n[[size]]\nname = "a"\nreconstruction = "total"\nlabel_mm = [4.0, 4.5, 5.0]\noffset_mm = 0'
    )
    other = catalogue_from_toml(
        'name = "other"\n[[size]]\nname = "b"\nreconstruction = "total"\nlabel_mm = [4.1, 4.4]\noffset_mm = 0.1\n'
        '[[size]]\nname = "c"\nreconstruction = "total"\nlabel_mm = [4.2]'
    )
    rows = [
        r for r in plan_lengths(make_lengths(catalogues=(one, other))).rows
        if (r.reconstruction, r.geometry, r.lateral_contact) == ("total", AS_IT_LIES, "drum_centre")
    ]  # fmt: skip
    best = {(r.catalogue, r.implant): r.size_mm for r in rows if r.rank == 1}
    assert best == {("one", "a"): 4.5, ("other", "b"): 4.4}
    assert {r.functional_mm for r in rows if r.implant == "b"} == {4.2, 4.5}
    assert not [r for r in rows if r.implant == "c"]


def test_a_handle_whose_arms_do_not_reach_is_not_ranked(make_lengths) -> None:  # type: ignore[no-untyped-def]
    text = (
        '[[size]]\nname = "h"\nreconstruction = "handle"\nfrom_mm = 4.0\nto_mm = 6.0\nstep_mm = 0.25\noffset_mm = 0\n'
        "span_high_mm = 3.5\narm_reach_mm = 1.5"
    )
    pair = ((2.0, -1.5, 4.4), (2.0, 2.5, 4.4))
    rows = [
        r for r in plan_lengths(make_lengths(catalogues=(catalogue_from_toml(text),), pair_entries_lps=pair)).rows
        if r.reconstruction == "handle"
    ]  # fmt: skip
    assert len(rows) == 9
    assert all(r.rank is None for r in rows)
    assert any("hole span 4.00 mm, the implant takes to 3.5 mm" in flag for flag in rows[0].flags)
    assert any("arm reach 2.00 mm" in flag for flag in rows[0].flags)
