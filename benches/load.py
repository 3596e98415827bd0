#!/usr/bin/env python3
"""Takes many photographs in, killed again and again, settles them, and plots what it cost.

    python3 benches/load.py WORK [--photos 10000] [--side 900] [--kills 12] [--settle 1000] [--plot load.svg] [--go-on]

Makes photographs out of samples-demo/photos (turned a little, lighter or darker, noisy, the longer side
cut to --side pixels; every file differs), reads them with `glassine add` into WORK/moths in one run of
the command, which is killed (SIGKILL) --kills times at random moments and started again. Then settles
drafts one by one over the page, as a person's browser would, and verifies the folder.

While it works it writes WORK/load.csv every few seconds: seconds since the start (without the making of
photographs), process (add, review), drafts, records, resident memory in MB, size of the catalogue in MB,
seconds of processor time so far. At the end it says photographs a second, processor time a photograph (which
other programs on the machine move less) and memory in each tenth, whether a photograph is
missing or there twice, and what `glassine verify` says. A run that was broken off goes on with --go-on, in
the same WORK and with the same numbers; the time between is left out.

Needs: `cargo build --release`; `pip install pillow`, and matplotlib for --plot.
"""
import argparse, csv, datetime, glob, http.cookiejar, os, platform, random, re, sqlite3, subprocess, sys, time
import urllib.parse, urllib.request

HERE = os.path.dirname(os.path.abspath(__file__))
ROOT = os.path.dirname(HERE)
GLASSINE = f"{ROOT}/target/release/glassine"


def make_photographs(folder, count, side, seed):
    """Photographs that differ in every byte that counts, made once."""
    from PIL import Image, ImageEnhance
    os.makedirs(folder, exist_ok=True)
    rng = random.Random(seed)
    samples = []
    for path in sorted(glob.glob(f"{ROOT}/samples-demo/photos/*.jpg")):
        picture = Image.open(path).convert("RGB")
        picture.thumbnail((side, side), Image.LANCZOS)
        samples.append(picture)
    noise = [Image.effect_noise((side, side), 14).convert("RGB") for _ in range(8)]
    for n in range(count):
        path = f"{folder}/{n:05}.jpg"
        picture = samples[n % len(samples)]
        turn, light, grain, quality = rng.uniform(-2, 2), rng.uniform(0.85, 1.15), rng.choice(noise), rng.randint(80, 92)
        if os.path.exists(path):
            continue
        picture = picture.rotate(turn, Image.BICUBIC, fillcolor=picture.getpixel((2, 2)))
        picture = ImageEnhance.Brightness(picture).enhance(light)
        picture = Image.blend(picture, grain.crop((0, 0, *picture.size)), 0.06)
        picture.save(path, quality=quality, comment=f"{n}".encode())


def memory(pid):
    """Resident memory of a process in MB; None where it has ended."""
    try:
        found = re.search(r"VmRSS:\s+(\d+) kB", open(f"/proc/{pid}/status").read())
        return int(found.group(1)) / 1024 if found else None
    except OSError:
        return None


def processor(pid):
    """Processor time of a process so far, in seconds; None where it has ended."""
    try:
        fields = open(f"/proc/{pid}/stat").read().rpartition(")")[2].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
    except OSError:
        return None


def count(folder, table):
    try:
        with sqlite3.connect(f"file:{folder}/catalogue.db?mode=ro", uri=True, timeout=5) as db:
            return db.execute(f"SELECT count(*) FROM {table}").fetchone()[0]
    except sqlite3.Error:
        return None


class Watch:
    """Writes down what a process costs, every few seconds."""

    def __init__(self, folder, path, go_on):
        self.folder, self.rows, self.begun = folder, [], time.time()
        self.pid, self.before, self.spent = None, 0.0, 0.0
        if go_on:
            with open(path, newline="") as f:
                for r in list(csv.reader(f))[1:]:
                    self.rows.append([float(r[0]), r[1], int(r[2]), int(r[3]), *map(float, r[4:])])
        if self.rows:
            self.begun, self.spent = self.begun - self.rows[-1][0], self.rows[-1][6]
        self.file = open(path, "a" if go_on else "w", newline="")
        self.out = csv.writer(self.file)
        if not go_on:
            self.out.writerow(["seconds", "process", "drafts", "records", "memory_mb", "catalogue_mb", "processor_s"])

    def note(self, what, pid):
        size = sum(os.path.getsize(f) for f in glob.glob(f"{self.folder}/catalogue.db*"))
        row = [round(time.time() - self.begun, 1), what, count(self.folder, "draft"), count(self.folder, "lot"),
               memory(pid), round(size / 1e6, 2), processor(pid)]
        if None not in row:
            # What a killed process had used is counted up to its last row.
            if pid != self.pid:
                self.pid, self.before = pid, self.spent
            self.spent = self.before + row[6]
            row[4], row[6] = round(row[4], 1), round(self.spent, 2)
            self.rows.append(row); self.out.writerow(row); self.file.flush()


def add(folder, photos, watch, total, kills, seed):
    """`glassine add` to its end, killed so many times on the way."""
    rng = random.Random(seed)
    at = sorted(rng.sample(range(1, total), kills))
    at = [k for k in at if k > (count(folder, "draft") or 0)]
    while True:
        log = open(f"{folder}.log", "a")
        child = subprocess.Popen([GLASSINE, "add", folder, photos], stdout=log, stderr=log)
        due, noted = at[0] if at else None, 0.0
        while child.poll() is None:
            time.sleep(0.05 if due else 0.5)
            if time.time() - noted > 5:
                watch.note("add", child.pid); noted = time.time()
            if due is not None and (count(folder, "draft") or 0) >= due:
                time.sleep(rng.random())
                child.kill(); child.wait(); at.pop(0)
                break
        else:
            return child.returncode


class Page:
    """The review page as a browser sees it."""

    def __init__(self, folder):
        self.child = subprocess.Popen([GLASSINE, "review", "--no-open", "--port", "0", "--who", "M. Orrin", folder],
                                      stderr=subprocess.PIPE, text=True)
        line = self.child.stderr.readline()
        found = re.search(r"http://127\.0\.0\.1:\d+", line)
        if not found:
            sys.exit(f"error: the page does not open: {line}")
        self.base = found.group(0)
        self.browser = urllib.request.build_opener(urllib.request.HTTPCookieProcessor(http.cookiejar.CookieJar()))
        self.at = None

    def get(self, path):
        with self.browser.open(self.base + path, timeout=60) as answer:
            self.at = urllib.parse.urlsplit(answer.geturl()).path
            return answer.read().decode()

    def post(self, path, **form):
        asked = urllib.request.Request(self.base + path, urllib.parse.urlencode(form).encode(), {"Origin": self.base})
        with self.browser.open(asked, timeout=60) as answer:
            self.at = urllib.parse.urlsplit(answer.geturl()).path
            return answer.read().decode()


def settle(folder, watch, most):
    """Settles drafts one after the other; seconds from settling to the next page, for each."""
    page, took, noted = Page(folder), [], 0.0
    hidden = lambda text, name: re.search(rf'name="{name}" value="([^"]*)"', text).group(1)
    text = page.get("/next")
    while len(took) < most and page.at.startswith("/draft/"):
        began = time.time()
        text = page.post(page.at + "/settle", token=hidden(text, "token"), seen=hidden(text, "seen"))
        took.append(time.time() - began)
        if time.time() - noted > 2:
            watch.note("review", page.child.pid); noted = time.time()
    watch.note("review", page.child.pid)
    page.child.terminate(); page.child.wait()
    return took


def plot(rows, path):
    import matplotlib
    matplotlib.use("Agg")
    matplotlib.rcParams["svg.hashsalt"] = "load"
    import matplotlib.pyplot as plt
    fig, (left, right) = plt.subplots(1, 2, figsize=(10, 3.6))
    for what, column, ink in (("add", 2, "#2b5d8a"), ("review", 3, "#8a5a2b")):
        mine = [r for r in rows if r[1] == what]
        if not mine:
            continue
        label = {"add": "drafts, photographs read", "review": "records, settled one by one"}[what]
        left.plot([r[0] / 60 for r in mine], [r[column] for r in mine], color=ink, label=label)
        right.plot([r[column] for r in mine], [r[4] for r in mine], ".", markersize=3, color=ink,
                   label={"add": "reading", "review": "page"}[what])
    left.set_xlabel("minutes"); left.set_ylabel("count"); left.legend(); left.grid(alpha=0.3)
    right.set_xlabel("drafts, records"); right.set_ylabel("resident memory, MB"); right.set_ylim(0); right.legend(); right.grid(alpha=0.3)
    fig.tight_layout(); fig.savefig(path, metadata={"Date": None})


def main():
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("work"); ap.add_argument("--photos", type=int, default=10000)
    ap.add_argument("--side", type=int, default=900); ap.add_argument("--kills", type=int, default=12)
    ap.add_argument("--settle", type=int, default=1000); ap.add_argument("--seed", type=int, default=5)
    ap.add_argument("--plot"); ap.add_argument("--go-on", action="store_true")
    a = ap.parse_args()
    photos, folder = f"{a.work}/photos", f"{a.work}/moths"
    if os.path.exists(folder) != a.go_on:
        sys.exit(f"error: {folder} is there already\nhint: name another folder, remove it, or use --go-on" if not a.go_on
                 else f"error: {folder} is not there\nhint: leave --go-on out")
    make_photographs(photos, a.photos, a.side, a.seed)
    if not a.go_on:
        subprocess.run([GLASSINE, "new", folder], check=True)
        for table in glob.glob(f"{ROOT}/samples-demo/config/*.toml"):
            with open(table) as f, open(f"{folder}/config/{os.path.basename(table)}", "w") as out:
                out.write(f.read())
    watch = Watch(folder, f"{a.work}/load.csv", a.go_on)
    code = add(folder, photos, watch, a.photos, a.kills, a.seed)
    seconds = time.time() - watch.begun    # with --go-on, without the time between
    print(f"{datetime.date.today()}  {os.cpu_count()} cores {platform.machine()}")
    print(f"{a.photos} photographs of {a.side} pixels in {seconds:.0f} s, {a.photos / seconds:.2f} a second, "
          f"killed {a.kills} times, last exit code {code}")
    rows = [r for r in watch.rows if r[1] == "add"]
    for k in range(10):
        part = [r for r in rows if a.photos * k / 10 <= r[2] <= a.photos * (k + 1) / 10]
        if part and part[-1][2] > part[0][2]:
            speed = (part[-1][2] - part[0][2]) / (part[-1][0] - part[0][0])
            each = (part[-1][6] - part[0][6]) / (part[-1][2] - part[0][2])
            print(f"  tenth {k + 1:2}: {speed:5.2f} a second, {each:.2f} s of processor time a photograph, memory {min(r[4] for r in part):.0f} to {max(r[4] for r in part):.0f} MB")
    with sqlite3.connect(f"file:{folder}/catalogue.db?mode=ro", uri=True) as db:
        of = db.execute("SELECT count(*), count(DISTINCT photo) FROM draft").fetchone()
    print(f"drafts {of[0]}, of {of[1]} photographs; files kept {sum(len(f) for _, _, f in os.walk(f'{folder}/photos'))}")
    took = sorted(settle(folder, watch, a.settle))
    if took:
        mine = [r for r in watch.rows if r[1] == "review"]
        print(f"{len(took)} settled: median {took[len(took) // 2] * 1000:.0f} ms, slowest of a hundred "
              f"{took[len(took) * 99 // 100] * 1000:.0f} ms, page's memory {mine[0][4]:.0f} to {max(r[4] for r in mine):.0f} MB")
    subprocess.run([GLASSINE, "verify", folder])
    if a.plot:
        plot(watch.rows, a.plot)


if __name__ == "__main__":
    main()
