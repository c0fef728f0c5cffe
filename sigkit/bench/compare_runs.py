"""Results of runs put beside each other: by protocol, with paired differences and the accuracy-time front."""

from __future__ import annotations

import json
import math
import zipfile
import zlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sigkit import provenance
from sigkit.bench.check_result import wrong_result
from sigkit.bench.task_scores import primary_statistic
from sigkit.errors import SettingsError
from sigkit.score.accuracy_time_front import accuracy_time_front
from sigkit.score.average_ranks import AverageRanks, average_ranks
from sigkit.score.estimate import Estimate
from sigkit.score.holm import holm_correction
from sigkit.score.paired_difference import paired_difference, paired_statistic_difference

RESAMPLES = 500
#: Engine of each outcome, and the columns that the statistic takes.
_Outcomes = tuple[NDArray, list[NDArray]]


@dataclass(eq=False)
class Row:
    """One run beside the others of its protocol.

    Attributes
    ----------
    result : dict
        The run's JSON.
    on_front : bool
        Nobody is at least as good in both accuracy and time, and better in one.
    difference : Estimate or None
        Primary metric of ours less that of this run, on the same engines drawn; None for ours and where the runs do
        not share protocol and data.
    p_value : float
        Two-sided sign-flip test over engines, Holm-corrected within the protocol; NaN where it could not be made.
    effect_size : Estimate or None
        Mean over engines of the engines' differences over their standard deviation, see
        `sigkit.score.paired_difference`; None where there is no difference.
    """

    result: dict[str, Any]
    on_front: bool = False
    difference: Estimate | None = None
    p_value: float = math.nan
    effect_size: Estimate | None = None

    @property
    def name(self) -> str:
        """Name of the algorithm."""
        return str(self.result["algorithm"])

    @property
    def primary(self) -> Estimate:
        """The metric that ranks."""
        told = self.result["metrics"][self.result["primary"]]
        return Estimate(*(math.nan if told.get(k) is None else float(told[k]) for k in ("value", "low", "high")))

    @property
    def sign(self) -> int:
        """1 where the metric that ranks is better when higher, -1 when lower."""
        return 1 if self.result.get("higher_is_better", True) else -1

    @property
    def verdict(self) -> str:
        """What the paired difference says, in a word."""
        if self.difference is None:
            return ""
        if not self.difference.excludes(0.0):
            return "undecided"
        return "ours ahead" if self.sign * self.difference.value > 0 else "ours behind"


@dataclass(eq=False)
class Board:
    """The runs of one protocol, best first.

    Attributes
    ----------
    protocol, title : str
    primary : str
        Name of the metric that ranks.
    rows : list of Row
    ours : Row or None
        The best built-in one.
    ranks : AverageRanks or None
        Of all runs over the engines on which each has a figure; None where fewer than two have.
    notes : list of str
        What a reader must know before comparing.
    """

    protocol: str
    title: str
    primary: str
    rows: list[Row] = field(default_factory=list)
    ours: Row | None = None
    ranks: AverageRanks | None = None
    notes: list[str] = field(default_factory=list)


def compare_runs(folder: str | Path) -> list[Board]:
    """Read every run of a folder and compare those of each protocol.

    Parameters
    ----------
    folder : path
        As written by ``sigkit bench run``.

    Raises
    ------
    SettingsError
        When the folder has no run, a file is no result, or runs of one protocol saw different protocols or data.
    """
    home = Path(folder)
    paths = sorted(path for path in home.glob("*.json") if not path.name.endswith(".choice.json"))
    if not paths:
        raise SettingsError(f"{home}: there is no result; run sigkit bench run first")
    found: dict[str, list[tuple[dict[str, Any], Path]]] = {}
    for path in paths:
        result = _read(path)
        found.setdefault(str(result["protocol"]), []).append((result, path.with_suffix(".npz")))
    return [_board(found[name]) for name in sorted(found)]


def _read(path: Path) -> dict[str, Any]:
    try:
        result = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as fault:
        raise SettingsError(f"{path}: cannot be read as JSON: {fault}; delete it and run it again") from fault
    problem = wrong_result(result)
    if problem:
        raise SettingsError(f"{path}: {problem}; delete it and run it again")
    return dict(result)


def _refuse_mixed(runs: Sequence[tuple[dict[str, Any], Path]]) -> None:
    """Raise when runs of one protocol were not made on the same terms; a rank among them would mean nothing."""
    first, first_path = runs[0]
    for result, path in runs[1:]:
        for what, one, other in (
            ("protocol", first["protocol_sha256"], result["protocol_sha256"]),
            ("data", first["data"]["hash"], result["data"]["hash"]),
            ("primary metric", first["primary"], result["primary"]),
        ):
            if one != other:
                raise SettingsError(
                    f"{path.with_suffix('.json')}: its {what} is {str(other)[:12]}, that of "
                    f"{first_path.with_suffix('.json').name} {str(one)[:12]}; runs are ranked on the same terms only: "
                    f"delete the outdated one and run sigkit bench run {first['protocol']}"
                )


def _board(runs: Sequence[tuple[dict[str, Any], Path]]) -> Board:
    _refuse_mixed(runs)
    first = runs[0][0]
    board = Board(str(first["protocol"]), str(first["title"]), str(first["primary"]))
    rows = [(Row(result), path) for result, path in runs]
    rows.sort(key=lambda one: (-_or_least(one[0].sign * one[0].primary.value), one[0].name))
    board.rows = [row for row, _ in rows]
    accuracy = [row.sign * row.primary.value for row in board.rows]
    front = accuracy_time_front(accuracy, [float(row.result["time"]["judge_s"]) for row in board.rows])
    for row, on_front in zip(board.rows, front.on_front, strict=True):
        row.on_front = bool(on_front)
    board.ours = next((row for row in board.rows if row.result["origin"] == "built-in"), None)
    if len({row.result["sigkit_tree"] for row in board.rows}) > 1:
        board.notes.append("The runs were made with different states of sigkit; run them again before comparing.")
    if any(row.result.get("uncommitted_changes") for row in board.rows):
        board.notes.append("Made with changes that are not committed: a look, not a result.")
    outcomes = {id(row): _outcomes(path) for row, path in rows}
    if board.ours is not None:
        _pair(board, outcomes)
    _rank(board, outcomes)
    return board


def _pair(board: Board, outcomes: dict[int, _Outcomes | None]) -> None:
    """Fill in the differences between ours and every other run."""
    ours = board.ours
    assert ours is not None
    statistic = primary_statistic(str(ours.result["task"]))
    own = outcomes[id(ours)]
    p_values = []
    others = [row for row in board.rows if row is not ours]
    for row in others:
        theirs = outcomes[id(row)]
        if own is None or theirs is None or not np.array_equal(own[0], theirs[0]):
            board.notes.append(f"{row.name} has no outcomes of the same firings as {ours.name}; it is not compared.")
            p_values.append(math.nan)
            continue
        rng = np.random.default_rng(provenance.seed_from(board.protocol, ours.name, row.name))
        engine = own[0]
        row.difference = paired_statistic_difference(statistic, own[1], theirs[1], engine, rng, resamples=RESAMPLES)
        names = np.unique(engine)
        alone = [_by_engine(statistic, one, names) for one in (own, theirs)]
        paired = paired_difference(alone[0], alone[1], names, rng, resamples=RESAMPLES)
        row.effect_size = paired.effect_size
        p_values.append(paired.p_value)
    try:
        corrected = holm_correction(p_values)
    except SettingsError as fault:  # statsmodels is an extra
        board.notes.append(str(fault))
        return
    for row, value in zip(others, corrected, strict=True):
        row.p_value = float(value)


def _rank(board: Board, outcomes: dict[int, _Outcomes | None]) -> None:
    """Fill in the average ranks over engines, where at least two runs have figures of the same two engines."""
    statistic = primary_statistic(str(board.rows[0].result["task"]))
    told = [(row, found) for row in board.rows if (found := outcomes[id(row)]) is not None]
    if len(told) < 2:
        return
    names = np.unique(told[0][1][0])
    told = [(row, found) for row, found in told if np.array_equal(np.unique(found[0]), names)]
    table = np.array([_by_engine(statistic, found, names) for _, found in told]).T
    table = table[~np.isnan(table).any(axis=1)]
    if min(table.shape) < 2:
        return
    board.ranks = average_ranks(
        table, [row.name for row, _ in told], np.random.default_rng(provenance.seed_from(board.protocol, "ranks")),
        higher_is_better=board.rows[0].sign > 0, resamples=RESAMPLES,
    )  # fmt: skip


def _by_engine(statistic: Callable[..., float], outcomes: _Outcomes, names: NDArray) -> list[float]:
    engine, columns = outcomes
    return [statistic(*(column[engine == name] for column in columns)) for name in names]


def _outcomes(path: Path) -> _Outcomes | None:
    if not path.is_file():
        return None
    try:
        with path.open("rb") as stream, np.load(stream, allow_pickle=False) as stored:
            names = sorted(name for name in stored.files if name != "engine")
            return stored["engine"], [stored[name] for name in names]
    except (OSError, ValueError, KeyError, EOFError, zipfile.BadZipFile, zlib.error) as fault:
        raise SettingsError(f"{path}: cannot be read as outcomes: {fault}; delete it and run it again") from fault


def _or_least(value: float) -> float:
    return -math.inf if math.isnan(value) else value
