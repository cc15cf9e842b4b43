"""The child process in which pictures are read and made: `python -m listings.making_child`.

One job a line on standard input, one answer a line on standard output, JSON both ways. It knows no Django:
paths and numbers only. It ends when its parent does (standard input closes), keeps to the memory it was
given, and whatever a decoder prints goes to standard error.
"""

from __future__ import annotations

import base64
import contextlib
import io
import json
import os
import queue
import sys
import threading
import time
import traceback
from collections.abc import Callable
from pathlib import Path
from typing import Any, TextIO

Job = dict[str, Any]


def limit_memory(megabytes: int) -> None:
    """Refuse memory beyond the limit and write no core dumps, where the system knows such limits."""
    try:
        import resource
    except ImportError:
        return
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    if megabytes:
        resource.setrlimit(resource.RLIMIT_AS, (megabytes * 1024 * 1024,) * 2)


def read(job: Job) -> Job:
    """Facts of one frame and the small array by which frames are grouped."""
    import numpy as np

    from processing import analysis

    look = analysis.look(job["path"])
    buffer = io.BytesIO()
    np.save(buffer, look.thumbnail().astype(np.float16), allow_pickle=False)
    return {"facts": look.facts.to_json(), "thumbnail": base64.b64encode(buffer.getvalue()).decode()}


def group(job: Job) -> Job:
    """Which frames make one picture."""
    import numpy as np

    from processing import brackets, reading

    def thumbnail(index: int) -> Any:
        data = base64.b64decode(job["thumbnails"][index])
        return np.load(io.BytesIO(data), allow_pickle=False).astype(np.float32)

    facts = [reading.Facts.from_json(entry) for entry in job["facts"]]
    groups = brackets.group(facts, thumbnail, names=job["names"])
    return {"groups": [found.to_json() for found in groups]}


def analyse(job: Job) -> Job:
    """What one picture says by itself."""
    from processing import correct

    analysis = correct.analyse(
        job["paths"], reference=job["reference"], kind=job["kind_of_picture"], flash=job["flash"]
    )
    return {"analysis": analysis.to_json()}


def settle(job: Job) -> Job:
    """What the pictures of a visit tell each other: a plan for each.

    Analyses of an earlier version of the program are named by their place; pictures that keep their plan
    then simply have no say, the others have to be analysed again first.
    """
    from processing import correct, series
    from processing.errors import ProcessingError

    known: dict[int, Any] = {}
    for place, entry in enumerate(job["analyses"]):
        with contextlib.suppress(ProcessingError, KeyError, TypeError):
            known[place] = correct.Analysis.from_json(entry)
    old = [place for place in range(len(job["analyses"])) if place not in known]
    plans: list[Job | None] = [None] * len(job["analyses"])
    if all(job["fixed"][place] for place in old):
        given = [[job[key][place] for place in known] for key in ("wishes", "fixed", "names")]
        for place, plan in zip(known, series.settle(list(known.values()), *given), strict=True):
            plans[place] = {"plan": plan.to_json(), "digest": plan.digest()}
    return {"plans": plans, "old": old, "method_version": correct.METHOD_VERSION}


def make(job: Job) -> Job:
    """Carry out a plan: files under the given folder and what was measured."""
    from processing import correct, quality
    from processing.plan import Plan

    started = time.monotonic()
    made = correct.make(
        [Path(path) for path in job["paths"]],
        Plan.from_json(job["plan"]),
        Path(job["out_dir"]),
        tuple(job["purposes"]),
    )
    return {
        "report": made.report,
        "files": {purpose: str(path) for purpose, path in made.files.items()},
        "needs_look": [quality.NEEDS_LOOK[code] for code in made.report["quality"]["needs_look"]],
        "method_version": correct.METHOD_VERSION,
        "seconds": time.monotonic() - started,
    }


def copy(job: Job) -> Job:
    """A file of one picture for one purpose."""
    from processing import encode, metadata, reading

    words = job["metadata"] | {"keywords": tuple(job["metadata"].get("keywords", ()))}
    facts = reading.Facts.from_json(job["facts"]) if job["facts"] else None
    width, height, size = encode.copy(
        Path(job["source"]),
        path=Path(job["path"]),
        long_edge_px=job["long_edge_px"],
        max_bytes=job["max_bytes"],
        quality=job["quality"],
        dpi=job["dpi"],
        meta=metadata.Metadata(**words, facts=facts),
    )
    return {"width": width, "height": height, "size": size}


KINDS: dict[str, Callable[[Job], Job]] = {
    "read": read,
    "group": group,
    "analyse": analyse,
    "settle": settle,
    "make": make,
    "copy": copy,
}


def answer(job: Job) -> Job:
    """Do one job; what the file is to blame for and what is our fault are told apart."""
    from processing.errors import ProcessingError

    try:
        return {"result": KINDS[job["kind"]](job)}
    except ProcessingError as error:
        return {"file_fault": str(error)}
    except MemoryError:
        return {"lost": "It needs more memory than MAKE_MEMORY_MB allows."}
    except Exception as error:
        traceback.print_exc()
        return {"lost": f"{type(error).__name__}: {error}"}


def take_jobs(lines: TextIO, jobs: queue.Queue[Job]) -> None:
    """Hand over jobs as they come; when the parent is gone, so is this process, in the middle of anything."""
    for line in lines:
        jobs.put(json.loads(line))
    os._exit(0)


def main() -> None:
    answers = os.fdopen(os.dup(sys.stdout.fileno()), "w", encoding="utf-8")
    os.dup2(sys.stderr.fileno(), sys.stdout.fileno())
    limit_memory(int(sys.argv[1]) if len(sys.argv) > 1 else 0)
    jobs: queue.Queue[Job] = queue.Queue()
    threading.Thread(target=take_jobs, args=(sys.stdin, jobs), daemon=True).start()
    while True:
        answers.write(json.dumps(answer(jobs.get())) + "\n")
        answers.flush()


if __name__ == "__main__":
    main()
