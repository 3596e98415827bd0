"""Trains a network on to lose nothing by whole numbers: it learns to say, computed as quick.py has it, what it said in float32.

    tune.py reader START.pt ENDS.json DATA OUT.pt --seconds 240     START.pt from restore.py, or a folded OUT.pt
    tune.py finder FINDER.onnx ENDS.json DATA OUT.pt --seconds 300  or a finder.pt of finder.py

ENDS.json comes from `quick.py --ends`, DATA is train.py's. No text and no gold is looked at: the network before is
the teacher. One GPU.
"""

import argparse, copy, json, math, os, time

import torch
import torch.nn.functional as F
from torch import nn


class Steps(torch.autograd.Function):
    """Rounded to one of 256 steps from `low` to `high`; beyond the ends no gradient."""

    @staticmethod
    def forward(ctx, x, low, high):
        scale = max((high - low) / 255, 1e-8)
        zero = min(255, max(0, round(-low / scale)))
        k = torch.round(x / scale) + zero
        ctx.save_for_backward((k >= 0) & (k <= 255))
        return (k.clamp(0, 255) - zero) * scale

    @staticmethod
    def backward(ctx, g):
        return g * ctx.saved_tensors[0], None, None


class Whole(nn.Module):
    """A convolution in whole numbers: what it takes, its weights (a scale a channel) and what it gives."""

    def __init__(self, conv, ends):
        super().__init__()
        self.conv, self.ends = conv, ends

    def forward(self, x):
        c, (a, b, p, q) = self.conv, self.ends
        scale = (c.weight.detach().abs().amax((1, 2, 3), keepdim=True) / 127).clamp(min=1e-9)
        w = c.weight + (torch.round(c.weight.detach() / scale) * scale - c.weight.detach())
        return Steps.apply(F.conv2d(Steps.apply(x, a, b), w, c.bias, c.stride, c.padding, c.dilation, c.groups), p, q)


def in_whole_numbers(model, layers):
    for name, ends in layers.items():
        name = name.split(".", 1)[1]
        folder = model.get_submodule(name.rsplit(".", 1)[0]) if "." in name else model
        last = name.rsplit(".", 1)[-1]
        setattr(folder, last, Whole(getattr(folder, last), ends))


class ReaderRun:
    def __init__(self, a, device):
        from data import Lines, Stream
        from model import Reader, fold
        self.device = device
        self.teacher, state = Reader(), torch.load(a.start, map_location="cpu", weights_only=True)
        if "average" in state: self.teacher.load_state_dict(state["average"]); fold(self.teacher.eval())
        else: fold(self.teacher.eval()); self.teacher.load_state_dict({k: v.float() for k, v in state.items()})
        mix = dict(real=.48, hand=.08, form=.10, type=.16, print=.18)
        stream = Stream(Lines(a.data + "/lines.npz"), a.data + "/fonts", a.data + "/corpus.json.gz", mix, 49152, seed=a.seed)
        self.loader = torch.utils.data.DataLoader(stream, batch_size=None, num_workers=a.workers, prefetch_factor=3, pin_memory=True)

    def batches(self):
        from data import to_input
        for x, widths, _, _ in self.loader:
            x, widths = x.to(self.device), widths.to(self.device)
            steps = x.shape[-1] // 4
            yield to_input(x, widths, tint=True), torch.arange(steps, device=self.device)[None] < (widths[:, None] + 3) // 4

    def loss(self, said, want, inside):
        said, want = said[inside], want[inside]
        # Divided by the reader's temperature, so that second choices count as they do in the search.
        p = F.log_softmax(want / 1.45, -1)
        return F.kl_div(F.log_softmax(said / 1.45, -1), p, log_target=True, reduction="batchmean") + 0.02 * F.mse_loss(said, want)


class FinderRun:
    def __init__(self, a, device):
        from finder import Finder, Ring, Stream
        self.device = device
        self.teacher = Finder(); self.teacher.load_state_dict(finder_weights(a.start))
        loader = torch.utils.data.DataLoader(Stream(a.data, 640, a.seed), batch_size=4, num_workers=a.workers, prefetch_factor=4, pin_memory=True)
        self.ring = Ring(loader, 640, device, 12000)

    def batches(self):
        from finder import varied
        while self.ring.made < 300: time.sleep(0.2)
        while True:
            x, y, z = varied(*self.ring.draw(16))
            yield x, None

    def loss(self, said, want, _):
        out = 0.0
        for (s, w), share in zip(zip(said, want), (1.0, 0.3)):
            p = torch.sigmoid(w)
            raw = F.binary_cross_entropy_with_logits(s, p, reduction="none") - F.binary_cross_entropy_with_logits(w, p, reduction="none")
            # Where writing may be counts most: the rest is sure and wide.
            near = 0.05 + F.max_pool2d(p.amax(1, keepdim=True), 9, 1, 4)
            out = out + share * ((raw * near).sum() / near.sum() + 0.01 * (((s - w).clamp(-4, 4) ** 2) * near).sum() / near.sum())
        return out


def finder_weights(path):
    if not path.endswith(".onnx"): return {k: v.float() for k, v in torch.load(path, map_location="cpu", weights_only=True).items()}
    import onnx
    from onnx import numpy_helper as nh
    held = {t.name.removesuffix("_h"): torch.from_numpy(nh.to_array(t).copy()).float() for t in onnx.load(path).graph.initializer}
    return {k.removeprefix("finder."): v for k, v in held.items() if k.startswith("finder.")}


def main():
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("what", choices=["reader", "finder"]); ap.add_argument("start"); ap.add_argument("ends"); ap.add_argument("data"); ap.add_argument("out")
    ap.add_argument("--seconds", type=float, default=240); ap.add_argument("--rate", type=float, default=5e-5); ap.add_argument("--workers", type=int, default=15); ap.add_argument("--seed", type=int, default=11)
    a = ap.parse_args()
    torch.manual_seed(a.seed)
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    begun = time.time()
    run = (ReaderRun if a.what == "reader" else FinderRun)(a, device)
    teacher = run.teacher.to(device).eval().requires_grad_(False)
    model = copy.deepcopy(teacher).requires_grad_(True)
    names = {p: n for n, p in model.named_parameters()}
    in_whole_numbers(model, json.load(open(a.ends))["layers"])
    model.eval()
    for m in model.modules():
        if isinstance(m, nn.LSTM): m.train(); m.dropout = 0.0      # cuDNN goes back only through one in training
    parameters = list(names)
    optimiser = torch.optim.AdamW(parameters, lr=a.rate, weight_decay=0.0)
    average = [p.detach().clone() for p in parameters]
    step, total = 0, 0.0
    save = lambda: torch.save({names[p]: v.half() for p, v in zip(parameters, average)}, a.out)
    for x, inside in run.batches():
        done = (time.time() - begun) / a.seconds
        if done >= 1: break
        for g in optimiser.param_groups: g["lr"] = a.rate * min(1.0, (step + 1) / 100) * (0.02 + 0.98 * 0.5 * (1 + math.cos(math.pi * done)))
        with torch.no_grad(): want = teacher(x)
        loss = run.loss(model(x), want, inside)
        optimiser.zero_grad(set_to_none=True); loss.backward()
        nn.utils.clip_grad_norm_(parameters, 1.0)
        optimiser.step()
        with torch.no_grad(): torch._foreach_lerp_(average, [p.detach() for p in parameters], 1 - min(0.998, (1 + step) / (20 + step)))
        step += 1; total += loss.detach()
        if step % 100 == 0 or step == 10:
            print(f"step {step} at {time.time() - begun:.0f}s loss {float(total) / (100 if step > 10 else 10):.5f}", flush=True); total = 0.0
        if step % 1000 == 0: save()
    save()
    os._exit(0)


if __name__ == "__main__":
    main()
