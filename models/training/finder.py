"""The line finder: its network, training and export.

    finder.py train DATA OUT --seconds 520 [--from WEIGHTS.pt]   DATA as train.py's, with det.onnx
    finder.py mean OUT.pt ONE.pt OTHER.pt
    finder.py export WEIGHTS.pt OUT.onnx

The network is the backbone of the PP-OCRv6 small detector with a plainer stem and a thinner
neck, and learns from `scenes.py`. Input x: N x 3 x H x W, (value/255 - 0.5)/0.5, sides multiples
of 32. Outputs: `lines` N x 1 x H x W, how likely a pixel lies in a line's shrunk kernel;
`signs` N x 2 x H/8 x W/8, how likely writing there is by hand, and how likely it stands
upside down (to be read along -60 to 120 degrees after a half turn).
"""

import argparse, copy, json, math, os, threading, time

import cv2
import numpy as np
import torch
import torch.nn.functional as F
from torch import nn


def conv(a, b, k=1, stride=1, groups=1, bias=True):
    return nn.Conv2d(a, b, k, stride, k // 2, groups=groups, bias=bias)


class Squeeze(nn.Module):
    """Channels weighed by their means over the picture."""

    def __init__(self, c, slope=1 / 6):
        super().__init__()
        self.down, self.up, self.slope = conv(c, c // 4), conv(c // 4, c), slope

    def forward(self, x):
        return (self.up(F.relu(self.down(x.mean((2, 3), keepdim=True)))) * self.slope + 0.5).clamp(0, 1)


class Block(nn.Module):
    def __init__(self, c, squeeze):
        super().__init__()
        self.deep = conv(c, c, 3, groups=c)
        self.squeeze = Squeeze(c) if squeeze else None
        self.wide, self.thin = conv(c, 2 * c), conv(2 * c, c)

    def forward(self, x):
        x = self.deep(x)
        if self.squeeze is not None: x = x * self.squeeze(x)
        return x + self.thin(F.gelu(self.wide(x)))


class Down(nn.Module):
    def __init__(self, a, b):
        super().__init__()
        self.deep, self.wide, self.thin = conv(a, a, 3, 2, groups=a), conv(a, b), conv(b, b)

    def forward(self, x):
        return self.thin(F.gelu(self.wide(self.deep(x))))


class Body(nn.Module):
    """The detector's backbone: maps at 1/4, 1/8, 1/16 and 1/32 (48, 96, 192, 384 channels). `whole`: with its own stem."""

    def __init__(self, whole):
        super().__init__()
        self.whole = whole
        self.one = conv(3, 24, 3, 2)
        if whole: self.two, self.three = nn.Conv2d(24, 12, 2), nn.Conv2d(12, 24, 2)
        self.four = conv(48 if whole else 24, 24, 3, 2)
        self.five = conv(24, 48)
        self.stages = nn.ModuleList([
            nn.Sequential(Block(48, True), Block(48, False)),
            nn.Sequential(Down(48, 96), Block(96, True), Block(96, False)),
            nn.Sequential(Down(96, 192), Block(192, True), Block(192, False), Block(192, True), Block(192, False)),
            nn.Sequential(Down(192, 384), Block(384, True), Block(384, False))])

    def forward(self, x):
        x = F.relu(self.one(x))
        if self.whole:
            pad = F.pad(x, (0, 1, 0, 1))
            y = F.relu(self.two(pad))
            y = F.relu(self.three(F.pad(y, (0, 1, 0, 1))))
            x = torch.cat([F.max_pool2d(pad, 2, 1), y], 1)
        x = F.relu(self.five(F.relu(self.four(x))))
        out = []
        for stage in self.stages: x = stage(x); out.append(x)
        return out


class Side(nn.Module):
    """A convolution whose channels are weighed and added."""

    def __init__(self, a, b):
        super().__init__()
        self.conv, self.squeeze = conv(a, b, bias=False), Squeeze(b, 0.2)

    def forward(self, x):
        x = self.conv(x)
        return x + x * self.squeeze(x)


def up(x, k=2):
    return F.interpolate(x, scale_factor=k, mode="nearest")


class Finder(nn.Module):
    def __init__(self, width=48):
        super().__init__()
        self.body = Body(False)
        self.sides = nn.ModuleList([Side(384, 96), Side(192, 96), Side(96, 96)])
        self.deeps = nn.ModuleList([conv(96, 96, 7, groups=96) for _ in range(3)])
        self.outs = nn.ModuleList([Side(96, 24) for _ in range(3)])
        self.gather, self.fine = conv(72, width), conv(48, width)
        self.mix = nn.Sequential(conv(width, width, 5, groups=width), conv(width, width), nn.ReLU(), conv(width, width, 3, groups=width), conv(width, 24), nn.ReLU())
        self.line = conv(24, 4)      # four cells of a quarter make it a half
        self.signs = nn.Sequential(conv(width, width, 5, groups=width), conv(width, width), nn.ReLU(), conv(width, 2))

    def forward(self, x, inner=False):
        c2, c3, c4, c5 = self.body(x)
        p5 = self.sides[0](c5)
        p4 = self.sides[1](c4) + up(p5)
        p3 = self.sides[2](c3) + up(p4)
        q5, q4, q3 = (out(deep(p)) for out, deep, p in zip(self.outs, self.deeps, (p5, p4, p3)))
        g = F.relu(self.gather(torch.cat([up(q5, 4), up(q4), q3], 1)))
        line = F.pixel_shuffle(self.line(self.mix(F.relu(self.fine(c2) + up(g)))), 2)
        signs = self.signs(g)
        return (line, signs, (c2, c3, c4, c5)) if inner else (line, signs)


class Shipped(nn.Module):
    """As the program runs it."""

    def __init__(self, finder):
        super().__init__()
        self.finder = finder

    def forward(self, x):
        line, signs = self.finder(x)
        return F.interpolate(torch.sigmoid(line), scale_factor=2, mode="bilinear", align_corners=False), torch.sigmoid(signs)


def weights_of(path):
    """The detector's convolutions in order: weight and bias (or None)."""
    import onnx
    from onnx import numpy_helper
    graph = onnx.load(path).graph
    known = {i.name: numpy_helper.to_array(i).astype(np.float32) for i in graph.initializer}
    adds = {i: n for n in graph.node if n.op_type == "Add" for i in n.input}
    out = []
    for node in graph.node:
        if node.op_type != "Conv": continue
        bias = None
        if len(node.input) > 2: bias = known[node.input[2]]
        elif (n := adds.get(node.output[0])) is not None:
            bias = next((known[i].reshape(-1) for i in n.input if i in known), None)
        out.append((known[node.input[1]], bias))
    return out


def take(module, weights):
    """Fills the convolutions of `module`, in the order they run, from the front of `weights`."""
    for m in module.modules():
        if isinstance(m, nn.Conv2d):
            w, b = weights.pop(0)
            assert m.weight.shape == w.shape and (b is None) == (m.bias is None), (m, w.shape)
            m.weight.data = torch.tensor(w)
            if b is not None: m.bias.data = torch.tensor(b)


def start(path):
    """The teacher's backbone, and a finder filled from the detector where they agree."""
    weights = weights_of(path)
    teacher = Body(True)
    rest = list(weights); take(teacher, rest)
    finder = Finder()
    mine, theirs = finder.body.state_dict(), teacher.state_dict()
    for k in mine:
        v = theirs[k]
        mine[k] = v[:, :24].clone() if k == "four.weight" else v.clone()
    finder.body.load_state_dict(mine)
    for side in finder.sides: take(side, rest)
    del rest[:3]        # the side way at a quarter
    for deep, out in zip(finder.deeps, finder.outs): take(deep, rest); take(out, rest)
    return teacher, finder


@torch.no_grad()
def fit_stem(teacher, finder, x):
    """The plainer stem's second convolution, by least squares from what the whole stem gives on pictures `x`."""
    a = F.relu(teacher.one(x)); pad = F.pad(a, (0, 1, 0, 1))
    b = F.relu(teacher.three(F.pad(F.relu(teacher.two(pad)), (0, 1, 0, 1))))
    want = teacher.four(torch.cat([F.max_pool2d(pad, 2, 1), b], 1)).transpose(0, 1).flatten(1).double()
    seen = F.unfold(a, 3, padding=1, stride=2).transpose(0, 1).flatten(1).double()
    seen = torch.cat([seen, torch.ones_like(seen[:1])])
    square = seen @ seen.T
    w = torch.linalg.solve(square + 1e-4 * square.diagonal().mean() * torch.eye(len(seen), dtype=seen.dtype, device=x.device), seen @ want.T).T.float()
    finder.body.four.weight.copy_(w[:, :-1].reshape(finder.body.four.weight.shape)); finder.body.four.bias.copy_(w[:, -1])


# Training

class Stream(torch.utils.data.IterableDataset):
    def __init__(self, folder, size, seed):
        self.folder, self.size, self.seed = folder, size, seed

    def __iter__(self):
        from scenes import Scenes
        cv2.setNumThreads(1)
        info = torch.utils.data.get_worker_info()
        scenes = Scenes(self.folder, self.seed * 1000 + (info.id if info else 0))
        while True:
            try: picture, maps = scenes.scene(self.size)
            except Exception as e:      # one scene that cannot be drawn must not end a run
                print("scene:", repr(e), flush=True); continue
            yield torch.from_numpy(np.ascontiguousarray(picture.transpose(2, 0, 1))), torch.from_numpy(maps[0][None]), torch.from_numpy(maps[1])


class Ring:
    """The newest scenes on the device, filled by a thread while training draws from them."""

    def __init__(self, loader, size, device, most):
        self.x = torch.zeros(most, 3, size, size, dtype=torch.uint8, device=device)
        self.y = torch.zeros(most, 1, size // 2, size // 2, dtype=torch.uint8, device=device)
        self.z = torch.zeros(most, 3, size // 4, size // 4, dtype=torch.uint8, device=device)
        self.made, self.most = 0, most
        self.thread = threading.Thread(target=self.fill, args=(loader,), daemon=True); self.thread.start()

    def fill(self, loader):
        for x, y, z in loader:
            at = (torch.arange(len(x)) + self.made) % self.most
            self.x[at] = x.to(self.x.device); self.y[at] = y.to(self.y.device); self.z[at] = z.to(self.z.device)
            self.made += len(x)

    def draw(self, n):
        at = torch.randint(0, min(self.made, self.most), (n,), device=self.x.device)
        return self.x[at], self.y[at], self.z[at]


def varied(x, y, z):
    """Scaled, turned by half, and tinted anew; x float -1 to 1."""
    x, y = x.float() / 127.5 - 1, y.float() / 255
    if torch.rand(()) < 0.15:
        x, y, z = x.flip((2, 3)), y.flip((2, 3)), z.flip((2, 3))
        way = z[:, 2:]; z = torch.cat([z[:, :2], torch.where(way > 0, 3 - way, way)], 1)
    if torch.rand(()) < 0.5:
        side = (448, 544, 736, 832)[int(torch.randint(4, ()))]      # few: every new shape costs a second
        x = F.interpolate(x, size=(side, side), mode="bilinear", antialias=True, align_corners=False)
        y = F.interpolate(y, size=(side // 2, side // 2), mode="bilinear", antialias=True, align_corners=False)
        z = F.interpolate(z.float(), size=(side // 4, side // 4), mode="nearest")
    n = x.shape[0]
    gain = 1 + 0.15 * torch.randn(n, 1, 1, 1, device=x.device) + 0.05 * torch.randn(n, 3, 1, 1, device=x.device)
    x = ((x + 1) * gain.clamp(0.5, 1.5) - 1 + 0.08 * torch.randn(n, 1, 1, 1, device=x.device)).clamp(-1, 1)
    grey = (torch.rand(n, 1, 1, 1, device=x.device) < 0.15).float()
    return x + grey * (x.mean(1, keepdim=True) - x), y, z.float()


def losses(line, signs, target, z):
    weight = up(z[:, :1])
    raw = F.binary_cross_entropy_with_logits(line, target, reduction="none")
    learned = (weight > 0).float()
    inside = (target > 0.3).float() * learned
    outside = (1 - (target > 0.3).float()) * learned
    n = inside.sum().clamp(min=200)
    # White between lines set close counts most: there they run together.
    far = (raw * outside * (1 + 1.5 * (weight > 1.5))).flatten()
    hard = torch.topk(far, min(far.numel(), int(3 * n))).values.sum() / (3 * n)
    p = torch.sigmoid(line) * learned
    t = target * learned
    dice = 1 - (2 * (p * t).sum((1, 2, 3)) + 80) / ((p + t).sum((1, 2, 3)) + 80)
    found = 2 * ((raw * inside).sum() / n + hard) + dice.mean()
    small = F.max_pool2d(z[:, 1:], 2)      # at an eighth
    sign = 0.0
    for k in range(2):
        said = (small[:, k] > 0).float()
        # The rare upside down counts as much as the rest.
        much = torch.where(small[:, k] > 1.5, 3.0, 1.0) if k else 1.0
        raw = F.binary_cross_entropy_with_logits(signs[:, k], (small[:, k] > 1.5).float(), reduction="none") * said * much
        sign = sign + raw.sum() / said.sum().clamp(min=200)
    return found, sign


def train(a):
    torch.manual_seed(a.seed); np.random.seed(a.seed)
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    begun = a.clock or time.time()
    if a.hold: finder = Finder()
    else: teacher, finder = start(a.data + "/det.onnx")
    if a.start: finder.load_state_dict({k: v.float() for k, v in torch.load(a.start, map_location="cpu", weights_only=True).items()})
    if a.hold: teacher = copy.deepcopy(finder.body)
    teacher = teacher.to(device).eval().requires_grad_(False); finder = finder.to(device)
    if device.type == "cuda":
        torch.backends.cuda.matmul.allow_tf32 = torch.backends.cudnn.allow_tf32 = True
    loader = torch.utils.data.DataLoader(Stream(a.data, a.size, a.seed), batch_size=4, num_workers=a.workers, prefetch_factor=4 if a.workers else None, pin_memory=device.type == "cuda")
    ring = Ring(loader, a.size, device, a.ring)
    old = [p for n, p in finder.named_parameters() if n.startswith("body")]
    mid = [p for n, p in finder.named_parameters() if n.startswith(("sides", "deeps", "outs"))]
    new = [p for n, p in finder.named_parameters() if not n.startswith(("body", "sides", "deeps", "outs"))]
    groups = [{"params": old, "rate": 1.0}, {"params": mid, "rate": 1.5}, {"params": new, "rate": 2.5 if not a.start else 1.5}]
    optimiser = torch.optim.AdamW(groups, lr=a.rate, weight_decay=0.01, fused=device.type == "cuda")
    os.makedirs(a.out, exist_ok=True)
    save = lambda: torch.save({k: v.half() for k, v in average.items()}, a.out + "/finder.pt")
    while ring.made < a.first: time.sleep(0.2)
    print(f"first {ring.made} scenes at {time.time() - begun:.0f}s", flush=True)
    if not a.start: fit_stem(teacher, finder, ring.x[: min(24, ring.made)].float() / 127.5 - 1)
    average = {k: v.detach().clone() for k, v in finder.state_dict().items()}
    step, saved, total = 0, time.time(), torch.zeros(3, device=device)
    while True:
        done = (time.time() - begun) / a.seconds
        if done >= 1: break
        factor = min(1.0, (step + 1) / 200) * (0.02 + 0.98 * 0.5 * (1 + math.cos(math.pi * done)))
        for g in optimiser.param_groups: g["lr"] = a.rate * g["rate"] * factor
        x, y, z = varied(*ring.draw(a.batch))
        with torch.autocast(device.type, torch.bfloat16, enabled=device.type == "cuda"):
            line, signs, mine = finder(x, inner=True)
            keep = 0.0
            if a.keep > 0:
                with torch.no_grad(): theirs = teacher(x)
                keep = sum(((m.float() - t.float()) ** 2).mean() / (t.float() ** 2).mean() for m, t in zip(mine, theirs))
        found, sign = losses(line.float(), signs.float(), y, z)
        loss = found + 0.5 * sign + a.keep * (1 - 0.8 * done) * keep
        optimiser.zero_grad(set_to_none=True); loss.backward()
        nn.utils.clip_grad_norm_(finder.parameters(), 5.0)
        optimiser.step()
        with torch.no_grad():
            d = min(0.999, (1 + step) / (20 + step))
            torch._foreach_lerp_(list(average.values()), list(finder.state_dict().values()), 1 - d)
        step += 1; total += torch.stack([found.detach(), sign.detach(), torch.as_tensor(keep, device=device).detach().float()])
        if step % 200 == 0 or step == 10:
            t = (total / (200 if step > 10 else 10)).tolist(); total.zero_()
            print(f"step {step} at {time.time() - begun:.0f}s scenes {ring.made} drawn {step * a.batch} found {t[0]:.4f} signs {t[1]:.4f} kept {t[2]:.4f}", flush=True)
        if time.time() - saved > 60: save(); saved = time.time()
    save()
    final = Finder(); final.load_state_dict({k: v.cpu() for k, v in average.items()})
    print(json.dumps(check(final.to(device), a, device)), flush=True)
    os._exit(0)


@torch.no_grad()
def check(finder, a, device, most=160):
    """Of fresh scenes: kernels' pixels found and right, and how often the signs are right inside lines."""
    from scenes import Scenes
    finder.eval(); scenes = Scenes(a.data, 777777)
    n = np.zeros(7)
    for _ in range(most if device.type == "cuda" else 3):
        picture, maps = scenes.scene(640)
        x = torch.from_numpy(picture.transpose(2, 0, 1).copy())[None].to(device).float() / 127.5 - 1
        line, signs = finder(x)
        p, y = torch.sigmoid(line)[0, 0].cpu().numpy() > 0.5, maps[1]
        true, learned = maps[0] > 127, y[0].repeat(2, 0).repeat(2, 1) > 0
        n[:3] += (p & true & learned).sum(), (p & learned).sum(), (true & learned).sum()
        s = signs[0].cpu().numpy() > 0
        hand, way = y[1][::2, ::2], y[2][::2, ::2]
        n[3:5] += ((s[0] == (hand > 1)) & (hand > 0)).sum(), (hand > 0).sum()
        n[5:] += ((s[1] == (way > 1)) & (way > 0)).sum(), (way > 0).sum()
    return {"precision": n[0] / n[1], "recall": n[0] / n[2], "hand": n[3] / n[4], "way": n[5] / n[6]}


def mean(out, *sources):
    """Weights half-way between those of several runs, which must have grown from one another."""
    all = [torch.load(s, map_location="cpu", weights_only=True) for s in sources]
    torch.save({k: (sum(w[k].float() for w in all) / len(all)).half() for k in all[0]}, out)


def export(source, out):
    finder = Finder(); finder.load_state_dict({k: v.float() for k, v in torch.load(source, map_location="cpu", weights_only=True).items()})
    shipped = Shipped(finder).eval()
    x = torch.rand(1, 3, 96, 128) * 2 - 1
    torch.onnx.export(shipped, (x,), out, input_names=["x"], output_names=["lines", "signs"], opset_version=17, dynamo=False,
                      dynamic_axes={"x": {2: "height", 3: "width"}, "lines": {2: "height", 3: "width"}, "signs": {2: "rows", 3: "columns"}})
    import onnx
    import onnxruntime as ort
    from export import halve
    graph = onnx.load(out); halve(graph); onnx.save(graph, out)
    x = torch.rand(1, 3, 160, 224) * 2 - 1
    got = ort.InferenceSession(out, providers=["CPUExecutionProvider"]).run(None, {"x": x.numpy()})
    with torch.no_grad(): want = shipped(x)
    print("largest differences", [float((torch.from_numpy(g) - w).abs().max()) for g, w in zip(got, want)], os.path.getsize(out), "bytes", sum(p.numel() for p in finder.parameters()), "weights")


if __name__ == "__main__":
    ap = argparse.ArgumentParser(description=__doc__)
    ap.add_argument("what", choices=["train", "mean", "export"]); ap.add_argument("data"); ap.add_argument("out"); ap.add_argument("more", nargs="*")
    ap.add_argument("--seconds", type=float, default=520); ap.add_argument("--rate", type=float, default=6e-4); ap.add_argument("--batch", type=int, default=24)
    ap.add_argument("--size", type=int, default=640); ap.add_argument("--workers", type=int, default=15); ap.add_argument("--seed", type=int, default=1)
    ap.add_argument("--ring", type=int, default=30000); ap.add_argument("--first", type=int, default=400); ap.add_argument("--keep", type=float, default=0.5)
    ap.add_argument("--from", dest="start"); ap.add_argument("--hold", action="store_true", help="features are kept near those of --from, and not the detector's"); ap.add_argument("--clock", type=float)
    a = ap.parse_args()
    if a.what == "train": train(a)
    elif a.what == "mean": mean(a.data, a.out, *a.more)
    else: export(a.data, a.out)
