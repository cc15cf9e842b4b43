"""What the owner sets: the business, prices, taxes, hours, terms, the household's guide, people."""

from __future__ import annotations

from typing import Any

from django import forms
from django.contrib import messages
from django.contrib.auth import update_session_auth_hash
from django.db import transaction
from django.db.models import ProtectedError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from studio import access, guides, publishing, records
from studio.forms.house import (
    BusinessForm,
    DayOffForm,
    GuideForm,
    HoursForm,
    LettersForm,
    PersonForm,
    PriceItemForm,
    PriceListForm,
    TaxRateForm,
    TermsForm,
)
from studio.models import Business, DayOff, OpeningHours, PriceItem, PriceList, TaxRate, Terms, User


def _owner(request: HttpRequest) -> User:
    staff = access.staff_of(request)
    assert staff is not None
    return staff


def _page(request: HttpRequest, name: str, form: forms.BaseForm, **context: Any) -> HttpResponse:
    status = 422 if form.is_bound and not form.is_valid() else 200
    return render(request, f"studio/house/{name}.html", {"form": form, **context}, status=status)


def _kept(request: HttpRequest, what: str, words: str, **detail: Any) -> None:
    records.note(what, user=_owner(request), now=timezone.now(), **detail)
    messages.success(request, words)


@access.owner_only
@require_http_methods(["GET", "POST"])
def business(request: HttpRequest) -> HttpResponse:
    form = BusinessForm(request.POST or None, request.FILES or None, instance=Business.current())
    if form.is_valid():
        form.save()
        _kept(request, "changed the business", "The business is kept.", fields=form.changed_data)
        return redirect("studio:settings")
    return _page(request, "business", form, here="business")


@access.owner_only
@require_safe
def prices(request: HttpRequest) -> HttpResponse:
    """All price lists, and the tax rates their lines use."""
    on = timezone.localdate()
    lists = PriceList.objects.select_related("agency").prefetch_related("items__tax_rate")
    return render(
        request,
        "studio/house/prices.html",
        {"lists": lists, "rates": TaxRate.objects.order_by("name"), "on": on, "here": "prices",
         "currency": Business.current().currency},
    )  # fmt: skip


@access.owner_only
@require_http_methods(["GET", "POST"])
def price_list(request: HttpRequest, pk: int | None = None) -> HttpResponse:
    """A list's name and time; a new one starts with the lines of `copy`."""
    one = get_object_or_404(PriceList, pk=pk) if pk else None
    source = _named_list(request.GET.get("copy"))
    initial = {"valid_from": timezone.localdate(), "name": source.name if source else "Prices"}
    form = PriceListForm(request.POST or None, instance=one, initial=None if one else initial)
    if form.is_valid():
        saved = publishing.keep_price_list(form.save(commit=False), lines_of=None if one else source)
        _kept(request, "kept a price list", f"{saved.name} is kept.", price_list=saved.pk)
        return redirect("studio:prices")
    return _page(request, "price_list", form, one=one, source=source, here="prices")


@access.owner_only
@require_http_methods(["GET", "POST"])
def price_item(request: HttpRequest, list_pk: int, pk: int | None = None) -> HttpResponse:
    prices = get_object_or_404(PriceList, pk=list_pk)
    one = get_object_or_404(PriceItem, pk=pk, price_list=prices) if pk else PriceItem(price_list=prices)
    before = one.amount_minor if pk else None
    form = PriceItemForm(request.POST or None, instance=one, currency=Business.current().currency)
    if form.is_valid():
        saved = form.save()
        _kept(
            request, "kept a price", f"{saved.name} is kept. Bookings made before keep their prices.",
            code=saved.code, before_minor=before, amount_minor=saved.amount_minor,
        )  # fmt: skip
        return redirect("studio:prices")
    return _page(request, "price_item", form, prices=prices, one=one, here="prices")


@access.owner_only
@require_POST
def price_item_remove(request: HttpRequest, list_pk: int, pk: int) -> HttpResponse:
    item = get_object_or_404(PriceItem, pk=pk, price_list_id=list_pk)
    item.delete()
    _kept(request, "removed a price", f"{item.name} is gone from the list.", code=item.code)
    return redirect("studio:prices")


@access.owner_only
@require_http_methods(["GET", "POST"])
def tax_rate(request: HttpRequest, pk: int | None = None) -> HttpResponse:
    one = get_object_or_404(TaxRate, pk=pk) if pk else None
    form = TaxRateForm(request.POST or None, instance=one)
    if form.is_valid():
        saved = form.save()
        _kept(
            request, "kept a tax rate", f"{saved} is kept. Bookings made before keep theirs.", name=saved.name
        )
        return redirect("studio:prices")
    return _page(request, "tax_rate", form, one=one, here="prices")


@access.owner_only
@require_POST
def tax_rate_remove(request: HttpRequest, pk: int) -> HttpResponse:
    rate = get_object_or_404(TaxRate, pk=pk)
    try:
        rate.delete()
    except ProtectedError:
        messages.error(request, f"{rate} is used in a price list. Give those lines another rate first.")
    else:
        _kept(request, "removed a tax rate", f"{rate} is gone.", name=rate.name)
    return redirect("studio:prices")


@access.owner_only
@require_http_methods(["GET", "POST"])
def hours(request: HttpRequest) -> HttpResponse:
    """Opening hours of everyone or of one person, and the days off."""
    people = list(User.objects.filter(is_active=True, role__in=(User.Role.OWNER, User.Role.PHOTOGRAPHER)))
    chosen = next((person for person in people if str(person.pk) == request.GET.get("who")), None)
    form = HoursForm(request.POST or None, photographer=chosen)
    if form.is_valid():
        form.save()
        _kept(request, "changed the hours", "The hours are kept. Visits already agreed stay.",
              who=chosen.name if chosen else "everyone")  # fmt: skip
        return redirect(request.get_full_path())
    today = timezone.localdate()
    return _page(
        request, "hours", form, people=people, chosen=chosen, here="hours",
        own=set(OpeningHours.objects.exclude(photographer=None).values_list("photographer_id", flat=True)),
        days_off=DayOff.objects.filter(last_on__gte=today).select_related("photographer"),
        off_form=DayOffForm(prefix="off"),
    )  # fmt: skip


@access.owner_only
@require_POST
def day_off(request: HttpRequest) -> HttpResponse:
    form = DayOffForm(request.POST, prefix="off")
    if not form.is_valid():
        messages.error(request, "Nothing was kept: " + " ".join(str(e[0]) for e in form.errors.values()))
        return redirect("studio:hours")
    saved = form.save()
    booked = publishing.visits_on(saved, now=timezone.now())
    _kept(request, "kept days off", f"Kept: {saved}.", who=str(saved.photographer or "everyone"))
    if booked:
        messages.warning(
            request, f"{booked} agreed visit(s) lie on these days. They stay until you move them."
        )
    return redirect("studio:hours")


@access.owner_only
@require_POST
def day_off_remove(request: HttpRequest, pk: int) -> HttpResponse:
    row = get_object_or_404(DayOff, pk=pk)
    row.delete()
    _kept(request, "removed days off", f"{row} is open again.")
    return redirect("studio:hours")


@access.owner_only
@require_http_methods(["GET", "POST"])
def terms(request: HttpRequest) -> HttpResponse:
    """Publish a new version; every booking keeps the version that was accepted."""
    current = Terms.current()
    initial = {"text": current.text, "cancel_free_hours": current.cancel_free_hours} if current else {}
    form = TermsForm(request.POST or None, initial=initial)
    if form.is_valid():
        saved = publishing.publish_terms(form.save(commit=False), now=timezone.now())
        _kept(
            request, "published terms", f"Version {saved.version} holds from now on.", version=saved.version
        )
        return redirect("studio:terms")
    return _page(request, "terms", form, versions=Terms.objects.all(), here="terms")


@access.owner_only
@require_http_methods(["GET", "POST"])
def guide(request: HttpRequest) -> HttpResponse:
    """The text that households get."""
    current = Business.current()
    form = GuideForm(request.POST or None, instance=current)
    if form.is_valid():
        form.save()
        _kept(request, "changed the guide", "The guide is kept; every household sees it at once.")
        return redirect("studio:guide")
    return _page(
        request, "guide", form, parts=guides.parts(Business.current().preparation_guide), here="guide"
    )


@access.owner_only
@require_http_methods(["GET", "POST"])
def letters(request: HttpRequest) -> HttpResponse:
    """What is written to people by itself, and when."""
    form = LettersForm(request.POST or None, instance=Business.current())
    if form.is_valid():
        form.save()
        _kept(request, "changed the letters", "Kept.", fields=form.changed_data)
        return redirect("studio:letters")
    return _page(request, "letters", form, here="letters")


@access.owner_only
@require_safe
def people(request: HttpRequest) -> HttpResponse:
    return render(request, "studio/house/people.html", {"people": User.objects.all(), "here": "people"})


@sensitive_post_parameters("password")
@access.owner_only
@require_http_methods(["GET", "POST"])
def person(request: HttpRequest, pk: int | None = None) -> HttpResponse:
    one = get_object_or_404(User, pk=pk) if pk else None
    form = PersonForm(request.POST or None, instance=one, by=_owner(request))
    if form.is_valid():
        with transaction.atomic():
            saved = form.save()
        if saved.pk == _owner(request).pk:
            update_session_auth_hash(request, saved)
        _kept(request, "kept an account", f"{saved.name} is kept.", who=saved.email)
        return redirect("studio:people")
    return _page(request, "person", form, one=one, here="people")


def _named_list(text: str | None) -> PriceList | None:
    if text and text.isdecimal() and len(text) < 18:
        return PriceList.objects.filter(pk=int(text)).first()
    return None
