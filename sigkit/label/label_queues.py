"""Which firing comes next: the queues a reader can work through."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence

from sigkit.corpus.label_journal import LabelJournal
from sigkit.corpus.label_record import FiringLabel
from sigkit.label.firing_times import SAME_FIRING_S
from sigkit.label.label_tasks import LabelTask

QUEUES = ("unlabelled", "disagreement", "model_uncertain", "random_audit")
#: Burn times of two labels that differ by more disagree, milliseconds: the assumed resolution of a hand reading
#: (common practice, no source).
DISAGREE_MS = 0.05
#: Share of firings that a random audit takes (our choice).
AUDIT_SHARE = 0.1


class LabelIndex:
    """Finds labels by place: which of them belong to a task.

    Parameters
    ----------
    journals : mapping of str to LabelJournal
        By reader.
    """

    def __init__(self, journals: Mapping[str, LabelJournal]) -> None:
        self._by_place: dict[tuple[str, str], list[FiringLabel]] = {}
        for journal in journals.values():
            for label in journal.firings():
                self._by_place.setdefault((label.capture, label.channel), []).append(label)

    def of(self, task: LabelTask) -> list[FiringLabel]:
        """Return the labels of a task's firing, of every reader and presentation.

        A label belongs to the firing it was asked for, however far the reader placed its instants; one made in the
        whole capture belongs to the firing within `SAME_FIRING_S`.
        """
        there = self._by_place.get((task.capture, task.channel), [])
        return [one for one in there if one.label == task.token or abs(one.time_s - task.time_s) <= SAME_FIRING_S]

    def own(self, task: LabelTask, reader: str) -> FiringLabel | None:
        """Return the reader's own label of this showing of the firing."""
        mine = [one for one in self.of(task) if one.reader == reader and one.presentation == task.presentation]
        exact = [one for one in mine if one.label == task.token]
        return next(iter(exact or mine), None)


def disagreement(labels: Sequence[FiringLabel]) -> float:
    """Return by how much labels of one firing disagree, 0 when they agree or are fewer than two.

    Different answers count as infinite; else the spread of the burn times in milliseconds where it exceeds
    `DISAGREE_MS`.

    Examples
    --------
    >>> one = FiringLabel("e1", "l1", "r01", "a", "1", 0.01, intervals=((0.0101, 0.0113),))
    >>> two = FiringLabel("e2", "l2", "r02", "a", "1", 0.01, intervals=((0.0101, 0.0115),))
    >>> round(disagreement([one, two]), 3), disagreement([one])
    (0.2, 0.0)
    """
    if len(labels) < 2:
        return 0.0
    if len({one.answer for one in labels}) > 1 or len({len(one.intervals) for one in labels}) > 1:
        return float("inf")
    burns = [one.burn_ms for one in labels if one.burn_ms is not None]
    spread = max(burns) - min(burns) if len(burns) > 1 else 0.0
    return spread if spread > DISAGREE_MS else 0.0


def queue_of(
    name: str, tasks: Sequence[LabelTask], index: LabelIndex, reader: str, seed: int, *, blind: bool
) -> list[LabelTask]:
    """Return the tasks of a queue, in the order they come.

    Parameters
    ----------
    name : str
        One of `QUEUES`. ``unlabelled``: what this reader has not answered. ``disagreement``: firings whose labels
        differ; blind, those of others that this reader has not answered (in shuffled order), else the widest first.
        ``model_uncertain``: not answered, and a model was not sure. ``random_audit``: not answered, a random share of
        all firings whatever anybody says of them.
    """
    if name == "disagreement":
        scored = [(disagreement(index.of(task)), task) for task in tasks]
        found = [(score, task) for score, task in scored if score > 0]
        if not blind:
            return [task for _, task in sorted(found, key=lambda pair: -pair[0])]
        return [task for _, task in found if index.own(task, reader) is None]
    waiting = [task for task in tasks if index.own(task, reader) is None]
    if name == "model_uncertain":
        return [task for task in waiting if task.firing is not None and task.firing.uncertain]
    if name == "random_audit":
        return [task for task in waiting if _drawn(task, seed)]
    return waiting


def _drawn(task: LabelTask, seed: int) -> bool:
    text = f"audit|{seed}|{task.capture}|{task.channel}|{task.time_s:.6f}"
    return int(hashlib.sha256(text.encode()).hexdigest()[:8], 16) < AUDIT_SHARE * 2**32
