"""Large plans, each with its limit, in a process of its own: clock seconds on all cores, and the most memory taken.

Seven shares and two settings: the combined mixture-process model of Kowalski, Cornell & Vining (2002), 45 terms in 60
runs (aim 30 s), and the fully crossed one, 168 terms in 200 runs (aim 180 s); less than 1 GiB.
"""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import time

CASES = (("main", 60, 30.0), ("full", 200, 180.0))


def one(crossed: str, runs: int) -> None:
    """Lay out one plan and find its limit; print what it took."""
    from formlab import Brief, lay_out
    from tests.plans_quality import CURE, SEVEN

    start = time.perf_counter()
    brief = Brief(basis="fraction", ingredient=SEVEN, setting=CURE, crossed=crossed)
    plan = lay_out(
        brief, runs=runs, batches=runs, criterion="I", seed=1, n_jobs=os.cpu_count(), progress=False
    )
    laid = time.perf_counter() - start
    best = plan.judge(limit=True).efficiencies.iloc[0]
    seconds = time.perf_counter() - start
    most = max(resource.getrusage(who).ru_maxrss for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    print(
        f"{len(plan.space)} terms, {runs} runs, I: {seconds:.1f} s, {laid:.1f} s of it the plan; efficiency "
        f"{100 * best['efficiency']:.2f} % ({best['limit']}); {most / 1024:.0f} MiB"
    )


def main() -> None:
    for crossed, runs, aim in CASES:
        code = f"from tests.benchmarks.bench_size import one; one({crossed!r}, {runs})"
        print(f"aim {aim:g} s: ", end="", flush=True)
        subprocess.run([sys.executable, "-c", code], check=True)


if __name__ == "__main__":
    main()
