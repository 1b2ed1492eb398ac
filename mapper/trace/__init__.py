"""Follow leads in photos and judge which of two lies on top."""

from mapper.trace.company import Company
from mapper.trace.ground import Ground, prepare
from mapper.trace.judge import judge_crossing
from mapper.trace.model import BURIED, Judgement, Trace, TraceError
from mapper.trace.propose import Proposal, propose
from mapper.trace.snap import snap_to_wire
from mapper.trace.tracing import trace_between
from mapper.trace.votes import Ballot, Vote, count_votes

__all__ = [
    "BURIED",
    "Ballot",
    "Company",
    "Ground",
    "Judgement",
    "Proposal",
    "Trace",
    "TraceError",
    "Vote",
    "count_votes",
    "judge_crossing",
    "prepare",
    "propose",
    "snap_to_wire",
    "trace_between",
]
