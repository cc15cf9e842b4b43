"""Signing in and out, and the first owner's set-up page."""

from __future__ import annotations

from uuid import UUID

from django.conf import settings
from django.contrib import auth, messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods, require_POST

from studio import access, limits, set_up, sign_in_links, tokens
from studio.errors import StaleState
from studio.forms.signing_in import LinkForm, PasswordForm, SetUpForm
from studio.models import SignInLink

LINKS_AN_HOUR = 5
PASSWORD_BACKEND = "django.contrib.auth.backends.ModelBackend"


@never_cache
@sensitive_post_parameters("password")
@require_http_methods(["GET", "POST"])
def sign_in(request: HttpRequest) -> HttpResponse:
    """Staff by password here; agents ask for a link with the form beside it."""
    if set_up.is_needed():
        return redirect("studio:set-up")
    next_path = sign_in_links.safe_path(request.POST.get("next") or request.GET.get("next", ""))
    form = PasswordForm(request.POST or None, request=request, initial={"next": next_path})
    if request.method == "POST" and form.is_valid() and form.user:
        request.session.pop(access.CLIENT_KEY, None)
        auth.login(request, form.user, backend=PASSWORD_BACKEND)
        return redirect(next_path or settings.LOGIN_REDIRECT_URL)
    return render(
        request,
        "studio/sign_in.html",
        {"form": form, "link_form": LinkForm(initial={"next": next_path}, prefix="link")},
        status=422 if form.is_bound else 200,
    )


@never_cache
@require_POST
def send_link(request: HttpRequest) -> HttpResponse:
    """Mail a link; the answer is the same whether or not the address is known."""
    form = LinkForm(request.POST, prefix="link")
    if not form.is_valid():
        password_form = PasswordForm(request=request)
        return render(request, "studio/sign_in.html", {"form": password_form, "link_form": form}, status=422)
    email, now = form.cleaned_data["email"], timezone.now()
    has_room = limits.has_room(
        "sign-in-link", access.address_of(request), most=LINKS_AN_HOUR * 4, within_s=3600
    ) and limits.has_room("sign-in-link", email, most=LINKS_AN_HOUR, within_s=3600)
    if not has_room:
        return render(request, "studio/sign_in_sent.html", {"too_many": True, "email": email}, status=429)
    sign_in_links.send(email, next_path=form.cleaned_data["next"], now=now)
    return render(
        request, "studio/sign_in_sent.html", {"email": email, "shows_mail_here": not settings.SMTP_HOST}
    )


@never_cache
@require_http_methods(["GET", "POST"])
def open_link(request: HttpRequest, public_id: UUID, token: str) -> HttpResponse:
    """The page behind a mailed link: looking does nothing, the button signs in and uses the link up."""
    if not tokens.fits(token, "sign-in", public_id):
        raise Http404
    link = get_object_or_404(SignInLink.objects.select_related("client"), public_id=public_id)
    now = timezone.now()
    if request.method == "POST" and sign_in_links.use_up(link, now=now):
        access.remember_client(request, link.client)
        return redirect(link.next_path or settings.LOGIN_REDIRECT_URL)
    is_open = request.method == "GET" and link.is_open(now)
    return render(
        request,
        "studio/sign_in_open.html",
        {"link": link, "is_open": is_open},
        status=200 if is_open else 410,
    )


@require_POST
def sign_out(request: HttpRequest) -> HttpResponse:
    auth.logout(request)
    messages.success(request, "You are signed out.")
    response = redirect("studio:sign-in")
    # On a machine that others use, Back must not show what was open; what a phone has yet to send stays.
    response["Clear-Site-Data"] = '"cache"'
    return response


@never_cache
@sensitive_post_parameters("password")
@require_http_methods(["GET", "POST"])
def first_owner(request: HttpRequest, token: str = "") -> HttpResponse:
    """Make the first owner account: only while there is none."""
    if not set_up.is_needed():
        return redirect("studio:sign-in")
    if not set_up.may_open(request, token):
        return render(request, "studio/set_up_elsewhere.html", status=403)
    form = SetUpForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        try:
            owner = set_up.make_first_owner(**form.cleaned_data, now=timezone.now())
        except StaleState as error:
            messages.error(request, str(error))
            return redirect("studio:sign-in")
        auth.login(request, owner, backend=PASSWORD_BACKEND)
        messages.success(request, "Your account is ready, and so are a first price list, hours and terms.")
        return redirect("studio:start")
    return render(request, "studio/set_up.html", {"form": form}, status=422 if form.is_bound else 200)


def locked_out(
    request: HttpRequest, original_response: HttpResponse | None = None, credentials: object = None
) -> HttpResponse:
    """Answer when a password was tried too often."""
    return render(request, "studio/locked_out.html", {"hours": settings.AXES_COOLOFF_TIME}, status=429)
