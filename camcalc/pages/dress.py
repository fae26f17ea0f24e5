"""HTML pages from templates: every page is one file, in the same dress, complete without network."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from ..plain_text import visible

__all__ = ["rendered"]

TEMPLATES = Path(__file__).parent


def rendered(template: str, **known: Any) -> str:
    """Return a page, or a part of one; a name the template asks for and is not known is an error."""
    import jinja2

    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(TEMPLATES), autoescape=True, trim_blocks=True, lstrip_blocks=True, undefined=jinja2.StrictUndefined, finalize=_shown
    )
    environment.filters["capitalize_first"] = lambda text: text[:1].upper() + text[1:]
    return environment.get_template(template).render(**known)


def _shown(value: Any) -> Any:
    """Return what goes into a page: text with its control characters as escapes, what is markup already as it is."""
    return visible(value) if type(value) is str else value
