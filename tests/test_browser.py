"""What people see, in a real browser: notebooks in JupyterLab, the panel there and as a page of its own.

Debian's chromium is driven; where it is absent these tests are skipped, unless FORMLAB_BROWSER=required.
"""

import contextlib
import json
import os
import re
import secrets
import shutil
import socket
import statistics
import subprocess
import sys
import time
from pathlib import Path
from urllib.parse import urlsplit

import nbformat
import pytest

import formlab as fl
from formlab.html import number
from formlab.panel.page import served

CHROMIUM = Path("/usr/bin/chromium")
REQUIRED = os.environ.get("FORMLAB_BROWSER") == "required"
pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(not CHROMIUM.exists() and not REQUIRED, reason=f"there is no {CHROMIUM}"),
]
HOME = Path(__file__).parent.parent
NOTEBOOKS = sorted((HOME / "notebooks").glob("*.ipynb"))
FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-dev-shm-usage",
]
SETTINGS = {
    "notebook-extension/tracker": {"windowingMode": "none"},  # else only the first cells are in the page
    "apputils-extension/notification": {"fetchNews": "false", "checkForUpdates": False},
}
# JupyterLab 4.6 shows a traceback as what was written to stderr, which is not always an error
ERROR = (
    '[data-mime-type="application/vnd.jupyter.error"], '
    '[data-mime-type="application/vnd.jupyter.stderr"]:has-text("Traceback")'
)
WARNING = '[data-mime-type="application/vnd.jupyter.stderr"]:has-text("Warning")'
PANEL = """
import formlab as fl
series = fl.open_series("demo_trials/drafting_block")
surfaces = fl.fit(series.brief, series.trials(), kind="least squares", seed=1)
fl.panel(series.brief, surfaces)
"""
DEAF = """
import ipywidgets as w
w.VBox([w.IntSlider(description="deaf"), w.HTML("<p class='says'>0</p>")])
"""
RAISING = """
import ipywidgets as w
slider, out = w.IntSlider(description="raising"), w.Output()
@out.capture()
def moved(change):
    raise ValueError("on purpose")
slider.observe(moved, "value")
w.VBox([slider, out])
"""


# ---- a browser and what it is not to do --------------------------------------------------------


class Watch:
    """Errors on the console, and requests that leave the machine."""

    def __init__(self, page):
        self.errors, self.away = [], []
        page.on("console", lambda said: self.errors.append(said.text) if said.type == "error" else None)
        page.on("pageerror", lambda error: self.errors.append(str(error)))
        page.on("request", lambda request: self._asked(request.url))
        page.on("websocket", lambda socket: self._asked(socket.url))

    def _asked(self, url):
        parts = urlsplit(url)
        if parts.scheme not in ("data", "blob") and parts.hostname != "127.0.0.1":
            self.away.append(url)

    def check(self):
        assert self.errors == []
        assert self.away == []


@pytest.fixture(scope="module")
def chromium():
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=str(CHROMIUM), args=FLAGS)
        yield browser
        browser.close()


@pytest.fixture
def page(chromium):
    with contextlib.closing(chromium.new_context(viewport={"width": 1280, "height": 1000})) as context:
        page = context.new_page()
        page.set_default_timeout(180_000)
        page.watch = Watch(page)
        yield page


# ---- a JupyterLab --------------------------------------------------------------------------------


class Lab:
    """A JupyterLab of its own, with no settings of anybody else."""

    def __init__(self, folder, port):
        self.folder, self.address, self.token = folder, f"http://127.0.0.1:{port}", secrets.token_hex(16)
        for name, values in SETTINGS.items():
            path = folder / "settings" / "@jupyterlab" / f"{name}.jupyterlab-settings"
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(json.dumps(values))
        places = {
            "JUPYTERLAB_SETTINGS_DIR": "settings",
            "JUPYTERLAB_WORKSPACES_DIR": "workspaces",
            "JUPYTER_CONFIG_DIR": "config",
            "JUPYTER_DATA_DIR": "data",
            "JUPYTER_RUNTIME_DIR": "runtime",
            "IPYTHONDIR": "ipython",
        }
        self.environment = {
            **{
                name: value for name, value in os.environ.items() if name != "MPLBACKEND"
            },  # figures are inline
            **{name: str(folder / place) for name, place in places.items()},
            "JUPYTER_TOKEN": self.token,
            "OPENBLAS_NUM_THREADS": "1",
        }
        self.command = [sys.executable, "-m", "jupyterlab", "--no-browser", "--allow-root", "--ip=127.0.0.1",
                        f"--port={port}", "--ServerApp.port_retries=0", f"--ServerApp.root_dir={folder / 'home'}",
                        "--LabApp.check_for_updates_class=jupyterlab.NeverCheckForUpdate"]  # fmt: skip

    def notebook(self, name, *cells):
        """Write a notebook of these code cells."""
        book = nbformat.v4.new_notebook(cells=[nbformat.v4.new_code_cell(code.strip()) for code in cells])
        book.metadata.kernelspec = {"name": "python3", "display_name": "Python 3", "language": "python"}
        nbformat.write(book, self.folder / "home" / name)

    def run(self, page, name):
        """Open a notebook and run all its cells."""
        book = nbformat.read(self.folder / "home" / name, as_version=4)
        code = sum(cell.cell_type == "code" for cell in book.cells)
        place = f"{self.address}/lab/workspaces/{secrets.token_hex(4)}/tree/{name}?token={self.token}"
        page.goto(place)
        # the indicator is idle before there is a kernel; the status bar names one
        page.get_by_text(re.compile(r"Python 3.*\| Idle")).first.wait_for()
        page.get_by_role("menuitem", name="Run", exact=True).click()
        page.locator(".lm-Menu-item", has_text=re.compile(r"^Run All Cells")).first.click()
        page.wait_for_function(
            """code => [...document.querySelectorAll('.jp-CodeCell .jp-InputPrompt')]
                 .filter(e => /\\[\\d+\\]/.test(e.textContent)).length == code""",
            arg=code,
            timeout=300_000,
        )


@pytest.fixture(scope="module")
def lab(tmp_path_factory):
    folder = tmp_path_factory.mktemp("lab")
    (folder / "home").mkdir()
    shutil.copytree(HOME / "notebooks", folder / "home" / "notebooks")
    shutil.copytree(HOME / "demo_trials", folder / "home" / "demo_trials")
    port = _free_port()
    lab = Lab(folder, port)
    with open(folder / "log.txt", "wb") as log:
        server = subprocess.Popen(lab.command, env=lab.environment, cwd=folder, stdout=log, stderr=log)
    try:
        _answers(port, server, folder / "log.txt")
        yield lab
    finally:
        _stop(server)


def _free_port():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


def _answers(port, server, log):
    end = time.monotonic() + 180
    while time.monotonic() < end and server.poll() is None:
        with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), 1):
            return
        time.sleep(0.1)
    pytest.fail(f"JupyterLab did not start:\n{log.read_text()[-2000:]}")


def _stop(server):
    server.terminate()
    try:
        server.wait(15)
    except subprocess.TimeoutExpired:
        server.kill()
        server.wait()


# ---- what is checked -------------------------------------------------------------------------------


def no_errors(page):
    """Assert that nothing in the page is an error output."""
    assert [e.inner_text()[-300:] for e in page.locator(ERROR).all()] == []


def changed(page, slider, words, key="ArrowRight", seconds=20):
    """Move a slider by keyboard and assert that what it leads to changes, however busy the machine is."""
    before = words.inner_html()
    slider.press(key)
    end = time.monotonic() + seconds
    while words.inner_html() == before and time.monotonic() < end:
        page.wait_for_timeout(20)
    assert words.inner_html() != before


def until(page, holds, seconds=30):
    """Wait until something holds, and fail if it never does."""
    end = time.monotonic() + seconds
    while not holds() and time.monotonic() < end:
        page.wait_for_timeout(50)
    assert holds()


def shown(page):
    """What the panel shows: the means as printed, by response."""
    rows = page.locator("tr[data-response]").all()
    return {row.get_attribute("data-response"): row.locator("td").first.inner_text() for row in rows}


def slider(page, name):
    return page.get_by_role("slider", name=re.compile(f"^{re.escape(name)}"))


def read_out(page, name):
    row = page.locator(".widget-slider", has_text=name)
    return float(row.locator(".widget-readout").inner_text())


def check_panel(page, brief, surfaces):
    """Move oil by keyboard; the predictions shown become those of the surfaces at that formula."""
    title = brief.title_of("oil")
    page.locator(".fl-panel tr[data-response]").first.wait_for()
    slider(page, title).wait_for()  # it has a name, so that it can be found by it
    today = float(brief.baseline["oil"].iloc[0])
    assert read_out(page, title) == today
    assert shown(page) == expected(brief, surfaces, today)
    for _ in range(5):
        changed(page, slider(page, title), page.locator(".fl-predicted"))
    until(page, lambda: shown(page) == expected(brief, surfaces, read_out(page, title)), 20)
    moved = read_out(page, title)
    assert moved > today
    assert shown(page) != expected(brief, surfaces, today)


def expected(brief, surfaces, oil):
    frame = brief.baseline.assign(oil=oil)
    return {name: number(float(surfaces[name].predict(frame)[0]), 3) for name in surfaces}


def check_phone(page):
    """On a phone's screen nothing reaches beyond its edge, but for tables of kept formulas, which scroll."""
    page.set_viewport_size({"width": 390, "height": 844})
    page.wait_for_timeout(500)
    assert (
        page.evaluate(
            """() => [...document.querySelectorAll('.fl-panel *')].filter(e => e.offsetParent !== null || e.closest('svg'))
             .filter(e => e.tagName !== 'STYLE' && !e.closest('.wide, textarea') && e.getBoundingClientRect().right > 391)
             .map(e => e.outerHTML.slice(0, 120))"""
        )
        == []
    )


REACHABLE = (
    ".fl-panel :is(button, select, textarea, input, [role=slider], [contenteditable=true]):not([disabled])"
)


def check_keyboard(page):
    """Every control that is seen is reached by Tab."""
    page.evaluate(
        """where => { window.reached = new Set();
             window.wanted = [...document.querySelectorAll(where)].filter(e => e.offsetParent && e.tabIndex >= 0);
             document.addEventListener('focusin', e => window.reached.add(e.target)); window.wanted[0].focus(); }""",
        REACHABLE,
    )
    count = page.evaluate("window.wanted.length")
    assert count >= 8
    for _ in range(count + 10):
        page.keyboard.press("Tab")
    assert page.evaluate("window.wanted.filter(e => !window.reached.has(e)).map(e => e.outerHTML)") == []


def check_access(page, where=".fl-panel"):
    """axe-core finds nothing against WCAG 2 levels A and AA; contrast is one of its rules."""
    from axe_playwright_python.sync_playwright import Axe

    asked = {"runOnly": ["wcag2a", "wcag2aa"], "resultTypes": ["violations", "passes"]}
    found = Axe().run(page, [where], asked).response
    said = [f"{v['id']}: {node['html'][:200]}" for v in found["violations"] for node in v["nodes"]]
    assert not said, "\n".join(said)
    assert {"color-contrast", "button-name"} <= {rule["id"] for rule in found["passes"]}


@pytest.fixture(scope="module")
def block():
    series = fl.open_series(HOME / "demo_trials/drafting_block")
    return series.brief, fl.fit(series.brief, series.trials(), kind="least squares", seed=1)


# ---- notebooks ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_a_notebook_runs_in_jupyterlab(page, lab, path):
    start = time.monotonic()
    lab.run(page, f"notebooks/{path.name}")
    print(f"{path.stem}: {time.monotonic() - start:.0f} s in the browser")
    no_errors(page)
    assert page.locator(WARNING).count() == 0  # a warning printed in a story is an error in the story
    assert page.locator(".jp-OutputArea-output .formlab").count() >= 1
    assert page.locator(".jp-OutputArea-output img").count() >= 1
    page.watch.check()


# ---- the panel in JupyterLab -------------------------------------------------------------------------

TIMED = """([row, presses]) => new Promise(done => {
  const handle = document.querySelectorAll('.fl-panel [role=slider]')[row], times = [];
  const seen = () => document.querySelector('.fl-predicted').innerHTML;
  const press = () => {
    const before = seen(), start = performance.now();
    handle.dispatchEvent(new KeyboardEvent('keydown', {key: 'ArrowRight', bubbles: true, cancelable: true}));
    const wait = () => requestAnimationFrame(() => {
      if (seen() !== before) { times.push(performance.now() - start);
        times.length < presses ? setTimeout(press, 150) : done(times); }
      else if (performance.now() - start > 20000) done(times);
      else wait();
    });
    wait();
  };
  handle.focus(); press();
})"""


def test_the_panel_in_jupyterlab(page, lab, block):
    lab.notebook("panel.ipynb", PANEL)
    lab.run(page, "panel.ipynb")
    check_panel(page, *block)
    check_access(page)
    times = page.evaluate(TIMED, [0, 15])
    print(f"control to screen: median {statistics.median(times):.0f} ms, worst {max(times):.0f} ms")
    assert len(times) == 15
    no_errors(page)
    page.watch.check()


# ---- the panel's own page ----------------------------------------------------------------------------


@pytest.fixture
def address(tmp_path):
    folder = shutil.copytree(HOME / "demo_trials/drafting_block", tmp_path / "drafting_block")
    command = [sys.executable, "-u", "-m", "formlab.cli", "panel", str(folder), "--no-browser", "--kind",
               "least squares"]  # fmt: skip
    away = {name: str(tmp_path / name) for name in ("JUPYTER_CONFIG_DIR", "JUPYTER_DATA_DIR", "IPYTHONDIR")}
    server = subprocess.Popen(command, env={**os.environ, **away, "OPENBLAS_NUM_THREADS": "1"},
                              stdout=subprocess.PIPE, text=True)  # fmt: skip
    try:
        yield re.search(r"http://\S+", server.stdout.readline()).group()
    finally:
        _stop(server)
        server.stdout.close()


def test_the_page_of_its_own(page, address, block):
    assert re.match(r"http://127\.0\.0\.1:\d+/\?token=\S{20,}", address)
    bare = page.context.request.get(address.split("?")[0])
    assert "fl-panel" not in bare.text() and "login" in bare.url  # without the token nobody looks in
    page.goto(address)
    check_panel(page, *block)
    assert page.locator(".jp-InputArea, .jp-Cell-inputWrapper").filter(has_text="import").count() == 0
    check_keyboard(page)
    check_access(page)
    check_phone(page)
    page.watch.check()


def test_a_shared_total_by_quick_keys_in_the_dark(page, tmp_path):
    """Quick keys arrive as one move; the others give way once, and stay; buttons do what they say."""
    series = fl.open_series(shutil.copytree(HOME / "demo_trials/ink_wedge", tmp_path / "ink_wedge"))
    brief = series.brief
    surfaces = fl.fit(brief, series.trials(), kind="least squares", seed=1)
    with served(series, kind="least squares", dark=True) as (address, _):
        page.goto(address)
        slider(page, "kaolin").wait_for()
        for _ in range(25):
            slider(page, "kaolin").press("ArrowRight")
        kaolin = read_out(page, "kaolin")
        assert kaolin > 2  # keys of a tenth
        others = [n for n in brief.varied if n != "kaolin"]
        today = brief.baseline
        given = today[others] * (1 - kaolin / today[others].sum(axis=1).iloc[0])  # in proportion, Cox (1971)
        frame = today.assign(kaolin=kaolin, **given)
        wanted = {name: number(float(surfaces[name].predict(frame)[0]), 3) for name in surfaces}
        until(page, lambda: shown(page) == wanted)
        page.wait_for_timeout(700)  # what a slider says of itself would come back by now
        assert (shown(page), read_out(page, "kaolin")) == (wanted, kaolin)
        for name in others:
            assert read_out(page, brief.title_of(name)) == pytest.approx(
                frame[name].iloc[0], abs=0.051
            )  # half a step
        page.get_by_role("button", name="Keep this formula").click()
        page.get_by_role("columnheader", name="K1").wait_for()
        page.get_by_role("button", name="Cheapest from here").click()
        page.get_by_text(
            re.compile("^Cheapest formula found: |^No formula was found that is as sure as 90 %")
        ).wait_for()
        assert shown(page) != wanted
        page.get_by_label("go back to").select_option("K1")
        page.get_by_text("Back at K1.").wait_for()
        assert shown(page) == wanted
        page.get_by_role("button", name="Copy as recipe").click()
        recipe = page.get_by_label("recipe", exact=True)
        recipe.wait_for()
        assert re.search(rf"(?m)^kaolin\t{kaolin:.1f}\t{80 * kaolin:.0f}$", recipe.input_value())
        check_access(page)
        page.watch.check()


# ---- the checks would notice -------------------------------------------------------------------------


def test_the_checks_notice_what_they_are_for(page, lab):
    lab.notebook("broken.ipynb", DEAF, RAISING, "import warnings\nwarnings.warn('odd')", "1 / 0")
    lab.run(page, "broken.ipynb")
    page.locator(ERROR).first.wait_for()
    with pytest.raises(AssertionError, match="ZeroDivisionError"):
        no_errors(page)
    assert page.locator(WARNING).count() == 1
    deaf, raising = page.get_by_role("slider").all()
    with pytest.raises(AssertionError):  # a callback that is not connected
        changed(page, deaf, page.locator(".says"), seconds=2)
    assert page.locator(ERROR).count() == 1
    raising.press("ArrowRight")
    page.locator(ERROR).nth(1).wait_for()
    with pytest.raises(AssertionError, match="on purpose"):  # one that raises
        no_errors(page)
    page.evaluate("fetch('http://127.0.0.2:9/').catch(() => 0)")
    page.wait_for_timeout(200)
    with pytest.raises(AssertionError):
        page.watch.check()


def test_the_check_of_access_notices_grey_on_white(page):
    page.set_content("<div class='fl-panel'><button>go</button><p style='color:#999'>grey</p><input></div>")
    with pytest.raises(AssertionError, match=r"(?s)color-contrast.*label"):
        check_access(page)
