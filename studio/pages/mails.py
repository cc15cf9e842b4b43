"""The mail page: what was written to whom, whether it left, and what is kept here because it can't leave."""

from __future__ import annotations

from uuid import UUID

from django.conf import settings
from django.contrib import messages
from django.core.paginator import Paginator
from django.db.models import Q
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_POST, require_safe

from studio import access, mailing
from studio.errors import StudioError
from studio.forms.mails import MailFilterForm
from studio.models import Message

A_PAGE = 50


@access.staff_only
@never_cache
@require_safe
def listing(request: HttpRequest) -> HttpResponse:
    """All mails, newest first, by a sentence that can be edited."""
    form = MailFilterForm(request.GET)
    wanted = form.cleaned_data if form.is_valid() else {}
    rows = Message.objects.select_related("booking__home")
    if state := wanted.get("state"):
        rows = rows.filter(state=state)
    for word in wanted.get("words", "").split():
        rows = rows.filter(Q(to__icontains=word) | Q(subject__icontains=word))
    words = request.GET.copy()
    words.pop("page", None)
    page = Paginator(rows, A_PAGE).get_page(request.GET.get("page"))
    return render(
        request,
        "studio/mail/mails.html",
        {"form": form, "page": page, "can_send": bool(settings.SMTP_HOST), "words": words.urlencode()},
    )


@access.staff_only
@never_cache
@require_safe
def mail(request: HttpRequest, public_id: UUID) -> HttpResponse:
    """One mail as it was written. A link that signs someone in is for the owner's eyes only."""
    rows = Message.objects.select_related("booking__home", "invoice", "credit_note")
    message = get_object_or_404(rows, public_id=public_id)
    staff = access.staff_of(request)
    may_read = not message.is_secret or (staff is not None and staff.is_owner)
    return render(
        request,
        "studio/mail/mail.html",
        {
            "mail": message,
            "may_read": may_read,
            "can_send": bool(settings.SMTP_HOST) and not message.is_secret,
            "smtp_is_set": bool(settings.SMTP_HOST),
        },
    )


@access.staff_only
@require_POST
def send_again(request: HttpRequest, public_id: UUID) -> HttpResponse:
    """Send a kept, failed or earlier mail once more."""
    message = get_object_or_404(Message, public_id=public_id)
    try:
        sent = mailing.send_again(message, now=timezone.now())
    except StudioError as error:
        messages.error(request, str(error))
        return redirect("studio:mail", message.public_id)
    messages.success(request, f"The mail to {sent.to} is on its way.")
    return redirect("studio:mail", sent.public_id)
