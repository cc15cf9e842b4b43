"""A backup holds everything and is checked before it is used; run as the owner runs it."""

from __future__ import annotations

import datetime as dt
import io
import json
import sqlite3
import tarfile
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from tests.programs import manage


@pytest.fixture(scope="module")
def lived_in(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A data folder with a person, a stored file and keys."""
    data = tmp_path_factory.mktemp("lived in") / "data"
    manage("migrate", "--verbosity=0", data=data)
    add_person(data, "Ada Example")
    original = data / "files" / "originals" / "a b" / "ünusual name.dng"
    original.parent.mkdir(parents=True)
    original.write_bytes(bytes(range(256)) * 300)
    (data / "access.key").write_text("another key")
    return data


def add_person(data: Path, name: str, **more: str) -> None:
    email = f"{name.lower().replace(' ', '.')}@example.com"
    make = f"User.objects.create_user({email!r}, 'not a real one', name={name!r})"
    manage("shell", "--verbosity=0", "-c", f"from studio.models import User; {make}", data=data, **more)


def people(data: Path) -> list[str]:
    with closing(sqlite3.connect(data / "mullion.sqlite3")) as database:
        return [row[0] for row in database.execute("SELECT name FROM studio_user ORDER BY name")]


def rewrite(archive: Path, change: Callable[[dict[str, bytes]], None]) -> None:
    """Take an archive apart, change its files, put it together again."""
    with tarfile.open(archive) as old:
        files = {member.name: old.extractfile(member).read() for member in old}  # type: ignore[union-attr]
    change(files)
    with tarfile.open(archive, "w") as new:
        for name, content in files.items():
            info = tarfile.TarInfo(name)
            info.size = len(content)
            new.addfile(info, io.BytesIO(content))


@pytest.fixture
def archive(lived_in: Path, tmp_path: Path) -> Path:
    path = tmp_path / "kept here" / "backup.tar"
    manage("backup", str(path), data=lived_in)
    return path


def test_what_was_backed_up_comes_back_in_an_empty_folder(
    lived_in: Path, archive: Path, tmp_path: Path
) -> None:
    data = tmp_path / "new place"
    said = manage("restore", str(archive), data=data)
    assert "Restored 4 files" in said
    assert people(data) == ["Ada Example"]
    name = Path("files/originals/a b/ünusual name.dng")
    assert (data / name).read_bytes() == (lived_in / name).read_bytes()
    for key in ("secret.key", "access.key"):
        assert (data / key).read_text() == (lived_in / key).read_text()
        assert (data / key).stat().st_mode & 0o777 == 0o600


def test_the_archive_is_readable_by_its_owner_alone_and_by_any_tar_program(archive: Path) -> None:
    assert archive.stat().st_mode & 0o777 == 0o600
    with tarfile.open(archive, "r:") as opened:
        manifest = json.load(opened.extractfile("manifest.json"))  # type: ignore[arg-type]
        assert set(opened.getnames()) == {*manifest["entries"], "manifest.json"}


def test_a_folder_in_use_is_not_overwritten(archive: Path, tmp_path: Path) -> None:
    data = tmp_path / "in use"
    manage("migrate", "--verbosity=0", data=data)
    add_person(data, "Grace Example")
    said = manage("restore", str(archive), data=data, code=1)
    assert "nothing was changed" in said
    assert "--replace-all" in said
    assert people(data) == ["Grace Example"]


def test_replacing_all_moves_what_was_there_aside(archive: Path, tmp_path: Path) -> None:
    data = tmp_path / "in use"
    manage("migrate", "--verbosity=0", data=data)
    add_person(data, "Grace Example")
    (data / "files").mkdir()
    (data / "files" / "hers.jpg").write_bytes(b"hers")
    manage("restore", str(archive), "--replace-all", data=data)
    assert people(data) == ["Ada Example"]
    assert not (data / "files" / "hers.jpg").exists()
    (aside,) = data.glob("replaced-*")
    assert people(aside) == ["Grace Example"]
    assert (aside / "files" / "hers.jpg").read_bytes() == b"hers"
    assert (aside / "secret.key").exists()


def flip_a_byte(files: dict[str, bytes]) -> None:
    name = "files/originals/a b/ünusual name.dng"
    files[name] = b"\xff" + files[name][1:]


def lose_a_file(files: dict[str, bytes]) -> None:
    del files["keys/access.key"]


def add_a_file(files: dict[str, bytes]) -> None:
    files["files/stranger.jpg"] = b"not in the manifest"


def climb_out(files: dict[str, bytes]) -> None:
    files["files/../../escaped.txt"] = b"outside"


def lose_the_manifest(files: dict[str, bytes]) -> None:
    del files["manifest.json"]


def come_from_the_future(files: dict[str, bytes]) -> None:
    manifest = json.loads(files["manifest.json"])
    manifest["migrations"].append("studio.9999_later")
    files["manifest.json"] = json.dumps(manifest).encode()


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (flip_a_byte, "is damaged"),
        (lose_a_file, "is damaged"),
        (add_a_file, "is damaged"),
        (climb_out, "not a backup"),
        (lose_the_manifest, "no manifest"),
        (come_from_the_future, "newer version"),
    ],
)
def test_a_backup_that_does_not_match_its_manifest_changes_nothing(
    archive: Path, tmp_path: Path, change: Callable[[dict[str, bytes]], None], words: str
) -> None:
    rewrite(archive, change)
    data = tmp_path / "new place"
    said = manage("restore", str(archive), data=data, code=1)
    assert words in said
    assert not {"files", "mullion.sqlite3", "access.key"} & {path.name for path in data.iterdir()}
    assert not list(data.glob("restoring-*"))
    assert not list(tmp_path.rglob("escaped.txt"))


def test_a_backup_cut_short_changes_nothing(archive: Path, tmp_path: Path) -> None:
    archive.write_bytes(archive.read_bytes()[: archive.stat().st_size // 2])
    said = manage("restore", str(archive), data=tmp_path / "new place", code=1)
    assert "Nothing was changed" in said


def test_a_backup_never_overwrites_another(lived_in: Path, archive: Path) -> None:
    before = archive.read_bytes()
    assert "left alone" in manage("backup", str(archive), data=lived_in, code=1)
    assert archive.read_bytes() == before


@pytest.mark.postgres
def test_a_postgres_database_comes_back(tmp_path: Path) -> None:
    """Dumped and restored by PostgreSQL's own programs into a second, empty database."""
    import psycopg

    from tests.conftest import POSTGRES_URL

    names = [f"test_backup_{tmp_path.name[-8:].lower().replace('-', '_')}_{turn}" for turn in "ab"]
    with psycopg.connect(POSTGRES_URL, autocommit=True) as server:
        for name in names:
            server.execute(f'DROP DATABASE IF EXISTS "{name}"')
            server.execute(f'CREATE DATABASE "{name}"')
        try:
            urls = [f"{POSTGRES_URL.rsplit('/', 1)[0]}/{name}" for name in names]
            first, second = tmp_path / "first", tmp_path / "second"
            manage("migrate", "--verbosity=0", data=first, DATABASE_URL=urls[0])
            with psycopg.connect(urls[0], autocommit=True) as database:
                database.execute(
                    "INSERT INTO studio_taxrate (name, percent, category) VALUES ('ordinary', 19.5, 'S')"
                )
            manage("backup", str(tmp_path / "backup.tar"), data=first, DATABASE_URL=urls[0])
            manage("restore", str(tmp_path / "backup.tar"), data=second, DATABASE_URL=urls[1])
            with psycopg.connect(urls[1]) as database:
                assert database.execute("SELECT name FROM studio_taxrate").fetchall() == [("ordinary",)]
        finally:
            for name in names:
                server.execute(f'DROP DATABASE IF EXISTS "{name}" WITH (FORCE)')


@pytest.mark.postgres
def test_a_growing_studio_moves_from_sqlite_to_postgres(
    lived_in: Path, archive: Path, tmp_path: Path
) -> None:
    """Restoring an SQLite backup where DATABASE_URL names PostgreSQL brings every row over."""
    import psycopg

    from tests.conftest import POSTGRES_URL

    name = f"test_moving_{tmp_path.name[-8:].lower().replace('-', '_')}"
    with psycopg.connect(POSTGRES_URL, autocommit=True) as server:
        server.execute(f'DROP DATABASE IF EXISTS "{name}"')
        server.execute(f'CREATE DATABASE "{name}"')
        try:
            url = f"{POSTGRES_URL.rsplit('/', 1)[0]}/{name}"
            data = tmp_path / "grown"
            manage("restore", str(archive), data=data, DATABASE_URL=url)
            with psycopg.connect(url) as database:
                assert database.execute("SELECT name FROM studio_user").fetchall() == [("Ada Example",)]
                times = "SELECT password, joined_at FROM studio_user"
                password, joined_at = database.execute(times).fetchone()  # type: ignore[misc]
            with closing(sqlite3.connect(lived_in / "mullion.sqlite3")) as before:
                old_password, old_joined = before.execute(times).fetchone()
            assert password == old_password
            assert joined_at == dt.datetime.fromisoformat(old_joined).replace(tzinfo=dt.UTC)
            # The next row gets a number of its own.
            add_person(data, "Grace Example", DATABASE_URL=url)
            assert (data / "files" / "originals" / "a b" / "ünusual name.dng").exists()
        finally:
            server.execute(f'DROP DATABASE IF EXISTS "{name}" WITH (FORCE)')
