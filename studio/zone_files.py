"""Zones from a table of figures (CSV) and back into one: all of it or nothing.

A row without `to` describes a zone: how its postcodes begin, the way inside it, and its point if it has one.
A row with `to` is the way between two zones; it holds for the way back too unless that has a row of its own.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from dataclasses import dataclass, field

from django.db import transaction

from studio import money
from studio.errors import StudioError
from studio.models import Zone, ZoneWay
from studio.zones import plain

COLUMNS = ("zone", "to", "minutes", "fee", "prefixes", "latitude", "longitude")
NEEDED = frozenset({"zone", "to", "minutes", "fee", "prefixes"})
MOST_BYTES = 1_000_000
MOST_MINUTES = 360  # the longest way between two visits that the diary reckons with
SHOWN = 20


class BadZones(StudioError):
    """The table can't be read; `problems` says each place and what is wrong there."""

    def __init__(self, problems: list[str]) -> None:
        self.problems = problems[:SHOWN]
        if len(problems) > SHOWN:
            self.problems.append(f"And {len(problems) - SHOWN} more.")
        super().__init__(" ".join(self.problems))


@dataclass
class Table:
    """What a table says, zones by name and ways by pairs of names."""

    zones: dict[str, Zone] = field(default_factory=dict)
    ways: dict[tuple[str, str], tuple[int, int]] = field(default_factory=dict)


def replace_all(raw: bytes, currency: str) -> Table:
    """Put the zones of this table in place of those that stood there; raise BadZones and change nothing."""
    table = read(raw, currency)
    with transaction.atomic():
        Zone.objects.all().delete()
        kept = {zone.name: zone for zone in Zone.objects.bulk_create(table.zones.values())}
        ZoneWay.objects.bulk_create(
            ZoneWay(start=kept[start], goal=kept[goal], minutes=minutes, fee_minor=fee_minor)
            for (start, goal), (minutes, fee_minor) in table.ways.items()
        )
    return table


def read(raw: bytes, currency: str) -> Table:
    """Return what a table says; every fault in it is told with its line."""
    rows = list(_rows(raw))
    table, problems = Table(), []
    prefixes: dict[str, str] = {}
    for line, row in (pair for pair in rows if not pair[1]["to"]):
        try:
            zone = _zone(row, currency)
            if zone.name in table.zones:
                raise ValueError(f"the zone {zone.name} stands there already")
            for prefix in zone.prefixes:
                if (other := prefixes.setdefault(prefix, zone.name)) != zone.name:
                    raise ValueError(f"the beginning {prefix} belongs to {other} already")
            table.zones[zone.name] = zone
        except ValueError as error:
            problems.append((line, str(error)))
    # A zone whose own row is wrong was told of once; ways that name it are not wrong because of that.
    named = {row["zone"] for _, row in rows if not row["to"]}
    for line, row in (pair for pair in rows if pair[1]["to"]):
        try:
            _add_way(table, row, named, currency)
        except ValueError as error:
            problems.append((line, str(error)))
    if problems:
        raise BadZones([f"Line {line}: {words}." for line, words in sorted(problems)])
    for (start, goal), way in list(table.ways.items()):
        table.ways.setdefault((goal, start), way)
    return table


def write(currency: str) -> str:
    """Return all zones as such a table; a way back that is like the way there is not written twice."""
    out = io.StringIO()
    lines = csv.writer(out)
    lines.writerow(COLUMNS)
    for zone in Zone.objects.all():
        point = ("", "") if zone.point is None else zone.point
        minutes = "" if zone.minutes is None else zone.minutes
        fee = money.plain_amount(zone.fee_minor, currency)
        lines.writerow((zone.name, "", minutes, fee, " ".join(zone.prefixes), *point))
    seen: dict[tuple[str, str], tuple[int, int]] = {}
    for way in ZoneWay.objects.select_related("start", "goal"):
        figures = (way.minutes, way.fee_minor)
        if seen.get((way.goal.name, way.start.name)) == figures:
            continue
        seen[way.start.name, way.goal.name] = figures
        fee = money.plain_amount(way.fee_minor, currency)
        lines.writerow((way.start.name, way.goal.name, way.minutes, fee, "", "", ""))
    return out.getvalue()


def _rows(raw: bytes) -> Iterator[tuple[int, dict[str, str]]]:
    if len(raw) > MOST_BYTES:
        raise BadZones([f"The file is larger than {MOST_BYTES // 1000} kB; a table of zones is far smaller."])
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        raise BadZones([f"Line {line}: a letter can't be read. Save the table as CSV in UTF-8."]) from error
    head = text.split("\n", 1)[0]
    lines = csv.reader(io.StringIO(text, newline=""), delimiter=";" if ";" in head else ",", strict=True)
    try:
        names = [name.strip().lower() for name in next(lines, [])]
        if missing := sorted(NEEDED - set(names)):
            raise BadZones(
                [f"Line 1: there is no column {', '.join(missing)}. It needs: {', '.join(COLUMNS)}."]
            )
        if len(set(names)) < len(names):
            raise BadZones(["Line 1: a column stands there twice."])
        for cells in lines:
            if not any(cell.strip() for cell in cells):
                continue
            if len(cells) > len(names):
                raise BadZones(
                    [f"Line {lines.line_num}: {len(cells)} cells under {len(names)} columns. "
                     "A cell with the separator in it needs quotation marks."]
                )  # fmt: skip
            empty = dict.fromkeys(COLUMNS, "")
            filled = dict(zip(names, (" ".join(cell.split()) for cell in cells), strict=False))
            yield lines.line_num, empty | filled
    except csv.Error as error:
        raise BadZones([f"Line {lines.line_num}: the line can't be taken apart ({error})."]) from error


def _zone(row: dict[str, str], currency: str) -> Zone:
    prefixes = list(dict.fromkeys(plain(part) for part in row["prefixes"].split() if plain(part)))
    if not prefixes:
        raise ValueError("a zone needs the beginnings of its postcodes, with blanks between them")
    if any(len(prefix) > 20 or not prefix.isalnum() for prefix in prefixes):
        raise ValueError(f"{row['prefixes']!r} are not beginnings of postcodes; write them like HM4 HM5")
    latitude, longitude = (
        _degrees(row["latitude"], 90, "latitude"),
        _degrees(row["longitude"], 180, "longitude"),
    )
    if (latitude is None) != (longitude is None):
        raise ValueError("a point needs latitude and longitude, or leave both empty")
    return Zone(
        name=_name(row["zone"]),
        prefixes=prefixes,
        minutes=_minutes(row["minutes"]) if row["minutes"] else None,
        fee_minor=_fee(row["fee"], currency),
        latitude_deg=latitude,
        longitude_deg=longitude,
    )


def _add_way(table: Table, row: dict[str, str], named: set[str], currency: str) -> None:
    start, goal = _name(row["zone"]), row["to"]
    for name in (start, goal):
        if name not in named:
            raise ValueError(
                f"no row describes the zone {name} (a row with its prefixes, and nothing in 'to')"
            )
    if start == goal:
        raise ValueError("the way inside a zone stands in the zone's own row; leave 'to' empty there")
    if (start, goal) in table.ways:
        raise ValueError(f"the way from {start} to {goal} stands there already")
    table.ways[start, goal] = (_minutes(row["minutes"]), _fee(row["fee"], currency))


def _name(text: str) -> str:
    if not text:
        raise ValueError("the zone has no name")
    if len(text) > 80:
        raise ValueError("a name of a zone has at most 80 letters")
    return text


def _minutes(text: str) -> int:
    if not (text.isascii() and text.isdecimal()) or len(text) > 4 or int(text) > MOST_MINUTES:
        raise ValueError(f"minutes are a whole number from 0 to {MOST_MINUTES}, not {text!r}")
    return int(text)


def _fee(text: str, currency: str) -> int:
    if not text:
        return 0
    try:
        amount_minor = money.parse_minor(text, currency)
    except ValueError as error:
        raise ValueError(f"{text!r} is not an amount in {currency}; write it like 12.00") from error
    if not 0 <= amount_minor <= 100_000_000:
        raise ValueError(f"a fee of {text} can't be meant")
    return amount_minor


def _degrees(text: str, most: int, what: str) -> float | None:
    if not text:
        return None
    try:
        value = float(text.replace(",", "."))
    except ValueError as error:
        raise ValueError(f"{text!r} is not a {what} in degrees, such as 54.120") from error
    if not -most <= value <= most:  # also what is no number at all
        raise ValueError(f"a {what} lies between -{most} and {most} degrees, not {text}")
    return value
