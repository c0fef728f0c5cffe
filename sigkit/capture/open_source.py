"""Open one listed file: find its reader by content and read it."""

from __future__ import annotations

from contextlib import ExitStack
from functools import lru_cache

from sigkit import registry
from sigkit.capture import limits
from sigkit.capture.source_reference import SourceReference
from sigkit.capture.source_stream import READ_FAULTS, open_reference
from sigkit.contracts.reader import Reader, ReadOptions
from sigkit.errors import CaptureError
from sigkit.types.capture import Capture

#: From this likelihood on a reader is sure of the content, and its refusal is final (our choice).
_SURE = 0.9


def open_source(reference: SourceReference, options: ReadOptions | None = None) -> list[Capture]:
    """Read one file into captures.

    Readers are asked in the order of their likelihood by content, the name breaking a tie. A local plain file is
    handed over as a path, so that it can be memory-mapped; anything else as a stream.

    Parameters
    ----------
    reference : SourceReference
    options : ReadOptions, optional
        What sidecar, profile and command line say before the file is read.

    Returns
    -------
    list of Capture
        Several when the file holds several sweeps.

    Raises
    ------
    CaptureError
        When no reader knows the content, or those that do refuse it; with the reason of each.
    """
    options = options or ReadOptions()
    with ExitStack() as stack:
        plain = not reference.members and "://" not in reference.path
        stream = open_reference(reference, stack)
        try:
            head = stream.read(limits.SNIFF_BYTES)
        except READ_FAULTS as fault:
            remedy = "check the file and its rights"
            raise CaptureError(reference.name, f"it cannot be read: {fault}", remedy) from fault
        if not head:
            raise CaptureError(reference.name, "the file is empty (0 bytes)", "record or copy it again")
        errors: list[tuple[str, CaptureError]] = []
        for likelihood, reader in rank_readers(head, reference.name):
            stream.seek(0)
            try:
                captures = list(reader.read(reference.path if plain else stream, reference.name, options))
                if not captures:
                    raise CaptureError(reference.name, "the reader found no capture in it", "export it again")
            except CaptureError as error:
                errors.append((reader.name, error))
            except Exception as fault:  # noqa: BLE001
                # A plug-in or a library may fail in any way on a damaged file; one file must not stop the rest.
                errors.append((reader.name, CaptureError(
                    reference.name, f"the reader {reader.name} failed: {type(fault).__name__}: {fault}",
                    "copy or export the file again")))  # fmt: skip
            else:
                return [_finish(capture, reader, reference) for capture in captures]
            if likelihood >= _SURE:
                break
    raise _joined(errors)


def _joined(errors: list[tuple[str, CaptureError]]) -> CaptureError:
    """Return the likeliest reader's error, with what the others said."""
    first = errors[0][1]
    if len(errors) == 1:
        return first
    others = "; ".join(f"as {name}: {error.reason}" for name, error in errors[1:])
    return CaptureError(first.source, f"{first.reason} ({others})", first.remedy, first.place)


def _finish(capture: Capture, reader: Reader, reference: SourceReference) -> Capture:
    """Note the full location, and a name that belongs to another format."""
    lower = reference.name.lower()
    claimed = [other.name for _, other in _readers()[0] if lower.endswith(tuple(other.suffixes))]
    warnings = capture.warnings
    if claimed and reader.name not in claimed:
        warnings = (*warnings, f"the name says {' or '.join(claimed)} but the content is {reader.name}; "
                               "the content is used")  # fmt: skip
    return capture.with_(source=reference.location, warnings=warnings)


@lru_cache(maxsize=1)
def _readers() -> tuple[tuple[tuple[str, Reader], ...], tuple[str, ...]]:
    """Return the usable readers by name and what is wrong with the others; looked up once a process."""
    usable, broken = [], []
    for plugin in registry.plugins("readers"):
        if plugin.problem:
            broken.append(f"{plugin.name}: broken plug-in ({plugin.problem})")
        else:
            usable.append((plugin.name, registry.load("readers", plugin.name)()))
    return tuple(usable), tuple(broken)


def rank_readers(head: bytes, name: str) -> list[tuple[float, Reader]]:
    """Return likelihood and reader, likeliest first; the content decides, the name breaks a tie.

    Parameters
    ----------
    head : bytes
        First bytes of the file.
    name : str
        File name.

    Returns
    -------
    list of (float, Reader)
        Only those with a likelihood above 0; never empty.

    Raises
    ------
    CaptureError
        When none knows the content; says what each one looked for.

    Examples
    --------
    >>> [reader.name for _, reader in rank_readers(b"time;U\\n0;1\\n1;2\\n", "a.wav")]
    ['delimited']
    """
    ranked = []
    usable, refused = _readers()
    looked_for = list(refused)
    for label, reader in usable:
        try:
            likelihood = float(reader.sniff(head, name))
        except Exception as fault:  # noqa: BLE001 - a stranger's plug-in must not stop the others
            looked_for.append(f"{label}: failed ({type(fault).__name__}: {fault})")
            continue
        if likelihood > 0:
            ranked.append((-likelihood, not name.lower().endswith(tuple(reader.suffixes)), label, reader))
        else:
            looked_for.append(f"{label}: {getattr(reader, 'expects', 'not its content')}")
    if not ranked:
        raise CaptureError(
            name, "no reader knows this content; looked for: " + "; ".join(looked_for),
            "export the record as CSV, WAV, NumPy, HDF5, MATLAB or Parquet",
        )  # fmt: skip
    return [(-one[0], one[3]) for one in sorted(ranked, key=lambda one: one[:3])]
