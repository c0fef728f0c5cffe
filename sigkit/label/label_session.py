"""One reader at work on one data set: what the page may know, and how what it sends becomes labels."""

from __future__ import annotations

import hashlib
import math
import threading
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import sigkit
from sigkit.corpus.label_journal import LabelJournal, now_text
from sigkit.corpus.label_record import CaptureMark, FiringLabel, LabelError
from sigkit.errors import CaptureError, SettingsError
from sigkit.label.capture_store import CaptureStore
from sigkit.label.channel_extremes import Trace
from sigkit.label.firing_times import FiringTime, distinct_firing_times, merge_firing_times, read_proposals
from sigkit.label.label_queues import QUEUES, LabelIndex, queue_of
from sigkit.label.label_settings import LabelSettings
from sigkit.label.label_tasks import LabelTask, capture_tasks, firing_tasks
from sigkit.label.shown_label import label_to_show, shown_to_fields
from sigkit.types.capture import Capture

#: How long a firing shown in one tab is kept from another tab's queue, seconds (our choice).
LENT_S = 900.0
#: Most labels in one save (our choice: a long capture at full speed; more goes in several).
MOST_LABELS = 5_000


class LabelSession:
    """Answers the page's questions. Safe to call from several threads.

    Parameters
    ----------
    dataset : Path
    settings : LabelSettings

    Raises
    ------
    SettingsError, LabelError, CaptureError
        When data set, proposals or labels cannot be used.
    """

    def __init__(self, dataset: Path, settings: LabelSettings) -> None:
        self.settings = settings
        self.store = CaptureStore(dataset)
        self.labels = dataset / "labels"
        self.journal = LabelJournal(self.labels, settings.reader)
        self._journals: dict[str, LabelJournal] = {}
        self.times: list[FiringTime] = []
        self.left_out: list[str] = []
        self._lent: dict[str, tuple[str, float]] = {}
        self._guard = threading.Lock()
        if settings.mode == "firing":
            proposed = [one for path in settings.proposals for one in read_proposals(path, self.store)]
            # Own labels last: a place that somebody else gave does not move when it is labelled.
            journals = sorted(self._everybody().items(), key=lambda pair: pair[0] == settings.reader)
            if settings.only_proposals:
                self.times = distinct_firing_times(proposed)
            else:
                self.times = merge_firing_times(proposed, [journal for _, journal in journals])
            if not self.times:
                raise SettingsError(
                    "no firing is proposed or labelled yet; give --proposals FILE (a table with capture, channel, "
                    "time_s, as sigkit screen writes), or label whole captures: --whole-capture"
                )
            self.times = self._openable(self.times)
            self.tasks = firing_tasks(self.times, settings.reader, settings.seed, blind=settings.blind,
                                      repeat_share=settings.repeat_share)  # fmt: skip
        else:
            names = [name for file in self.store.files for name in self._sweep_names(file)]
            self.tasks = capture_tasks(names, settings.reader, settings.seed, blind=settings.blind)
        self._by_token = {task.token: number for number, task in enumerate(self.tasks)}

    # what is there

    def describe(self) -> dict[str, Any]:
        """Return what the page has to know at its start."""
        settings = self.settings
        self.journal.refresh()
        told: dict[str, Any] = {
            "reader": settings.reader, "mode": settings.mode, "blind": settings.blind, "origin": settings.origin,
            "queues": list(QUEUES) if settings.mode == "firing" else ["unlabelled"],
            "messages": list(self.journal.messages), "program": f"sigkit {sigkit.__version__}",
        }  # fmt: skip
        if not settings.blind:
            told["dataset"] = self.store.folder.resolve().name
        return told

    def tokens(self, queue: str) -> list[str]:
        """Return the tokens of a queue in order (firing mode), or of the captures not marked yet."""
        return [task.token for task in self._queue(queue)]

    def next_token(self, queue: str, tab: str, skip: str = "") -> str | None:
        """Return what a tab should show next, None when the queue is empty.

        A task shown in another tab within the last `LENT_S` seconds is passed over while others wait.
        """
        waiting = self._queue(queue)
        now = time.monotonic()
        with self._guard:
            after = self._by_token.get(skip, -1)
            # From the one that is left onwards, then from the beginning.
            if queue == "unlabelled":
                waiting.sort(key=lambda task: self._by_token[task.token] <= after)
            waiting = [task for task in waiting if task.token != skip]
            free = [
                task for task in waiting
                if not (task.token in self._lent and self._lent[task.token][0] != tab
                        and now - self._lent[task.token][1] < LENT_S)
            ]  # fmt: skip
            if not (free or waiting):
                return None
            chosen = (free or waiting)[0]
            self._lent[chosen.token] = (tab, now)
            return chosen.token

    def item(self, token: str) -> dict[str, Any]:
        """Return everything the page needs to show one task; when blind, nothing else."""
        task = self._task(token)
        capture = self.store.capture(task.capture)
        self.journal.refresh()
        origin_s = self._origin_s(task, capture)
        index = LabelIndex({self.settings.reader: self.journal})
        blind = self.settings.blind
        told: dict[str, Any] = {
            "token": token,
            "number": self._by_token[token] + 1,
            "total": len(self.tasks),
            "done": len(self.tasks) - len(self._queue("unlabelled")),
            "channels": [
                {
                    "name": chr(65 + number % 26) + (str(number // 26) if number > 25 else "") if blind else one.name,
                    "unit": one.unit or "steps",
                    "kind": one.kind,
                    "rate_Hz": one.sample_rate_Hz,
                    "samples": len(one),
                    "start_ms": (one.start_s - origin_s) * 1e3,
                }
                for number, one in enumerate(capture.channels)
            ],
            "channel": self._number(capture, task.channel) if task.channel else _first_voltage(capture),
        }
        if task.channel:
            own = index.own(task, self.settings.reader)
            name = own.label if own is not None else token
            told |= {
                "window_ms": [0.0, task.length_ms],
                "label": name,
                "previous_ms": self._previous_ms(task),
                "history": [
                    label_to_show(one, told["channel"], origin_s, task.flipped, place=False)
                    for one in self.journal.entries(name) if isinstance(one, FiringLabel)
                ],
            }  # fmt: skip
        else:
            first = capture.channels[told["channel"]]
            told |= {
                "window_ms": [told["channels"][told["channel"]]["start_ms"], len(first) / first.sample_rate_Hz * 1e3],
                "firings": [
                    label_to_show(one, self._number(capture, one.channel), origin_s, False)
                    for one in self.journal.firings() if one.capture == task.capture and one.presentation == 0
                ],
                "mark": self._mark(task),
            }  # fmt: skip
            told["window_ms"][1] += told["window_ms"][0]
        if not blind:
            told |= {"capture": task.capture, "others": self._others(task, capture, origin_s)}
            if task.firing is not None:
                told["proposal"] = _proposal_to_show(task.firing, origin_s)
        return told

    def trace(self, token: str, channel: int, from_ms: float, to_ms: float, buckets: int) -> tuple[Trace, float, float]:
        """Return part of a channel as shown, its begin and its step in milliseconds of the page.

        Raises
        ------
        LabelError
            When the capture has no such channel.
        """
        task = self._task(token)
        capture = self.store.capture(task.capture)
        if not 0 <= channel < len(capture.channels):
            raise LabelError(f"channel {channel}: the capture has {len(capture.channels)}")
        one = capture.channels[channel]
        start_ms = (one.start_s - self._origin_s(task, capture)) * 1e3
        per_ms = one.sample_rate_Hz / 1e3
        # Clipped before the conversion: a huge number must not become a huge integer.
        low = int(min(max((from_ms - start_ms) * per_ms, 0.0), float(len(one))))
        high = int(min(max((to_ms - start_ms) * per_ms, -1.0), float(len(one)))) + 2
        cut = self.store.extremes(task.capture, channel).trace(low, high, buckets)
        if task.flipped:
            values = -cut.values if cut.exact else -cut.values.reshape(-1, 2)[:, ::-1].ravel()
            cut = Trace(cut.exact, cut.first, cut.step, values)
        return cut, start_ms + cut.first / per_ms, cut.step / per_ms

    # saving

    def save(self, sent: Mapping[str, Any]) -> list[dict[str, str]]:
        """Write what a page sent and return when it is on disk.

        Parameters
        ----------
        sent : mapping
            ``item``, ``queue``, ``aids``, ``duration_s``, ``firings`` (each with ``entry``, ``label``, ``based_on``
            and the fields of `sigkit.label.shown_label`) and, for whole captures, ``mark``.

        Returns
        -------
        list of dict
            ``label`` and ``entry`` of each record.

        Raises
        ------
        LabelConflict
            When another tab saved the same label meanwhile.
        LabelError
            When a label cannot be right; nothing is written.
        """
        task = self._task(str(sent.get("item", "")))
        capture = self.store.capture(task.capture)
        origin_s = self._origin_s(task, capture)
        firings = sent.get("firings", [])
        if not isinstance(firings, list) or not all(isinstance(one, dict) for one in firings):
            raise LabelError("firings is a list of labels")
        if len(firings) > (1 if task.channel else MOST_LABELS):
            raise LabelError("too many labels in one save")
        records: list[FiringLabel | CaptureMark] = []
        for one in firings:
            records.append(self._record(one, sent, task, capture, origin_s))
        # A firing that takes the place of another is written first: a torn write never leaves neither.
        records.sort(key=lambda record: getattr(record, "deleted", False))
        if (mark := sent.get("mark")) is not None:
            if task.channel or not isinstance(mark, dict) or not isinstance(mark.get("exhaustive"), bool):
                raise LabelError("only a whole capture can be marked exhaustively labelled, true or false")
            records.append(CaptureMark(
                mark.get("entry", ""), _mark_label(task.capture), self.settings.reader, task.capture,
                mark["exhaustive"], tuple(one.name for one in capture.channels), self.settings.origin,
                self.settings.blind, mark.get("based_on", ""), now_text(), f"sigkit {sigkit.__version__}",
            ))  # fmt: skip
        self.journal.append(records)
        return [{"label": record.label, "entry": record.entry} for record in records]

    def show_saved(self, token: str, label: FiringLabel | CaptureMark) -> dict[str, Any]:
        """Return an entry of this reader in the page's terms, for a page that has to be told of a conflict."""
        task = self._task(token)
        capture = self.store.capture(task.capture)
        if isinstance(label, CaptureMark):
            return {"label": label.label, "entry": label.entry, "exhaustive": label.exhaustive}
        number = self._number(capture, label.channel)
        return label_to_show(label, number, self._origin_s(task, capture), task.flipped, place=not task.channel)

    def _record(
        self, one: Mapping[str, Any], sent: Mapping[str, Any], task: LabelTask, capture: Capture, origin_s: float
    ) -> FiringLabel:
        channel = one.get("channel")
        if task.channel:
            name = task.channel
        elif isinstance(channel, int) and not isinstance(channel, bool) and 0 <= channel < len(capture.channels):
            name = capture.channels[channel].name
        else:
            raise LabelError(f"channel {channel!r}: the capture has {len(capture.channels)}")
        recorded = next(each for each in capture.channels if each.name == name)
        aids = sent.get("aids", [])
        if not isinstance(aids, list):
            raise LabelError("aids is a list")
        made = FiringLabel(
            entry=one.get("entry", ""), label=one.get("label", ""), reader=self.settings.reader, capture=task.capture,
            channel=name, origin=self.settings.origin,
            resolution_s=sent.get("resolution_s") or 1.0 / recorded.sample_rate_Hz, blind=self.settings.blind,
            presentation=task.presentation, flipped=task.flipped, shifted_s=task.shifted_s,
            queue=str(sent.get("queue", "")) if task.channel else "whole_capture", aids=tuple(aids),
            deleted=bool(one.get("deleted", False)), based_on=one.get("based_on", ""), saved_at=now_text(),
            duration_s=sent.get("duration_s"), program=f"sigkit {sigkit.__version__}",
            **shown_to_fields(one, origin_s, task),
        )  # fmt: skip
        begin, end = recorded.start_s, recorded.start_s + (len(recorded) - 1) / recorded.sample_rate_Hz
        # Half a sample of grace for the rounding of milliseconds.
        grace = 0.5 / recorded.sample_rate_Hz
        instants = [end_s for pair in made.intervals for end_s in pair if end_s is not None]
        for at in (*instants, *made.coil_on_s, *made.coil_off_s, made.time_s):
            if not begin - grace <= at <= end + grace:
                raise LabelError("an instant lies outside the record")
        if task.channel:
            own = LabelIndex({self.settings.reader: self.journal}).own(task, self.settings.reader)
            if made.label != (own.label if own is not None else task.token):
                raise LabelError(f"label {made.label!r} is not the one of this firing; load the page again")
        return made

    # details

    def _queue(self, name: str) -> list[LabelTask]:
        self.journal.refresh()
        if self.settings.mode == "whole_capture":
            done = {mark.capture for mark in self.journal.marks() if mark.exhaustive}
            return [task for task in self.tasks if task.capture not in done]
        if name not in QUEUES:
            raise LabelError(f"queue {name!r}; known: {', '.join(QUEUES)}")
        everybody = self._everybody() if name == "disagreement" else {}
        index = LabelIndex({**everybody, self.settings.reader: self.journal})
        return queue_of(name, self.tasks, index, self.settings.reader, self.settings.seed, blind=self.settings.blind)

    def _sweep_names(self, file: str) -> list[str]:
        try:
            return [one.name for one in self.store.sweeps(file)]
        except CaptureError as fault:
            self.left_out.append(f"left out: {fault}")
            return []

    def _openable(self, times: list[FiringTime]) -> list[FiringTime]:
        """Return the places whose channel is there, so that no reader meets one that cannot be shown.

        A capture that cannot be read is left out and named in ``left_out``.
        """
        kept: list[FiringTime] = []
        unreadable: set[str] = set()
        for one in times:
            if one.capture in unreadable:
                continue
            try:
                self._number(self.store.capture(one.capture), one.channel)
            except CaptureError as fault:
                unreadable.add(one.capture)
                self.left_out.append(f"left out: {fault}")
                continue
            kept.append(one)
        return kept

    def _everybody(self) -> dict[str, LabelJournal]:
        with self._guard:
            for path in sorted(self.labels.glob("*.jsonl")):
                if path.stem not in self._journals:
                    self._journals[path.stem] = LabelJournal(self.labels, path.stem)
            for journal in self._journals.values():
                journal.refresh()
            return dict(self._journals)

    def _task(self, token: str) -> LabelTask:
        if token not in self._by_token:
            raise LabelError("there is no such task; load the page again")
        return self.tasks[self._by_token[token]]

    def _origin_s(self, task: LabelTask, capture: Capture) -> float:
        if not task.channel:
            return capture.channels[0].start_s
        one = capture.channels[self._number(capture, task.channel)]
        # On a sample, so that samples and milliseconds count alike.
        return one.start_s + round((task.begin_s - one.start_s) * one.sample_rate_Hz) / one.sample_rate_Hz

    def _number(self, capture: Capture, channel: str) -> int:
        for number, one in enumerate(capture.channels):
            if one.name == channel:
                return number
        raise SettingsError(f"{capture.name}: no channel {channel!r}; it has "
                            f"{', '.join(one.name for one in capture.channels)}")  # fmt: skip

    def _previous_ms(self, task: LabelTask) -> float | None:
        earlier = [one.time_s for one in self.times
                   if (one.capture, one.channel) == (task.capture, task.channel) and one.time_s < task.time_s]
        # To a tenth of a millisecond: enough to lay one over the other, too coarse to tell what was proposed.
        return round((task.time_s - max(earlier)) * 1e3, 1) if earlier else None

    def _mark(self, task: LabelTask) -> dict[str, Any] | None:
        held = [mark for mark in self.journal.marks() if mark.capture == task.capture]
        return {"entry": held[-1].entry, "exhaustive": held[-1].exhaustive} if held else None

    def _others(self, task: LabelTask, capture: Capture, origin_s: float) -> list[dict[str, Any]]:
        found = []
        for reader, journal in self._everybody().items():
            if reader != self.settings.reader:
                labels = LabelIndex({reader: journal}).of(task) if task.channel else [
                    one for one in journal.firings() if one.capture == task.capture]
                found += [{"reader": reader, "origin": one.origin,
                           **label_to_show(one, self._number(capture, one.channel), origin_s, task.flipped)}
                          for one in labels if one.origin != "truth"]  # fmt: skip
        return found


def _mark_label(capture: str) -> str:
    return f"mark-{hashlib.sha256(capture.encode()).hexdigest()[:16]}"


def _first_voltage(capture: Capture) -> int:
    kinds = [one.kind for one in capture.channels]
    for wanted in ("secondary_voltage", "primary_voltage"):
        if wanted in kinds:
            return kinds.index(wanted)
    return 0


def _proposal_to_show(firing: FiringTime, origin_s: float) -> dict[str, Any]:
    shown: dict[str, Any] = {}
    for name, value in firing.proposal.items():
        if name.endswith("_s"):
            try:
                shown[name.removesuffix("_s")] = (float(value) - origin_s) * 1e3
            except (TypeError, ValueError):
                continue
        else:
            shown[name] = str(value)
    return {name: value for name, value in shown.items() if isinstance(value, str) or math.isfinite(value)}
