"""The owner's zones: what stands there, a table to take away, and a table brought back."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_safe

from studio import access, records, zone_files
from studio.forms.zones import ZonesForm
from studio.models import Business, Zone, ZoneWay
from studio.zones import Zones


@access.owner_only
@require_http_methods(["GET", "POST"])
def zones(request: HttpRequest) -> HttpResponse:
    """The zones and their ways; a POST brings a table that takes their place, whole or not at all."""
    business = Business.current()
    form = ZonesForm(request.POST, request.FILES) if request.method == "POST" else ZonesForm()
    problems: list[str] = []
    if form.is_valid():
        try:
            table = zone_files.replace_all(form.cleaned_data["table"].read(), business.currency)
        except zone_files.BadZones as error:
            problems = error.problems
        else:
            records.note(
                "changed the zones", user=access.staff_of(request), now=timezone.now(),
                zones=len(table.zones), ways=len(table.ways),
            )  # fmt: skip
            messages.success(request, "The zones are kept. Bookings made before keep their prices.")
            return redirect("studio:zones")
    context = _context(business) | {"form": form, "problems": problems, "here": "zones"}
    status = 422 if problems or (form.is_bound and not form.is_valid()) else 200
    return render(request, "studio/house/zones.html", context, status=status)


@access.owner_only
@require_safe
def table(request: HttpRequest) -> HttpResponse:
    """The zones as a table of figures, as it is read back."""
    response = HttpResponse(
        zone_files.write(Business.current().currency), content_type="text/csv; charset=utf-8"
    )
    response["Content-Disposition"] = 'attachment; filename="zones.csv"'
    return response


def _context(business: Business) -> dict[str, Any]:
    rows, ways = list(Zone.objects.all()), list(ZoneWay.objects.select_related("start", "goal"))
    given = {(way.start_id, way.goal_id) for way in ways}
    missing = [
        f"{one} to {other}"
        for one in rows
        for other in rows
        if one.pk != other.pk and (one.pk, other.pk) not in given
    ]
    return {
        "zones": rows,
        "ways": ways,
        "missing": missing[:10],
        "missing_more": max(len(missing) - 10, 0),
        "start": Zones.read().of(business.base_postcode),
        "currency": business.currency,
        "most_minutes": zone_files.MOST_MINUTES,
    }
