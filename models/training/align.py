"""Where each character of the training lines stands: align.py DATA CKPT OUT.npz

Viterbi alignment of the CTC output with the known text (torchaudio). Stores for each line the
first and last frame of every character (4 px a frame at height 48) and the mean log
probability, for setting new lines from pieces of real hands.
"""

import sys

import numpy as np
import torch
import torchaudio.functional as AF

from alphabet import encode, fold_hand
from data import HEIGHT, Lines, fits, to_height, to_input
from model import Reader


@torch.no_grad()
def main(data, checkpoint, out):
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    lines = Lines(data + "/lines.npz")
    model = Reader().to(device).eval()
    model.load_state_dict(torch.load(checkpoint, map_location=device, weights_only=True)["average"])
    index = lines.where("train")
    images = {i: to_height(lines.image(i)) for i in index}
    index.sort(key=lambda i: images[i].shape[1])
    lens, starts, ends, scores, kept = [], [], [], [], []
    for k in range(0, len(index), 64):
        part = index[k:k + 64]
        w = (max(images[i].shape[1] for i in part) + 15) // 16 * 16
        x = np.zeros((len(part), HEIGHT, w), np.uint8)
        for j, i in enumerate(part): x[j, :, : images[i].shape[1]] = images[i]
        widths = torch.tensor([images[i].shape[1] for i in part])
        logp = model(to_input(torch.from_numpy(x).to(device), widths.to(device))).float().log_softmax(-1).cpu()
        for j, i in enumerate(part):
            target = encode(fold_hand(lines.meta[i][4])); n = int(widths[j]) // 4
            if not fits(int(widths[j]), target): continue
            path, score = AF.forced_align(logp[j:j + 1, :n], torch.tensor([target]), blank=0)
            path, score = path[0].numpy(), score[0].numpy()
            s, e, last = [], [], 0
            for t, c in enumerate(path):
                if c != 0 and c != last: s.append(t); e.append(t)
                elif c != 0: e[-1] = t
                last = c
            if len(s) != len(target): continue
            kept.append(i); lens.append(len(s)); starts += s; ends += e; scores.append(score.mean())
    np.savez_compressed(out, lines=np.array(kept, np.int32), lengths=np.array(lens, np.int32), starts=np.array(starts, np.uint16), ends=np.array(ends, np.uint16), scores=np.array(scores, np.float16))
    print("aligned", len(kept), "of", len(index))


if __name__ == "__main__":
    main(*sys.argv[1:])
