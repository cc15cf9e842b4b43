"""`manage.py demo`: a fresh invented business, one booking walked from request to paid invoice."""

from __future__ import annotations

from typing import Any

from django.conf import settings
from django.core.management import BaseCommand, CommandError, CommandParser
from django.urls import reverse
from django.utils import timezone

from listings import links
from listings.demo import others, scenario
from listings.demo.walk import Stopped, Walk
from listings.models import GalleryLink
from studio import sign_in_links
from studio.models import Booking, Client, Invoice
from studio.one_at_a_time import InUse, hold
from studio.serving import Server, check_port, check_tls, prepare, say_plainly
from studio.starting import add_serve_options


class Command(BaseCommand):
    help = "Fill a fresh database with an invented business and walk one booking through; Ctrl-C stops."

    def add_arguments(self, parser: CommandParser) -> None:
        add_serve_options(parser)
        parser.add_argument("--dir", help="the demo's own data folder (default: data/demo beside manage.py)")
        parser.add_argument("--leave", action="store_true", help="stop when the walk is done")

    def handle(self, *args: Any, **options: Any) -> None:
        check_tls(options["tls_cert"], options["tls_key"])
        check_port(options["host"], options["port"])
        try:
            with hold(settings.DATA_DIR):
                say_plainly(f"Mullion's demo, in {settings.DATA_DIR}")
                prepare(say_plainly)
                with Server(options, say_plainly) as server:
                    server.wait_until_up()
                    try:
                        self._walk(server)
                    except Stopped:
                        say_plainly("Stopped before the end; the next demo starts afresh.")
                    if not options["leave"]:
                        server.wait()
        except InUse as error:
            raise CommandError(str(error)) from error

    def _walk(self, server: Server) -> None:
        say_plainly(f"Web and workers run at {settings.PUBLIC_URL}/")
        now = timezone.now()
        cast = scenario.people_the_house(now=min(now, now.replace(year=2026, month=1, day=5)))
        made = others.fill(cast, now=now)
        say_plainly(
            f"Plumb & Lantern of Harrowmere: 3 people, {len(made)} bookings around today. Now one more:"
        )
        walk = Walk(cast, say=say_plainly, is_stopped=server.stop_asked.is_set)
        booking, link, invoice = walk.all()
        say_plainly(farewell(booking, link, invoice, cast.agent))


def farewell(booking: Booking, link: GalleryLink, invoice: Invoice, agent: Client) -> str:
    """Say where everything is."""
    page = reverse("listings:booking", args=[booking.public_id])
    sign_in = sign_in_links.send(agent.email, next_path=page, now=timezone.now())
    assert sign_in is not None
    lines = [
        ("Staff sign in", f"{settings.PUBLIC_URL}{reverse('studio:sign-in')}"),
        ("", f"{scenario.OWNER[1]} (owner), {scenario.PHOTOGRAPHER[1]}, {scenario.EDITOR[1]}"),
        ("", f"password of all three: {scenario.PASSWORD}"),
        ("The booking", f"{settings.PUBLIC_URL}{page}"),
        ("Agent's sign-in", f"{sign_in_links.address(sign_in)} (once, for half an hour)"),
        ("Gallery", links.address(link)),
        ("Invoice", f"{settings.PUBLIC_URL}{invoice_path(invoice)}"),
    ]
    table = "\n".join(f"  {name:<16}{value}" for name, value in lines)
    return f"\nDone. Open:\n{table}\n\nCtrl-C stops everything.\n"


def invoice_path(invoice: Invoice) -> str:
    return reverse("studio:invoice", args=[invoice.public_id])
