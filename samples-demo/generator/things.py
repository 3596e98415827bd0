"""Makes the things in the photographs: labels, envelopes, rulers, pages."""

import barcode
import cv2
import numpy as np
import segno

from paint import clouds, grain, lay_ink, paper, resting, soft, write


def cut(h, w, rng, ragged=1.2):
    """The outline of a label cut with scissors: nearly a rectangle."""
    mask = np.zeros((h, w), np.float32)
    m = 5
    corners = [(m, m), (w - m, m), (w - m, h - m), (m, h - m)]
    pts = []
    for i, (x, y) in enumerate(corners):
        nx, ny = corners[(i + 1) % 4]
        bow = rng.normal(0, ragged)
        for t in np.linspace(0, 1, 12, endpoint=False):
            lean = np.sin(np.pi * t) * bow
            pts.append((x + (nx - x) * t + (lean if x == nx else 0) + rng.normal(0, 0.25), y + (ny - y) * t + (lean if y == ny else 0) + rng.normal(0, 0.25)))
    cv2.fillPoly(mask, [np.int32(np.array(pts) * 16)], 1.0, cv2.LINE_AA, 4)
    return mask


def label(lines, font, size, rng, ink="black", colour=(0.95, 0.93, 0.87), hand=True, border=False, align="left",
          leading=1.22, width=None, spots=0, margin=0.45, extra=None, underline=(), wobble=1.0, stroke=0, second=None):
    """A small label. `second` is (lines, font, size, ink, hand): a second hand
    that filled in below, on the same piece of paper; `extra` is a square
    picture (a QR code) set at the left."""
    text = write(lines, font, size, rng, hand, leading, align, width, wobble, stroke)
    ys, xs = np.where(text > 0.05)
    text = text[max(0, ys.min() - 2) : ys.max() + 3, max(0, xs.min() - 2) : xs.max() + 3]
    pad = int(size * margin) + 6
    more = None
    if second:
        more = write(second[0], second[1], second[2], rng, second[4], 1.15)
        ys, xs = np.where(more > 0.05)
        more = more[ys.min() : ys.max() + 1, xs.min() : xs.max() + 1]
    side = extra.shape[1] + pad if extra is not None else 0
    w = max(text.shape[1], more.shape[1] if more is not None else 0) + 2 * pad + side
    h = max(text.shape[0] + (int(more.shape[0] + size * 0.3) if more is not None else 0), extra.shape[0] if extra is not None else 0) + 2 * pad
    sheet = paper(h, w, rng, colour, fibres=14, spots=spots)
    # A label on a pin is never quite flat.
    bend = np.cos((np.arange(w) / w - rng.uniform(0.3, 0.7)) * 2.2)
    sheet *= (0.94 + 0.06 * bend)[None, :, None]
    lay_ink(sheet, text, (pad + side, pad), ink, rng)
    if more is not None:
        lay_ink(sheet, more, (pad + side + rng.uniform(0, size), pad + text.shape[0] + size * 0.3), second[3], rng)
    for i in underline:
        y = pad + int(size * (i * leading + 0.98))
        line = np.zeros((h, w), np.float32)
        cv2.line(line, (pad + side, y), (w - pad, y + int(rng.integers(-1, 2))), 1.0, 2, cv2.LINE_AA)
        lay_ink(sheet, line, (0, 0), ink, rng)
    if border:
        line = np.zeros((h, w), np.float32)
        b = pad // 2
        cv2.rectangle(line, (b, b), (w - b, h - b), 1.0, 2, cv2.LINE_AA)
        lay_ink(sheet, line, (0, 0), "print", rng)
    if extra is not None:
        y = (h - extra.shape[0]) // 2
        code = np.zeros((h, w), np.float32)
        code[y : y + extra.shape[0], pad : pad + extra.shape[1]] = extra
        lay_ink(sheet, code, (0, 0), "print", rng)
    return sheet, cut(h, w, rng)


def qr(text, module=5):
    code = np.array([list(row) for row in segno.make(text, error="m", micro=False).matrix], np.float32)
    return np.kron(code, np.ones((module, module), np.float32))


def bars(text, module=3, height=70):
    """Code 128 (ISO/IEC 15417)."""
    line = barcode.get("code128", text).build()[0]
    row = np.repeat(np.array([c == "1" for c in line], np.float32), module)
    return np.tile(row, (height, 1))


def bar_label(text, font, rng):
    """A printed label with a bar code over its number."""
    code = bars(text)
    words = write([text], font, 34, rng, False)
    ys, xs = np.where(words > 0.05)
    words = words[ys.min() : ys.max() + 1, xs.min() : xs.max() + 1]
    w, h = code.shape[1] + 70, code.shape[0] + words.shape[0] + 62
    sheet = paper(h, w, rng, (0.97, 0.97, 0.96), fibres=2)
    lay_ink(sheet, code, (35, 20), "print", rng)
    lay_ink(sheet, words, ((w - words.shape[1]) // 2, code.shape[0] + 36), "print", rng)
    return sheet, cut(h, w, rng, 0.5)


def ruler(rng, centimetres=5, px=130):
    """A clear plastic ruler with millimetres: (rgb, see-through mask)."""
    w, h = centimetres * px + 60, 170
    ink = np.zeros((h, w), np.float32)
    for mm in range(centimetres * 10 + 1):
        length = 95 if mm % 10 == 0 else 68 if mm % 5 == 0 else 46
        x = 30 + int(mm * px / 10)
        cv2.line(ink, (x, 8), (x, 8 + length), 1.0, 2, cv2.LINE_AA)
        if mm % 10 == 0 and mm:
            number = write([str(mm // 10)], "old-standard-tt:700", 58, rng, False)
            ys, xs = np.where(number > 0.05)
            number = number[ys.min() : ys.max() + 1, xs.min() : xs.max() + 1]
            left = max(0, x - number.shape[1] - 8)
            ink[104 : 104 + number.shape[0], left : left + number.shape[1]] = number
    sheet = np.full((h, w, 3), (0.90, 0.92, 0.94), np.float32) + (clouds(h, w, rng, 200) * 0.015)[..., None]
    lay_ink(sheet, ink, (0, 0), "print", rng)
    mask = np.full((h, w), 0.42, np.float32)
    mask[:4] = mask[-4:] = 0.75
    return sheet, np.maximum(mask, ink)


def crease(sheet, alpha, a, b, rng, depth=0.10):
    """A fold: a bright ridge beside a dark one, a little milky."""
    h, w = alpha.shape
    line = np.zeros((h, w), np.float32)
    pts = [(a[0] + (b[0] - a[0]) * t + rng.normal(0, 0.6), a[1] + (b[1] - a[1]) * t + rng.normal(0, 0.6)) for t in np.linspace(0, 1, 14)]
    cv2.polylines(line, [np.int32(np.array(pts) * 16)], False, 1.0, 3, cv2.LINE_AA, 4)
    bright = cv2.GaussianBlur(line, (0, 0), 1.3)
    dark = np.roll(cv2.GaussianBlur(line, (0, 0), 2.2), (3, 2), (0, 1))
    sheet += (bright * depth - dark * depth * 0.9)[..., None]
    alpha += bright * 0.12


def glassine(h, w, rng, body=0.60, tint=(0.87, 0.885, 0.87)):
    """A sheet of glassine: (rgb, alpha). Milky, wrinkled, with a dull gloss."""
    sheet = np.ones((h, w, 3), np.float32) * np.array(tint, np.float32)
    gloss = np.clip(clouds(h, w, rng, 420, 2, (3.0, 1.0)) - 0.3, 0, 1)
    sheet += (gloss * 0.10 + clouds(h, w, rng, 40, 3) * 0.012 + grain(h, w, rng) * 0.006)[..., None]
    alpha = np.clip(body + clouds(h, w, rng, 300) * 0.05 + gloss * 0.10, 0, 1)
    # Handling leaves faint straight creases; between two of them the sheet is
    # a little lighter or darker.
    y, x = np.mgrid[0:h, 0:w].astype(np.float32)
    for _ in range(int(rng.integers(6, 11))):
        angle, px, py = rng.uniform(0, np.pi), rng.uniform(0, w), rng.uniform(0, h)
        side = (x - px) * np.sin(angle) - (y - py) * np.cos(angle)
        along = (x - px) * np.cos(angle) + (y - py) * np.sin(angle)
        side = side + clouds(h, w, rng, 500, 2) * 9
        fade = np.exp(-((along / rng.uniform(120, 420)) ** 2))
        ridge = np.exp(-((side / 2.4) ** 2)) * 0.07 - np.exp(-(((side - 5) / 3.5) ** 2)) * 0.035
        slope = np.tanh(side / 60) * np.exp(-((side / 150) ** 2)) * rng.uniform(-0.03, 0.03)
        sheet += ((ridge + slope) * fade)[..., None]
        alpha = np.clip(alpha + np.maximum(ridge, 0) * fade * 0.8, 0, 1)
    return sheet, alpha


def shape(h, w, points):
    mask = np.zeros((h, w), np.float32)
    cv2.fillPoly(mask, [np.int32(np.array(points) * 16)], 1.0, cv2.LINE_AA, 4)
    return mask


def notes_on(sheet, alpha, notes, rng):
    """Writes notes; each is (lines, font, size, ink, x, y, angle, leading)."""
    h, w = alpha.shape
    for lines, font, size, ink, x, y, angle, leading in notes:
        text = write(lines, font, size, rng, True, leading)
        if angle:
            c = (text.shape[1] / 2, text.shape[0] / 2)
            m = cv2.getRotationMatrix2D(c, angle, 1.0)
            text = cv2.warpAffine(text, m, (text.shape[1], text.shape[0]))
        on = np.zeros((h, w, 3), np.float32)
        lay_ink(on, text, (x, y), ink, rng)
        full = np.ones((h, w, 3), np.float32)
        lay_ink(full, text, (x, y), ink, rng)
        covered = np.clip(1 - (full - on)[..., 0], 0, 1)
        sheet[:] = sheet * (1 - covered[..., None]) + on
        alpha[:] = np.maximum(alpha, covered)


def triangle(rng, notes, moths=(), w=1500, body=0.60, tint=(0.87, 0.885, 0.87)):
    """A folded triangle: its long side below, two flaps over the short sides.
    Gives (rgb, alpha, layer under the glassine as (rgb, mask))."""
    h = int(w * 0.60)
    top, left, right = (w / 2, 14), (14, h - 14), (w - 14, h - 14)
    sheet, alpha = glassine(h, w, rng, body, tint)
    mask = shape(h, w, [top, right, left])
    f = w * 0.09  # width of the folded-over flaps
    flap_right = shape(h, w, [top, right, (right[0] - f * 2.3, right[1]), (top[0] - f * 0.35, top[1] + f * 1.0)])
    flap_base = shape(h, w, [left, right, (right[0] - f * 1.2, right[1] - f), (left[0] + f * 1.2, left[1] - f)])
    for flap in (flap_right, flap_base):
        alpha += flap * 0.14
        sheet += (flap * 0.02)[..., None]
        edge = cv2.GaussianBlur(flap, (0, 0), 3) - flap
        sheet -= (np.clip(edge, 0, 1) * 0.16)[..., None]
    crease(sheet, alpha, top, right, rng)
    crease(sheet, alpha, left, right, rng)
    crease(sheet, alpha, (top[0] - f * 0.35, top[1] + f), (right[0] - f * 2.3, right[1]), rng, 0.06)
    crease(sheet, alpha, (w * 0.5, h * 0.1), (w * rng.uniform(0.45, 0.55), h - 20), rng, 0.03)
    notes_on(sheet, alpha, notes, rng)
    return np.clip(sheet, 0, 1), np.clip(alpha, 0, 1) * mask, contents(h, w, rng, moths)


def pocket(rng, notes, moths=(), w=1500, h=930, body=0.58, tint=(0.87, 0.885, 0.87)):
    """A rectangular glassine envelope with its flap and seams."""
    sheet, alpha = glassine(h, w, rng, body, tint)
    m = 12
    mask = shape(h, w, [(m, m + 6), (w - m, m), (w - m - 4, h - m), (m + 3, h - m - 4)])
    flap = shape(h, w, [(m, m), (w - m, m), (w - w * 0.12, h * 0.20), (w * 0.12, h * 0.20)])
    seam = shape(h, w, [(w * 0.47, m), (w * 0.545, m), (w * 0.55, h - m), (w * 0.475, h - m)])
    foot = shape(h, w, [(m, h - h * 0.09), (w - m, h - h * 0.09), (w - m, h - m), (m, h - m)])
    for part, more in ((flap, 0.15), (seam, 0.10), (foot, 0.10)):
        alpha += part * more
        edge = cv2.GaussianBlur(part, (0, 0), 2.5) - part
        sheet -= (np.clip(edge, 0, 1) * 0.12)[..., None]
    crease(sheet, alpha, (m, m + 6), (w - m, m), rng)
    crease(sheet, alpha, (w * rng.uniform(0.15, 0.3), m), (w * rng.uniform(0.15, 0.3), h - m), rng, 0.03)
    notes_on(sheet, alpha, notes, rng)
    return np.clip(sheet, 0, 1), np.clip(alpha, 0, 1) * mask, contents(h, w, rng, moths)


def contents(h, w, rng, moths):
    """What lies in an envelope: papered moths, each (kind, x, y, size, angle)."""
    rgb, mask = np.zeros((h, w, 3), np.float32), np.zeros((h, w), np.float32)
    for kind, x, y, size, angle in moths:
        c, a = resting(size, kind, rng)
        m = cv2.getRotationMatrix2D((size / 2, size / 2), angle, 1.0)
        m[:, 2] += (x - size / 2, y - size / 2)
        c = cv2.warpAffine(c, m, (w, h))
        a = np.clip(cv2.warpAffine(a, m, (w, h)), 0, 1)
        rgb = rgb * (1 - a[..., None]) + c * a[..., None]
        mask = np.maximum(mask, a)
    if moths:  # seen through the glassine, everything is soft
        mask = cv2.GaussianBlur(mask, (0, 0), 3)
        rgb = cv2.GaussianBlur(rgb, (0, 0), 2)
        # Scales rubbed off inside.
        dust = np.clip(clouds(h, w, rng, 30, 4) - 0.9, 0, 1) * soft(mask, 60)
        mask = np.maximum(mask, np.clip(dust * 1.2, 0, 0.5))
    return rgb, mask


def packet(rng, notes, w=1450, h=900, colour=(0.72, 0.60, 0.44)):
    """A folded packet of brown paper."""
    sheet = paper(h, w, rng, colour, 0.018, 0.03, 160, 14)
    alpha = np.ones((h, w), np.float32)
    crease(sheet, alpha, (0, h * 0.16), (w, h * 0.15), rng, 0.09)
    crease(sheet, alpha, (w * 0.07, 0), (w * 0.075, h), rng, 0.07)
    crease(sheet, alpha, (w * 0.93, 0), (w * 0.925, h), rng, 0.07)
    notes_on(sheet, alpha, notes, rng)
    return np.clip(sheet, 0, 1), cut(h, w, rng, 2.5)


def page(rng, lines, font, size, ink, w=2000, h=1500):
    """A ruled page of a field notebook; a line is text or (text, x shift)."""
    sheet = paper(h, w, rng, (0.955, 0.94, 0.885), 0.008, 0.02, 30, 10)
    step = int(h / (len(lines) + 2.2))
    rules = np.zeros((h, w), np.float32)
    for i in range(1, len(lines) + 3):
        cv2.line(rules, (0, int(i * step + step * 0.45)), (w, int(i * step + step * 0.45) + 2), 1.0, 2, cv2.LINE_AA)
    sheet -= cv2.GaussianBlur(rules, (0, 0), 0.8)[..., None] * np.array((0.22, 0.13, 0.06), np.float32)
    cv2.line(sheet, (int(w * 0.085), 0), (int(w * 0.083), h), (0.85, 0.50, 0.48), 3, cv2.LINE_AA)
    for i, line in enumerate(lines):
        text, shift = line if isinstance(line, tuple) else (line, 0)
        if not text:
            continue
        words = write([text], font, size, rng, True)
        pad = int(size * 0.7)
        lay_ink(sheet, words, (w * 0.10 + shift - pad, (i + 1) * step + step * 0.38 - pad - size), ink, rng)
    # Towards the spine the page turns down and darkens.
    sheet *= (1 - 0.28 * np.exp(-np.arange(w) / (w * 0.03)))[None, :, None]
    return np.clip(sheet, 0, 1), cut(h, w, rng, 1.5)


__all__ = ["bar_label", "label", "packet", "page", "pocket", "qr", "ruler", "triangle"]
