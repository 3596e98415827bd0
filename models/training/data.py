"""Streams of ready batches: real lines, rendered lines and lines set from pieces of real hands."""

import os

import cv2
import numpy as np
import torch
from torch.utils.data import IterableDataset

from alphabet import encode, fold_hand
from label_text import Labels
from render import Renderer

HEIGHT = 48
WIDTHS = [64, 96, 128, 192, 256, 320, 384, 448, 512, 640, 768, 960, 1216]


class Lines:
    """The packed handwritten lines (see pack_lines.py); images stay compressed until asked for."""

    def __init__(self, path):
        z = np.load(path)
        self.blob, self.offsets = z["blob"], z["offsets"]
        self.meta = [m.split("\t", 4) for m in bytes(z["meta"]).decode("utf8").split("\n")]

    def image(self, i):
        return cv2.imdecode(self.blob[self.offsets[i]:self.offsets[i + 1]], cv2.IMREAD_GRAYSCALE)

    def where(self, split, sources=None):
        return [i for i, m in enumerate(self.meta) if m[2] == split and (sources is None or m[1] in sources)]


def to_height(image, height=HEIGHT):
    """Scale a grey line to the network's height."""
    h, w = image.shape
    return cv2.resize(image, (max(8, round(w * height / h)), height), interpolation=cv2.INTER_AREA if h >= height else cv2.INTER_LINEAR)


def fits(width, target):
    """Whether CTC can place `target` in the time steps of `width` pixels."""
    repeats = sum(a == b for a, b in zip(target, target[1:]))
    return len(target) + repeats + 1 <= width // 4


def hide(image, rng):
    """Blank a few narrow strips, so that the reader learns to lean on the rest of the word."""
    level = int(np.percentile(image, 80))
    for _ in range(rng.randint(1, max(1, image.shape[1] // 150))):
        x = rng.randrange(image.shape[1]); image[:, x:x + rng.randint(3, 11)] = level


class Stream(IterableDataset):
    """Endless batches (images uint8 N x 48 x W, widths, targets, target lengths) by width bucket.

    mix: shares of 'real', 'pieces', 'hand', 'type', 'print', 'form' (printed words filled in by hand),
    'figures' (dates and numbers of real digits).
    """

    def __init__(self, lines, fonts, corpus, mix, columns=98304, seed=0, pieces=None, most=384, without=(), digits=None):
        self.lines, self.fonts, self.corpus, self.mix = lines, fonts, corpus, mix
        self.columns, self.seed, self.pieces, self.most, self.without, self.digits = columns, seed, pieces, most, without, digits

    def __iter__(self):
        info = torch.utils.data.get_worker_info()
        seed = self.seed * 1000 + (info.id if info else 0)
        cv2.setNumThreads(1)
        renderer = Renderer(self.fonts, seed, self.digits)
        rng = renderer.rng
        labels = Labels(self.corpus, rng)
        by_source = {}
        for i in self.lines.where("train"):
            if self.lines.meta[i][1] not in self.without: by_source.setdefault(self.lines.meta[i][1], []).append(i)
        sources = list(by_source)
        weights = [len(by_source[s]) ** 0.7 for s in sources]
        targets = {i: encode(fold_hand(self.lines.meta[i][4])) for s in sources for i in by_source[s]}
        setter = None
        turns = 0
        kinds, shares = list(self.mix), list(self.mix.values())
        bins = {w: [] for w in WIDTHS}
        while True:
            kind = rng.choices(kinds, shares)[0]
            made, turns = [], turns + 1
            if kind == "pieces" and setter is None:
                # the alignment may still be in the making when the run starts
                if turns % 50 < 10 and os.path.exists(self.pieces):
                    from pieces import Setter
                    setter = Setter(self.pieces, self.lines, rng, renderer.np)
                else:
                    kind = "hand"
            if kind == "real":
                i = rng.choice(by_source[rng.choices(sources, weights)[0]])
                made = [renderer.wear.real(self.lines.image(i))]; target = targets[i]; text = self.lines.meta[i][4]
            elif kind == "pieces":
                text = fold_hand(labels.prose() if (u := rng.random()) < 0.62 else labels.letter() if u < 0.78 else labels.line("hand"))
                image = setter.line(text)
                if image is None or (target := encode(text)) is None: continue
                made = [renderer.wear.real(image)]
            elif kind == "figures":
                text = labels.figure()
                target, ink = encode(text), renderer.figures.ink(text)
                if target is None or ink is None: continue
                made = renderer.line(text, "hand", variants=2, made=ink) or []
            elif kind == "form":
                head, glue, tail = labels.form()
                look, text = rng.choice(("type", "print", "print")), head + glue + fold_hand(tail)
                target = encode(text)
                if target is None or len(text) > 90: continue
                made = renderer.line(text, look, variants=2, made=renderer.form(head, tail, look)) or []
            else:
                text = labels.line("hand" if kind == "hand" else "print")
                if kind == "hand" and len(text) > 5 and text.isupper() and rng.random() < 0.8: text = text.title()
                target = encode(fold_hand(text) if kind == "hand" else text)
                if target is None: continue
                made = renderer.line(text, kind, variants=2) or []
            for image in made:
                image = to_height(image)
                w = image.shape[1]
                # What stood under a strip can be guessed of a word, not of a figure.
                guessed = kind in ("real", "pieces", "hand") and not any(c.isdigit() for c in text)
                if guessed and w > 120 and rng.random() < 0.2: hide(image, rng)
                if w > WIDTHS[-1] or not fits(w, target): continue
                bucket = next(b for b in WIDTHS if b >= w)
                bins[bucket].append((image, target))
                if len(bins[bucket]) >= min(self.most, self.columns // bucket):
                    yield self.batch(bucket, bins[bucket]); bins[bucket] = []

    @staticmethod
    def batch(bucket, items):
        n = len(items)
        x = np.zeros((n, HEIGHT, bucket), np.uint8)
        for k, (image, _) in enumerate(items): x[k, :, : image.shape[1]] = image
        widths = np.array([i.shape[1] for i, _ in items], np.int64)
        lengths = np.array([len(t) for _, t in items], np.int64)
        flat = np.concatenate([np.array(t, np.int64) for _, t in items])
        return torch.from_numpy(x), torch.from_numpy(widths), torch.from_numpy(flat), torch.from_numpy(lengths)


def to_input(x, widths, tint=False):
    """uint8 N x 48 x W to the network's float N x 3 x 48 x W; padding becomes 0 (mid grey)."""
    v = x.float() / 255
    n = v.shape[0]
    v = v[:, None].expand(n, 3, *v.shape[1:])
    if tint:
        paper = 1 + 0.06 * torch.randn(n, 3, 1, 1, device=v.device) - 0.03
        ink = (0.08 * torch.randn(n, 3, 1, 1, device=v.device)).clamp(-0.1, 0.3)
        v = (v * paper + (1 - v) * ink).clamp(0, 1)
    v = (v - 0.5) / 0.5
    keep = torch.arange(v.shape[-1], device=v.device)[None] < widths[:, None]
    return v * keep[:, None, None, :]
