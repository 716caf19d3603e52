"""The templates of pages, and the style that all pages share."""

from __future__ import annotations

from importlib import resources
from typing import TYPE_CHECKING

from traygauge.report import palette

if TYPE_CHECKING:
    from jinja2 import Template
    from markupsafe import Markup

FOLDER = "templates"


def page_template(name: str) -> tuple[Template, Markup]:
    """Return a page's template, which escapes whatever is put into it, and the style sheet to put in as it is."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined
    from markupsafe import Markup

    with resources.as_file(resources.files(__package__) / FOLDER) as folder:
        environment = Environment(
            loader=FileSystemLoader(folder),
            autoescape=True,
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
        )
        style = environment.get_template("style.css.j2").render(palette=palette)
        return environment.get_template(name), Markup(style)


def page_script(name: str) -> str:
    """Return the text of a page's script."""
    return (resources.files(__package__) / FOLDER / name).read_text("utf-8")
