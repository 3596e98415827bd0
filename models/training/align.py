"""Where each character of the training lines stands: align.py DATA CKPT OUT.npz

Viterbi alignment of the CTC output with the known text. The blank is made dearer first, so that
characters spread over the frames they fill instead of firing once. Stores for each line the first and
last frame of every character (4 px a frame at height 48) and the mean log probability, for
setting new lines from pieces of real hands.
"""

import multiprocessing, os, sys

import numpy as np
import torch

from alphabet import encode, fold_hand
from data import HEIGHT, Lines, fits, to_height, to_input
from model import Reader

DEARER = 5.0     # nats taken from the blank


def viterbi(logp, target):
    """First and last frame of each label of `target` on the best path through `logp` (T x C)."""
    logp = logp.copy(); logp[:, 0] -= DEARER
    labels = np.zeros(2 * len(target) + 1, np.int64); labels[1::2] = target
    n, t = len(labels), len(logp)
    skip = np.zeros(n, bool); skip[3::2] = labels[3::2] != labels[1:-2:2]
    emit = logp[:, labels]
    score = np.full(n, -1e9); score[:2] = emit[0, :2]
    back = np.zeros((t, n), np.int8)
    for k in range(1, t):
        one = np.concatenate([[-1e9], score[:-1]]); two = np.where(skip, np.concatenate([[-1e9, -1e9], score[:-2]]), -1e9)
        best = np.maximum(np.maximum(score, one), two)
        back[k] = np.where(best == score, 0, np.where(best == one, 1, 2))
        score = best + emit[k]
    s = n - 1 if score[-1] >= score[-2] else n - 2
    total = score[s] / t
    first, last = np.full(len(target), t), np.full(len(target), -1)
    for k in range(t - 1, -1, -1):
        if s % 2: first[s // 2] = min(first[s // 2], k); last[s // 2] = max(last[s // 2], k)
        s -= int(back[k, s])
    return first, last, total


def _one(job):
    return viterbi(*job)


@torch.no_grad()
def main(data, checkpoint, out, most=None):
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    lines = Lines(data + "/lines.npz")
    model = Reader().to(device).eval()
    model.load_state_dict(torch.load(checkpoint, map_location=device, weights_only=True)["average"])
    index = lines.where("train")
    if most: index = index[:: len(index) // int(most)]
    images = {i: to_height(lines.image(i)) for i in index}
    index.sort(key=lambda i: images[i].shape[1])
    jobs, kept = [], []
    for k in range(0, len(index), 64):
        part = index[k:k + 64]
        w = (max(images[i].shape[1] for i in part) + 15) // 16 * 16
        x = np.zeros((len(part), HEIGHT, w), np.uint8)
        for j, i in enumerate(part): x[j, :, : images[i].shape[1]] = images[i]
        widths = torch.tensor([images[i].shape[1] for i in part])
        logp = model(to_input(torch.from_numpy(x).to(device), widths.to(device))).float().log_softmax(-1).cpu().numpy()
        for j, i in enumerate(part):
            target = encode(fold_hand(lines.meta[i][4]))
            if fits(int(widths[j]), target): jobs.append((logp[j, : int(widths[j]) // 4], target)); kept.append(i)
    with multiprocessing.Pool(min(12, os.cpu_count())) as pool:
        found = pool.map(_one, jobs, chunksize=32)
    good = [k for k, f in enumerate(found) if (f[1] >= 0).all()]
    np.savez(out + ".tmp.npz", lines=np.array([kept[k] for k in good], np.int32), lengths=np.array([len(found[k][0]) for k in good], np.int32),
             starts=np.concatenate([found[k][0] for k in good]).astype(np.uint16), ends=np.concatenate([found[k][1] for k in good]).astype(np.uint16),
             scores=np.array([found[k][2] for k in good], np.float32))
    os.replace(out + ".tmp.npz", out)
    print("aligned", len(good), "of", len(index))


if __name__ == "__main__":
    multiprocessing.set_start_method("spawn")
    main(*sys.argv[1:])
