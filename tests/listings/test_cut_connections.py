"""Uploads over real sockets to the real server: cut, stuck, and sent by a public tus client."""

from __future__ import annotations

import hashlib
import http.client
import io
import socket
import struct
import threading
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from tusclient.client import TusClient

from tests import programs
from tests.listings import servers
from tests.listings.factories import jpeg_bytes
from tests.listings.servers import House

pytestmark = pytest.mark.slow
PIECE = "application/offset+octet-stream"


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Iterator[House]:
    with servers.pages(servers.prepare(tmp_path_factory.mktemp("house") / "data")) as running:
        yield running


def call(house: House, method: str, path: str, body: bytes = b"", **headers: str) -> http.client.HTTPResponse:
    connection = http.client.HTTPConnection("127.0.0.1", house.port, timeout=60)
    connection.request(method, path, body, {**house.headers, "Tus-Resumable": "1.0.0", **headers})
    answer = connection.getresponse()
    answer.read()
    return answer


def begin(house: House, content: bytes, name: str = "QS5KUEc=") -> str:
    answer = call(
        house,
        "POST",
        f"/bookings/{house.visit}/uploads/",
        **{"Upload-Length": str(len(content)), "Upload-Metadata": f"filename {name}"},
    )
    assert answer.status == 201
    return urlsplit(answer.headers["Location"]).path


def offset(house: House, path: str) -> int:
    return int(call(house, "HEAD", path).headers["Upload-Offset"])


def patch(house: House, path: str, content: bytes, at: int) -> http.client.HTTPResponse:
    return call(house, "PATCH", path, content, **{"Content-Type": PIECE, "Upload-Offset": str(at)})


def half_sent(house: House, path: str, content: bytes, count: int) -> socket.socket:
    """Announce the whole file and send its beginning only."""
    lines = {
        **house.headers,
        "Host": f"127.0.0.1:{house.port}",
        "Tus-Resumable": "1.0.0",
        "Content-Type": PIECE,
        "Upload-Offset": "0",
        "Content-Length": str(len(content)),
    }
    head = f"PATCH {path} HTTP/1.1\r\n" + "".join(f"{name}: {value}\r\n" for name, value in lines.items())
    connection = socket.create_connection(("127.0.0.1", house.port), timeout=60)
    connection.sendall(head.encode() + b"\r\n" + content[:count])
    return connection


@pytest.mark.parametrize("how", ["closed", "reset"])
def test_a_connection_cut_in_the_middle_leaves_the_bytes_that_had_arrived(house: House, how: str) -> None:
    content = jpeg_bytes(hash(how) % 1000, (1600, 1200))
    path = begin(house, content)
    connection = half_sent(house, path, content, 300_000)
    if how == "reset":
        programs.wait_until(lambda: offset(house, path) >= 262_144, within_s=30, what="bytes on the disk")
        connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
    connection.close()
    programs.wait_until(lambda: offset(house, path) == 300_000, within_s=30, what="all that had arrived")
    answer = patch(house, path, content[300_000:], 300_000)
    assert (answer.status, answer.headers["Upload-Result"]) == (204, "stored")
    assert stored(house, content)


def test_a_sender_that_went_silent_does_not_keep_the_next_one_out(house: House) -> None:
    content = jpeg_bytes(21, (1600, 1200))
    path = begin(house, content)
    silent = half_sent(house, path, content, 200_000)
    try:
        programs.wait_until(lambda: offset(house, path) >= 131_072, within_s=30, what="bytes on the disk")
        here = offset(house, path)
        answer = patch(house, path, content[here:], here)
        assert (answer.status, answer.headers["Upload-Result"]) == (204, "stored")
    finally:
        silent.close()
    assert stored(house, content)


def test_two_senders_at_once_never_mix_their_bytes(house: House) -> None:
    content = jpeg_bytes(22, (1600, 1200))
    path = begin(house, content)
    answers: list[int] = []

    def send() -> None:
        answers.append(patch(house, path, content, 0).status)

    senders = [threading.Thread(target=send) for _ in range(4)]
    for sender in senders:
        sender.start()
    for sender in senders:
        sender.join()
    here = offset(house, path)
    if here < len(content):
        answers.append(patch(house, path, content[here:], here).status)
    assert 204 in answers
    assert set(answers) <= {204, 409, 410}
    assert stored(house, content)


def test_a_public_client_uploads_in_pieces_and_goes_on_after_a_stop(house: House, demo_files: Path) -> None:
    file = demo_files / "PL_0410.DNG"
    client = TusClient(f"{house.base}/bookings/{house.visit}/uploads/", headers=house.headers)
    first = client.uploader(str(file), chunk_size=400_000, metadata={"filename": file.name})
    first.upload(stop_at=800_000)
    again = client.uploader(str(file), chunk_size=400_000, url=first.url)
    assert again.offset == 800_000
    again.upload()
    assert stored(house, file.read_bytes())


def test_the_public_client_checks_each_piece_by_its_sum(house: House) -> None:
    content = jpeg_bytes(23, (800, 600))
    client = TusClient(f"{house.base}/bookings/{house.visit}/uploads/", headers=house.headers)
    stream = io.BytesIO(content)
    client.uploader(
        file_stream=stream, chunk_size=100_000, metadata={"filename": "S.JPG"}, upload_checksum=True
    ).upload()
    assert stored(house, content)


def stored(house: House, content: bytes) -> bool:
    sha256 = hashlib.sha256(content).hexdigest()
    (file,) = (house.data / "files" / "originals" / house.visit / sha256).iterdir()
    return file.read_bytes() == content
