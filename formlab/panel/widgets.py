"""The widgets of the panel, thin around `WhatIf`: a control changes the state, the state is shown."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import ipywidgets as w

from formlab.cautions import GENERAL
from formlab.errors import FormlabError
from formlab.html import Markup, escape
from formlab.panel import words
from formlab.panel.whatif import WhatIf

__all__ = ["Panel"]

IN_PROPORTION = "all others, in proportion"


class Panel(w.VBox):
    """Controls and what they lead to; display it, or read `state`.

    Parameters
    ----------
    state : WhatIf

    Attributes
    ----------
    state : WhatIf
        The formula, with all that is chosen; works without widgets too.
    controls : dict of str to Widget
        The control of each ingredient and setting, by name.
    """

    def __init__(self, state: WhatIf) -> None:
        self.state = state
        self._busy = False
        self.controls = {name: self._control(name) for name in state.moving}
        self._rooms = {name: w.HTML() for name in self.controls}
        self._holds = {name: self._hold(name) for name in self.controls}
        self._head, self._predicted, self._costs, self._kept = w.HTML(), w.HTML(), w.HTML(), w.HTML()
        self._said = w.HTML()
        self._recipe = w.Textarea(description="recipe", rows=14, layout=_wide(display="none"))
        super().__init__([w.HTML(words.STYLE + _title(state)), self._head, self._middle(), self._said,
                          self._buttons(), self._kept, self._recipe, w.HTML(words.trust(state.remarks)),
                          w.HTML(f"<p class='fl-key'>{escape(GENERAL)}</p>"), _script()])  # fmt: skip
        self.add_class("fl-panel")
        self._head.add_class("fl-live")
        self._said.add_class("fl-live")
        self._recipe.add_class("fl-recipe")
        self.show()

    # ---- parts ----------------------------------------------------------------------------------

    def _control(self, name: str) -> Any:
        """A slider for a range, a list for levels and categories."""
        state = self.state
        value, unit = state.formula[name].iloc[0], state.brief.unit(name)
        about = {"description": f"{state.brief.title_of(name)}{', ' if unit else ''}{unit}", **_STYLE}
        choices = state.region.levels.get(name) or state.region.categories.get(name)
        if choices:
            control = w.Dropdown(options=[(f"{c:g}" if isinstance(c, float) else c, c) for c in choices],
                                 value=value, **about)  # fmt: skip
        else:
            low, high = state.brief.ranges[name]
            digits = state.digits[name]
            step = 10.0**-digits
            shown = _on_step(float(value), low, high, step)
            control = w.FloatSlider(
                value=shown, min=low, max=high, step=step, readout_format=f".{max(digits, 0)}f", **about
            )
        control.observe(lambda change: self._moved(name, change["new"]), "value")
        return control

    def _hold(self, name: str) -> Any:
        box = w.Checkbox(value=False, description="hold", indent=False, layout=w.Layout(width="auto"))
        box.observe(lambda change: self._held(name, change["new"]), "value")
        return box

    def _middle(self) -> Any:
        lines = []
        for name, control in self.controls.items():
            under = w.HBox(
                [self._rooms[name], self._holds[name]], layout=w.Layout(justify_content="space-between")
            )
            under.add_class("fl-under")
            lines.append(w.VBox([control, under]))
            lines[-1].add_class("fl-row")
        choices = w.VBox(self._choices())
        choices.add_class("fl-choices")
        left = w.VBox([*lines, choices], layout=w.Layout(min_width="21em", width="21em"))
        right = w.VBox([self._predicted, self._costs], layout=w.Layout(flex="1 1 40em"))
        return w.HBox([left, right], layout=w.Layout(flex_flow="row wrap", grid_gap="0 1.6em"))

    def _choices(self) -> list[Any]:
        """Who gives way, which prices, and what is asked."""
        state, found = self.state, []
        shared = [n for n in state.brief.varied if len(state.givers(n)) > 1]
        if shared:
            options = [(IN_PROPORTION, ""), *[(state.brief.title_of(n), n) for n in shared]]
            found.append(self._choice("what gives way", options, "giving"))
        if state.scenarios:
            options = [("those of the brief", ""), *[(s.replace("_", " "), s) for s in state.scenarios]]
            found.append(self._choice("prices", options, "scenario"))
        options = [(text, kind) for kind, text in words.SHORT.items()]
        found.append(self._choice("asked", options, "of"))
        if state.goal[0] == "minimise":
            asked = w.BoundedIntText(value=round(100 * state.confidence), min=50, max=99, step=1,
                                     description="at least, %", **_STYLE)  # fmt: skip
            asked.observe(lambda change: setattr(state, "confidence", change["new"] / 100), "value")
            found.append(asked)
        return found

    def _choice(self, description: str, options: list[tuple[str, Any]], name: str) -> Any:
        chosen = w.Dropdown(
            options=options, value=getattr(self.state, name) or "", description=description, **_STYLE
        )

        def change(event: dict[str, Any]) -> None:
            setattr(self.state, name, event["new"] or None)
            self.show()

        chosen.observe(change, "value")
        return chosen

    def _buttons(self) -> Any:
        state = self.state
        self._name = w.Text(description="name", placeholder="of a kept formula", **_STYLE)
        acts: list[tuple[str, Callable[[], str]]] = [
            ("Suggestion", lambda: state.go(state.suggestion().frame) or "The suggestion for what is asked."),
            (f"{state.goal_words} from here", state.cheapest),
            ("Keep this formula", self._keep),
            ("Copy as recipe", self._copy),
        ]
        if state.brief.baseline is not None:
            acts.insert(0, ("Today's formula", lambda: state.go(state.brief.baseline) or "Today's formula."))
        made = [self._button(text, act) for text, act in acts]
        made[-1].add_class("fl-copy")
        self._back = w.Dropdown(options=[("–", "")], description="go back to", **_STYLE)
        self._back.observe(self._return, "value")
        return w.VBox([w.HBox(made, layout=w.Layout(flex_flow="row wrap")),
                       w.HBox([self._name, self._back], layout=w.Layout(flex_flow="row wrap"))])  # fmt: skip

    def _button(self, text: str, act: Callable[[], str]) -> Any:
        button = w.Button(description=text, layout=w.Layout(width="auto"))

        def press(_: Any) -> None:
            self.say("Working …")
            button.disabled = True
            try:
                said = act()
            except FormlabError as error:
                said = str(error)
            finally:
                button.disabled = False
            self.show()
            self.say(said)

        button.on_click(press)
        return button

    # ---- what happens ---------------------------------------------------------------------------

    def _moved(self, name: str, value: Any) -> None:
        if not self._busy and not self._stands_at(name, value):
            said = self.state.move(name, value)
            self.show()
            self.say(said)

    def _held(self, name: str, on: bool) -> None:
        (self.state.held.add if on else self.state.held.discard)(name)

    def _keep(self) -> str:
        name = self.state.keep(self._name.value)
        self._name.value = ""
        self._back.options = [("–", ""), *[(n, n) for n in self.state.kept]]
        return f"Kept as {name}."

    def _return(self, change: dict[str, Any]) -> None:
        if change["new"]:
            said = self.state.go(self.state.kept[change["new"]]) or f"Back at {change['new']}."
            self._back.value = ""
            self.show()
            self.say(said)

    def _copy(self) -> str:
        self._recipe.value = self.state.recipe()
        self._recipe.rows = self._recipe.value.count("\n") + 2
        self._recipe.layout.display = None
        return "The recipe stands below; where the browser allows it, it is on the clipboard too."

    # ---- what is shown --------------------------------------------------------------------------

    def say(self, text: str) -> None:
        self._said.value = f"<p class='fl-said' role='status'>{escape(text)}</p>" if text else ""

    def show(self) -> None:
        """Bring controls and figures up to the state."""
        state = self.state
        outcome, today = state.outcome(), state.today
        self._head.value = words.verdict(state.brief, outcome, today)
        self._predicted.value = words.predictions(state.brief, outcome, today)
        self._costs.value = words.costs(state.brief, outcome, today)
        self._busy = True  # controls follow the state; they are not moved by hand now
        try:
            for name, control in self.controls.items():
                if not self._stands_at(name, control.value):
                    control.value = self._shown(name)
                self._rooms[name].value = self._room(name)
        finally:
            self._busy = False
        if state.kept:
            self._kept.value = f"<h3>Kept formulas</h3>{words.compared(state.compare(outcome))}"

    def _shown(self, name: str) -> Any:
        """What a control shows of the formula: the nearest of its steps.

        A browser moves a slider that is set between two steps to one of them, and says so, as if a hand had
        moved it; what it is set to is a step already, so that it has nothing to say.
        """
        value, control = self.state.formula[name].iloc[0], self.controls[name]
        if isinstance(control, w.FloatSlider):
            return _on_step(float(value), control.min, control.max, control.step)
        return value

    def _stands_at(self, name: str, value: Any) -> bool:
        """Whether a control at this value shows the formula as it is, but for rounding."""
        control, shown = self.controls[name], self._shown(name)
        if isinstance(control, w.FloatSlider):
            return bool(abs(float(value) - shown) < 1e-3 * control.step)
        return bool(value == shown)

    def _room(self, name: str) -> Markup:
        control = self.controls[name]
        if not isinstance(control, w.FloatSlider):
            return Markup("")
        low, high = (f"{abs(v) if abs(v) < control.step / 10 else v:{control.readout_format}}"
                     for v in self.state.room(name))  # fmt: skip
        return Markup(f"<span class='fl-room'>from here {low} to {high}</span>")


_STYLE: dict[str, Any] = {"style": {"description_width": "7em"}, "layout": w.Layout(width="20.5em")}


def _wide(**more: Any) -> Any:
    return w.Layout(width="100%", **more)


def _on_step(value: float, low: float, high: float, step: float) -> float:
    """The nearest step of a slider; its ends are steps too."""
    if abs(value - high) < step / 2:
        return high
    return min(max(low + round((value - low) / step) * step, low), high)


def _title(state: WhatIf) -> str:
    return f"<h3>{escape(state.brief.title or 'What if')}</h3>"


def _script() -> Any:
    """What the widgets leave out: names on slider handles, changes read aloud, and the clipboard."""
    output = {"output_type": "display_data", "metadata": {}, "data": {"application/javascript": SCRIPT}}
    return w.Output(outputs=(output,), layout=w.Layout(height="0", overflow="hidden"))


SCRIPT = """
(() => {
  const name = () => document.querySelectorAll('.fl-panel').forEach(panel => {
    panel.setAttribute('role', 'region');
    panel.setAttribute('aria-label', 'what-if panel');
    panel.querySelectorAll('.fl-row').forEach(row => {
      const text = row.querySelector('.widget-label')?.textContent;
      if (!text) return;
      row.querySelector('[role=slider]')?.setAttribute('aria-label', text);
      row.querySelector('input[type=checkbox]')?.setAttribute('aria-label', 'hold ' + text);
      const read = row.querySelector('.widget-readout');
      if (read) { read.setAttribute('role', 'textbox'); read.setAttribute('aria-label', text + ', typed'); }
    });
    panel.querySelectorAll('.fl-live').forEach(e => e.setAttribute('aria-live', 'polite'));
    const button = panel.querySelector('button.fl-copy'), area = panel.querySelector('.fl-recipe textarea');
    if (button && area && !button.dataset.copies) {
      button.dataset.copies = 1;
      button.addEventListener('click', () => { const had = area.value; let tries = 0;
        const wait = setInterval(() => { if (area.value !== had || ++tries > 40) { clearInterval(wait);
          navigator.clipboard?.writeText(area.value).catch(() => {}); } }, 50); });
    }
  });
  name();
  let tries = 0;
  const again = setInterval(() => { name(); if (++tries > 20) clearInterval(again); }, 250);
})();
"""
