"""`python -m processing FILES... --out DIR`: correct the pictures of one visit, no database needed."""

import argparse
import json
import sys
from pathlib import Path
from typing import NoReturn

import cv2

from . import encode, visit
from .correct import PURPOSES
from .errors import PlanError, ProcessingError
from .wishes import Wishes

ALL_READ, SOME_FAILED, WRONG_USAGE = 0, 1, 2
OFFERED = ("full", "listing", "web", "print", "deep")


class _Parser(argparse.ArgumentParser):
    def error(self, message: str) -> NoReturn:
        self.print_usage(sys.stderr)
        print(f"{self.prog}: {message}", file=sys.stderr)
        raise SystemExit(WRONG_USAGE)


def parser() -> argparse.ArgumentParser:
    """The command line."""
    p = _Parser(
        prog="python -m processing",
        description="Straight, bright, honestly coloured pictures of rooms. FILES are one visit: brackets,"
        " flash frames and raw + JPEG pairs among them are found and joined.",
    )
    p.add_argument("files", nargs="+", metavar="FILES", help="camera raw, JPEG, TIFF, PNG or HEIF files")
    p.add_argument("--out", required=True, metavar="DIR", help="folder for the finished pictures")
    p.add_argument(
        "--plan", metavar="FILE", help="JSON of wishes: level, crop, brightness, neutral points..."
    )
    p.add_argument("--purpose", default="full", metavar="NAME", help=f"one of {', '.join(OFFERED)}")
    p.add_argument("--jobs", type=int, default=1, metavar="N", help="processes to use (default 1)")
    p.add_argument("--report", metavar="FILE", help="write what was done as JSON")
    p.add_argument("--maps", metavar="DIR", help="write light maps and masks, one .npz per picture")
    p.add_argument("--stage-times", action="store_true", help="print seconds by stage")
    return p


def main(arguments: list[str] | None = None) -> int:
    """Run the command line; returns the exit code."""
    p = parser()
    options = p.parse_args(arguments)
    if options.purpose not in OFFERED:
        p.error(f"--purpose: need one of {', '.join(OFFERED)}, got {options.purpose!r}")
    if options.jobs < 1:
        p.error("--jobs: need 1 or more")
    try:
        wishes = _read_wishes(options.plan)
    except PlanError as error:
        p.error(f"--plan: {error}")
    cv2.setNumThreads(1)
    try:
        result = visit.run(
            options.files,
            Path(options.out),
            wishes=wishes,
            purpose=options.purpose,
            jobs=options.jobs,
            maps_dir=Path(options.maps) if options.maps else None,
            say=lambda words: print(words, file=sys.stderr, flush=True),
        )
    except PlanError as error:
        p.error(f"--plan: {error}")
    report = result.to_json()
    if options.report:
        data = json.dumps(report, indent=1, allow_nan=False).encode()
        try:
            encode.write_atomically(Path(options.report), data)
        except ProcessingError as error:
            print(error, file=sys.stderr)
            return SOME_FAILED
    if options.stage_times:
        _print_times(report["pictures"])
    for failure in result.failed:
        print(f"failed: {failure.input}: {failure.why}", file=sys.stderr)
    return SOME_FAILED if result.failed else ALL_READ


def _read_wishes(name: str | None) -> Wishes:
    if name is None:
        return Wishes()
    try:
        text = Path(name).read_text(encoding="utf-8")
        return Wishes.from_json(json.loads(text))
    except OSError as error:
        raise PlanError(f"{name} cannot be opened ({error.strerror})") from error
    except ValueError as error:
        if isinstance(error, PlanError):
            raise
        raise PlanError(f"{name} is not JSON ({error})") from error


def _print_times(pictures: list[dict]) -> None:
    for picture in pictures:
        stages = " ".join(f"{stage} {seconds:.2f}" for stage, seconds in picture["stage_seconds"].items())
        total = sum(picture["stage_seconds"].values())
        print(f"{picture['output']}: {total:.2f} s ({stages})")


assert set(OFFERED) <= set(PURPOSES)

if __name__ == "__main__":
    raise SystemExit(main())
