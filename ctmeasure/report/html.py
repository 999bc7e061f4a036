"""The report as one HTML file without outside links."""

from __future__ import annotations

import base64
from importlib import resources
from urllib.parse import quote

from markupsafe import Markup

from ctmeasure.report.content import Content
from ctmeasure.report.figures.canvas import Image

CODED = str.maketrans({character: f"%{ord(character):02X}" for character in "%#<>(){}&'"} | {'"': "'"})
"""Characters that a data URI in a quoted attribute must not hold as codes; the drawing's own quotes become single."""


def data_uri(image: Image) -> Markup:
    """A picture as a data URI, ready for an attribute in double quotes: drawings as text, which is smaller than base64.

    Notes
    -----
    Drawings come from this package and hold outlines only; every character that could end the attribute is coded.
    """
    if image.media_type == "image/svg+xml":
        text = " ".join(image.data.decode("utf-8").split()).translate(CODED)
        return Markup("data:image/svg+xml," + (text if text.isascii() else quote(text, safe=KEPT)))
    return Markup(f"data:{image.media_type};base64,{base64.b64encode(image.data).decode('ascii')}")


KEPT = "".join(chr(code) for code in range(32, 127))
"""All of ASCII: only other letters are left to code."""


def render_html(content: Content) -> str:
    """The HTML text of a report; every text is escaped.

    Parameters
    ----------
    content
        What the report says.

    Returns
    -------
    str
        A complete document.
    """
    from jinja2 import BaseLoader, Environment, StrictUndefined, select_autoescape

    text = resources.files("ctmeasure.report").joinpath("templates", "report.html.j2").read_text(encoding="utf-8")
    environment = Environment(
        loader=BaseLoader(),
        autoescape=select_autoescape(default_for_string=True),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals["data_uri"] = data_uri
    return environment.from_string(text).render(report=content)
