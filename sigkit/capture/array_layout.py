"""Find the samples among the named arrays of a file (NumPy, HDF5, MATLAB)."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sigkit.capture import limits
from sigkit.capture.assemble_captures import Origin, captures_from_columns
from sigkit.capture.column_names import ColumnName, parse_column_name
from sigkit.capture.file_facts import FileFacts, is_statement, read_facts
from sigkit.contracts.reader import ReadOptions
from sigkit.types.capture import Capture

_CHANNEL_NUMBER = re.compile(r"^channel_(\d+)$")


def _leaf(path: str) -> str:
    """Return the last part of ``group/array`` or ``struct.field``."""
    return re.split(r"[/.]", path)[-1]


def _is_samples(array: Any) -> bool:
    return isinstance(array, np.ndarray) and (
        (array.dtype.kind in "iufb" and array.ndim in (1, 2) and array.size > 1) or array.dtype.names is not None
    )


def _columns_of(path: str, array: NDArray, origin: Origin) -> list[tuple[ColumnName, NDArray]]:
    """Return the channels of one array: fields of a record array, the shorter side of a 2-D array."""
    if array.dtype.names is not None:
        flat = array.reshape(-1)
        return [(parse_column_name(name), flat[name]) for name in array.dtype.names]
    label = parse_column_name(_leaf(path))
    if array.ndim == 1:
        return [(label, array)]
    if 1 in array.shape:
        return [(label, array.reshape(-1))]
    by_column = array.shape[1] <= array.shape[0]
    count = min(array.shape)
    if count > limits.CHANNELS:
        raise origin.error(f"array {path} has shape {array.shape}: neither side can be the channels",
                           f"store at most {limits.CHANNELS} channels along one side", f"array {path}")
    return [
        (ColumnName(f"{label.name}_{number + 1}", label.quantity, label.factor, label.unit, label.extreme),
         array[:, number] if by_column else array[number])
        for number in range(count)
    ]


def _choose(arrays: Mapping[str, NDArray], options: ReadOptions, origin: Origin) -> list[str]:
    """Return the paths of the arrays that are channels."""
    available = ", ".join(f"{path} {array.shape}" for path, array in list(arrays.items())[:20]) or "none"
    if options.array is not None:
        found = [path for path in arrays if path == options.array] or [
            path for path in arrays if _leaf(path) == options.array]
        if not found:
            raise origin.error(f"no array called {options.array!r}; numeric arrays in the file: {available}",
                               "correct the name in the column channel of captures.csv")
        return found[:1]
    candidates = [path for path in arrays
                  if parse_column_name(_leaf(path)).quantity not in ("time", "index") and not is_statement(_leaf(path))]
    if not candidates:
        raise origin.error(f"no array of samples; numeric arrays in the file: {available}",
                           "store the samples as a one-dimensional numeric array called voltage")
    numbered = sorted((path for path in candidates if _CHANNEL_NUMBER.match(_leaf(path))),
                      key=lambda path: int(_leaf(path).split("_")[1]))
    if numbered:
        return numbered
    named = [path for path in candidates if parse_column_name(_leaf(path)).name.lower() in ("voltage", "current")]
    if named:
        return named
    largest = max(arrays[path].size for path in candidates)
    chosen = [path for path in candidates if arrays[path].size == largest]
    if len(chosen) > 1 and not {parse_column_name(_leaf(path)).extreme for path in chosen} >= {"min", "max"}:
        origin.warnings.append(f"arrays {', '.join(chosen)} have the same size; each is taken as a channel")
    elif len(chosen) == 1 and len(candidates) > 1:
        origin.warnings.append(f"array {chosen[0]} is the largest and is taken as the samples; "
                               f"not used: {', '.join(path for path in candidates if path != chosen[0])}")
    return chosen


def _hinted(arrays: Mapping[str, NDArray], chosen: list[str], options: ReadOptions) -> list[str]:
    """Let the sidecar name arrays: a name that is no default channel but an array of the file is taken."""
    hints = [hint for hint in options.extra.get("sidecar_channels", "").split("\n") if hint]
    defaults = {_leaf(path) for path in chosen} | set(chosen)
    wanted = [path for hint in hints for path in arrays if hint in (path, _leaf(path))]
    if not wanted or all(path in defaults for path in wanted):
        return chosen
    return list(dict.fromkeys(wanted))


def captures_from_arrays(items: Mapping[str, Any], options: ReadOptions, origin: Origin,
                         attributes: Mapping[str, Any] | None = None) -> list[Capture]:
    """Make captures of the named arrays of a file.

    Samples are ``channel_0``, ``channel_1``, ... (as sigkit writes), else ``voltage`` and ``current`` (with a unit
    suffix if any), else the only or largest numeric array; equal largest ones are channels. In a 2-D array the
    shorter side counts the channels. A time array of the same length gives rate and start; else the statements do.

    Parameters
    ----------
    items : mapping of str to array, scalar or text
    options : ReadOptions
    origin : Origin
    attributes : mapping, optional
        Statements kept outside the arrays.

    Returns
    -------
    list of Capture

    Raises
    ------
    sigkit.errors.CaptureError
    """
    arrays: dict[str, NDArray] = {}
    statements: dict[str, Any] = dict(attributes or {})
    for path, item in items.items():
        if is_statement(_leaf(path)) or not _is_samples(item):
            array = np.asarray(item)
            if array.dtype.kind in "iufbSU" and array.size <= limits.CHANNELS:
                statements.setdefault(_leaf(path), item)
        else:
            arrays[path] = item
    if not arrays:
        only = [f"{path} ({np.asarray(item).dtype}, {np.asarray(item).size} values)" for path, item in items.items()]
        raise origin.error(f"no numeric array of at least two samples; found: {', '.join(only[:20]) or 'nothing'}",
                           "store the samples as a one-dimensional numeric array called voltage")
    chosen = _hinted(arrays, _choose(arrays, options, origin), options)
    _refuse_named_extremes(arrays, chosen, origin)
    pairs = [pair for path in chosen for pair in _columns_of(path, arrays[path], origin)]
    facts: FileFacts = read_facts(statements)
    labels: list[ColumnName] = [label for label, _ in pairs]
    columns: list[NDArray] = [column for _, column in pairs]
    if not any(label.quantity == "time" for label in labels):
        time = _time_array(arrays, len(columns[0]))
        if time is not None:
            labels, columns = [time[0], *labels], [time[1], *columns]
    return captures_from_columns(labels, columns, facts, options, origin)


def _time_array(arrays: Mapping[str, NDArray], length: int) -> tuple[ColumnName, NDArray] | None:
    for path, array in arrays.items():
        label = parse_column_name(_leaf(path))
        if label.quantity == "time" and array.dtype.names is None and array.size == length:
            return label, array.reshape(-1)
    return None


def _refuse_named_extremes(arrays: Mapping[str, NDArray], chosen: Sequence[str], origin: Origin) -> None:
    """Refuse a file whose samples are kept as one array of minima and one of maxima."""
    labels = {path: parse_column_name(_leaf(path)) for path in arrays}
    pairs = {label.extreme for path, label in labels.items()
             if label.extreme and arrays[path].size == arrays[chosen[0]].size}
    if {"min", "max"} <= pairs and any(labels[path].extreme for path in chosen):
        raise origin.error(
            "arrays of minima and maxima of blocks, not samples: the record was reduced for display, and the "
            "instants and the shape of a firing are lost", "export the full record with every sample",
            f"array {chosen[0]}")
