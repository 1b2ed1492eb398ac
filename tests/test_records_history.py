"""Edits, undo and redo, in any order, do what a plain list of versions does."""

from __future__ import annotations

import tempfile
from typing import Any

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule

from mapper.records import EditConflict, JobStore

KEYS = ["about", "done/0001", "done/0002", "lead/a/b", "lead/<Ω>"]
WORDS = st.text(st.characters(exclude_categories=["Cs"]), max_size=8)


def value(key: str, word: str) -> dict[str, Any]:
    """A value of the kind that the key needs, which holds the word."""
    kind, _, name = key.partition("/")
    if kind == "about":
        return {"name": word, "note": [word, 1.5, None]}
    if kind == "done":
        return {"action": "pull", "wire": word}
    return {"id": name, "kind": "other", "drop": word}


CHANGES = st.dictionaries(st.sampled_from(KEYS), st.none() | WORDS, min_size=1, max_size=4).map(
    lambda words: {k: None if w is None else value(k, w) for k, w in words.items()}
)


class Archive(RuleBasedStateMachine):
    """The model: the versions that undo goes back through, and those that redo brings back."""

    def __init__(self) -> None:
        super().__init__()
        self.folder = tempfile.TemporaryDirectory()
        self.store = JobStore(self.folder.name)
        self.job_id = self.store.import_job({})
        self.past: list[tuple[str, dict[str, Any]]] = []  # (label of the edit, before it)
        self.future: list[tuple[str, dict[str, Any]]] = []  # (label, after it)
        self.now: dict[str, Any] = {}
        self.delivered: list[tuple[str, str, dict[str, Any]]] = []
        self.old_view = self.store.job(self.job_id)
        self.seen = dict(self.now)
        self.count = 0

    def teardown(self) -> None:
        self.store.close()
        self.folder.cleanup()

    def apply(self, label: str, changes: dict[str, Any]) -> None:
        after = {**self.now, **changes}
        after = {key: kept for key, kept in after.items() if kept is not None}
        if after != self.now:
            self.past.append((label, self.now))
            self.future.clear()
            self.now = after

    @rule(changes=CHANGES)
    def edit(self, changes) -> None:
        self.count += 1
        uid = label = f"edit {self.count}"
        self.store.edit(self.job_id, label, changes, uid=uid)
        self.delivered.append((uid, label, changes))
        self.apply(label, changes)

    @precondition(lambda self: self.delivered)
    @rule(data=st.data())
    def deliver_again(self, data) -> None:
        uid, label, changes = data.draw(st.sampled_from(self.delivered))
        self.store.edit(self.job_id, label, changes, uid=uid)

    @rule()
    def undo(self) -> None:
        job = self.store.undo(self.job_id)
        assert (job is None) == (not self.past)
        if self.past:
            label, before = self.past.pop()
            self.future.append((label, self.now))
            self.now = before

    @rule()
    def redo(self) -> None:
        job = self.store.redo(self.job_id)
        assert (job is None) == (not self.future)
        if self.future:
            label, after = self.future.pop()
            self.past.append((label, self.now))
            self.now = after

    @rule()
    def look(self) -> None:
        self.old_view, self.seen = self.store.job(self.job_id), dict(self.now)

    @rule(changes=CHANGES)
    def edit_from_an_old_view(self, changes) -> None:
        stale = {key for key in changes if self.now.get(key) != self.seen.get(key)}
        if stale:
            with pytest.raises(EditConflict) as refused:
                self.store.edit(self.job_id, "late", changes, expected=self.old_view)
            assert set(refused.value.keys) == stale
        else:
            self.store.edit(self.job_id, "in time", changes, expected=self.old_view)
            self.apply("in time", changes)

    @rule()
    def open_again(self) -> None:
        self.store.close()
        self.store = JobStore(self.folder.name)

    @invariant()
    def the_job_is_as_the_model(self) -> None:
        job = self.store.job(self.job_id)
        assert job.to_mapping() == self.now
        assert job.undo_label == (self.past[-1][0] if self.past else None)
        assert job.redo_label == (self.future[-1][0] if self.future else None)
        history = self.store.history(self.job_id)
        assert [one.label for one in history if one.state == "live"] == [
            label for label, _ in self.past
        ]


Archive.TestCase.settings = settings(
    max_examples=12,
    stateful_step_count=20,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
)
test_edits_undo_and_redo_do_what_a_list_of_versions_does = Archive.TestCase
