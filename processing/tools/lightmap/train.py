"""Train the light map on rooms that are rendered while it learns.

    python -m processing.tools.lightmap.train OUT [--seconds 540] [--start CHECKPOINT]
        [--check ROOMS.npz] [--cpu]

Needs PyTorch and, for the GPU, nvcc; with --cpu g++, far slower. Writes OUT/checkpoint.pt and OUT/log.txt.
ROOMS.npz holds pictures to watch that are never learnt from: x (n, 3, 128, 192) linear,
t (n, 2, ...) log light, w (n, 1, ...) weights.
"""

from __future__ import annotations

import argparse
import json
import math
import multiprocessing
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import torch
import torch.nn.functional as F  # noqa: N812 - the name that every PyTorch text uses
from torch import Tensor

from . import mixing, network, rooms, scoring, tracer
from .scene import PLANES

CHUNK = 64  # rooms made and rendered together
HELD_OUT_SEED = 1000  # rooms of these seeds are only looked at
WORSE_WEIGHT, WORSE_FROM = 0.5, 0.8  # of the loss: no picture may end further off than it began


@dataclass
class Clock:
    """How much of the time has gone, and how the two kinds of work share it."""

    seconds: float
    started: float
    spent_rooms: float = 0.0
    spent_steps: float = 0.0

    @property
    def share(self) -> float:
        return min(1.0, (time.monotonic() - self.started) / self.seconds)


def make_rooms(first_seed: int) -> np.ndarray:
    return rooms.rooms(range(first_seed, first_seed + CHUNK))


class Rooms:
    """A ring of rendered rooms on the device, the oldest replaced by new ones."""

    def __init__(
        self, args: argparse.Namespace, device: str, made: Iterator[np.ndarray], library: Any
    ) -> None:
        self.device, self.made, self.library, self.samples = device, made, library, args.samples
        size = args.pool // CHUNK * CHUNK
        self.ring = torch.empty(size, 20, network.HEIGHT, network.WIDTH, dtype=torch.float16, device=device)
        self.place = self.filled = self.total = 0

    def render(self, scenes: np.ndarray) -> Tensor:
        """Render and denoise packed scenes; every room scaled to a like level."""
        n, H, W = len(scenes), network.HEIGHT, network.WIDTH
        if self.device == "cpu":
            raw = torch.from_numpy(
                tracer.render_cpu(self.library, scenes, width=W, height=H, samples=self.samples)
            )
        else:
            raw = torch.empty(n, PLANES, H, W, device=self.device)
            flat = torch.from_numpy(np.ascontiguousarray(scenes, np.float32)).to(self.device)
            stream = torch.cuda.current_stream().cuda_stream
            code = self.library.render(flat.data_ptr(), raw.data_ptr(), n, W, H, self.samples, stream)
            if code != 0:
                raise RuntimeError(f"the tracer ended with CUDA error {code}")
        parts = torch.nan_to_num(mixing.denoise(raw), 0, 0, 0)
        level = torch.quantile(parts[:, :12].mean(1).flatten(1)[:, ::5], 0.8, dim=1).clamp_min(1e-7)
        parts[:, :12] *= (0.2 / level).view(-1, 1, 1, 1)
        return parts.clamp(0, 6e4).half()

    def add(self) -> None:
        self.ring[self.place : self.place + CHUNK] = self.render(next(self.made))
        self.place = (self.place + CHUNK) % len(self.ring)
        self.filled = min(len(self.ring), self.filled + CHUNK)
        self.total += CHUNK


def loss_of(answer: Tensor, mixed: mixing.Mixed, balance: Sequence[float]) -> tuple[Tensor, Tensor]:
    """Return the loss and the mean angle.

    The loss adds what would be seen after correction (distances in a*b* on neutral, pale and strongly painted
    surfaces, weighed by `balance`), the angle, the log-chroma distance, its likelihood, and what gets worse.
    """
    w, total = mixed.weight, mixed.weight.sum().clamp_min(1)
    distance = (answer[:, :2] - mixed.log_light).pow(2).sum(1, keepdim=True).add(1e-6).sqrt()
    scale = answer[:, 2:3].clamp(-6, 2)
    likelihood = ((distance * (-scale).exp() + scale) * w).sum() / total
    angle = (network.angle_deg(mixed.log_light, answer)[:, None] * w).sum() / total
    have, want = scoring.corrected(mixed, answer)
    miss, shares = (have - want).pow(2).sum(1, keepdim=True).add(0.01).sqrt(), scoring.kinds(mixed)
    by_kind = (miss * shares).sum((0, 2, 3)) / shares.sum((0, 2, 3)).clamp_min(1)
    seen = sum(share * by_kind[i] for i, share in enumerate(balance)) / 8
    own_total = w.sum((1, 2, 3)).clamp_min(1)
    untouched = mixed.log_light.pow(2).sum(1, keepdim=True).add(1e-6).sqrt()
    began, ended = ((d * w).sum((1, 2, 3)) / own_total for d in (untouched, distance))
    worse = F.relu(ended - WORSE_FROM * began).mean()
    near = 0.5 * (distance * w).sum() / total
    return seen + angle / 12 + near + 0.2 * likelihood + WORSE_WEIGHT * worse, angle


@torch.no_grad()
def evaluate(
    net: torch.nn.Module, held_out: list[mixing.Mixed], check: dict[str, Any] | None
) -> dict[str, Any]:
    """Return figures on held-out rooms and the mean angles on the check set.

    Angles of ours, of untouched and the share made worse; medians over pictures of the distances in a*b*: of
    the picture alone, with neutral points and with a flash frame. `doubt` is the rank correlation of the
    expected with the true error over pictures.
    """
    net.eval()
    rows: dict[str, list[Tensor]] = {}
    for m in held_out:
        counts = (m.weight > 0.9).float()
        total = counts.sum((1, 2, 3)).clamp_min(1)
        points, pair = (m.hints[:, c].amax((1, 2)) > 0.3 for c in (2, 5))
        only_points, only_pair = m.hints.clone(), m.hints.clone()
        only_points[:, 3:], only_pair[:, :3] = 0, 0
        found: dict[str, Tensor] = {}
        for name, planes, has in (
            ("", m.hints * 0, None), (" points", only_points, points), (" pair", only_pair, pair),
        ):  # fmt: skip
            answer = net(network.features(m.picture, planes)).float()
            angle = (network.angle_deg(m.log_light, answer)[:, None] * counts).sum((1, 2, 3)) / total
            own = scoring.figures(m, answer) | {"angle": angle}
            for key, values in own.items():
                found[key + name] = values if has is None else torch.where(has, values, torch.nan)
            if has is None:
                found["doubt"] = (answer[:, 2:3].exp() * counts).sum((1, 2, 3)) / total
            elif name == " points":
                found["angle points blind"] = torch.where(has, found["angle"], torch.nan)
            else:
                found["angle pair blind"] = torch.where(has, found["angle"], torch.nan)
        untouched = network.angle_deg(m.log_light, torch.zeros_like(m.log_light))[:, None]
        found["untouched"] = (untouched * counts).sum((1, 2, 3)) / total
        for name, values in found.items():
            rows.setdefault(name, []).append(values)
    whole = {name: torch.cat(values) for name, values in rows.items()}
    ranks = torch.stack([whole[name].argsort().argsort().float() for name in ("doubt", "angle")])
    result: dict[str, Any] = {
        n: v.nanmean().item() for n, v in whole.items() if n.startswith(("angle", "unt"))
    }
    result["doubt"] = torch.corrcoef(ranks)[0, 1].item()
    result["worse"] = (whole["angle"] > whole["untouched"]).float().mean().item()
    result |= {n: v.nanmedian().item() for n, v in whole.items() if n.startswith(scoring.KINDS)}
    if check is not None:
        angle = network.angle_deg(check["t"], net(network.features(check["x"])))[:, None]
        per_view = (angle * check["w"]).sum((1, 2, 3)) / check["w"].sum((1, 2, 3))
        result["check"] = per_view.mean().item()
        result["check_views"] = [round(v, 2) for v in per_view.tolist()]
    net.train()
    return {k: round(v, 3) if isinstance(v, float) else v for k, v in result.items()}


def learn(args: argparse.Namespace, made: Iterator[np.ndarray]) -> None:
    device = "cpu" if args.cpu else "cuda"
    torch.backends.cudnn.benchmark = True
    torch.backends.cuda.matmul.allow_tf32 = torch.backends.cudnn.allow_tf32 = True
    args.out.mkdir(parents=True, exist_ok=True)
    log, clock = (args.out / "log.txt").open("w"), Clock(args.seconds, time.monotonic())

    def say(*words: Any) -> None:
        line = f"{time.monotonic() - clock.started:5.0f} s " + " ".join(map(str, words))
        print(line, flush=True)
        print(line, file=log, flush=True)

    supply = Rooms(args, device, made, tracer.build(args.out, gpu=not args.cpu))
    torch.manual_seed(HELD_OUT_SEED)
    mixer = mixing.Mixer(device, HELD_OUT_SEED)
    held_out = [
        mixer(supply.render(make_rooms(HELD_OUT_SEED + i * CHUNK))) for i in range(1 if args.cpu else 8)
    ]
    torch.manual_seed(args.seed)
    mixer = mixing.Mixer(device, args.seed)
    check = load_check(args.check, device) if args.check else None
    net, steady = network.LightNet().to(device), network.LightNet().to(device)
    net = net.to(memory_format=torch.channels_last)
    if args.start:
        saved = torch.load(args.start, map_location=device)
        network.load(net, saved["model"])
        network.load(steady, saved["ema"])
    else:
        steady.load_state_dict(net.state_dict())
    while supply.filled < min(args.first, len(supply.ring)):
        supply.add()
    say("rooms", supply.total, "start", json.dumps(evaluate(steady, held_out, check)))

    def report(step: int) -> None:
        say("step", step, "rooms", supply.total, json.dumps(evaluate(steady, held_out, check)))
        keep()

    def keep() -> None:
        torch.save({"model": net.state_dict(), "ema": steady.state_dict()}, args.out / "checkpoint.pt")

    steps = run_steps(args, clock, supply, Step(args, supply, mixer, net, steady), report)
    keep()
    say("end: steps", steps, "rooms", supply.total, json.dumps(evaluate(steady, held_out, check)))
    say("seconds: steps", round(clock.spent_steps), "rooms", round(clock.spent_rooms))


class Step:
    """One step of learning; on a GPU recorded once and then replayed: launching takes most of its time."""

    def __init__(
        self, args: argparse.Namespace, supply: Rooms, mixer: mixing.Mixer, net: Any, steady: Any
    ) -> None:
        self.batch, self.balance, self.supply, self.mixer = args.batch, args.balance, supply, mixer
        self.net, self.steady, self.is_gpu = net, steady, supply.device == "cuda"
        self.rate = torch.tensor(0.0, device=supply.device)
        self.keep = 0.9992 if args.start else 0.998
        self.filled = torch.tensor(float(supply.filled), device=supply.device)
        self.optimiser = torch.optim.AdamW(
            net.parameters(), lr=self.rate, weight_decay=0.01, betas=(0.9, 0.98),
            fused=self.is_gpu, capturable=self.is_gpu,
        )  # fmt: skip
        self.graph = self._record() if self.is_gpu else None

    def __call__(self, rate: float) -> None:
        self.rate.fill_(rate)
        self.filled.fill_(float(self.supply.filled))
        if self.graph is None:
            self._learn()
        else:
            self.graph.replay()

    def _record(self) -> Any:
        aside = torch.cuda.Stream()
        aside.wait_stream(torch.cuda.current_stream())
        with torch.cuda.stream(aside):
            for _ in range(3):
                self._learn()
        torch.cuda.current_stream().wait_stream(aside)
        graph = torch.cuda.CUDAGraph()
        with torch.cuda.graph(graph):
            self._learn()
        return graph

    def _learn(self) -> None:
        self.optimiser.zero_grad(set_to_none=True)
        with torch.no_grad():
            places = (torch.rand(self.batch, device=self.supply.device) * self.filled).long()
            mixed = self.mixer(self.supply.ring[places])
            planes = network.features(mixed.picture, mixed.hints)
            planes = planes.contiguous(memory_format=torch.channels_last)
        with torch.autocast(self.supply.device, dtype=torch.bfloat16):
            answer = self.net(planes)
        loss, _ = loss_of(answer.float(), mixed, self.balance)
        loss.backward()
        torch.nn.utils.clip_grad_norm_(self.net.parameters(), 1.0)
        self.optimiser.step()
        average(self.steady, self.net, self.keep)


def run_steps(
    args: argparse.Namespace, clock: Clock, supply: Rooms, step: Step, report: Callable[[int], None]
) -> int:
    """Take optimiser steps until the time is up; new rooms get a fixed share of it."""
    rooms_per_step_s = args.room_share / (1 - args.room_share)
    steps, reported, pace = 0, time.monotonic(), 20 if step.is_gpu else 1
    while clock.share < 1 or steps == 0:
        began = time.monotonic()
        rate = args.end_rate + (args.rate - args.end_rate) * 0.5 * (1 + math.cos(math.pi * clock.share))
        for _ in range(pace):
            step(rate * min(1.0, (steps + 1) / 300))
            steps += 1
        if step.is_gpu:
            torch.cuda.synchronize()
        clock.spent_steps += time.monotonic() - began
        while step.is_gpu and clock.spent_rooms < clock.spent_steps * rooms_per_step_s and clock.share < 1:
            began = time.monotonic()
            supply.add()
            torch.cuda.synchronize()
            clock.spent_rooms += time.monotonic() - began
        if time.monotonic() - reported > args.report_every:
            report(steps)
            reported = time.monotonic()
    return steps


@torch.no_grad()
def average(steady: torch.nn.Module, net: torch.nn.Module, keep: float) -> None:
    """Move the averaged weights a little towards the present ones."""
    ours = [*steady.parameters(), *(b for b in steady.buffers() if b.is_floating_point())]
    theirs = [*net.parameters(), *(b for b in net.buffers() if b.is_floating_point())]
    torch._foreach_lerp_(ours, [p.detach() for p in theirs], 1 - keep)


def load_check(path: Path, device: str) -> dict[str, Any]:
    data = np.load(path)
    return {key: torch.tensor(data[key], dtype=torch.float32, device=device) for key in ("x", "t", "w")}


def arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("out", type=Path)
    parser.add_argument("--seconds", type=float, default=540)
    parser.add_argument("--start", type=Path, help="a checkpoint to go on from")
    parser.add_argument("--check", type=Path, help="pictures to watch, never learnt from")
    parser.add_argument("--rate", type=float, default=2e-3)
    parser.add_argument("--end-rate", type=float, default=2e-5)
    parser.add_argument("--pool", type=int, default=32000)
    parser.add_argument("--first", type=int, default=4096)
    parser.add_argument("--batch", type=int, default=64)
    parser.add_argument("--samples", type=int, default=12)
    parser.add_argument("--balance", type=float, nargs=3, default=(1, 0.5, 0.3), help="neutral, pale, strong")
    parser.add_argument("--room-share", type=float, default=0.35)
    parser.add_argument("--report-every", type=float, default=60)
    parser.add_argument("--workers", type=int, default=12)
    parser.add_argument("--seed", type=int, default=2_000_000)
    parser.add_argument("--cpu", action="store_true")
    args = parser.parse_args()
    if args.cpu:
        args.pool, args.first, args.batch, args.samples, args.workers = 64, 64, 2, 9, 1
    return args


def main() -> None:
    args = arguments()
    with multiprocessing.get_context("fork").Pool(args.workers) as pool:  # forked before CUDA starts
        learn(args, pool.imap(make_rooms, (args.seed + i * CHUNK for i in range(100_000))))
        pool.terminate()


if __name__ == "__main__":
    main()
