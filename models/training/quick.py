"""A network computed in whole numbers: its convolutions with 8-bit weights and features, the rest as it is.

    quick.py reader READER.onnx DATA OUT.onnx
    quick.py finder FINDER.onnx DATA OUT.onnx      DATA as train.py's

The range of every feature is what training lines (reader) or fresh scenes (finder) show; no photograph is
looked at. Weights have one scale a channel and stay float16 in the file; ONNX Runtime works the whole numbers out
when it loads them.
"""

import argparse, copy, json, random

import numpy as np
import onnx
import onnxruntime as ort
from onnx import TensorProto, helper, numpy_helper as nh


def weights(model):
    """Initialisers by name, and by the name of what is cast from them."""
    held = {t.name: nh.to_array(t) for t in model.graph.initializer}
    return held | {n.output[0]: held[n.input[0]].astype(np.float32) for n in model.graph.node if n.op_type == "Cast" and n.input[0] in held}


def join_gelu(model):
    """x/√2, erf, +1, times x, times ½ become one node, which ONNX Runtime else finds no more between whole numbers."""
    g = model.graph
    takers = {}
    for n in g.node:
        for i in n.input: takers.setdefault(i, []).append(n)
    makers = {o: n for n in g.node for o in n.output}
    gone = []
    for erf in [n for n in g.node if n.op_type == "Erf"]:
        div = makers[erf.input[0]]; x = div.input[0]
        add, = takers[erf.output[0]]; product, = takers[add.output[0]]; half, = takers[product.output[0]]
        assert (div.op_type, add.op_type, product.op_type, half.op_type) == ("Div", "Add", "Mul", "Mul") and x in product.input
        place = list(g.node).index(half)
        g.node.insert(place, helper.make_node("Gelu", [x], [half.output[0]], half.name + "/Gelu", domain="com.microsoft"))
        gone += [div, erf, add, product, half]
    for n in gone: g.node.remove(n)
    used = {i for n in g.node for i in n.input}
    for n in [n for n in g.node if n.op_type == "Constant" and n.output[0] not in used]: g.node.remove(n)
    model.opset_import.append(helper.make_opsetid("com.microsoft", 1))


def quiet(model):
    options = ort.SessionOptions(); options.log_severity_level = 3
    return ort.InferenceSession(model.SerializeToString(), options, providers=["CPUExecutionProvider"])


def ranges(model, pictures, share):
    """From where to where the features around every convolution go, by their names: `share` of the numbers of each
    picture may lie beyond either end."""
    shown = copy.deepcopy(model)
    names = sorted({t for c, y in inner(model) for t in (c.input[0], y)} - {"x"})
    have = {o.name for o in shown.graph.output}
    shown.graph.output.extend(helper.make_tensor_value_info(n, TensorProto.FLOAT, None) for n in names if n not in have)
    session, ends = quiet(shown), {"x": [(-1.0, 1.0)]} | {n: [] for n in names}
    for x in pictures:
        for n, v in zip(names, session.run(names, {"x": x})):
            v, k = v.ravel(), int(v.size * share)
            if k: v = np.partition(v, (k, v.size - 1 - k))
            ends[n].append((v[k], v[v.size - 1 - k]) if k else (v.min(), v.max()))
    return {n: (min(0.0, float(min(e)[0])), max(0.0, float(max(h for _, h in e)))) for n, e in ends.items()}


def inner(model):
    """Every convolution, and what it gives after a rectifier of its own."""
    g = model.graph
    takers = {}
    for n in g.node:
        for i in n.input: takers.setdefault(i, []).append(n)
    for n in g.node:
        if n.op_type != "Conv": continue
        after = takers.get(n.output[0], [])
        yield n, after[0].output[0] if len(after) == 1 and after[0].op_type == "Relu" else n.output[0]


def whole(model, ends, layers):
    """Puts the steps to whole numbers and back around the convolutions. Weights stay in the file as they are and get
    their scale when it is loaded, so that a reader which learned a hand needs no other file."""
    g = model.graph
    held = weights(model)
    nodes, stepped = list(g.node), {}

    def constant(name, value):
        name = "whole/" + name.removeprefix("whole/")       # by its own name a weight is known to the program
        if name not in held: held[name] = np.asarray(value); g.initializer.append(nh.from_array(held[name], name))
        return name

    def steps(tensor):
        """The tensor after a step to whole numbers and back, and its scale; made once."""
        if tensor not in stepped:
            low, high = ends[tensor]
            scale = np.float32(max((high - low) / 255, 1e-8))
            s = constant(tensor + "/scale", scale); z = constant(tensor + "/zero", np.uint8(np.clip(round(-low / scale), 0, 255)))
            stepped[tensor] = tensor + "/back", s, [helper.make_node("QuantizeLinear", [tensor, s, z], [tensor + "/whole"]), helper.make_node("DequantizeLinear", [tensor + "/whole", s, z], [tensor + "/back"])]
        return stepped[tensor]

    most = constant("whole/most", np.float32(127)); little = constant("whole/little", np.float32(1e-9))
    # Two products of 8 and 8 bits are more than the 16 bits in which processors without VNNI add them up. There the
    # program has the convolutions' steps carried out one by one; the LSTM's weights have 7 bits.
    narrow = constant("whole/narrow", np.float32(63))
    for conv, after in layers:
        steps(after)
        x, s, _ = steps(conv.input[0])
        w = conv.input[1]; new = []; make = lambda *a, **k: new.append(helper.make_node(*a, **k))
        make("Abs", [w], [w + "/abs"])
        make("ReduceMax", [w + "/abs"], [w + "/top"], axes=[1, 2, 3], keepdims=0)
        make("Div", [w + "/top", most], [w + "/share"]); make("Max", [w + "/share", little], [w + "/scale"])
        zero = constant(w + "/zero", np.zeros(held[w].shape[0], np.int8))
        make("QuantizeLinear", [w, w + "/scale", zero], [w + "/eight"], axis=0)
        make("DequantizeLinear", [w + "/eight", w + "/scale", zero], [w + "/back"], axis=0)
        inputs = [x, w + "/back"]
        if len(conv.input) > 2:
            b = conv.input[2]
            make("Mul", [w + "/scale", s], [b + "/scale"]); make("Div", [b, b + "/scale"], [b + "/steps"]); make("Round", [b + "/steps"], [b + "/round"])
            make("Cast", [b + "/round"], [b + "/whole"], to=TensorProto.INT32)
            zero = constant(b + "/zero", np.zeros(held[b].shape[0], np.int32))
            make("DequantizeLinear", [b + "/whole", b + "/scale", zero], [b + "/back"], axis=0)
            inputs.append(b + "/back")
        del conv.input[:]; conv.input.extend(inputs)
        at = nodes.index(conv); nodes[at:at] = new
    for lstm in [n for n in nodes if n.op_type == "LSTM"]:
        new = []; make = lambda *a, **k: new.append(helper.make_node(*a, **k))
        parts = []
        for w in (lstm.input[1], lstm.input[2]):
            make("Transpose", [w], [w + "/turned"], perm=[0, 2, 1])
            make("Abs", [w + "/turned"], [w + "/abs"])
            make("ReduceMax", [w + "/abs"], [w + "/top"], axes=[1], keepdims=1)
            make("Div", [w + "/top", narrow], [w + "/share"]); make("Max", [w + "/share", little], [w + "/wide"])
            make("Div", [w + "/turned", w + "/wide"], [w + "/steps"]); make("Round", [w + "/steps"], [w + "/round"])
            make("Cast", [w + "/round"], [w + "/eight"], to=TensorProto.INT8)
            make("Squeeze", [w + "/wide", constant("whole/one", np.array([1], np.int64))], [w + "/scale"])
            parts.append((w + "/eight", w + "/scale", constant(w + "/zero", np.zeros((held[w].shape[0], held[w].shape[1]), np.int8))))
        (w, ws, wz), (r, rs, rz) = parts
        given = list(lstm.input) + [""] * (8 - len(lstm.input))
        make("DynamicQuantizeLSTM", [given[0], w, r, *given[3:8], ws, wz, rs, rz], list(lstm.output), lstm.name + "/whole", domain="com.microsoft")
        new[-1].attribute.extend(lstm.attribute)
        at = nodes.index(lstm); nodes[at:at + 1] = new
    for tensor, (back, _, pair) in stepped.items():
        for n in nodes:
            if n in pair: continue
            for k, i in enumerate(n.input):
                if i == tensor: n.input[k] = back
        at = next((k + 1 for k, n in enumerate(nodes) if tensor in n.output), 0)
        nodes[at:at] = pair
    del g.node[:]; g.node.extend(nodes)
    onnx.checker.check_model(model)


def lines(data, most):
    """Lines as the reader takes them: of each source of training lines as many, then as many rendered ones."""
    from data import Lines, Stream, to_height
    packed, rng = Lines(data + "/lines.npz"), random.Random(1)
    shown = lambda v: np.ascontiguousarray(np.repeat(((v / 255 - 0.5) / 0.5).astype(np.float32)[None, None], 3, 1))
    sources = sorted({m[1] for m in packed.meta if m[2] == "train"})
    for source in sources:
        which = packed.where("train", {source})
        for i in rng.sample(which, min(len(which), most // len(sources))): yield shown(to_height(packed.image(i)))
    made = 0
    for x, widths, _, _ in Stream(packed, data + "/fonts", data + "/corpus.json.gz", dict(type=.4, print=.4, form=.2), columns=2048, seed=3):
        for v, w in zip(x.numpy(), widths.tolist()):
            if made == most: return
            yield shown(v[:, :w]); made += 1


def scenes(data, most):
    """Composed photographs as the finder takes them."""
    from scenes import Scenes
    made = Scenes(data, 424242)
    for _ in range(most):
        picture, _ = made.scene(640)
        yield (picture.transpose(2, 0, 1)[None] / 127.5 - 1).astype(np.float32)


# What stays in float32: it costs next to nothing, or loses most (PP-OCRv6's attention takes what `inp` and `short` give).
LEFT = {"reader": ("/dw/", "/se/", "/inp/", "/mix/", "/short/"), "finder": ("/deep", "/squeeze/", "/mix/mix.0/", "/mix/mix.3/", "/signs/signs.0/")}


def taken(model, what):
    """The convolutions that are computed in whole numbers, with what each gives."""
    return [(c, y) for c, y in inner(model) if not any(p in c.name for p in LEFT[what])]


def main():
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("what", choices=["reader", "finder"]); ap.add_argument("network"); ap.add_argument("data"); ap.add_argument("out")
    ap.add_argument("--most", type=int, default=120); ap.add_argument("--share", type=float, default=1e-4)
    ap.add_argument("--ends", action="store_true", help="write the ends of the features alone, as JSON, for tune.py")
    ap.add_argument("--with-ends", help="take the ends of this file, with which tune.py trained")
    a = ap.parse_args()
    model = onnx.load(a.network)
    if any(n.op_type == "QuantizeLinear" for n in model.graph.node): raise SystemExit(f"{a.network} is in whole numbers already; export it again")
    join_gelu(model)
    if a.with_ends: ends = json.load(open(a.with_ends))["ends"]
    else: ends = ranges(model, (lines if a.what == "reader" else scenes)(a.data, a.most), a.share)
    if a.ends:
        layers = {c.input[1].removesuffix(".weight"): [*ends[c.input[0]], *ends[y]] for c, y in taken(model, a.what)}
        json.dump({"ends": ends, "layers": layers}, open(a.out, "w")); return
    whole(model, ends, taken(model, a.what))
    onnx.save(model, a.out)


if __name__ == "__main__":
    main()
