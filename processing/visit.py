"""Files of one visit to finished pictures: group, analyse, settle, make, going on after a bad one.

No database: this is what `python -m processing` runs. Work may be spread over processes; every frame is
looked at once and kept small in between.
"""

import io
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, field, replace
from multiprocessing import get_context
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np

from . import analysis, brackets, correct, encode, series
from .analysis import Analysis, Look
from .brackets import Group
from .errors import PlanError, ProcessingError
from .report import REPORT_VERSION
from .wishes import Wishes

Say = Callable[[str], None]


@dataclass
class Failure:
    """A file that could not be used, and why."""

    input: str
    why: str

    def to_json(self) -> dict[str, str]:
        """The report's form."""
        return {"input": self.input, "why": self.why}


@dataclass(frozen=True)
class Shot:
    """The files of one picture, in the group's order."""

    paths: tuple[str, ...]
    group: Group


@dataclass
class Result:
    """A visit's report and what failed."""

    pictures: list[dict[str, Any]] = field(default_factory=list)
    failed: list[Failure] = field(default_factory=list)
    seconds: float = 0.0

    def to_json(self) -> dict[str, Any]:
        """The report as written by the command line."""
        return {
            "version": REPORT_VERSION,
            "seconds": round(self.seconds, 3),
            "pictures": self.pictures,
            "failed": [failure.to_json() for failure in self.failed],
        }


def run(
    files: Sequence[str],
    out_dir: Path,
    *,
    wishes: Wishes | None = None,
    purpose: str = "full",
    jobs: int = 1,
    maps_dir: Path | None = None,
    say: Say = lambda words: None,
) -> Result:
    """Correct the files of one visit; a bad file is named and the others go on.

    Raises
    ------
    PlanError
        If the wishes name files that are not among `files`.
    """
    started = time.perf_counter()
    files = list(dict.fromkeys(files))
    wanted = _with_paths(wishes or Wishes(), files)
    result = Result()
    workers = _Workers(jobs)
    looks: dict[str, Look] = {}
    aside = TemporaryDirectory(prefix="looks-")  # hundreds of frames do not fit into memory
    for path, answer in workers.map(_look, files):
        if isinstance(answer, Failure):
            result.failed.append(answer)
            say(f"not read: {answer.why}")
        else:
            looks[path] = _set_aside(answer, Path(aside.name) / f"{len(looks)}.npy")
    shots = group(looks, wanted)
    say(f"{len(looks)} of {len(files)} files read, {len(shots)} pictures")
    used = {path for shot in shots for path in shot.paths}
    for key, name in _named(wanted):
        if name in looks and name not in used:
            say(f"{key}: {Path(name).name} gives no picture of its own; what was asked of it was left out")
    analyses: dict[int, Analysis] = {}
    for number, found in workers.map(_analyse, [(i, s, _of(looks, s)) for i, s in enumerate(shots)]):
        if isinstance(found, Failure):
            result.failed.append(found)
        else:
            analyses[number[0]] = found
    kept = sorted(analyses)
    looks.clear()
    aside.cleanup()
    plans = series.settle(
        [analyses[i] for i in kept],
        [wanted] * len(kept),
        names=[shots[i].paths for i in kept],
    )
    names = _off_inputs(unique_names([shots[i] for i in kept]), files, out_dir, purpose)
    tasks = [
        (shots[i].paths, plan.to_json(), str(out_dir), purpose, name, str(maps_dir) if maps_dir else None)
        for i, plan, name in zip(kept, plans, names, strict=True)
    ]
    for _, made in workers.map(_make, tasks):
        if isinstance(made, Failure):
            result.failed.append(made)
            say(f"not made: {made.why}")
        else:
            result.pictures.append(made)
            say(f"{len(result.pictures)} of {len(tasks)}: {made['output']}")
    workers.close()
    result.seconds = time.perf_counter() - started
    return result


def _named(wanted: Wishes) -> list[tuple[str, str]]:
    named = [("groups", name) for g in wanted.groups for name in g]
    named += [("neutral_points", name) for name, _, _ in wanted.neutral_points]
    return named + [("removals", name) for name, _ in wanted.removals]


def _with_paths(wanted: Wishes, files: Sequence[str]) -> Wishes:
    """The wishes with the files that they name as they were given, so that each finds its own.

    Raises
    ------
    PlanError
        If a name is not among the files, or fits several of them.
    """
    found: dict[str, str] = {}
    for key, name in _named(wanted):
        same = [f for f in files if Path(f).name == Path(name).name]
        if name not in files and not same:
            raise PlanError(f"{key}: {name!r} is not one of the files given")
        if name not in files and len(same) > 1:
            raise PlanError(f"{key}: {name!r} fits {len(same)} files; name it with its folder, as given")
        found[name] = name if name in files else same[0]
    return replace(
        wanted,
        groups=tuple(tuple(found[n] for n in g) for g in wanted.groups),
        neutral_points=tuple((found[n], x, y) for n, x, y in wanted.neutral_points),
        removals=tuple((found[n], area) for n, area in wanted.removals),
    )


def _off_inputs(names: Sequence[str], files: Sequence[str], out_dir: Path, purpose: str) -> list[str]:
    """Names under which no file that was given is written over: an original is never touched."""
    kind = correct.PURPOSES[purpose]
    ending = f"{kind.suffix}.{'tif' if kind.sixteen_bit else 'jpg'}"
    given = {str(Path(f).resolve()).lower() for f in files}
    taken = {name.lower() for name in names}
    out = []
    for name in names:
        free, number = name, 1
        while str((out_dir / f"{free}{ending}").resolve()).lower() in given or (
            free != name and free.lower() in taken
        ):
            free, number = f"{name}-corrected" + (f"-{number}" if number > 1 else ""), number + 1
        taken.add(free.lower())
        out.append(free)
    return out


def group(looks: dict[str, Look], wanted: Wishes) -> list[Shot]:
    """Put the files into pictures: first as a person said, the rest by time, exposure and content."""
    paths = list(looks)
    shots: list[Shot] = []
    for names in wanted.groups:
        chosen = [p for p in paths if p in names]
        if chosen:
            shots += _as_one([looks[p] for p in chosen], chosen)
            paths = [p for p in paths if p not in chosen]
    if paths:
        facts = [looks[p].facts for p in paths]
        found = brackets.group(
            facts, lambda i: looks[paths[i]].thumbnail(), names=[Path(p).name for p in paths]
        )
        shots += [Shot(tuple(paths[i] for i in g.members), g) for g in found]
    return shots


def _as_one(looks: Sequence[Look], paths: Sequence[str]) -> list[Shot]:
    """One picture of exactly these frames: the darkest that is still open is the reference."""
    if len(looks) == 1:
        return [Shot((paths[0],), Group("single", (0,), 0, (0.0,)))]
    found = brackets.group(
        [look.facts for look in looks],
        lambda i: looks[i].thumbnail(),
        names=[Path(p).name for p in paths],
        gap_s=1e9,
    )
    if len(found) == 1:
        return [Shot(tuple(paths[i] for i in found[0].members), found[0])]
    evs = [0.0] + [brackets.exposure_difference(looks[0].thumbnail(), k.thumbnail()) for k in looks[1:]]
    order = sorted(range(len(looks)), key=lambda i: evs[i])
    middle = len(order) // 2
    base = evs[order[middle]]
    whole = Group("bracket", tuple(order), middle, tuple(round(evs[i] - base, 3) for i in order))
    return [Shot(tuple(paths[i] for i in order), whole)]


def unique_names(shots: Sequence[Shot]) -> list[str]:
    """Stem of each picture's files: the reference's; on a clash the folder in front, then a number.

    Examples
    --------
    >>> one = Group("single", (0,), 0, (0.0,))
    >>> unique_names([Shot(("a/x.dng",), one), Shot(("b/x.jpg",), one), Shot(("b/y.jpg",), one)])
    ['a-x', 'b-x', 'y']
    """
    references = [Path(shot.paths[shot.group.reference]) for shot in shots]
    stems = [path.stem for path in references]
    lowered = [stem.lower() for stem in stems]
    names = [
        stem if lowered.count(stem.lower()) == 1 else f"{path.parent.name or 'here'}-{stem}"
        for stem, path in zip(stems, references, strict=True)
    ]
    taken: set[str] = set()
    for i, name in enumerate(names):
        free, number = name, 2
        while free.lower() in taken:
            free, number = f"{name}-{number}", number + 1
        names[i] = free
        taken.add(free.lower())
    return names


def _set_aside(one: Look, path: Path) -> Look:
    """The same look with its pixels in a file that is read through a memory map."""
    np.save(path, np.clip(one.rgb_linear, -60000, 60000).astype(np.float16))
    return replace(one, rgb_linear=np.load(path, mmap_mode="r"))


def _of(looks: dict[str, Look], shot: Shot) -> list[Look]:
    return [looks[path] for path in shot.paths]


def _look(path: str) -> Look | Failure:
    try:
        return analysis.look(path)
    except ProcessingError as error:
        return Failure(path, str(error))
    except MemoryError:
        return Failure(path, f"{Path(path).name}: not enough memory to decode it")
    except Exception as error:  # whatever it is, the other files go on
        return _fault(path, error)


def _analyse(task: tuple[int, Shot, list[Look]]) -> Analysis | Failure:
    _, shot, looks = task
    try:
        return analysis.analyse(
            shot.paths,
            reference=shot.group.reference,
            kind=shot.group.kind,
            evs=shot.group.evs,
            flash=shot.group.flash,
            looks=looks,
        )
    except ProcessingError as error:
        return Failure(shot.paths[shot.group.reference], str(error))
    except Exception as error:
        return _fault(shot.paths[shot.group.reference], error)


def _make(
    task: tuple[tuple[str, ...], dict[str, Any], str, str, str, str | None],
) -> dict[str, Any] | Failure:
    paths, plan_json, out_dir, purpose, name, maps_dir = task
    plan = correct.Plan.from_json(plan_json)
    try:
        made = correct.make(paths, plan, out_dir, (purpose,), stem=name, with_maps=maps_dir is not None)
        if maps_dir is not None:
            save_maps(Path(maps_dir) / f"{name}.npz", made.maps)
        return made.report
    except ProcessingError as error:
        return Failure(paths[plan.reference], str(error))
    except MemoryError:
        return Failure(paths[plan.reference], f"{Path(paths[plan.reference]).name}: not enough memory")
    except Exception as error:
        return _fault(paths[plan.reference], error)


def _fault(path: str, error: Exception) -> Failure:
    """A fault of the program, told with the file that showed it."""
    what = f"{type(error).__name__}: {error}"
    return Failure(path, f"{Path(path).name}: the program failed on it ({what}); the file is untouched")


def save_maps(path: Path, maps: dict[str, np.ndarray]) -> None:
    """Save a picture's maps as a compressed .npz, whole or not at all."""
    buffer = io.BytesIO()
    np.savez_compressed(buffer, **maps)  # type: ignore[arg-type]
    encode.write_atomically(path, buffer.getvalue())


class _Workers:
    """Runs tasks here (one job) or in spawned processes; a crashed one costs only its own task."""

    def __init__(self, jobs: int) -> None:
        self.jobs = max(1, jobs)
        self._pool = self._new_pool() if self.jobs > 1 else None

    def _new_pool(self) -> ProcessPoolExecutor:
        return ProcessPoolExecutor(self.jobs, mp_context=get_context("spawn"), initializer=_one_thread)

    def map(self, work: Callable[[Any], Any], tasks: Sequence[Any]) -> Iterator[tuple[Any, Any]]:
        """(task, answer) in order; a task whose process died answers with a Failure."""
        if self._pool is None:
            for task in tasks:
                yield task, work(task)
            return
        pending = [(task, self._pool.submit(work, task)) for task in tasks]
        broken: list[Any] = []
        for task, future in pending:
            try:
                yield task, future.result()
            except BrokenProcessPool:
                broken.append(task)
        if broken:
            yield from self._one_by_one(work, broken)

    def _one_by_one(self, work: Callable[[Any], Any], tasks: Sequence[Any]) -> Iterator[tuple[Any, Any]]:
        for task in tasks:
            pool = ProcessPoolExecutor(1, mp_context=get_context("spawn"), initializer=_one_thread)
            try:
                yield task, pool.submit(work, task).result()
            except BrokenProcessPool:
                name = _task_name(task)
                yield task, Failure(name, f"{Path(name).name}: its decoder crashed; the other files went on")
            finally:
                pool.shutdown()
        self._pool = self._new_pool()

    def close(self) -> None:
        """Stop the processes."""
        if self._pool is not None:
            self._pool.shutdown()


def _task_name(task: Any) -> str:
    if isinstance(task, str):
        return task
    first = task[1].paths if isinstance(task[0], int) else task[0]
    return str(first[0])


def _one_thread() -> None:
    import cv2

    cv2.setNumThreads(1)
