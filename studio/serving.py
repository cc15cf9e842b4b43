"""What `serve` and `demo` do alike: prepare, start web and workers, sweep, wait, stop."""

from __future__ import annotations

import http.client
import os
import signal
import socket
import ssl
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from types import FrameType
from typing import Any

from django.conf import settings
from django.core.management import CommandError, call_command
from django.db import close_old_connections, connection
from django.db.migrations.executor import MigrationExecutor
from django.utils import timezone

from studio import folder_queue, sweeping
from studio.celery import app
from studio.supervisor import GaveUp, Part, Supervisor

QUEUES = ("pictures", "quick")
STOP_WITHIN_S = 20
COMES_UP_WITHIN_S = 60
MEMORY_OF_A_WORKER_MB = 2000


def prepare(say: Callable[[str], None]) -> None:
    """Bring database, static files and queue folder up to date."""
    executor = MigrationExecutor(connection)
    steps = executor.migration_plan(executor.loader.graph.leaf_nodes())
    if steps:
        call_command("migrate", interactive=False, verbosity=0)
    say(f"Database: {f'{len(steps)} steps applied' if steps else 'up to date'}.")
    call_command("collectstatic", interactive=False, verbosity=0)
    if not settings.REDIS_URL:
        options = settings.CELERY_BROKER_TRANSPORT_OPTIONS
        names = ("data_folder_in", "control_folder", "processed_folder")
        folder_queue.prepare(app, [Path(options[name]) for name in names], list(QUEUES))


def usual_workers() -> int:
    """Return how many picture workers fit: one processor stays free for the pages, memory is not overrun."""
    processors = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    fit = processors
    if hasattr(os, "sysconf") and "SC_PHYS_PAGES" in os.sysconf_names:
        memory_mb = os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE") // 2**20
        fit = memory_mb // MEMORY_OF_A_WORKER_MB
    return int(max(1, min(processors - 1, fit, 8)))


def check_port(host: str, port: int) -> None:
    """Refuse a port that is taken, before anything is started."""
    if not 0 < port < 65536:
        raise CommandError(f"--port: need a number from 1 to 65535, got {port}")
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    with socket.socket(family, socket.SOCK_STREAM) as probe:
        if os.name == "posix":
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, port))
        except PermissionError as error:
            raise CommandError(
                f"Port {port} is for the system's own user. Choose one above 1023: --port 8000"
            ) from error
        except OSError as error:
            raise CommandError(
                f"Port {port} on {host} can't be used ({error.strerror}). Stop the program that has it, or "
                f"choose another: --port {port + 1 if port < 65535 else 8000}"
            ) from error


def check_tls(cert: str | None, key: str | None) -> None:
    """Refuse a certificate and key that don't belong together, before anything is started."""
    if bool(cert) != bool(key):
        raise CommandError("--tls-cert and --tls-key belong together: give both or neither")
    if cert and key:
        try:
            ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(cert, key)
        except (OSError, ssl.SSLError) as error:
            raise CommandError(f"--tls-cert {cert}, --tls-key {key}: {error}") from error


def parts_for(options: dict[str, Any]) -> list[Part]:
    """Return web, the picture workers, and one worker for mail and PDFs."""
    web = ["web", "--host", options["host"], "--port", str(options["port"])]
    if options["tls_cert"]:
        web += ["--tls-cert", options["tls_cert"], "--tls-key", options["tls_key"]]
    parts = [Part("web", web, is_needed=True), Part("mail worker", ["worker", "--queues", "quick"])]
    for number in range(1, (options["workers"] or usual_workers()) + 1):
        parts.append(Part(f"picture worker {number}", ["worker", "--queues", "pictures,quick"]))
    return parts


class Server:
    """Web and workers while they run; Ctrl-C and SIGTERM stop them."""

    def __init__(self, options: dict[str, Any], say: Callable[[str], None]) -> None:
        self.options = options
        self.say = say
        self.supervisor = Supervisor(parts_for(options), say=say)
        self.stop_asked = threading.Event()
        self.hurry = False
        self.failure: str | None = None
        self._threads: list[threading.Thread] = []

    def __enter__(self) -> Server:
        for name in ("SIGINT", "SIGTERM", "SIGHUP"):
            if hasattr(signal, name):
                signal.signal(getattr(signal, name), self._on_signal)
        self.supervisor.start()
        for work in (self._watch, self._sweep):
            thread = threading.Thread(target=work, name=work.__name__, daemon=True)
            thread.start()
            self._threads.append(thread)
        return self

    def __exit__(self, *_: object) -> None:
        self.stop_asked.set()
        for thread in self._threads:
            thread.join(timeout=5)
        self.say("Stopping: what is in hand is finished first. Ctrl-C again stops at once.")
        self.supervisor.stop(within_s=STOP_WITHIN_S, at_once=lambda: self.hurry)
        self.say("Stopped.")

    def _on_signal(self, number: int, frame: FrameType | None) -> None:
        self.hurry = self.stop_asked.is_set()
        self.stop_asked.set()

    def _watch(self) -> None:
        while not self.stop_asked.wait(0.5):
            try:
                self.supervisor.look()
            except GaveUp as error:
                self.failure = str(error)
                self.stop_asked.set()

    def _sweep(self) -> None:
        while not self.stop_asked.wait(settings.SWEEP_EVERY_S):
            sweeping.sweep_all(timezone.now())
            close_old_connections()

    def wait_until_up(self) -> None:
        """Return once the pages answer."""
        until = time.monotonic() + COMES_UP_WITHIN_S
        while not self.stop_asked.wait(0.2):
            if self._answers():
                return
            if time.monotonic() > until:
                raise CommandError("The pages did not answer within a minute; what went wrong stands above.")
        if self.failure:
            raise CommandError(f"{self.failure}; what went wrong stands above.")

    def _answers(self) -> bool:
        host, port = self.options["host"], self.options["port"]
        host = {"0.0.0.0": "127.0.0.1", "::": "::1"}.get(host, host)
        call: http.client.HTTPConnection
        if self.options["tls_cert"]:
            context = ssl.create_default_context()
            context.check_hostname, context.verify_mode = False, ssl.CERT_NONE
            call = http.client.HTTPSConnection(host, port, timeout=5, context=context)
        else:
            call = http.client.HTTPConnection(host, port, timeout=5)
        try:
            call.request("GET", "/health/", headers={"Host": f"localhost:{port}"})
            return call.getresponse().status == 200
        except (OSError, http.client.HTTPException):
            return False
        finally:
            call.close()

    def wait(self) -> None:
        """Return when someone stops us; CommandError if a needed part gave up."""
        self.stop_asked.wait()
        if self.failure:
            raise CommandError(f"{self.failure}; what went wrong stands above.")


def notice_of_http() -> str:
    """Return what must be said about the address, or nothing."""
    if settings.IS_HTTPS:
        return ""
    if settings.PUBLIC_IS_LOCAL:
        return (
            "This address works on this machine or network only, without encryption. For agents, and for\n"
            "the phone page without signal, give a public https address: PUBLIC_URL with --tls-cert and\n"
            "--tls-key, or a proxy (README.md)."
        )
    return (
        f"{settings.PUBLIC_URL} is public but not encrypted: passwords, links and pictures can be read on "
        "the way.\nUse --tls-cert and --tls-key, or a proxy that speaks TLS (README.md)."
    )


def say_plainly(text: str) -> None:
    """Print at once, also into a pipe."""
    print(text, file=sys.stdout, flush=True)
