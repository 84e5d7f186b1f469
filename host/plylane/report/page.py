"""What the pages share: one HTML file without anything from outside, figures within it."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

_METADATA = re.compile(r"\s*<metadata>.*?</metadata>", re.DOTALL)  # names the drawing library
_PATH = re.compile(r'(?<= d=")[^"]*')
_LONG = re.compile(r"(\.\d\d)\d+")
_NAMED = re.compile(r'(\bid="|href="#|url\(#)')


def render(
    template: str, *, filters: Mapping[str, Callable[..., str]] | None = None, **context: Any
) -> str:
    """The page of a template of this package; whatever is no markup is escaped."""
    environment = Environment(
        loader=PackageLoader("plylane.report", "."),
        autoescape=True,
        undefined=StrictUndefined,
        keep_trailing_newline=True,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters.update(filters or {})
    return environment.get_template(template).render(context)


def inline(svg: str, name: str) -> Markup:
    """The element of an SVG document, to stand in a page beside others.

    `name` keeps its ids apart from theirs. Places are cut to hundredths of a point: no eye and no
    printer tells, and the page is half as long.
    """
    element = _METADATA.sub("", svg[svg.index("<svg") :])
    element = _PATH.sub(lambda found: _LONG.sub(r"\1", found[0]), element)
    return Markup(_NAMED.sub(rf"\g<1>{name}-", element))
