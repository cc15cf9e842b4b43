"""Clients and their agencies."""

from __future__ import annotations

from uuid import UUID

from django.contrib import messages
from django.core.paginator import Paginator
from django.db.models import Count, Q
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_safe

from studio import access, records
from studio.forms.clients import AgencyForm, ClientForm
from studio.models import Agency, Booking, Client

A_PAGE = 60


@access.staff_only
@require_safe
def listing(request: HttpRequest) -> HttpResponse:
    """Everyone who books, by name, with what they booked."""
    words = request.GET.get("q", "").strip()[:80]
    is_alive = ~Q(bookings__state=Booking.State.CALLED_OFF)
    rows = Client.objects.select_related("agency").order_by("name", "pk")
    rows = rows.annotate(booked=Count("bookings", filter=is_alive))
    for word in words.split():
        rows = rows.filter(
            Q(name__icontains=word) | Q(email__icontains=word) | Q(agency__name__icontains=word)
        )
    page = Paginator(rows, A_PAGE).get_page(request.GET.get("page"))
    return render(
        request,
        "studio/clients/list.html",
        {
            "page": page,
            "q": words,
            "agencies": Agency.objects.annotate(people=Count("clients")).order_by("name"),
        },
    )


@access.staff_only
@require_safe
def client(request: HttpRequest, public_id: UUID) -> HttpResponse:
    """One client: how to reach them, what was agreed with them, what they booked."""
    one = get_object_or_404(Client.objects.select_related("agency", "price_list"), public_id=public_id)
    booked = one.bookings.with_people().order_by("-starts_at", "-pk")[:50]
    return render(request, "studio/clients/client.html", {"client": one, "bookings": booked})


@access.staff_only
@require_http_methods(["GET", "POST"])
def edit_client(request: HttpRequest, public_id: UUID | None = None) -> HttpResponse:
    one = get_object_or_404(Client, public_id=public_id) if public_id else None
    form = ClientForm(request.POST or None, instance=one)
    if request.method == "POST" and form.is_valid():
        saved = form.save()
        verb = "changed a client" if one else "added a client"
        records.note(verb, user=access.staff_of(request), client=saved, now=timezone.now())
        messages.success(request, f"{saved.name} is kept.")
        return redirect("studio:client", saved.public_id)
    return render(
        request,
        "studio/clients/edit.html",
        {"form": form, "client": one},
        status=422 if form.is_bound else 200,
    )


@access.staff_only
@require_http_methods(["GET", "POST"])
def edit_agency(request: HttpRequest, pk: int | None = None) -> HttpResponse:
    one = get_object_or_404(Agency, pk=pk) if pk else None
    form = AgencyForm(request.POST or None, instance=one)
    if request.method == "POST" and form.is_valid():
        saved = form.save()
        records.note("kept an agency", user=access.staff_of(request), now=timezone.now(), agency=saved.name)
        messages.success(request, f"{saved.name} is kept.")
        return redirect("studio:clients")
    return render(
        request,
        "studio/clients/edit_agency.html",
        {"form": form, "agency": one, "people": one.clients.all() if one else ()},
        status=422 if form.is_bound else 200,
    )
