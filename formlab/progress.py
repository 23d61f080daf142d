"""Progress where someone is looking: at a terminal or in a notebook, once work has lasted a second, and gone when done.

One bar at a time: work inside work does not draw a second bar but says in the first one what it is at. A bar in a
notebook is HTML that empties itself, so that nothing of it stays in the notebook's file.
"""

from __future__ import annotations

import sys
import threading
import time
from collections.abc import Collection, Iterable, Iterator
from contextlib import contextmanager, nullcontext
from typing import Any

__all__ = ["along", "quiet", "showing", "tick", "watched"]

AFTER = 1.0  # s; shorter work stays quiet
BETWEEN = 0.1  # s from one drawing of the bar to the next
_here = threading.local()


def watched() -> bool:
    """Return whether someone is looking: standard error is a terminal, or a notebook's kernel runs this.

    Examples
    --------
    >>> watched()  # not in a test
    False
    """
    return _in_notebook() or bool(getattr(sys.stderr, "isatty", bool)())


def _in_notebook() -> bool:
    shell = getattr(sys.modules.get("IPython"), "get_ipython", lambda: None)()
    return hasattr(shell, "kernel")


class _Level:
    """One piece of work: how far it is, and what it is at."""

    def __init__(self, bar: _Bar, what: str, total: int | None) -> None:
        self.bar, self.what, self.total, self.done, self.words = bar, what, total, 0, ""

    def at(self, done: int, words: str = "", at_once: bool = False) -> None:
        """Say how many parts are done, and which one is begun; `at_once` for a wait in which nothing more can be said."""
        self.done, self.words = done, words
        self.bar.draw(at_once)

    def __str__(self) -> str:
        count = "" if self.total is None else f" {min(self.done + 1, self.total)} of {self.total}"
        return f"{self.what}{count}{': ' if self.words else ''}{self.words}"


class _Bar:
    """What is shown of all the work of a thread; the outermost decides whether it is."""

    def __init__(self, progress: bool | None) -> None:
        self.shown = watched() if progress is None else progress
        self.began = time.time()
        self.next = self.began + (0.0 if progress else AFTER)
        self.levels: list[_Level] = []
        self.drawn: Any = None

    def draw(self, at_once: bool = False) -> None:
        now = time.time()
        if not self.shown or (now < self.next and not at_once):
            return
        self.next = now + BETWEEN
        first, last = self.levels[0], self.levels[-1]
        words = [text for text in (first.words, str(last) if last is not first else "") if text]
        if self.drawn is None:
            made = _page_bar() if _in_notebook() else _terminal_bar()
            self.drawn = made(total=None if first.total is None else 1.0, desc=first.what, initial=self.share(),
                              postfix=", ".join(words), leave=False)  # fmt: skip
            self.drawn.start_t = self.began
        self.drawn.n, self.drawn.postfix = self.share(), ", ".join(words)
        self.drawn.refresh()

    def share(self) -> float:
        """How much is done, 0 to 1: a part that is under way counts by what is done of it."""
        done, part = 0.0, 1.0
        for level in self.levels:
            if not level.total:
                break
            part /= level.total
            done += part * level.done
        return min(done, 1.0)

    def close(self) -> None:
        if self.drawn is not None:
            self.drawn.close()


def _terminal_bar() -> Any:
    from tqdm import tqdm

    class Bar(tqdm):  # type: ignore[type-arg]
        monitor_interval = 0  # no thread of its own

        def __init__(self, **kwargs: Any) -> None:
            whole = "" if kwargs["total"] is None else " {percentage:3.0f} % |{bar:16}|"
            super().__init__(
                bar_format="{desc}" + whole + " {elapsed}{postfix}", dynamic_ncols=True, **kwargs
            )

    return Bar


def _page_bar() -> Any:
    from io import StringIO

    from IPython.display import display

    class Bar(_terminal_bar()):  # type: ignore[misc]
        """The same as HTML; standard error, which a notebook shows in red, gets nothing."""

        handle: Any = None

        def __init__(self, **kwargs: Any) -> None:
            super().__init__(file=StringIO(), **kwargs)

        def display(self, msg: str | None = None, pos: int | None = None) -> None:
            shown = {"text/html": "" if msg == "" else self.html(), "text/plain": ""}
            if self.handle is None:
                self.handle = display(shown, raw=True, display_id=True)
            else:
                self.handle.update(shown, raw=True)

        def html(self) -> str:
            from formlab.html import escape

            at = self.format_dict
            value = "" if at["total"] is None else f" value='{at['n']:.3f}' max='1'"
            name, seconds = escape(at["prefix"]), f"{at['elapsed']:.0f} s"
            words = ", ".join(filter(None, [seconds, at["postfix"]]))
            return f"<div class='formlab-progress'>{name} <progress aria-label='{name}'{value}></progress> {escape(words)}</div>"

    return Bar


@contextmanager
def showing(what: str, total: int | None = None, progress: bool | None = None) -> Iterator[_Level]:
    """Show how far the work of the block is; what is yielded is told with ``at(done, words)``.

    Parameters
    ----------
    what : str
        The work in a word, such as ``fitting``.
    total : int, optional
        How many parts it has.
    progress : bool, optional
        True shows it at once, False neither it nor the work inside; where left out it is shown after a second where
        someone is looking. Work inside other work leaves that to it.

    Examples
    --------
    >>> with showing("weighing", 2) as work:
    ...     work.at(0, "oil")
    ...     work.at(1, "chalk")
    """
    outer: _Bar | None = getattr(_here, "bar", None)
    bar = _Bar(progress) if outer is None else outer
    bar.levels.append(_Level(bar, what, total))
    depth, _here.bar = len(bar.levels), bar
    try:
        yield bar.levels[-1]
    finally:
        del bar.levels[depth - 1 :]
        _here.bar = outer
        if outer is None:
            bar.close()


def along(
    things: Collection[Any], what: str, progress: bool | None = None, words: Iterable[str] = ()
) -> Iterator[Any]:
    """Yield things one after another, and show how many are done; `words` name them.

    Examples
    --------
    >>> list(along([1, 2], "counting"))
    [1, 2]
    """
    said = iter(words)
    with showing(what, len(things), progress) as work:
        for k, thing in enumerate(things):
            work.at(k, next(said, ""))
            yield thing


def tick(words: str | None = None) -> None:
    """Let a bar that is shown move on, and say what the work is at; without one, nothing."""
    bar: _Bar | None = getattr(_here, "bar", None)
    if bar is not None and bar.levels:
        level = bar.levels[-1]
        level.at(level.done, level.words if words is None else words)


def quiet() -> Any:
    """Return a context in which no bar is begun, for tasks of workers; one that is there already moves on."""
    return nullcontext() if getattr(_here, "bar", None) is not None else showing("", progress=False)
