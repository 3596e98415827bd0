#!/usr/bin/env python3
"""Fits the curves of config/confidence.toml.

    fit_confidence.py SCORE_PY GOLD.jsonl DRAFTS.jsonl [GOLD DRAFTS ...]

DRAFTS are those of `glassine read --drafts`, made with a configuration folder
whose confidence.toml says `[default] a = 0.0, b = 1.0` and the same of every term
of the built-in one (tables merge key by key), so that their confidences are the
raw ones; `glassine parse --text READINGS.jsonl --config FOLDER` makes them anew.
SCORE_PY decides what is right.

For each term: logistic regression of `right` on logit(raw), pulled towards
a = 0, b = 1 as if by PULL photographs, so that a term seen rarely or never wrong
keeps close to its raw score.  Printed beside it: the Brier score of raw and of
fitted values over photographs left out (5 folds).  Standard library only.
"""
import importlib.util, json, math, sys

PULL = 8.0
FOLDS = 5
FEW = 15  # terms seen on fewer photographs share the default curve


def logit(p):
    p = min(max(p, 0.005), 0.995)
    return math.log(p / (1 - p))


def sigmoid(x):
    return 1 / (1 + math.exp(-max(min(x, 30), -30)))


def fit(points):
    """Newton's method on the penalised likelihood; `points` are (raw, right)."""
    a, b = 0.0, 1.0
    for _ in range(50):
        ga, gb, haa, hab, hbb = PULL * 0.25 * a, PULL * (b - 1), PULL * 0.25, 0.0, PULL
        for raw, right in points:
            x = logit(raw)
            p = sigmoid(a + b * x)
            w = max(p * (1 - p), 1e-6)
            ga += p - right
            gb += (p - right) * x
            haa += w
            hab += w * x
            hbb += w * x * x
        det = haa * hbb - hab * hab
        da, db = (hbb * ga - hab * gb) / det, (haa * gb - hab * ga) / det
        a, b = a - da, max(b - db, 0.05)
        if abs(da) + abs(db) < 1e-7:
            break
    return a, b


def brier(points, curve):
    return sum((sigmoid(curve[0] + curve[1] * logit(r)) - y) ** 2 for r, y in points)


def main(score_path, *pairs):
    spec = importlib.util.spec_from_file_location("score", score_path)
    score = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(score)
    terms, photos = {}, 0
    for gold_path, drafts_path in zip(pairs[::2], pairs[1::2]):
        drafts = score.by_image(score.read_jsonl(drafts_path))
        for gold in score.read_jsonl(gold_path):
            photos += 1
            draft = drafts.get(gold["image"], {"fields": {}})
            skip = set(gold.get("hard") or []) | set(gold.get("ambiguous") or [])
            for term, claim in draft["fields"].items():
                if term not in score.FIELDS or term in skip:
                    continue
                want, have = score.as_list(gold["fields"].get(term)), score.as_list(claim["value"])
                if term == "recordedBy":
                    right = len(want) == len(have) and all(any(score.same_person(w, h) for h in have) for w in want)
                else:
                    right = bool(want) and bool(have) and score.same(term, want[0], have[0])
                terms.setdefault(term, []).append((photos, claim["confidence"], float(right)))
    every = [p for points in terms.values() for p in points]
    table = [("default", every)] + sorted((t, p) for t, p in terms.items() if len(p) >= FEW)
    for term, points in table:
        raw = fitted = 0.0
        for fold in range(FOLDS):
            train = [(r, y) for n, r, y in points if n % FOLDS != fold]
            test = [(r, y) for n, r, y in points if n % FOLDS == fold]
            raw += brier(test, (0.0, 1.0))
            fitted += brier(test, fit(train))
        a, b = fit([(r, y) for _, r, y in points])
        n = len(points)
        right = sum(y for _, _, y in points)
        line = f"a = {a:.3f}, b = {b:.3f}"
        note = f"# {n} values, {right:.0f} right; Brier score left out {raw / n:.3f} raw, {fitted / n:.3f} fitted"
        print(f"[default]\n{line.replace(', ', chr(10))}\n{note}\n\n[terms]" if term == "default" else f"{term} = {{ {line} }}  {note}")


if __name__ == "__main__":
    main(*sys.argv[1:])
