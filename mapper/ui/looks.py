"""Shared look of the pages: style, signs for states, the job bar, cautions, plain errors.

Every state is told by a word and a sign as well as by a colour, so that nothing depends on
seeing colours. The colours are those of a palette made for colour-blind readers
(Okabe and Ito, 2008), darkened where text stands on them.
"""

from __future__ import annotations

import logging
import logging.handlers
from collections.abc import Callable
from html import escape
from pathlib import Path
from typing import Any

import streamlit as st

from mapper.errors import MapperError, shown

__all__ = [
    "CAUTIONS",
    "STATES",
    "State",
    "apply_style",
    "badge",
    "cautions",
    "counted",
    "guarded",
    "log_to",
    "note",
    "plain_failure",
    "plain_markdown",
    "say",
    "show_said",
    "step_card",
]

LOG = logging.getLogger("mapper.ui")
LOG_NAME = "mapper.log"
LOG_BYTES = 1_000_000

CAUTIONS = (
    "Guidance only. Isolate, lock out and prove dead before touching wiring; block whatever can "
    "move before reaching in.",
    "A plate that melts plastic burns at a touch, and molten plastic splashes: face shield, heat "
    "gloves, sleeves. Heat resin only under extraction; its fumes can be harmful.",
    "If a lead holds, stop and look again; never pull harder.",
    "Local codes, the employer's procedures and licensed practice override anything shown here.",
)


class State:
    """How one state looks: a word, a sign and a colour (css)."""

    def __init__(self, word: str, sign: str, ink: str, ground: str) -> None:
        self.word = word
        self.sign = sign
        self.ink = ink
        self.ground = ground


STATES = {
    "good": State("good", "✓", "#00533c", "#dff3ea"),
    "doubtful": State("doubtful", "?", "#7a3b00", "#ffe9cf"),
    "missing": State("not done", "○", "#3c4650", "#e8eaec"),
    "free": State("free to pull", "▲", "#00486f", "#dcedf9"),
    "out": State("out", "✓", "#3c4650", "#e8eaec"),
    "waiting": State("waits", "…", "#3c4650", "#eef0f1"),
    "open": State("open", "?", "#7a3b00", "#ffe9cf"),
    "locked": State("locked", "✕", "#8a1c00", "#fde3dc"),
    "untraced": State("not traced", "!", "#8a1c00", "#fde3dc"),
}

_STYLE = """
<style>
:root { --ink:#15212b; --soft:#4a5661; --line:#c9cfd4; --paper:#ffffff; --deep:#0b4f5c;
        --band:#eef2f3; }
html, body, [data-testid="stAppViewContainer"] { color: var(--ink); }
.block-container { padding: .5rem 1.6rem 3rem 1.6rem; max-width: 1840px; }
[data-testid="stHeader"] { background: transparent; pointer-events: none; }
[data-testid="stToolbarActions"], [data-testid="stAppDeployButton"], #MainMenu { display: none; }
h1, h2, h3 { letter-spacing: 0; font-weight: 650; }
h2 { font-size: 1.5rem !important; padding-top: .2rem !important; }
h3 { font-size: 1.15rem !important; padding: .35rem 0 .2rem 0 !important; }
.stButton button, .stDownloadButton button, .stFormSubmitButton button, .stPopover button,
[data-testid="stFileUploader"] button {
  min-height: 44px; min-width: 44px; font-size: 1rem; border-width: 1.5px; }
.stButton button:focus-visible, a:focus-visible, input:focus-visible {
  outline: 3px solid #c8641e !important; outline-offset: 2px; }
.st-key-ways { border-bottom: 2px solid var(--deep); align-items: center; padding-bottom: .2rem; }
.st-key-ways a { min-height: 44px; font-size: 1rem; white-space: nowrap; padding: .2rem .6rem; }
.here { display: inline-block; background: var(--deep); color: #ffffff; font-weight: 650;
  line-height: 44px; padding: 0 .8rem; border-radius: 8px; white-space: nowrap; }
.phase { color: var(--soft); font-size: .9rem; border-left: 2px solid var(--line);
  padding-left: .7rem; white-space: nowrap; }
.stSelectbox [data-baseweb="select"] > div, .stTextInput input, .stNumberInput input {
  min-height: 44px; }
.stRadio label { min-height: 32px; }
.stCheckbox label { min-height: 44px; align-items: center; }
button[data-variant="segmented_control"], button[data-variant="pills"] { min-height: 44px; }
.st-key-desk .stButton button { min-height: 60px; }
.st-key-desk .stButton button p { font-size: 1.1rem; white-space: normal; overflow: visible;
  line-height: 1.2; }
.st-key-desk .stButton button { padding: .2rem .6rem; }
[class*="st-key-look-"] .stButton button p { white-space: normal; overflow: visible;
  line-height: 1.2; }
.stButtonGroup [role="group"], [data-testid="stButtonGroup"] > div { flex-wrap: wrap; }
a.jump { color: #a32200; font-weight: 650; display: inline-block; padding: .5rem 0; }
.st-key-jobbar { background: var(--band); border: 1px solid var(--line); border-radius: 8px;
  padding: .3rem .8rem; margin-top: -.4rem; }
.st-key-jobbar [data-testid="stMarkdownContainer"] p { margin: 0; }
.jb-top { display: flex; flex-wrap: wrap; align-items: baseline; gap: 0 .9rem; line-height: 1.35; }
.st-key-jobbar-line { line-height: 1.35; }
.st-key-jobbar-line > div { min-width: 0; }
.st-key-jobbar-line > div:last-child { flex: 1 1 130px; white-space: nowrap; overflow: hidden;
  text-overflow: ellipsis; }
.st-key-jobbar-line > div:last-child * { overflow: hidden; text-overflow: ellipsis; }
.jb-name { font-weight: 700; font-size: 1.1rem; }
.jb-soft { color: var(--soft); font-size: .95rem; }
.jb-next { font-size: 1rem; }
.jb-saved { font-size: .92rem; white-space: nowrap; }
.badge { display: inline-block; padding: .1rem .5rem; border-radius: 999px; font-size: .88rem;
  font-weight: 600; white-space: nowrap; border: 1.5px solid currentColor; }
.band { border-left: 6px solid #c8641e; background: #fff6ea; padding: .5rem .8rem;
  border-radius: 4px; margin: .2rem 0; }
.band.stop { border-color: #a32200; background: #fdeae4; }
.band.calm { border-color: var(--deep); background: #eaf3f4; }
.demo { background: #0b4f5c; color: #ffffff; border-radius: 4px; padding: 0 .6rem;
  font-size: .88rem; }
.caution { border: 2px solid #7a3b00; border-radius: 8px; padding: .5rem .9rem;
  background: #fffaf2; font-size: .9rem; line-height: 1.35; }
[data-testid="stCaptionContainer"] { opacity: 1; margin-bottom: .25rem; }
[data-testid="stCaptionContainer"] p { color: var(--soft); margin: 0; opacity: 1; }
[data-testid="stMarkdownContainer"] p { margin-bottom: .2rem; }
.step { display: flex; gap: .8rem; align-items: center; border: 2px solid #00486f;
  border-radius: 10px; padding: .45rem .8rem; background: #fff; }
.step .num { font-size: 1.5rem; font-weight: 700; color: #fff; background: #00486f;
  border-radius: 8px; min-width: 2.6rem; text-align: center; padding: .15rem .3rem; }
.step .what { font-size: 1.15rem; font-weight: 650; }
.step .how { color: var(--soft); font-size: .95rem; }
.step .first { color: #a32200; font-weight: 650; }
.step.waits { border: 2px dashed #6b7780; }
.step.waits .num { background: #6b7780; }
summary { cursor: pointer; min-height: 44px; line-height: 44px; }
.legend { display: flex; flex-wrap: wrap; gap: 0 1.1rem; margin: -.4rem 0; font-size: .95rem; }
.swatch { display: inline-block; width: 2.4rem; height: 0; border-top: 5px solid;
  vertical-align: middle; margin-right: .35rem; }
[data-testid="stImage"] img { border-radius: 6px; }
</style>
"""


def apply_style() -> None:
    """Put the style sheet on the page; called once per run."""
    st.html(_STYLE)


def badge(state: str, word: str | None = None) -> str:
    """Html of a small label: sign, word and colour of a state."""
    look = STATES[state]
    return (
        f'<span class="badge" style="color:{look.ink};background:{look.ground}">'
        f"{look.sign} {escape(word or look.word)}</span>"
    )


def note(text: str, kind: str = "") -> None:
    """Show one plain sentence in a band; `kind` is "" (mind this), "calm" or "stop"."""
    sign = {"": "!", "calm": "i", "stop": "✕"}[kind]
    st.html(f'<div class="band {kind}" role="note"><b>{sign}</b>&ensp;{escape(text)}</div>')


def cautions() -> None:
    """The cautions that stand wherever the page leads to work on the plate itself."""
    text = " ".join(escape(sentence) for sentence in CAUTIONS)
    st.html(f'<div class="caution" role="note"><b>Before you touch anything.</b> {text}</div>')


def counted(number: int, word: str) -> str:
    """ "1 exit", "2 exits"."""
    return f"{number} {word}{'' if number == 1 else 's'}"


def step_card(number: int | str, what: str, how: str = "", first: str = "") -> None:
    """A big numbered card of the pull plan; `first` is what it has to wait for."""
    wait = f'<div class="first">Not yet: first {escape(first)}</div>' if first else ""
    st.html(
        f'<div class="step{" waits" if first else ""}"><div class="num">{escape(str(number))}</div>'
        f'<div>{wait}<div class="what">{escape(what)}</div>'
        f'<div class="how">{escape(how)}</div></div>'
        "</div>"
    )


def plain_markdown(text: str) -> str:
    """Free text made harmless for markdown: every sign that could act is escaped."""
    return "".join(f"\\{ch}" if ch in "\\`*_{}[]()<>#+-.!|~:$&^=" else ch for ch in text)


_SAID = "said to the user"
_PLACE = "place of what is said"  # session state: where this run shows it


def say(text: str, kind: str = "") -> None:
    """Keep a sentence for the next run of the page, where `show_said` shows it."""
    st.session_state.setdefault(_SAID, []).append((kind, text))


def show_said() -> None:
    """Show, once, what callbacks had to say."""
    place = st.empty()
    st.session_state[_PLACE] = place
    _show(place, st.session_state.pop(_SAID, []))


def say_now(text: str, kind: str = "") -> None:
    """Show a sentence on top of the page at once, and in the next run too, in case that one
    follows before anybody could read it."""
    say(text, kind)
    place = st.session_state.get(_PLACE)
    if place is not None:
        _show(place, st.session_state.get(_SAID, []))


def _show(place: Any, said: list[tuple[str, str]]) -> None:
    if said:
        with place.container():
            for kind, text in dict.fromkeys(said):
                note(text, kind)


def log_to(folder: Path) -> None:
    """Write failures to a file in the store's folder, once per folder; without one, nowhere."""
    target = str((folder / LOG_NAME).resolve())
    if any(getattr(handler, "baseFilename", None) == target for handler in LOG.handlers):
        return
    try:
        folder.mkdir(parents=True, exist_ok=True)
        handler = logging.handlers.RotatingFileHandler(
            target, maxBytes=LOG_BYTES, backupCount=1, encoding="utf-8", delay=True
        )
    except OSError:
        return  # the store says in its own words what is wrong with its folder
    handler.setFormatter(logging.Formatter("%(asctime)s %(levelname)s %(message)s"))
    LOG.addHandler(handler)


def plain_failure(where: str) -> None:
    """The last resort: log the failure in full and show one sentence without any of it."""
    LOG.exception("failure on %s", where)
    note(
        "Something went wrong here. Everything that was shown as saved is kept. "
        f"Try again, or go to another page; the details are in {LOG_NAME} beside the jobs.",
        "stop",
    )


def guarded(action: Callable[..., Any]) -> Callable[..., None]:
    """Wrap a widget callback: an error becomes a sentence on the page, never a trace."""

    def run(*args: Any, **kwargs: Any) -> None:
        try:
            action(*args, **kwargs)
        except MapperError as error:
            say(shown(error, 400), "stop")
        except Exception:
            LOG.exception("failure in a callback")
            say(
                "That did not work, and nothing was changed. Try again; "
                f"the details are in {LOG_NAME} beside the jobs.",
                "stop",
            )

    return run
