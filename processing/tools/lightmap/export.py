"""Write the averaged weights of a checkpoint as ONNX.

python -m processing.tools.lightmap.export CHECKPOINT OUT.onnx
"""

from __future__ import annotations

import sys

import torch

from .network import HEIGHT, PLANES, WIDTH, LightNet, load


def main() -> None:
    checkpoint, target = sys.argv[1:3]
    net = LightNet(planes=PLANES)
    load(net, torch.load(checkpoint, map_location="cpu")["ema"])
    net.eval()
    planes = torch.zeros(1, PLANES, HEIGHT, WIDTH)
    torch.onnx.export(
        net, (planes,), target, input_names=["x"], output_names=["map"], opset_version=13, dynamo=False,
        do_constant_folding=True,
    )  # fmt: skip
    print(sum(p.numel() for p in net.parameters()), "parameters written to", target)


if __name__ == "__main__":
    main()
