#!/usr/bin/env python3
"""Whole commands, timed: never part of the tests.

    cargo build --release
    python3 tests/bench/commands.py one        # sample-images/*.jpg and the same twice as large
    python3 tests/bench/commands.py batch      # 100 photographs
    python3 tests/bench/commands.py objects    # trays of 50 to 1,000 objects, tiled from a sample
    python3 tests/bench/commands.py side       # the general-purpose route: OpenCV, scikit-image

`one PHOTOGRAPH...` times photographs of your own. A Python environment is made under target/bench
the first time. Printed are the median and the least of the runs (whole process), and the largest
resident memory of any.
"""

import argparse
import json
import os
import pathlib
import statistics
import subprocess
import sys
import tempfile

ROOT = pathlib.Path(__file__).resolve().parents[2]
ACINUS = ROOT / "target/release/acinus"
HOME = ROOT / "target/bench"
NEEDED = ["numpy", "pillow", "opencv-python-headless", "scikit-image", "scipy"]


def environment():
    """Runs this script again inside its own Python environment."""
    python = HOME / "python/bin/python"
    if pathlib.Path(sys.prefix) == HOME / "python":
        return
    if not python.exists():
        subprocess.run([sys.executable, "-m", "venv", HOME / "python"], check=True)
        subprocess.run([python, "-m", "pip", "install", "--quiet", *NEEDED], check=True)
    os.execv(python, [str(python), *sys.argv])


# A child's largest memory counts that of the process it was started from: it is started from a small one.
MEASURE = """
import os, subprocess, sys, time
start = time.perf_counter()
child = subprocess.Popen(sys.argv[1:], stdout=subprocess.DEVNULL)
_, status, usage = os.wait4(child.pid, 0)
seconds = time.perf_counter() - start
print(os.waitstatus_to_exitcode(status), seconds, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024)
"""


def timed(command, runs, ends):
    """Seconds of each run, seconds of processor time, and the largest resident memory, MB."""
    seconds, busy, memory = [], [], 0.0
    for _ in range(runs):
        small = [sys.executable, "-I", "-S", "-c", MEASURE, *map(str, command)]
        said = subprocess.run(small, check=True, stdout=subprocess.PIPE, text=True).stdout
        status, took, used, most = map(float, said.split())
        if status not in ends:
            sys.exit(f"failed: {' '.join(map(str, command))}")
        seconds.append(took)
        busy.append(used)
        memory = max(memory, most)
    return seconds, busy, memory


def report(what, command, runs, ends=(0,)):
    seconds, busy, memory = timed(command, runs, ends)
    median, least, used = statistics.median(seconds), min(seconds), statistics.median(busy)
    print(
        f"{what:44} median {median:6.3f} s  least {least:6.3f} s  processor {used:6.3f} s  {memory:5.0f} MB",
        flush=True,
    )
    return median


def assess(photos, out, write, *more):
    return [ACINUS, "assess", *photos, "--out", out, "--write", write, *more]


def one(photos, runs, out):
    from PIL import Image

    for photo in photos:
        picture = Image.open(photo)
        large = HOME / f"{photo.stem}-twice.jpg"
        twice = picture.resize((2 * picture.width, 2 * picture.height), Image.Resampling.BICUBIC)
        twice.save(large, quality=92, exif=picture.getexif())
        for path in (photo, large):
            pixels = Image.open(path)
            name = f"{path.stem} ({pixels.width * pixels.height / 1e6:.1f} MP)"
            report(f"{name} csv,json", assess([path], out, "csv,json"), runs)
            report(f"{name} all", assess([path], out, "csv,json,overlay,report"), runs)


def batch(photos, runs, out):
    folder = HOME / "batch"
    folder.mkdir(exist_ok=True)
    for old in folder.iterdir():
        old.unlink()
    for k in range(100):
        (folder / f"{k:03}.jpg").symlink_to(photos[k % len(photos)])
    many = sorted(folder.iterdir())
    # The same trays again and again: each is read, and no figures of the load are made of them (exit code 1).
    command = assess(many, out, "csv,json")
    seconds = report("100 photographs csv,json", command, runs, ends=(0, 1))
    read = len(list(pathlib.Path(out).glob("*.objects.csv")))
    print(f"{100 / seconds:.2f} photographs a second, {read} read")
    report("10 photographs csv,json", assess(many[:10], out, "csv,json"), runs, ends=(0, 1))


def tiled(photo, count):
    """A picture of 12 MP with so many objects of a sample photograph on its bare floor."""
    import numpy
    from PIL import Image
    from scipy import ndimage

    picture = numpy.asarray(Image.open(photo).convert("RGB"))
    ids = numpy.asarray(Image.open(photo.with_suffix(".ids.png")))
    truth = json.loads(photo.with_suffix(".json").read_text())
    height, width = 3000, 4000
    random = numpy.random.default_rng(7)
    floor = picture[ids == 0]
    # The middle of the floor's brightness: no glare, no shade.
    light = floor.sum(axis=1)
    floor = floor[numpy.abs(light - numpy.median(light)) < 12]
    canvas = floor[random.integers(len(floor), size=(height, width))]
    cuts = []
    for label, box in enumerate(ndimage.find_objects(ids), 1):
        if box is not None and max(picture[box].shape) < 95:
            cuts.append((picture[box], ids[box] == label))
    across = 40
    places = random.permutation(across * 30)[:count]
    for k, place in enumerate(places):
        cut, mask = cuts[k % len(cuts)]
        row, col = place // across * 100 + 2, place % across * 100 + 2
        canvas[row : row + mask.shape[0], col : col + mask.shape[1]][mask] = cut[mask]
    path = HOME / f"tiled-{count}.jpg"
    Image.fromarray(canvas).save(path, quality=92)
    return path, truth["scene"]["px_per_mm_centre"]


COUNTS = (50, 100, 200, 500, 1000)


def objects(photos, runs, out):
    base = None
    for count in COUNTS:
        path, scale = tiled(photos[0], count)
        more = ["--px-per-mm", f"{scale:.4f}", "--force"]
        seconds = report(f"{count} objects", assess([path], out, "csv,json", *more), runs)
        base = base or seconds
        print(f"{seconds / base:.2f} times the time of 50")


ROUTES = {
    "OpenCV": """
import cv2, numpy, sys
picture = cv2.imread(sys.argv[1])
x0, y0, x1, y1 = map(int, sys.argv[2:])
tray = picture[y0:y1, x0:x1]
lab = cv2.cvtColor(tray, cv2.COLOR_BGR2LAB).astype(numpy.float32)
away = numpy.linalg.norm(lab - cv2.blur(lab, (301, 301)), axis=2)
away = numpy.clip(away, 0, 255).astype(numpy.uint8)
_, mask = cv2.threshold(away, 0, 255, cv2.THRESH_OTSU)
mask = cv2.morphologyEx(mask, cv2.MORPH_OPEN, numpy.ones((5, 5), numpy.uint8))
distance = cv2.distanceTransform(mask, cv2.DIST_L2, 5)
_, peaks = cv2.threshold(distance, 0.5 * distance.max(), 255, 0)
_, markers = cv2.connectedComponents(peaks.astype(numpy.uint8))
markers += 1
markers[(mask > 0) & (peaks == 0)] = 0
labels = cv2.watershed(tray, markers)
inside = (labels > 1).astype(numpy.uint8)
count, parts, stats, centres = cv2.connectedComponentsWithStats(inside)
means = [numpy.bincount(parts.ravel(), lab[:, :, c].ravel()) for c in range(3)]
print(count, stats[1:3], [m[1] for m in means])
""",
    "scikit-image": """
import numpy, sys
from scipy import ndimage
from skimage import color, feature, filters, io, measure, segmentation
picture = io.imread(sys.argv[1])
x0, y0, x1, y1 = map(int, sys.argv[2:])
tray = picture[y0:y1, x0:x1]
lab = color.rgb2lab(tray)
away = numpy.linalg.norm(lab - ndimage.uniform_filter(lab, (301, 301, 0)), axis=2)
mask = ndimage.binary_opening(away > filters.threshold_otsu(away), numpy.ones((5, 5)))
distance = ndimage.distance_transform_edt(mask)
peaks = feature.peak_local_max(distance, min_distance=15, labels=measure.label(mask))
markers = numpy.zeros(mask.shape, int)
markers[tuple(peaks.T)] = numpy.arange(1, len(peaks) + 1)
labels = segmentation.watershed(-distance, markers, mask=mask)
table = measure.regionprops_table(labels, lab, properties=("area", "eccentricity", "mean_intensity"))
print(len(table["area"]))
""",
}


def side(photos, runs, out):
    """The same work by general-purpose libraries, which are handed the clean tray region."""
    import numpy
    from PIL import Image

    for photo in photos:
        ids = numpy.asarray(Image.open(photo.with_suffix(".ids.png")))
        rows, cols = (numpy.flatnonzero(ids.any(axis=k)) for k in (1, 0))
        box = [cols[0], rows[0], cols[-1] + 1, rows[-1] + 1]
        report(f"{photo.stem} acinus", assess([photo], out, "csv,json"), runs)
        for name, code in ROUTES.items():
            report(f"{photo.stem} {name}", [sys.executable, "-c", code, photo, *box], runs)


def main():
    jobs = {"one": one, "batch": batch, "objects": objects, "side": side}
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("job", choices=jobs)
    parser.add_argument("photos", nargs="*", type=pathlib.Path)
    parser.add_argument("--runs", type=int, default=7)
    args = parser.parse_args()
    if not ACINUS.exists():
        sys.exit("cargo build --release comes first")
    HOME.mkdir(parents=True, exist_ok=True)
    environment()
    samples = [ROOT / "sample-images/black-unsorted-1.jpg"]
    photos = [p.resolve() for p in args.photos] or samples
    with tempfile.TemporaryDirectory() as out:
        jobs[args.job](photos, args.runs, out)


if __name__ == "__main__":
    main()
