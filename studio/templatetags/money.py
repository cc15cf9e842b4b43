"""Amounts and rates in templates: `{% load money %}{{ invoice.total_minor|money:invoice.currency }}`."""

from __future__ import annotations

from decimal import Decimal

from django import template

from studio import money as amounts

register = template.Library()


@register.filter(name="money")
def money_filter(amount_minor: int | None, currency: str) -> str:
    """Write minor units for people; nothing for nothing."""
    return "" if amount_minor is None else amounts.format_minor(int(amount_minor), currency)


@register.filter
def rate(percent: Decimal | str) -> str:
    """Write a rate of tax: 20 %."""
    return f"{amounts.percent_text(Decimal(percent))}\N{NO-BREAK SPACE}%"


@register.filter
def count(quantity: Decimal | str) -> str:
    """Write a quantity without useless zeros: 1, 2.5."""
    return f"{Decimal(quantity).normalize():f}"
