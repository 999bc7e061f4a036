"""The report as a tagged PDF, typeset from the same content as the HTML."""

from __future__ import annotations

import json
import tempfile
from importlib import resources
from pathlib import Path
from typing import Literal

from ctmeasure.errors import OutputError
from ctmeasure.report.content import Content
from ctmeasure.report.figures.canvas import Image
from ctmeasure.report.plain import plain

ACCESSIBLE: Literal["ua-1"] = "ua-1"
"""PDF/UA-1 (ISO 14289-1): tagged, with title, language and words for every picture; the typesetter insists on it."""
NO_TIME = 0
"""No clock goes into the file, so that equal cases give equal bytes."""


def render_pdf(content: Content) -> bytes:
    """The PDF bytes of a report.

    Parameters
    ----------
    content
        What the report says; its texts are data to the typesetter, never part of its program.

    Returns
    -------
    bytes

    Raises
    ------
    OutputError
        When the typesetter refuses the document.
    """
    import matplotlib as mpl
    import typst

    source = resources.files("ctmeasure.report").joinpath("templates", "report.typ").read_bytes()
    fonts = Path(mpl.get_data_path()) / "fonts" / "ttf"
    with tempfile.TemporaryDirectory(prefix="ctmeasure-") as name:
        folder = Path(name)
        (folder / "report.typ").write_bytes(source)
        (folder / "report.json").write_text(json.dumps(_data(content), ensure_ascii=False), encoding="utf-8")
        for i, image in enumerate(content.images):
            (folder / _file(i, image.file)).write_bytes(image.data)
        try:
            pdf = typst.compile(
                folder / "report.typ",
                root=folder,
                font_paths=[fonts],
                ignore_system_fonts=True,
                format="pdf",
                pdf_standards=[ACCESSIBLE],
                timestamp=NO_TIME,
            )
        except typst.TypstError as error:
            raise OutputError(
                f"the report could not be typeset ({str(error).splitlines()[0]})",
                expected="a report the typesetter accepts",
                action="use report.html and tell the developers",
            ) from error
    return bytes(pdf)


def _file(index: int, name: str) -> str:
    """A file name of our own making: nothing a user typed reaches the typesetter's file system."""
    return f"image-{index}{Path(name).suffix}"


def _data(content: Content) -> dict[str, object]:
    """The content as plain values, every picture by the name of its file."""
    names = {id(image): _file(i, image.file) for i, image in enumerate(content.images)}

    def images(found: tuple[Image, ...]) -> list[dict[str, object]]:
        return [_image(image, names) for image in found]

    bare = {
        key: plain(getattr(content, key))
        for key in content.__dataclass_fields__
        if key not in ("answers", "maps", "pictures", "charts", "hearing")
    }
    answers = [
        {
            "number": item.number,
            "question": item.question,
            "sentences": list(item.sentences),
            "missing": list(item.missing),
            "image": _image(item.image, names),
        }
        for item in content.answers
    ]
    return bare | {
        "answers": answers,
        "maps": images(content.maps),
        "pictures": images(content.pictures),
        "charts": images(content.charts),
        "hearing": images(content.hearing),
    }


def _image(image: Image, names: dict[int, str]) -> dict[str, object]:
    return {
        "path": names[id(image)],
        "alt": image.alt,
        "caption": image.caption,
        "width_mm": image.width_mm,
    }
