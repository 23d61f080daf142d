"""The panel as a page of its own, for someone who has never seen Python."""

from __future__ import annotations

import contextlib
import importlib.util
import json
import os
import secrets
import socket
import subprocess
import sys
import time
import warnings
from collections.abc import Iterator
from typing import Any

from formlab.errors import FormlabError
from formlab.html import Markup, panel, table

__all__ = ["notebook", "page", "served"]

HOME = "panel"  # below out/
# The page of voila without what it would fetch from elsewhere.
TEMPLATE = """{%- extends 'lab/index.html.j2' -%}
{%- block notebook_css -%}
{{ resources.include_js('static/voila-style.js') }}
{{ spinner.css() }}
<style>.jp-mod-noOutputs.jp-mod-noInput { display: none; }</style>
{{ super.super() }}
{%- endblock notebook_css -%}
"""
WAIT_S = 180.0  # a busy machine takes its time to import; a server that has died is noticed at once


def page(folder: str, kind: str = "auto", seed: int = 1, history: bool = False) -> Any:
    """Return the panel of a series folder, or what stands in its way in words; the page's notebook calls it.

    Parameters
    ----------
    folder : str
        A series folder with results.
    kind : str
        Kind of surface, as for `formlab.fit`.
    seed : int
    history : bool
        With the earlier trials of ``history.csv``.
    """
    from IPython.display import HTML

    from formlab.panel import panel as what_if
    from formlab.series import open_series
    from formlab.suggest import ledger_of
    from formlab.surfaces import fit

    with warnings.catch_warnings():  # what they say stands on the page
        warnings.simplefilter("ignore")
        try:
            series = open_series(folder)
            brief, trials, prices = series.brief, series.trials(history=history), series.prices()
            surfaces = fit(brief, trials, kind=kind, seed=seed)
            ledger = ledger_of(brief, series.promises(), trials)
            return what_if(brief, surfaces, prices if len(prices.columns) else None, ledger=ledger, seed=seed)
        except FormlabError as error:
            return HTML(panel("No panel yet", str(error), _problems(error)))


def _problems(error: FormlabError) -> Markup:
    import pandas as pd

    lines = [[p.file, p.row, p.column, str(p.value), p.expected] for p in error.problems]
    heads = ["file", "row", "column", "found", "expected"]
    return table(pd.DataFrame(lines, columns=heads), rows=40) if lines else Markup("")


def notebook(title: str, kind: str = "auto", seed: int = 1, history: bool = False) -> str:
    """Return a notebook of one cell, for a folder two levels above it; it opens in JupyterLab too."""
    code = f"from formlab.panel.page import page\n\npage('../..', kind={kind!r}, seed={seed!r}, history={history!r})"
    cell: dict[str, Any] = {
        "cell_type": "code",
        "id": "panel",
        "metadata": {},
        "source": code,
        "outputs": [],
        "execution_count": None,
    }
    about = {
        "kernelspec": {"name": "python3", "display_name": "Python 3", "language": "python"},
        "title": title,
    }
    return json.dumps({"cells": [cell], "metadata": about, "nbformat": 4, "nbformat_minor": 5}, indent=1)


@contextlib.contextmanager
def served(
    series: Any,
    *,
    kind: str = "auto",
    seed: int = 1,
    history: bool = False,
    host: str = "127.0.0.1",
    port: int = 0,
    dark: bool = False,
) -> Iterator[tuple[str, subprocess.Popen[bytes]]]:
    """Serve the panel of a series until the block ends.

    There is always a token, a new one each time; it goes to the server by its environment, where other users of
    the machine cannot read it. The server listens on this machine alone unless told otherwise.

    Parameters
    ----------
    series : Series
    kind, seed, history
        As for `page`.
    host : str
        Address to listen on. Anyone who can reach another than 127.0.0.1 and has the token may look.
    port : int
        0 is any free one.
    dark : bool

    Yields
    ------
    str, Popen
        The address with its token, and the server's process.

    Raises
    ------
    FormlabError
        If voila is not there, or the server does not answer.
    """
    if importlib.util.find_spec("voila") is None:
        raise FormlabError("The panel's own page needs voila. Install it with: pip install 'formlab[lab]'.")
    port, token = port or _free_port(host), secrets.token_urlsafe(24)
    book = notebook(series.brief.title or series.path.name, kind, seed, history)
    path = series.write_out(f"{HOME}/panel.ipynb", book).resolve()
    series.write_out(f"{HOME}/voila.json", json.dumps(_settings(host, port, dark), indent=1))
    look = f"{HOME}/voila/templates/formlab"
    series.write_out(f"{look}/conf.json", json.dumps({"base_template": "lab"}))
    series.write_out(f"{look}/index.html.j2", TEMPLATE)
    found = os.pathsep.join(filter(None, [str(path.parent), os.environ.get("JUPYTER_PATH")]))
    command = [sys.executable, "-m", "voila", path.name, f"--Voila.config_file_paths={path.parent}"]
    server = subprocess.Popen(
        command, cwd=path.parent, env={**os.environ, "JUPYTER_TOKEN": token, "JUPYTER_PATH": found}
    )
    try:
        _answering(server, host, port)
        name = socket.gethostname() if host in ("0.0.0.0", "::") else host
        yield f"http://{name}:{port}/?token={token}", server
    finally:
        server.terminate()
        try:
            server.wait(10)
        except subprocess.TimeoutExpired:
            server.kill()
            server.wait()


def _settings(host: str, port: int, dark: bool) -> dict[str, dict[str, Any]]:
    """What the server is told; no other settings are read, so that none can take the token away."""
    told: dict[str, dict[str, Any]] = {
        "Voila": {
            "ip": host,
            "port": port,
            "port_retries": 0,
            "open_browser": False,
            "auto_token": True,
            "log_level": "ERROR",
            "tornado_settings": {"ws_ping_timeout": 30_000},
        },
        "VoilaConfiguration": {"template": "formlab", "theme": "dark" if dark else "light"},
    }
    if os.name == "posix":  # the kernel talks through files of this user, not through ports of the machine
        told["KernelManager"] = {"transport": "ipc"}
    return told


def _free_port(host: str) -> int:
    with socket.socket() as probe:
        probe.bind((host, 0))
        return int(probe.getsockname()[1])


def _answering(server: subprocess.Popen[bytes], host: str, port: int) -> None:
    end = time.monotonic() + WAIT_S
    while time.monotonic() < end and server.poll() is None:
        with contextlib.suppress(OSError), socket.create_connection((host, port), 1):
            return
        time.sleep(0.1)
    raise FormlabError(
        f"The page could not be served at {host}, port {port}. Choose another port with --port; what the server "
        "said stands above."
    )
