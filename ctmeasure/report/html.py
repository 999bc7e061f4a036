"""The report as one HTML file without outside links."""

from __future__ import annotations

import base64
from importlib import resources

from ctmeasure.report.content import Content
from ctmeasure.report.figures.canvas import Image


def data_uri(image: Image) -> str:
    """A picture as a data URI."""
    return f"data:{image.media_type};base64,{base64.b64encode(image.data).decode('ascii')}"


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
