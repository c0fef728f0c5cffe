"""A save that was cut off anywhere leaves every saved label readable, and says what it set aside."""

import errno
import os

import pytest

from sigkit.corpus.label_journal import LabelJournal
from sigkit.corpus.label_record import FiringLabel, LabelError


def label(number):
    return FiringLabel(f"e{number}", f"l{number}", "r01", "a.npz", "lead_1", 0.01, intervals=((0.0101, 0.0113),))


@pytest.fixture
def journal(tmp_path):
    made = LabelJournal(tmp_path, "r01")
    made.append([label(1), label(2)])
    return made


def test_a_line_torn_anywhere_is_set_aside_or_completed(journal, tmp_path):
    whole = journal.path.read_bytes()
    last = (label(3).to_line() + "\n").encode()
    for kept in range(1, len(last), 7):
        journal.path.write_bytes(whole + last[:kept])
        again = LabelJournal(tmp_path, "r01")
        complete = kept == len(last) - 1
        assert len(again.firings()) == (3 if complete else 2)
        assert len(again.messages) == 1
        assert "torn" in again.messages[0] or complete
        again.append([label(9)])
        assert [one.entry for one in LabelJournal(tmp_path, "r01").firings()][-1] == "e9"
    assert last[:8] in (tmp_path / "r01.torn").read_bytes()


def test_a_label_whose_line_end_is_lost_is_kept(journal, tmp_path):
    with open(journal.path, "ab") as stream:
        stream.write(label(3).to_line().encode())
    again = LabelJournal(tmp_path, "r01")
    assert len(again.firings()) == 3
    assert "whole and kept" in again.messages[0]
    assert journal.path.read_bytes().endswith(b"\n")


def test_bytes_of_a_failing_disk_are_no_label(journal, tmp_path):
    with open(journal.path, "ab") as stream:
        stream.write(b"\x00" * 512)
    assert len(LabelJournal(tmp_path, "r01").firings()) == 2


def test_damage_before_the_last_line_is_an_error_with_its_line(journal, tmp_path):
    text = journal.path.read_bytes()
    journal.path.write_bytes(text[:20] + b"?" + text[21:])
    with pytest.raises(LabelError, match=r"r01\.jsonl, line 1"):
        LabelJournal(tmp_path, "r01")


def test_a_full_disk_leaves_no_half_label(journal, tmp_path, monkeypatch):
    before = journal.path.read_bytes()
    real = os.fsync

    def full(handle):
        raise OSError(errno.ENOSPC, "no space left on the disk")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="no space"):
        journal.append([label(3)])
    monkeypatch.setattr(os, "fsync", real)
    assert journal.path.read_bytes() == before
    journal.append([label(4)])
    assert [one.entry for one in LabelJournal(tmp_path, "r01").firings()] == ["e1", "e2", "e4"]


def test_a_file_that_was_cut_short_from_outside_is_noticed(journal):
    os.truncate(journal.path, 10)
    with pytest.raises(LabelError, match="became shorter"):
        journal.append([label(3)])
