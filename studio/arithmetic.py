"""Does a document add up? The rules of EN 16931-1 about sums, on its frozen content, to the minor unit.

The rules' numbers are the standard's. Its published test files let BR-CO-17 be off by a whole unit of money;
here nothing may be off, but for what the comment below names.
"""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from studio import money


def contradictions(content: dict[str, Any]) -> list[str]:
    """Return what does not add up, in words with the rule's number; nothing when all is well."""
    found = [*_of_lines(content), *_of_taxes(content)]
    base = sum(tax["base_minor"] for tax in content["taxes"])
    tax = sum(tax["tax_minor"] for tax in content["taxes"])
    if not content["lines"]:
        found.append("BR-16: a document needs a line")
    if sum(line["net_minor"] for line in content["lines"]) != content["net_minor"]:
        found.append("BR-CO-10: the lines' nets don't add up to the sum without tax")
    if base != content["net_minor"]:
        found.append("BR-CO-13: the rates' bases don't add up to the sum without tax")
    if tax != content["tax_minor"]:
        found.append("BR-CO-14: the rates' taxes don't add up to the tax")
    if content["net_minor"] + content["tax_minor"] != content["total_minor"]:
        found.append("BR-CO-15: sum and tax don't make the total")
    return found


def _of_lines(content: dict[str, Any]) -> list[str]:
    found = []
    for line in content["lines"]:
        amount = money.line_amount_minor(Decimal(line["quantity"]), line["unit_minor"])
        if amount != line["amount_minor"]:
            found.append(f"line {line['position']}: quantity times price is {amount}")
        if not content["prices_include_tax"] and line["net_minor"] != line["amount_minor"]:
            found.append(f"line {line['position']}: net and amount differ")
    return found


def _of_taxes(content: dict[str, Any]) -> list[str]:
    found = []
    for tax in content["taxes"]:
        key, percent = (tax["category"], Decimal(tax["percent"])), Decimal(tax["percent"])
        lines = [line for line in content["lines"] if _key(line) == key]
        words = f"{percent} % {tax['category']}"
        if sum(line["net_minor"] for line in lines) != tax["base_minor"]:
            found.append(f"BR-S-08: the nets at {words} don't add up to their base")
        if percent and tax["category"] in money.UNTAXED_CATEGORIES:
            found.append(f"BR-{tax['category']}-05: {words} can't have a rate")
        exact = Decimal(tax["base_minor"]) * percent / 100
        if content["prices_include_tax"] or content["kind"] == "credit_note":
            # With tax inside the prices the total is what was agreed, and base and tax share it out; the
            # parts of a credited invoice add up to it exactly. Either may leave the last unit to the tax.
            is_wrong = content["kind"] == "invoice" and abs(tax["tax_minor"] - exact) > 1
        else:
            is_wrong = tax["tax_minor"] != money.round_minor(exact)
        if is_wrong:
            found.append(f"BR-CO-17: the tax at {words} of {tax['base_minor']} isn't {tax['tax_minor']}")
    if {_key(line) for line in content["lines"]} != {
        (tax["category"], Decimal(tax["percent"])) for tax in content["taxes"]
    }:
        found.append("BR-CO-18: the rates of the lines and of the taxes differ")
    return found


def _key(line: dict[str, Any]) -> tuple[str, Decimal]:
    return line["tax_category"], Decimal(line["tax_percent"])
