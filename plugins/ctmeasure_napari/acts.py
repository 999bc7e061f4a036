"""What a person does with points, holes and the list, in terms of commands; and how the window looks, as plain data."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from ctmeasure.anatomy.structures import Ball, Patch, Structure, Tube
from ctmeasure.anatomy.vocabulary import STATUS_WORDS, Status, structure_term
from ctmeasure.app.commands import (
    AcceptSuggestion,
    Command,
    MoveLandmark,
    MoveStructurePoint,
    RemoveLandmark,
    RemoveSite,
    RemoveStructure,
    SetDoubt,
    SetSite,
    SetStatus,
    SetStructure,
)
from ctmeasure.app.holes import drilling_key
from ctmeasure.app.snapping import snapped
from ctmeasure.case.model import Case, SiteRequest
from ctmeasure.errors import CtmeasureError, GeometryError
from ctmeasure.report.scene import site_letters
from ctmeasure.volume.reformat import PlaneSpec

from . import panes
from .checklist import item_of, next_item
from .convert import through
from .greys import OWN
from .panes import FREE, SLABS
from .placing import Placing
from .scene import HOLE_REF, KEEP, SUGGESTED, PointRef, point_label

if TYPE_CHECKING:
    from .workbench import Workbench

Floats = npt.NDArray[np.float64]


def structure_ref(structure_id: str) -> str:
    """How the points of a structure are called among all points."""
    return KEEP + structure_id


def _point(point_lps: npt.ArrayLike) -> tuple[float, float, float]:
    x, y, z = (float(v) for v in np.asarray(point_lps))
    return x, y, z


def move_command(bench: Workbench, ref: PointRef, point_lps: npt.ArrayLike) -> Command:
    """What puts a point elsewhere."""
    point = _point(point_lps)
    if ref[0].startswith(SUGGESTED):
        raise CtmeasureError(f"{point_label(ref)}", expected="a placed point", action="accept it first: Enter")
    if ref[0].startswith(KEEP):
        return MoveStructurePoint(ref[0].removeprefix(KEEP), ref[1], point)
    if ref[0].startswith(HOLE_REF):
        return SetSite(SiteRequest(ref[0].removeprefix(HOLE_REF), point))
    return MoveLandmark(ref[0], ref[1], point, bench.observer)


def dragged_case(bench: Workbench, ref: PointRef, point_lps: npt.ArrayLike) -> Case | None:
    """The case as it would be if the point were let go there; None when it would not fit."""
    try:
        return move_command(bench, ref, point_lps).apply(bench.case)
    except CtmeasureError:
        return None


def site_of_label(bench: Workbench, label: str) -> str:
    """Id of the hole that the map writes this label beside; a hole of a pair gets one of its own."""
    letters = {letter: site for site, letter in site_letters(bench.chart.case.results).items()}
    first = next((part for part in label.split(", ") if part in letters), "")
    return letters.get(first, f"moved {label.split(', ')[0]}")


def move_hole(bench: Workbench, label: str, hours: float, rim_mm: float) -> None:
    """Put a hole of the map elsewhere on the wall; a hole of a pair becomes one that is asked for."""
    point = bench.chart.wall_point_lps(hours, rim_mm)
    if point is None:
        bench.say("the hole was not moved: no wall was found there")
        return
    site = site_of_label(bench, label)
    bench.do(SetSite(SiteRequest(site, _point(point))))
    bench.select((HOLE_REF + site, 0), go=True)


def start_placing(bench: Workbench, item_id: str, *, again: bool = False) -> None:
    """Begin to place something: the large pane turns to the first of its planes that can be made."""
    item = item_of(item_id)
    if bench.session.read_only:
        bench.say(bench.session.read_only)
        return
    bench.placing = Placing(item, again=again)
    marks = [m for m in bench.scene.points if m.ref[0] in (item.id, structure_ref(item.id))]
    bench.selected = marks[0].ref if marks and not item.many else None
    key = next((k for k in item.planes if k in bench.choices and bench.choices[k].plane is not None), None)
    bench.message = ""
    bench.in_use = bench.panes[0]
    if key is not None:
        pane, plane = bench.panes[0], bench.choices[key].plane
        assert plane is not None
        for small in bench.panes[1:]:
            if small.key == key:  # the large picture's plane goes where this one was
                small.key, small.plane = pane.key, pane.plane
                panes.fit(small)
        pane.key, pane.plane = key, plane
        panes.fit(pane)
        bench.focus_lps = _placing_focus(bench, plane, marks[0].point_lps if marks else None)
    bench.refresh()


def _placing_focus(bench: Workbench, plane: PlaneSpec, there_lps: Floats | None) -> Floats:
    """Where the planes go when placing begins: to the point when there is one, else to the plane's own place."""
    if there_lps is not None:
        return np.array(there_lps)
    inside = bool(bench.volume.geometry.contains_lps(plane.origin_lps))
    return np.array(plane.origin_lps) if inside else bench.focus_lps


def place_next(bench: Workbench) -> None:
    """Begin with the next thing nobody has said anything about."""
    item = next_item(bench.case, bench.asked)
    if item is None:
        bench.say("everything on the list is placed, absent or not seen")
    else:
        start_placing(bench, item.id)


def place(bench: Workbench, point_lps: Floats) -> None:
    """One click on what is being placed."""
    assert bench.placing is not None
    item = bench.placing.item
    whole = bench.placing.clicks(bench.case) + 1 >= item.fewest
    if bench.snap and not whole:
        point_lps, _ = _snapped(bench, item.id, point_lps)
    after, command = bench.placing.clicked(bench.case, point_lps, observer=bench.observer)
    bench.placing = after
    bench.focus_lps = np.array(point_lps)
    if command is None:
        bench.message = f"{item.label}: {item.clicks_words(after.clicks(bench.case))}"
        bench.refresh()
        return
    bench.do(command)
    if bench.message:
        return
    at = after.clicks(bench.case) - 1 if item.many else 0
    said = snap(bench, (item.id if item.what == "landmark" else structure_ref(item.id), at)) if bench.snap else ""
    if item.many:
        bench.message = f"{item.label}: {item.clicks_words(after.clicks(bench.case))}"
    else:
        bench.selected = (item.id, 0) if item.what == "landmark" else (structure_ref(item.id), 0)
        bench.placing = None
        bench.message = f"{item.label} placed; arrow keys move it, S snaps it, N is the next"
    if said:
        bench.message = f"{item.label}: {said}; undo takes that back"
    bench.refresh()


def _snapped(bench: Workbench, item_id: str, point_lps: Floats) -> tuple[Floats, str]:
    """Where the image shows what was clicked, and in words what it shows; the click itself and why when nothing."""
    plane = bench.in_use.values.spec
    found = snapped(bench.case, bench.volume, item_id, point_lps, looking_lps=plane.normal_lps)
    return (found.point_lps if found.found else point_lps), found.why


def snap(bench: Workbench, ref: PointRef) -> str:
    """Move a point to what the image shows there, as a step of its own; gives what was found in words, or nothing."""
    mark = bench.scene.point(ref)
    if mark is None:
        return ""
    point, why = _snapped(bench, ref[0].removeprefix(KEEP), mark.point_lps)
    if np.array_equal(point, mark.point_lps):
        return ""
    bench.do(move_command(bench, ref, point))
    return why


def snap_in_hand(bench: Workbench) -> None:
    """The same for the point in hand; says why when the image shows nothing there."""
    if bench.selected is None or bench.scene.point(bench.selected) is None or bench.session.read_only:
        bench.say(bench.session.read_only or "no point in hand to snap")
        return
    if bench.asked is not None:
        bench.say("no snapping here: what is asked for is your own hand")
        return
    mark = bench.scene.point(bench.selected)
    assert mark is not None
    name = bench.selected[0].removeprefix(KEEP)
    found, why = _snapped(bench, name, mark.point_lps) if mark.kind in ("landmark", "structure") else (None, "")
    if found is None or np.array_equal(found, mark.point_lps):
        bench.say(f"{mark.label} stays: {why or 'nothing to snap it to'}")
        return
    bench.do(move_command(bench, bench.selected, found))
    if not bench.message:
        bench.say(f"{mark.label}: {why}; undo takes that back")


def accept(bench: Workbench) -> None:
    """Accept the suggestion in hand: from then on it is a placed landmark of whoever accepted it."""
    name, what = in_hand(bench)
    found = next((s for s in bench.case.suggestions if s.id == name and not s.structure), None)
    if found is None or what != "landmark" or name in bench.case.landmarks:
        bench.say("no suggestion in hand")
        return
    bench.placing = None
    bench.do(AcceptSuggestion(name, bench.observer))
    if not bench.message:
        bench.selected = (name, 0)
        bench.message = f"{item_of(name).label} accepted; {found.evidence}"
    bench.refresh()


def end_placing(bench: Workbench) -> None:
    """Placing ends, or a suggestion in hand is accepted; a draft that is not enough is dropped with a sentence."""
    if bench.placing is None and bench.selected is not None and bench.selected[0].startswith(SUGGESTED):
        accept(bench)
        return
    placing, bench.placing = bench.placing, None
    bench.message = ""
    if placing is not None and placing.draft:
        bench.message = f"{placing.item.label}: {len(placing.draft)} clicks were not enough and are dropped"
    bench.refresh()


def set_status(bench: Workbench, status: Status) -> None:
    """Say that what is being placed, or in hand, is absent or not seen; the two are different findings."""
    item_id, what = in_hand(bench)
    if not item_id:
        bench.say("nothing in hand: choose something from the list")
        return
    item = item_of(item_id)
    if what == "landmark":
        bench.do(SetStatus(item_id, status))
    else:
        term = structure_term(item_id)
        if status == "absent" and not term.can_be_absent:
            bench.say(f"no ear is without {term.label}; if the scan does not show it, it is not seen")
            return
        bench.do(SetStructure(_unmarked(item_id, status)))
    bench.placing = None
    if not bench.message:
        bench.message = f"{item.label}: {STATUS_WORDS[status]}"
    bench.refresh()


def _unmarked(structure_id: str, status: Status) -> Structure:
    shape = structure_term(structure_id).shape
    return {"tube": Tube, "patch": Patch, "ball": Ball}[shape](structure_id, status, ())


def remove(bench: Workbench) -> None:
    """Take back what is in hand, as if nobody had said anything about it."""
    if bench.placing is None and bench.selected is not None and bench.selected[0].startswith(HOLE_REF):
        site = bench.selected[0].removeprefix(HOLE_REF)
        bench.do(RemoveSite(site))
        if not bench.message:
            bench.say(f"{point_label((HOLE_REF + site, 0))} taken back")
        return
    item_id, what = in_hand(bench)
    if not item_id:
        bench.say("nothing in hand: choose something from the list")
        return
    bench.do(RemoveLandmark(item_id) if what == "landmark" else RemoveStructure(item_id))


def set_doubt(bench: Workbench, u_mm: float) -> None:
    """Say how unsure the landmark in hand is beyond what its placing gives; 0 takes that back."""
    name, what = in_hand(bench)
    if what != "landmark" or not bench.case.landmarks.placed(name):
        bench.say("only a placed landmark can be called unsure")
        return
    bench.do(SetDoubt(name, u_mm))
    if not bench.message:
        bench.say(f"{item_of(name).label}: {f'unsure by {u_mm:g} mm an axis' if u_mm else 'as sure as it was placed'}")


def confirm(bench: Workbench) -> None:
    """Confirm the structure in hand: somebody looked along its whole course."""
    item_id, what = in_hand(bench)
    found = next((s for s in bench.case.structures if s.id == item_id), None) if what == "structure" else None
    if found is None or not found.is_marked:
        bench.say("only a marked structure can be confirmed")
        return
    bench.do(SetStructure(replace(found, confirmed_by=bench.observer or "reader")))


def in_hand(bench: Workbench) -> tuple[str, str]:
    """Id of what is being placed or selected, and whether it is a landmark or a structure; empty when nothing is."""
    if bench.placing is not None:
        return bench.placing.item.id, bench.placing.item.what
    if bench.selected is None or bench.selected[0].startswith(HOLE_REF):
        return "", ""
    if bench.selected[0].startswith(SUGGESTED):
        return bench.selected[0].removeprefix(SUGGESTED), "landmark"
    name = bench.selected[0]
    return (name.removeprefix(KEEP), "structure") if name.startswith(KEEP) else (name, "landmark")


def undo(bench: Workbench) -> None:
    """Take the last step back: first a click of an unfinished draft, else the last change of the case."""
    back = bench.placing.step_back() if bench.placing else None
    if back is not None:
        bench.placing = back
        bench.refresh()
        return
    before = bench.case
    bench.session.undo()
    if bench.placing is not None:
        bench.placing = bench.placing.drafted_before(before, bench.case) or bench.placing
        bench.refresh()


def redo(bench: Workbench) -> None:
    """Do the step taken back again."""
    forth = bench.placing.step_forth() if bench.placing else None
    if forth is not None:
        bench.placing = forth
        bench.refresh()
        return
    if bench.placing is not None and bench.session.redo_words:
        bench.placing = Placing(bench.placing.item)
    bench.session.redo()


def holes_still_hold(before: Case, after: Case) -> bool:
    """Whether the map of one case holds for another: nothing the holes depend on was changed, and nothing is newer."""
    if before.results is None or after.results is not None:
        return False
    return drilling_key(before, before.structures, None) == drilling_key(after, after.structures, None)


def look(bench: Workbench) -> dict[str, Any]:
    """How the window looks, as plain data."""
    placing = bench.placing
    return {
        "planes": [{"key": p.key, "plane": p.plane.to_dict() if p.key == FREE else None} for p in bench.panes],
        "focus_lps": [float(v) for v in bench.focus_lps],
        "window": bench.window_name,
        "own_window": list(bench.windows.get(OWN, ())),
        "slab": bench.slab,
        "names": bench.names,
        "selected": list(bench.selected) if bench.selected else None,
        "placing": {"id": placing.item.id, "again": placing.again, "draft": [list(p) for p in placing.draft]}
        if placing
        else None,
    }


def look_like(bench: Workbench, saved: dict[str, Any]) -> None:
    """Look as it did; what does not fit any more is left as it is."""
    for pane, kept in zip(bench.panes, saved.get("planes", ()), strict=False):
        key, record = kept.get("key"), kept.get("plane")
        try:
            plane = PlaneSpec.from_dict(record) if record else bench.choices[key].plane
        except (GeometryError, KeyError):
            continue
        if plane is not None:
            pane.key, pane.plane = key, plane
            panes.fit(pane)
    focus = np.array(saved.get("focus_lps", bench.focus_lps), dtype=np.float64)
    if focus.shape == (3,) and bool(bench.volume.geometry.contains_lps(focus)):
        bench.focus_lps = focus
    own = saved.get("own_window") or ()
    if len(own) == 2:
        bench.windows[OWN] = (float(own[0]), float(own[1]))
    bench.window_name = saved["window"] if saved.get("window") in bench.windows else bench.window_name
    bench.slab = saved["slab"] if saved.get("slab") in SLABS else bench.slab
    bench.names = bool(saved.get("names", bench.names))
    ref = saved.get("selected")
    if ref and bench.scene.point((ref[0], ref[1])) is not None:
        bench.selected = (ref[0], ref[1])
    if placing := saved.get("placing"):
        try:
            item = item_of(placing["id"])
            bench.placing = Placing(item, tuple(_point(p) for p in placing["draft"]), again=bool(placing["again"]))
        except KeyError:
            bench.placing = None
    bench.refresh()


def selected_words(bench: Workbench) -> str:
    """The point in hand in words: name, doubt, and how far it is from the large plane."""
    mark = bench.scene.point(bench.selected) if bench.selected else None
    if mark is None:
        return "No point in hand. Click a cross, or choose one from the list."
    plane = through(bench.panes[0].plane, bench.focus_lps)
    away = float(plane.offset_mm(mark.point_lps))
    doubt = ""
    if mark.covariance is not None:
        doubt = f", doubt {np.sqrt(np.trace(mark.covariance) / 3.0):.1f} mm an axis"
    side = "behind" if away > 0 else "before"
    where = "in this plane" if abs(away) < 0.05 else f"{abs(away):.1f} mm {side} this plane"
    status = {"suggested": "suggested, Enter accepts"}.get(mark.kind, "placed")
    if mark.kind == "landmark":
        status = STATUS_WORDS[bench.case.landmarks[mark.ref[0]].status]
    return f"{mark.label}: {status}{doubt}; {where}"
