#!/usr/bin/env python3
"""Measures accuracy and speed on the evaluation photographs, beside a peer.

    python3 benches/measure.py [--shared ../shared] [--sets pins,packets,pages] [--no-peer]

Reads every set with target/release/glassine and, in the same run, with
rapidocr (PyPI, onnxruntime: a general-purpose OCR library) on the same number
of threads, and prints one row a set: text CER of both by the scorer, F1 of the
main fields, seconds a photograph of both and their ratio. The two take turns,
set by set, so that a machine that slows down slows both.

Seconds are wall-clock seconds of the whole command (Glassine: start, loading
of models, reading and parsing; the peer: its calls alone, models loaded
before), divided by the photographs. That favours the peer a little.

Needs: `cargo build --release`, the folder `shared/eval` of the evaluation sets,
and for the peer `pip install rapidocr==3.10.0 onnxruntime opencv-python-headless`.
"""
import argparse, datetime, glob, json, os, platform, subprocess, sys, tempfile, time

HERE = os.path.dirname(os.path.abspath(__file__))
ROOT = os.path.dirname(HERE)
FIELDS = ["eventDate", "recordedBy", "stateProvince", "county", "verbatimLocality"]


def score(shared, name, drafts):
    with tempfile.NamedTemporaryFile(suffix=".json") as out:
        subprocess.run([sys.executable, f"{shared}/eval/score.py", f"{shared}/eval/{name}-dev/gold.jsonl",
                        drafts, "--json", out.name], check=True, stdout=subprocess.DEVNULL)
        return json.load(open(out.name))


def ours(shared, name, drafts, options):
    start = time.time()
    subprocess.run([f"{ROOT}/target/release/glassine", "read", f"{shared}/eval/{name}-dev/photos",
                    "--drafts", drafts, *options], check=True, stderr=subprocess.DEVNULL)
    return time.time() - start


def peer(engine, photos, drafts):
    import cv2
    start = time.time()
    with open(drafts, "w") as out:
        for photo in photos:
            read = engine(cv2.imread(photo))
            text = "\n".join(read.txts or [])
            out.write(json.dumps({"media": os.path.basename(photo), "verbatimLabel": text}) + "\n")
    return time.time() - start


def main():
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("--shared", default=os.environ.get("GLASSINE_SHARED", f"{ROOT}/../shared"))
    ap.add_argument("--sets", default="pins,packets,pages")
    ap.add_argument("--no-peer", action="store_true")
    ap.add_argument("options", nargs="*", help="options for glassine read, after --")
    a = ap.parse_args()
    if not os.path.isdir(f"{a.shared}/eval"):
        sys.exit(f"error: {a.shared}/eval is not there\nhint: name the folder with --shared")
    engine = None
    if not a.no_peer:
        from rapidocr import RapidOCR
        engine = RapidOCR(params={"Global.log_level": "error",
                                  "EngineConfig.onnxruntime.intra_op_num_threads": os.cpu_count()})
    commit = subprocess.run(["git", "-C", ROOT, "rev-parse", "--short", "HEAD"], capture_output=True, text=True)
    print(f"{datetime.date.today()}  commit {commit.stdout.strip()}  {os.cpu_count()} cores {platform.machine()}")
    print("set      photos   CER  peer    " + "  ".join(f"{f[:13]:>13}" for f in FIELDS) + "   s/photo  peer  ratio")
    for name in a.sets.split(","):
        photos = sorted(glob.glob(f"{a.shared}/eval/{name}-dev/photos/*"))
        with tempfile.TemporaryDirectory() as folder:
            drafts = f"{folder}/ours.jsonl"
            seconds = ours(a.shared, name, drafts, a.options) / len(photos)
            figures = score(a.shared, name, drafts)
            beside, theirs = "    -", None
            if engine:
                theirs = peer(engine, photos, f"{folder}/peer.jsonl") / len(photos)
                beside = f"{score(a.shared, name, f'{folder}/peer.jsonl')['cer']:.3f}"
        f1 = "  ".join(f"{figures['fields'].get(f, {}).get('f1', float('nan')):13.3f}" for f in FIELDS)
        ratio = f"{theirs:5.2f}  {theirs / seconds:5.2f}" if theirs else "    -      -"
        print(f"{name:8} {len(photos):6}  {figures['cer']:.3f} {beside}   {f1}   {seconds:7.2f}  {ratio}", flush=True)


if __name__ == "__main__":
    main()
