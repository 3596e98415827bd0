"""Trains the reader on one or several GPUs (or, for a trial, the CPU).

    train.py --data DIR --out DIR --seconds 500 [--resume CKPT] [--mix real=.5,hand=.25,...]

Stops by the clock; the learning rate follows it. Writes last.pt (weights, averaged weights,
optimiser) so that a run can go on, and scores on test lines at the end.
"""

import argparse, json, math, os, time

import torch
import torch.distributed as dist
import torch.nn.functional as F
from torch import nn

from alphabet import decode
from data import HEIGHT, Lines, Stream, to_height, to_input
from model import Reader
from scoring import table

import numpy as np


def mixture(text):
    return {k: float(v) for k, v in (p.split("=") for p in text.split(","))}


class Average:
    """Exponential moving average of weights and batch-norm statistics."""

    def __init__(self, model, decay):
        self.decay = decay
        self.state = {k: v.detach().clone() for k, v in model.state_dict().items()}

    @torch.no_grad()
    def update(self, model, step):
        d = min(self.decay, (1 + step) / (20 + step))
        mine, theirs = [], []
        for k, v in model.state_dict().items():
            if v.dtype.is_floating_point: mine.append(self.state[k]); theirs.append(v)
        torch._foreach_lerp_(mine, theirs, 1 - d)


@torch.no_grad()
def read(model, images, device, columns=60000):
    """Best-path readings of grey lines of any height."""
    model.eval()
    images = [to_height(i) for i in images]
    order = sorted(range(len(images)), key=lambda i: images[i].shape[1])
    out, k = [None] * len(images), 0
    while k < len(order):
        w = images[order[min(len(order) - 1, k + 64)]].shape[1]
        part = order[k:k + max(1, min(64, columns // w))]
        w = max(images[i].shape[1] for i in part); w = (w + 15) // 16 * 16
        x = np.zeros((len(part), HEIGHT, w), np.uint8)
        for j, i in enumerate(part): x[j, :, : images[i].shape[1]] = images[i]
        widths = torch.tensor([images[i].shape[1] for i in part], device=device)
        v = to_input(torch.from_numpy(x).to(device), widths)
        with torch.autocast(device.type, torch.bfloat16, enabled=device.type == "cuda"):
            logits = model(v)
        for i, row in zip(part, logits.argmax(-1).cpu().tolist()): out[i] = decode(row)
        k += len(part)
    return out


def score(model, lines, split, device, most=None):
    index = lines.where(split)
    if most: index = index[:: max(1, len(index) // most)]
    got = read(model, [lines.image(i) for i in index], device)
    return table((lines.meta[i][1], lines.meta[i][4], g) for i, g in zip(index, got)), list(zip(index, got))


def main():
    ap = argparse.ArgumentParser(description=__doc__)
    ap.add_argument("--data", required=True); ap.add_argument("--out", required=True)
    ap.add_argument("--seconds", type=float, default=480); ap.add_argument("--rate", type=float, default=1e-3)
    ap.add_argument("--final", type=float, default=0.02, help="share of the rate at the end")
    ap.add_argument("--warm", type=int, default=200); ap.add_argument("--columns", type=int, default=98304)
    ap.add_argument("--workers", type=int, default=14); ap.add_argument("--seed", type=int, default=1)
    ap.add_argument("--mix", type=mixture, default=mixture("real=.5,hand=.27,type=.11,print=.12"))
    ap.add_argument("--resume"); ap.add_argument("--fresh-optimiser", action="store_true"); ap.add_argument("--pieces")
    ap.add_argument("--lstm", type=int, default=256); ap.add_argument("--average", type=float, default=0.999)
    ap.add_argument("--trial", type=int, default=None, help="score on this many lines only"); ap.add_argument("--clock", type=float, default=None, help="start of the run, seconds since the epoch")
    ap.add_argument("--pause", type=float, default=None, help="leave off after this many seconds, for a later --resume with the same --clock")
    ap.add_argument("--without", default="", help="sources left out of the training, with commas between")
    a = ap.parse_args()
    rank, world = int(os.environ.get("RANK", 0)), int(os.environ.get("WORLD_SIZE", 1))
    device = torch.device(f"cuda:{os.environ.get('LOCAL_RANK', 0)}" if torch.cuda.is_available() else "cpu")
    if device.type == "cuda":
        torch.cuda.set_device(device)
        torch.backends.cuda.matmul.allow_tf32 = True; torch.backends.cudnn.allow_tf32 = True
    if world > 1: dist.init_process_group("nccl")
    begun = a.clock or time.time()
    torch.manual_seed(a.seed)
    os.makedirs(a.out, exist_ok=True)
    lines = Lines(a.data + "/lines.npz")
    model = Reader(lstm=a.lstm)
    step, saved = 0, None
    if a.resume:
        saved = torch.load(a.resume, map_location="cpu", weights_only=True)
        model.load_state_dict(saved["average"] if a.fresh_optimiser else saved["model"])
    else:
        missing = model.load_state_dict(torch.load(a.data + "/start.pt", map_location="cpu", weights_only=True), strict=False)
        assert not missing.unexpected_keys, missing
    model = model.to(device)
    if device.type == "cuda": model = model.to(memory_format=torch.channels_last)
    fast = [p for n, p in model.named_parameters() if n.startswith(("head", "extra", "lstm", "squash"))]
    slow = [p for n, p in model.named_parameters() if not n.startswith(("head", "extra", "lstm", "squash"))]
    optimiser = torch.optim.AdamW([{"params": slow, "rate": 1.0}, {"params": fast, "rate": 2.0}], lr=a.rate, weight_decay=0.02, fused=device.type == "cuda")
    average = Average(model, a.average)
    if saved and not a.fresh_optimiser:
        optimiser.load_state_dict(saved["optimiser"]); step = saved["step"]
        average.state = {k: v.to(device) for k, v in saved["average"].items()}
    run = model
    if world > 1:
        run = nn.parallel.DistributedDataParallel(model, device_ids=[device.index], broadcast_buffers=False, gradient_as_bucket_view=True)
    stream = Stream(lines, a.data + "/fonts", a.data + "/corpus.json.gz", a.mix, a.columns, seed=a.seed * 100 + rank, pieces=a.pieces, without=a.without.split(","), digits=a.data + "/digits.npz" if os.path.exists(a.data + "/digits.npz") else None)
    loader = torch.utils.data.DataLoader(stream, batch_size=None, num_workers=a.workers, prefetch_factor=3 if a.workers else None, pin_memory=device.type == "cuda")
    if device.type == "cuda":    # the largest shape first, so that the allocator's blocks serve all others
        v = torch.zeros(404, 3, HEIGHT, 256, device=device).contiguous(memory_format=torch.channels_last)
        with torch.autocast("cuda", torch.bfloat16): model(v).float().log_softmax(-1).mean().backward()
        optimiser.zero_grad(set_to_none=True); del v
    start, seen, waited, total = step, 0, 0.0, torch.zeros((), device=device)
    log = open(a.out + "/log.txt", "a") if rank == 0 else None
    ready = time.time()
    for x, widths, flat, lengths in loader:
        waited += time.time() - ready
        now = time.time() - begun
        done = now / a.seconds
        paused = a.pause is not None and now >= a.pause
        stop = torch.tensor(float(done >= 1 or paused), device=device)
        if world > 1 and step % 10 == 0: dist.all_reduce(stop, dist.ReduceOp.MAX)
        if step % 10 == 0 and stop.item() > 0: break
        k = step - start
        factor = min(1.0, (k + 1) / a.warm) * (a.final + (1 - a.final) * 0.5 * (1 + math.cos(math.pi * min(1.0, done))))
        for g in optimiser.param_groups: g["lr"] = a.rate * g["rate"] * factor
        run.train()
        x, widths = x.to(device, non_blocking=True), widths.to(device, non_blocking=True)
        flat, lengths = flat.to(device, non_blocking=True), lengths.to(device, non_blocking=True)
        v = to_input(x, widths, tint=True)
        if device.type == "cuda": v = v.contiguous(memory_format=torch.channels_last)
        with torch.autocast(device.type, torch.bfloat16, enabled=device.type == "cuda"):
            logits = run(v)
        logp = F.log_softmax(logits.float(), -1).transpose(0, 1)
        steps = torch.full((x.shape[0],), logp.shape[0], dtype=torch.long, device=device)
        loss = F.ctc_loss(logp, flat, steps, lengths, blank=0, reduction="none", zero_infinity=True)
        loss = (loss.sum() / lengths.sum())
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        nn.utils.clip_grad_norm_(model.parameters(), 2.0)
        optimiser.step()
        average.update(model, step)
        step += 1; seen += x.shape[0]; total += loss.detach()
        if rank == 0 and (step % 100 == 0 or step - start in (1, 20)):
            text = f"step {step} at {time.time() - begun:.0f}s loss/char {total.item() / max(1, step % 100 or 100):.4f} lines {seen * world} waited {waited:.1f}s rate {a.rate * factor:.2e}"
            total.zero_(); print(text, flush=True); log.write(text + "\n"); log.flush()
            if step % 500 == 0: torch.save({"average": average.state}, a.out + "/average.pt")
        ready = time.time()
    if rank == 0:
        torch.save({"average": average.state}, a.out + "/average.pt")
        torch.save({"model": model.state_dict(), "average": average.state, "optimiser": optimiser.state_dict(), "step": step}, a.out + "/last.pt")
        if a.pause is not None: print("paused at step", step, flush=True)
    if rank == 0 and a.pause is None:
        final = Reader(lstm=a.lstm).to(device); final.load_state_dict(average.state)
        result = {}
        for split in ("dev", "test"):
            if not lines.where(split): continue
            scores, got = score(final, lines, split, device, a.trial)
            trained = [v for s, (n, v) in scores.items() if s not in ("stanford", "celestine")]
            result[split] = {"mean_trained": sum(trained) / len(trained), **{s: v for s, (n, v) in scores.items()}}
            with open(f"{a.out}/readings-{split}.tsv", "w", encoding="utf8") as f:
                for i, g in got: f.write("\t".join([lines.meta[i][0], lines.meta[i][4], g]) + "\n")
        result["steps"], result["lines"], result["seconds"] = step, seen * world, time.time() - begun
        print(json.dumps(result, indent=1)); json.dump(result, open(a.out + "/scores.json", "w"), indent=1)
    if world > 1: dist.destroy_process_group()
    os._exit(0)


if __name__ == "__main__":
    main()
