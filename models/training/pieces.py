"""Sets English text from pieces of real hands.

The aligned training lines (align.py) are cut into letters and letter groups, always of one
hand (a writer, or a run of neighbouring lines). New words are set from the longest pieces the
hand has, on one baseline, at one slant. The ink is real; the words are new to the hand. Letters
a hand lacks (French has hardly a w or k) come from another hand, scaled to it.
"""

import collections, functools

import cv2
import numpy as np

from alphabet import fold_hand

H = 64
LONGEST = 7


class Setter:
    def __init__(self, path, lines, rng, gen):
        z = dict(np.load(path))
        self.lines, self.rng, self.gen = lines, rng, gen
        at = np.concatenate([[0], np.cumsum(z["lengths"])])
        self.spans = {}
        groups = collections.defaultdict(list)
        for k, i in enumerate(z["lines"].tolist()):
            self.spans[i] = (z["starts"][at[k]:at[k + 1]].astype(np.float32), z["ends"][at[k]:at[k + 1]].astype(np.float32))
            _, source, _, writer, _ = lines.meta[i]
            groups[(source, writer)].append(i)
        self.hands = []
        for members in groups.values():
            members.sort()
            size = 45
            for k in range(0, len(members), size):
                part = members[k:k + size] if len(members) - k >= 15 else members[-size:]
                if sum(len(lines.meta[i][4]) for i in part) > 250: self.hands.append(part)
        self.rare = collections.defaultdict(list)
        for hand in self.hands:
            for i in hand:
                for k, c in enumerate(fold_hand(lines.meta[i][4])):
                    if c != " " and len(self.rare[c]) < 400: self.rare[c].append((i, k, k + 1))
        self.line_cache, self.gram_cache = {}, {}
        self.active = [rng.randrange(len(self.hands)) for _ in range(12)]   # few hands at a time keep the cache warm

    def grams(self, h):
        """Letter group -> places (line, from, to) in hand `h`."""
        if h not in self.gram_cache:
            table = collections.defaultdict(list)
            for i in self.hands[h]:
                text = fold_hand(self.lines.meta[i][4])
                for a in range(len(text)):
                    for n in range(1, LONGEST + 1):
                        g = text[a:a + n]
                        if len(g) < n or " " in g: break
                        table[g].append((i, a, a + n))
            if len(self.gram_cache) > 40: self.gram_cache.clear()
            self.gram_cache[h] = table
        return self.gram_cache[h]

    def prepared(self, i):
        """Upright ink of line i, its letter cuts, baseline, height of small letters, slant, paper level."""
        if i in self.line_cache: return self.line_cache[i]
        image = self.lines.image(i).astype(np.float32)
        h, w = image.shape
        ground = cv2.GaussianBlur(cv2.dilate(cv2.GaussianBlur(image, (0, 0), 1), np.ones((13, 13), np.uint8)), (0, 0), 8)
        ink = np.clip((ground - image) / np.maximum(ground, 30), 0, 1)
        strong = np.percentile(ink, 98)
        ink = np.clip((ink - 0.06) / max(0.15, strong - 0.06), 0, 1.15)
        best, slant = -1, 0.0
        small = cv2.resize(ink, (w // 2 + 1, h // 2), interpolation=cv2.INTER_AREA)
        sh, sw = small.shape
        for s in np.arange(-0.2, 0.95, 0.12):
            m = np.float32([[1, s, -s * sh * 0.65], [0, 1, 0]])
            p = cv2.warpAffine(small, m, (sw, sh)).sum(0)
            v = float((np.diff(p) ** 2).sum())
            if v > best: best, slant = v, float(s)
        base0 = h * 0.65
        ink = cv2.warpAffine(ink, np.float32([[1, slant, -slant * base0], [0, 1, 0]]), (w, h))
        rows = cv2.GaussianBlur(ink.sum(1)[:, None], (1, 7), 0).ravel()
        core = np.flatnonzero(rows > 0.55 * rows.max())
        top, base = float(core[0]), float(core[-1])
        s, e = self.spans[i]
        s, e = s * (4 * h / 48), (e + 1) * (4 * h / 48)
        cuts = np.concatenate([[max(0, s[0] - 14)], (e[:-1] + s[1:]) / 2, [min(w, e[-1] + 14)]])
        columns = cv2.GaussianBlur(ink.sum(0)[None], (5, 1), 0).ravel()
        for k in range(1, len(cuts) - 1):     # move each cut to the thinnest column near it
            room = max(1.0, min(6.0, (cuts[k + 1] - cuts[k]) * 0.35, (cuts[k] - cuts[k - 1]) * 0.35))
            a, b = int(max(0, cuts[k] - room)), int(min(w, cuts[k] + room + 1))
            if b > a + 1: cuts[k] = a + int(np.argmin(columns[a:b]))
        out = (ink, cuts, base, max(5.0, base - top), slant, float(np.median(ground)))
        if len(self.line_cache) > 2500: self.line_cache.clear()
        self.line_cache[i] = out
        return out

    def split(self, word, table):
        """Pieces of `word` the hand has, long ones first choice."""
        rng, out, k = self.rng, [], 0
        while k < len(word):
            for n in range(min(LONGEST, len(word) - k), 0, -1):
                places = table.get(word[k:k + n])
                if places and (n <= 2 or rng.random() < 0.75):
                    out.append(rng.choice(places)); k += n
                    break
            else:
                places = self.rare.get(word[k])
                if not places: return None
                out.append(rng.choice(places)); k += 1
        return out

    def line(self, text):
        """Grey image (uint8, height 64) of `text` in a hand drawn at random, or None."""
        rng = self.rng
        if rng.random() < 1 / 100: self.active[rng.randrange(len(self.active))] = rng.randrange(len(self.hands))
        h = rng.choice(self.active)
        table = self.grams(h)
        words = [self.split(w, table) for w in text.split(" ")]
        if any(w is None for w in words): return None
        first = self.prepared(words[0][0][0])
        core, base = min(26.0, max(9.0, first[3])), 42.0
        if core > 20: base = 44.0
        space = core * rng.uniform(0.7, 1.9)
        room = int(sum(40 * (b - a) for w in words for _, a, b in w) + (space + 30) * len(words) + 200)
        canvas = np.zeros((H, min(room, 4000)), np.float32)
        x = rng.uniform(4, 14)
        jitter = rng.uniform(0, 1.2)
        tight = rng.uniform(-1.5, 1.5)
        for n, word in enumerate(words):
            if n: x += space * rng.uniform(0.7, 1.5)
            drift = rng.gauss(0, jitter)
            for i, a, b in word:
                ink, cuts, pbase, pcore, _, _ = self.prepared(i)
                left, right = int(round(cuts[a])), int(round(cuts[b]))
                if right - left < 2: continue
                scale = min(1.6, max(0.6, core / pcore))
                advance = (right - left) * scale
                left, right = max(0, left - 2), min(ink.shape[1], right + 2)
                piece = ink[:, left:right].copy()
                piece[:, :1] *= 0.4; piece[:, -1:] *= 0.4
                width = max(2, int(round((right - left) * scale)))
                y = base - pbase * scale + drift + rng.gauss(0, jitter * 0.4)
                m = np.float32([[width / (right - left), 0, 0], [0, scale, y]])
                piece = cv2.warpAffine(piece, m, (width, H), flags=cv2.INTER_LINEAR)
                at = max(0, int(round(x - 2 * scale)))
                if at + width >= canvas.shape[1]: return None
                canvas[:, at:at + width] = np.maximum(canvas[:, at:at + width], piece)
                x += advance + tight
        w = int(x + rng.uniform(4, 14))
        if w >= canvas.shape[1] or w < 8: return None
        slant = first[4] + rng.gauss(0, 0.12)
        canvas = cv2.warpAffine(canvas[:, :w], np.float32([[1, -slant, slant * base + max(0, slant) * 6], [0, 1, 0]]), (w + int(abs(slant) * 18), H))
        level = first[5] if rng.random() < 0.7 else rng.uniform(170, 255)
        ground = level + self.gen.standard_normal(canvas.shape, dtype=np.float32) * rng.uniform(0, 4)
        return np.clip(ground * (1 - canvas * rng.uniform(0.5, 0.95)), 0, 255).astype(np.uint8)
