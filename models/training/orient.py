"""Upside down or not, and hand, typewriter or print, for one line crop.

    orient.py train DATA OUT [--seconds 200]     orient.py export CKPT OUT_FOLDER

Input N x 1 x 48 x 192 grey, (x/255-0.5)/0.5: the line scaled to height 48, its middle 192
columns (shorter lines padded with 0.0 at the right). Output N x 4 logits: upside down
(sigmoid), then hand, typewriter, print (softmax).
"""

import argparse, json, os, time

import cv2
import numpy as np
import torch
import torch.nn.functional as F
from torch import nn
from torch.utils.data import DataLoader, IterableDataset

from alphabet import fold_hand
from data import HEIGHT, Lines, to_height
from label_text import Labels
from render import Renderer

WIDTH, KINDS = 192, ("hand", "type", "print")


class Orient(nn.Module):
    def __init__(self):
        super().__init__()
        def step(a, b, stride):
            return nn.Sequential(nn.Conv2d(a, a, 3, stride, 1, groups=a, bias=False), nn.BatchNorm2d(a), nn.Conv2d(a, b, 1, bias=False), nn.BatchNorm2d(b), nn.ReLU())
        self.body = nn.Sequential(nn.Conv2d(1, 24, 3, 2, 1, bias=False), nn.BatchNorm2d(24), nn.ReLU(), step(24, 40, (2, 2)), step(40, 64, 1), step(64, 96, 2), step(96, 96, 1),
                                  step(96, 160, 2), step(160, 160, 1))
        self.head = nn.Linear(160 * 3, 4)

    def forward(self, x):
        f = self.body(x)
        return self.head(f.mean(3).flatten(1))      # rows kept apart: up and down must differ


def crop(image):
    """Middle 192 columns at height 48, and how many are the line's."""
    image = to_height(image)
    w = image.shape[1]
    if w > WIDTH: image = image[:, (w - WIDTH) // 2:(w - WIDTH) // 2 + WIDTH]
    out = np.zeros((HEIGHT, WIDTH), np.float32)
    out[:, : image.shape[1]] = (image / 255 - 0.5) / 0.5
    return out


class Crops(IterableDataset):
    def __init__(self, lines, fonts, corpus, seed):
        self.lines, self.fonts, self.corpus, self.seed = lines, fonts, corpus, seed

    def __iter__(self):
        info = torch.utils.data.get_worker_info()
        cv2.setNumThreads(1)
        renderer = Renderer(self.fonts, self.seed * 1000 + (info.id if info else 0))
        rng, labels, train = renderer.rng, Labels(self.corpus, renderer.rng), self.lines.where("train")
        while True:
            kind = rng.choice(KINDS)
            if kind == "hand" and rng.random() < 0.6: made = [renderer.wear.real(self.lines.image(rng.choice(train)))]
            else:
                text = labels.line("hand" if kind == "hand" else "print")
                if len(text) < 3: continue
                made = renderer.line(text, kind, variants=2) or []
            for image in made:
                flip = rng.random() < 0.5
                if flip: image = image[::-1, ::-1]
                if image.shape[1] > 260:
                    x = rng.randrange(image.shape[1] - 250); image = image[:, x:x + 256]
                yield crop(np.ascontiguousarray(image)), np.int64(flip), np.int64(KINDS.index(kind))


def train(a):
    torch.manual_seed(a.seed)
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    lines = Lines(a.data + "/lines.npz")
    loader = DataLoader(Crops(lines, a.data + "/fonts", a.data + "/corpus.json.gz", a.seed), batch_size=a.batch, num_workers=a.workers)
    model = Orient().to(device); optimiser = torch.optim.AdamW(model.parameters(), 3e-3, weight_decay=0.02)
    begun, step = time.time(), 0
    for x, flip, kind in loader:
        done = (time.time() - begun) / a.seconds
        if done >= 1: break
        for g in optimiser.param_groups: g["lr"] = 3e-3 * min(1, (step + 1) / 50) * max(0.02, 0.5 * (1 + np.cos(np.pi * done)))
        y = model(x.to(device)[:, None])
        loss = F.binary_cross_entropy_with_logits(y[:, 0], flip.to(device).float()) + F.cross_entropy(y[:, 1:], kind.to(device))
        optimiser.zero_grad(); loss.backward(); optimiser.step(); step += 1
        if step % 100 == 0: print("orient step", step, float(loss), flush=True)
    os.makedirs(a.out, exist_ok=True)
    torch.save(model.state_dict(), a.out + "/orient.pt")
    print(json.dumps(check(model, lines, a, device)))


@torch.no_grad()
def check(model, lines, a, device):
    """Shares right: on held-out real lines (hand) and on fresh rendered lines of each kind."""
    model.eval()
    out = {}
    real = np.stack([crop(i) for k in lines.where("test") for i in (lines.image(k), np.ascontiguousarray(lines.image(k)[::-1, ::-1]))])
    y = torch.cat([model(torch.from_numpy(real[k:k + 256])[:, None].to(device)) for k in range(0, len(real), 256)]).cpu()
    up = y[:, 0] > 0
    out["real_test_lines"] = {"lines": len(real) // 2, "orientation": float((up == (torch.arange(len(real)) % 2 == 1)).float().mean()), "hand": float((y[::2, 1:].argmax(1) == 0).float().mean())}
    renderer = Renderer(a.data + "/fonts", 999331); labels = Labels(a.data + "/corpus.json.gz", renderer.rng)
    for n, kind in enumerate(KINDS):
        xs = []
        while len(xs) < 400:
            text = labels.line("hand" if kind == "hand" else "print")
            if len(text) >= 5: xs += [crop(i) for i in renderer.line(text, kind) or []]
        x = torch.from_numpy(np.stack(xs))
        y = model(x[:, None].to(device)).cpu()
        out[kind] = {"kind": float((y[:, 1:].argmax(1) == n).float().mean()), "upright": float((y[:, 0] < 0).float().mean())}
    return out


def export(a):
    model = Orient(); model.load_state_dict(torch.load(a.data, map_location="cpu", weights_only=True)); model.eval()
    os.makedirs(a.out, exist_ok=True)
    x = torch.rand(2, 1, HEIGHT, WIDTH) * 2 - 1
    torch.onnx.export(model, (x,), a.out + "/orient.onnx", input_names=["x"], output_names=["logits"], opset_version=17, dynamo=False, dynamic_axes={"x": {0: "lines"}, "logits": {0: "lines"}})
    import onnxruntime as ort
    got = ort.InferenceSession(a.out + "/orient.onnx").run(None, {"x": x.numpy()})[0]
    with torch.no_grad(): print("largest difference", float((torch.from_numpy(got) - model(x)).abs().max()), os.path.getsize(a.out + "/orient.onnx"), "bytes")


if __name__ == "__main__":
    ap = argparse.ArgumentParser(description=__doc__)
    ap.add_argument("what", choices=["train", "export"]); ap.add_argument("data"); ap.add_argument("out")
    ap.add_argument("--seconds", type=float, default=200); ap.add_argument("--workers", type=int, default=6); ap.add_argument("--seed", type=int, default=5); ap.add_argument("--batch", type=int, default=256)
    a = ap.parse_args()
    train(a) if a.what == "train" else export(a)
