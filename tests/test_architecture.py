"""The house keeps its floors: read off the syntax tree, so nothing has to be imported to be checked."""

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
FLOORS = ("listings", "studio", "processing")
MAY_IMPORT = {"processing": set(), "studio": {"processing"}, "listings": {"studio", "processing"}}
TOP_LEVEL = {
    "README.md",
    "DEVELOPERS.md",
    "manage.py",
    "requirements.txt",
    "studio",
    "listings",
    "processing",
    "templates",
    "tests",
    "docker-compose.yml",
    "pyproject.toml",
    "Dockerfile",
}
# The ground floor computes: no web, no queue, no database, no network.
NOT_ON_THE_GROUND = {
    "django",
    "celery",
    "kombu",
    "redis",
    "storages",
    "boto3",
    "psycopg",
    "sqlite3",
    "socket",
    "ssl",
    "http",
    "urllib.request",
    "requests",
    "httpx",
    "logging",
}


def sources(floor: str) -> list[Path]:
    return sorted((ROOT / floor).rglob("*.py"))


def imported(path: Path) -> Iterator[tuple[int, str]]:
    """Yield line and absolute dotted name of everything a file imports."""
    package = path.relative_to(ROOT).with_suffix("").parts[:-1]
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield node.lineno, alias.name
        elif isinstance(node, ast.ImportFrom):
            base = ".".join(package[: len(package) - node.level + 1]) if node.level else ""
            module = ".".join(part for part in (base, node.module) if part)
            yield node.lineno, module
            for alias in node.names:
                yield node.lineno, f"{module}.{alias.name}"


def starts(name: str, prefix: str) -> bool:
    return name == prefix or name.startswith(f"{prefix}.")


@pytest.mark.parametrize("floor", FLOORS)
def test_a_floor_imports_only_what_lies_below_it(floor: str) -> None:
    forbidden = {*FLOORS, "tests"} - MAY_IMPORT[floor] - {floor}
    wrong = [
        f"{path.relative_to(ROOT)}:{line} imports {name}"
        for path in sources(floor)
        for line, name in imported(path)
        if name.split(".")[0] in forbidden
    ]
    assert not wrong, "\n".join(wrong)


def test_the_ground_floor_knows_no_web_queue_database_network_or_log() -> None:
    wrong = [
        f"{path.relative_to(ROOT)}:{line} imports {name}"
        for path in sources("processing")
        for line, name in imported(path)
        if any(starts(name, banned) for banned in NOT_ON_THE_GROUND)
    ]
    assert not wrong, "\n".join(wrong)


def test_models_import_no_tasks_and_no_pages() -> None:
    wrong = [
        f"{path.relative_to(ROOT)}:{line} imports {name}"
        for floor in ("studio", "listings")
        for path in sources(f"{floor}/models")
        for line, name in imported(path)
        if any(starts(name, f"{floor}.{part}") for part in ("tasks", "pages", "forms", "sweep"))
    ]
    assert not wrong, "\n".join(wrong)


def test_the_studio_names_listings_only_where_the_project_is_put_together() -> None:
    """Names of modules, that is; a route ('listings:booking') is looked up in the table of addresses."""
    allowed = {"studio/settings.py", "studio/urls.py", "studio/celery.py"}
    wrong = []
    for path in sources("studio"):
        if str(path.relative_to(ROOT)) in allowed or "migrations" in path.parts:
            continue
        tree = ast.parse(path.read_text(encoding="utf-8"))
        wrong += [
            f"{path.relative_to(ROOT)}:{node.lineno} names {node.value!r}"
            for node in ast.walk(tree)
            if isinstance(node, ast.Constant)
            and isinstance(node.value, str)
            and node.value.startswith("listings.")
            and " " not in node.value
        ]
    assert not wrong, "\n".join(wrong)


def test_no_file_is_called_utils_or_services() -> None:
    vague = {"utils.py", "services.py", "helpers.py", "misc.py"}
    assert not [path for floor in FLOORS for path in sources(floor) if path.name in vague]


def test_the_top_level_is_the_house_and_nothing_else() -> None:
    import subprocess

    listed = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False
    ).stdout.splitlines()
    top = {name.split("/")[0] for name in listed}
    assert not {name for name in top if not name.startswith(".")} - TOP_LEVEL


def test_every_pinned_package_has_an_exact_version_and_a_reason() -> None:
    for line in (ROOT / "requirements.txt").read_text(encoding="utf-8").splitlines():
        if line.strip() and not line.startswith("#"):
            requirement, _, reason = line.partition("#")
            assert "==" in requirement, line
            assert len(reason.strip()) > 3, line
