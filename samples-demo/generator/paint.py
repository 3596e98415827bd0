"""Paints papers, handwriting, moths, pins and light as arrays.

Pictures are float arrays, height x width x 3, red green blue, 0 to 1; masks are
height x width, 0 to 1. Every function takes the random generator it draws from,
so that a seed gives the same picture again.
"""

import pathlib

import cv2
import numpy as np
from PIL import Image, ImageDraw, ImageFont

FONTS = pathlib.Path(__file__).parent / "node_modules" / "@fontsource"


def soft(picture, sigma):
    """A Gaussian blur; a wide one works on a smaller copy, which looks the same."""
    k = int(sigma / 4)
    if k < 2:
        return cv2.GaussianBlur(picture, (0, 0), sigma)
    h, w = picture.shape[:2]
    small = cv2.resize(picture, (max(1, w // k), max(1, h // k)), interpolation=cv2.INTER_AREA)
    return cv2.resize(cv2.GaussianBlur(small, (0, 0), sigma / k), (w, h), interpolation=cv2.INTER_LINEAR)


# ---------------------------------------------------------------- textures

def clouds(h, w, rng, cell, octaves=4, stretch=(1.0, 1.0)):
    """Smooth noise, about -1 to 1; `cell` is the size of the largest patches."""
    out = np.zeros((h, w), np.float32)
    weight, total = 1.0, 0.0
    for o in range(octaves):
        gh = max(2, int(h / (cell * stretch[1]) * 2**o) + 2)
        gw = max(2, int(w / (cell * stretch[0]) * 2**o) + 2)
        grid = rng.normal(0, 1, (min(gh, h), min(gw, w))).astype(np.float32)
        out += weight * cv2.resize(grid, (w, h), interpolation=cv2.INTER_CUBIC if o == 0 else cv2.INTER_LINEAR)
        total += weight
        weight *= 0.5
    return out / (total * 0.9)


def grain(h, w, rng, blur=0.8):
    """Fine noise, about -1 to 1."""
    return cv2.GaussianBlur(rng.normal(0, 1, (h, w)).astype(np.float32), (0, 0), blur) * (1 + 2 * blur)


def paper(h, w, rng, colour=(0.95, 0.93, 0.87), rough=0.012, mottle=0.018, fibres=40, spots=0):
    """A sheet of paper: mottled, with fibres and, when old, brown spots."""
    base = np.ones((h, w, 3), np.float32) * np.array(colour, np.float32)
    shade = clouds(h, w, rng, max(h, w) / 3) * mottle + grain(h, w, rng) * rough
    base += shade[..., None] * np.array([1.0, 1.0, 1.08], np.float32)
    lines = np.zeros((h, w), np.float32)
    for _ in range(fibres):
        x, y = rng.uniform(0, w), rng.uniform(0, h)
        a, n = rng.uniform(0, 2 * np.pi), int(rng.integers(4, 10))
        pts = [(x, y)]
        for _ in range(n):
            a += rng.normal(0, 0.5)
            pts.append((pts[-1][0] + 4 * np.cos(a), pts[-1][1] + 4 * np.sin(a)))
        cv2.polylines(lines, [np.int32(pts)], False, float(rng.uniform(0.2, 0.7)), 1, cv2.LINE_AA)
    base -= cv2.GaussianBlur(lines, (0, 0), 0.7)[..., None] * np.array([0.05, 0.06, 0.08], np.float32)
    for _ in range(spots):
        x, y, r = rng.uniform(0, w), rng.uniform(0, h), rng.uniform(2, 9)
        d = np.zeros((61, 61), np.float32)
        cv2.circle(d, (30, 30), int(r), 1.0, -1, cv2.LINE_AA)
        d = cv2.GaussianBlur(d, (0, 0), r * 0.6) * rng.uniform(0.1, 0.35)
        left, top = max(0, int(x) - 30), max(0, int(y) - 30)
        part = base[top : int(y) + 31, left : int(x) + 31]
        d = d[top - int(y) + 30 :, left - int(x) + 30 :][: part.shape[0], : part.shape[1]]
        part -= d[..., None] * np.array([0.15, 0.3, 0.45], np.float32)
    # Paper browns from its edges.
    edge = np.minimum.outer(np.minimum(np.arange(h), np.arange(h)[::-1]), np.full(w, 10**6))
    edge = np.minimum(edge, np.minimum(np.arange(w), np.arange(w)[::-1])[None, :])
    base -= (np.exp(-edge / 14.0) * 0.05)[..., None] * np.array([0.6, 0.9, 1.3], np.float32)
    return np.clip(base, 0, 1)


def background(kind, h, w, rng):
    """What the things lie on."""
    if kind == "foam":  # white plastazote, with old pin holes
        base = np.full((h, w, 3), (0.90, 0.895, 0.875), np.float32)
        base += (clouds(h, w, rng, 700) * 0.02 + clouds(h, w, rng, 9, 2) * 0.012 + grain(h, w, rng, 1.1) * 0.008)[..., None]
        holes = np.zeros((h, w), np.float32)
        for _ in range(90):
            cv2.circle(holes, (int(rng.uniform(0, w)), int(rng.uniform(0, h))), int(rng.integers(1, 4)), float(rng.uniform(0.2, 0.7)), -1, cv2.LINE_AA)
        return np.clip(base - cv2.GaussianBlur(holes, (0, 0), 1.2)[..., None] * 0.35, 0, 1)
    if kind == "cork":
        base = np.full((h, w, 3), (0.70, 0.53, 0.36), np.float32)
        spots = clouds(h, w, rng, 34, 3)
        base += (spots * 0.07 + clouds(h, w, rng, 400) * 0.03 + grain(h, w, rng) * 0.02)[..., None]
        base -= (np.clip(clouds(h, w, rng, 22, 2) - 0.75, 0, 1) * 0.45)[..., None]
        return np.clip(base, 0, 1)
    if kind == "wood":
        rings = clouds(h, w, rng, 60, 4, (14.0, 1.0))
        long = clouds(h, w, rng, 9, 2, (40.0, 1.0))
        tone = 0.5 + 0.22 * np.sin(rings * 7) * 0.5 + long * 0.07
        dark, light = np.array((0.36, 0.22, 0.13), np.float32), np.array((0.66, 0.46, 0.30), np.float32)
        return np.clip(dark + (light - dark) * np.clip(tone, 0, 1)[..., None] + grain(h, w, rng)[..., None] * 0.01, 0, 1)
    if kind == "cloth":  # black cloth
        y, x = np.mgrid[0:h, 0:w].astype(np.float32)
        weave = np.sin(x * 1.9) * np.sin(y * 1.9)
        base = np.full((h, w, 3), (0.085, 0.085, 0.10), np.float32)
        return np.clip(base + (weave * 0.012 + clouds(h, w, rng, 500) * 0.02 + grain(h, w, rng) * 0.012)[..., None], 0, 1)
    if kind == "mat":  # a green cutting mat
        base = np.full((h, w, 3), (0.13, 0.33, 0.30), np.float32) + (clouds(h, w, rng, 500) * 0.015 + grain(h, w, rng) * 0.01)[..., None]
        lines = np.zeros((h, w), np.float32)
        step = 118
        for i in range(0, max(h, w), step):
            cv2.line(lines, (i, 0), (i, h), 0.5, 1, cv2.LINE_AA)
            cv2.line(lines, (0, i), (w, i), 0.5, 1, cv2.LINE_AA)
        return np.clip(base + lines[..., None] * np.array((0.3, 0.32, 0.15), np.float32), 0, 1)
    if kind == "card":
        return paper(h, w, rng, (0.78, 0.79, 0.80), 0.010, 0.02, 0)
    if kind == "drawer":  # paper-lined drawer
        return paper(h, w, rng, (0.955, 0.95, 0.93), 0.006, 0.012, 0)
    raise ValueError(kind)


# ---------------------------------------------------------------- writing

def face(name, size):
    weight = "400"
    if ":" in name:
        name, weight = name.split(":")
    style = "normal"
    if weight.endswith("i"):
        weight, style = weight[:-1], "italic"
    path = FONTS / name / "files" / f"{name}-latin-{weight}-{style}.woff"
    return ImageFont.truetype(str(path), int(size))


def sign(draw, char, x, base, size, width):
    """Draws a sex sign (no handwriting face has them); returns its advance."""
    r = size * 0.19
    cx, cy = x + r * 1.5, base - size * 0.36
    if char == "♂":
        draw.ellipse([cx - r, cy - r + size * 0.08, cx + r, cy + r + size * 0.08], outline=255, width=width)
        a = (cx + r * 0.7, cy - r * 0.7 + size * 0.08)
        b = (cx + r * 1.75, cy - r * 1.75 + size * 0.08)
        draw.line([a, b], fill=255, width=width)
        draw.line([(b[0] - r * 0.9, b[1]), b, (b[0], b[1] + r * 0.9)], fill=255, width=width, joint="curve")
        return r * 3.9
    draw.ellipse([cx - r, cy - r * 1.3, cx + r, cy + r * 0.7], outline=255, width=width)
    draw.line([(cx, cy + r * 0.7), (cx, cy + r * 2.1)], fill=255, width=width)
    draw.line([(cx - r * 0.8, cy + r * 1.4), (cx + r * 0.8, cy + r * 1.4)], fill=255, width=width)
    return r * 3.3


def advance(text, font, size):
    return sum(size * 0.7 if c in "♂♀" else font.getlength(c) for c in text)


def write(lines, font_name, size, rng, hand=True, leading=1.25, align="left", width=None, wobble=1.0, stroke=0):
    """Writes `lines`; gives the ink as a mask around them.

    A hand wanders off the line and never makes the same letter twice (words are
    set one by one, then the whole is bent); a typewriter strikes its letters
    unevenly; print stands still.
    """
    font = face(font_name, size)
    typed = font_name.split(":")[0] in ("special-elite", "courier-prime", "cutive-mono")
    widths = [advance(line, font, size) for line in lines]
    pad = int(size * 0.7)
    w = int((width or max(widths)) + 2 * pad + (size * 0.8 if hand else 0))
    h = int(size * leading * len(lines) + 2 * pad + size * 0.3)
    canvas = Image.new("L", (w, h), 0)
    draw = ImageDraw.Draw(canvas)
    pen = max(2, int(size * 0.055))
    for i, line in enumerate(lines):
        x = pad + (0 if align == "left" else (w - 2 * pad - widths[i]) / (2 if align == "centre" else 1))
        base = pad + size * (i * leading + 1.0)
        drift = rng.normal(0, 0.006) * wobble if hand else 0.0
        if hand:
            x += rng.normal(0, size * 0.06)
        start = x
        word = ""
        # Hands are set word by word, machines letter by letter.
        units = []
        for c in line:
            if c in "♂♀" or (typed and not hand):
                if word:
                    units.append(word)
                    word = ""
                units.append(c)
            else:
                word += c
                if c == " ":
                    units.append(word)
                    word = ""
        if word:
            units.append(word)
        for unit in units:
            y = base + (x - start) * drift
            if hand:
                y += rng.normal(0, size * 0.018) * wobble
            elif typed:
                y += rng.normal(0, size * 0.012)
            if unit in ("♂", "♀"):
                x += sign(draw, unit, x, y, size, pen)
                continue
            fill = 255 if not typed or hand else int(np.clip(rng.normal(232, 22), 150, 255))
            draw.text((x, y), unit, font=font, fill=fill, anchor="ls", stroke_width=stroke)
            x += font.getlength(unit)
    ink = np.asarray(canvas, np.float32) / 255
    if hand:
        # Bent by a smooth field, so that no two letters are the same.
        dx = clouds(h, w, rng, size * 1.3, 2) * size * 0.022 * wobble
        dy = clouds(h, w, rng, size * 1.6, 2) * size * 0.026 * wobble
        y, x = np.mgrid[0:h, 0:w].astype(np.float32)
        ink = cv2.remap(ink, x + dx, y + dy, cv2.INTER_LINEAR)
    return ink


INKS = {
    "black": ((0.09, 0.09, 0.11), 0.95),
    "blueblack": ((0.10, 0.13, 0.28), 0.92),
    "blue": ((0.12, 0.20, 0.52), 0.9),
    "brown": ((0.30, 0.19, 0.11), 0.85),
    "pencil": ((0.30, 0.30, 0.32), 0.78),
    "print": ((0.10, 0.10, 0.10), 0.93),
    "ribbon": ((0.13, 0.12, 0.14), 0.9),
    "red": ((0.62, 0.12, 0.12), 0.85),
}


def lay_ink(sheet, ink, at, name, rng):
    """Puts ink on paper with its top left corner at `at` (x, y)."""
    colour, strength = INKS[name]
    h, w = sheet.shape[:2]
    mask = np.zeros((h, w), np.float32)
    x, y = int(at[0]), int(at[1])
    sx, sy = max(0, -x), max(0, -y)
    part = ink[sy : sy + h - max(y, 0), sx : sx + w - max(x, 0)]
    mask[max(y, 0) : max(y, 0) + part.shape[0], max(x, 0) : max(x, 0) + part.shape[1]] = part
    if name == "pencil":
        tooth = 0.62 + 0.55 * grain(h, w, rng, 0.7) * 0.5 + 0.15 * clouds(h, w, rng, 60, 2)
        mask = mask * np.clip(tooth, 0.15, 1)
    elif name in ("print", "ribbon"):
        mask = np.clip(cv2.GaussianBlur(mask, (0, 0), 0.8) * (1.12 + 0.16 * clouds(h, w, rng, 30, 3)), 0, 1)
    else:
        # Ink runs a little into the fibres and pools where the pen slowed.
        mask = np.clip(cv2.GaussianBlur(mask, (0, 0), 0.9) * (1.15 + 0.22 * clouds(h, w, rng, 50, 3)), 0, 1)
    a = (mask * strength)[..., None]
    sheet[:] = sheet * (1 - a) + np.array(colour, np.float32) * a
    return sheet


# ---------------------------------------------------------------- moths

PALETTES = {
    "noctua": dict(fore=(0.42, 0.30, 0.20), hind=(0.83, 0.60, 0.20), dark=(0.16, 0.11, 0.08), bar=True),
    "heath": dict(fore=(0.47, 0.40, 0.36), hind=(0.70, 0.64, 0.56), dark=(0.20, 0.16, 0.15), bar=False),
    "carpet": dict(fore=(0.60, 0.58, 0.55), hind=(0.74, 0.72, 0.68), dark=(0.25, 0.25, 0.26), bar=False),
    "eggar": dict(fore=(0.40, 0.22, 0.12), hind=(0.42, 0.24, 0.13), dark=(0.72, 0.55, 0.26), bar=False),
    "peppered": dict(fore=(0.80, 0.79, 0.75), hind=(0.82, 0.80, 0.76), dark=(0.15, 0.15, 0.15), bar=False),
    "emperor": dict(fore=(0.60, 0.53, 0.50), hind=(0.78, 0.60, 0.35), dark=(0.28, 0.20, 0.20), bar=False),
}


def curve(points, n=60):
    """A closed smooth line through `points` (Catmull-Rom)."""
    p = np.array(points, np.float32)
    out = []
    for i in range(len(p)):
        a, b, c, d = p[i - 1], p[i], p[(i + 1) % len(p)], p[(i + 2) % len(p)]
        for t in np.linspace(0, 1, n, endpoint=False):
            out.append(0.5 * ((2 * b) + (c - a) * t + (2 * a - 5 * b + 4 * c - d) * t**2 + (3 * b - a - 3 * c + d) * t**3))
    return np.array(out)


def wing(size, outline, root, tip, colour, dark, rng, bands, spots):
    """One wing: its outline filled with scales, cross lines and spots."""
    mask = np.zeros((size, size), np.float32)
    cv2.fillPoly(mask, [np.int32(curve(outline) * size * 16)], 1.0, cv2.LINE_AA, 4)
    y, x = np.mgrid[0:size, 0:size].astype(np.float32) / size
    axis = np.array(tip) - np.array(root)
    length = np.hypot(*axis)
    u = ((x - root[0]) * axis[0] + (y - root[1]) * axis[1]) / length**2
    v = ((x - root[0]) * -axis[1] + (y - root[1]) * axis[0]) / length**2
    r = np.hypot(u, v * 0.8)
    tone = clouds(size, size, rng, size / 10, 3) * 0.10 + grain(size, size, rng, 0.9) * 0.06
    line = np.zeros_like(mask)
    for at, thick, weight in bands:
        d = r - at - 0.012 * np.sin(v * 46 + at * 30) - 0.02 * np.sin(v * 9 + at * 11)
        line += np.exp(-((d / thick) ** 2)) * weight
    for su, sv, sr, weight in spots:
        d = np.hypot((u - su), (v - sv) * 1.5) / sr
        line += np.exp(-(((d - 1) / 0.35) ** 2)) * weight
    # Veins run out from the root.
    angle = np.arctan2(v, u + 1e-3)
    line += (np.abs(np.sin(angle * 11)) < 0.07) * 0.10 * (r > 0.2)
    colour, dark = np.array(colour, np.float32), np.array(dark, np.float32)
    rgb = colour * (1 + tone[..., None]) * (1.03 - 0.18 * np.clip(r, 0, 1.2))[..., None]
    line = np.clip(line, 0, 1)[..., None]
    return np.clip(rgb * (1 - line) + dark * line, 0, 1), mask


def moth(size, kind, rng):
    """A set moth from above, with see-through surroundings: (rgb, mask)."""
    p = PALETTES[kind]
    half = size // 2
    fore_line = [(0.06, 0.40), (0.40, 0.22), (0.86, 0.075), (0.97, 0.12), (0.93, 0.30), (0.80, 0.47), (0.45, 0.50), (0.10, 0.48)]
    hind_line = [(0.06, 0.46), (0.35, 0.42), (0.66, 0.46), (0.74, 0.58), (0.66, 0.74), (0.45, 0.80), (0.24, 0.74), (0.10, 0.58)]
    jitter = lambda line: [(x + rng.normal(0, 0.006), y + rng.normal(0, 0.006)) for x, y in line]
    hind, hmask = wing(half, jitter(hind_line), (0.08, 0.48), (0.66, 0.68), p["hind"], p["dark"], rng,
                       [(0.83, 0.05, 0.75)] if p["bar"] else [(0.55, 0.03, 0.25), (0.95, 0.05, 0.35)], [])
    bands = [(0.20, 0.012, 0.55), (0.42, 0.02, 0.3), (0.66, 0.014, 0.6), (0.86, 0.02, 0.35), (0.99, 0.02, 0.5)]
    spots = [(0.36, 0.0, 0.035, 0.6), (0.54, -0.02, 0.05, 0.75)]
    fore, fmask = wing(half, jitter(fore_line), (0.08, 0.45), (0.93, 0.18), p["fore"], p["dark"], rng, bands, spots)
    rgb = np.zeros((half, half, 3), np.float32)
    mask = np.zeros((half, half), np.float32)
    for colour, m in ((hind, hmask), (fore, fmask)):
        shade = np.clip(cv2.GaussianBlur(m, (0, 0), half * 0.012) - m, 0, 1)[..., None] * 0.5
        rgb = rgb * (1 - shade)
        rgb = rgb * (1 - m[..., None]) + colour * m[..., None]
        mask = np.maximum(mask, m)
    rgb = np.concatenate([rgb[:, ::-1], rgb], 1)
    mask = np.concatenate([mask[:, ::-1], mask], 1)
    h, w = mask.shape
    # The body: furry thorax and ringed abdomen.
    y, x = np.mgrid[0:h, 0:w].astype(np.float32)
    fur = clouds(h, w, rng, 7, 2)
    def oval(cy, ry, rx, ring=0.0):
        d = np.hypot((x - w / 2) / (rx * h), (y - cy * h) / (ry * h)) + fur * 0.035
        m = np.clip((1.0 - d) * rx * h * 0.22, 0, 1)
        light = np.clip(1.15 - 0.5 * np.abs((x - w * 0.488) / (rx * h)), 0.3, 1.2) + fur * 0.12
        if ring:
            light *= 1 - 0.22 * (np.sin(y / h * 95) > 0.55)
        return m, light
    body = np.array(p["fore"], np.float32) * 0.8
    for cy, ry, rx, ring in ((0.66, 0.20, 0.058, 1), (0.43, 0.10, 0.082, 0), (0.325, 0.040, 0.045, 0)):
        m, light = oval(cy, ry, rx, ring)
        rgb = rgb * (1 - m[..., None]) + np.clip(body * light[..., None], 0, 1) * m[..., None]
        mask = np.maximum(mask, m)
    feelers = np.zeros((h, w), np.float32)
    for s in (-1, 1):
        t = np.linspace(0, 1, 40)
        px = w / 2 + s * h * (0.02 + 0.17 * t + 0.03 * t**2)
        py = h * (0.31 - 0.20 * t + 0.06 * t**2)
        cv2.polylines(feelers, [np.int32(np.stack([px, py], 1) * 16)], False, 0.9, max(1, int(h * 0.006)), cv2.LINE_AA, 4)
    dark = np.array(p["fore"], np.float32) * 0.5
    rgb = rgb * (1 - feelers[..., None]) + dark * feelers[..., None]
    return np.clip(rgb, 0, 1), np.maximum(mask, feelers)


def resting(size, kind, rng):
    """A papered moth: wings folded over its back, seen from the side."""
    p = PALETTES[kind]
    line = [(0.10, 0.62), (0.30, 0.28), (0.62, 0.16), (0.90, 0.34), (0.88, 0.52), (0.62, 0.72), (0.30, 0.70)]
    rgb, mask = wing(size, line, (0.14, 0.62), (0.90, 0.38), p["fore"], p["dark"], rng,
                     [(0.22, 0.015, 0.5), (0.5, 0.02, 0.3), (0.70, 0.016, 0.6), (0.92, 0.03, 0.4)], [(0.45, -0.05, 0.05, 0.6)])
    body = np.zeros((size, size), np.float32)
    cv2.ellipse(body, (int(size * 0.30), int(size * 0.68)), (int(size * 0.26), int(size * 0.055)), 4, 0, 360, 1.0, -1, cv2.LINE_AA)
    cv2.circle(body, (int(size * 0.09), int(size * 0.64)), int(size * 0.045), 1.0, -1, cv2.LINE_AA)
    b = cv2.GaussianBlur(body, (0, 0), 1.5)[..., None]
    rgb = rgb * (1 - b) + np.array(p["fore"], np.float32) * 0.6 * b
    return rgb, np.maximum(mask, b[..., 0])


# ---------------------------------------------------------------- the scene

class Scene:
    """A table top seen from above, `scale` times finer than the photograph."""

    scale = 1.5

    def __init__(self, kind, rng, size=(1600, 1200)):
        self.rng = rng
        self.size = size
        self.w, self.h = int(size[0] * self.scale), int(size[1] * self.scale)
        self.pixels = background(kind, self.h, self.w, rng)
        # Where the light comes from, as the direction in which shadows fall.
        angle = rng.uniform(0.2, 1.2)
        self.fall = np.array([np.cos(angle), np.sin(angle)])

    def lay(self, rgb, mask, quad, lift=5.0, shade=0.45, cover=1.0):
        """Lays a flat thing so that its corners come to `quad` (photograph
        pixels: top left, top right, bottom right, bottom left); `lift` is its
        height over the table, which softens and moves its shadow."""
        h, w = mask.shape
        # Only the part of the table that it and its shadow touch is worked on.
        target = np.float32(quad) * self.scale
        reach = int(12 + lift * 5)
        left, top = np.maximum(np.floor(target.min(0)).astype(int) - reach, 0)
        right, bottom = np.minimum(np.ceil(target.max(0)).astype(int) + reach, (self.w, self.h))
        box = (int(right - left), int(bottom - top))
        part = self.pixels[top:bottom, left:right]
        m = cv2.getPerspectiveTransform(np.float32([(0, 0), (w, 0), (w, h), (0, h)]), target - np.float32([left, top]))
        shrink = w / max(1.0, float(np.linalg.norm(target[1] - target[0])))
        if shrink > 1.3:  # bilinear sampling alone would skip pixels
            rgb = cv2.GaussianBlur(rgb, (0, 0), 0.35 * shrink)
            mask = cv2.GaussianBlur(mask, (0, 0), 0.35 * shrink)
        rgb = cv2.warpPerspective(rgb, m, box, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        mask = np.clip(cv2.warpPerspective(mask, m, box, flags=cv2.INTER_LINEAR), 0, 1)
        if shade:
            move = np.float32([[1, 0, self.fall[0] * lift * 1.2], [0, 1, self.fall[1] * lift * 1.2]])
            shadow = soft(cv2.warpAffine(mask, move, box), 1.0 + lift * 0.8)
            near = cv2.GaussianBlur(mask, (0, 0), 2.0)
            part *= 1 - np.clip(shadow * shade + near * 0.18, 0, 0.85)[..., None]
        a = (mask * cover)[..., None]
        part[:] = part * (1 - a) + rgb * a

    def centred(self, rgb, mask, centre, width, angle=0.0, keystone=0.0, **more):
        """Lays a thing `width` photograph pixels wide at `centre`, turned by
        `angle` degrees (clockwise); `keystone` narrows its far edge."""
        h, w = mask.shape
        height = width * h / w
        k = width * keystone
        corners = np.array([(-width / 2 + k, -height / 2), (width / 2 - k, -height / 2), (width / 2, height / 2), (-width / 2, height / 2)])
        a = np.radians(angle)
        turn = np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
        self.lay(rgb, mask, corners @ turn.T + np.array(centre), **more)

    def hole(self, at, radius=2.2):
        """A pin hole with the dimple around it."""
        x, y, n = int(at[0] * self.scale), int(at[1] * self.scale), 24
        part = self.pixels[max(0, y - n) : y + n, max(0, x - n) : x + n]
        d = np.zeros(part.shape[:2], np.float32)
        cv2.circle(d, (min(x, n), min(y, n)), int(radius * self.scale), 1.0, -1, cv2.LINE_AA)
        part *= 1 - (cv2.GaussianBlur(d, (0, 0), 1.2) * 0.75 + cv2.GaussianBlur(d, (0, 0), 5) * 0.35)[..., None]

    def pin(self, at, head=(0.12, 0.12, 0.13), radius=6.0):
        """A pin from above: its round head, and the long thin shadow."""
        x, y = at[0] * self.scale, at[1] * self.scale
        d = np.zeros((self.h, self.w), np.float32)
        end = (x + self.fall[0] * 95, y + self.fall[1] * 95)
        cv2.line(d, (int(x), int(y)), (int(end[0]), int(end[1])), 1.0, 3, cv2.LINE_AA)
        self.pixels *= 1 - cv2.GaussianBlur(d, (0, 0), 2.0)[..., None] * 0.4
        r = radius * self.scale
        yy, xx = np.mgrid[0 : self.h, 0 : self.w].astype(np.float32)
        dist = np.hypot(xx - x, yy - y)
        m = np.clip(r - dist, 0, 1)[..., None]
        shine = np.exp(-(((xx - x + r * 0.35) ** 2 + (yy - y + r * 0.35) ** 2) / (2 * (r * 0.28) ** 2)))
        colour = np.array(head, np.float32) * np.clip(1.3 - dist / r, 0.4, 1.3)[..., None] + shine[..., None] * 0.8
        self.pixels = self.pixels * (1 - m) + np.clip(colour, 0, 1) * m

    def photograph(self, light=0.16, shadow=None, glare=None, blur=0.0, motion=0.0, tilt=0.02, warm=0.0, noise=0.008, exposure=1.0):
        """Takes the picture: perspective, light, lens, sensor."""
        rng, w, h = self.rng, self.w, self.h
        px = self.pixels
        if tilt:
            j = lambda: rng.uniform(-tilt, tilt)
            src = np.float32([(0, 0), (w, 0), (w, h), (0, h)])
            # The frame stays covered: corners only move outwards.
            dst = np.float32([(-abs(j()) * w, -abs(j()) * h), (w + abs(j()) * w, -abs(j()) * h), (w + abs(j()) * w, h + abs(j()) * h), (-abs(j()) * w, h + abs(j()) * h)])
            px = cv2.warpPerspective(px, cv2.getPerspectiveTransform(src, dst), (w, h), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
        y, x = np.mgrid[0:h, 0:w].astype(np.float32)
        x, y = x / w - 0.5, y / h - 0.5
        a = rng.uniform(0, 2 * np.pi)
        lit = 1 + light * (x * np.cos(a) + y * np.sin(a)) * 2 - 0.22 * (x**2 + y**2)
        if shadow:
            # The photographer's hand or telephone: a soft dark shape.
            poly = np.float32(shadow) * self.scale
            s = np.zeros((h, w), np.float32)
            cv2.fillPoly(s, [np.int32(poly)], 1.0)
            lit *= 1 - 0.42 * soft(s, 45)
        px = px * lit[..., None] * exposure
        if glare:
            for gx, gy, rx, ry, turn, strength in glare:
                c, s = np.cos(np.radians(turn)), np.sin(np.radians(turn))
                dx, dy = (x + 0.5) * self.size[0] - gx, (y + 0.5) * self.size[1] - gy
                d = ((dx * c + dy * s) / rx) ** 2 + ((-dx * s + dy * c) / ry) ** 2
                px = px + (np.exp(-d) * strength)[..., None]
        px = px * np.array([1 + warm, 1.0, 1 - warm], np.float32)
        # Bright things shine into their surroundings in every lens.
        px = px * 0.94 + soft(px, 30) * 0.06
        if blur:
            px = cv2.GaussianBlur(px, (0, 0), blur * self.scale)
        if motion:
            n = int(motion * self.scale) | 1
            k = np.zeros((n, n), np.float32)
            cv2.line(k, (0, n // 3), (n - 1, n - 1 - n // 3), 1.0, 1)
            px = cv2.filter2D(px, -1, k / k.sum())
        px = cv2.resize(px, self.size, interpolation=cv2.INTER_AREA)
        px = px + rng.normal(0, noise, px.shape) * (0.6 + 0.8 * (1 - np.clip(px, 0, 1)))
        return (np.clip(px, 0, 1) * 255 + 0.5).astype(np.uint8)
