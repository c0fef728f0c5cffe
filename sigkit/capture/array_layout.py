"""Find the samples among the named arrays of a file (NumPy, HDF5, MATLAB, Arrow)."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sigkit.capture import limits
from sigkit.capture.assemble_captures import Origin, captures_from_columns, refuse_reduced
from sigkit.capture.column_names import ColumnName, parse_column_name
from sigkit.capture.deferred_array import DeferredArray
from sigkit.capture.file_facts import FileFacts, is_statement, join_facts, read_facts
from sigkit.contracts.reader import ReadOptions
from sigkit.types.capture import Capture

_CHANNEL_NUMBER = re.compile(r"^channel_(\d+)$")

#: An array at hand or one that can be read.
AnyArray = NDArray | DeferredArray


def _leaf(path: str) -> str:
    return path.rpartition("/")[2]


def _label(path: str) -> ColumnName:
    return parse_column_name(_leaf(path))


def _is_samples(array: Any) -> bool:
    return isinstance(array, (np.ndarray, DeferredArray)) and (
        (array.dtype.kind in "iufb" and 1 <= array.ndim <= 2 and array.size > 1) or array.dtype.names is not None
    )


def _columns_of(path: str, array: NDArray, origin: Origin) -> list[tuple[ColumnName, NDArray]]:
    """Return the channels of one array: fields of a record array, the shorter side of a 2-D array."""
    if array.dtype.names is not None:
        flat = array.reshape(-1)
        return [(parse_column_name(name), flat[name]) for name in array.dtype.names]
    label = _label(path)
    if array.ndim == 1:
        return [(label, array)]
    if 1 in array.shape:
        return [(label, array.reshape(-1))]
    by_column = array.shape[1] <= array.shape[0]
    count = min(array.shape)
    if count > limits.CHANNELS:
        raise origin.error(f"array {path} has shape {array.shape}: neither side can be the channels",
                           f"store at most {limits.CHANNELS} channels along one side", f"array {path}")  # fmt: skip
    return [
        (ColumnName(f"{label.name}_{number + 1}", label.quantity, label.factor, label.unit, label.extreme),
         array[:, number] if by_column else array[number])
        for number in range(count)
    ]  # fmt: skip


def _choose(arrays: Mapping[str, AnyArray], options: ReadOptions, origin: Origin, table: bool) -> list[str]:
    """Return the paths of the arrays that are channels."""
    available = ", ".join(f"{path} {array.shape}" for path, array in list(arrays.items())[:20]) or "none"
    if options.array is not None:
        found = [path for path in arrays if path == options.array] or [
            path for path in arrays if options.array in (_leaf(path), _label(path).name)]  # fmt: skip
        if not found:
            raise origin.error(f"no array called {options.array!r}; numeric arrays in the file: {available}",
                               "correct the name in the column channel of captures.csv")  # fmt: skip
        return found[:1]
    candidates = [path for path in arrays if _label(path).quantity not in ("time", "index")]
    if not candidates:
        raise origin.error(f"no array of samples; numeric arrays in the file: {available}",
                           "store the samples as a one-dimensional numeric array called voltage")  # fmt: skip
    numbered = sorted((path for path in candidates if _CHANNEL_NUMBER.match(_leaf(path))),
                      key=lambda path: int(_leaf(path).split("_")[1]))  # fmt: skip
    if numbered:
        return numbered
    if table:
        return candidates
    named = [path for path in candidates if _label(path).name.lower() in ("voltage", "current")]
    if named:
        return named
    largest = max(arrays[path].size for path in candidates)
    chosen = [path for path in candidates if arrays[path].size == largest]
    if len(chosen) > 1 and not {_label(path).extreme for path in chosen} >= {"min", "max"}:
        origin.warnings.append(f"arrays {', '.join(chosen)} have the same size; each is taken as a channel")
    elif len(chosen) == 1 and len(candidates) > 1:
        origin.warnings.append(f"array {chosen[0]} is the largest and is taken as the samples; "
                               f"not used: {', '.join(path for path in candidates if path != chosen[0])}")  # fmt: skip
    return chosen


def _hinted(arrays: Mapping[str, AnyArray], chosen: list[str], options: ReadOptions) -> list[str]:
    """Let the sidecar name arrays: a name that is no default channel but an array of the file is taken."""
    hints = [hint.replace(".", "/") for hint in options.extra.get("sidecar_channels", "").split("\n") if hint]
    wanted = [path for hint in hints for path in arrays if hint in (path, _leaf(path))]
    if not wanted or all(path in chosen for path in wanted):
        return chosen
    return list(dict.fromkeys(wanted))


def captures_from_arrays(
    items: Mapping[str, Any],
    options: ReadOptions,
    origin: Origin,
    attributes: Mapping[str, Mapping[str, Any]] | None = None,
    table: bool = False,
) -> list[Capture]:
    """Make captures of the named arrays of a file.

    Samples are ``channel_0``, ``channel_1``, ... (as sigkit writes), else ``voltage`` and ``current`` (with a unit
    suffix if any), else the only or largest numeric array; equal largest ones are channels. In a 2-D array the
    shorter side counts the channels. A time array of the same length gives rate and start; else the statements do:
    attributes and scalars beside the array or in a group above it, the nearest first. Groups that each hold arrays
    of the same names are sweeps.

    Parameters
    ----------
    items : mapping of str to array, `DeferredArray`, scalar or text
        By path, groups parted by ``/``.
    options : ReadOptions
    origin : Origin
    attributes : mapping of str to mapping, optional
        Statements kept outside the arrays, by the path of their array or group, ``""`` for the file.
    table : bool
        Whether all columns are channels of one table.

    Returns
    -------
    list of Capture

    Raises
    ------
    sigkit.errors.CaptureError
    """
    arrays: dict[str, AnyArray] = {}
    statements: dict[str, dict[str, Any]] = {path: dict(said) for path, said in (attributes or {}).items()}
    for path, item in items.items():
        if not is_statement(_leaf(path)) and _is_samples(item):
            arrays[path] = item
        elif not isinstance(item, DeferredArray) or item.size <= limits.CHANNELS:
            value = np.asarray(item.load() if isinstance(item, DeferredArray) else item)
            if value.dtype.kind in "iufbSU" and value.size <= limits.CHANNELS:
                statements.setdefault(path.rpartition("/")[0], {}).setdefault(_leaf(path), value)
    if not arrays:
        only = [f"{path} ({getattr(item, 'dtype', 'text')}, shape {np.shape(item)})" for path, item in items.items()]
        raise origin.error(f"no numeric array of at least two samples; found: {', '.join(only[:20]) or 'nothing'}",
                           "store the samples as a one-dimensional numeric array called voltage")  # fmt: skip
    groups = _sweep_groups(arrays, options)
    captures = []
    shared = list(origin.warnings)
    for number, group in enumerate(groups, start=1):
        origin.warnings = list(shared)
        own = {path: array for path, array in arrays.items() if path.startswith(group)}
        made = _one_group(own, statements, options, origin, table)
        if len(groups) > 1:
            if len(made) > 1:
                raise origin.error("a group holds sweeps of its own", "store one sweep a group", f"group {group}")
            made = [made[0].with_(name=f"{origin.name}#sweep-{number}", sweep=number)]
        captures += made
    return captures


def _sweep_groups(arrays: Mapping[str, AnyArray], options: ReadOptions) -> list[str]:
    """Return the prefixes of groups that are sweeps: several that hold the same names; else the whole file."""
    members: dict[str, set[str]] = {}
    for path in arrays:
        members.setdefault(path.rpartition("/")[0], set()).add(_leaf(path))
    alike = len(members) > 1 and len({frozenset(names) for names in members.values()}) == 1 and "" not in members
    if not alike or len(members) > limits.SWEEPS or (options.array or "") in arrays:
        return [""]
    return [f"{group}/" for group in sorted(members, key=_natural)]


def _natural(text: str) -> list[tuple[int, str]]:
    """Sort key that puts sweep 2 before sweep 10."""
    return [(int(part) if part.isdigit() else -1, part) for part in re.split(r"(\d+)", text)]


def _one_group(arrays: Mapping[str, AnyArray], statements: Mapping[str, Mapping[str, Any]], options: ReadOptions,
               origin: Origin, table: bool) -> list[Capture]:  # fmt: skip
    chosen = _hinted(arrays, _choose(arrays, options, origin, table), options)
    same = [path for path in arrays if arrays[path].size == arrays[chosen[0]].size]
    if any(_label(path).extreme for path in chosen):
        refuse_reduced([_label(path) for path in same], origin)
    pairs: list[tuple[ColumnName, NDArray]] = []
    facts: list[FileFacts] = []
    for path in chosen:
        columns = _columns_of(path, _loaded(arrays[path], path, origin), origin)
        pairs += columns
        facts += [read_facts(_said_of(path, statements))] * len(columns)
    labels, data = [label for label, _ in pairs], [column for _, column in pairs]
    if not any(label.quantity == "time" for label in labels):
        for path, array in arrays.items():
            if _label(path).quantity == "time" and array.dtype.names is None and array.size == len(data[0]):
                labels, data = [_label(path), *labels], [_loaded(array, path, origin).reshape(-1), *data]
                facts = [facts[0], *facts]
                break
    values = [one for one, label in zip(facts, labels, strict=True) if label.quantity not in ("time", "index")]
    return captures_from_columns(labels, data, join_facts(values) if values else FileFacts(), options, origin)


def _loaded(array: AnyArray, path: str, origin: Origin) -> NDArray:
    if isinstance(array, DeferredArray):
        size = array.size * array.dtype.itemsize
        if size > limits.MEMORY_BYTES:
            raise origin.error(f"array {path} claims {size} bytes", "store each channel uncompressed in its own file",
                               f"array {path}")  # fmt: skip
        return array.load()
    return array


def _said_of(path: str, statements: Mapping[str, Mapping[str, Any]]) -> dict[str, Any]:
    """Return the statements for an array, those of the farthest group first, so that the nearest win."""
    said: dict[str, Any] = dict(statements.get("", {}))
    parts = path.split("/")
    for depth in range(1, len(parts) + 1):
        said.update(statements.get("/".join(parts[:depth]), {}))
    return said
