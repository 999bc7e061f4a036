"""A phantom ear with everything marked, and its scene and map, made once."""

from __future__ import annotations

from dataclasses import replace

import canal_phantoms
import drill_marks
import pytest

from ctmeasure.anatomy.facts import CaseFacts
from ctmeasure.planning.drilling.plan import DrillInput
from ctmeasure.planning.drilling.scene import _barred, build_scene
from ctmeasure.planning.drilling.structures import obstacles
from ctmeasure.planning.drilling.zone import map_zone
from ctmeasure.planning.settings import Settings

COARSE = Settings(map_angle_step_deg=8.0, map_rim_step_mm=1.0, draws_maximum=20_000)


@pytest.fixture(scope="session")
def phantoms():
    return canal_phantoms


@pytest.fixture(scope="session")
def marks():
    return drill_marks


@pytest.fixture(scope="session")
def ear(phantoms):
    """A right ear: thin plates above, thicker behind, soft tissue behind the front wall."""
    air, soft = phantoms.AIR, phantoms.SOFT
    plates = ((0, 60, 1.2, air), (60, 120, 2.0, air), (120, 200, 3.0, air), (200, 280, 1.5, soft), (280, 360, 1.3, air))
    return phantoms.make_ear(plates=plates, noise=60.0, far_width_mm=4.0)


@pytest.fixture(scope="session")
def drill_input(ear, marks, phantoms):
    def make(**changes) -> DrillInput:
        options = {
            "volume": ear.volume,
            "canal": ear.canal,
            "rim": ear.rim,
            "landmarks": ear.landmarks,
            "fitness": phantoms.fitness(),
            "structures": marks.everything(ear),
            "facts": CaseFacts(side="right"),
            "settings": COARSE,
            "seed": 1,
        } | changes
        return DrillInput(**options)

    return make


@pytest.fixture(scope="session")
def scene(drill_input):
    return _build(drill_input())


@pytest.fixture(scope="session")
def make_scene(drill_input, scene):
    def make(**changes):
        given = drill_input(**changes)
        if {"volume", "fitness"} & changes.keys():
            return _build(given)
        # The wall does not depend on what is marked, entered or set (all tests here use one map grid).
        return replace(
            scene,
            landmarks=given.landmarks,
            structures=given.structures,
            obstacles=obstacles(
                given.structures, landmarks=given.landmarks, settings=given.settings, facts=given.facts
            ),
            facts=given.facts,
            settings=given.settings,
            barred=_barred(given.volume, given.facts, given.settings),
        )

    return make


def _build(given: DrillInput):
    return build_scene(
        given.volume, given.canal, rim=given.rim, fitness=given.fitness, landmarks=given.landmarks,
        structures=given.structures, facts=given.facts, settings=given.settings, seed=given.seed,
        registration_u_mm=given.registration_u_mm,
    )  # fmt: skip


@pytest.fixture(scope="session")
def zone(scene):
    return map_zone(scene)
