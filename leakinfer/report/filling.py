"""From a template and its values to the text of a page."""

from __future__ import annotations


def filled(template: str, **values: object) -> str:
    """The text of a page; ``template``: its file below this folder. A value that is missing is an error.

    Templates extend ``base.html`` (style, skeleton); ``parts.html`` has figures, contents, tables and sections.
    """
    from jinja2 import Environment, PackageLoader, StrictUndefined

    loader = PackageLoader("leakinfer.report", "")
    pages = Environment(loader=loader, autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    page: str = pages.get_template(template).render(**values)
    return page
