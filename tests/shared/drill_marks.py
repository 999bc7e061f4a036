"""Structures around a phantom canal, placed by wall angle, distance from the axis and depth."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ctmeasure.anatomy.structures import Ball, Patch, Structure, Tube


@dataclass(frozen=True)
class Site:
    id: str
    entry_lps: tuple[float, float, float]
    direction_lps: tuple[float, float, float] | None = None


def at(ear, angle, radius, depth) -> np.ndarray:
    return ear.canal.point_lps(np.asarray(angle, float), np.asarray(radius, float), np.asarray(depth, float))


def triples(points: np.ndarray) -> tuple[tuple[float, float, float], ...]:
    return tuple((float(p[0]), float(p[1]), float(p[2])) for p in np.atleast_2d(points))


def tube(name: str, points: np.ndarray, radius: float | None, confirmed: str = "reader") -> Tube:
    return Tube(name, "placed", triples(points), None, confirmed, (radius,) * len(points))


def facial(ear, *, confirmed: str = "reader", radius: float | None = 0.7, low: float = 205.0) -> Tube:
    """Tympanic run above, then down behind the canal: the second genu at 74 degrees."""
    tympanic = at(ear, np.linspace(300.0, 430.0, 30) % 360.0, np.full(30, 9.5), np.linspace(-4.0, -2.0, 30))
    mastoid = at(ear, np.linspace(74.0, low, 30), np.linspace(9.0, 9.5, 30), np.linspace(-1.5, 3.0, 30))
    return tube("facial_nerve", np.concatenate([tympanic, mastoid]), radius, confirmed)


def patch(ear, name: str, angles: np.ndarray, radius: float) -> Patch:
    angle, depth = (a.ravel() for a in np.meshgrid(angles, np.arange(-3.0, 13.0, 2.0)))
    return Patch(name, "placed", triples(at(ear, angle, np.full(angle.size, radius), depth)))


def everything(ear, **facial_options) -> tuple[Structure, ...]:
    chorda = at(ear, np.linspace(40.0, 160.0, 25), np.linspace(5.0, 7.5, 25), np.linspace(-0.5, 3.0, 25))
    lateral_canal = at(ear, np.linspace(20.0, 60.0, 12), np.full(12, 11.0), np.linspace(-3.0, -1.0, 12))
    carotid = at(ear, np.full(10, 240.0), np.linspace(9.0, 12.0, 10), np.linspace(-8.0, 0.0, 10))
    return (
        facial(ear, **facial_options),
        tube("chorda_tympani", chorda, 0.25),
        patch(ear, "tegmen", np.concatenate([np.arange(270.0, 360.0, 9.0), np.arange(0.0, 90.0, 9.0)]), 10.0),
        patch(ear, "joint_fossa", np.arange(195.0, 330.0, 9.0), 7.0),
        tube("lateral_semicircular_canal", lateral_canal, 0.6),
        Patch("ossicle_remnant", "absent", ()),
        Ball("jugular_bulb", "placed", triples(at(ear, 185.0, 14.0, -3.0)), None, "", 4.0),
        tube("carotid_canal", carotid, 2.5),
    )
