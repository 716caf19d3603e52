"""How long the main job takes, stage by stage, against decoding the same photo; memory and start-up."""

from __future__ import annotations

import os
import platform
import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import TypeVar

import cv2
import numpy as np
from recipe import plain_recipe
from scoring import match, read_truth, spread

from traygauge.judge.judging import judge_pieces
from traygauge.judge.spec import Spec, read_spec
from traygauge.measure import measure_pieces
from traygauge.segment.find import find_pieces
from traygauge_calib.fitness import check_fitness
from traygauge_calib.scale import calibrate
from traygauge_shared.loading import AS_STORED, load_photo

T = TypeVar("T")


def environment() -> str:
    """Return the machine and the versions that matter, one line."""
    return (
        f"{platform.system()} {platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}, "
        f"NumPy {np.__version__}, OpenCV {cv2.__version__}"
    )


def median_seconds(job: Callable[[], T], rounds: int) -> tuple[float, T]:
    """Return the median time of a job over some rounds (after one to warm up), and its result."""
    result = job()
    took = []
    for _ in range(rounds):
        start = time.perf_counter()
        result = job()
        took.append(time.perf_counter() - start)
    return float(np.median(took)), result


def stages(photo: Path, rounds: int = 9) -> float:
    """Print each stage's time for one photo and return the whole over the decode floor.

    A machine's own pace swings, so that the whole job and decoding take turns, and each round has its own ratios.
    The floor is what decoding costs a process that does nothing else (`_DECODING`). In the job's own process it costs
    less as soon as the job has left memory behind that the decoder can take up again: printed beside it.
    """
    data = np.frombuffer(photo.read_bytes(), np.uint8)
    spec = read_spec("rigid-1.75")

    def here() -> float:
        start = time.perf_counter()
        cv2.imdecode(data, AS_STORED)
        return time.perf_counter() - start

    with closing(_Decoder(photo)) as alone:
        _one_round(photo, spec)  # one to warm up
        floors, taken = [], []
        for _ in range(rounds):
            before = alone.seconds(), here()
            count, took = _one_round(photo, spec)
            after = alone.seconds(), here()
            floors.append(np.add(before, after) / 2)
            taken.append(took)
    floor, total = np.array(floors), np.array([sum(took.values()) for took in taken])
    usual = np.median(floor, axis=0)
    print(
        f"{photo.name}: {count} pieces; decoding takes a process of its own (the floor) {1e3 * usual[0]:.0f} ms, this one,"
        f" which takes up memory again that the job has left, {1e3 * usual[1]:.0f} ms"
    )
    for name in taken[0]:
        seconds = float(np.median([took[name] for took in taken]))
        print(f"  {name:15s} {1e3 * seconds:7.1f} ms   {seconds / usual[0]:5.2f} x floor")
    (low, middle, high), (_, middle_here, _) = np.percentile(total[:, None] / floor, (25, 50, 75), axis=0).T
    print(
        f"  {'file to verdict':15s} {1e3 * np.median(total):7.1f} ms   {middle:5.2f} x floor"
        f" (quartiles of {rounds} rounds {low:.2f} and {high:.2f}); {middle_here:.2f} x decoding in this process"
    )
    return float(middle)


#: Decodes the photo named once for each line that comes in, and answers with the seconds it took.
_DECODING = """
import sys, time, cv2, numpy as np
data = np.fromfile(sys.argv[1], np.uint8)
for _ in sys.stdin:
    start = time.perf_counter()
    cv2.imdecode(data, int(sys.argv[2]))
    print(time.perf_counter() - start, flush=True)
"""


class _Decoder:
    """A process of its own that decodes a photo when asked, as `load_photo` would have OpenCV do it."""

    def __init__(self, photo: Path) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-c", _DECODING, str(photo), str(AS_STORED)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        for _ in range(3):
            self.seconds()  # to warm up

    def seconds(self) -> float:
        """Return the seconds that decoding takes now."""
        print(file=self._process.stdin, flush=True)
        assert self._process.stdout is not None
        return float(self._process.stdout.readline())

    def close(self) -> None:
        """End the process."""
        self._process.communicate()


def _one_round(photo: Path, spec: Spec) -> tuple[int, dict[str, float]]:
    """Return how many pieces a photo holds, and the seconds that each stage takes."""
    took: dict[str, float] = {}

    def timed(name: str, job: Callable[[], T]) -> T:
        start = time.perf_counter()
        result = job()
        took[name] = time.perf_counter() - start
        return result

    loaded = timed("load", lambda: load_photo(photo))
    tray = timed("calibrate", lambda: calibrate(loaded))
    timed("check fitness", lambda: check_fitness(tray))
    regions = timed("find pieces", lambda: find_pieces(tray))
    pieces = timed("measure", lambda: measure_pieces(regions))
    timed("judge", lambda: judge_pieces(pieces, spec, windows_mm={loaded.name: tray.window_mm}))
    return len(pieces), took


def beside_the_plain_recipe(photo: Path, truth: Path) -> None:
    """Print time and errors of the plain recipe and of ours on the same photo."""
    loaded = load_photo(photo)
    tray = calibrate(loaded)
    box = tray.window_px
    (x0, y0), (x1, y1) = np.ceil(box.min(0)).astype(int) + 12, np.floor(box.max(0)).astype(int) - 12
    scale = float(tray.px_per_mm(np.array([np.mean(tray.window_mm[::2]), np.mean(tray.window_mm[1::2])])))
    gray = cv2.cvtColor(np.ascontiguousarray(loaded.pixels[y0:y1, x0:x1]), cv2.COLOR_RGB2GRAY)
    took, plain = median_seconds(lambda: plain_recipe(gray, scale), 1)
    true = read_truth(truth)
    mm = tray.to_mm(np.stack([plain["x"] + x0, plain["y"] + y0], -1))
    from traygauge.measure import Pieces

    n = len(mm)
    table = Pieces.of(
        n,
        {
            "piece": np.arange(n),
            "x_mm": mm[:, 0],
            "y_mm": mm[:, 1],
            "length_mm": plain["length_mm"],
            "diameter_mm": plain["diameter_mm"],
            "tail_length_mm": np.zeros(n),
        },
    )
    ours_took, ours = median_seconds(lambda: measure_pieces(find_pieces(tray)), 3)
    for name, seconds, pieces in (("plain recipe", took, table), ("this program", ours_took, ours)):
        m = match(true, pieces)
        found, all_ = m.recall("all")
        length, diameter = (spread(m.errors(k)) for k in ("length_mm", "width_seen_mm"))
        print(
            f"  {name:14s} {1e3 * seconds:7.0f} ms  found {found}/{all_}, spare {m.spare}; length "
            + "{:.0f} / {:.0f} / {:.0f} µm".format(*(1e3 * v for v in length))
            + "; diameter {:.0f} / {:.0f} / {:.0f} µm".format(*(1e3 * v for v in diameter))
        )


_MEMORY = """
import resource, sys
from traygauge.batch import inspect_batch
import traygauge.judge.judging, cv2
def peak(): return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
before = peak()
batch = inspect_batch([sys.argv[1]], "rigid-1.75")
photo = batch.photos[0].photo.pixels.nbytes / 2**20
print(f"{before:.0f} {peak():.0f} {photo:.0f}")
"""


def memory(photo: Path) -> None:
    """Print the peak memory of one inspection, above the imports, over the decoded photo's size."""
    out = subprocess.run(
        [sys.executable, "-c", _MEMORY, str(photo)], capture_output=True, text=True, check=True
    ).stdout
    before, peak, pixels = (float(v) for v in out.split())
    print(
        f"memory: {peak - before:.0f} MiB above the imports ({before:.0f} MiB), decoded photo {pixels:.0f} MiB: {(peak - before) / pixels:.1f} x"
    )


def start_up(photo: Path) -> None:
    """Print how long help, version and a whole cold run take."""
    program = str(Path(sys.executable).with_name("traygauge"))
    for words in (["--version"], ["--help"], ["inspect", str(photo), "--json", "--out", os.devnull]):
        if words[0] == "inspect":
            import tempfile

            with tempfile.TemporaryDirectory() as folder:
                words[-1] = folder
                took = _best([program, *words])
        else:
            took = _best([program, *words])
        print(f"cold start: {words[0]:10s} {took:.2f} s")


def _best(command: list[str], rounds: int = 4) -> float:
    took = []
    for _ in range(rounds):
        start = time.perf_counter()
        subprocess.run(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, check=False)
        took.append(time.perf_counter() - start)
    return min(took)
