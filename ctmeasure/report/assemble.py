"""From a case and its key pictures to the content of the report."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from ctmeasure.anatomy.clock import clock_hour, clock_words
from ctmeasure.case.answers import five_answers, header_line
from ctmeasure.case.model import Case, Picture
from ctmeasure.case.remains import PARTS, part_state
from ctmeasure.case.table_sizes import chosen_lengths
from ctmeasure.planning.cautions import SHORT_CAUTION, cautions
from ctmeasure.planning.lengths.table import table_set
from ctmeasure.planning.results import VERDICT_WORDS, LengthRow
from ctmeasure.report.content import AnswerView, Content
from ctmeasure.report.figures import canal_view, lengths, small, unrolled
from ctmeasure.report.figures.canvas import Image
from ctmeasure.report.figures.map_layers import doubt_behind, far_sides, limits_in_map
from ctmeasure.report.figures.margin import MARGIN_WORDS
from ctmeasure.report.figures.slices import WIDTH_MM as SLICE_WIDTH_MM
from ctmeasure.report.figures.slices import side_words
from ctmeasure.report.figures.wall import WallScene
from ctmeasure.report.hearing_tables import hearing_charts
from ctmeasure.report.length_tables import GroupKey, group_words, length_groups
from ctmeasure.report.numbers import fixed, probability
from ctmeasure.report.page_one import (
    VOID_BANNER,
    date_words,
    fact_pairs,
    finding_pairs,
    gap_groups,
    identity,
    number_boxes,
)
from ctmeasure.report.plain import case_fingerprint
from ctmeasure.report.scene import wall_scene
from ctmeasure.report.sections import tables
from ctmeasure.report.sheet import operating_sheet

CHARTS = 4
"""Reconstructions whose sizes are drawn, the first of each kind; the table has all of them."""
HOLES_QUESTION = 3
"""What is missing for this answer is what was not assessed, printed in full below the answers."""
MAP_NOTE = (
    "The hours are those the surgeon reads looking into this ear. Broken lines across: the band of rim distances "
    "searched for holes. Dashed outlines: structures projected straight onto the wall along the canal axis; a shadow, "
    "not a measurement. Holes are drawn to scale; the letters a and b name the two holes of a pair."
)


def build_content(
    case: Case, pictures: Sequence[tuple[Picture, bytes]] = (), picture_notes: Sequence[str] = ()
) -> Content:
    """Everything the report says about a case.

    Parameters
    ----------
    case
        With or without results.
    pictures
        Key pictures with their PNG bytes.
    picture_notes
        Words for pictures that are stale or missing.

    Returns
    -------
    Content
    """
    scene = wall_scene(case)
    fingerprint = case_fingerprint(case)
    return Content(
        fingerprint=fingerprint,
        title=f"{side_words(case.side)}, {case.scan.pseudonym or 'no pseudonym'}: measurement report",
        side=side_words(case.side),
        banner=VOID_BANNER if case.facts.plan_is_void else "",
        short_caution=SHORT_CAUTION,
        header_line=header_line(case),
        identity=identity(case, fingerprint),
        facts=fact_pairs(case),
        findings=finding_pairs(case),
        numbers=number_boxes(case),
        answers=_answers(case, scene),
        gaps=gap_groups(case),
        cautions=cautions(),
        maps=_maps(case, scene),
        map_note=" ".join(part for part in (MAP_NOTE, reach_words(scene), scene.key_words) if part)
        if scene
        else "No map: the rim, the canal axis or the results are missing.",
        pictures=tuple(
            Image(
                picture.file,
                data,
                f"{picture.title}. {picture.caption}",
                picture.caption,
                SLICE_WIDTH_MM,
                picture.title,
            )
            for picture, data in pictures
        ),
        picture_intro=_picture_intro(case),
        picture_notes=tuple(picture_notes),
        charts=_charts(case),
        tables=tables(case, fingerprint),
        sheet=operating_sheet(case, fingerprint=fingerprint),
        hearing=hearing_charts(case),
    )


def _picture_intro(case: Case) -> str:
    window = "Bone window. " if case.scan.intensity_unit == "HU" else "Grey values of this scanner, not calibrated. "
    return (
        f"{window}Crosses: landmarks near the plane, with the 95 % ellipse of their doubt. Blue outlines: structures "
        "where the plane cuts them; broken lines: their centre lines close by. White outlines: drill paths to scale. "
        "Cross-hatched: outside the scan."
    )


def _answers(case: Case, scene: WallScene | None) -> tuple[AnswerView, ...]:
    result = case.results
    states = {name: part_state(case.landmarks, ids) for name, ids in PARTS}
    drum = result.measurement("drum_lateralisation") if result else None
    void = case.facts.plan_is_void
    rows = chosen_lengths(result) if result and not void else ()
    table = table_set(rows)
    drawn = (
        small.chain_picture(states),
        small.drum_picture(drum.estimate if drum else None),
        small.holes_picture(scene),
        small.length_picture(rows, table.sizes_mm if table else ()),
        small.moved_picture(date_words(case.scan.date) if case.scan.date else ""),
    )
    names = ("left", "drum", "holes", "length", "moved")
    return tuple(
        AnswerView(
            answer.number,
            answer.question,
            answer.sentences,
            tuple(item.rstrip(".") for item in answer.missing) if answer.number != HOLES_QUESTION else (),
            Image(
                f"answer-{answer.number}-{name}.svg",
                data,
                f"Small picture: {'; '.join(answer.sentences)}",
                "",
                small.WIDTH_MM,
            ),
        )
        for answer, data, name in zip(five_answers(case), drawn, names, strict=True)
    )


def reach_words(scene: WallScene) -> str:
    """How many cells of the map the instrument cannot reach, and of how many that is not known; empty without any."""
    total = len(scene.cells)
    kept = sum(cell.verdict == "clear" for cell in scene.out_of_reach)
    words = []
    if scene.out_of_reach:
        words.append(
            f"A backward stroke in a cell: this instrument cannot reach it ({len(scene.out_of_reach)} of {total} "
            f"cells, {kept} of them with margin kept); no hole is offered there."
        )
    unknown = sum(cell.reachable is None and cell.verdict in ("clear", "caution") for cell in scene.cells)
    if unknown:
        words.append(f"Reach not assessed in {unknown} cells with margin kept or caution.")
    return " ".join(words)


def _maps(case: Case, scene: WallScene | None) -> tuple[Image, ...]:
    if scene is None:
        return ()
    counts = Counter(VERDICT_WORDS[cell.verdict] for cell in scene.cells)
    share = ", ".join(f"{words} {counts[words]} cells" for words in VERDICT_WORDS.values())
    holes = "; ".join(
        f"{hole.label} at {clock_words(_hour(hole.wall_angle_deg, scene))} o'clock, "
        f"{fixed(hole.rim_distance_mm, 1)} mm from the rim"
        for hole in scene.holes
    )
    side = side_words(scene.side)
    verdict = f"{side}, canal wall unrolled by clock hour and distance from the rim: {share}. Holes: {holes or 'none'}."
    verdict = " ".join(part for part in (verdict, reach_words(scene)) if part)
    return (
        Image(
            "map-verdict.svg",
            unrolled.unrolled_map(scene),
            verdict,
            "Verdict of every place on the wall. Dash-dotted: " + MARGIN_WORDS + ".",
            unrolled.WIDTH_MM,
        ),
        Image(
            "down-the-canal.svg",
            canal_view.down_the_canal(scene),
            f"{side}, as the surgeon sees down the canal, posterior at {_hour(90.0, scene):g} o'clock: {share}.",
            "Outside the ring the wall is opened out: a millimetre from the rim is a millimetre outwards. Inside it: a "
            "straight look along the canal axis.",
            canal_view.WIDTH_MM,
        ),
        Image(
            "map-thickness.svg",
            unrolled.unrolled_map(scene, layer="thickness"),
            f"{side}, bone thickness along the drill direction on the unrolled wall, with contours in mm.",
            "Bone along the drill direction up to the first gap; light is thick. Model dependent where walls are thin: "
            "single places carry no interval here, holes assessed as sites do.",
            unrolled.WIDTH_MM,
        ),
        Image(
            "map-clearance.svg",
            unrolled.unrolled_map(scene, layer="clearance"),
            f"{side}, clearance of the bur to the nearest marked structure on the unrolled wall, with contours in mm.",
            "Least gap of the swept bur over all marked structures; dark is close. Structures that were not marked are "
            "not in it; standard uncertainties are in zone.csv. Dash-dotted: " + MARGIN_WORDS + ".",
            unrolled.WIDTH_MM,
        ),
        Image(
            "map-probability.svg",
            unrolled.unrolled_map(scene, layer="probability"),
            f"{side}, largest probability of one structure that a hole leaves less than its margin, with contours.",
            "Of the marked structure where it is largest, alone; dark is likely. Structures that were not marked are "
            "not in it. " + limits_in_map(scene),
            unrolled.WIDTH_MM,
        ),
        Image(
            "map-access.svg",
            unrolled.unrolled_map(scene, layer="access"),
            f"{side}, angle of the best reachable drill direction to the wall's normal, with contours in degrees.",
            "Small angles are square to the wall. A backward stroke: this instrument cannot reach the place.",
            unrolled.WIDTH_MM,
        ),
        Image(
            "map-behind.svg",
            unrolled.unrolled_map(scene, layer="far side"),
            f"{side}, what lies behind each place of the wall along its drill direction: "
            + ", ".join(f"{letter} {name}" for name, letter in far_sides(scene).items())
            + ".",
            "Read from the scan and the marked structures along the drill direction; letters name the likeliest space. "
            + doubt_behind(scene),
            unrolled.WIDTH_MM,
        ),
    )


def _hour(wall_angle_deg: float, scene: WallScene) -> float:
    return float(clock_hour(wall_angle_deg, scene.side))


def _charts(case: Case) -> tuple[Image, ...]:
    if case.results is None or case.facts.plan_is_void:
        return ()
    groups = {
        key: rows
        for key, rows in length_groups(case.results.lengths).items()
        if any(row.size_mm is not None and row.p_fits is not None for row in rows)
    }
    chosen = chosen_lengths(case.results)
    first = next(iter(length_groups(chosen)), None)
    order = sorted(groups, key=lambda key: key != first)
    leading = [key for i, key in enumerate(order) if key[0] not in {earlier[0] for earlier in order[:i]}]
    return tuple(_chart(case, i, key, groups[key]) for i, key in enumerate(leading[:CHARTS]))


def _chart(case: Case, number: int, key: GroupKey, rows: Sequence[LengthRow]) -> Image:
    title = group_words(key)
    words = "; ".join(
        f"{fixed(row.size_mm)} mm: short {probability(row.p_short)}, fits {probability(row.p_fits)}, "
        f"long {probability(row.p_long)}"
        for row in lengths.likely_rows(rows)
    )
    data = lengths.length_chart(rows, side=case.side, title=title)
    caption = "Probability that each size is too short, fits, or is too long; the size in bold ranks first."
    return Image(
        f"lengths-{number + 1}.svg", data, f"{side_words(case.side)}, {title}. {words}.", caption, lengths.WIDTH_MM
    )
