"""Open everything of an archive, one file after the other."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from sigkit.capture.open_planned import open_planned, rejection_of
from sigkit.capture.plan_opening import OpeningPlan, PlannedSource, plan_opening
from sigkit.capture.source_reference import Rejection
from sigkit.errors import CaptureError
from sigkit.types.capture import Capture

__all__ = ["OpeningPlan", "PlannedSource", "open_captures", "open_planned", "plan_opening", "rejection_of"]


def open_captures(
    what: Sequence[str], *, leads: Sequence[str] = (), sample_rate_Hz: float | None = None, profile: str = ""
) -> Iterator[Capture | Rejection]:
    """Open everything one after the other; one bad file never stops the rest.

    A parallel screen calls `plan_opening` and sends each `PlannedSource` to a worker that calls `open_planned`.

    Parameters
    ----------
    what, leads, sample_rate_Hz, profile
        As in `sigkit.capture.plan_opening.plan_opening`.

    Yields
    ------
    Capture or Rejection
        In the order of the names; what could not even be listed comes first.

    Examples
    --------
    >>> import pathlib, tempfile
    >>> folder = pathlib.Path(tempfile.mkdtemp())
    >>> _ = (folder / "a.csv").write_text("time (ms),U (V)\\n0,1\\n1,2\\n2,1\\n")
    >>> _ = (folder / "b.wav").write_bytes(b"nothing")
    >>> [type(one).__name__ for one in open_captures([str(folder)])]
    ['Capture', 'Rejection']
    """
    plan = plan_opening(what, leads=leads, sample_rate_Hz=sample_rate_Hz, profile=profile)
    yield from plan.rejections
    for planned in plan.sources:
        try:
            yield from open_planned(planned)
        except CaptureError as error:
            yield rejection_of(planned, error)
