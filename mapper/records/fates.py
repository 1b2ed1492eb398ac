"""What became of each lead's part at a takeout, and what that says over several takeouts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from mapper.bench.salvage import part_verdicts
from mapper.errors import shown
from mapper.records.job import Job, counting_order

__all__ = ["Fates", "broken_leads", "fates_of", "fates_told", "leads_not_there"]

LOST = ("broke", "replace")  # the part does not go back in
WORDS = {"reuse": "used again", "replace": "replace"}
NUMBERS = {2: "two", 3: "three", 4: "four", 5: "five", 6: "six"}


@dataclass(frozen=True)
class Fates:
    """One takeout. `by_lead`: lead id -> "broke", "replace", "used again" or "undecided"; leads
    of which nobody measured or logged anything are not in it."""

    job_id: str
    name: str
    at: datetime | None
    by_lead: Mapping[str, str]

    @property
    def day(self) -> str:
        """The day as it stands in a sentence."""
        return "no date" if self.at is None else f"{self.at.astimezone():%Y-%m-%d}"


def broken_leads(job: Job) -> frozenset[str]:
    """Ids, as the zones expect them, of the leads that the teardown log says broke."""
    wires = {step.wire for step in job.done if step.action == "broke"}
    if wires and job.plate is not None:  # a piece of a lead that broke before is that lead
        wires = {job.teardown.lead_of(wire) for wire in wires} | wires
    expected = {(lead.drop, lead.kind): lead.id for lead in job.expected_leads()}
    by_id = {lead.id: lead for lead in job.leads}
    names = set(wires)
    for wire in wires & set(by_id):  # a lead from a file may be named in another way
        names.add(expected.get((by_id[wire].drop, by_id[wire].kind), wire))
    return frozenset(names)


def leads_not_there(job: Job) -> frozenset[str]:
    """Leads that zones of this plate do not have, as the job's settings say."""
    expected = {lead.id for lead in job.expected_leads()}
    zones = {name.rpartition("-")[0] for name in expected | set(job.settings.not_there)}
    return frozenset(f"{zone}-{suffix}" for zone in zones for suffix in "HT") - expected


def fates_of(job: Job) -> Fates:
    """Return what became of the parts of one job, by the bench verdicts and the teardown log.

    The takeout's day is that of the first event of the log; without a log, that of the job.
    """
    found: dict[str, str] = {}
    parts = part_verdicts(job.zones, job.limits, broken_leads(job), leads_not_there(job))
    for one in parts:
        if one.word != "not measured":
            lead = f"{one.zone}-{'H' if one.part == 'heater' else 'T'}"
            found[lead] = "broke" if one.broken else WORDS.get(one.word, "undecided")
    days = [step.at for step in job.done if step.at is not None]
    return Fates(job.id, job.name, min(days, default=job.created_at), found)


def fates_told(takeouts: Sequence[Fates]) -> list[str]:
    """Return, in sentences, which parts do not last; `takeouts` of one plate in any order.

    A run of losses is counted back from the newest takeout that knows of the lead.
    """
    ordered = sorted(takeouts, key=lambda one: (one.at is not None, one.at and one.at.timestamp()))
    told: list[tuple[int, tuple, str]] = []
    for lead in sorted({lead for one in takeouts for lead in one.by_lead}, key=counting_order):
        own = [(one, one.by_lead[lead]) for one in ordered if lead in one.by_lead]
        lost = [(one, fate) for one, fate in own if fate in LOST]
        if not lost:
            continue
        run = 0
        while run < len(own) and own[-1 - run][1] in LOST:
            run += 1
        last = ", ".join(f"{one.day} {_why(fate)}" for one, fate in lost[-6:])
        if run >= 2:
            number = NUMBERS.get(run, str(run))
            words = f"had to be replaced at the last {number} takeouts ({last})"
        elif len(lost) > 1:
            words = f"had to be replaced at {len(lost)} of {len(own)} takeouts ({last})"
        elif run == 1:
            used = sum(fate == "used again" for _, fate in own)
            before = f", after {used} on which it was used again" if used else ""
            words = f"had to be replaced at the last takeout{before} ({last})"
        else:
            words = f"had to be replaced once ({last}), and not since"
        told.append((-run, counting_order(lead), f"{shown(lead)} {words}."))
    return [sentence for _, _, sentence in sorted(told, key=lambda one: one[:2])]


def _why(fate: str) -> str:
    return "lead broke" if fate == "broke" else "by its readings"
