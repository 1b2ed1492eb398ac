"""Page "Response test": which sensor answers which heater, from a log or from typed rises."""

from __future__ import annotations

import hashlib
import math
from datetime import UTC, datetime
from typing import Any

import numpy as np
import streamlit as st

from mapper.bench import BenchError
from mapper.bench.corrections import combined, corrected_zones, correction_words
from mapper.bench.response import TYPED_SIGMA_C, Response, judge_log, judge_rises
from mapper.bench.response_log import read_response_log
from mapper.errors import MapperError, shown
from mapper.ui import jobbar, looks
from mapper.ui.response_picture import response_svg
from mapper.ui.response_record import TYPED, kept_logs, record_download
from mapper.ui.session import Context, go

__all__ = ["show"]

CAUTIONS = (
    "This test needs mains power on single heaters: qualified people only, with the right "
    "protection (earth, residual current, fuse) and at low, limited power. Isolate, lock out and "
    "prove dead before any plug or wire is touched.",
    "Surfaces burn, also of a zone that nobody expects to be hot: a swapped pair heats the wrong "
    "nozzle. Stop at once when a temperature runs away or nothing rises.",
    "An outcome here never says that a plate may be energised. Local codes and licensed practice "
    "decide.",
)
HOW = (
    "Plate cold and even. Log all sensors every few seconds. Switch on one zone alone for one to "
    "three minutes, off again, wait as long, then the next. The log needs a column `time`, one "
    "column per sensor named after its zone, and a column `zone` with the zone that is on (empty "
    "when none), or a column such as `Z01 on` per heater. Commas, semicolons, decimal commas and "
    "clock times are read."
)
MAX_TYPED = 32  # zones that anybody would type by hand
BAD = ("swapped", "ring", "elsewhere", "reversed", "dead heater", "no sensor", "open sensor")
BESIDE = 10  # sensors up to which the picture stands beside the words
_SHOWN = "response test shown"


def show() -> None:
    """Draw the page."""
    ctx = jobbar.begin("response")
    if ctx is None:
        return
    st.subheader("Response test: does every heater warm its own sensor?")
    looks.note(" ".join(CAUTIONS))
    kept = sorted(ctx.job.names("response"), reverse=True)
    chosen = _choose(ctx, kept)
    with st.expander("Put in a test", expanded=not kept):
        _put_in(ctx, chosen)
    if chosen is not None:
        _outcome(ctx, chosen)


def _choose(ctx: Context, kept: list[str]) -> str | None:
    if not kept:
        return None
    if len(kept) == 1:
        return kept[0]

    def words(name: str) -> str:
        entry = ctx.job.value(f"response/{name}", {})
        return f"Test {int(name)}: {shown(entry.get('source', ''), 40)}, {entry.get('at', '')[:16]}"

    return st.selectbox("Test", kept, format_func=words, key=_SHOWN)


def _put_in(ctx: Context, chosen: str | None) -> None:
    log, typed = st.tabs(["From a log", "Rises typed by hand"])
    with log:
        st.caption(HOW)
        file = st.file_uploader("Log of the test (CSV)", type=["csv", "txt", "tsv", "log"])
        again = _again_box(ctx, chosen, "log")
        if file is not None and st.button("Read it and keep it", type="primary"):
            data = file.getvalue()
            sha256 = hashlib.sha256(data).hexdigest()
            _keep(ctx, lambda: judge_log(read_response_log(data)), file.name, again, sha256)
    with typed:
        _typed(ctx, chosen)


def _again_box(ctx: Context, chosen: str | None, where: str) -> str | None:
    """The kept test into which the new rows go, None for a test of its own."""
    if chosen is None or ctx.job.value(f"response/{chosen}", {}).get("corrected"):
        return None
    words = f"Some heaters tested again: put their rows into test {int(chosen)}"
    return chosen if st.checkbox(words, key=f"again {where}") else None


def _typed(ctx: Context, chosen: str | None) -> None:
    names = [zone.id for zone in ctx.job.zones]
    if not names:
        looks.note("The zones come from the drops of the plate, and there is no plate yet.", "calm")
        if st.button("Go to Plate", type="primary"):
            go("plate")
        return
    if len(names) > MAX_TYPED:
        looks.note(f"Typing is for up to {MAX_TYPED} zones: put in a log instead.", "calm")
        return
    st.caption(
        "Heaters down, sensors across: by how many °C each sensor rose in that heater's turn; a "
        "fall with a minus; empty where nothing was read."
    )
    rows = [{"Heater": name, **dict.fromkeys(names)} for name in names]
    columns = {name: st.column_config.NumberColumn(name, format="%g") for name in names}
    with st.form("typed rises", border=False):
        cells = st.data_editor(
            rows,
            column_config=columns,
            disabled=["Heater"],
            hide_index=True,
            width="stretch",
            key=f"typed rises {ctx.job_id}",
        )
        sigma_c = st.number_input("Read to within ± °C", 0.1, 10.0, TYPED_SIGMA_C, 0.1)
        again = _again_box(ctx, chosen, "typed")
        asked = st.form_submit_button("Judge these rises and keep them", type="primary")
    if asked:
        rise = np.array([[_cell(row.get(name)) for name in names] for row in cells], float)
        read = np.isfinite(rise)
        if not read.any():
            looks.note("Nothing was kept: no rise is entered yet.", "stop")
            return
        tested = read.any(axis=1) if again else np.ones(len(names), bool)
        heaters = [name for name, one in zip(names, tested, strict=True) if one]
        _keep(ctx, lambda: judge_rises(heaters, names, rise[tested], sigma_c), TYPED, again)


def _cell(value: Any) -> float:
    return math.nan if value is None else float(value)


def _keep(ctx: Context, judge: Any, source: str, again: str | None, sha256: str = "") -> None:
    try:
        result = judge()
        entry: dict[str, Any] = {}
        at = datetime.now(UTC).isoformat()
        log = {"name": source[:200], "sha256": sha256, "at": at, "by": ctx.person}
        logs: list[dict[str, str]] = []
        name = f"{max((int(n) for n in ctx.job.names('response')), default=0) + 1:04d}"
        label = f"Response test of {looks.counted(len(result.heaters), 'heater')}"
        if again is not None:
            entry = ctx.job.value(f"response/{again}", {})
            logs = kept_logs(entry)
            source = f"{entry.get('source', '')} + {source}"
            result = combined(Response.from_dict(entry), result)
            name, label = again, f"Tested again: test {int(again)}"
    except MapperError as error:
        looks.note(f"Nothing was kept. {shown(error, 300)}", "stop")
        return
    about = {"at": at, "by": ctx.person, "source": source[:200], "logs": [*logs, log]}
    if ctx.edit(label, {f"response/{name}": {**entry, **about, **result.to_dict()}}):
        st.session_state.pop(_SHOWN, None)
        st.rerun()


def _outcome(ctx: Context, name: str) -> None:
    entry = ctx.job.value(f"response/{name}", {})
    try:
        result = Response.from_dict(entry)
    except BenchError as error:
        looks.note(str(error), "stop")
        return
    claimed = int((result.match >= 0).sum())
    st.markdown(
        f"**{len(result.right)} of {len(result.heaters)}** heaters answer clearly on their own "
        f"sensor; {claimed} pairs are clear; "
        f"{looks.counted(len(result.test_again), 'heater')} to test again."
    )
    if len(result.sensors) <= BESIDE:
        words, picture = st.columns([1, 1], gap="medium")
    else:
        words, picture = st.container(), st.container()
    with words:
        for one in result.findings:
            looks.note(one.text, "stop" if one.kind in BAD else "")
        if not result.findings:
            looks.note("Every heater warmed its own sensor most, by a clear margin.", "calm")
        if result.test_again:
            looks.note(f"To be tested again: {', '.join(result.test_again)}.", "calm")
        _correct(ctx, name, entry, result)
        record_download(ctx.job, name)
    with picture:
        with st.container(horizontal=True):  # wide ones may scroll
            st.image(response_svg(result), width="content")
        st.caption(
            "Thick frame: the pair is clear (at least 1.5 times the next in its row and in its "
            "column, and well above the noise). ↓: the sensor falls. –: nothing read."
        )
    with st.expander("Margins"):
        st.dataframe(_margins(result), hide_index=True, width="stretch")


def _correct(ctx: Context, name: str, entry: dict[str, Any], result: Response) -> None:
    if entry.get("corrected"):
        looks.note("The zone table was corrected from this test. Undo takes it back.", "calm")
        return
    zones = {zone.id: dict(zone.data) for zone in ctx.job.zones}
    try:
        changed = corrected_zones(zones, result)
    except BenchError as error:
        looks.note(str(error), "")
        return
    if not result.moved() and not changed:
        return
    if not changed:
        st.caption(
            "The zone table needs no change: nothing is entered for these thermocouples, or they "
            "are alike, and no pins are entered that could change places."
        )
        return
    says = [f"zone {h} takes the thermocouple of {s}" for h, s in result.moved().items()]
    says += [f"{s}: + and − change places, where entered" for s in result.reversed_sensors()]
    st.markdown(looks.plain_markdown("Correction: " + "; ".join(says) + "."))
    st.caption(
        "Only the table changes: thermocouple data, pins and readings. Do it if the plug stays "
        "wired as it is; if the wiring is put right instead, leave the table and test again."
    )
    if st.button("Correct the zone table", type="primary"):
        changes = {f"zone/{zone}": data for zone, data in changed.items()}
        says = correction_words(zones, changed, result)
        changes[f"response/{name}"] = {**entry, "corrected": True, "corrections": list(says)}
        if ctx.edit("Zone table corrected from the response test", changes, depends_on=("zone",)):
            st.rerun()


def _margins(result: Response) -> list[dict[str, Any]]:
    def ratio(value: float) -> str:
        return "–" if math.isnan(value) else "alone" if math.isinf(value) else f"{value:.1f}×"

    rows = []
    for h, heater in enumerate(result.heaters):
        s = int(result.likely[h])
        clear = result.match[h] >= 0
        rows.append(
            {
                "Heater": heater,
                "Most likely sensor": result.sensors[s] if s >= 0 else "–",
                "Rise °C": None if s < 0 else round(float(result.rise_c[h, s]), 1),
                "± °C": None if s < 0 else round(float(result.sigma_c[h, s]), 2),
                "Over the next sensor": ratio(result.row_margin[h]),
                "Over the next heater": ratio(result.column_margin[h]),
                "Claimed": "✓ clear" if clear else "? not clear",
            }
        )
    return rows
