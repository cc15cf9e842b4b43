"""What every page knows."""

from typing import Any

from django.conf import settings
from django.http import HttpRequest
from django.urls import reverse
from django.utils.functional import SimpleLazyObject

from studio.models import Business


def business(request: HttpRequest) -> dict[str, Any]:
    """Give templates the business (read when used) and whether the address is a public https one."""
    return {
        "staff_nav": staff_nav(request),
        "business": getattr(request, "business", None) or SimpleLazyObject(Business.current),
        "public_url": settings.PUBLIC_URL,
        "is_https": settings.IS_HTTPS,
    }


def staff_nav(request: HttpRequest) -> list[dict[str, Any]]:
    """Return the main navigation for this member of staff, the present page marked."""
    role = getattr(request.user, "role", None) if hasattr(request, "user") else None
    entries = []
    for route, label, roles in settings.STAFF_NAV:
        if role in roles:
            url = reverse(route)
            is_current = request.path == url or (url != "/" and request.path.startswith(url))
            entries.append({"url": url, "label": label, "is_current": is_current})
    return entries
