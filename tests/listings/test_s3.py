"""Files in S3-compatible storage: what is stored comes back byte for byte, in parts too.

The server is moto's, an independent implementation of the S3 interface, over HTTP.
"""

from __future__ import annotations

import hashlib
import io
import os
import socket
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from django.core.files.storage import default_storage
from django.test import Client as Browser
from django.urls import reverse
from django.utils import timezone
from moto.server import ThreadedMotoServer

from listings import galleries, intake, links, storing
from tests.factories import make_booking, make_owner
from tests.listings.factories import sign_in
from tests.scene import make_scene

pytestmark = pytest.mark.django_db


@pytest.fixture(scope="module")
def address() -> Iterator[str]:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    server = ThreadedMotoServer(ip_address="127.0.0.1", port=port, verbose=False)
    server.start()
    yield f"http://127.0.0.1:{port}"
    server.stop()


@pytest.fixture(autouse=True)
def bucket(address: str, settings: Any) -> Any:
    """An empty bucket, and the product's own S3 settings pointing at it."""
    import boto3
    from botocore.config import Config

    options = {
        "bucket_name": f"pictures-{os.urandom(4).hex()}",
        "endpoint_url": address,
        "region_name": "us-east-1",
        "access_key": "name",
        "secret_key": "secret",
        "default_acl": None,
        "file_overwrite": True,
        "querystring_auth": True,
        "client_config": Config(
            s3={"addressing_style": "path"},
            signature_version="s3v4",
            request_checksum_calculation="when_required",
            response_checksum_validation="when_required",
        ),
    }
    client = boto3.client(
        "s3",
        endpoint_url=address,
        region_name="us-east-1",
        aws_access_key_id="name",
        aws_secret_access_key="secret",
    )
    client.create_bucket(Bucket=options["bucket_name"])
    settings.STORAGES = {
        **settings.STORAGES,
        "default": {"BACKEND": "storages.backends.s3.S3Storage", "OPTIONS": options},
    }
    return client


def content(response: Any) -> bytes:
    return b"".join(response.streaming_content) if response.streaming else response.content


def test_an_original_is_stored_and_comes_back_whole_and_in_parts(
    tmp_path: Path, demo_files: Path, client: Browser
) -> None:
    raw = (demo_files / "PL_0401.DNG").read_bytes()
    sha256 = hashlib.sha256(raw).hexdigest()
    path = tmp_path / "came.dng"
    path.write_bytes(raw)
    owner = sign_in(client, make_owner())
    frame, is_new = intake.store(
        path, booking=make_booking(), name="PL_0401.DNG", sha256=sha256, by=owner, now=timezone.now()
    )
    assert is_new
    assert storing.exists(frame.file)
    address = reverse("listings:original", args=[frame.public_id])
    whole = client.get(address)
    assert whole.status_code == 200
    assert content(whole) == raw
    part = client.get(address, headers={"range": "bytes=1000-1999"})
    assert part.status_code == 206
    assert content(part) == raw[1000:2000]
    assert part["Content-Range"] == f"bytes 1000-1999/{len(raw)}"


def test_a_set_comes_as_one_archive_that_goes_on_where_it_was_cut(client: Browser) -> None:
    scene = make_scene()
    purpose = galleries.offered()[0]
    address = reverse("listings:gallery-set", args=[links.token(scene.link)]) + f"?purpose={purpose.slug}"
    first = client.get(address)
    assert first.status_code == 200
    archive = content(first)
    assert int(first["Content-Length"]) == len(archive)
    with zipfile.ZipFile(io.BytesIO(archive)) as opened:
        assert opened.testzip() is None
        names = [name for name in opened.namelist() if name.endswith(".jpg")]
        copy = scene.delivery_item.copies.get(purpose=purpose)
        with default_storage.open(copy.file.name) as stored:
            assert opened.read(names[0]) == stored.read()
    middle = len(archive) // 2
    rest = client.get(address, headers={"range": f"bytes={middle}-", "if-range": first["ETag"]})
    assert rest.status_code == 206
    assert content(rest) == archive[middle:]


def test_a_picture_of_the_gallery_is_served_from_the_bucket(client: Browser) -> None:
    scene = make_scene()
    address = reverse(
        "listings:gallery-image", args=[links.token(scene.link), scene.delivery_item.public_id, "small"]
    )
    answer = client.get(address)
    assert answer.status_code == 200
    assert content(answer)[:2] == b"\xff\xd8"
