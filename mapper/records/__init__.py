"""The archive of jobs: every edit saved at once, undo and redo without end.

`JobStore` keeps jobs in a folder; `Job` is a frozen view of one; the `*_changes` functions
say what belongs together in one edit.
"""

from mapper.records.changes import (
    TICK_DEPENDS_ON,
    cover_changes,
    fit_changes,
    judgement_changes,
    judgements_changes,
    lead_changes,
    takeout_changes,
    thickness_changes,
    tick_changes,
)
from mapper.records.conflicts import conflict_of
from mapper.records.correcting import (
    corrected_by_trace,
    corrected_by_way,
    corrected_from_job,
)
from mapper.records.demo import open_demo
from mapper.records.differing import tables_difference
from mapper.records.document import DoneStep, JudgedEntry, PhotoEntry, Settings
from mapper.records.errors import EditConflict, RecordsError
from mapper.records.exchange import (
    entries_of_map,
    export_route_map,
    import_route_map,
    job_to_share,
    readable_copies,
    route_map_bytes,
)
from mapper.records.expected import ExpectedLead
from mapper.records.fates import Fates, broken_leads, fates_of, fates_told, leads_not_there
from mapper.records.job import Job
from mapper.records.leads import Stretch, TracedLead, refit_stretches
from mapper.records.listing import EditRecord, JobSummary
from mapper.records.moving import Moved, move_archive
from mapper.records.pack import JobPack, is_pack, read_pack, take_in_pack, write_pack
from mapper.records.parts import CoverEntry, JobParts, TakeoutEntry, parts_in_file
from mapper.records.places import ARCHIVE_FILE, default_store_folder, shared_places
from mapper.records.rebuilding import (
    AsBuilt,
    Correction,
    RebuildEntry,
    ShiftNote,
    as_built_of,
    as_built_of_job,
    pin_exits,
    wanted_leads,
)
from mapper.records.renaming import RENAME_DEPENDS_ON, rename_changes
from mapper.records.store import JobStore
from mapper.records.successor import next_job_entries

__all__ = [
    "ARCHIVE_FILE",
    "RENAME_DEPENDS_ON",
    "TICK_DEPENDS_ON",
    "AsBuilt",
    "Correction",
    "CoverEntry",
    "DoneStep",
    "EditConflict",
    "EditRecord",
    "ExpectedLead",
    "Fates",
    "Job",
    "JobPack",
    "JobParts",
    "JobStore",
    "JobSummary",
    "JudgedEntry",
    "Moved",
    "PhotoEntry",
    "RebuildEntry",
    "RecordsError",
    "Settings",
    "ShiftNote",
    "Stretch",
    "TakeoutEntry",
    "TracedLead",
    "as_built_of",
    "as_built_of_job",
    "broken_leads",
    "conflict_of",
    "corrected_by_trace",
    "corrected_by_way",
    "corrected_from_job",
    "cover_changes",
    "default_store_folder",
    "entries_of_map",
    "export_route_map",
    "fates_of",
    "fates_told",
    "fit_changes",
    "import_route_map",
    "is_pack",
    "job_to_share",
    "judgement_changes",
    "judgements_changes",
    "lead_changes",
    "leads_not_there",
    "move_archive",
    "next_job_entries",
    "open_demo",
    "parts_in_file",
    "pin_exits",
    "read_pack",
    "readable_copies",
    "refit_stretches",
    "route_map_bytes",
    "rename_changes",
    "shared_places",
    "tables_difference",
    "take_in_pack",
    "takeout_changes",
    "thickness_changes",
    "tick_changes",
    "wanted_leads",
    "write_pack",
]
