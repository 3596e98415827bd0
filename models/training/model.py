"""The recogniser: PP-OCRv6 small's convolutions and transformer, a Latin head and a BiLSTM.

The convolutional trunk and the two transformer blocks are rebuilt from the ONNX graph that
ships in the rapidocr 3.10.0 wheel (Apache-2.0) and filled with its weights.
"""

import math

import numpy as np
import torch
import torch.nn.functional as F
from torch import nn

from alphabet import ALPHABET, CLASSES


class Conv(nn.Module):
    """Convolution whose folded batch norm was put back (identity at start)."""

    def __init__(self, cin, cout, kernel, stride=1, groups=1, same=False, norm=True):
        super().__init__()
        pad = 0 if same else tuple(k // 2 for k in kernel)
        self.same = same
        self.conv = nn.Conv2d(cin, cout, kernel, stride, pad, groups=groups, bias=True)
        self.norm = nn.BatchNorm2d(cout, momentum=0.01) if norm else None

    def forward(self, x):
        if self.same:
            x = F.pad(x, (0, 1, 0, 1))
        x = self.conv(x)
        return x if self.norm is None else self.norm(x)


class Squeeze(nn.Module):
    def __init__(self, c):
        super().__init__()
        self.a, self.b = nn.Conv2d(c, c // 4, 1), nn.Conv2d(c // 4, c, 1)

    def forward(self, x, mask=None):
        if mask is None:
            m = x.mean((2, 3), keepdim=True)
        else:
            m = (x * mask).sum((2, 3), keepdim=True) / (mask.sum((2, 3), keepdim=True) * x.shape[2])
        return x * F.hardsigmoid(self.b(F.relu(self.a(m))))


class Block(nn.Module):
    """Depthwise 3x3, squeeze-and-excite (some), then a pointwise pair."""

    def __init__(self, cin, cout, stride=1, squeeze=False):
        super().__init__()
        self.dw = Conv(cin, cin, (3, 3), (stride, 1), groups=cin)
        self.se = Squeeze(cin) if squeeze else None
        self.up, self.down = Conv(cin, cin * 2, (1, 1)), Conv(cin * 2, cout, (1, 1))
        self.residual = cin == cout and stride == 1
        if stride == 2:   # the two down-sampling blocks widen without doubling first
            self.up, self.down = Conv(cin, cout, (1, 1)), Conv(cout, cout, (1, 1))

    def forward(self, x, mask=None):
        x = self.dw(x)
        if self.se is not None:
            x = self.se(x, mask)
        y = self.down(F.gelu(self.up(x)))
        return x + y if self.residual else y


class Attention(nn.Module):
    def __init__(self, d=120, heads=8):
        super().__init__()
        self.heads = heads
        self.n1, self.n2 = nn.LayerNorm(d, 1e-5), nn.LayerNorm(d, 1e-5)
        self.qkv, self.out = nn.Linear(d, 3 * d), nn.Linear(d, d)
        self.f1, self.f2 = nn.Linear(d, 2 * d), nn.Linear(2 * d, d)

    def forward(self, x, bias=None):
        q, k, v = self.qkv(self.n1(x)).unflatten(-1, (3, self.heads, -1)).permute(2, 0, 3, 1, 4)
        a = (q * q.shape[-1] ** -0.5) @ k.transpose(-1, -2)
        if bias is not None:
            a = a + bias
        y = (a.softmax(-1) @ v).transpose(1, 2).flatten(2)
        x = x + self.out(y)
        return x + self.f2(F.silu(self.f1(self.n2(x))))


class Reader(nn.Module):
    def __init__(self, classes=CLASSES, lstm=256, pool=(3, 1), layers=2):
        super().__init__()
        self.pool = pool
        self.s1, self.s2a, self.s2b = Conv(3, 48, (3, 3), 2), Conv(48, 24, (2, 2), same=True), Conv(24, 48, (2, 2), same=True)
        self.s3, self.s4 = Conv(96, 48, (3, 3), 2), Conv(48, 96, (1, 1))
        plan = [(96, 96, 1, True), (96, 96, 1, False), (96, 96, 1, False), (96, 192, 2, False),
                (192, 192, 1, True), (192, 192, 1, False), (192, 192, 1, True), (192, 192, 1, False), (192, 192, 1, True), (192, 192, 1, False),
                (192, 384, 2, False), (384, 384, 1, True), (384, 384, 1, False)]
        self.blocks = nn.ModuleList(Block(*p) for p in plan)
        self.short, self.inp = Conv(384, 120, (1, 1)), Conv(384, 120, (1, 1))
        self.mix = Conv(120, 120, (1, 7), groups=120)
        self.attention = nn.ModuleList([Attention(), Attention()])
        self.final = nn.LayerNorm(120, 1e-6)
        self.head = nn.Linear(120, classes)
        self.lstm = None
        if lstm:
            self.squash = nn.Linear(384, lstm)
            self.squash_norm = nn.LayerNorm(lstm)
            self.lstm = nn.LSTM(lstm, lstm, layers, batch_first=True, bidirectional=True, dropout=0.2 if layers > 1 else 0.0)
            self.drop = nn.Dropout(0.2)
            self.extra = nn.Linear(2 * lstm, classes)
            nn.init.zeros_(self.extra.weight); nn.init.zeros_(self.extra.bias)

    def trunk(self, x, widths=None):
        """Features N x 384 x T; `widths` (pixels) masks the padding where given."""
        mask = None
        if widths is not None:
            w4 = torch.div(widths + 3, 4, rounding_mode="floor")
            steps = x.shape[-1] // 4
            mask = (torch.arange(steps, device=x.device)[None] < w4[:, None])[:, None, None, :].to(x.dtype)
        x = F.relu(self.s1(x))
        y = F.relu(self.s2b(F.relu(self.s2a(x))))
        x = torch.cat([F.max_pool2d(F.pad(x, (0, 1, 0, 1), value=0.0), 2, 1), y], 1)
        x = F.relu(self.s4(F.relu(self.s3(x))))
        for b in self.blocks:
            x = b(x, mask if mask is None else mask.to(x.dtype))
        return F.avg_pool2d(x, self.pool, self.pool)

    def forward(self, x, widths=None):
        f = self.trunk(x, widths)
        skip = F.silu(self.short(f))
        y = F.silu(self.inp(f))
        y = (y + F.silu(self.mix(y))).squeeze(2).transpose(1, 2)
        bias = None
        if widths is not None:
            valid = torch.arange(y.shape[1], device=x.device)[None] < self.steps(widths)[:, None]
            bias = torch.zeros(valid.shape, device=x.device, dtype=y.dtype).masked_fill(~valid, -1e4)[:, None, None, :]
        for a in self.attention:
            y = a(y, bias)
        y = self.final(y) + skip.squeeze(2).transpose(1, 2)
        logits = self.head(y)
        if self.lstm is not None:
            z = self.squash_norm(self.squash(f.squeeze(2).transpose(1, 2)))
            z, _ = self.lstm(z)
            logits = logits + self.extra(self.drop(z))
        return logits

    def steps(self, widths):
        """Time steps for a line of `widths` pixels."""
        return torch.div(widths + 3, 4, rounding_mode="floor") // self.pool[1]


def load_start(model, onnx_path, dictionary=None):
    """Fill `model` from the PP-OCRv6 graph; Latin rows of the head by character."""
    import onnx
    from onnx import numpy_helper as nh
    g = onnx.load(onnx_path)
    weights = {i.name: nh.to_array(i) for i in g.graph.initializer}
    alias = {}
    for n in g.graph.node:
        if n.op_type == "Constant":
            weights[n.output[0]] = nh.to_array(n.attribute[0].t)
        if n.op_type == "Identity":
            alias[n.output[0]] = alias.get(n.input[0], n.input[0])
    get = lambda name: weights[alias.get(name, name)]
    named = lambda name: alias.get(name, name) in weights
    users = {}
    for n in g.graph.node:
        for i in n.input:
            users.setdefault(i, []).append(n)
    convs, mats, norms = [], [], []
    for n in g.graph.node:
        if n.op_type == "Conv":
            nxt = users[n.output[0]][0]
            bn = b = None
            if nxt.op_type == "BatchNormalization":
                bn = [get(i) for i in nxt.input[1:]]
            elif nxt.op_type == "Add":
                c = [i for i in nxt.input if named(i)]
                b = get(c[0]).ravel() if c else None
            convs.append((get(n.input[1]), b, bn))
        if n.op_type == "MatMul" and named(n.input[1]):
            nxt = users[n.output[0]][0]
            mats.append((get(n.input[1]), get([i for i in nxt.input if named(i)][0])))
        if n.op_type == "Mul":
            c = [i for i in n.input if named(i) and get(i).shape == (120,)]
            if c:
                nxt = users[n.output[0]][0]
                norms.append((get(c[0]), get([i for i in nxt.input if named(i)][0])))
    t = lambda a: torch.from_numpy(np.array(a, dtype=np.float32))
    order = [model.s1, model.s2a, model.s2b, model.s3, model.s4]
    for b in model.blocks:
        order.append(b.dw)
        if b.se is not None: order += [b.se.a, b.se.b]
        order += [b.up, b.down]
    order += [model.short, model.inp, model.mix]
    assert len(order) == len(convs), (len(order), len(convs))
    with torch.no_grad():
        for m, (w, b, bn) in zip(order, convs):
            conv = m.conv if isinstance(m, Conv) else m
            assert tuple(conv.weight.shape) == w.shape, (conv, w.shape)
            conv.weight.copy_(t(w))
            conv.bias.copy_(t(b)) if b is not None else conv.bias.zero_()
            if bn is not None:
                for target, value in zip((m.norm.weight, m.norm.bias, m.norm.running_mean, m.norm.running_var), bn):
                    target.copy_(t(value))
            elif isinstance(m, Conv):
                m.norm.fresh = True
        k = 0
        for a in model.attention:
            for lin in (a.qkv, a.out, a.f1, a.f2):
                lin.weight.copy_(t(mats[k][0].T)); lin.bias.copy_(t(mats[k][1])); k += 1
        ln = [x for a in model.attention for x in (a.n1, a.n2)] + [model.final]
        for m, (w, b) in zip(ln, norms):
            m.weight.copy_(t(w)); m.bias.copy_(t(b))
        w, b = mats[k]
        if dictionary is not None:
            found = 0
            model.head.weight.zero_(); model.head.bias.fill_(float(np.median(b)))
            look = {c: i + 1 for i, c in enumerate(dictionary)}
            look[" "] = len(dictionary) + 1
            model.head.weight[0] = t(w[:, 0]); model.head.bias[0] = float(b[0])
            for i, c in enumerate(ALPHABET):
                j = look.get(c)
                if j is not None and j < w.shape[1]:
                    model.head.weight[i + 1] = t(w[:, j]); model.head.bias[i + 1] = float(b[j]); found += 1
            return found
        model.head.weight.copy_(t(w.T)); model.head.bias.copy_(t(b))
    return None


@torch.no_grad()
def settle_norms(model, images):
    """Give the put-back batch norms the statistics of `images`, leaving the function unchanged."""
    fresh = [m for m in model.modules() if isinstance(m, nn.BatchNorm2d) and getattr(m, "fresh", False)]
    stats, hooks = {}, []

    def watch(m, inp, _):
        x = inp[0].float()
        s = stats.setdefault(m, [0, 0, 0])
        s[0] += x.sum((0, 2, 3)).double(); s[1] += (x.double() ** 2).sum((0, 2, 3)); s[2] += x.numel() // x.shape[1]

    model.eval()
    for m in fresh: hooks.append(m.register_forward_hook(watch))
    for x in images: model(x)
    for h in hooks: h.remove()
    for m, (s, q, n) in stats.items():
        mean = s / n; var = (q / n - mean ** 2).clamp_min(1e-8)
        m.running_mean.copy_(mean); m.running_var.copy_(var)
        m.weight.copy_((var + m.eps).sqrt()); m.bias.copy_(mean)


@torch.no_grad()
def fold(model):
    """Fold every batch norm into its convolution, for export."""
    for m in model.modules():
        if isinstance(m, Conv) and m.norm is not None:
            n = m.norm
            scale = n.weight / (n.running_var + n.eps).sqrt()
            m.conv.weight.mul_(scale[:, None, None, None])
            m.conv.bias.copy_((m.conv.bias - n.running_mean) * scale + n.bias)
            m.norm = None
    return model
