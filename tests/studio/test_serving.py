"""`serve` as the owner meets it: one command, real processes, a folder with a space in its name."""

from __future__ import annotations

import os
import signal
import socket
import sys
from pathlib import Path

import pytest

from tests.programs import children, free_port, get, manage, running, wait_until

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(not sys.platform.startswith("linux"), reason="looks at processes through /proc"),
]


@pytest.fixture
def data(tmp_path: Path) -> Path:
    return tmp_path / "my pictures" / "data"


@pytest.fixture(autouse=True)
def _folder(data: Path) -> None:
    data.parent.mkdir()


def named(pid: int, words: str) -> list[int]:
    return [child for child, command in children(pid).items() if words in command]


def test_one_command_starts_all_and_ctrl_c_stops_all(data: Path) -> None:
    port = free_port()
    with running("serve", "--port", str(port), "--workers", "2", data=data) as server:
        said = server.wait_for("Ctrl-C stops everything.")
        assert f"Mullion is open at http://127.0.0.1:{port}/" in said
        assert f"http://127.0.0.1:{port}/set-up/" in said  # the first owner's one-time address
        assert "give a public https address" in said
        assert get(port, "/health/") == (200, b"well\n")
        pids = children(server.process.pid)
        assert len(named(server.process.pid, "worker --queues pictures,quick")) == 2
        assert len(named(server.process.pid, "worker --queues quick")) == 1
        for name in ("mullion.sqlite3", "secret.key", "queue"):
            assert (data / name).stat().st_mode & 0o077 == 0, name  # nobody else on the machine reads it
        assert server.stop() == 0
        assert "Stopped." in server.said()
    assert not [pid for pid in pids if Path(f"/proc/{pid}").exists()]


def test_a_killed_part_is_started_again(data: Path) -> None:
    port = free_port()
    with running("serve", "--port", str(port), "--workers", "1", data=data) as server:
        server.wait_for("Ctrl-C stops everything.")
        pid = server.process.pid
        (worker,) = named(pid, "worker --queues pictures,quick")
        os.kill(worker, signal.SIGKILL)
        server.wait_for("picture worker 1 was killed (SIGKILL)")
        wait_until(
            lambda: set(named(pid, "worker --queues pictures,quick")) - {worker},
            within_s=30,
            what="a new worker",
        )
        web = next(iter(named(pid, "manage.py web")))
        os.kill(web, signal.SIGKILL)
        server.wait_for("web was killed (SIGKILL)")
        wait_until(lambda: get(port, "/health/")[0] == 200, within_s=30, what="the pages answer again")


def test_children_end_when_the_parent_is_killed_outright(data: Path) -> None:
    with running("serve", "--port", str(free_port()), "--workers", "1", data=data) as server:
        server.wait_for("Ctrl-C stops everything.")
        pids = children(server.process.pid)
        assert len(pids) >= 4
        server.stop(with_signal=signal.SIGKILL)
        wait_until(
            lambda: not [pid for pid in pids if Path(f"/proc/{pid}/cmdline").exists() and _lives(pid)],
            within_s=30,
            what="no child is left",
        )


def _lives(pid: int) -> bool:
    """A process that ended but was not yet collected (a zombie) does not count."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] != "Z"
    except OSError:
        return False


def test_a_taken_port_and_a_folder_in_use_are_said_before_anything_starts(data: Path) -> None:
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        port = other.getsockname()[1]
        said = manage("serve", "--port", str(port), data=data, code=1)
        assert f"Port {port} on 127.0.0.1 can't be used" in said
        assert f"--port {port + 1}" in said
    with running("serve", "--port", str(free_port()), "--workers", "1", data=data) as server:
        server.wait_for("Ctrl-C stops everything.")
        said = manage("serve", "--port", str(free_port()), data=data, code=1)
        assert "already runs in" in said


def test_a_certificate_without_its_key_is_refused(data: Path) -> None:
    assert "belong together" in manage("serve", "--tls-cert", "cert.pem", data=data, code=1)
    said = manage("serve", "--tls-cert", "no.pem", "--tls-key", "no.pem", data=data, code=1)
    assert "no.pem" in said


def test_it_serves_https_by_itself(data: Path) -> None:
    """A certificate made here for localhost; Python's own client checks it."""
    import ssl
    import urllib.request

    cert, key = make_certificate(data.parent)
    port = free_port()
    options = ("--port", str(port), "--workers", "1", "--tls-cert", str(cert), "--tls-key", str(key))
    with running("serve", *options, data=data, PUBLIC_URL=f"https://localhost:{port}") as server:
        said = server.wait_for("Ctrl-C stops everything.")
        assert f"Mullion is open at https://localhost:{port}/" in said
        assert "without encryption" not in said
        context = ssl.create_default_context(cafile=str(cert))
        with urllib.request.urlopen(
            f"https://localhost:{port}/sign-in/", context=context, timeout=20
        ) as page:
            assert page.status == 200
            assert "default-src 'self'" in page.headers["Content-Security-Policy"]


def make_certificate(folder: Path) -> tuple[Path, Path]:
    import datetime as dt

    from cryptography import x509
    from cryptography.hazmat.primitives import hashes, serialization
    from cryptography.hazmat.primitives.asymmetric import ec
    from cryptography.x509.oid import NameOID

    private = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "localhost")])
    now = dt.datetime.now(dt.UTC)
    certificate = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(private.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - dt.timedelta(days=1))
        .not_valid_after(now + dt.timedelta(days=2))
        .add_extension(x509.SubjectAlternativeName([x509.DNSName("localhost")]), critical=False)
        .add_extension(x509.BasicConstraints(ca=True, path_length=None), critical=True)
        .sign(private, hashes.SHA256())
    )
    cert, key = folder / "cert.pem", folder / "key.pem"
    cert.write_bytes(certificate.public_bytes(serialization.Encoding.PEM))
    key.write_bytes(
        private.private_bytes(
            serialization.Encoding.PEM,
            serialization.PrivateFormat.PKCS8,
            serialization.NoEncryption(),
        )
    )
    return cert, key
