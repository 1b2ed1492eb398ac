"""Kill a writer at random moments, and see that no acknowledged edit is lost.

    python -m tests.benchmarks.kill [--times 1000] [--seed 1]

A child process opens the archive, makes edits, undoes some, adds photos, and says each step
once the store has returned from it. It is killed (SIGKILL) after a random time, from before
the archive is opened to well into the edits. Then the archive is opened again: SQLite's own
check has to find nothing, every acknowledged step has to be there with its value, and every
acknowledged photo has to have its bytes. The next child goes on in the same archive; every
50th starts a new one, so that the first moments of an archive are hit too.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import multiprocessing
import os
import random
import signal
import sqlite3
import sys
import tempfile
import time
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path

from mapper.records import JobStore

ROUNDS_PER_ARCHIVE = 50
AT_OPENING = 0.2  # share of the kills that aim at the opening of the archive
OPENING_S = 0.4
MOST_STEPS = 6  # acknowledged before the others are killed,
WRITING_S = 0.1  # and the longest time after the last of them


@dataclass
class Tally:
    """What happened over all kills."""

    kills: int = 0
    before_first: int = 0  # kills before the child acknowledged anything
    acknowledged: int = 0
    unacknowledged_kept: int = 0  # on the disk, but killed before it could say so
    faults: list[str] = field(default_factory=list)


def write(folder: Path, seed: int, out: int) -> None:
    """The child: write until killed; say each step that is done on the file number `out`."""

    def say(line: dict) -> None:
        os.write(out, json.dumps(line).encode() + b"\n")

    rng = random.Random(seed)
    store = JobStore(folder)
    jobs = store.jobs()
    job_id = jobs[0].id if jobs else store.create("kill")
    say({"job": job_id, "revision": store.revision(job_id)})
    number = len(store.history(job_id))
    while True:
        number += 1
        act = rng.random()
        if act < 0.1 and store.job(job_id).undo_label:
            job = store.undo(job_id)
            said = {"undo": True}
        elif act < 0.25:
            data = rng.randbytes(rng.randrange(1, 400_000))
            said = {"photo": store.add_photo(data, "jpg")}
            job = store.job(job_id)
        else:
            key = f"lead/Z{rng.randrange(40):02d}"
            points = [[rng.uniform(0, 500), float(number)] for _ in range(rng.randrange(2, 300))]
            stretch = {"points_mm": points, "photo": None}
            name = key.partition("/")[2]
            lead = {"id": name, "kind": "heater", "drop": "D01", "stretches": [stretch]}
            job = store.edit(job_id, f"edit {number}", {key: lead}, uid=f"{seed}-{number}")
            said = {"key": key, "digest": digest(job.texts[key])}
        say({**said, "revision": job.revision})


def digest(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def kill_once(folder: Path, seed: int, rng: random.Random, tally: Tally) -> None:
    """Start a child, kill it at a random moment, and look at what it left."""
    # A fork needs no time for imports, so that every moment of the child's life counts.
    # The parent has no archive open then.
    read, out = os.pipe()
    child = multiprocessing.get_context("fork").Process(target=write, args=(folder, seed, out))
    child.start()
    os.close(out)
    with os.fdopen(read, encoding="utf-8") as from_child:
        first = ""
        if rng.random() < AT_OPENING:
            time.sleep(rng.random() * OPENING_S)
        else:
            # A busy machine writes slowly, so steps are counted and not only time.
            first = "".join(from_child.readline() for _ in range(1 + rng.randrange(MOST_STEPS)))
            time.sleep(rng.random() * WRITING_S)
        child.kill()
        child.join()
        lines = (first + from_child.read()).split("\n")
    if child.exitcode != -signal.SIGKILL:
        tally.faults.append(f"kill {tally.kills + 1}: the writer ended by itself")
    # A line without its end was being printed; the edit behind it counts as acknowledged
    # only when the whole line came.
    said = [json.loads(line) for line in lines[:-1]]
    tally.kills += 1
    tally.acknowledged += max(len(said) - 1, 0)
    tally.before_first += len(said) < 2
    check(folder, said, tally)


def check(folder: Path, said: list[dict], tally: Tally) -> None:
    """Open the archive as the next user would, and compare."""
    where = f"kill {tally.kills}"
    store = JobStore(folder)
    with closing(sqlite3.connect(folder / "jobs.sqlite")) as raw:
        (found,) = raw.execute("PRAGMA integrity_check").fetchone()
        broken = raw.execute("PRAGMA foreign_key_check").fetchall()
    if found != "ok" or broken:
        tally.faults.append(f"{where}: {found} {broken}")
    for photo in (line["photo"] for line in said if "photo" in line):
        data = store.photo_path(photo).read_bytes()
        if hashlib.sha256(data).hexdigest() != photo:
            tally.faults.append(f"{where}: photo {photo[:8]} is damaged")
    for path in folder.glob("photos/*/*.jpg"):
        if hashlib.sha256(path.read_bytes()).hexdigest() != path.stem:
            tally.faults.append(f"{where}: a half-written {path.name[:8]}")
    if said:
        check_job(store, said, tally, where)
    store.close()


def check_job(store: JobStore, said: list[dict], tally: Tally, where: str) -> None:
    job = store.job(said[0]["job"])
    last = said[-1]["revision"]
    if job.revision not in (last, last + 1):
        tally.faults.append(f"{where}: revision {job.revision}, acknowledged {last}")
    tally.unacknowledged_kept += job.revision - last
    # The job has to be what its own history makes of it, and what was acknowledged has to be
    # in that history: replay it without the store's help.
    with closing(sqlite3.connect(store.folder / "jobs.sqlite")) as raw:
        changes = raw.execute(
            "SELECT c.seq, c.key, c.after, e.state FROM change c JOIN edit e"
            " ON e.job_id = c.job_id AND e.seq = c.seq WHERE c.job_id = ? ORDER BY c.seq",
            (job.id,),
        ).fetchall()
        steps = raw.execute(
            "SELECT revision, action, seq FROM step WHERE job_id = ? AND seq IS NOT NULL",
            (job.id,),
        ).fetchall()
    texts: dict[str, str] = {}
    for _, key, after, state in changes:
        if state == "live":
            texts[key] = after
    kept = {key: text for key, text in job.texts.items() if key != "about"}
    if kept != texts:
        tally.faults.append(f"{where}: the entries are not what the history makes of them")
    by_revision = {revision: (action, seq) for revision, action, seq in steps}
    if sorted(by_revision) != list(range(1, job.revision + 1)):
        tally.faults.append(f"{where}: a step is missing")
    of_edit = {(seq, key): after for seq, key, after, _ in changes}
    for line in said[1:]:
        action, seq = by_revision.get(line["revision"], (None, None))
        if "undo" in line and action != "undo":
            tally.faults.append(f"{where}: an undo was lost")
        if "key" in line and (
            action != "edit" or digest(of_edit.get((seq, line["key"]), "")) != line["digest"]
        ):
            tally.faults.append(f"{where}: an edit of {line['key']} was lost")


def run(times: int, seed: int, folder: Path) -> Tally:
    """Kill `times` times and return what happened."""
    rng = random.Random(seed)
    tally = Tally()
    for i in range(times):
        kill_once(folder / str(i // ROUNDS_PER_ARCHIVE), seed * 1_000_000 + i, rng, tally)
        if (i + 1) % 100 == 0:
            print(f"{i + 1} kills, {len(tally.faults)} faults", flush=True)
    return tally


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--times", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    start = time.perf_counter()
    with tempfile.TemporaryDirectory() as folder:
        tally = run(arguments.times, arguments.seed, Path(folder))
    print(
        f"{tally.kills} kills in {time.perf_counter() - start:.0f} s; "
        f"{tally.acknowledged} acknowledged steps, {tally.unacknowledged_kept} more were kept "
        f"unacknowledged; {tally.before_first} kills before the first step; "
        f"faults: {len(tally.faults)}"
    )
    print("\n".join(tally.faults))
    return bool(tally.faults)


if __name__ == "__main__":
    sys.exit(main())
