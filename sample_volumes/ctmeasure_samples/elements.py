"""Materials, and the painted elements an ear is made of (later elements cover earlier ones)."""

from __future__ import annotations

from dataclasses import dataclass

from ctmeasure_samples.shapes import Shape

# Spaces that end a hole: the words used for the far side of the canal wall.
EXIT_SPACES = frozenset(
    {
        "attic", "antrum", "facial recess", "mastoid cell", "closed cell or marrow", "suture", "hypotympanum",
        "middle ear", "joint", "dura", "vein",
    }
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Material:
    """Grey level in HU, and how much it varies inside one ear.

    Attributes
    ----------
    level_hu
        Mean level; None: taken from the ear's parameters (cortical or capsule bone).
    slow_sd, fine_sd
        Relative standard deviation of the slow (3 mm) and the fine (0.9 mm) random field.
    bone
        Whether it counts as bone for wall thickness.
    """

    name: str
    level_hu: float | None
    slow_sd: float = 0.0
    fine_sd: float = 0.0
    bone: bool = False


# Levels: common practice, no source, unless the parameters say otherwise.
MATERIALS = {
    m.name: m
    for m in (
        Material("air", -1000.0),
        Material("soft", 45.0, 0.10, 0.25),
        Material("fat", -90.0, 0.15, 0.2),
        Material("brain", 36.0, 0.04, 0.06),
        Material("fluid", 12.0),
        Material("blood", 50.0),
        Material("nerve", 40.0),
        Material("cartilage", 130.0),
        Material("scar", 55.0, 0.05, 0.1),
        Material("cortical", None, 0.08, 0.0, True),
        Material("capsule", None, 0.04, 0.0, True),
        Material("ossicle", 1800.0, 0.05, 0.0, True),
        Material("footplate", 1500.0, 0.05, 0.0, True),
        Material("marrow", 330.0, 0.15, 0.55),
        Material("titanium", 9000.0),
    )
}


@dataclass(frozen=True, eq=False, slots=True)
class Element:
    """One painted part of the ear.

    Attributes
    ----------
    name
        Its own name.
    material
        Key of `MATERIALS`.
    space
        What a ray or a reader finds there: "bone", "ear canal", "attic", "nerve", ...
    shape
        Its exact outline in the ear's frame.
    """

    name: str
    material: str
    space: str
    shape: Shape

    @property
    def is_bone(self) -> bool:
        """Whether it counts as bone for wall thickness."""
        return MATERIALS[self.material].bone
