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
    """A photograph of 4,000 px across, its tray swept bare but for tiles and slip, with so many objects of
    it on the floor, half as large."""
    import numpy
    from PIL import Image
    from scipy import ndimage

    picture = Image.open(photo).convert("RGB")
    grow = 4000 / picture.width
    size = (4000, round(picture.height * grow))
    ids = Image.open(photo.with_suffix(".ids.png"))
    half = tuple(round(v / 2) for v in size)
    small = numpy.asarray(picture.resize(half, Image.Resampling.LANCZOS))
    small_ids = numpy.asarray(ids.resize(half, Image.Resampling.NEAREST))
    canvas = numpy.array(picture.resize(size, Image.Resampling.LANCZOS))
    ids = numpy.asarray(ids.resize(size, Image.Resampling.NEAREST))
    tiles = json.loads(photo.with_suffix(".json").read_text())["scene"]["tiles"]
    boxes = [numpy.array(t["corners_px"]) * grow for t in tiles]
    # Where objects lay, right of the slip, which lies between the left tiles.
    rows, cols = ndimage.find_objects((ids > 0).astype(int))[0]
    left = max(b[:, 0].max() for b in boxes if b[:, 0].max() < size[0] / 2)
    cols = slice(max(cols.start, int(left) + 60), cols.stop)
    random = numpy.random.default_rng(7)
    shape = (rows.stop - rows.start, cols.stop - cols.start)
    bare = canvas[rows, cols][ids[rows, cols] == 0]
    plain = numpy.median(bare, axis=0) + random.normal(0, 1.5, (*shape, 1))
    free = numpy.ones(shape, bool)
    for box in boxes:
        (x0, y0), (x1, y1) = box.min(axis=0) - 60, box.max(axis=0) + 60
        x0, x1 = (int(max(v - cols.start, 0)) for v in (x0, x1))
        y0, y1 = (int(max(v - rows.start, 0)) for v in (y0, y1))
        free[y0:y1, x0:x1] = False
    area = canvas[rows, cols]
    area[free] = numpy.clip(plain, 0, 255).astype("uint8")[free]
    cuts = []
    for label, box in enumerate(ndimage.find_objects(small_ids), 1):
        if box is not None and max(small[box].shape) < 64 and (small_ids[box] == label).sum() > 400:
            cuts.append((small[box], small_ids[box] == label))
    cell = 68
    places = [
        (y, x)
        for y in range(0, shape[0] - cell, cell)
        for x in range(0, shape[1] - cell, cell)
        if free[y : y + cell, x : x + cell].all()
    ]
    if len(places) < count:
        sys.exit(f"room for {len(places)} objects only")
    for k, place in enumerate(random.permutation(len(places))[:count]):
        (row, col), (cut, mask) = places[place], cuts[k % len(cuts)]
        area[row + 2 : row + 2 + mask.shape[0], col + 2 : col + 2 + mask.shape[1]][mask] = cut[mask]
    path = HOME / f"tiled-{count}.jpg"
    Image.fromarray(canvas).save(path, quality=92)
    return path


COUNTS = (50, 100, 200, 500, 1000)


def objects(photos, runs, out):
    base = None
    for count in COUNTS:
        path = tiled(photos[0], count)
        command = assess([path], out, "csv,json", "--force")
        seconds = report(f"{count} objects", command, runs)
        base = base or seconds
        found = sum(1 for _ in open(pathlib.Path(out) / f"{path.stem}.objects.csv")) - 1
        print(f"{seconds / base:.2f} times the time of 50; {found} objects read")
        if not 0.9 * count < found < 1.1 * count:
            print("this says nothing of so many objects")


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
