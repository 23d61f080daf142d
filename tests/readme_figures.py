"""Make the four pictures of the README from the notebooks: ``python -m tests.readme_figures``."""

from __future__ import annotations

import base64
import io
from pathlib import Path

import nbformat
from nbclient import NotebookClient
from PIL import Image

HOME = Path(__file__).parent.parent / "notebooks"
FIGURES = HOME / "figures"
LARGEST = 120_000  # bytes
WIDTH = 800  # pixels
WANTED = {  # notebook: figure call -> file
    "1_planning_a_series": {"figures.plan_layout(": "drafting_block_plan.png"},
    "2_fitting_outcomes": {
        "figures.traces(": "drafting_block_traces.png",
        "figures.where_met(": "drafting_block_where_met.png",
    },
    "3_cheaper_filler": {"figures.predicted_against_targets(": "ink_wedge_suggested.png"},
}


def pictures(notebook: str) -> dict[str, bytes]:
    """Run a notebook and return the pictures wanted of it, by file name, as PNG."""
    book = nbformat.read(HOME / f"{notebook}.ipynb", as_version=4)
    NotebookClient(book, timeout=300, kernel_name="python3", resources={"metadata": {"path": HOME}}).execute()
    found = {}
    for call, name in WANTED[notebook].items():
        cells = [cell for cell in book.cells if cell.cell_type == "code" and call in cell.source]
        if len(cells) != 1:
            raise SystemExit(f"{notebook}: {len(cells)} cells call {call[:-1]}; one is expected.")
        data = [out.data["image/png"] for out in cells[0].outputs if "image/png" in out.get("data", {})]
        found[name] = base64.b64decode(data[-1])
    return found


def small(png: bytes) -> bytes:
    """Return a picture in a palette of 256 colours, no wider than `WIDTH` pixels."""
    image = Image.open(io.BytesIO(png)).convert("RGB")
    if image.width > WIDTH:
        image = image.resize((WIDTH, round(image.height * WIDTH / image.width)), Image.Resampling.LANCZOS)
    file = io.BytesIO()
    image.quantize(256, method=Image.Quantize.MAXCOVERAGE).save(file, format="png", optimize=True)
    return file.getvalue()


def main() -> None:
    FIGURES.mkdir(exist_ok=True)
    for notebook in WANTED:
        for name, png in pictures(notebook).items():
            content = small(png)
            if len(content) > LARGEST:
                raise SystemExit(f"{name} has {len(content)} bytes; at most {LARGEST} are wanted.")
            (FIGURES / name).write_bytes(content)
            print(f"{name}: {len(content) / 1000:.0f} kB")


if __name__ == "__main__":
    main()
