"""Turn shipped ONNX weights back into a checkpoint to go on from (needs the onnx package).

    python -m processing.tools.lightmap.restart WEIGHTS.onnx OUT/checkpoint.pt

Writing ONNX folds each normalisation into the convolution before it. Here it is taken out again with the mean
and spread that rooms really give, so that learning goes on where it ended; the answers stay the same.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import onnx
import torch
from onnx import numpy_helper
from torch import Tensor, nn

from . import mixing, network, rooms, tracer

ROOMS = 32


def folded(path: Path) -> tuple[dict[str, Tensor], dict[str, tuple[Tensor, Tensor]]]:
    """Return the weights that kept their names, and weight and bias of the depth-wise convolutions."""
    graph = onnx.load(str(path)).graph
    held = {i.name: torch.from_numpy(numpy_helper.to_array(i).copy()) for i in graph.initializer}
    plain = {name: value for name, value in held.items() if not name.startswith("onnx::")}
    depthwise = {}
    for node in graph.node:
        if node.op_type == "Conv" and node.input[1].startswith("onnx::"):
            block = node.output[0].split("/")[-3]  # "/enc.0/enc.0.0/dw/Conv_output_0"
            depthwise[block] = (held[node.input[1]], held[node.input[2]])
    return plain, depthwise


def unfold(net: network.LightNet, depthwise: dict[str, tuple[Tensor, Tensor]], planes: Tensor) -> None:
    """Give each normalisation the mean and spread of what it is fed, and undo them in its own weights."""
    norms: dict[str, nn.BatchNorm2d] = {}
    for name, module in net.named_modules():
        if isinstance(module, network.Block):
            weight, bias = depthwise[name]
            module.dw.weight.data.copy_(weight)
            norm = norms[name] = module.n
            norm.running_mean, norm.running_var = torch.zeros_like(bias), torch.ones_like(bias) - norm.eps
            norm.weight.data.fill_(1.0)
            norm.bias.data.copy_(bias)

    fed: dict[str, tuple[Tensor, Tensor]] = {}

    def watch(name: str) -> Any:
        def hook(_: nn.Module, arguments: tuple[Tensor, ...]) -> None:
            x = arguments[0]
            fed[name] = (x.mean((0, 2, 3)), x.var((0, 2, 3)))

        return hook

    hooks = [norm.register_forward_pre_hook(watch(name)) for name, norm in norms.items()]
    with torch.no_grad():
        net(planes)
        for hook in hooks:
            hook.remove()
        for name, norm in norms.items():
            mean, variance = fed[name]
            norm.running_mean, norm.running_var = mean, variance
            norm.weight.data.copy_((variance + norm.eps).sqrt())
            norm.bias.data.add_(mean)


def main() -> None:
    source, target = map(Path, sys.argv[1:3])
    target.parent.mkdir(parents=True, exist_ok=True)
    library = tracer.build(target.parent, gpu=False)
    scenes = rooms.rooms(range(ROOMS))
    raw = tracer.render_cpu(library, scenes, width=network.WIDTH, height=network.HEIGHT, samples=9)
    parts = torch.nan_to_num(mixing.denoise(torch.from_numpy(raw)), 0, 0, 0)
    mixed = mixing.Mixer("cpu")(parts)
    planes = network.features(mixed.picture, mixed.hints)
    plain, depthwise = folded(source)
    net = network.LightNet()
    blank = net.state_dict()
    net.eval()
    network.load(net, {**blank, **plain})
    unfold(net, depthwise, planes)
    torch.save({"model": net.state_dict(), "ema": net.state_dict()}, target)
    print("written to", target)


if __name__ == "__main__":
    main()
