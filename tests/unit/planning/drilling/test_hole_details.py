"""One hole in detail: dragged, what would change its answer, heat, a bare nerve, the shaft on its way."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from ctmeasure.anatomy.facts import CaseFacts
from ctmeasure.errors import LandmarkError
from ctmeasure.planning.drilling.changes import change_words
from ctmeasure.planning.drilling.heat import HEAT_FLAG, heat_words
from ctmeasure.planning.drilling.lumen import overhang_mm, without_overhang
from ctmeasure.planning.drilling.probability import BLOCK, EARLY_TAILS, clopper_pearson_arrays, doubling
from ctmeasure.planning.drilling.sites import assess_sites, reassess_site
from ctmeasure.planning.drilling.structures import obstacles
from ctmeasure.planning.settings import Settings


def site(marks, ear, name, angle, radius=3.4, depth=2.5):
    point = marks.at(ear, [angle], [radius], [depth])[0]
    return marks.Site(name, tuple(map(float, point)))


@pytest.fixture(scope="module")
def above(scene, marks, ear):
    return assess_sites(scene, [site(marks, ear, "a", 350.0)])[0]


def test_a_dragged_hole_gives_the_same_numbers_from_fewer_draws(scene, marks, ear, above):
    quick = reassess_site(scene, site(marks, ear, "a", 350.0))
    assert quick.wall == above.wall
    assert quick.angle_to_normal_deg == above.angle_to_normal_deg
    for fast, slow in zip(quick.clearances, above.clearances, strict=True):
        assert fast.structure == slow.structure
        assert fast.estimate.value == slow.estimate.value
        # 2,000 draws know a standard deviation to 1.6 %.
        assert fast.estimate.standard_uncertainty == pytest.approx(slow.estimate.standard_uncertainty, rel=0.1)
        n = max(fast.draws, 1000)
        spread = np.sqrt(max(slow.p_below_margin, 1.0 / n) / n)
        assert fast.p_below_margin == pytest.approx(slow.p_below_margin, abs=5.0 * spread)
        # Fewer draws may leave a verdict open, never make one clear that is not.
        assert fast.verdict != "clear" or slow.verdict == "clear"
    assert quick.changes == ()


def test_a_dragged_hole_without_numbers_is_an_error(scene, marks):
    with pytest.raises(LandmarkError, match="not a number"):
        reassess_site(scene, marks.Site("a", (float("nan"), 0.0, 0.0)))


def test_halving_a_doubt_lowers_the_spread_by_its_share(above):
    assert above.changes
    for change in above.changes:
        assert change.u_halved_mm <= change.u_mm * 1.02
        # Linear budget: halving one part leaves u^2 - 3/4 of its square.
        linear = np.sqrt(max(change.u_mm**2 - 0.75 * change.doubt_u_mm**2, 0.0))
        assert change.u_halved_mm == pytest.approx(linear, abs=0.25 * change.u_mm)
        assert change.action
        assert change.action in change_words(change)
    first = [c for c in above.changes if c.structure == above.changes[0].structure]
    assert [c.doubt_u_mm for c in first] == sorted((c.doubt_u_mm for c in first), reverse=True)


def test_heat_is_spoken_of_near_the_nerve_only_and_with_its_sources(scene, marks, ear):
    for result in assess_sites(scene, [site(marks, ear, f"s{a}", a) for a in (20.0, 100.0, 250.0)]):
        row = next(c for c in result.clearances if c.structure == "facial_nerve")
        assert (HEAT_FLAG in result.flags) == (row.estimate is not None and row.estimate.value < 2.0)
    assert "doi:10.1016/j.medengphy.2013.03.023" in heat_words()
    assert ";" not in HEAT_FLAG


def test_a_bare_nerve_bulges_by_the_stated_allowance(make_scene, marks, ear):
    facts = CaseFacts(side="right", findings={"facial_dehiscence": "present"})
    bare, covered = (make_scene(facts=f) for f in (facts, CaseFacts(side="right")))
    place = [site(marks, ear, "a", 20.0)]
    rows = [
        next(c for c in assess_sites(s, place)[0].clearances if c.structure == "facial_nerve") for s in (bare, covered)
    ]
    assert rows[1].estimate.value - rows[0].estimate.value == pytest.approx(0.3, abs=1e-6)
    assert "bulge of a bare nerve allowed for all along, since no open stretch was found" in rows[0].flags


def test_where_the_trace_found_the_canal_open_only_that_stretch_bulges(marks, ear):
    """Ten vertices hold 0.2 mm already; the setting asks for 0.3: a tenth more there, nothing elsewhere."""
    nerve = next(s for s in marks.everything(ear) if s.id == "facial_nerve")
    given = tuple(0.2 if 5 <= n < 15 else 0.0 for n in range(len(nerve.points)))
    facts = CaseFacts(side="right", findings={"facial_dehiscence": "present"})
    options = {"landmarks": ear.landmarks, "settings": Settings(dehiscence_bulge_mm=0.3)}
    (found,) = (o for o in obstacles([replace(nerve, bulges_mm=given)], facts=facts, **options) if o.id == nerve.id)
    assert found.radii_mm - nerve.radii == pytest.approx([0.1 if g else 0.0 for g in given])
    assert "bulge of a bare nerve allowed for where the scan shows it open" in found.flags
    (plain,) = (o for o in obstacles([replace(nerve, bulges_mm=given)], **options) if o.id == nerve.id)
    assert plain.radii_mm == pytest.approx(nerve.radii)


def test_what_the_shaft_would_touch_is_said_and_is_at_best_a_caution(make_scene, marks, ear):
    """An old implant across the middle of the canal lies in the way of the shaft, far from the hole itself."""
    points = np.array([ear.canal.point_lps(10.0, x, 8.0) for x in (-3.0, 2.0)])
    structures = (*marks.everything(ear), marks.tube("old_prosthesis", points, 0.3))
    (result,) = assess_sites(make_scene(structures=structures), [site(marks, ear, "a", 10.0)])
    assert any(flag.startswith("on the way of the instrument: ") for flag in result.flags)
    assert result.verdict != "clear"


def test_places_say_whether_they_are_in_sight_and_how_freely_they_are_reached(zone):
    known = [c for c in zone.cells if c.entry_lps is not None]
    assert all(c.in_sight is True for c in known if c.rim_distance_mm >= 1.0)
    assert all(0.0 <= c.freedom <= 1.0 for c in known)
    assert all((c.freedom > 0.0) for c in known if c.reachable and c.angle_to_normal_deg <= 60.0)


def test_overhang_is_what_juts_in_beyond_the_widest_place_deeper_in():
    radius = np.array([[4.0, 3.0, np.nan, 2.5, 4.5]])
    assert overhang_mm(radius)[0] == pytest.approx([0.0, 1.0, np.nan, 1.5, 0.0], nan_ok=True)
    assert without_overhang(radius, removed_mm=1.0)[0] == pytest.approx([4.0, 4.0, np.nan, 3.5, 4.5], nan_ok=True)


def test_looking_again_and_again_does_not_make_false_clears():
    """True probability just over 1 in 1000, looked at after each doubling to 200,000: clear in at most 3 %.

    With the 95 % interval at every look it was 7.8 %; truth from the binomial distribution itself.
    """
    rng = np.random.default_rng(3)
    looks = doubling(200_000)
    n = 40_000
    events, done = np.zeros(n, np.int64), 0
    clear, open_ = np.zeros(n, bool), np.ones(n, bool)
    for target in looks:
        events += rng.binomial((target - done) * BLOCK, 0.00101, n)
        done = target
        tail = 0.025 if target == looks[-1] else EARLY_TAILS / (len(looks) - 1)
        low, high = clopper_pearson_arrays(events, done * BLOCK, tail=tail)
        clear |= open_ & (high <= 0.001)
        open_ &= (high > 0.001) & (low <= 0.001)
    assert clear.mean() < 0.03
