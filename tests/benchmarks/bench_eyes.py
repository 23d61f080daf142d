"""How long people wait: import, ``--help``, and from a control of the what-if panel to the screen.

Run with ``python -m tests.benchmarks.bench_eyes``. It prints times and the machine; nothing is asserted.
"""

from __future__ import annotations

import os
import platform
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import formlab as fl
from formlab.panel.page import served
from tests.benchmarks.rows import Row

HOME = Path(__file__).parent.parent.parent
CHROMIUM = Path("/usr/bin/chromium")
FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-dev-shm-usage"]
# from a key on the first slider to the frame in which predictions and costs have changed
PRESSED = """() => new Promise(done => {
  const shown = () => document.querySelector('.fl-predicted').innerHTML;
  const before = shown(), start = performance.now();
  document.querySelector('.fl-panel [role=slider]').dispatchEvent(
    new KeyboardEvent('keydown', {key: 'ArrowRight', bubbles: true, cancelable: true}));
  const look = () => requestAnimationFrame(() =>
    shown() !== before || performance.now() - start > 5000 ? done(performance.now() - start) : look());
  look();
})"""


def spread(times: list[float]) -> str:
    """Median and worst of some seconds, in ms."""
    return (
        f"median {1e3 * statistics.median(times):.0f} ms, worst {1e3 * max(times):.0f} ms, n = {len(times)}"
    )


def runs(command: list[str], repeats: int = 7) -> list[float]:
    """Seconds that a fresh interpreter takes, the first run left out."""
    found = []
    for _ in range(repeats + 1):
        start = time.perf_counter()
        subprocess.run([sys.executable, *command], check=True, capture_output=True)
        found.append(time.perf_counter() - start)
    return found[1:]


def in_the_kernel(folder: Path, moves: int = 30) -> list[float]:
    """Seconds from a control to the messages that are sent, without a browser."""
    series = fl.open_series(folder)
    panel = fl.panel(series.brief, fl.fit(series.brief, series.trials(), seed=1))
    control = panel.controls["oil"]
    found = []
    for k in range(moves):
        start = time.perf_counter()
        control.value += control.step if k % 2 else -control.step
        found.append(time.perf_counter() - start)
    return found


def on_the_screen(folder: Path, moves: int = 30) -> list[float]:
    """Seconds from a key to the picture, in the panel's own page."""
    from playwright.sync_api import sync_playwright

    with tempfile.TemporaryDirectory() as place, sync_playwright() as playwright:
        series = fl.open_series(shutil.copytree(folder, Path(place) / folder.name))
        with served(series) as (address, _):
            browser = playwright.chromium.launch(executable_path=str(CHROMIUM), args=FLAGS)
            page = browser.new_page()
            page.goto(address)
            page.locator("tr[data-cost]").first.wait_for(timeout=120_000)
            page.wait_for_timeout(1000)
            found = []
            for _ in range(moves):
                found.append(page.evaluate(PRESSED) / 1000)
                page.wait_for_timeout(200)
            browser.close()
    return found


def rows() -> list[Row]:
    """Medians by the clock on the wall; there is nothing to set beside them."""
    folder = HOME / "demo_trials" / "drafting_block"
    waits = {
        "wait for import formlab (wall)": runs(["-c", "import formlab"], 3),
        "wait for formlab --help (wall)": runs(["-m", "formlab.cli", "--help"], 3),
        "panel, control to messages (wall)": in_the_kernel(folder, 10),
    }
    return [Row(task, statistics.median(times)) for task, times in waits.items()]


def main() -> None:
    print(
        f"{platform.platform()}, Python {platform.python_version()}, {os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}"
    )
    bare = statistics.median(runs(["-c", "pass"]))
    print(f"a bare interpreter: {1e3 * bare:.0f} ms")
    print(f"import formlab: {spread(runs(['-c', 'import formlab']))}")
    print(f"formlab --help: {spread(runs(['-m', 'formlab.cli', '--help']))}")
    for name in ("drafting_block", "ink_wedge"):
        folder = HOME / "demo_trials" / name
        print(f"{name}, control to messages: {spread(in_the_kernel(folder))}")
        if CHROMIUM.exists():
            print(f"{name}, control to screen: {spread(on_the_screen(folder))}")


if __name__ == "__main__":
    main()
