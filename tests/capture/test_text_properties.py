"""Laws of the delimited reader over dialects, searched by hypothesis."""

from __future__ import annotations

import io

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from sigkit.capture.read_delimited import DelimitedReader
from sigkit.contracts.reader import ReadOptions
from sigkit.errors import CaptureError
from sigkit.types.capture import Capture

UNITS = {"V": 1.0, "mV": 1e-3, "kV": 1e3}
TIME_UNITS = {"s": 1.0, "ms": 1e-3, "us": 1e-6}
#: Every separator with every decimal sign that can be told apart from it.
DIALECTS = [(";", "."), (";", ","), ("\t", "."), ("\t", ","), ("|", "."), ("|", ","), (",", "."), (" ", "."),
            (" ", ",")]  # fmt: skip

numbers = st.floats(-1e4, 1e4, allow_nan=False, width=32)


@settings(max_examples=150, deadline=None)
@given(
    dialect=st.sampled_from(DIALECTS),
    unit=st.sampled_from(sorted(UNITS)),
    time_unit=st.sampled_from(sorted(TIME_UNITS)),
    columns=st.integers(1, 4),
    table=st.lists(numbers, min_size=12, max_size=60),
    rate=st.sampled_from([20_000.0, 100_000.0, 250_000.0, 1_000_000.0]),
    start=st.integers(-300, 300),
    remarks=st.integers(0, 5),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16"]),
    ending=st.sampled_from(["\n", "\r\n"]),
)
def test_any_dialect_gives_back_the_numbers(
    dialect: tuple[str, str], unit: str, time_unit: str, columns: int, table: list[float], rate: float, start: int,
    remarks: int, encoding: str, ending: str,
) -> None:  # fmt: skip
    separator, decimal = dialect
    n = len(table) // columns
    values = np.array(table[: n * columns]).reshape(n, columns)
    values[0] += np.where(np.ptp(values, axis=0) == 0, 1.0, 0.0)  # a constant column is another matter
    lines = [f"# remark {k}: nothing" for k in range(remarks)]
    lines.append(separator.join([f"time ({time_unit})", *(f"lead{k} ({unit})" for k in range(columns))]))
    for k in range(n):
        stamp = (start + k) / rate / TIME_UNITS[time_unit]
        fields = [f"{stamp:.12f}", *(repr(float(value)) for value in values[k])]
        lines.append(separator.join(fields).replace(".", decimal))
    content = ending.join([*lines, ""]).encode(encoding)
    [capture] = DelimitedReader().read(io.BytesIO(content), "a", ReadOptions())
    assert len(capture.channels) == columns
    for k, channel in enumerate(capture.channels):
        np.testing.assert_allclose(channel.values(), values[:, k] * UNITS[unit], rtol=1e-15)
        assert channel.unit == "V"
        assert abs(channel.sample_rate_Hz / rate - 1) < 1e-6
        assert abs(channel.start_s - start / rate) * rate < 1e-3


@settings(max_examples=100, deadline=None)
@given(st.binary(max_size=400))
def test_sniffing_never_fails(head: bytes) -> None:
    assert 0.0 <= DelimitedReader().sniff(head, "a.csv") <= 1.0


@settings(max_examples=100, deadline=None)
@given(st.text(alphabet="0123456789.,;-e \t\n\rab:#", max_size=300))
def test_any_text_is_read_or_refused(text: str) -> None:
    complaint = "none"
    captures: list[Capture] = []
    try:
        captures = list(DelimitedReader().read(io.BytesIO(text.encode()), "a.csv", ReadOptions(sample_rate_Hz=1e5)))
    except CaptureError as error:
        complaint = error.reason and error.remedy
    assert complaint
    assert bool(captures) == (complaint == "none")
    assert all(np.isfinite(channel.values()).all() for capture in captures for channel in capture.channels)
