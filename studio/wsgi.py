"""The WSGI entry point."""

import os

from django.core.wsgi import get_wsgi_application

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "studio.settings")

application = get_wsgi_application()


def _heed_proxy() -> None:
    """Take the visitor's address and scheme from the proxy's headers, where settings say there is one.

    The last address that is not a private one counts: what a visitor writes into the header comes before it.
    """
    from django.conf import settings
    from granian.utils.proxies import wrap_wsgi_with_proxy_headers

    global application
    if settings.BEHIND_PROXY:
        application = wrap_wsgi_with_proxy_headers(application, trusted_hosts=settings.PROXY_NETWORKS)


_heed_proxy()
