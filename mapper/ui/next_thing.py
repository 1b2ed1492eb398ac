"""What to do next, in the order of the job: one sentence, and the page where it is done."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from mapper.ui.asked import ALONG, meeting_key

if TYPE_CHECKING:
    from mapper.ui.findings import Findings

__all__ = ["NextThing", "next_thing"]

LOOKS_ALONG = 12  # more places than that are answered quicker by looks along whole leads
READINGS = {"ohm", "insulation_mohm", "loop_ohm", "shown_c"}  # of a zone, taken on the bench


@dataclass(frozen=True)
class NextThing:
    """One sentence on what to do next, and the short name of the page where it is done; `what`:
    the lead or the meeting (by its key) that it is done to there."""

    text: str
    page: str
    what: str = ""


def next_thing(findings: Findings) -> NextThing:
    """What to do next, in the order of the job."""
    job = findings.job
    if job.plate is None:
        return NextThing("describe the plate", "plate")
    if not job.leads and not (job.plate.channels and job.plate.exits):
        return NextThing("draw the channels and mark the exits", "plate")
    if not job.photos and not job.leads:
        return NextThing("add photos", "photos")
    if not job.fits and not job.leads:
        return NextThing("fit the photos to the plate", "fit")
    if findings.out and not findings.leads_left:
        return _after_the_last_lead(findings)
    if findings.doubtful:
        names = {photo.sha256: photo.name for photo in job.photos}
        return NextThing(
            f"look at the doubtful fit of {names.get(findings.doubtful[0], 'a photo')}", "fit"
        )
    missing = [lead.id for lead in job.missing_leads() if lead.id not in findings.gone]
    if missing:
        more = f" and {len(missing) - 1} more" if len(missing) > 1 else ""
        return NextThing(f"trace {missing[0]}{more}", "leads", missing[0])
    unfinished = [name for name in findings.unfinished if name not in findings.gone]
    if unfinished:
        return NextThing(f"trace {unfinished[0]} to its exit", "leads", unfinished[0])
    plan = findings.offered
    if plan is None:
        return NextThing("trace the leads", "leads")
    if findings.asked.to_lift:
        return NextThing("look how far leads may be lifted", "crossings", ALONG)
    if len(findings.look_at_now) > LOOKS_ALONG:
        return NextThing("look which lead lies free", "crossings", ALONG)
    if findings.look_at_now:
        first = findings.look_at_now[0]
        return NextThing(f"look at {first.a} / {first.b}", "crossings", meeting_key(first))
    if plan.steps:
        step = plan.steps[0]
        return NextThing(f"{findings.act(step).lower()} {step.wire}", "plan")
    if findings.lifts:
        words = f"lift {findings.lifts[0].step.wire} to see what lies under it"
        return NextThing(words, "plan")
    if findings.to_look_at:
        return NextThing("uncover more and take a new photo: no answer frees a lead", "photos")
    if plan.locked:
        return NextThing(f"release the locked set of {', '.join(plan.locked[0].wires)}", "plan")
    return _after_the_last_lead(findings)


def _after_the_last_lead(findings: Findings) -> NextThing:
    """What to do next once no lead is in the plate any more."""
    job = findings.job
    if findings.offered is not None and findings.offered.steps:
        step = findings.offered.steps[0]
        return NextThing(f"{findings.act(step).lower()} {step.wire}", "plan")
    if not any(zone.data.keys() & READINGS for zone in job.zones):
        return NextThing("all leads are out: measure heaters and thermocouples", "readings")
    if job.as_built is None:
        return NextThing("all leads are out: plan the next wiring", "rebuild")
    if not job.names("response"):
        return NextThing("test that each heater answers on its own sensor", "response")
    return NextThing("print the sheets for the file", "sheet")
