"""What every page knows."""

from typing import Any

from django.conf import settings
from django.http import HttpRequest
from django.utils.functional import SimpleLazyObject

from studio.models import Business


def business(request: HttpRequest) -> dict[str, Any]:
    """Give templates the business (read when used) and whether the address is a public https one."""
    return {
        "business": SimpleLazyObject(Business.current),
        "public_url": settings.PUBLIC_URL,
        "is_https": settings.IS_HTTPS,
    }
