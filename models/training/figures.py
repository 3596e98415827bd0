"""Draws dates and numbers with real handwritten digits, Roman numerals drawn by strokes between them.

What font makers draw is no guide to hurried figures; these are figures of many hands (pack_digits.py).
"""

import cv2
import numpy as np

DRAWN = set("0123456789IVXivx-.,/' ")


class Figures:
    """`rng` is a random.Random; `path` a file of pack_digits.py."""

    def __init__(self, path, rng):
        z = np.load(path)
        self.rng, self.blob, self.sizes = rng, z["blob"], z["sizes"].astype(int)
        self.at = np.concatenate([[0], np.cumsum(self.sizes.prod(1))])
        self.of = [np.flatnonzero(z["digits"] == d) for d in range(10)]

    def digit(self, d):
        i = int(self.rng.choice(self.of[d]))
        return self.blob[self.at[i]:self.at[i + 1]].reshape(self.sizes[i]).astype(np.float32) / 255

    @staticmethod
    def can(text):
        return any(c.isdigit() for c in text) and all(c in DRAWN for c in text)

    def ink(self, text):
        """As `Renderer.ink` gives it: coverage, baseline, size and no font."""
        rng = self.rng
        size = rng.randint(34, 46)
        h, base = int(size * 2.6), int(size * 1.65)
        tall = size * rng.uniform(0.6, 0.82)
        wide, pen = rng.uniform(0.85, 1.25), max(1, round(tall * rng.uniform(0.06, 0.13)))
        gap = tall * rng.uniform(-0.04, 0.22)
        bars = rng.random() < 0.6          # numerals with bars above and below
        out = np.zeros((h, int((len(text) + 2) * tall * 1.4) + 60), np.float32)
        x, jit = float(size) * 0.5, lambda s: rng.gauss(0, s * tall)

        def line(a, b):
            cv2.line(out, (int(a[0]), int(a[1])), (int(b[0]), int(b[1])), 1.0, pen, cv2.LINE_AA)

        for c in text:
            y = base + jit(0.04)
            if c.isdigit():
                g = self.digit(int(c))
                k = tall * rng.uniform(0.88, 1.1) / g.shape[0]
                w, hh = max(3, int(g.shape[1] * k * wide)), max(6, int(tall * rng.uniform(0.95, 1.05)))
                g = cv2.resize(g, (w, hh), interpolation=cv2.INTER_CUBIC).clip(0, 1)
                top, left = int(y - hh), int(x)
                if left + w >= out.shape[1] or top < 0: return None
                out[top:top + hh, left:left + w] = np.maximum(out[top:top + hh, left:left + w], g)
                x += w + gap
            elif c in "IVXivx":
                up = tall * (0.72 if c.islower() else 0.98) * rng.uniform(0.92, 1.06)
                w = up * {"i": 0.1, "v": rng.uniform(0.45, 0.7), "x": rng.uniform(0.45, 0.7)}[c.lower()]
                lean = jit(0.03)
                if c in "iI": line((x + lean, y - up), (x, y))
                if c in "vV": line((x, y - up), (x + w / 2 + lean, y)); line((x + w / 2 + lean, y), (x + w, y - up + jit(0.03)))
                if c in "xX": line((x, y - up), (x + w, y)); line((x + w, y - up), (x + lean, y))
                if c == "i" and rng.random() < 0.8: cv2.circle(out, (int(x + lean), int(y - up - tall * 0.18)), max(1, pen // 2 + 1), 1.0, -1, cv2.LINE_AA)
                if c.isupper() and bars:
                    over = tall * rng.uniform(0.08, 0.2)
                    for yy in (y - up, y): line((x - over, yy + jit(0.01)), (x + w + over, yy + jit(0.01)))
                x += w + tall * rng.uniform(0.14, 0.3)
            elif c == "-":
                w = tall * rng.uniform(0.2, 0.5); m = y - tall * rng.uniform(0.3, 0.5)
                line((x + gap, m), (x + gap + w, m + jit(0.04))); x += w + 2 * gap + tall * 0.1
            elif c in ".,":
                cv2.circle(out, (int(x), int(y - pen / 2)), max(1, pen // 2 + rng.randint(0, 1)), 1.0, -1, cv2.LINE_AA)
                if c == ",": line((x, y), (x - tall * 0.08, y + tall * 0.16))
                x += tall * rng.uniform(0.12, 0.35)
            elif c == "'":
                line((x + tall * 0.06, y - tall * 1.02), (x + jit(0.03), y - tall * rng.uniform(0.72, 0.85))); x += tall * rng.uniform(0.1, 0.25)
            elif c == "/":
                line((x + tall * 0.35, y - tall * 1.05), (x, y + tall * 0.1)); x += tall * 0.45 + gap
            else:
                x += tall * rng.uniform(0.3, 0.9)
            if x + tall * 1.5 >= out.shape[1]: return None
        a = out[:, :int(x + size * 0.6)]
        return (a, base, size, None) if a.max() > 0.2 else None
