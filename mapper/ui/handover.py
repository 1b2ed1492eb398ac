"""What the next shift has to know: what is done, what is not and why, from the job alone."""

from __future__ import annotations

from dataclasses import dataclass

from mapper.bench import BenchError
from mapper.bench.response import Response
from mapper.pulling import safe_now
from mapper.pulling.words import place_words
from mapper.records import Job
from mapper.ui.findings import Findings

__all__ = ["Handover", "handover_of"]

SOME = 12  # lines of a part; the rest is counted


@dataclass(frozen=True)
class Handover:
    """Parts of the hand-over, each a list of plain sentences; an empty one has nothing to tell."""

    done: tuple[str, ...]
    now: tuple[str, ...]
    unfit: tuple[str, ...]
    blocked: tuple[str, ...]
    questions: tuple[str, ...]
    missing: tuple[str, ...]
    log: tuple[str, ...]

    @property
    def parts(self) -> tuple[tuple[str, tuple[str, ...]], ...]:
        """(Heading, sentences) in the order of the page."""
        return (
            ("Done", self.done),
            ("Can be done now", self.now),
            ("In the log, but not as the map is now", self.unfit),
            ("Held back, and by what", self.blocked),
            ("Open questions", self.questions),
            ("Missing", self.missing),
            ("Last entries of the teardown log", self.log),
        )


def handover_of(findings: Findings) -> Handover:
    """Return the hand-over of a job as it stands. A job without a plate has little to tell."""
    job = findings.job
    return Handover(
        done=_some(_done(findings)),
        now=_some(_now(findings)),
        unfit=_some(list(findings.contradictions)),
        blocked=_some(_blocked(findings)),
        questions=_some(_questions(findings)),
        missing=_some(_missing(job, findings)),
        log=_log(job),
    )


def _some(lines: list[str]) -> tuple[str, ...]:
    if len(lines) <= SOME:
        return tuple(lines)
    return (*lines[: SOME - 1], f"And {len(lines) - SOME + 1} more.")


def _listed(names, most: int = 24) -> str:
    names = list(names)
    more = f" and {len(names) - most} more" if len(names) > most else ""
    return ", ".join(names[:most]) + more


def _done(findings: Findings) -> list[str]:
    job = findings.job
    lines = [f"{findings.line}."]
    if findings.out:
        lines.append(f"Out: {_listed(sorted(findings.out))}.")
    zones = [zone for zone in job.zones if zone.data]
    if zones:
        lines.append(f"Data or readings entered for {len(zones)} of {len(job.zones)} zones.")
    lines += _tests(job)
    if job.as_built is not None:
        sure = "confirmed" if job.as_built.confirmed else "not confirmed yet"
        lines.append(f"An as-built map is kept ({len(job.as_built.laid_map.leads)} leads, {sure}).")
    return lines


def _tests(job: Job) -> list[str]:
    """The newest response test: how many answer, and what is to be tested again."""
    names = sorted(job.names("response"))
    if not names:
        return []
    entry = job.value(f"response/{names[-1]}", {})
    try:
        result = Response.from_dict(entry)
    except BenchError:
        return [f"Response test {names[-1].lstrip('0')} is kept, but damaged."]
    line = (
        f"Response test {names[-1].lstrip('0')}: {len(result.right)} of {len(result.heaters)} "
        "heaters answer clearly on their own sensor."
    )
    if result.test_again:
        line += f" To be tested again: {_listed(result.test_again)}."
    faults = sum(one.kind not in ("ambiguous", "weak", "untested") for one in result.findings)
    if faults:
        corrected = "was" if entry.get("corrected") else "was not"
        line += f" Faults named: {faults}; the zone table {corrected} corrected from it."
    return [line]


def _now(findings: Findings) -> list[str]:
    lines = []
    for step in findings.steps_now:
        if step in findings.legal_now:
            where = "" if step.past is None else f" to just past {place_words(step.past)} mm"
            lines.append(f"{findings.act(step).capitalize()} {step.wire}{where}.")
    return lines


def _blocked(findings: Findings) -> list[str]:
    if findings.planned_on is None or findings.plan is None:
        return []
    lines = [f"Locked together: {_listed(one.wires)}." for one in findings.plan.locked]
    held = safe_now(findings.planned_on, findings.done).held
    for name, (other, x_mm, y_mm, reason) in held.items():
        where = place_words((x_mm, y_mm))
        other = "its own other pass" if other == name else other
        if reason == "lies under":
            lines.append(f"{name} lies under {other} at {where}.")
        else:
            lines.append(f"{name} meets {other} at {where}, and nobody has looked.")
    return lines


def _questions(findings: Findings) -> list[str]:
    lines = [
        f"{one.a} / {one.b} at ({one.x_mm:.0f}, {one.y_mm:.0f}) mm: which lies on top? "
        f"The answer may free {one.frees}."
        for one in findings.look_at_now
    ]
    left = len(findings.open_meetings) - len(findings.look_at_now)
    if left > 0:
        lines.append(
            f"{left} more open crossings, touching places and shared runs, which free nothing yet."
        )
    photos = {photo.sha256: photo.name for photo in findings.job.photos}
    lines += [
        f"The fit of {photos.get(name, 'a photo')} is doubtful: confirm or mend it."
        for name in findings.doubtful
    ]
    return lines


def _missing(job: Job, findings: Findings) -> list[str]:
    if job.plate is None:
        return ["The plate is not described yet."]
    lines = []
    untraced = [one.id for one in job.missing_leads()]
    if untraced:
        lines.append(f"Not traced: {_listed(untraced)}.")
    if findings.unfinished:
        lines.append(f"Not traced to the exit: {_listed(findings.unfinished)}.")
    unfitted = [photo.name for photo in job.photos if photo.sha256 not in job.fits]
    if unfitted:
        lines.append(f"Photos not fitted: {_listed(unfitted)}.")
    for key, word in (
        ("ohm", "heater resistance"),
        ("insulation_mohm", "insulation"),
        ("loop_ohm", "thermocouple loop"),
    ):
        without = [zone.id for zone in job.zones if zone.data.get(key) is None]
        if without and len(without) < len(job.zones):
            lines.append(f"No {word} reading: {_listed(without)}.")
        elif without:
            lines.append(f"No {word} reading of any zone.")
    if job.as_built is None:
        lines.append("No as-built map of the new wiring.")
    return lines


def _log(job: Job) -> tuple[str, ...]:
    lines = []
    for step in reversed(job.done[-SOME:]):
        when = "" if step.at is None else f"{step.at.astimezone():%Y-%m-%d %H:%M} "
        by = f", {step.by}" if step.by else ""
        reason = f" Reason: {step.reason}" if step.reason else ""
        lines.append(f"{when}{step.action} {step.wire}{by}.{reason}")
    return tuple(lines)
