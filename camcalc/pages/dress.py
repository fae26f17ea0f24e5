"""HTML pages from templates: every page is one file, in the same dress, complete without network."""

from __future__ import annotations

import base64
import functools
import hashlib
from pathlib import Path
from typing import Any

from ..plain_text import visible

__all__ = ["rendered", "script_sources"]

TEMPLATES = Path(__file__).parent
# Templates that are the whole of a script; a page includes one between its script tags, on lines of its own.
SCRIPTS = "*_script.html"


def rendered(template: str, **known: Any) -> str:
    """Return a page, or a part of one; a name the template asks for and is not known is an error."""
    from markupsafe import Markup

    return str(_environment().get_template(template).render(script_sources=Markup(script_sources()), **known))


@functools.cache
def script_sources() -> str:
    """Return what the policy of every page lets run: the scripts of this folder, each known by its hash, and no other.

    >>> script_sources().count("'sha256-")
    2
    """
    environment = _environment()
    texts = [f"\n{environment.get_template(path.name).render()}" for path in sorted(TEMPLATES.glob(SCRIPTS))]
    return " ".join(f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode('ascii')}'" for text in texts)


def _environment() -> Any:
    import jinja2

    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(TEMPLATES), autoescape=True, trim_blocks=True, lstrip_blocks=True, undefined=jinja2.StrictUndefined, finalize=_shown
    )
    environment.filters["capitalize_first"] = lambda text: text[:1].upper() + text[1:]
    return environment


def _shown(value: Any) -> Any:
    """Return what goes into a page: text with its control characters as escapes, what is markup already as it is."""
    return visible(value) if type(value) is str else value
