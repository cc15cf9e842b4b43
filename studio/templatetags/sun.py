"""The sun in templates: times of spans, swatches of the strip's colours, numbers that SVG reads."""

from __future__ import annotations

import datetime as dt

from django import template
from django.utils.html import format_html
from django.utils.safestring import SafeString

from processing.fieldcraft.sun import Spans
from studio import sunlight

register = template.Library()
MARKS = {"sun": "sun on the front", "golden": "golden light", "blue": "blue light"}


@register.filter
def spans(value: Spans | None) -> str:
    return sunlight.spans_words(value)


@register.filter
def clock(value: dt.datetime) -> str:
    return sunlight.clock(value)


@register.filter
def bearing(value: float) -> str:
    return sunlight.bearing_words(value)


@register.filter
def light_words(mark: str) -> str:
    """Return a mark of a free time in full."""
    return MARKS[mark]


@register.filter
def unlocal(value: float) -> str:
    """Return a number as drawings take it, whatever the language of the page."""
    return f"{value:g}"


@register.simple_tag
def swatch(kind: str) -> SafeString:
    """Return the small square that ties a row of words to a colour of the strip."""
    return format_html(
        '<svg class="swatch" viewBox="0 0 14 14" width="14" height="14" aria-hidden="true">'
        '<rect class="{} edged" x="1" y="1" width="12" height="12"/></svg>',
        kind,
    )
