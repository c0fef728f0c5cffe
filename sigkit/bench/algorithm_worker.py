"""Run one algorithm on captures, in a process of its own: ``python -m sigkit.bench.algorithm_worker REQUEST.json``.

The process is given folders of captures and nothing of the truth, except the labels of the split it may learn from.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sigkit import registry
from sigkit.bench.check_classifier import wrong_judgement
from sigkit.bench.check_detector import wrong_firings
from sigkit.bench.check_locator import wrong_instants
from sigkit.bench.judge_tables import answer_roles, answer_scores
from sigkit.bench.run_alone import end_with_parent
from sigkit.capture.open_captures import open_planned, plan_opening
from sigkit.contracts.classifier import Judgement
from sigkit.corpus.firing_examples import windows_on_grid
from sigkit.errors import PluginError
from sigkit.types.capture import Capture
from sigkit.types.channel import Channel
from sigkit.types.firing_table import UNKNOWN, Table, concatenate
from sigkit.types.firings import Firings

#: Passes of the reference operation (minimum and maximum over an array of this many samples) that are timed.
REFERENCE_PASSES, REFERENCE_SAMPLES = 5, 4_000_000


def work(request: dict[str, Any]) -> dict[str, float]:
    """Run a request and write its table of predictions.

    Parameters
    ----------
    request : dict
        ``group``, ``name``, ``settings`` (keywords of the constructor), ``captures`` (folder), ``out`` (``.npz``),
        ``detector`` and ``locator`` (who prepares what the algorithm does not do itself), ``learn`` (folder of
        captures to learn from, or ``""``) and ``labels`` (their conditions).

    Returns
    -------
    dict
        ``learn_s`` and ``judge_s``, seconds, and ``reference_s``, seconds of the reference operation here and now.

    Raises
    ------
    PluginError
        When the plug-in is not to be had, or an answer breaks its contract: nothing broken is scored in silence.
    """
    own = os.getpid()
    group, out = request["group"], Path(request["out"])
    reference_s = reference_seconds()
    if group == "pipelines":
        begin = time.perf_counter()
        table = _screen(request)
        seconds = {"learn_s": 0.0, "judge_s": time.perf_counter() - begin}
    else:
        kind = registry.load(group, request["name"])
        ready = getattr(kind, "shipped", None)
        # What ships with its learning done is used as it is.
        learnt = ready is not None and callable(ready) and not request["settings"]
        made = ready() if learnt and ready else kind(**request["settings"])
        if group == "classifiers":
            table, seconds = _classify(made, {**request, "learn": "" if learnt else request["learn"]})
        else:
            begin = time.perf_counter()
            table = _ANSWERS[group](made, request)
            seconds = {"learn_s": 0.0, "judge_s": time.perf_counter() - begin}
    if os.getpid() != own:
        # A child that the plug-in forked and forgot has come this far too: one process answers.
        os._exit(0)
    stored: dict[str, Any] = {name: _plain(column) for name, column in table.items()}
    np.savez_compressed(out, **stored)
    return {**seconds, "reference_s": reference_s}


def reference_seconds() -> float:
    """Return the least time of a minimum-and-maximum pass over a fixed array, seconds."""
    samples = np.random.default_rng(0).integers(-2000, 2000, REFERENCE_SAMPLES, dtype=np.int16)
    times = []
    for _ in range(REFERENCE_PASSES):
        begin = time.perf_counter()
        samples.min(), samples.max()
        times.append(time.perf_counter() - begin)
    return min(times)


def captures_of(folder: str | Path) -> list[Capture]:
    """Open every capture of a folder, in order of name."""
    plan = plan_opening([str(folder)])
    return [capture for planned in plan.sources for capture in open_planned(planned)]


def _detect(detector: Any, request: dict[str, Any]) -> Table:
    rows: dict[str, list] = {"capture": [], "channel": [], "time_s": [], "polarity": []}
    for capture in captures_of(request["captures"]):
        answer = detector.detect(capture)
        _refuse(wrong_firings(capture, answer), request["name"], capture.name)
        for channel, found in zip(capture.channels, answer, strict=True):
            rows["capture"] += [capture.name] * len(found)
            rows["channel"] += [channel.name] * len(found)
            rows["time_s"] += list(np.asarray(found.position) / channel.sample_rate_Hz + channel.start_s)
            rows["polarity"] += [str(int(sign)) for sign in found.polarity]
    return {
        "time_s": np.array(rows.pop("time_s"), dtype=float),
        **{name: np.array(values, dtype=object) for name, values in rows.items()},
    }


def _locate(locator: Any, request: dict[str, Any]) -> Table:
    from sigkit.measure.measure_capture import measure_capture

    detector = registry.load("detectors", request["detector"])()
    locator = _Checked(locator, request["name"])
    parts = []
    for capture in captures_of(request["captures"]):
        table = measure_capture(capture, detector, locator).table
        kept = {
            name: table[name]
            for name in ("capture", "channel", "time_s", "breakdown_s", "burn_end_s", "burn_time_ms", "burn_voltage_V")
        }
        kept |= {
            "burn_time_lo_ms": table["burn_time_lo_ms"],
            "burn_time_hi_ms": table["burn_time_hi_ms"],
            "burn_voltage_lo_V": table["burn_voltage_lo_V"],
            "burn_voltage_hi_V": table["burn_voltage_hi_V"],
        }
        parts.append(kept)
    return concatenate(parts)


class _Checked:
    """A locator each answer of which is held against the contract before it is measured."""

    def __init__(self, locator: Any, name: str) -> None:
        self._locator, self._name = locator, name
        self.name = getattr(locator, "name", name)

    def locate(self, channel: Channel, firings: Firings) -> Any:
        found = self._locator.locate(channel, firings)
        _refuse(wrong_instants(firings, found), self._name, f"channel {channel.name}")
        return found


def _refuse(problem: str, name: str, place: str) -> None:
    if problem:
        raise PluginError(f"{place}: {problem}; sigkit bench check {name} tells more")


def _screen(request: dict[str, Any]) -> Table:
    """Run the whole chain as a user does, and read what it wrote."""
    import pyarrow.parquet as pq

    out = Path(request["out"]).with_suffix("")
    command = [
        sys.executable,
        "-c",
        "from sigkit.cli.main import main; main()",
        "screen",
        request["captures"],
        "--out",
        str(out),
        "--workers",
        "1",
    ]
    ran = subprocess.run(command, check=False, capture_output=True, text=True)
    if ran.returncode:
        raise RuntimeError((ran.stderr.strip().splitlines() or ["sigkit screen said nothing"])[-1])
    wanted = ("capture", "channel", "time_s", "role", "condition", "condition_set", "firing")
    found = pq.read_table(out / "firings.parquet", columns=list(wanted)).to_pydict()
    real = np.array(found.pop("firing"), dtype=float) >= 0
    table = {
        name: np.array(values, dtype=float if name == "time_s" else object)[real] for name, values in found.items()
    }
    scores = capture_scores(out / "captures.csv")
    table["score"] = np.array([float(scores.get(name, "nan") or "nan") for name in table["capture"]])
    return table


def _judge_roles(made: Any, request: dict[str, Any]) -> Table:
    return answer_roles(made, captures_of(request["captures"]), request["detector"], request["locator"])


def _score_captures(made: Any, request: dict[str, Any]) -> Table:
    return answer_scores(made, captures_of(request["captures"]), request["detector"], request["locator"])


_ANSWERS = {
    "detectors": _detect,
    "locators": _locate,
    "role_judges": _judge_roles,
    "screeners": _score_captures,
}


def capture_scores(path: Path) -> dict[str, str]:
    """Return the score of each capture of a screened folder."""
    import csv

    with path.open(encoding="utf-8", newline="") as stream:
        return {row["capture"]: row["score"] for row in csv.DictReader(stream)}


def _classify(made: Any, request: dict[str, Any]) -> tuple[Table, dict[str, float]]:
    begin = time.perf_counter()
    if callable(getattr(made, "fit", None)) and callable(getattr(made, "judge", None)) and request["learn"]:
        inputs, rows = _inputs(made, request, request["learn"])
        label = _labels_of(rows, Path(request["labels"]))
        known = label != ""
        made.fit(inputs[known], label[known].astype(str), rows["engine"][known].astype(str))
    learnt = time.perf_counter()
    inputs, rows = _inputs(made, request, request["captures"])
    judged: Judgement = made.judge(inputs)
    _refuse(wrong_judgement(judged, len(inputs)), request["name"], "judge")
    table: Table = {name: rows[name] for name in ("capture", "channel", "time_s")}
    table["condition"] = np.asarray(judged.condition, dtype=object)
    table["condition_set"] = np.asarray(judged.condition_set, dtype=object)
    for number, name in enumerate(judged.classes):
        table[f"p_{name}"] = np.asarray(judged.probability[:, number], dtype=float)
    return table, {"learn_s": learnt - begin, "judge_s": time.perf_counter() - learnt}


def _inputs(made: Any, request: dict[str, Any], folder: str) -> tuple[NDArray, Table]:
    """Return what a classifier takes, features or windows, and the firings it belongs to."""
    from sigkit.context.apply_context import apply_context
    from sigkit.context.capture_info import CaptureInfo
    from sigkit.features.condition_features import condition_features, feature_names
    from sigkit.features.waveform_features import add_shape_columns
    from sigkit.measure.measure_capture import measure_capture

    windows = getattr(made, "takes", "features") == "windows"
    detector = registry.load("detectors", request["detector"])()
    locator = registry.load("locators", request["locator"])()
    names = feature_names()
    wanted = tuple(getattr(made, "feature_names", ()) or names)
    unknown = [name for name in wanted if name not in names]
    if unknown and not windows:
        raise ValueError(f"it asks for the feature {unknown[0]!r}, which sigkit does not compute")
    chosen = [] if windows else [names.index(name) for name in wanted]
    engines: dict[str, list[Capture]] = {}
    for capture in captures_of(folder):
        engines.setdefault(capture.engine or capture.name, []).append(capture)
    parts: list[NDArray] = []
    tables: list[Table] = []
    for members in engines.values():
        if windows:
            for capture in members:
                values, table = _windows(capture, detector)
                parts.append(values)
                tables.append(table)
            continue
        measured = [add_shape_columns(measure_capture(capture, detector, locator)) for capture in members]
        whole = apply_context(concatenate([one.table for one in measured]), [CaptureInfo.of(c) for c in members])
        rows = np.flatnonzero((whole["channel_kind"] == "secondary_voltage") & (whole["firing"] >= 0))
        parts.append(condition_features(whole)[rows][:, chosen])
        tables.append({name: whole[name][rows] for name in ("capture", "channel", "time_s", "engine")})
    return np.concatenate(parts), concatenate(tables)


def _windows(capture: Capture, detector: Any) -> tuple[NDArray[np.float32], Table]:
    values: list[NDArray] = [np.zeros((0, windows_length()), np.float32)]
    rows: dict[str, list] = {"capture": [], "channel": [], "time_s": [], "engine": []}
    for channel, found in zip(capture.channels, detector.detect(capture), strict=True):
        if channel.kind != "secondary_voltage" or len(found) == 0:
            continue
        off_s = np.asarray(found.position) / channel.sample_rate_Hz + channel.start_s
        raw = np.nan_to_num(windows_on_grid(channel, off_s)) * np.sign(np.asarray(found.polarity, dtype=float))[:, None]
        peak = np.abs(raw).max(axis=1, keepdims=True)
        values.append((raw / np.where(peak > 0, peak, 1.0)).astype(np.float32))
        rows["capture"] += [capture.name] * len(found)
        rows["channel"] += [channel.name] * len(found)
        rows["time_s"] += list(off_s)
        rows["engine"] += [capture.engine or capture.name] * len(found)
    table: Table = {
        name: np.array(column, dtype=float if name == "time_s" else object) for name, column in rows.items()
    }
    return np.concatenate(values), table


def windows_length() -> int:
    """Return the points of a window."""
    from sigkit.corpus.firing_examples import POINTS

    return POINTS


def _labels_of(rows: Table, path: Path) -> NDArray:
    """Return the label of each row: that of the labelled firing nearest in time on the same channel, within 1 ms."""
    with np.load(path, allow_pickle=False) as held:
        known: dict[tuple[str, str], list[tuple[float, str]]] = {}
        for capture, channel, at, name in zip(
            held["capture"], held["channel"], held["time_s"], held["condition"], strict=True
        ):
            known.setdefault((str(capture), str(channel)), []).append((float(at), str(name)))
    result = np.full(len(rows["capture"]), "", dtype=object)
    for number, (capture, channel, at) in enumerate(zip(rows["capture"], rows["channel"], rows["time_s"], strict=True)):
        nearest = min(known.get((capture, channel), []), key=lambda one: abs(one[0] - at), default=None)
        if nearest is not None and abs(nearest[0] - at) < 1e-3 and nearest[1] != UNKNOWN:
            result[number] = nearest[1]
    return result


def _plain(column: NDArray) -> NDArray:
    return np.asarray(column).astype(str) if np.asarray(column).dtype == object else np.asarray(column)


if __name__ == "__main__":
    request_file = Path(sys.argv[1])
    end_with_parent(request_file.parent)
    spent = work(json.loads(request_file.read_text(encoding="utf-8")))
    request_file.with_suffix(".done.json").write_text(json.dumps(spent), encoding="utf-8")
