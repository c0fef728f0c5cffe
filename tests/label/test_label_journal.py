"""What was said to be saved is there; nobody overwrites anybody."""

import os
from multiprocessing import get_context

import pytest

from sigkit.corpus.label_journal import LabelConflict, LabelJournal, read_labels
from sigkit.corpus.label_record import FiringLabel, LabelError


def label(entry, name="l1", based_on="", **more):
    more.setdefault("reader", "r01")
    return FiringLabel(entry, name, capture="a.npz", channel="lead_1", time_s=0.01, intervals=((0.0101, 0.0113),),
                       based_on=based_on, **more)  # fmt: skip


def test_lines_are_only_added_and_the_newest_holds(tmp_path):
    journal = LabelJournal(tmp_path / "labels", "r01")
    journal.append([label("e1")])
    before = journal.path.read_bytes()
    journal.append([label("e2", based_on="e1", role="waste")])
    assert journal.path.read_bytes().startswith(before)
    again = LabelJournal(tmp_path / "labels", "r01")
    assert [one.role for one in again.firings()] == ["waste"]
    assert [one.entry for one in again.entries("l1")] == ["e1", "e2"]
    again.append([label("e3", based_on="e2", deleted=True)])
    assert again.firings() == []
    assert again.newest("l1").deleted


def test_the_second_of_two_tabs_is_told_and_nothing_is_overwritten(tmp_path):
    one, other = LabelJournal(tmp_path, "r01"), LabelJournal(tmp_path, "r01")
    one.append([label("e1", role="power")])
    with pytest.raises(LabelConflict) as told:
        other.append([label("e2", role="waste"), label("e3", "l2")])
    assert told.value.present["l1"].entry == "e1"
    assert [each.entry for each in LabelJournal(tmp_path, "r01").entries()] == ["e1"]


def test_the_same_request_twice_is_saved_once(tmp_path):
    journal = LabelJournal(tmp_path, "r01")
    journal.append([label("e1", saved_at="2026-01-31T12:00:00+00:00")])
    journal.append([label("e1", saved_at="2026-01-31T12:00:09+00:00")])
    assert len(journal.path.read_text().splitlines()) == 1
    with pytest.raises(LabelError, match="other content"):
        journal.append([label("e1", role="waste")])


def test_foreign_labels_and_unknown_bases_are_refused(tmp_path):
    journal = LabelJournal(tmp_path, "r01")
    with pytest.raises(LabelError, match="reader 'r02'"):
        journal.append([label("e1", reader="r02")])
    with pytest.raises(LabelError, match="not there"):
        journal.append([label("e1", based_on="e0")])
    assert journal.entries() == []


def _add(folder, writer):
    journal = LabelJournal(folder, "r01")
    for number in range(20):
        journal.append([label(f"w{writer}-{number}", f"l{writer}-{number}")])


def test_processes_that_write_at_once_lose_nothing(tmp_path):
    context = get_context("spawn")
    workers = [context.Process(target=_add, args=(tmp_path, number)) for number in range(3)]
    for one in workers:
        one.start()
    for one in workers:
        one.join(60)
    assert [one.exitcode for one in workers] == [0, 0, 0]
    assert len(LabelJournal(tmp_path, "r01").firings()) == 60


def test_journals_of_a_folder_by_reader(tmp_path):
    assert read_labels(tmp_path / "none") == {}
    LabelJournal(tmp_path, "r02").append([label("e1", reader="r02")])
    LabelJournal(tmp_path, "r01").append([label("e1")])
    assert list(read_labels(tmp_path)) == ["r01", "r02"]


def test_a_name_that_leads_out_of_the_folder_is_no_reader(tmp_path):
    for name in ("../r01", "r01/..", "R01", "", "r 1", "r01.jsonl"):
        with pytest.raises(LabelError, match="reader id"):
            LabelJournal(tmp_path, name)


@pytest.mark.skipif(os.name != "posix", reason="rights of files")
def test_a_folder_that_may_only_be_read_can_be_read(tmp_path):
    LabelJournal(tmp_path, "r01").append([label("e1")])
    path = tmp_path / "r01.jsonl"
    path.write_bytes(path.read_bytes() + b'{"schema":')
    path.chmod(0o444)
    journal = LabelJournal(tmp_path, "r01")
    assert len(journal.firings()) == 1
    # The superuser may write everywhere, and then mends the line.
    assert any("torn" in message for message in journal.messages)
