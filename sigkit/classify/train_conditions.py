"""Train the condition model: simulate, measure, set in context, fit, calibrate, conformalise, evaluate."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sigkit.classify.condition_pipeline import COVERAGE, ConditionPipeline
from sigkit.context.apply_context import apply_context
from sigkit.context.capture_info import CaptureInfo
from sigkit.errors import SettingsError
from sigkit.features.condition_features import condition_features, feature_names
from sigkit.features.waveform_features import add_shape_columns
from sigkit.jobs import TaskFailure, run_jobs
from sigkit.measure.measure_capture import measure_capture
from sigkit.score.classification import log_loss, macro_f1
from sigkit.score.match import match_events
from sigkit.simulate.simulated_capture import SimulatedCapture, iterate_captures
from sigkit.simulate.study_recipe import StudyRecipe
from sigkit.types.firing_table import CONDITIONS, Table, concatenate

#: A detection and a true firing are one when their switching-off lies this near, seconds (our choice).
MATCH_S = 1e-3
ENGINES_A_TASK = 10
#: How engines are drawn whose leads are ill more often and more clearly (our choice).
ILL: dict[str, Any] = {"faulty_share": 0.8, "severity": (0.1, 1.0)}


@dataclass(frozen=True)
class TrainingRecipe:
    """What rebuilds a model bit for bit, with the same versions of sigkit and its libraries.

    Attributes
    ----------
    name, version : str
    seed : int
    train, calibrate, conformalise, evaluate : int
        Numbers of engines; no engine is in two groups.
    ill_share : float
        Share of the engines to fit on whose leads are ill more often, and more clearly, than those of the other
        groups; the calibration undoes what that does to the probabilities.
    firings_per_lead : int
    iterations : int
        Boosting rounds.
    """

    name: str = "condition"
    version: str = "0.2.0"
    seed: int = 20_260_777
    train: int = 400
    calibrate: int = 80
    conformalise: int = 80
    evaluate: int = 120
    firings_per_lead: int = 10
    iterations: int = 250
    ill_share: float = 0.5

    def __post_init__(self) -> None:
        for field in ("train", "calibrate", "conformalise", "evaluate"):
            if getattr(self, field) < 1:
                raise SettingsError(f"{field} must be at least 1 engine")


def engine_tables(made: list[SimulatedCapture]) -> list[tuple[Table, NDArray[np.str_]]]:
    """Measure simulated captures engine by engine; return tables in context with the true condition of each row.

    Rows without a true firing, and absent ones, carry ``""``.
    """
    engines: dict[str, list[SimulatedCapture]] = {}
    for one in made:
        engines.setdefault(one.capture.engine, []).append(one)
    result = []
    for members in engines.values():
        measured = [add_shape_columns(measure_capture(one.capture)) for one in members]
        table = apply_context(
            concatenate([one.table for one in measured]), [CaptureInfo.of(one.capture) for one in members]
        )
        result.append((table, true_conditions(table, members)))
    return result


def true_conditions(table: Table, members: list[SimulatedCapture]) -> NDArray[np.str_]:
    """Return the true condition of each row of a table, matched on integer samples."""
    truth = np.full(len(table["capture"]), "", dtype=object)
    for one in members:
        for channel in one.capture.channels:
            rows = np.flatnonzero(
                (table["capture"] == one.capture.name) & (table["channel"] == channel.name) & (table["firing"] >= 0)
            )
            known = np.flatnonzero((one.truth["channel"] == channel.name) & ~one.truth["absent"])
            known = known[np.isfinite(one.truth["coil_off_s"][known])]
            rate = channel.sample_rate_Hz
            found = np.round((table["time_s"][rows] - channel.start_s) * rate).astype(np.int64)
            real = np.round((one.truth["coil_off_s"][known] - channel.start_s) * rate).astype(np.int64)
            pairs = match_events(real, found, round(MATCH_S * rate))
            truth[rows[pairs.second]] = one.truth["condition"][known[pairs.first]]
    return truth


def _task(task: tuple[StudyRecipe, tuple[int, ...]]) -> tuple[NDArray, NDArray, NDArray]:
    recipe, entropy = task
    features, labels, engines = [], [], []
    for table, truth in engine_tables(list(iterate_captures(recipe, np.random.SeedSequence(list(entropy))))):
        rows = np.flatnonzero((truth != "") & (table["channel_kind"] == "secondary_voltage"))
        if rows.size:
            features.append(condition_features(table)[rows].astype(np.float32))
            labels.append(truth[rows].astype(str))
            engines.append(np.array([f"{entropy[-1]}-{e}" for e in table["engine"][rows]]))
    if not features:
        return np.zeros((0, len(feature_names())), np.float32), np.zeros(0, dtype=str), np.zeros(0, dtype=str)
    return np.concatenate(features), np.concatenate(labels), np.concatenate(engines)


def make_examples(
    recipe: TrainingRecipe, group: int, engines: int, workers: int, progress: str, ill: int = 0
) -> tuple[NDArray, NDArray, NDArray]:
    """Simulate and measure one group of engines; return features, conditions and engine of each firing.

    About ``ill`` of the engines are drawn with `ILL`.
    """
    tasks = []
    for first in range(0, engines, ENGINES_A_TASK):
        count = min(ENGINES_A_TASK, engines - first)
        study = StudyRecipe(
            engines=count, firings_per_lead=recipe.firings_per_lead, channel_sets=("secondary",), name=f"g{group}",
            **(ILL if first < ill else {}),
        )  # fmt: skip
        tasks.append((study, (recipe.seed, group, first)))
    parts = run_jobs(_task, tasks, workers, progress=progress, describe=lambda task: f"engines {task[1]}")
    for part in parts:
        if isinstance(part, TaskFailure):
            raise part.error
    features, conditions, of_engines = (np.concatenate([part[i] for part in parts]) for i in range(3))
    return features, conditions, of_engines


def train_conditions(
    recipe: TrainingRecipe, workers: int = 1, progress: bool = False
) -> tuple[ConditionPipeline, dict[str, Any], dict[str, Any]]:
    """Train and evaluate a model.

    Returns
    -------
    pipeline : ConditionPipeline
    recipe : dict
    evaluation : dict
        Figures on engines that no step has seen.
    """
    groups = {}
    for number, step in enumerate(("train", "calibrate", "conformalise", "evaluate")):
        title = f"simulating engines to {step}" if progress else ""
        engines = getattr(recipe, step)
        ill = round(recipe.ill_share * engines) if step == "train" else 0
        groups[step] = make_examples(recipe, number, engines, workers, title, ill)
    features, conditions, _ = groups["train"]
    counts = {c: int((conditions == c).sum()) for c in CONDITIONS}
    share = np.array([1.0 / np.sqrt(counts[c]) for c in conditions])
    pipeline = ConditionPipeline(feature_names(), recipe.seed, recipe.iterations)
    pipeline.fit(features.astype(float), conditions, share / share.mean())
    for step, adjust in (("calibrate", pipeline.calibrate), ("conformalise", pipeline.conformalise)):
        values, own, engines_of = groups[step]
        adjust(values.astype(float), own, engines_of)
    return pipeline, asdict(recipe), evaluate(pipeline, *groups["evaluate"])


def evaluate(pipeline: ConditionPipeline, features: NDArray, conditions: NDArray, engines: NDArray) -> dict[str, Any]:
    """Return macro-F1, balanced accuracy, log loss, set coverage and size, and the confusion matrix."""
    from sklearn.metrics import balanced_accuracy_score, confusion_matrix, f1_score

    judged = pipeline.judge(features.astype(float))
    best = np.array(pipeline.classes)[judged.probability.argmax(axis=1)]
    labels = [c for c in CONDITIONS if c in set(conditions)]
    rows = np.isin(conditions, pipeline.classes)
    inside = [c in s.split("|") for c, s in zip(conditions, judged.condition_set, strict=True)]
    return {
        "firings": int(conditions.size), "engines": len(set(engines)), "labels": labels,
        "macro_f1": macro_f1(conditions, best, labels),
        "balanced_accuracy": float(balanced_accuracy_score(conditions, best)),
        "log_loss": log_loss(conditions[rows], judged.probability[rows], pipeline.classes),
        "answered_share": float(np.mean(judged.condition != "unknown")),
        "stated_coverage": COVERAGE, "set_coverage": float(np.mean(inside)),
        "mean_set_size": float(np.mean([len(s.split("|")) for s in judged.condition_set])),
        "f1": dict(zip(labels, map(float, f1_score(conditions, best, labels=labels, average=None, zero_division=0)),
                       strict=True)),
        "confusion": confusion_matrix(conditions, best, labels=labels).tolist(),
    }  # fmt: skip
