"""Checkpoint to ONNX: export.py CKPT OUT_FOLDER [--name NAME]

Writes reader.onnx (float32, batch norms folded, dynamic batch and width; logits, and what learnable.py
adds), alphabet.txt and checks it against PyTorch.
"""

import argparse, os

import numpy as np
import onnx
import onnxruntime as ort
import torch

from alphabet import ALPHABET
from learnable import name
from model import Reader, fold


class Logits(torch.nn.Module):
    """Attention written without symbolic shapes so that the graph stays dynamic."""

    def __init__(self, reader):
        super().__init__(); self.reader = reader

    def forward(self, x):
        return self.reader(x)


def halve(g):
    """Stores the weights as float16, cast back on load."""
    from onnx import helper, numpy_helper as nh, TensorProto
    nodes, inits = [], []
    for t in g.graph.initializer:
        v = nh.to_array(t)
        if v.dtype == np.float32 and v.size > 256:
            inits.append(nh.from_array(v.astype(np.float16), t.name + "_h")); nodes.append(helper.make_node("Cast", [t.name + "_h"], [t.name], to=TensorProto.FLOAT))
        else: inits.append(t)
    rest = list(g.graph.node)
    del g.graph.initializer[:]; g.graph.initializer.extend(inits)
    del g.graph.node[:]; g.graph.node.extend(nodes + rest)


def main():
    ap = argparse.ArgumentParser(description=__doc__)
    ap.add_argument("checkpoint"); ap.add_argument("out"); ap.add_argument("--lstm", type=int, default=256)
    ap.add_argument("--half", action="store_true", help="store weights as float16 (cast back on load)")
    a = ap.parse_args()
    model, state = Reader(lstm=a.lstm).eval(), torch.load(a.checkpoint, map_location="cpu", weights_only=True)
    if "average" in state: model.load_state_dict(state["average"])
    fold(model)
    if "average" not in state: model.load_state_dict({k: v.float() for k, v in state.items()})     # tune.py's
    os.makedirs(a.out, exist_ok=True)
    path = a.out + "/reader.onnx"
    x = torch.rand(2, 3, 48, 320) * 2 - 1
    torch.onnx.export(Logits(model).eval(), (x,), path, input_names=["x"], output_names=["logits"], opset_version=17, dynamo=False,
                      dynamic_axes={"x": {0: "lines", 3: "width"}, "logits": {0: "lines", 1: "steps"}})
    g = onnx.load(path); onnx.checker.check_model(g)
    if a.half: halve(g)
    name(g)
    onnx.save(g, path)
    with open(a.out + "/alphabet.txt", "w", encoding="utf8") as f: f.write("\n".join(ALPHABET) + "\n")
    s = ort.InferenceSession(path)
    for n, w in ((1, 96), (3, 416), (2, 901)):
        x = torch.rand(n, 3, 48, w) * 2 - 1
        with torch.no_grad(): want = model(x).numpy()
        got = s.run(None, {"x": x.numpy()})[0]
        print(n, w, got.shape, "largest difference", np.abs(got - want).max())
    print(os.path.getsize(path) / 1e6, "MB")


if __name__ == "__main__":
    main()
