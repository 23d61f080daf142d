"""What all tests share: the project's folder as working directory, no screen, hypothesis without a stopwatch."""

import os
from pathlib import Path

from hypothesis import HealthCheck, settings

os.environ.setdefault("MPLBACKEND", "agg")
os.environ.setdefault(
    "OPENBLAS_NUM_THREADS", "1"
)  # two workers on two cores: threads of their own get in the way
os.chdir(Path(__file__).parent.parent)  # paths such as demo_trials/ink_wedge stand as a user writes them

settings.register_profile(
    "formlab", deadline=None, suppress_health_check=[HealthCheck.too_slow], derandomize=True
)
settings.load_profile("formlab")
