"""Draws lines of text as they look on labels, cards and pages, and wears them down.

`Renderer.line(text, kind)` gives a grey image (uint8, paper bright), height 64, with the
wear already on it; `Wear` is also used alone on real lines. Units are pixels at height 64
unless said. All randomness comes from the generators handed in, so a seed repeats a run.
"""

import functools, glob, math, os, random

import cv2
import numpy as np
from figures import Figures
from PIL import Image, ImageDraw, ImageFont

H = 64


@functools.lru_cache(maxsize=4096)
def _font(path, size):
    return ImageFont.truetype(path, size)


@functools.lru_cache(maxsize=1024)
def _chars(path):
    from fontTools.ttLib import TTFont
    return frozenset(map(chr, TTFont(path, lazy=True).getBestCmap()))


class Fonts:
    """Families by kind; joined hands weigh more."""

    JOINED = ("playwrite", "cedarville", "homemade", "la-belle", "herr-von", "monsieur", "mr-de", "mrs-saint", "dancing", "allura", "alex-brush",
              "great-vibes", "italianno", "parisienne", "pinyon", "rochester", "sacramento", "tangerine", "marck", "bad-script", "dawning", "meddon",
              "miss-fajardose", "petit-formal", "rouge", "ruthie", "stalemate", "league-script", "euphoria", "clicker", "bilbo", "aguafina",
              "allison", "ephesis", "corinthia", "licorice", "ms-madi", "whisper", "windsong", "zeyada", "over-the", "nothing-you", "kristi",
              "qwigley", "lovers", "mea-culpa", "the-nautigal", "passions", "send-flowers", "inspiration", "imperial", "hurricane", "ballet",
              "beth-ellen", "waterfall", "updock", "shalimar", "puppies", "my-soul", "luxurious", "lavishly", "explora", "estonia", "comforter",
              "caramel", "carattere", "bonheur", "babylonica", "gwendolyn", "fuggles", "felipa", "edu-", "square-peg", "meow", "vujahday",
              "water-brush", "oooh", "mynerve", "cookie", "damion", "norican", "condiment", "yesteryear", "redressed", "calligraffitti")

    def __init__(self, root):
        self.by_kind = {}
        for kind in ("hand", "type", "print"):
            families = {}
            for p in sorted(glob.glob(f"{root}/{kind}/*.ttf")):
                if "+ext" not in p:
                    name = os.path.basename(p)[:-4]
                    families.setdefault(name.split("-bold")[0].split("-italic")[0].split("-light")[0], []).append(p)
            self.by_kind[kind] = list(families.values())
        self.joined = [f for f in self.by_kind["hand"] if os.path.basename(f[0]).startswith(self.JOINED)]
        self.symbol = [p for p in glob.glob(f"{root}/*/dejavu-sans*.ttf") if "italic" not in p] + glob.glob(f"{root}/*/noto-sans.ttf")
        symbol_sets = [(p, _chars(p)) for p in self.symbol]
        self.symbol_sets = symbol_sets

    def pick(self, kind, rng):
        if kind == "hand" and self.joined and rng.random() < 0.62:
            return rng.choice(rng.choice(self.joined))
        return rng.choice(rng.choice(self.by_kind[kind]))

    def stack(self, path):
        ext = path[:-4] + "+ext.ttf"
        out = [(path, _chars(path))]
        if os.path.exists(ext): out.append((ext, _chars(ext)))
        return out + self.symbol_sets

    def runs(self, path, text):
        """(font path, piece) runs; None where no font has a character."""
        stack, out = self.stack(path), []
        for c in text:
            for p, have in stack:
                if c in have: break
            else:
                return None
            if out and out[-1][0] == p: out[-1][1] += c
            else: out.append([p, c])
        return out


def sex_sign(draw, sign, x, base, size, rng, value, width):
    """♂, ♀ or ☿ drawn with a pen; gives the advance."""
    r = size * rng.uniform(0.15, 0.22)
    cx, cy = x + r * 1.3, base - size * rng.uniform(0.25, 0.45)
    sq = rng.uniform(0.8, 1.25)
    pts = []
    start = rng.uniform(0, 6.28); sweep = rng.uniform(5.7, 6.9)
    for i in range(22):
        a = start + sweep * i / 21
        pts.append((cx + r * sq * math.cos(a) * (1 + 0.05 * math.sin(3 * a)), cy + r * math.sin(a)))
    draw.line(pts, fill=value, width=width, joint="curve")
    j = lambda s=0.06: rng.uniform(-s, s) * size
    if sign == "♂":
        a = rng.uniform(0.35, 1.1); ex, ey = cx + r * sq * math.cos(a), cy - r * math.sin(a)
        l = size * rng.uniform(0.18, 0.35); tx, ty = ex + l * math.cos(a) + j(), ey - l * math.sin(a) + j()
        draw.line([(ex, ey), (tx, ty)], fill=value, width=width)
        for da in (2.5 + j(0.01), -2.5 + j(0.01)):
            k = size * rng.uniform(0.1, 0.18)
            draw.line([(tx, ty), (tx + k * math.cos(a + da), ty - k * math.sin(a + da))], fill=value, width=width)
        return r * 2 * sq + l
    l = size * rng.uniform(0.2, 0.34); bx = cx + j(0.04)
    draw.line([(cx + j(0.03), cy + r), (bx, cy + r + l)], fill=value, width=width)
    k = size * rng.uniform(0.1, 0.18); my = cy + r + l * rng.uniform(0.4, 0.75)
    draw.line([(bx - k, my + j(0.04)), (bx + k, my + j(0.04))], fill=value, width=width)
    if sign == "☿":
        draw.arc([cx - r, cy - 2.6 * r, cx + r, cy - r * 0.9], 0, 180, fill=value, width=width)
    return r * 2.4 * sq


class Renderer:
    def __init__(self, fonts_root, seed=0, digits=None):
        self.fonts = Fonts(fonts_root)
        self.rng = random.Random(seed)
        self.figures = Figures(digits, self.rng) if digits else None
        self.np = np.random.default_rng(seed + 1)
        self.wear = Wear(self.rng, self.np)

    def ink(self, text, kind, path=None):
        """Ink coverage (float 0..1) of one line with its baseline and size, or None."""
        rng = self.rng
        for _ in range(12):
            path = path or self.fonts.pick(kind, rng)
            if self.fonts.runs(path, text): break
            path = None
        else:
            return None
        size = rng.randint(34, 46)
        canvas_h, base = int(size * 2.6), int(size * 1.65)
        font = _font(path, size)
        room = int(font.getlength(text) * 1.5 + size * (3 + 0.6 * len(text) * (kind == "type")) + 0.5 * size * text.count(" ")) + 40
        if room > 6000: return None
        image = Image.new("L", (room, canvas_h), 0)
        draw = ImageDraw.Draw(image)
        x = float(size)
        if kind == "hand":
            gap = rng.uniform(0.22, 0.55) * size
            wander = rng.uniform(0, 0.05) * size
            for i, word in enumerate(text.split(" ")):
                if i: x += gap * rng.uniform(0.6, 1.5)
                s = max(18, int(size * rng.uniform(0.93, 1.07)))
                y = base + rng.uniform(-wander, wander)
                for p, piece in self.fonts.runs(path, word):
                    if any(c in "♂♀☿" for c in piece) and rng.random() < 0.8:
                        for c in piece:
                            if c in "♂♀☿": x += sex_sign(draw, c, x, y, s, rng, 255, rng.randint(1, 3)) + s * rng.uniform(0.05, 0.3)
                            else: draw.text((x, y), c, fill=255, font=_font(p, s), anchor="ls"); x += _font(p, s).getlength(c)
                        continue
                    f = _font(p, s)
                    draw.text((x, y), piece, fill=255, font=f, anchor="ls")
                    x += f.getlength(piece)
        elif kind == "type":
            pitch = font.getlength("n") * rng.uniform(0.96, 1.08)
            jitter, weak = rng.choice([0, 0.4, 1.0, 1.6]), rng.uniform(0, 0.5)
            offsets = {}
            for c in text:
                p = next((p for p, have in self.fonts.stack(path) if c in have), path)
                dy = offsets.setdefault(c, rng.gauss(0, jitter)) + rng.gauss(0, jitter * 0.3)
                v = int(255 * (1 - weak * rng.random() ** 2))
                if c != " ":
                    f = _font(p, size)
                    spot = (x + (pitch - f.getlength(c)) / 2 + rng.gauss(0, 0.2 + jitter * 0.2), base + dy)
                    draw.text(spot, c, fill=v, font=f, anchor="ls")
                    if rng.random() < 0.01: draw.text((spot[0] + rng.choice([-1, 1]), spot[1]), c, fill=v, font=f, anchor="ls")
                x += pitch
        else:
            track = rng.choice([0] * 5 + [rng.uniform(0, 0.12) * size, -0.02 * size])
            wide = rng.uniform(0.9, 1.5)
            for p, piece in self.fonts.runs(path, text):
                f = _font(p, size)
                if track:
                    for c in piece:
                        draw.text((x, base), c, fill=255, font=f, anchor="ls"); x += f.getlength(c) + track
                elif wide > 1.15 and " " in piece:
                    for i, word in enumerate(piece.split(" ")):
                        if i: x += f.getlength(" ") * wide
                        draw.text((x, base), word, fill=255, font=f, anchor="ls"); x += f.getlength(word)
                else:
                    draw.text((x, base), piece, fill=255, font=f, anchor="ls"); x += f.getlength(piece)
        a = np.asarray(image)
        a = a[:, : min(room, int(x + size))].astype(np.float32) / 255
        if a.max() < 0.2: return None
        return a, base, size, path

    def form(self, head, tail, kind):
        """Ink of a printed form's words (`head`) with what a pen filled in after them (`tail`), as `ink` gives it."""
        rng = self.rng
        real = self.figures and self.figures.can(tail) and rng.random() < 0.7
        one, two = self.ink(head, kind), self.figures.ink(tail) if real else self.ink(tail, "hand")
        if one is None or two is None: return None
        (a, base, size, path), (b, base_b, size_b, _) = one, two
        end, start = np.flatnonzero(a.max(0) > 0.3), np.flatnonzero(b.max(0) > 0.3)
        if not len(end) or not len(start): return None
        k = size / size_b * rng.uniform(0.85, 1.7)
        b = b[:, start[0]:start[-1] + 2]
        wide = max(4, int(b.shape[1] * k))
        at = end[-1] + 1 + int(size * (rng.uniform(0.05, 0.6) if rng.random() < 0.7 else rng.uniform(0.6, 2)))
        out = np.zeros((a.shape[0], at + wide + size), np.float32)
        out[:, :end[-1] + 1] = a[:, :end[-1] + 1]
        y = base - base_b * k - rng.uniform(-0.06, 0.16) * size
        pen = cv2.warpAffine(np.ascontiguousarray(b), np.float32([[k, 0, 0], [0, k, y]]), (wide, a.shape[0]), flags=cv2.INTER_LINEAR)
        out[:, at:at + wide] = pen
        if rng.random() < 0.35:      # the rule that is written on, dotted or drawn
            y, x1, x2 = int(base + size * rng.uniform(0.02, 0.16)), end[-1] + 3, out.shape[1] - rng.randint(1, size)
            step = rng.randint(4, 9) if rng.random() < 0.6 else 1
            for x in range(x1, x2, step): cv2.line(out, (x, y), (x + (1 if step > 1 else 0), y), rng.uniform(0.5, 1), 1, cv2.LINE_AA)
        return out, base, int(max(size, size_b * k)), path

    def line(self, text, kind, variants=1, made=None):
        """Up to `variants` worn images of `text` (a list), or None; `made` is its ink where it is drawn already."""
        rng = self.rng
        made = made or self.ink(text, kind)
        if made is None: return None
        a, base, size, path = made
        crowded = rng.random() < 0.35
        if crowded:                  # bits of the lines above and below
            for way in (-1, 1):
                if rng.random() < 0.6:
                    other = self.ink(self.near_text(text), "hand" if path is None else kind, path)
                    if other is None: continue
                    b = other[0]; step = int(size * rng.uniform(1.15, 1.7)) * way
                    w = min(a.shape[1], b.shape[1]); b = b[:, :w]
                    h = a.shape[0]
                    if b.shape[0] != h: b = cv2.resize(b, (w, h))
                    moved = np.zeros_like(b)
                    if step > 0: moved[step:] = b[:-step]
                    else: moved[:step] = b[-step:]
                    a[:, :w] = np.maximum(a[:, :w], moved)
        rows = np.flatnonzero(made[0].max(1) > 0.3)
        cols = np.flatnonzero(a.max(0) > 0.3)
        asc, desc = base - rng.uniform(0.72, 1.05) * size, base + rng.uniform(0.22, 0.42) * size
        top, bottom = min(asc, rows[0] if rng.random() < 0.6 else asc), max(desc, rows[-1] if rng.random() < 0.6 else desc)
        if rng.random() < 0.3: top, bottom = rows[0] - 1, rows[-1] + 1   # crop to the ink itself
        slack = size * (rng.uniform(-0.06, 0.12) if rng.random() < 0.7 else rng.uniform(0.1, 0.5))
        top, bottom = top - slack * rng.uniform(0.4, 1.6), bottom + slack * rng.uniform(0.4, 1.6)
        if crowded:                  # a neighbour must never be as whole as the line itself
            top, bottom = max(top, base - size), min(bottom, base + 0.5 * size)
        left, right = cols[0] - size * rng.uniform(0.0, 0.5), cols[-1] + size * rng.uniform(0.0, 0.5)
        slant = {"hand": rng.gauss(0.05, 0.22), "type": rng.gauss(0, 0.03), "print": rng.gauss(0, 0.04)}[kind]
        bend = {"hand": 1.0, "type": 0.35, "print": 0.3}[kind]
        stretch = math.exp(rng.gauss(0.16, 0.26)) if kind == "hand" else math.exp(rng.gauss(0, 0.14))
        out = []
        for _ in range(variants):    # the same drawing, bent and worn anew
            lazy = rng.uniform(0, 0.22) if kind == "hand" and rng.random() < 0.5 else 0.0
            ink = self.wear.warp(a, left, right, top, bottom, slant + rng.gauss(0, 0.05), bend, stretch * math.exp(rng.gauss(0, 0.06)), base=base, lazy=lazy)
            if ink is None: continue
            ink = self.wear.pen(ink, kind)
            if rng.random() < 0.12: self.wear.underline(ink)
            image = self.wear.paper(ink, kind)
            if rng.random() < 0.12: image = self.wear.outline(image)
            out.append(self.wear.wear(image, 0.35 if kind == "hand" and path else 0.55))
        return out

    def near_text(self, text):
        words = text.split(" ")
        self.rng.shuffle(words)
        return " ".join(words)


class Wear:
    """Geometry, pen, paper and camera."""

    def __init__(self, rng, gen):
        self.rng, self.gen = rng, gen

    def smooth(self, h, w, cell, amount):
        """Smooth random field of standard deviation near `amount`."""
        g = self.gen.standard_normal((max(2, int(h / cell) + 2), max(2, int(w / cell) + 2)), dtype=np.float32) * amount
        return cv2.resize(g, (w, h), interpolation=cv2.INTER_CUBIC)

    def warp(self, a, left, right, top, bottom, slant, bend, stretch=1.0, fill=0.0, base=None, lazy=0.0):
        """Resample the box [left,right] x [top,bottom] to height 64 with slant, turn and bends."""
        rng = self.rng
        left, right, top, bottom = float(left), float(right), float(top), float(bottom)
        scale = (bottom - top) / H
        w = int(round((right - left) / scale * stretch)) + int(abs(slant) * H * 0.5)
        if w < 6 or w > 3200 or scale <= 0: return None
        turn = math.tan(math.radians(rng.gauss(0, 0.8))) if w > 60 else math.tan(math.radians(rng.gauss(0, 2)))
        turn = max(-0.28 * H / w, min(0.28 * H / w, turn))
        ys, xs = np.arange(H, dtype=np.float32)[:, None], np.arange(w, dtype=np.float32)[None]
        mx = left + (xs / w) * (right - left) + slant * (ys - H * 0.7) * scale
        my = top + ys * scale + turn * (xs - w / 2) * scale
        mx = np.broadcast_to(mx, (H, w)).astype(np.float32); my = np.broadcast_to(my, (H, w)).astype(np.float32)
        if lazy > 0:       # letters that shrink and swell about the baseline, as in a hurried hand
            swell = cv2.resize(self.gen.standard_normal((1, max(3, w // rng.randint(18, 60))), dtype=np.float32), (w, 1), interpolation=cv2.INTER_CUBIC)
            my = base + (my - base) * np.exp(np.clip(swell * lazy, -0.5, 0.6))
        if bend > 0:
            n = max(3, w // 40)
            along = cv2.resize(self.gen.standard_normal((1, n), dtype=np.float32), (w, 1), interpolation=cv2.INTER_CUBIC)
            my = my + along * (1.6 * bend * rng.random() * scale)
            along = cv2.resize(self.gen.standard_normal((1, max(3, w // 25)), dtype=np.float32), (w, 1), interpolation=cv2.INTER_CUBIC)
            mx = mx + along * (4.0 * bend * rng.random() * scale)
            if rng.random() < 0.6:
                k = rng.uniform(0.2, 1.3) * bend * scale
                cell = rng.uniform(9, 22)
                mx = mx + self.smooth(H, w, cell, k); my = my + self.smooth(H, w, cell, k)
        return cv2.remap(a, np.ascontiguousarray(mx, np.float32), np.ascontiguousarray(my, np.float32), cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT if fill == 0.0 else cv2.BORDER_REPLICATE, borderValue=fill)

    def pen(self, ink, kind):
        """Change the stroke's weight and evenness: blur, then a soft threshold that wanders."""
        rng = self.rng
        h, w = ink.shape
        if rng.random() < (0.75 if kind == "hand" else 0.6):
            s = rng.uniform(0.5, 1.3)
            soft = cv2.GaussianBlur(ink, (0, 0), s)
            at = rng.uniform(0.18, 0.5) if kind == "hand" else rng.uniform(0.25, 0.5)
            if rng.random() < 0.5: at = at + self.smooth(h, w, rng.uniform(5, 30), rng.uniform(0.02, 0.10))
            ink = np.clip((soft - at) * rng.uniform(2.5, 6) + 0.5, 0, 1)
        if kind == "type" and rng.random() < 0.6:     # ribbon: worn and filled patches
            ink = ink * np.clip(1 + self.smooth(h, w, rng.uniform(3, 9), rng.uniform(0.1, 0.45)), 0.15, 1)
            if rng.random() < 0.4: ink = np.clip(ink * 1.5 - rng.uniform(0, 0.3) + 0.05 * cv2.GaussianBlur(ink, (0, 0), 1.5), 0, 1)
        if kind == "hand" and rng.random() < 0.3:     # pencil grain or a dry pen
            ink = ink * np.clip(1 + self.gen.standard_normal((h, w), dtype=np.float32) * rng.uniform(0.1, 0.5), 0.1, 1.0)
        if rng.random() < 0.4:                        # fading along the line
            ink = ink * np.clip(1 + self.smooth(h, w, rng.uniform(30, 120), rng.uniform(0.1, 0.35)), 0.25, 1)
        return ink

    def underline(self, ink):
        rng = self.rng
        h, w = ink.shape
        y = rng.uniform(0.78, 0.98) * h
        a, b = sorted((rng.uniform(-0.1, 0.6) * w, rng.uniform(0.5, 1.1) * w))
        cv2.line(ink, (int(a), int(y)), (int(b), int(y + rng.uniform(-3, 3))), rng.uniform(0.5, 1), rng.randint(1, 2), cv2.LINE_AA)

    def paper(self, ink, kind):
        """Lay ink (0..1) on paper; float image 0..255."""
        rng = self.rng
        h, w = ink.shape
        level = rng.uniform(120, 250)
        paper = np.full((h, w), level, np.float32)
        if rng.random() < 0.7: paper += self.smooth(h, w, rng.uniform(20, 90), rng.uniform(1, 12))
        if rng.random() < 0.5: paper += self.smooth(h, w, rng.uniform(1.5, 5), rng.uniform(0.5, 6))
        if rng.random() < 0.25: self.rules(paper, level)
        if rng.random() < 0.10: self.spots(paper, level)
        if rng.random() < 0.10: self.border(paper, level)
        depth = level * (rng.uniform(0.45, 0.95) if rng.random() < 0.75 else rng.uniform(0.12, 0.5))
        if rng.random() < 0.03:    # light writing on a dark ground
            return np.clip((255 - paper) + ink * depth, 0, 255)
        return np.clip(paper - ink * depth, 0, 255)

    def rules(self, paper, level):
        rng = self.rng
        h, w = paper.shape
        dark = level * rng.uniform(0.08, 0.45)
        y = rng.uniform(0, h); step = rng.uniform(0.55, 1.3) * h
        tilt = rng.uniform(-0.02, 0.02) * w
        while y > 0: y -= step
        layer = np.zeros_like(paper)
        while y < h + 5:
            cv2.line(layer, (0, int(y)), (w, int(y + tilt)), 1.0, rng.choice([1, 1, 2]), cv2.LINE_AA); y += step
        if rng.random() < 0.3:
            gap = rng.uniform(12, 300); x = rng.uniform(0, gap)
            while x < w:
                cv2.line(layer, (int(x), 0), (int(x + rng.uniform(-2, 2)), h), rng.uniform(0.4, 1.0), 1, cv2.LINE_AA); x += gap if rng.random() < 0.7 else w
        paper -= layer * dark

    def outline(self, image):
        """Blank what lies outside a hand-drawn outline of the line, as page transcribers cut lines."""
        rng = self.rng
        h, w = image.shape
        n = max(3, w // 50)
        cut = lambda: cv2.resize(np.abs(self.gen.standard_normal((1, n), dtype=np.float32)), (w, 1), interpolation=rng.choice([cv2.INTER_LINEAR, cv2.INTER_NEAREST]))
        ys = np.arange(h, dtype=np.float32)[:, None]
        k = rng.uniform(0.02, 0.09) * h
        outside = (ys < cut() * k) | (ys > h - 1 - cut() * k)
        image[outside] = 255 if rng.random() < 0.6 else float(np.percentile(image, 85))
        return image

    def spots(self, paper, level):
        rng = self.rng
        h, w = paper.shape
        layer = np.zeros_like(paper)
        for _ in range(rng.randint(1, 5)):
            c = (int(rng.uniform(0, w)), int(rng.uniform(0, h))); r = rng.uniform(1, 7)
            cv2.ellipse(layer, c, (max(1, int(r * rng.uniform(0.6, 2))), max(1, int(r))), rng.uniform(0, 180), 0, 360, rng.uniform(0.3, 1), -1, cv2.LINE_AA)
        if rng.random() < 0.4:     # a pin and its shadow
            x = rng.uniform(0, w); cv2.line(layer, (int(x), int(rng.uniform(0, h))), (int(x + rng.uniform(-60, 60)), rng.choice([0, h])), rng.uniform(0.3, 0.9), rng.randint(1, 4), cv2.LINE_AA)
        paper -= cv2.GaussianBlur(layer, (0, 0), rng.uniform(0.5, 2)) * level * rng.uniform(0.2, 0.8)

    def border(self, paper, level):
        """The label's edge or frame near one side of the crop."""
        rng = self.rng
        h, w = paper.shape
        dark = level * rng.uniform(0.2, 0.8)
        y = int(h * rng.uniform(0, 0.12)); y = y if rng.random() < 0.5 else h - 1 - y
        if rng.random() < 0.5: cv2.line(paper, (0, y), (w, y + rng.randint(-2, 2)), level - dark, rng.randint(1, 3))
        elif y < h / 2: paper[:y] = np.minimum(paper[:y], level - dark)
        else: paper[y:] = np.minimum(paper[y:], level - dark)
        if rng.random() < 0.4:
            x = int(rng.uniform(0, 10)); x = x if rng.random() < 0.5 else w - 1 - x
            cv2.line(paper, (x, 0), (x, h), level - dark, rng.randint(1, 3))

    def wear(self, image, small=0.35):
        """Camera and copy wear, `small` the share seen from farther away; uint8 out."""
        rng = self.rng
        h, w = image.shape
        if rng.random() < small:
            f = rng.uniform(0.3, 0.9)
            small = cv2.resize(image, (max(4, int(w * f)), max(8, int(h * f))), interpolation=cv2.INTER_AREA)
            image = cv2.resize(small, (w, h), interpolation=rng.choice([cv2.INTER_LINEAR, cv2.INTER_CUBIC]))
        if rng.random() < 0.45: image = cv2.GaussianBlur(image, (0, 0), rng.uniform(0.4, 1.0 if rng.random() < 0.7 else 1.9))
        if rng.random() < 0.08: image = cv2.blur(image, (rng.choice([3, 5]), 1) if rng.random() < 0.5 else (1, rng.choice([3, 5])))
        if rng.random() < 0.15: image = image + (image - cv2.GaussianBlur(image, (0, 0), 1.2)) * rng.uniform(0.3, 1.2)
        if rng.random() < 0.45: image = image + self.gen.standard_normal(image.shape, dtype=np.float32) * rng.uniform(1, 10)
        if rng.random() < 0.06:    # something lies over a part
            x, y = int(rng.uniform(0, w)), int(rng.uniform(0, h)); s = int(rng.uniform(3, 12))
            image[max(0, y - s):y + s, max(0, x - s):x + s] = rng.uniform(60, 240)
        image = np.clip(image, 0, 255).astype(np.uint8)
        if rng.random() < 0.2:
            ok, blob = cv2.imencode(".jpg", image, [cv2.IMWRITE_JPEG_QUALITY, rng.randint(25, 85)])
            image = cv2.imdecode(blob, cv2.IMREAD_GRAYSCALE)
        return image

    def real(self, image):
        """A real line (uint8, height 64), moved and worn."""
        rng = self.rng
        h, w = image.shape
        a = image.astype(np.float32)
        if rng.random() < 0.12:
            return image
        pad = rng.uniform(-0.07, 0.07) * h, rng.uniform(-0.05, 0.08) * h
        side = rng.uniform(-2, 10), rng.uniform(-2, 10)
        # Some lines far from how they were written: hands nobody trained on slant, hurry and crowd more.
        far = rng.random() < 0.4
        slant = rng.gauss(0.06, 0.32) if far else rng.gauss(0, 0.16)
        stretch = math.exp(rng.gauss(0.1, 0.32) if far else rng.gauss(0.0, 0.18))
        out = self.warp(a, -side[0], w + side[1], -pad[0], h + pad[1], slant, 1.0 if far else 0.8, stretch=stretch, fill=255.0, base=h * 0.65,
                        lazy=rng.uniform(0, 0.2 if far else 0.12) if rng.random() < 0.4 else 0.0)
        if out is None: return image
        if rng.random() < 0.3:     # weight of the stroke
            k = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2, 2) if rng.random() < 0.7 else (3, 3))
            out = cv2.erode(out, k) if rng.random() < 0.6 else cv2.dilate(out, k)
        m = float(out.mean())
        if rng.random() < 0.6: out = (out - m) * rng.uniform(0.5, 1.35) + m + rng.uniform(-30, 25)
        if rng.random() < 0.3: out = 255 * (np.clip(out, 0, 255) / 255) ** math.exp(rng.gauss(0, 0.35))
        if rng.random() < 0.08: self.rules(out, max(60.0, m))
        if rng.random() < 0.08: out = self.outline(out)
        return self.wear(out)
