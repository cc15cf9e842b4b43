"""The grown set-up's files say what the product needs; read here, since an engine is not always at hand."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
import yaml

ROOT = Path(__file__).resolve().parent.parent


@pytest.fixture(scope="module")
def compose() -> dict[str, Any]:
    return dict(yaml.safe_load((ROOT / "docker-compose.yml").read_text()))


def test_every_service_is_watched_and_comes_back(compose: dict[str, Any]) -> None:
    assert set(compose["services"]) == {"web", "worker", "mail", "beat", "postgres", "redis"}
    for name, service in compose["services"].items():
        assert service["restart"] == "unless-stopped", name
        assert "healthcheck" in service or name == "web", name  # web's is in the image
    assert "HEALTHCHECK" in (ROOT / "Dockerfile").read_text()


def test_secrets_come_by_file_and_from_outside_the_repository(compose: dict[str, Any]) -> None:
    for service in compose["services"].values():
        for secret in service.get("secrets", []):
            assert secret in compose["secrets"]
        for name, value in service.get("environment", {}).items():
            if re.search("SECRET|PASSWORD|ACCESS_KEY|DATABASE_URL", name) and not name.endswith("_FILE"):
                assert value.startswith("${"), name  # passed through, never written here
    for secret in compose["secrets"].values():
        assert secret["file"].startswith("./secrets/")
    ignored = (ROOT / ".gitignore").read_text().split()
    assert "/secrets/" in ignored
    assert "secrets" in (ROOT / ".dockerignore").read_text().split()


def test_only_the_proxy_reaches_the_pages_and_nobody_the_database(compose: dict[str, Any]) -> None:
    assert compose["services"]["web"]["ports"] == ["127.0.0.1:8000:8000"]
    assert not [name for name, service in compose["services"].items() if name != "web" and "ports" in service]


def test_our_containers_run_without_rights(compose: dict[str, Any]) -> None:
    for name in ("web", "worker", "mail", "beat"):
        service = compose["services"][name]
        assert service["cap_drop"] == ["ALL"]
        assert service["read_only"] is True
        assert "data:/data" in service["volumes"]
    lines = (ROOT / "Dockerfile").read_text().splitlines()
    users = [line for line in lines if line.startswith("USER ")]
    assert users == ["USER mullion"]
    assert [line.split()[0] for line in lines if line.strip()][-1] == "CMD"


def test_every_variable_named_is_one_that_the_settings_read(compose: dict[str, Any]) -> None:
    source = (ROOT / "studio" / "settings.py").read_text()
    for name in ("web", "worker", "mail", "beat"):
        for variable in compose["services"][name]["environment"]:
            assert f'"{variable.removesuffix("_FILE")}"' in source, variable
