"""An exported reader back to a checkpoint, so that training can go on from the file that ships.

    restore.py READER.onnx LINES.npz CHECKPOINT

The export folded the batch norms into the convolutions; they are put back with the statistics of
training lines, which leaves the function as it was. Weights stored as float16 stay rounded.
"""

import argparse

import numpy as np
import onnx
import onnxruntime as ort
import torch
from onnx import numpy_helper as nh

from data import Lines, to_height, to_input
from model import Conv, Reader, settle_norms


def tensors(path):
    """Initialisers by name, widened to float32, and the graph."""
    graph = onnx.load(path).graph
    held = {t.name.removesuffix("_h"): nh.to_array(t).astype(np.float32) for t in graph.initializer}
    for node in graph.node:
        if node.op_type == "Cast" and node.input[0] in held: held[node.output[0]] = held[node.input[0]]
        if node.op_type == "Constant" and node.attribute[0].HasField("t"): held[node.output[0]] = nh.to_array(node.attribute[0].t)
    # learnable.py gave these other names
    for part in ("squash.bias", "norm.weight", "norm.bias", "extra.bias"):
        if "learn." + part in held: held["reader." + part.replace("norm", "squash_norm")] = held["learn." + part]
    return held, graph


def lstm_layers(model, held):
    """ONNX keeps the gates as input, output, forget, cell; torch as input, forget, cell, output."""
    size = model.lstm.hidden_size
    gates = lambda m: np.concatenate([m[:size], m[2 * size:3 * size], m[3 * size:], m[size:2 * size]])
    for layer in range(2):
        w, r, b = (held[f"learn.lstm{layer}.{part}"] for part in "WRB")
        for d, end in enumerate(("", "_reverse")):
            for name, value in (("weight_ih", w[d]), ("weight_hh", r[d]), ("bias_ih", b[d][:4 * size]), ("bias_hh", b[d][4 * size:])):
                getattr(model.lstm, f"{name}_l{layer}{end}").copy_(torch.from_numpy(gates(value)))


@torch.no_grad()
def restore(path):
    """The model in `path`, with batch norms of no effect where the export folded them."""
    held, graph = tensors(path)
    model = Reader().eval()
    # MatMul weights lose their names in the export: they follow in the order of use
    nameless = [held[n.input[1]] for n in graph.node if n.op_type == "MatMul" and n.input[1] in held]
    linear = {}
    order = [f"attention.{k}.{part}" for k in range(len(model.attention)) for part in ("qkv", "out", "f1", "f2")] + ["head", "squash", "extra"]
    assert len(nameless) == len(order), (len(nameless), len(order))
    for name, w in zip(order, nameless): linear[name + ".weight"] = w.T
    for name, p in model.named_parameters():
        if name.startswith("lstm."): continue
        if ".norm." in name: continue
        value = held.get("reader." + name, linear.get(name))
        if value is None: raise SystemExit(f"{path}: no weights for {name}; was it made by export.py?")
        p.copy_(torch.from_numpy(np.ascontiguousarray(value)).reshape(p.shape))
    lstm_layers(model, held)
    for m in model.modules():
        if isinstance(m, Conv) and m.norm is not None:
            m.norm.fresh = True
            m.norm.running_var.fill_(1 - m.norm.eps)
    return model


def main():
    ap = argparse.ArgumentParser(description=__doc__)
    ap.add_argument("reader"); ap.add_argument("lines"); ap.add_argument("out")
    a = ap.parse_args()
    model, lines = restore(a.reader), Lines(a.lines)
    train = lines.where("train")
    images = [to_height(lines.image(i)) for i in train[:: len(train) // 200]]
    batches = [to_input(torch.from_numpy(i[None]), torch.tensor([i.shape[1]])) for i in images]
    settle_norms(model, batches)
    session = ort.InferenceSession(a.reader)
    with torch.no_grad():
        both = [(session.run(["logits"], {"x": x.numpy()})[0], model(x).numpy()) for x in batches[:20]]
    # The file that ships works in whole numbers (quick.py), the restored model does not.
    whole = any(n.op_type == "QuantizeLinear" for n in onnx.load(a.reader).graph.node)
    far = max(float(np.abs(g - w).mean() if whole else np.abs(g - w).max()) for g, w in both)
    print("mean" if whole else "largest", "difference of scores", far)
    assert far < (1 if whole else 1e-2), "the restored model does not agree with the file"
    torch.save({"average": model.state_dict()}, a.out)


if __name__ == "__main__":
    main()
