"""Composes photographs of labels, envelopes and pages with exact gold, for the line finder.

`Scenes(...).scene(size)` gives a picture (uint8 RGB) and maps: at half its side how
much of each cell lies in a line's shrunk kernel, at a quarter a weight (0 where nothing is
learned), hand or print, upright or turned. Real handwritten lines (training split) and rendered ones
are laid as ink on invented sheets of paper, and those on grounds with clutter. Lengths are
pixels of the picture. All randomness comes from the seed.
"""

import math, random

import cv2
import numpy as np

from alphabet import fold_hand
from data import Lines
from label_text import Labels
from render import Renderer

GROW = 1.8      # how a kernel grows back: every side by area * GROW / perimeter (see config/layout.toml)


class Sprite:
    """Ink of one line: alpha (uint8), the rows its letters fill, hand or not."""

    def __init__(self, alpha, hand, size):
        mass = alpha.sum(1, dtype=np.float64).cumsum()
        cols = np.flatnonzero(alpha.max(0) > 60)
        share = 0.015 if hand else 0.004
        self.top, self.bottom = int(np.searchsorted(mass, mass[-1] * share)), int(np.searchsorted(mass, mass[-1] * (1 - share))) + 1
        self.alpha, self.hand, self.size = alpha[:, cols[0]:cols[-1] + 1], hand, size


def alpha_of(image):
    """Ink of a photographed line: how far it is darker than its paper."""
    paper = cv2.blur(cv2.dilate(image, np.ones((9, 9), np.uint8)), (31, 31)).astype(np.float32)
    dark = np.clip(paper - image - 0.06 * paper, 0, None)
    return np.clip(dark * (255 / max(25.0, float(np.percentile(dark, 98)))), 0, 255).astype(np.uint8)


class Scenes:
    def __init__(self, folder, seed=0):
        self.lines = Lines(folder + "/lines.npz")
        self.renderer = Renderer(folder + "/fonts", seed, folder + "/digits.npz")
        self.rng, self.gen = self.renderer.rng, self.renderer.np
        self.labels = Labels(folder + "/corpus.json.gz", self.rng)
        self.hands = {}
        for i in self.lines.where("train"):
            m = self.lines.meta[i]
            self.hands.setdefault((m[1], m[3]), []).append(i)
        by_source = {}
        for key, members in self.hands.items():
            if len(members) >= 6: by_source.setdefault(key[0], []).append(key)
        self.writers = list(by_source.values())
        self.bank = []

    # Ink

    def rendered(self, kind, path=None):
        rng = self.rng
        for _ in range(20):
            u = rng.random()
            if kind == "hand" and u < 0.2:
                text = self.labels.figure(); made = self.renderer.figures.ink(text)
            elif u > 0.96:      # a sign or figure alone on its row is a line all the same
                made = self.renderer.ink(rng.choice(("♂", "♀", "♂", "♀", f"{rng.randint(1, 9)} {rng.choice('♂♀')}", str(rng.randint(1, 99)), f"No. {rng.randint(1, 99)}")), kind, path)
            else:
                text = self.labels.line("hand" if kind == "hand" else "print") if u < 0.75 else self.labels.prose()
                made = self.renderer.ink(text[:70], kind, path)
            if made is None: continue
            ink, base, size, path = made
            if kind == "hand":
                slant = rng.gauss(0.05, 0.2)
                ink = cv2.warpAffine(ink, np.float32([[1, -slant, slant * base], [0, 1, 0]]), (ink.shape[1] + 10, ink.shape[0]))
            ink = (np.clip(self.renderer.wear.pen(ink, kind), 0, 1) * 255).astype(np.uint8)
            if (ink.max(0) > 60).sum() > 6: return Sprite(ink, kind == "hand", size), path
        return None, None

    def refill(self, most=48):
        """One new set of rendered lines, set in one face."""
        kind = self.rng.choices(("hand", "type", "print"), (0.3, 0.3, 0.4))[0]
        sprites, path = [], None
        for _ in range(7):
            sprite, path = self.rendered(kind, path)
            if sprite is not None: sprites.append(sprite)
        if sprites: self.bank.append((kind, sprites))
        if len(self.bank) > most: self.bank.pop(self.rng.randrange(len(self.bank) // 2))

    def real(self, key):
        for _ in range(8):
            image = self.lines.image(self.rng.choice(self.hands[key]))
            alpha = alpha_of(image)
            if (alpha.max(0) > 60).sum() > 12: return Sprite(alpha, True, image.shape[0] * 0.62)
        return None

    def source(self, hand):
        """A function that gives lines of one hand or one face."""
        rng = self.rng
        if hand and rng.random() < 0.72:
            key = rng.choice(rng.choice(self.writers))
            return lambda: self.real(key)
        sets = [s for k, s in self.bank if (k == "hand") == hand] or [s for _, s in self.bank]
        chosen = rng.choice(sets)
        return lambda: rng.choice(chosen)

    def words(self, sprite, most):
        """A piece of a line no wider than `most` heights, cut where there is white."""
        h = sprite.bottom - sprite.top
        a = sprite.alpha
        if a.shape[1] <= most * h: return a
        white = a[sprite.top:sprite.bottom].max(0) < 50
        gaps = np.flatnonzero(cv2.erode(white.astype(np.uint8)[None], np.ones((1, max(3, h // 5)), np.uint8))[0])
        want = int(most * h)
        if self.rng.random() < 0.4:
            starts = gaps[gaps < a.shape[1] - want]
            if len(starts): a = a[:, self.rng.choice(starts):]; gaps = np.flatnonzero(a[sprite.top:sprite.bottom].max(0) < 50)
        ends = gaps[(gaps < want) & (gaps > h)]
        a = a[:, :ends[-1] if len(ends) else want]
        cols = np.flatnonzero(a.max(0) > 60)
        return a[:, cols[0]:cols[-1] + 1] if len(cols) > 3 else a

    # Sheets

    def put(self, sheet, sprite, alpha, x, y, scale, stretch=1.0, slope=0.0, bow=0.0):
        """Lays ink with its letters' top at (x, y); remembers the line. Gives its right end, or None where it does not fit."""
        h0, w0 = alpha.shape
        w, h = max(3, round(w0 * scale * stretch)), max(4, round(h0 * scale))
        if w > 3000: return None
        small = cv2.resize(alpha, (w, h), interpolation=cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR)
        top, bottom = sprite.top * scale, sprite.bottom * scale
        ph = self.rng.uniform(0, 6.28)
        wave = self.rng.uniform(200, 900)
        curve = lambda u: slope * (u - w / 2) + bow * (np.sin(u / wave * 6.28 + ph) - math.sin(w / 2 / wave * 6.28 + ph))
        u = np.arange(w, dtype=np.float32)
        dy = curve(u).astype(np.float32)
        pad = int(np.ceil(np.abs(dy).max())) if abs(slope) + abs(bow) > 1e-6 else 0
        if pad:
            ys = np.arange(h + 2 * pad, dtype=np.float32)[:, None]
            small = cv2.remap(small, np.broadcast_to(u[None], (h + 2 * pad, w)).astype(np.float32), (ys - pad - dy[None]).astype(np.float32), cv2.INTER_LINEAR, borderValue=0)
        H, W = sheet.size
        x0, y0 = int(round(x)), int(round(y - top)) - pad
        l, t, r, b = max(0, x0), max(0, y0), min(W, x0 + w), min(H, y0 + small.shape[0])
        if r - l < 4 or b - t < 4: return None
        layer = sheet.hand if sprite.hand else sheet.print
        layer[t:b, l:r] = np.maximum(layer[t:b, l:r], small[t - y0:b - y0, l - x0:r - x0])
        n = max(2, min(12, w // 60 + 2)) if pad else 2
        us = np.linspace(max(0, l - x0), min(w, r - x0), n)
        middle = y0 + pad + (top + bottom) / 2 + (curve(us) if pad else 0 * us)
        base = sprite_base(sprite) * scale - (top + bottom) / 2
        sheet.lines.append(Line(np.stack([x0 + us, middle], 1), bottom - top, sprite.hand, base))
        return x0 + w

    def label(self, most):
        """A small label of a few lines."""
        rng = self.rng
        size = min(60.0, math.exp(rng.gauss(math.log(17), 0.42)))      # letters' size
        size = max(8.0, size)
        mixed = rng.random() < 0.3
        hand = rng.random() < 0.4
        give, other = self.source(hand), self.source(not hand) if mixed else None
        wide = min(most * 0.95, size * rng.uniform(5, 24))
        n = rng.choice((1, 1, 2, 2, 3, 3, 4, 5, 6, 8))
        u = rng.random()
        pitch = size * (rng.uniform(0.84, 1.1) if u < 0.45 else rng.uniform(1.0, 1.5) if u < 0.8 else rng.uniform(1.4, 2.4))
        margin = size * rng.uniform(0.15, 1.2)
        sheet = Sheet(int(n * pitch + 2 * margin + size * 0.4), int(wide + 2 * margin))
        centre = rng.random() < 0.25
        slope = rng.gauss(0, 0.012) * (2.5 if hand else 0.5)
        for k in range(n):
            now = other if other and rng.random() < 0.45 else give
            sprite = now()
            if sprite is None: continue
            grow = rng.uniform(1.0, 1.5) if now is other and sprite.hand else rng.uniform(0.96, 1.04) if sprite.hand else 1.0
            scale = size / sprite.size * grow
            room = wide / (max(1, sprite.bottom - sprite.top) * scale)
            alpha = self.words(sprite, room * (1 if rng.random() < 0.6 else rng.uniform(0.25, 1)))
            w = alpha.shape[1] * scale
            x = margin + ((wide - w) / 2 if centre else rng.uniform(0, 0.1) * size + (rng.uniform(0, max(0, wide - w)) if rng.random() < 0.12 else 0))
            y = margin + k * pitch + size * (0.7 - 0.62 * sprite.size / sprite.size) + rng.gauss(0, 0.02) * size - (sprite_base(sprite) - sprite.top) * scale + size * 0.62
            first, run = len(sheet.lines), slope + rng.gauss(0, 0.006) * sprite.hand
            end = self.put(sheet, sprite, alpha, x, y, scale, slope=run, bow=rng.uniform(0, 0.12) * size if sprite.hand and rng.random() < 0.5 else 0)
            # A second piece on the same row: a form's word and its filling, or a day before a year.
            if end and rng.random() < 0.3 and end + 2.5 * size < wide:
                now = other or (self.source(not hand) if rng.random() < 0.3 else give)
                second = now()
                if second is not None:
                    s2 = size / second.size * (rng.uniform(1.0, 1.5) if second.hand else 1.0)
                    gap = size * (rng.uniform(0.3, 1.2) if rng.random() < 0.5 else rng.uniform(1.2, 6))
                    room = (sheet.size[1] - end - gap) / (max(1, second.bottom - second.top) * s2)
                    if room > 1.5:
                        a2 = self.words(second, room)
                        drift = run * (w / 2 + gap + a2.shape[1] * s2 / 2)
                        self.put(sheet, second, a2, end + gap, y + drift + (sprite_base(sprite) - sprite.top) * scale - (sprite_base(second) - second.top) * s2 + rng.gauss(0, 0.05) * size, s2, slope=run)
                        sheet.level(first)
                if rng.random() < 0.4: sheet.rule(margin + k * pitch + size * rng.uniform(1.0, 1.15), end, sheet.size[1] - margin, rng)
            elif rng.random() < 0.07: sheet.rule(margin + k * pitch + size * rng.uniform(1.02, 1.2), x, (end or x) , rng)
        if rng.random() < 0.22: sheet.frame(rng)
        return sheet

    def page(self, most_h, most_w):
        """A page of running writing, one or two columns."""
        rng = self.rng
        h = max(11.0, min(54.0, math.exp(rng.gauss(math.log(22), 0.36))))
        hand = rng.random() < 0.86
        give = self.source(hand)
        pitch = h * (rng.uniform(0.85, 1.25) if rng.random() < 0.6 else rng.uniform(1.2, 2.0))
        sheet = Sheet(int(most_h), int(most_w))
        H, W = sheet.size
        margin = rng.uniform(0.2, 3) * h
        columns = 2 if rng.random() < 0.3 and W > 22 * h else 1
        gutter = h * (rng.uniform(1.2, 5) if columns == 2 else 0)
        if columns == 2 and rng.random() < 0.4:
            x = W / 2 + rng.gauss(0, 2); sheet.strokes.append(("v", x, rng.choice((1, 2, 3))))
        wide = (W - 2 * margin - gutter) / columns
        ruled = rng.random()
        if ruled < 0.5:
            sheet.ruled(pitch if rng.random() < 0.7 else pitch * rng.uniform(0.4, 0.9), margin * 0.5 + h * 0.95, rng, squares=ruled < 0.16)
        slope = rng.gauss(0, 0.012); wander = rng.uniform(0, 0.012)
        bow = rng.uniform(0, 0.25) * h if rng.random() < 0.4 else 0
        stretch = math.exp(rng.gauss(0, 0.1))
        short = rng.random() < 0.3
        for c in range(columns):
            y = margin * 0.5 - rng.uniform(0, 1) * pitch
            left = margin + c * (wide + gutter)
            indent = 0
            while y < H:
                if rng.random() < 0.06: y += pitch * rng.uniform(0.3, 2)
                sprite = give()
                if sprite is None: break
                scale = h / (sprite.size / 0.62) if sprite.hand else h / sprite.size * 0.62
                x = left + (rng.uniform(1, 5) * h if rng.random() < 0.12 else rng.uniform(0, 0.5) * h) + indent
                room = (left + wide - x) / (max(1, sprite.bottom - sprite.top) * scale * stretch)
                if rng.random() < (0.35 if short else 0.1): room *= rng.uniform(0.15, 0.9)
                # lines set one behind the other until the row is full
                first, most = True, 3 if rng.random() < 0.85 else 1
                while room > 1.2 and most:
                    alpha = self.words(sprite, room)
                    end = self.put(sheet, sprite, alpha, x, y + sprite.top * scale, scale, stretch, slope + rng.gauss(0, wander), bow)
                    if end is None: break
                    if not first and len(sheet.lines) > 1: sheet.join()
                    if rng.random() < 0.05: sheet.cross(sheet.lines[-1], rng)
                    if rng.random() < 0.05:      # a small word between the lines
                        small = give()
                        if small is not None:
                            k = scale * rng.uniform(0.45, 0.7)
                            self.put(sheet, small, self.words(small, rng.uniform(2, 7)), x + rng.uniform(0, 0.7) * max(1, end - x), y - h * rng.uniform(0.15, 0.35) , k)
                    gap = h * rng.uniform(0.25, 0.6)
                    x, first, most = end + gap, False, most - 1
                    if abs(slope) > 0.004 or bow or len(sheet.lines) > 400: break
                    sprite = give()
                    if sprite is None: break
                    room = (left + wide - x) / (max(1, sprite.bottom - sprite.top) * scale * stretch)
                    if room < 3: break
                y += pitch * rng.uniform(0.97, 1.03)
        if rng.random() < 0.15:                 # a number or word in the margin
            sprite = self.source(rng.random() < 0.6)()
            if sprite is not None: self.put(sheet, sprite, self.words(sprite, rng.uniform(1, 4)), rng.uniform(0, W * 0.9), rng.uniform(0, H * 0.9), h / sprite.size * rng.uniform(0.5, 0.9))
        sheet.mirrored = rng.random() < 0.2
        return sheet

    def packet(self, most_h, most_w):
        """A large paper with blocks of print and writing, scattered as on an envelope's face."""
        rng = self.rng
        sheet = Sheet(int(most_h), int(most_w))
        H, W = sheet.size
        y = rng.uniform(0.02, 0.2) * H
        base = max(9.0, min(40.0, math.exp(rng.gauss(math.log(15), 0.35))))
        give, hand = self.source(False), self.source(True)
        while y < H - base:
            block, k = rng.randint(1, 5), rng.choice((1, 1, 1, 1.3, 1.7, 0.75))
            size = max(8.0, base * k)
            now = hand if rng.random() < 0.3 else self.source(False) if rng.random() < 0.3 else give
            pitch = size * rng.uniform(0.95, 1.8)
            centre, left = rng.random() < 0.35, rng.uniform(0.02, 0.25) * W
            for _ in range(block):
                x, first = left, len(sheet.lines)
                for piece in range(rng.choice((1, 1, 1, 1, 2, 3))):
                    source = now if piece == 0 or rng.random() < 0.5 else hand
                    sprite = source()
                    if sprite is None: continue
                    scale = size / sprite.size * (rng.uniform(1.0, 1.5) if sprite.hand else 1)
                    room = (W * 0.97 - x) / (max(1, sprite.bottom - sprite.top) * scale)
                    if room < 2: break
                    alpha = self.words(sprite, room * rng.uniform(0.2, 1))
                    w = alpha.shape[1] * scale
                    if centre and piece == 0: x = max(2, (W - w) / 2)
                    end = self.put(sheet, sprite, alpha, x, y - (sprite_base(sprite) - sprite.top) * scale + size * 0.75, scale, slope=rng.gauss(0, 0.012) * sprite.hand)
                    if end is None: break
                    if rng.random() < 0.08: sheet.rule(y + size * 0.95, x, end, rng)
                    if rng.random() < 0.25: sheet.rule(y + size * 0.9, end + 3, min(W - 3, end + size * rng.uniform(2, 9)), rng)
                    x = end + size * (rng.uniform(0.4, 1.2) if rng.random() < 0.4 else rng.uniform(1.2, 7))
                sheet.level(first)
                y += pitch
            y += rng.uniform(0.2, 3) * size
        if rng.random() < 0.4: sheet.map(rng)
        if rng.random() < 0.15: sheet.table(rng)
        return sheet

    def barcode(self, most):
        """A label with bars, and words beside them."""
        rng = self.rng
        size = rng.uniform(8, 22)
        w = int(min(most, size * rng.uniform(7, 14)))
        bars = size * rng.uniform(1.2, 4)
        sheet = Sheet(int(bars + size * 3.4), w)
        give = self.source(False)
        for y in ((size * 0.35,) if rng.random() < 0.3 else (size * 2.1 + bars,) if rng.random() < 0.4 else (size * 0.35, size * 2.1 + bars)):
            sprite = give()
            if sprite is None: continue
            scale = size / sprite.size * rng.uniform(0.7, 1)
            alpha = self.words(sprite, (w - 4) / (max(1, sprite.bottom - sprite.top) * scale))
            self.put(sheet, sprite, alpha, max(2, (w - alpha.shape[1] * scale) / 2), y, scale)
        x, t, b = size * 0.4, int(size * 1.7), int(size * 1.7 + bars)
        unit = rng.uniform(0.7, 2.2)
        if rng.random() < 0.75:
            while x < w - size * 0.4:
                k = rng.choice((1, 1, 2, 3)) * unit
                sheet.clutter[t:b, int(x):max(int(x) + 1, int(x + k))] = 255
                x += k + rng.choice((1, 1, 2, 3)) * unit
        else:
            side = min(b - t, w - 8); cell = max(2, side // rng.randint(12, 25)); n = side // cell
            grid = (self.gen.random((n, n)) < 0.5).astype(np.uint8) * 255
            part = cv2.resize(grid, (n * cell, n * cell), interpolation=cv2.INTER_NEAREST)
            part = part[: sheet.size[0] - t, : w - 4]
            sheet.clutter[t:t + part.shape[0], 4:4 + part.shape[1]] = part
        return sheet

    def ruler(self, most):
        """Marks and numbers that are no writing."""
        rng = self.rng
        unit = rng.uniform(14, 90); n = rng.randint(3, 14)
        w, h = int(min(most, unit * n)), int(unit * rng.uniform(0.7, 1.6))
        sheet = Sheet(max(20, h), max(40, w))
        parts = rng.choice((10, 10, 2, 5, 8))
        for k in range(int(w / unit * parts) + 1):
            x = int(k * unit / parts + 2); l = sheet.size[0] * (0.42 if k % parts == 0 else 0.3 if k % max(1, parts // 2) == 0 else 0.2)
            cv2.line(sheet.clutter, (x, 0), (x, int(l)), 255, max(1, int(unit / 40)), cv2.LINE_AA)
        first = rng.randint(0, 9)
        for k in range(int(w / unit) + 1):
            cv2.putText(sheet.clutter, str(first + k), (int(k * unit + 3), int(sheet.size[0] * 0.85)), cv2.FONT_HERSHEY_SIMPLEX, unit / 60 * rng.uniform(0.8, 1.2), 255, max(1, int(unit / 25)), cv2.LINE_AA)
        return sheet

    # Colours and grounds

    def noise(self, h, w, cell, amount):
        return self.renderer.wear.smooth(h, w, max(1.0, cell), amount)

    def paper_colour(self):
        rng = self.rng
        v = rng.uniform(150, 252)
        if rng.random() < 0.15: v = rng.uniform(70, 160)
        warm = rng.uniform(0, 0.16) if rng.random() < 0.7 else rng.uniform(0.1, 0.4)
        c = np.array([v, v * (1 - warm * 0.35), v * (1 - warm)])
        if rng.random() < 0.12: c = np.array([rng.uniform(120, 250) for _ in range(3)])
        return c

    def inked(self, sheet):
        """The sheet in colour (float32 H x W x 3)."""
        rng = self.rng
        H, W = sheet.size
        colour = self.paper_colour()
        paper = np.empty((H, W, 3), np.float32); paper[:] = colour
        if rng.random() < 0.7: paper += self.noise(H, W, rng.uniform(40, 200), rng.uniform(1, 5))[..., None]
        if rng.random() < 0.5: paper += self.noise(H, W, rng.uniform(1, 3), rng.uniform(0.5, 5))[..., None]
        if rng.random() < 0.12:     # stains
            for _ in range(rng.randint(1, 3)):
                m = np.zeros((H, W), np.float32)
                cv2.ellipse(m, (rng.randrange(W), rng.randrange(H)), (int(rng.uniform(4, 0.3 * W + 5)), int(rng.uniform(4, 0.3 * H + 5))), rng.uniform(0, 180), 0, 360, 1, -1)
                paper -= cv2.GaussianBlur(m, (0, 0), rng.uniform(1, 12))[..., None] * np.array([15, 30, 50]) * rng.uniform(0.3, 1.3)
        if rng.random() < 0.12:     # a fold
            m = np.zeros((H, W), np.float32)
            if rng.random() < 0.5: cv2.line(m, (0, rng.randrange(H)), (W, rng.randrange(H)), 1, 2)
            else: cv2.line(m, (rng.randrange(W), 0), (rng.randrange(W), H), 1, 2)
            paper += cv2.GaussianBlur(m, (0, 0), rng.uniform(1, 4))[..., None] * rng.uniform(-60, 40)
        if sheet.lined is not None:
            c = np.array(rng.choice(((130, 160, 200), (150, 150, 150), (200, 140, 140), (140, 190, 170), (110, 110, 120))), np.float32)
            paper += (sheet.lined.astype(np.float32) / 255 * rng.uniform(0.15, 0.9))[..., None] * np.minimum(0, c - paper)
        if sheet.mirrored:
            ghost = cv2.GaussianBlur(np.maximum(sheet.hand, sheet.print)[:, ::-1], (0, 0), rng.uniform(0.6, 1.5))
            ghost = np.roll(ghost, rng.randrange(8, 60), 0).astype(np.float32) / 255
            paper *= 1 - ghost[..., None] * rng.uniform(0.04, 0.22)
        inks = ((25, 25, 30), (20, 20, 20), (30, 35, 90), (40, 60, 130), (70, 45, 30), (90, 90, 95), (60, 30, 80), (25, 70, 50), (150, 40, 40), (60, 90, 190))
        for layer, hand in ((sheet.hand, True), (sheet.print, False)):
            if not layer.any(): continue
            c = np.array(rng.choice(inks if hand or rng.random() < 0.15 else inks[:2]), np.float32)
            k = rng.uniform(0.65, 1) if rng.random() < 0.75 else rng.uniform(0.3, 0.65)
            a = layer.astype(np.float32) * (k / 255)
            if rng.random() < 0.4: a *= np.clip(1 + self.noise(H, W, rng.uniform(20, 120), 0.25), 0.3, 1)
            c = np.minimum(c, colour * 0.6)
            if (colour - c).mean() * k < 34: c, k = c * 0.3, max(k, 0.6)      # no hand writes what nobody can see
            paper += a[..., None] * (c - paper)
        if sheet.clutter.any(): paper += (sheet.clutter.astype(np.float32) * (rng.uniform(0.5, 1) / 255))[..., None] * (np.array([25, 25, 25]) - paper)
        if rng.random() < 0.02: paper = 255 - paper
        return paper

    def ground(self, h, w):
        rng = self.rng
        kind = rng.random()
        colour = self.paper_colour() if rng.random() < 0.55 else np.array([rng.uniform(60, 240)] * 3) + self.gen.normal(0, rng.choice((4, 12, 40)), 3)
        if rng.random() < 0.15: colour = np.array([rng.uniform(0, 60)] * 3)
        colour = np.clip(colour, 3, 252)
        out = np.empty((h, w, 3), np.float32); out[:] = colour
        if kind < 0.3: out += self.noise(h, w, rng.uniform(1, 4), rng.uniform(2, 18))[..., None]                 # foam, cork
        elif kind < 0.45:                                                                                         # wood
            out += cv2.resize(self.gen.standard_normal((h // rng.randint(2, 8) + 2, 3), dtype=np.float32), (w, h), interpolation=cv2.INTER_CUBIC)[..., None] * rng.uniform(4, 22)
        elif kind < 0.6:                                                                                          # cloth
            y, x = np.arange(h, dtype=np.float32)[:, None], np.arange(w, dtype=np.float32)[None]
            p = rng.uniform(2.5, 8); out += ((np.sin(x / p * 6.28) + np.sin(y / p * 6.28)) * rng.uniform(2, 12))[..., None]
        if rng.random() < 0.4: out += self.noise(h, w, rng.uniform(40, 200), rng.uniform(3, 25))[..., None]
        if rng.random() < 0.25:                                                                                   # edges of boxes, of other sheets
            for _ in range(rng.randint(1, 4)):
                p = np.array([[rng.uniform(-0.3, 1.3) * w, rng.uniform(-0.3, 1.3) * h] for _ in range(4)], np.int32)
                cv2.fillConvexPoly(out, cv2.convexHull(p), tuple(float(v) for v in self.paper_colour() * rng.uniform(0.3, 1)), cv2.LINE_AA)
        if rng.random() < 0.25:                                                                                   # rough edges of foam and card
            for _ in range(rng.randint(1, 3)):
                m = np.zeros((h, w), np.float32); a, l = rng.choice((0.0, 1.57)) + rng.gauss(0, 0.04), rng.uniform(80, 700)
                x, y = rng.uniform(0, w), rng.uniform(0, h); dx, dy = l / 2 * math.cos(a), l / 2 * math.sin(a)
                cv2.line(m, (int(x - dx), int(y - dy)), (int(x + dx), int(y + dy)), 1, rng.randint(3, 16))
                out += (m * self.noise(h, w, rng.uniform(1, 5), rng.uniform(8, 45)))[..., None]
                if rng.random() < 0.5: out -= (m * rng.uniform(-40, 40))[..., None]
        if rng.random() < 0.15:                                                                                   # soft dark spots
            for _ in range(rng.randint(1, 4)):
                m = np.zeros((h, w), np.float32)
                cv2.ellipse(m, (rng.randrange(w), rng.randrange(h)), (rng.randint(8, 70), rng.randint(5, 40)), rng.uniform(0, 180), 0, 360, 1, -1)
                out -= (cv2.GaussianBlur(m, (0, 0), rng.uniform(3, 15)))[..., None] * np.array([rng.uniform(20, 120)] * 3) * np.array([0.8, 1, 1.2])
        if rng.random() < 0.3:                                                                                    # specks
            m = (self.gen.random((h // 2, w // 2)) < rng.uniform(0.0005, 0.01)).astype(np.float32)
            m = cv2.GaussianBlur(cv2.resize(m, (w, h)), (0, 0), rng.uniform(0.5, 1.5)); out -= (m * rng.uniform(50, 400))[..., None]
        return out

    def insect(self, picture):
        """A dark body with legs and wings; gives its mask."""
        rng = self.rng
        h, w = picture.shape[:2]
        s = rng.uniform(12, 90); cx, cy, turn = rng.uniform(0, w), rng.uniform(0, h), rng.uniform(0, 6.28)
        at = lambda u, v: (int(cx + s * (u * math.cos(turn) - v * math.sin(turn))), int(cy + s * (u * math.sin(turn) + v * math.cos(turn))))
        body = np.zeros((h, w), np.uint8); legs = np.zeros((h, w), np.uint8); wings = np.zeros((h, w), np.uint8)
        deg = math.degrees(turn)
        for u, a, b in ((-0.75, 0.55, 0.3), (0.05, 0.4, 0.33), (0.55, 0.24, 0.26)):
            cv2.ellipse(body, at(u, 0), (int(s * a * rng.uniform(0.8, 1.2)) + 1, int(s * b * rng.uniform(0.8, 1.2)) + 1), deg, 0, 360, 255, -1, cv2.LINE_AA)
        for side in (-1, 1):
            for k in range(3):
                u = rng.uniform(-0.4, 0.6)
                p = [at(0.05 + 0.1 * k, 0), at(u, side * rng.uniform(0.4, 0.8)), at(u + rng.uniform(-0.5, 0.5), side * rng.uniform(0.7, 1.4))]
                cv2.polylines(legs, [np.array(p)], False, 255, max(1, int(s / 28)), cv2.LINE_AA)
            p = [at(0.6, 0), at(0.9, side * 0.3), at(rng.uniform(0.9, 1.5), side * rng.uniform(0.3, 0.9))]
            cv2.polylines(legs, [np.array(p)], False, 255, max(1, int(s / 40)), cv2.LINE_AA)
            if rng.random() < 0.7:
                cv2.ellipse(wings, at(-0.4, side * 0.55), (int(s * 0.9), int(s * rng.uniform(0.2, 0.5)) + 1), deg + side * rng.uniform(10, 70), 0, 360, 255, -1, cv2.LINE_AA)
        if rng.random() < 0.5:      # out of focus: it stands above the labels
            soft = rng.uniform(1, s / 8)
            body, legs, wings = (cv2.GaussianBlur(m, (0, 0), soft) for m in (body, legs, wings))
        dark = np.array([rng.uniform(10, 90), rng.uniform(10, 70), rng.uniform(5, 50)], np.float32)
        tone = np.array([rng.uniform(60, 220), rng.uniform(50, 190), rng.uniform(30, 160)], np.float32)
        picture += (wings.astype(np.float32) / 255 * rng.uniform(0.2, 0.9))[..., None] * (tone + self.noise(h, w, rng.uniform(2, 8), 20)[..., None] - picture)
        picture += (legs.astype(np.float32) / 255)[..., None] * (dark - picture)
        picture += (body.astype(np.float32) / 255)[..., None] * (dark + self.noise(h, w, rng.uniform(2, 6), 15)[..., None] - picture)
        if rng.random() < 0.5:      # bands of the hind body
            for u in np.arange(-1.2, -0.4, 0.2): cv2.line(picture, at(u, -0.2), at(u, 0.2), tuple(float(c) for c in tone), max(1, int(s / 18)), cv2.LINE_AA)
        return np.maximum(body, wings if rng.random() < 0.5 else body)

    def moth(self, picture):
        """A spread or resting moth whose wings have spots, rings, bands and veins; gives its mask."""
        rng = self.rng
        h, w = picture.shape[:2]
        s = rng.uniform(25, 210)            # half the spread of the wings
        n = int(2.4 * s) | 1; c = n / 2
        dark, light = np.array([rng.uniform(10, 110), rng.uniform(10, 90), rng.uniform(5, 70)]), np.array([rng.uniform(120, 245), rng.uniform(105, 235), rng.uniform(80, 225)])
        ground, ink = (light, dark) if rng.random() < 0.65 else (dark, light)
        if rng.random() < 0.2: ink = np.array([rng.uniform(20, 240) for _ in range(3)])
        paint = np.empty((n, n, 3), np.float32); paint[:] = ground
        paint += self.noise(n, n, max(1.5, s * rng.uniform(0.02, 0.2)), rng.uniform(3, 22))[..., None]
        body, mask = np.zeros((n, n), np.uint8), np.zeros((n, n), np.uint8)
        colour = lambda k=1.0: tuple(float(v) for v in np.clip(ground + (ink - ground) * k * rng.uniform(0.7, 1.1), 3, 250))
        # One wing, to the right of a body that runs down: outline as steps along, spots and bands by polar place in it.
        for fore in (False, True):
            if not fore and rng.random() < 0.15: continue       # at rest the hind wings are hidden
            a0 = rng.uniform(-0.75, -0.35) if fore else rng.uniform(0.25, 0.6); spread = rng.uniform(0.28, 0.5) if fore else rng.uniform(0.4, 0.62)
            reach = s * (rng.uniform(0.9, 1.1) if fore else rng.uniform(0.6, 0.8))
            root = np.array([0.04 * s, -0.08 * s if fore else 0.05 * s])
            edge = lambda t: reach * (1 - 0.28 * abs(2 * t - 0.55 if fore else 2 * t - 1) ** 2 + (0.03 * math.sin(t * 30) if scallop else 0))
            scallop = rng.random() < 0.3
            at = lambda r, t: root + r * edge(t) * np.array([math.cos(a0 + (2 * t - 1) * spread), math.sin(a0 + (2 * t - 1) * spread)])
            shape = [root] + [at(1, t) for t in np.linspace(0, 1, 24)]
            wing = np.zeros((n, n), np.uint8)
            sides = lambda points: [np.round(np.array([[c + k * x, c + y] for x, y in points]) * 16).astype(np.int32) for k in (1, -1)]
            for points in sides(shape): cv2.fillPoly(wing, [points], 255, cv2.LINE_AA, 4)
            over = paint.copy()
            if fore and rng.random() < 0.5: over[:] = np.clip(paint * rng.uniform(0.7, 1.2), 3, 250)
            for _ in range(rng.choice((0, 0, 1, 2, 3))):        # bands, straight or wavy
                r, k, wave, thick = rng.uniform(0.2, 0.95), rng.uniform(0, 0.06), rng.uniform(5, 40), max(1, int(s * rng.uniform(0.008, 0.09)))
                ink_now = colour(rng.uniform(0.3, 1))
                for points in sides([at(r + k * math.sin(t * wave), t) for t in np.linspace(0, 1, 40)]): cv2.polylines(over, [points], False, ink_now, thick, cv2.LINE_AA, 4)
            if rng.random() < 0.35:                             # veins
                ink_now = colour(rng.uniform(0.15, 0.7))
                for t in np.linspace(0.08, 0.92, rng.randint(4, 9)):
                    for points in sides([root, at(0.97, t)]): cv2.polylines(over, [points], False, ink_now, 1, cv2.LINE_AA, 4)
            rows = []
            if rng.random() < 0.6: r = rng.uniform(0.6, 0.93); rows += [(r, t) for t in np.linspace(0.08, 0.92, rng.randint(3, 9))]     # a row along the edge
            rows += [(rng.uniform(0.25, 0.9), rng.uniform(0.1, 0.9)) for _ in range(rng.choice((0, 1, 1, 2, 3, 6)))]
            size, filled = s * rng.uniform(0.015, 0.09), rng.random()
            if rng.random() < 0.25: size *= 1.8
            for r, t in rows:                                   # spots, rings, eyes, crescents
                big = max(1.0, size * rng.uniform(0.6, 1.3)); x, y = at(r, t); u = rng.random()
                tall, turned = big * rng.uniform(0.6, 1.1), math.degrees(a0 + (2 * t - 1) * spread)
                thick = -1 if u < filled else max(1, int(big * rng.uniform(0.15, 0.4)))
                first, second = colour(), colour(rng.uniform(-0.3, 0.4))
                end = 360 if rng.random() < 0.8 else rng.randint(120, 300)
                for k in (1, -1):
                    p, turned = (int(round((c + k * x) * 16)), int(round((c + y) * 16))), turned if k > 0 else 180 - turned
                    cv2.ellipse(over, p, (int(big * 16), int(tall * 16)), turned, 0, end, first, thick, cv2.LINE_AA, 4)
                    if u > 0.7: cv2.ellipse(over, p, (int(big * 7), int(tall * 7)), turned, 0, 360, second, -1, cv2.LINE_AA, 4)
            a = (wing.astype(np.float32) / 255)[..., None]
            if rng.random() < 0.4: cv2.polylines(over, sides(shape), True, colour(rng.uniform(0.4, 1)), max(1, int(s * rng.uniform(0.005, 0.03))), cv2.LINE_AA, 4)
            paint, mask = paint * (1 - a) + over * a, np.maximum(mask, wing)
        thin = max(1, int(s * rng.uniform(0.05, 0.13)))
        cv2.ellipse(body, (int(c), int(c + 0.12 * s)), (thin, int(s * rng.uniform(0.3, 0.5))), 0, 0, 360, 255, -1, cv2.LINE_AA)
        for k in (1, -1): cv2.line(body, (int(c), int(c - 0.3 * s)), (int(c + k * s * rng.uniform(0.1, 0.4)), int(c - s * rng.uniform(0.5, 0.75))), 255, max(1, int(s / 60)), cv2.LINE_AA)
        b = (body.astype(np.float32) / 255)[..., None]
        paint = paint * (1 - b) + (dark + self.noise(n, n, 2.5, 14)[..., None]) * b
        mask = np.maximum(mask, body)
        x, y = rng.uniform(0, w), rng.uniform(0, h)
        m = cv2.getRotationMatrix2D((c, c), rng.uniform(0, 360) if rng.random() < 0.4 else rng.gauss(0, 12), 1.0); m[:, 2] += (x - c, y - c)
        paint = cv2.warpAffine(paint, m, (w, h), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        mask = cv2.warpAffine(mask, m, (w, h), flags=cv2.INTER_LINEAR)
        if rng.random() < 0.5: picture *= 1 - np.roll(cv2.GaussianBlur(mask.astype(np.float32) / 255, (0, 0), rng.uniform(1, 6)), (rng.randint(0, 8), rng.randint(-6, 6)), (0, 1))[..., None] * rng.uniform(0.1, 0.5)
        picture += (mask.astype(np.float32) / 255)[..., None] * (paint - picture)
        return mask

    def scrap(self, picture):
        """A piece of plant or dirt."""
        rng = self.rng
        h, w = picture.shape[:2]
        x, y, s = int(rng.uniform(0, w)), int(rng.uniform(0, h)), int(rng.uniform(15, 160))
        l, t, r, b = max(0, x - s), max(0, y - s), min(w, x + s), min(h, y + s)
        if r - l < 8 or b - t < 8: return
        yy, xx = np.mgrid[t:b, l:r].astype(np.float32)
        far = np.sqrt((xx - x) ** 2 + (yy - y) ** 2) / s
        m = np.clip((self.noise(b - t, r - l, max(2, s * rng.uniform(0.05, 0.3)), 1) + 0.6 - 1.6 * far) * 3, 0, 1)
        c = np.array([rng.uniform(30, 170), rng.uniform(40, 170), rng.uniform(20, 130)], np.float32)
        picture[t:b, l:r] += m[..., None] * (c + self.noise(b - t, r - l, 3, 25)[..., None] - picture[t:b, l:r])

    def pin(self, picture):
        rng = self.rng
        h, w = picture.shape[:2]
        p = np.array([rng.uniform(0, w), rng.uniform(0, h)]); a = rng.uniform(0, 6.28); l = rng.uniform(30, 300)
        q = p + l * np.array([math.cos(a), math.sin(a)])
        wide = rng.randint(1, 4); v = rng.uniform(20, 230)
        P, Q = tuple(int(k) for k in p), tuple(int(k) for k in q)
        shade = np.zeros((h, w), np.float32); off = (rng.randint(-6, 6), rng.randint(1, 6))
        cv2.line(shade, (P[0] + off[0], P[1] + off[1]), (Q[0] + off[0], Q[1] + off[1]), 1, wide + 1, cv2.LINE_AA)
        picture *= 1 - cv2.GaussianBlur(shade, (0, 0), rng.uniform(1, 3))[..., None] * rng.uniform(0.1, 0.5)
        cv2.line(picture, P, Q, (v, v, v * 0.95), wide, cv2.LINE_AA)
        if rng.random() < 0.6: cv2.circle(picture, P, wide * rng.randint(1, 4) + 1, (v * 0.8, v * 0.8, v * 0.8), -1, cv2.LINE_AA)

    # The whole picture

    def paste(self, scene, sheet, centre, turn, bend=0.0):
        """Lays a sheet with its middle at `centre`, turned by `turn` (radians)."""
        rng = self.rng
        H, W = sheet.size
        S = scene.picture.shape[0]
        c, s = math.cos(turn), math.sin(turn)
        corners = np.array([[-W / 2, -H / 2], [W / 2, -H / 2], [W / 2, H / 2], [-W / 2, H / 2]]) @ np.array([[c, s], [-s, c]]) + centre
        l, t = np.maximum(0, np.floor(corners.min(0) - 3 - bend)).astype(int)
        r, b = np.minimum(S, np.ceil(corners.max(0) + 3 + bend)).astype(int)
        if r - l < 8 or b - t < 8: return
        wave, phase = rng.uniform(0.8, 2.5) * W, rng.uniform(0, 6.28)
        wave2, phase2 = rng.uniform(0.8, 2.5) * H, rng.uniform(0, 6.28)
        along = rng.uniform(0, 0.5) * bend
        shift = lambda u, v: (along * np.sin(v / wave2 * 6.28 + phase2), bend * np.sin(u / wave * 6.28 + phase))
        colour = self.inked(sheet)
        yy, xx = np.mgrid[t:b, l:r].astype(np.float32)
        dx, dy = xx + 0.5 - centre[0], yy + 0.5 - centre[1]
        u, v = c * dx + s * dy + W / 2, -s * dx + c * dy + H / 2
        if bend: du, dv = shift(u, v); u, v = u + du, v + dv
        u, v = (u - 0.5).astype(np.float32), (v - 0.5).astype(np.float32)
        part = cv2.remap(colour, u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        mask = np.clip(np.minimum(np.minimum(u + 1, W - u), np.minimum(v + 1, H - v)), 0, 1)
        view = scene.picture[t:b, l:r]
        if rng.random() < 0.6:      # a shadow
            shade = cv2.GaussianBlur(mask, (0, 0), rng.uniform(1.5, 6)); k = rng.uniform(0.15, 0.6); d = (rng.randint(-5, 5), rng.randint(-3, 6))
            view *= 1 - np.roll(shade, d, (1, 0))[..., None] * k
        view += mask[..., None] * (part - view)
        scene.cover(mask, l, t)
        for line, height in zip(sheet.lines, sheet.heights()):
            p = line.middle
            if bend:
                du, dv = shift(p[:, 0], p[:, 1]); p = p - np.stack([du, dv], 1)
            q = p - np.array([W / 2, H / 2]); q = q @ np.array([[c, s], [-s, c]]) + centre
            scene.mark(q, height, line.hand)

    def scene(self, S):
        while len(self.bank) < 14: self.refill()
        if self.rng.random() < 0.4: self.refill()
        while True:
            scene = self.laid(S)
            if scene.box.mean() > 0.015 or self.rng.random() < 0.04: break      # few without writing
        return self.photographed(scene.picture), scene.maps()

    def laid(self, S):
        rng = self.rng
        scene = Scene(S, self.ground(S, S))
        kind = rng.random()
        tilt = lambda: rng.gauss(0, 0.035) if rng.random() < 0.8 else rng.gauss(0, 0.16)
        def turn():
            u = rng.random()
            return tilt() + (0 if u < 0.8 else math.pi if u < 0.9 else math.pi / 2 if u < 0.95 else -math.pi / 2)
        way = turn()
        if kind < 0.34:
            side = S * rng.uniform(1.0, 1.35) if rng.random() < 0.6 else S * rng.uniform(0.6, 1)
            sheet = self.page(side * rng.uniform(0.8, 1.2), side)
            self.paste(scene, sheet, np.array([S / 2, S / 2]) + np.array([rng.gauss(0, 30), rng.gauss(0, 30)]), way, rng.uniform(0, 9) if rng.random() < 0.35 else 0)
        elif kind < 0.62:
            sheet = self.packet(S * rng.uniform(0.5, 1.1), S * rng.uniform(0.7, 1.2))
            self.paste(scene, sheet, np.array([S / 2 + rng.gauss(0, 40), S / 2 + rng.gauss(0, 40)]), way, rng.uniform(0, 5) if rng.random() < 0.25 else 0)
            for _ in range(rng.choice((0, 0, 1, 1, 2))):
                make = self.barcode if rng.random() < 0.6 else self.label
                self.paste(scene, make(S * 0.5), np.array([rng.uniform(0.1, 0.9) * S, rng.uniform(0.1, 0.9) * S]), way + rng.gauss(0, 0.02) + (rng.choice((0, 0, 0, math.pi / 2, -math.pi / 2))))
        else:
            for _ in range(rng.choice((0, 0, 1, 2))): self.scrap(scene.picture)
            if rng.random() < 0.4: self.paste(scene, self.ruler(S), np.array([rng.uniform(0, 1) * S, rng.uniform(0, 1) * S]), tilt() + rng.choice((0, 0, math.pi / 2)))
            column = rng.random() < 0.4; x, y = rng.uniform(0.25, 0.75) * S, rng.uniform(0.02, 0.15) * S
            for _ in range(rng.randint(2, 10)):
                sheet = self.barcode(S * 0.5) if rng.random() < 0.1 else self.label(S * 0.7)
                if column:
                    self.paste(scene, sheet, np.array([x + rng.gauss(0, 15), y + sheet.size[0] / 2]), way + rng.gauss(0, 0.05), rng.uniform(0, 3) if rng.random() < 0.2 else 0)
                    y += sheet.size[0] + rng.uniform(-6, 30)
                    if y > S: break
                else:
                    self.paste(scene, sheet, np.array([rng.uniform(0, 1) * S, rng.uniform(0, 1) * S]), turn() if rng.random() < 0.6 else way + tilt(), rng.uniform(0, 3) if rng.random() < 0.2 else 0)
        if rng.random() < 0.35:
            for _ in range(rng.choice((1, 1, 2, 4))): scene.cover(self.insect(scene.picture).astype(np.float32) / 255, 0, 0)
        if rng.random() < 0.25:
            for _ in range(rng.choice((1, 1, 2, 3))): scene.cover(self.moth(scene.picture).astype(np.float32) / 255, 0, 0)
        if rng.random() < 0.2: self.pin(scene.picture)
        if rng.random() < 0.05: self.scrap(scene.picture)
        return scene

    def photographed(self, picture):
        """What a camera makes of it; uint8."""
        rng = self.rng
        h, w = picture.shape[:2]
        if rng.random() < 0.4:      # light from one side
            a = rng.uniform(0, 6.28); y, x = np.mgrid[0:h, 0:w].astype(np.float32)
            picture = picture * (1 + (((x / w - 0.5) * math.cos(a) + (y / h - 0.5) * math.sin(a)) * rng.uniform(0.1, 0.7)))[..., None]
        if rng.random() < 0.15: picture = picture * (1 - np.clip(self.noise(h, w, rng.uniform(80, 300), 0.3), 0, 0.6))[..., None]
        if rng.random() < 0.3: picture = picture * np.array([rng.uniform(0.85, 1.1) for _ in range(3)], np.float32)
        if rng.random() < 0.3: picture = (picture - 128) * rng.uniform(0.5, 1.2) + 128 + rng.uniform(-25, 25)
        if rng.random() < 0.25:
            f = rng.uniform(0.5, 0.95); picture = cv2.resize(cv2.resize(picture, None, fx=f, fy=f, interpolation=cv2.INTER_AREA), (w, h), interpolation=cv2.INTER_LINEAR)
        if rng.random() < 0.45: picture = cv2.GaussianBlur(picture, (0, 0), rng.uniform(0.3, 1.1))
        if rng.random() < 0.2: picture = picture + (picture - cv2.GaussianBlur(picture, (0, 0), 1.2)) * rng.uniform(0.3, 1.2)
        if rng.random() < 0.5: picture = picture + self.gen.standard_normal((h, w, 1 if rng.random() < 0.5 else 3), dtype=np.float32) * rng.uniform(1, 9)
        picture = np.clip(picture, 0, 255).astype(np.uint8)
        if rng.random() < 0.2: picture = np.repeat(cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY)[..., None], 3, 2)
        if rng.random() < 0.5: picture = cv2.imdecode(cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, rng.randint(30, 92)])[1], cv2.IMREAD_COLOR)
        return picture


def sprite_base(sprite):
    """Row near the base line: ink grows scarce below it."""
    rows = sprite.alpha.sum(1, dtype=np.float64)
    busy = np.flatnonzero(rows > 0.35 * rows.max())
    return int(busy[-1]) + 1


class Line:
    """Where a line runs: the middle of its letters' height, how high they are, and how far below the middle it stands."""

    def __init__(self, middle, height, hand, base):
        self.middle, self.height, self.hand, self.base = middle, float(height), hand, float(base)


class Sheet:
    """A piece of paper: two layers of ink, lines ruled, things that are no writing, and where its lines are."""

    def __init__(self, h, w):
        h, w = max(16, min(1500, h)), max(24, min(1500, w))
        self.size = (h, w)
        self.hand, self.print, self.clutter = (np.zeros((h, w), np.uint8) for _ in range(3))
        self.lines, self.lined, self.strokes, self.mirrored = [], None, [], False

    def rule(self, y, x1, x2, rng):
        """A line to write on or under a word, drawn or dotted."""
        if x2 - x1 < 4: return
        y, y2 = int(y), int(y + rng.uniform(-1.5, 1.5))
        if rng.random() < 0.35:
            for x in range(int(x1), int(x2), rng.randint(3, 7)): cv2.line(self.clutter, (x, y), (x + 1, y), 200, 1)
        else: cv2.line(self.clutter, (int(x1), y), (int(x2), y2), rng.randint(120, 255), rng.choice((1, 1, 2)), cv2.LINE_AA)

    def frame(self, rng):
        h, w = self.size
        m = rng.randint(0, 5)
        cv2.rectangle(self.clutter, (m, m), (w - 1 - m, h - 1 - m), rng.randint(120, 255), rng.choice((1, 1, 2, 3)))
        if rng.random() < 0.2: cv2.rectangle(self.clutter, (m + 4, m + 4), (w - 5 - m, h - 5 - m), 200, 1)

    def ruled(self, step, first, rng, squares=False):
        h, w = self.size
        self.lined = np.zeros((h, w), np.uint8)
        y, wide = first - int(first / step) * step, rng.choice((1, 1, 2))
        while y < h: cv2.line(self.lined, (0, int(y)), (w, int(y)), 255, wide, cv2.LINE_AA); y += step
        if squares:
            x = 0.0
            while x < w: cv2.line(self.lined, (int(x), 0), (int(x), h), 255, wide, cv2.LINE_AA); x += step
        elif rng.random() < 0.4:
            x = int(rng.uniform(0.05, 0.25) * w); cv2.line(self.lined, (x, 0), (x, h), 255, wide)
        for _, x, k in self.strokes: cv2.line(self.lined, (int(x), 0), (int(x), h), 255, k)

    def join(self):
        """The last line goes on from the one before it: they are one."""
        a, b = self.lines[-2], self.lines[-1]
        if abs(a.middle[-1, 1] - b.middle[0, 1]) > 0.4 * max(a.height, b.height) or a.hand != b.hand: return
        self.lines[-2:] = [Line(np.concatenate([a.middle, b.middle]), max(a.height, b.height), a.hand, a.base)]

    def level(self, first):
        """The pieces of one row, from line `first` on, are as high as one another: what is written beside a
        word belongs to its line, whatever letters reach up or down in either."""
        row = self.lines[first:]
        while len(row) > 1:
            n = 1
            while n < len(row) and row[n].middle[0, 0] - row[n - 1].middle[-1, 0] < 4 * row[n].height and \
                    max(r.height for r in row[:n + 1]) < 1.7 * min(r.height for r in row[:n + 1]): n += 1
            above = max(r.height / 2 + r.base for r in row[:n])
            below = max(r.height / 2 - r.base for r in row[:n])
            for r in row[:n]:
                r.middle[:, 1] += r.base + (below - above) / 2
                r.height, r.base = above + below, (above - below) / 2
            row = row[n:]

    def heights(self):
        """The lines' heights, less where they are set so close that letters of one reach into the other."""
        out = [line.height for line in self.lines]
        ends = np.array([[line.middle[0, 0], line.middle[-1, 0]] for line in self.lines])
        for i, line in enumerate(self.lines):
            both = np.minimum(ends[:, 1], ends[i, 1]) - np.maximum(ends[:, 0], ends[i, 0])
            for j in np.flatnonzero(both > line.height):
                if j == i: continue
                x = (max(ends[i, 0], ends[j, 0]) + min(ends[i, 1], ends[j, 1])) / 2
                far = abs(np.interp(x, *line.middle.T) - np.interp(x, *self.lines[j].middle.T))
                if far > 0.3 * line.height: out[i] = min(out[i], 0.85 * far)
        return out

    def cross(self, line, rng):
        """Crosses out a part of a line."""
        a, b = sorted((rng.random(), rng.random())); p = line.middle
        x1, x2 = p[0, 0] + a * (p[-1, 0] - p[0, 0]), p[0, 0] + b * (p[-1, 0] - p[0, 0])
        y = float(np.interp((x1 + x2) / 2, p[:, 0], p[:, 1])) + rng.uniform(-0.1, 0.15) * line.height
        cv2.line(self.hand, (int(x1), int(y)), (int(x2), int(y + rng.uniform(-3, 3))), 230, rng.choice((1, 2)), cv2.LINE_AA)

    def map(self, rng):
        """Borders and rivers of a small map."""
        h, w = self.size
        s = int(min(h, w) * rng.uniform(0.2, 0.5))
        if s < 20: return
        x, y = rng.randrange(0, max(1, w - s)), rng.randrange(0, max(1, h - s))
        if any(x - 5 < p.middle[-1, 0] and p.middle[0, 0] < x + s + 5 and y - p.height < p.middle[0, 1] < y + s + p.height for p in self.lines): return
        cv2.rectangle(self.clutter, (x, y), (x + s, y + s), 255, 1)
        for _ in range(rng.randint(4, 14)):
            p = np.array([[x + rng.uniform(0, s), y + rng.uniform(0, s)]] * rng.randint(5, 18)); step = np.array([[rng.gauss(0, 1), rng.gauss(0, 1)] for _ in p]) * s * 0.08
            cv2.polylines(self.clutter, [np.clip(p + step.cumsum(0), [x, y], [x + s, y + s]).astype(np.int32)], False, 255, rng.choice((1, 1, 2)), cv2.LINE_AA)

    def table(self, rng):
        h, w = self.size
        step = rng.uniform(15, 80)
        for y in np.arange(rng.uniform(0, step), h, step): cv2.line(self.clutter, (0, int(y)), (w, int(y)), 170, 1)
        for x in np.arange(rng.uniform(0, 2 * step), w, step * rng.uniform(1, 3)): cv2.line(self.clutter, (int(x), 0), (int(x), h), 170, 1)


class Scene:
    """The picture and its gold while things are laid upon one another."""

    def __init__(self, size, picture):
        self.picture = picture
        self.kernel, self.box, self.kind, self.turned, self.skip = (np.zeros((size, size), np.uint8) for _ in range(5))

    def cover(self, mask, left, top):
        """What is laid over writing hides it."""
        h, w = mask.shape
        keep = (mask < 0.5).astype(np.uint8)
        for m in (self.kernel, self.box, self.kind, self.turned, self.skip): m[top:top + h, left:left + w] *= keep

    def mark(self, middle, height, hand):
        d = np.diff(middle, axis=0)
        length = float(np.hypot(d[:, 0], d[:, 1]).sum())
        if length < 3: return
        # Room around the ink, as the program's readers are used to.
        h, w = height * 1.35 + 1.0, length + 0.55 * height + 1.0
        # The kernel (w - 2d) x (h - 2d) that grows back by its area * GROW / perimeter = d on every side.
        a, b, c = 4 * GROW + 8, -2 * (w + h) * (GROW + 1), w * h * GROW
        d_in = (-b - math.sqrt(max(0.0, b * b - 4 * a * c))) / (2 * a)
        ahead = middle[-1] - middle[0]
        angle = math.degrees(math.atan2(ahead[1], ahead[0]))
        turned = not -60 <= angle <= 120
        full, kernel = band(middle, (w - length) / 2, h / 2), band(middle, (w - length) / 2 - d_in, h / 2 - d_in)
        small = height < 6.5
        fill(self.box, full, 1); fill(self.kind, full, 2 if hand else 1); fill(self.turned, full, 2 if turned else 1)
        if small: fill(self.skip, full, 1)
        fill(self.kernel, kernel, 255)

    def maps(self):
        """uint8. size/2 x size/2: kernel's share (0 to 255). 3 x size/4 x size/4: weight (0 nothing
        learned, 1, 2 on a line), kind (0 none, 1 print, 2 hand), way (0, 1 upright, 2 turned)."""
        n = self.kernel.shape[0] // 4
        kernel = cv2.resize(self.kernel, (2 * n, 2 * n), interpolation=cv2.INTER_AREA)
        box = cv2.resize(self.box * 255, (n, n), interpolation=cv2.INTER_AREA)
        skip = cv2.resize(self.skip * 255, (n, n), interpolation=cv2.INTER_AREA)
        weight = np.where(skip > 60, 0, np.where(box > 100, 2, 1)).astype(np.uint8)
        near = slice(2, None, 4)
        return kernel, np.stack([weight, self.kind[near, near], self.turned[near, near]])


def band(middle, beyond, half):
    """Outline of a band around a polyline, `half` to either side and `beyond` its ends (may be negative)."""
    p = middle.astype(np.float64)
    d = np.diff(p, axis=0); l = np.hypot(d[:, 0], d[:, 1]); keep = np.concatenate([[True], l > 1e-3]); p = p[keep]
    if len(p) < 2: return None
    d = np.diff(p, axis=0); d /= np.hypot(d[:, 0], d[:, 1])[:, None]
    if beyond < 0:      # trimmed along its own length
        along = np.concatenate([[0], np.hypot(*np.diff(p, axis=0).T).cumsum()]); total = along[-1]
        if total + 2 * beyond < 0.5: return None
        at = np.concatenate([[-beyond], along[(along > -beyond) & (along < total + beyond)], [total + beyond]])
        p = np.stack([np.interp(at, along, p[:, 0]), np.interp(at, along, p[:, 1])], 1)
        d = np.diff(p, axis=0); d /= np.maximum(1e-6, np.hypot(d[:, 0], d[:, 1]))[:, None]
    else:
        p[0] -= d[0] * beyond; p[-1] += d[-1] * beyond
    t = np.concatenate([d[:1], d[:-1] + d[1:], d[-1:]]) if len(d) > 1 else np.concatenate([d, d])
    t /= np.maximum(1e-6, np.hypot(t[:, 0], t[:, 1]))[:, None]
    n = np.stack([-t[:, 1], t[:, 0]], 1) * half
    return np.concatenate([p - n, (p + n)[::-1]])


def fill(target, outline, value):
    if outline is not None: cv2.fillPoly(target, [np.round(outline * 16).astype(np.int32)], value, cv2.LINE_8, 4)
