"""Names what `glassine learn` adapts, so that the program finds it whatever the exporter called it.

    learnable.py READER.onnx          (export.py does the same to what it writes)

Initialisers become `learn.squash.weight`, `.bias`, `learn.norm.weight`, `.bias`, `learn.lstm0.W`, `.R`, `.B`,
`learn.lstm1.*` (ONNX layout: gates input, output, forget, cell) and `learn.extra.weight`, `.bias`, stored as they
were (float16 or float32). Two outputs are added: `columns` (N x T x 384, what squash takes) and `base`
(N x T x classes, the head's scores without the LSTM's part). No number changes.
"""

import sys

import onnx
from onnx import TensorProto, helper


def name(model):
    """Name the parts of `model` in place."""
    g = model.graph
    makers = {o: n for n in g.node for o in n.output}
    held = {t.name for t in g.initializer}

    def rename(old, new):
        for n in g.node:
            for names in (n.input, n.output):
                for k, v in enumerate(names):
                    if v == old: names[k] = new
        for t in g.initializer:
            if t.name == old: t.name = new

    def stored(tensor):
        """The initialiser behind a tensor: itself, or what is cast into it."""
        if tensor in held: return tensor
        n = makers[tensor]
        assert n.op_type == "Cast" and n.input[0] in held, tensor
        return n.input[0]

    def split(node):
        """A node's two inputs as (computed, weight)."""
        is_weight = [i in held or (i in makers and makers[i].op_type == "Cast" and makers[i].input[0] in held) for i in node.input[:2]]
        assert sorted(is_weight) == [False, True], node.name
        return (node.input[1], node.input[0]) if is_weight[0] else (node.input[0], node.input[1])

    lstms = [n for n in g.node if n.op_type == "LSTM"]
    assert len(lstms) == 2, "the reader must have two LSTM layers"
    norm = makers[lstms[0].input[0]]
    while norm.op_type != "LayerNormalization": norm = makers[norm.input[0]]
    add = makers[norm.input[0]]; product, bias = split(add)
    matmul = makers[product]; columns, weight = split(matmul)
    last = makers["logits"]
    sides = list(last.input)

    def from_lstm(tensor):
        """Whether `tensor` is a linear layer over what the last LSTM gives."""
        n = makers[split(makers[tensor])[0]]
        if n.op_type != "MatMul": return False
        n = makers[split(n)[0]]
        while n.op_type in ("Transpose", "Reshape"): n = makers[n.input[0]]
        return n is lstms[1]

    extra, = [s for s in sides if from_lstm(s)]
    base, = [s for s in sides if s != extra]
    eproduct, ebias = split(makers[extra]); _, eweight = split(makers[eproduct])
    parts = {"squash.weight": weight, "squash.bias": bias, "norm.weight": norm.input[1], "norm.bias": norm.input[2],
             "extra.weight": eweight, "extra.bias": ebias}
    for k, n in enumerate(lstms): parts |= {f"lstm{k}.{p}": n.input[i] for p, i in (("W", 1), ("R", 2), ("B", 3))}
    found = {part: stored(tensor) for part, tensor in parts.items()}
    assert len(set(found.values())) == len(found), "a weight is used twice"
    classes = next(t for t in g.initializer if t.name == found["extra.bias"]).dims[0]
    wide = next(t for t in g.initializer if t.name == found["squash.weight"]).dims[0]
    for part, old in found.items(): rename(old, "learn." + part)
    have = {o.name for o in g.output}
    for old, new, size in ((columns, "columns", wide), (base, "base", classes)):
        if new in have: continue
        rename(old, new)
        g.output.append(helper.make_tensor_value_info(new, TensorProto.FLOAT, ["lines", "steps", size]))
    onnx.checker.check_model(model)


if __name__ == "__main__":
    for path in sys.argv[1:]:
        model = onnx.load(path)
        name(model)
        onnx.save(model, path)
